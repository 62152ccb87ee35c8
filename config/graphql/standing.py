"""Where a job stands: the figures that count, how far each point is, what is missing; and a tablet's work."""

from typing import Any

import strawberry
from strawberry.scalars import JSON

from config.graphql.jobs import Job, JobOverview
from config.graphql.measurements import Flag, FlagAnswer, Result, Session
from config.graphql.rows import read_id, rows_of, together, told
from config.graphql.sites import System, TestPoint
from jobs import models as jobs
from jobs.access import Action, require
from jobs.errors import NotFound
from jobs.http.graphql import actor_of
from jobs.readiness import readiness
from measurements import queries
from measurements.balance import balance_of, material_of
from measurements.balancing.content import content
from measurements.models import Outcome
from measurements.overview import JobStanding, standing_of, visible_job
from measurements.worklist import worklist

# The figures that count


@strawberry.type(description="A test point with what counts there; once for each thing measured.")
class PointFigure:
    point: TestPoint
    session: Session | None
    result: Result | None
    open_flags: int = strawberry.field(description="Open flags that are more than a remark.")


@strawberry.type(description="A system of a job with its points.")
class SystemFigures:
    system: System
    points: list[PointFigure]


@strawberry.type(description="A job's systems, their points and the result that counts at each.")
class JobResults:
    job: Job
    overview: JobOverview
    systems: list[SystemFigures]


def job_results(info: strawberry.Info, job: strawberry.ID) -> JobResults | None:
    found: Any = rows_of(jobs.Job, actor_of(info)).filter(pk=read_id(job, jobs.Job, "job")).first()
    if found is None:
        return None
    results = queries.job_results(found)
    systems: Any = results.systems
    figures = [figure for system in systems for figure in system.points]
    together(system.system for system in systems)
    together(figure.point for figure in figures)
    together(figure.session for figure in figures if figure.session)
    together(figure.result for figure in figures if figure.result)
    overview: Any = results.overview
    return JobResults(job=found, overview=overview, systems=systems)


# How far it is


@strawberry.type(description="What a rule saw and nobody settled yet.")
class OpenFlag:
    flag: Flag
    asked: FlagAnswer | None = strawberry.field(
        name="answered", description="The request to measure again, null before."
    )


@strawberry.type(description="A session that the service has.")
class SessionLine:
    session: Session
    counts: str = strawberry.field(description="current, superseded or void")
    stands: bool = strawberry.field(description="It is its point's figure, not one of an earlier round.")
    flags: list[OpenFlag]
    refusal: str | None = told("result.refusal", "Why the evaluation gave no figure.")

    @strawberry.field
    def evaluated(root: Any) -> bool:
        return root.result is not None

    @strawberry.field(description="Null before the evaluation, and where it gave no figure.")
    def result(root: Any) -> Result | None:
        computed = root.result is not None and root.result.outcome == Outcome.COMPUTED
        return root.result if computed else None


@strawberry.type(description="How far a point is: to_do, done, measured, flagged or remeasure.")
class PointLine:
    point: TestPoint
    needed: bool = strawberry.field(description="The job is not complete without a figure here.")
    state: str
    sessions: list[SessionLine] = strawberry.field(description="Those that stand here.")
    flags: list[OpenFlag] = strawberry.field(description="Of the point itself, not of a session.")


@strawberry.type(description="A system of the job with its points.")
class SystemLine:
    system: System
    points: list[PointLine]


@strawberry.type(description="What is missing: session, re-measurement, evaluation, zero check or mark.")
class Lack:
    kind: str
    system: System
    point: TestPoint
    session: Session | None
    flag: OpenFlag | None


@strawberry.type(description="A job as the service knows it now.")
class JobState:
    job: Job
    sessions: list[SessionLine]
    systems: list[SystemLine]
    flags: list[OpenFlag] = strawberry.field(description="Those of no point of the job's systems.")
    missing: list[Lack]


def job_state(info: strawberry.Info, job: strawberry.ID) -> JobState | None:
    actor = require(actor_of(info), Action.MEASURE)
    try:
        found: Any = standing_of(visible_job(actor, read_id(job, jobs.Job, "job")))
    except NotFound:
        return None
    _bind(found)
    return found  # type: ignore[no-any-return]


def _bind(found: JobStanding) -> None:
    """Keeps rows of a kind together, so that what is asked of one is fetched for all."""
    flags = [
        *found.flags,
        *(flag for line in found.sessions for flag in line.flags),
        *(flag for line in found.points for flag in line.flags),
    ]
    together(line.system for line in found.systems)
    together(line.point for line in found.points)
    together(line.session for line in found.sessions)
    together(line.result for line in found.sessions if line.result)
    together(flag.flag for flag in flags)
    together(flag.asked for flag in flags if flag.asked)


# Whether it can start


@strawberry.type(description="One line of the list: what was looked at, ok, look or missing, what to do.")
class ReadinessCheck:
    item: str
    state: str
    detail: str


@strawberry.type(description="`missing` must be put right before the job can start; `look` is worth a look.")
class Readiness:
    ready: bool
    checks: list[ReadinessCheck]
    on_site: list[str] = strawberry.field(description="Before the first reading.")


def job_readiness(info: strawberry.Info, job: strawberry.ID) -> Readiness | None:
    try:
        found: Any = readiness(actor_of(info), read_id(job, jobs.Job, "job"))
    except NotFound:
        return None
    return found  # type: ignore[no-any-return]


# What tablets go on from


def work(info: strawberry.Info) -> JSON:
    return worklist(actor_of(info)).content  # type: ignore[return-value]


def system_balance(info: strawberry.Info, job: strawberry.ID, system: strawberry.ID) -> JSON | None:
    job_id, system_id = read_id(job, jobs.Job, "job"), read_id(system, jobs.System, "system")
    try:
        material = material_of(actor_of(info), job_id, system_id)
    except NotFound:
        return None
    return content(balance_of(material))  # type: ignore[return-value]
