"""Sessions with their readings, results, corrections and flags."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import strawberry
from django.db.models import QuerySet
from msgspec import Raw
from strawberry.scalars import JSON

from config.graphql.execution import EMPTY, Column
from config.graphql.figures import Figure, ReadingColumns, SweepColumns, figure
from config.graphql.lists import NEWEST_FIRST, Connection, Filters, many
from config.graphql.people import Member
from config.graphql.rows import Named, Node, computed, for_all, heavy, name_of, node, one, one_back, together
from jobs import models as jobs
from jobs.access import Actor
from jobs.errors import TooLarge
from jobs.http.graphql import actor_of
from jobs.queries import visible
from measurements import models as measurements
from measurements import queries
from measurements.current import current_results
from measurements.rest.views import narrow_flags, narrow_sessions

if TYPE_CHECKING:
    from config.graphql.jobs import Job
    from config.graphql.photos import Photo
    from config.graphql.sites import System, TestPoint

SERIES = 1
"""What the readings or sweeps of one session are priced at, in objects."""
MOST_READINGS = 50_000
"""Of all sessions of an answer together; a sweep counts as twenty."""


def _narrow_sessions(rows: "QuerySet[Any]", given: Mapping[str, str]) -> "QuerySet[Any]":
    return narrow_sessions(queries.with_state(rows) if "state" in given else rows, given)


def _narrow_flags(rows: "QuerySet[Any]", given: Mapping[str, str]) -> "QuerySet[Any]":
    if "open" in given:
        rows = rows.annotate(newest_answer=queries.newest_answer())
    return narrow_flags(rows, given)


SESSIONS = Filters(
    {
        "job": (jobs.Job, "Of this job."),
        "test_point": (jobs.TestPoint, "At this test point."),
        "method": (str, f"One of {', '.join(measurements.Method.values)}."),
        "state": (str, f"One of {', '.join(queries.STATES)}."),
        "started_from": (datetime, "Begun at this moment or later, with its offset."),
        "started_before": (datetime, "Begun before this moment."),
    },
    _narrow_sessions,
)
FLAGS = Filters(
    {
        "job": (jobs.Job, "Of this job."),
        "session": (measurements.Session, "Of this session."),
        "severity": (str, f"One of {', '.join(measurements.Severity.values)}."),
        "open": (bool, "Not answered yet, or only what is settled."),
    },
    _narrow_flags,
)


@node(measurements.FlagAnswer, "What was decided on a flag. No member: cleared by the rules.")
class FlagAnswer(Node):
    kind: str
    reason: str
    answered_at: datetime
    member: Member | None = one("member")


def _is_open(rows: list[Any], actor: Actor) -> dict[Any, bool]:
    found = visible(measurements.Flag.objects.filter(pk__in=[row.pk for row in rows]), actor)
    found = queries.open_flags(found.annotate(newest_answer=queries.newest_answer()))
    still = set(found.values_list("pk", flat=True))
    return {row.pk: row.pk in still for row in rows}


@node(measurements.Flag, "What a rule saw, what it expected, and what to do.")
class Flag(Node):
    rule: str
    severity: str
    seen: str
    expected: str
    advice: str
    source: str
    data: JSON
    raised_at: datetime
    open: bool = computed(_is_open, description="Not answered yet, or sent back and nothing settled it.")
    job: Annotated["Job", strawberry.lazy("config.graphql.jobs")] | None = one("job")
    system: Annotated["System", strawberry.lazy("config.graphql.sites")] | None = one("system")
    test_point: Annotated["TestPoint", strawberry.lazy("config.graphql.sites")] | None = one("test_point")
    session: Annotated["Session", strawberry.lazy("config.graphql.measurements")] | None = one("session")
    answers: Connection[FlagAnswer] = many(
        measurements.FlagAnswer, "flag", "Newest first; the newest counts.", order=NEWEST_FIRST
    )


@node(
    measurements.Result,
    "The computation of one session. Never changed.",
    rows=lambda actor: visible(measurements.Result.objects.defer(*queries.HEAVY), actor),
)
class Result(Node):
    measurand: str

    @strawberry.field(description="Of the measurand, on the design's basis.")
    def value(root: Any) -> Figure | None:
        unit = jobs.Measurand(root.measurand).unit if root.measurand else ""
        return figure(root.value, root.value_expanded, unit)

    design_value: float | None
    limit_low: float | None
    limit_high: float | None

    @strawberry.field(description="At the air density of the plane.")
    def flow(root: Any) -> Figure | None:
        return figure(root.flow, root.flow_expanded, "m3/s")

    @strawberry.field(description="At standard density.")
    def standard_flow(root: Any) -> Figure | None:
        return figure(root.standard_flow, root.standard_flow_expanded, "m3/s")

    @strawberry.field
    def share_of_design(root: Any) -> Figure | None:
        return figure(root.share_of_design, root.share_expanded, "1")

    verdict: str
    probability: float | None
    accepted: bool | None
    outcome: str
    refusal: str = strawberry.field(description="Why there is no figure; empty when there is one.")
    coverage_factor: float | None
    effective_dof: float | None = strawberry.field(description="Null: infinite.")
    density: float | None
    mean_velocity: float | None
    design_flow: float | None
    tolerance_below: float | None
    tolerance_above: float | None
    calculation_version: str
    inputs_digest: str
    content_digest: str
    computed_at: datetime
    inputs: JSON = heavy("inputs", "All that the calculation was given.")
    detail: JSON = heavy("detail", "Budget, points, certificates, remarks.")
    session: Annotated["Session", strawberry.lazy("config.graphql.measurements")] | None = one("session")


@node(
    measurements.Correction,
    "A clerical mistake put right: by whom, when, and what, as places in the session as posted.",
)
class Correction(Node):
    at: datetime
    member: Member | None = one("member")
    original: Annotated["Session", strawberry.lazy("config.graphql.measurements")] | None = one("original")
    session: Annotated["Session", strawberry.lazy("config.graphql.measurements")] | None = one("session")
    changes: JSON = strawberry.field(description="List of path, before and after, as posted.")
    summary: JSON = strawberry.field(description="List of what, before and after, in words.")


@node(measurements.SessionVoid, "Why a session counts nowhere; the first voids.")
class SessionVoid(Node):
    at: datetime
    member: Member | None = one("member")
    reason: str


def _states(rows: list[Any], actor: Actor) -> dict[Any, str]:
    wanted = measurements.Session.objects.filter(pk__in=[row.pk for row in rows]).only("id")
    return {row.pk: queries.state_of(row) for row in queries.with_state(visible(wanted, actor))}


def _newest_results(rows: list[Any], actor: Actor) -> dict[Any, Any]:
    found = current_results([row.pk for row in rows], *queries.HEAVY)
    together(found.values())
    return found


def _readings(root: Any, info: strawberry.Info) -> Any:
    return for_all(root, "readings", lambda rows: _columns(rows, info, READINGS))


def _sweeps(root: Any, info: strawberry.Info) -> Any:
    return for_all(root, "sweeps", lambda rows: _columns(rows, info, SWEEPS))


@dataclass(frozen=True)
class _Series:
    """A table of what was read in sessions: its columns, their order, and what one line weighs."""

    model: Any
    names: tuple[str, ...]
    made: Any
    order: tuple[str, ...]
    weight: int = 1


READINGS = _Series(
    measurements.Reading,
    ("place", "run", "line", "point", "quantity", "value", "entered", "unit", "taken_at"),
    ReadingColumns,
    ("run", "line", "point", "taken_at", "id"),
)
SWEEPS = _Series(
    measurements.Sweep,
    ("run", "line", "quantity", "started_at", "duration_s", "mean", "entered", "unit", "samples"),
    SweepColumns,
    ("run", "line", "started_at", "id"),
    weight=20,
)


def _columns(rows: list[Any], info: strawberry.Info, series: _Series) -> dict[Any, Any]:
    """Columns by session, whole. Raises TooLarge when a request has had too many."""
    request = info.context.request
    left = getattr(request, "readings_left", MOST_READINGS)
    found = series.model.objects.filter(session__in=[row.pk for row in rows])
    found = visible(found, actor_of(info))
    weight = found.count() * series.weight
    if weight > left:
        raise TooLarge(f"One answer holds at most {MOST_READINGS} readings. Ask for fewer sessions at once.")
    request.readings_left = left - weight
    names = {f"{name}_column": Column(name, order_by=series.order) for name in series.names}
    columns = found.order_by().values_list("session_id").annotate(**names)
    held = {key: [Raw(text.encode()) for text in texts] for key, *texts in columns}
    nothing = [EMPTY] * len(series.names)
    return {
        row.pk: series.made(**dict(zip(series.names, held.get(row.pk, nothing), strict=True))) for row in rows
    }


@node(
    measurements.Session,
    "One measurement of one test point.",
    rows=lambda actor: visible(measurements.Session.objects.defer("content"), actor),
)
class Session(Node):
    method: str
    started_at: datetime
    finished_at: datetime
    received_at: datetime
    clock_offset_s: float = strawberry.field(description="Service's clock minus the tablet's.")
    note: str
    reason: str = strawberry.field(description="Why it supersedes.")
    state: str = computed(_states, description=f"{', '.join(queries.STATES[:-1])} or {queries.STATES[-1]}.")
    content: JSON = heavy("content", "Everything but readings and sweeps, as checked.")
    content_digest: str
    job: Annotated["Job", strawberry.lazy("config.graphql.jobs")] | None = one("job")
    test_point: Annotated["TestPoint", strawberry.lazy("config.graphql.sites")] | None = one("test_point")
    member: Member | None = one("member", "Who measured.")
    device: Named | None = name_of("device", "The tablet.")
    supersedes: Annotated["Session", strawberry.lazy("config.graphql.measurements")] | None = one(
        "supersedes"
    )
    superseded_by: Annotated["Session", strawberry.lazy("config.graphql.measurements")] | None = one_back(
        measurements.Session, "supersedes"
    )
    result: Result | None = computed(_newest_results, description="The newest; null until it is evaluated.")
    results: Connection[Result] = many(measurements.Result, "session", "Oldest first.")
    flags: Connection[Flag] = many(
        measurements.Flag, "session", order=NEWEST_FIRST, narrowed=FLAGS.but("job", "session")
    )
    correction: Correction | None = one_back(
        measurements.Correction, "session", "The correction that this session is, if it is one."
    )
    voids: Connection[SessionVoid] = many(
        measurements.SessionVoid, "session", "Notes that made it void; none: it is not."
    )
    readings: ReadingColumns = strawberry.field(resolver=_readings, metadata={"price": SERIES})
    sweeps: SweepColumns = strawberry.field(resolver=_sweeps, metadata={"price": SERIES})
    photos: Connection[Annotated["Photo", strawberry.lazy("config.graphql.photos")]] = many(
        measurements.Photo, "session", "Photos and notes taken with it.", order=NEWEST_FIRST
    )
