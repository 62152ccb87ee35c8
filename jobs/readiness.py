"""Whether a planned job can start: people and instruments for every day, certificates, data; and what to look
at on site before the first reading (common practice of the trade, no source)."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from uuid import UUID

from jobs.access import Actor
from jobs.dispatch import points_of
from jobs.errors import NotFound
from jobs.models import Company, Instrument, InstrumentRange, Job, PointKind, Quantity, TestPoint
from jobs.queries import visible_jobs
from jobs.suitability import look_at

ON_SITE = (
    "Filters are clean, or their state is written down.",
    "Dampers stand at their set positions; fire and smoke dampers are open.",
    "The fan turns the right way, at its set speed.",
    "Doors and windows are as in use.",
    "Controls are in the test mode and hold still.",
    "The air temperature is steady; while it drifts, so does the density.",
)
# What measures at each kind of point, and what to assign when nothing does.
CALLED_FOR = (
    (
        PointKind.PLANE,
        "traverses",
        frozenset({Quantity.PRESSURE, Quantity.VELOCITY}),
        "Assign a manometer with a probe, or an anemometer.",
    ),
    (
        PointKind.OUTLET,
        "outlets",
        frozenset({Quantity.FLOW, Quantity.VELOCITY}),
        "Assign a flow hood, or an anemometer.",
    ),
)
_AMBIENT = (Quantity.TEMPERATURE, Quantity.HUMIDITY)


class State(StrEnum):
    OK = "ok"
    LOOK = "look"
    MISSING = "missing"


@dataclass(frozen=True)
class Check:
    """One line of the list: what was looked at, how it stands, what to do."""

    item: str
    state: State
    detail: str


@dataclass(frozen=True)
class Readiness:
    checks: tuple[Check, ...]
    on_site: tuple[str, ...]

    @property
    def ready(self) -> bool:
        return all(check.state is not State.MISSING for check in self.checks)


def readiness(actor: Actor, job_id: UUID) -> Readiness:
    """The list for a job. Raises NotFound. A constant number of statements."""
    job = visible_jobs(actor).filter(id=job_id).first()
    if job is None:
        raise NotFound()
    points = points_of(job)
    tools = [one.instrument for one in job.instruments.all()]
    ranges = list(InstrumentRange.objects.filter(instrument__in=tools))
    checks = (
        _people(job),
        *_instruments_for(points, {Quantity(one.quantity) for one in ranges}),
        *_days_of_instruments(job),
        _suitable(job, tools, points),
        _reach(tools, points),
        _design(points),
    )
    return Readiness(checks, ON_SITE)


def _days(first: date, last: date) -> set[date]:
    return {first + timedelta(days=step) for step in range((last - first).days + 1)}


def _people(job: Job) -> Check:
    planned = [_days(one.starts_on, one.ends_on) for one in job.people.all()]
    bare = sorted(_days(job.starts_on, job.ends_on).difference(*planned))
    if not planned:
        return Check("people", State.MISSING, "Nobody is assigned; assign a technician.")
    if bare:
        return Check("people", State.LOOK, f"Nobody is assigned on {_some(bare)}.")
    return Check("people", State.OK, "Somebody is assigned on every day.")


def _instruments_for(points: Iterable[TestPoint], shown: set[Quantity]) -> list[Check]:
    """The quantities that the points' kinds call for."""
    kinds = {point.kind for point in points}
    found = [
        _check(item, bool(shown & fits), advice) for kind, item, fits, advice in CALLED_FOR if kind in kinds
    ]
    missing = [quantity.value for quantity in _AMBIENT if quantity not in shown]
    if missing:
        found.append(
            Check("air density", State.LOOK, f"No instrument for {' and '.join(missing)} is assigned.")
        )
    return found


def _check(item: str, fits: bool, advice: str) -> Check:
    return (
        Check(item, State.OK, "An instrument for it is assigned.")
        if fits
        else Check(item, State.MISSING, advice)
    )


def _days_of_instruments(job: Job) -> list[Check]:
    short = [
        one for one in job.instruments.all() if one.starts_on > job.starts_on or one.ends_on < job.ends_on
    ]
    if not short:
        return []
    names = [f"{one.instrument} ({one.starts_on} to {one.ends_on})" for one in short]
    return [Check("instrument days", State.LOOK, f"Not there on every day: {_some(names)}.")]


def _suitable(job: Job, tools: list[Instrument], points: list[TestPoint]) -> Check:
    """Certificates and ranges as they stand now: they may have changed since the assignment."""
    found = look_at(tools, points, job.ends_on, Company.objects.get().standard_density)
    names = {tool.id: str(tool) for tool in tools}
    lines = [(one.serious, f"{names[tool]}: {one.detail}") for tool, ones in found.items() for one in ones]
    if not lines:
        return Check("certificates and ranges", State.OK, "All hold until the last day and suit the design.")
    state = State.MISSING if any(serious for serious, _ in lines) else State.LOOK
    return Check(
        "certificates and ranges", state, " ".join(text for _, text in sorted(lines, reverse=True)[:10])
    )


def _reach(tools: list[Instrument], points: list[TestPoint]) -> Check:
    longest = max((tool.probe_length_m or 0.0 for tool in tools), default=0.0)
    # A probe goes in from one side, across the smaller of two sides or the whole diameter.
    sizes = {point.tag: _across(point) for point in points if point.kind == PointKind.PLANE}
    beyond = [tag for tag, size in sizes.items() if longest and size > longest]
    if beyond:
        return Check(
            "probe", State.LOOK, f"The longest probe, {longest:g} m, does not reach across {_some(beyond)}."
        )
    if sizes and not longest:
        return Check("probe", State.LOOK, "No probe with a known length is assigned.")
    return Check("probe", State.OK, "The probe reaches across every duct.")


def _across(point: TestPoint) -> float:
    sides = [side for side in (point.width_m, point.height_m, point.diameter_m) if side]
    return min(sides, default=0.0)


def _design(points: list[TestPoint]) -> Check:
    if not points:
        return Check("design", State.MISSING, "The systems have no points; import the schedule.")
    bare = [p.tag for p in points if p.design_flow is None and p.kind in (PointKind.PLANE, PointKind.OUTLET)]
    if bare:
        return Check("design", State.LOOK, f"No design flow, so no verdict: {_some(bare)}.")
    return Check("design", State.OK, "Every plane and outlet has a design flow.")


def _some(items: Iterable[object]) -> str:
    texts = [str(item) for item in items]
    return ", ".join(texts[:5]) + (f" and {len(texts) - 5} more" if len(texts) > 5 else "")
