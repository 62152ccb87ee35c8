"""Planning: who and what is on which job on which day, who would do, travel times, calendars."""

from datetime import date, datetime, time
from typing import Annotated, Any
from uuid import UUID

import strawberry

from config.graphql.jobs import Job
from config.graphql.people import Member
from config.graphql.rows import Node, node, one, read_id, rows_of, together, told
from config.graphql.sites import Site
from jobs import board, calendars, travel
from jobs import models as jobs
from jobs.access import Action, require
from jobs.bookings import spell_of
from jobs.errors import NotFound
from jobs.http.graphql import actor_of
from jobs.rest.plan import KIND_WORDS, read_kind


@strawberry.type(description="One booking. `holds`: nothing else can be planned then.")
class PlanBooking:
    job: Job
    starts_on: date = told("row.starts_on")
    ends_on: date = told("row.ends_on")
    from_time: time | None = told("row.from_time")
    to_time: time | None = told("row.to_time")
    starts_at: datetime = told("row.starts_at")
    ends_at: datetime = told("row.ends_at")
    holds: bool = told("row.holds")
    against: list[str] = strawberry.field(description="What does not fit as it stands.")


@strawberry.type(description="A person or an instrument with what is planned, earliest first.")
class PlanLine:
    id: UUID = strawberry.field(name="uuid", description="Of the member or the instrument.")
    name: str
    remark: str
    bars: list[PlanBooking] = strawberry.field(name="bookings")


@strawberry.type(description="An open job that lacks people or instruments.")
class PlanWaiting:
    job: Job
    lacks: list[str]


@strawberry.type(description="The planning board. Days are those of each site.")
class Plan:
    by: str
    days: list[date]
    lines: list[PlanLine]
    waiting: list[PlanWaiting] = strawberry.field(description="At most 100.")
    digest: str = strawberry.field(description="Differs when anything shown differs.")


Count = Annotated[int, strawberry.argument(description=f"1 to {board.MOST_DAYS}.")]
By = Annotated[str | None, strawberry.argument(description=KIND_WORDS)]
First = Annotated[
    date | None, strawberry.argument(name="from", description="This week's Monday unless told.")
]


def plan(info: strawberry.Info, first: First = None, days: Count = 7, by: By = None) -> Plan:
    actor = require(actor_of(info), Action.PLAN)
    start = first or board.week_of(board.now_at(jobs.Company.objects.get()).date())
    found: Any = board.board(actor, board.span(start, days), read_kind(by, "by"))
    together(bar.job for line in found.lines for bar in line.bars)
    together(entry.job for entry in found.waiting)
    return found  # type: ignore[no-any-return]


@strawberry.type(description="Somebody or something that could be planned, and what speaks against it.")
class Candidate:
    id: UUID = strawberry.field(name="uuid", description="Of the member or the instrument.")
    name: str
    fits: bool = strawberry.field(description="Planning would not be refused.")
    refused: list[str] = strawberry.field(description="Why it would be.")
    remarks: list[str] = strawberry.field(description="Kept as warnings.")


@strawberry.type(description="Who or what could be assigned to a job, what fits first.")
class Candidates:
    kind: str
    starts_at: datetime
    ends_at: datetime
    candidates: list[Candidate]


def job_candidates(
    info: strawberry.Info,
    job: strawberry.ID,
    kind: By = None,
    starts_on: date | None = None,
    ends_on: date | None = None,
    from_time: time | None = None,
    to_time: time | None = None,
) -> Candidates | None:
    actor = require(actor_of(info), Action.PLAN)
    try:
        of = board.the_job(actor, read_id(job, jobs.Job, "job"))
    except NotFound:
        return None
    wanted = read_kind(kind, "kind")
    spell = spell_of(of, jobs.Company.objects.get(), starts_on, ends_on, from_time, to_time)
    found: Any = board.candidates(actor, of, wanted, spell)
    return Candidates(kind=wanted.value, starts_at=spell.starts_at, ends_at=spell.ends_at, candidates=found)


@node(jobs.TravelTime, "Minutes between two sites, either way.", rows=travel.times)
class TravelTime(Node):
    minutes: int
    other: Site | None = one("other")
    one: Site | None = one("one")


@strawberry.type(description="The private address of a member's calendar, without its secret.")
class Calendar:
    member: Member
    made_at: datetime | None = strawberry.field(description="Null: there is none.")


def calendar(info: strawberry.Info, member: strawberry.ID) -> Calendar | None:
    actor, key = actor_of(info), read_id(member, jobs.Member, "member")
    whose = rows_of(jobs.Member, actor).filter(pk=key).first()
    if whose is None:
        return None
    row = calendars.address_of(actor, key)
    return Calendar(member=whose, made_at=row.made_at if row else None)
