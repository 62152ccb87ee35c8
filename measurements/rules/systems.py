"""Rules on a whole system of a job: do the outlets add up to what the traverse found."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from uuid import UUID

from jobs.models import Job, PointKind, System, TestPoint
from measurements import calc
from measurements.current import current_results, current_sessions
from measurements.models import Result, Session
from measurements.rules.base import Finding
from measurements.words import flow, percent

OUTLETS_AGAINST_TRAVERSE = "outlets_against_traverse"
SOURCE = "JCGM 100 (uncertainty of a difference); common practice"


@dataclass(frozen=True)
class Figure:
    """The figure that counts at a test point."""

    point: TestPoint
    session: Session
    standard_flow: calc.Result


def figures_of(job: Job, system: System) -> tuple[list[TestPoint], dict[UUID, Figure]]:
    """Points of the system, and by point what was found there in this job."""
    points = list(TestPoint.objects.filter(system=system).order_by("position", "tag"))
    sessions = list(current_sessions([job.id]).filter(test_point__system=system))
    results = current_results([one.id for one in sessions], "inputs")
    by_id = {point.id: point for point in points}
    return points, {
        one.test_point_id: Figure(by_id[one.test_point_id], one, _standard(results[one.id]))
        for one in sessions
        if one.id in results and results[one.id].standard_flow is not None
    }


def _standard(result: Result) -> calc.Result:
    return calc.from_plain(calc.Result, result.detail["results"]["standard_flow"])


def outlets_against_traverse(
    points: Sequence[TestPoint], figures: dict[UUID, Figure], units: str
) -> Iterator[Finding]:
    """The sum of all outlets below a traverse plane differs from it by more than their uncertainty.

    Compared at standard density, so by mass. Only when plane and all its outlets have a figure.
    """
    for plane in points:
        outlets = outlets_below(plane, points)
        if plane.kind != PointKind.PLANE or not outlets or plane.id not in figures:
            continue
        if all(outlet.id in figures for outlet in outlets):
            yield from _compare(figures[plane.id], [figures[outlet.id] for outlet in outlets], units)


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
        "Look for leakage or a missed outlet, check the hood's factor, or repeat the traverse.",
        {
            "outlet_sum": found.outlet_sum,
            "main": found.main,
            "difference": found.difference,
            "U": found.U,
            "sessions": sorted(str(figure.session.id) for figure in [main, *outlets]),
        },
        str(main.point.id),
    )
