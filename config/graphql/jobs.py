"""Jobs: their systems, people, instruments, measurements and documents, and how they stand."""

from datetime import date, datetime, time
from typing import Annotated, Any

import strawberry

from config.graphql.instruments import Instrument
from config.graphql.lists import NEWEST_FIRST, Connection, Filters, filters, many
from config.graphql.measurements import FLAGS, SESSIONS, Flag, Session
from config.graphql.people import Member
from config.graphql.photos import Photo
from config.graphql.reports import Deferral, Issue, Revision
from config.graphql.rows import Node, computed, node, one
from config.graphql.sites import Site, System
from jobs import models as jobs
from jobs.access import Actor
from jobs.rest.jobs import JOB_FILTERS
from measurements import models as measurements
from measurements import queries
from reports import models as reports

JOBS: Filters = filters(
    JOB_FILTERS,
    status=(str, f"One of {', '.join(jobs.JobStatus.values)}."),
    site=(jobs.Site, "Only those at one site."),
    member=(jobs.Member, "Only those that a member is assigned to."),
    number=(int, "Only the one with this number."),
    ends_from=(date, "Only those whose last day is this one or later."),
    starts_until=(date, "Only those whose first day is this one or earlier."),
)


@strawberry.type(description="How far a job is: points that need a figure, those that have one, open flags.")
class JobOverview:
    points: int
    measured: int
    to_do: int
    waiting: int = strawberry.field(description="Posted, not evaluated yet.")
    must_answer: int
    should_answer: int


@node(jobs.PersonAssignment, "A technician planned on a job.")
class JobPerson(Node):
    member: Member | None = one("member")
    job: Annotated["Job", strawberry.lazy("config.graphql.jobs")] | None = one("job")
    starts_on: date
    ends_on: date
    from_time: time | None
    to_time: time | None
    starts_at: datetime
    ends_at: datetime


@node(jobs.InstrumentAssignment, "An instrument planned on a job.")
class JobInstrument(Node):
    instrument: Instrument | None = one("instrument")
    job: Annotated["Job", strawberry.lazy("config.graphql.jobs")] | None = one("job")
    starts_on: date
    ends_on: date
    from_time: time | None
    to_time: time | None
    starts_at: datetime
    ends_at: datetime
    warnings: list[str]


def _overviews(rows: list[Any], actor: Actor) -> dict[Any, Any]:
    return queries.job_overviews({row.pk for row in rows})


@node(jobs.Job, "Site, systems and a window of days.")
class Job(Node):
    number: int
    title: str
    status: str
    starts_on: date
    ends_on: date
    notes: str
    tolerance_below: float | None = strawberry.field(description="Share; null: the company's.")
    tolerance_above: float | None
    created_at: datetime
    version: int
    site: Site | None = one("site")
    systems: Connection[System] = many(jobs.System, "job_systems__job")
    people: Connection[JobPerson] = many(jobs.PersonAssignment, "job")
    instruments: Connection[JobInstrument] = many(jobs.InstrumentAssignment, "job")
    overview: JobOverview = computed(_overviews, price=5)
    sessions: Connection[Session] = many(
        measurements.Session, "job", "Oldest first.", narrowed=SESSIONS.but("job")
    )
    flags: Connection[Flag] = many(
        measurements.Flag, "job", "Newest first.", order=NEWEST_FIRST, narrowed=FLAGS.but("job")
    )
    photos: Connection[Photo] = many(
        measurements.Photo, "job", "Photos and notes, newest first.", order=NEWEST_FIRST
    )
    deferrals: Connection[Deferral] = many(
        reports.Deferral, "job", "The newest decision on each point that was ever left for later."
    )
    revisions: Connection[Revision] = many(reports.Revision, "job", "Oldest first, documents before it too.")
    reports: Connection[Issue] = many(
        reports.Issue, "revision__job", "Issued reports and documents, newest first.", order=NEWEST_FIRST
    )
