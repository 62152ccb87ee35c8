"""Rules on a whole system of a job: do outlets add up to the traverse, did figures change since earlier."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from uuid import UUID

from django.db.models import Case, F, OuterRef, Subquery, TextField, Value, When

from jobs.models import Job, JobStatus, Measurand, PointKind, System, TestPoint
from measurements import calc
from measurements.calc.leakage_classes import EN_COEFFICIENTS
from measurements.calc.system import Change, SystemBalance, against_earlier, leakage_between
from measurements.current import FLOW, FLOW_METHODS, counting, current_results, current_sessions
from measurements.loading import local_day
from measurements.models import Method, Outcome, Result, Session, Verdict
from measurements.rule_parameters import parameter
from measurements.rules.base import Finding
from measurements.words import flow, measurand, percent, shown

OUTLETS_AGAINST_TRAVERSE = "outlets_against_traverse"
CHANGED_SINCE_EARLIER = "changed_since_earlier"
SOURCE = "JCGM 100 (uncertainty of a difference); common practice"
LEAST_CHANGE = parameter(CHANGED_SINCE_EARLIER, "share")
USUAL_CLASS = "A"
"""Leakage class (EN 1507, EN 12237) that the size of a leak is made plain by."""
PASSED = {Verdict.PASS.value, Verdict.CONDITIONAL_PASS.value}


@dataclass(frozen=True)
class Figure:
    """The figure that counts of one thing measured at a test point."""

    point: TestPoint
    session: Session
    result: Result

    @property
    def about(self) -> str:
        """Several methods find one flow; any other stands for itself."""
        return FLOW if self.session.method in FLOW_METHODS else str(self.session.method)

    @cached_property
    def standard_flow(self) -> calc.Result:
        """Flow of air at standard density, m³/s. KeyError where there is none."""
        return calc.from_plain(calc.Result, self.result.detail["results"]["standard_flow"])

    @property
    def has_air_flow(self) -> bool:
        return self.result.standard_flow is not None

    @property
    def static_pressure(self) -> float | None:
        """Of the duct, as entered; Pa."""
        entry = (self.session.content.get("conditions") or {}).get("duct_static_pressure")
        return float(entry["si"]) if entry else None


def figures_of(job: Job, system: System) -> tuple[list[TestPoint], list[Figure]]:
    """Points of the system, and what was found there in this job."""
    points = list(TestPoint.objects.filter(system=system).order_by("position", "tag"))
    sessions = list(current_sessions([job.id]).filter(test_point__system=system))
    results = current_results([one.id for one in sessions], "inputs")
    by_id = {point.id: point for point in points}
    return points, [
        Figure(by_id[one.test_point_id], one, results[one.id])
        for one in sessions
        if one.id in results and results[one.id].outcome == Outcome.COMPUTED
    ]


def outlets_against_traverse(
    points: Sequence[TestPoint], figures: Sequence[Figure], units: str
) -> Iterator[Finding]:
    """The sum of all outlets below a traverse plane differs from it by more than their uncertainty.

    Compared at standard density, so by mass. Only when plane and all its outlets have a figure.
    """
    flows = {one.point.id: one for one in figures if one.about == FLOW and one.has_air_flow}
    for plane in points:
        if plane.kind != PointKind.PLANE or plane.id not in flows:
            continue
        outlets = outlets_below(plane, points)
        if outlets and all(outlet.id in flows for outlet in outlets):
            yield from _compare(flows[plane.id], [flows[outlet.id] for outlet in outlets], units)


def outlets_below(plane: TestPoint, points: Sequence[TestPoint]) -> list[TestPoint]:
    """Outlets that hang below the plane; those without a parent hang below the only plane without one."""
    roots = [p for p in points if p.kind == PointKind.PLANE and p.parent_id is None]
    parents = {p.id: p.parent_id for p in points}
    if roots == [plane]:
        parents |= {p.id: plane.id for p in points if p.parent_id is None and p.id != plane.id}
    return [p for p in points if p.kind == PointKind.OUTLET and _is_below(p.id, plane.id, parents)]


def _is_below(point: UUID, plane: UUID, parents: dict[UUID, UUID | None]) -> bool:
    seen: set[UUID] = set()
    above = parents.get(point)
    while above is not None and above != plane and above not in seen:
        seen.add(above)
        above = parents.get(above)
    return above == plane


def _compare(main: Figure, outlets: Sequence[Figure], units: str) -> Iterator[Finding]:
    hoods = {figure.session.content["instruments"].get("hood") for figure in outlets}
    found = calc.balance(
        [figure.standard_flow for figure in outlets],
        main.standard_flow,
        common=1.0 if len(hoods) == 1 else 0.0,
    )
    if found.agrees:
        return
    apart = percent(found.relative_difference)
    yield Finding(
        f"The {len(outlets)} outlets below {main.point.tag} add up to {flow(found.outlet_sum, units)} and "
        f"the traverse found {flow(found.main, units)}, at standard density: {apart}.",
        f"A difference within its uncertainty of {flow(found.U, units)}.",
        _advice(found, main.static_pressure, units),
        {
            "outlet_sum": found.outlet_sum,
            "main": found.main,
            "difference": found.difference,
            "U": found.U,
            "sessions": sorted(str(figure.session.id) for figure in [main, *outlets]),
        },
        str(main.point.id),
    )


def _advice(found: SystemBalance, static: float | None, units: str) -> str:
    """What to look for: leakage is to be tested where less comes out than goes in, and only there."""
    if found.difference > 0.0:
        return (
            "No leakage makes outlets carry more: check the hood's factor, whether each outlet belongs to "
            "this duct, and the traverse."
        )
    lost = flow(-found.difference, units)
    return (
        f"Test leakage as the explanation: {lost} would have to be lost between plane and outlets"
        f"{_leak_size(found, static, units)}; else look for a missed outlet, check the hood's factor or "
        "repeat the traverse."
    )


def _leak_size(found: SystemBalance, static: float | None, units: str) -> str:
    """The surface of duct that would lose that much, at the plane's static pressure."""
    if not static:
        return ""
    one = leakage_between(
        found, calc.Estimate(1.0, 0.0), calc.Estimate(abs(static), 0.0), EN_COEFFICIENTS[USUAL_CLASS]
    )
    surface = shown(one.leakage / one.allowed, "area", units)
    return (
        f", as much as {surface} of class {USUAL_CLASS} duct lose at {shown(abs(static), 'pressure', units)}"
    )


@dataclass(frozen=True)
class Earlier:
    """What an earlier job found at a test point."""

    session: Session
    result: Result


def earlier_of(job: Job, system: System, figures: Sequence[Figure]) -> dict[tuple[UUID, str], Earlier]:
    """By point and thing measured: the last figure of another job before this job's own. Two statements."""
    own = [figure.session.id for figure in figures]
    if not own:
        return {}
    about = Case(
        When(method__in=FLOW_METHODS, then=Value(FLOW)), default=F("method"), output_field=TextField()
    )
    now = Session.objects.annotate(about=about).filter(
        id__in=own, test_point=OuterRef("test_point"), about=OuterRef("about")
    )
    others = counting(Session.objects.filter(test_point__system=system).exclude(job=job))
    others = others.exclude(job__status=JobStatus.CANCELLED).exclude(method=Method.CENTRELINE_READING)
    rows = others.annotate(about=about, now=Subquery(now.values("started_at")[:1]))
    rows = rows.filter(started_at__lt=F("now")).select_related("job")
    rows = rows.order_by("test_point_id", "about", "-started_at", "-id")
    sessions = list(rows.distinct("test_point_id", "about"))
    results = current_results([one.id for one in sessions], "inputs", "detail")
    return {
        (one.test_point_id, str(one.about)): Earlier(one, results[one.id])
        for one in sessions
        if one.id in results and results[one.id].outcome == Outcome.COMPUTED
    }


def changed_since_earlier(
    figures: Sequence[Figure],
    earlier: Mapping[tuple[UUID, str], Earlier],
    units: str,
    zone: str,
    least: float = LEAST_CHANGE.default,
) -> Iterator[Finding]:
    """A figure differs from that of an earlier job by more than their uncertainty and `least` of it.

    Not where the change was asked for: the design is another one, or what did not pass does now.
    """
    for figure in figures:
        before = earlier.get((figure.point.id, figure.about))
        if before is None:
            continue
        now, then = figure.result, before.result
        if now.measurand != then.measurand or now.design_value != then.design_value:
            continue
        if now.verdict in PASSED and then.verdict not in (*PASSED, Verdict.NOT_DECIDABLE.value):
            continue
        change, pair = change_between(now, then)
        if change.changed and abs(change.relative) > least:
            yield _changed(figure, before, change, pair, _Spoken(units, zone, least))


def _by_mass(now: Result, then: Result) -> bool:
    """Whether two flows of air are compared at standard density."""
    standard = now.standard_flow is not None and then.standard_flow is not None
    return now.measurand == Measurand.FLOW and standard


def change_between(now: Result, then: Result) -> tuple[Change, tuple[float, float]]:
    """The difference of two stored figures with its U, and both as they are compared. One measurand."""
    by_mass = _by_mass(now, then)
    one, other = _figure(now, by_mass), _figure(then, by_mass)
    return against_earlier(one, other), (one.value, other.value)


def _figure(row: Result, by_mass: bool) -> calc.Result:
    """A stored figure without its budget."""
    value, U = (row.standard_flow, row.standard_flow_expanded) if by_mass else (row.value, row.value_expanded)
    k = row.coverage_factor or 2.0
    dof = math.inf if row.effective_dof is None else row.effective_dof
    unit = Measurand(row.measurand).unit
    return calc.Result("", unit, value or 0.0, (U or 0.0) / k, U or 0.0, k, dof, calc.COVERAGE, (), "")


@dataclass(frozen=True)
class _Spoken:
    """How a change is told: units, time zone, and the share that it had to pass."""

    units: str
    zone: str
    least: float


def _changed(
    figure: Figure, before: Earlier, change: Change, pair: tuple[float, float], told: _Spoken
) -> Finding:
    units, zone = told.units, told.zone
    name, liquid = figure.result.measurand, not figure.has_air_flow
    now, then, U = (measurand(value, name, units, liquid=liquid) for value in (*pair, change.U))
    day = local_day(before.session.started_at, zone).isoformat()
    basis = ", at standard density" if _by_mass(figure.result, before.result) else ""
    apart = "" if math.isinf(change.relative) else f", {percent(change.relative)} of it apart"
    return Finding(
        f"{figure.point.tag} has {now} and had {then} on {day} (job {before.session.job.number})"
        f"{basis}{apart}.",
        f"A change within its uncertainty of {U}, or of at most {percent(told.least, 0)}.",
        "Find what changed since (dampers, filters, fan speed), or which of the two figures is wrong.",
        {
            "difference": change.difference,
            "U": change.U,
            "sessions": [str(before.session.id), str(figure.session.id)],
        },
        str(figure.point.id),
    )
