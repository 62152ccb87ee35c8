"""The plan of adjustments of one branch or of a whole system, from its surveys.

Outlets of a branch are balanced to each other first, each branch as a tree of its own; then the branches,
by the plan of the whole tree (measurements/calc/network_plan.py).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from uuid import UUID

from jobs.models import TestPoint
from measurements import calc
from measurements.balancing.rounds import Figure, Survey, Surveys, stands
from measurements.balancing.tree import Tree
from measurements.calc.method import Estimate
from measurements.calc.network import (
    TRUNK,
    Branch,
    Damper,
    Network,
    Outlet,
    Reading,
    Round,
    Supply,
    SupplyKind,
)
from measurements.calc.network_plan import Plan, make_plan
from measurements.calc.network_ratio import ratio_order
from measurements.calc.network_shares import Shares, shares
from measurements.calc.network_steps import Settings, Step

ALIKE = 0.9
"""Part of the variance of readings of one instrument that is alike in all of them (this project's own)."""
EQUAL = 0.5
"""Outlets of a branch count as equal when their shares differ by no more than this part of the tolerance:
the rest is left for the fan and for later drift (this project's own)."""
USUAL_TOLERANCE = 0.1
BETWEEN_BRANCHES = 0.02
"""Least adjustment, as a fraction of flow, of the plan of a whole system."""


@dataclass(frozen=True)
class Planned:
    """A step with the points it is about. `shown_*`: what the instrument shows then, where that is known.

    `against`: the outlet that the proportional method reads at the same moment. `done`: turned since.
    """

    step: Step
    point: UUID
    read_at: UUID
    factor: float | None
    against: UUID | None
    done: bool

    @property
    def shown_before(self) -> float | None:
        return None if self.factor is None else self.step.before.value * self.factor

    @property
    def shown_target(self) -> float | None:
        return None if self.factor is None else self.step.target.value * self.factor


@dataclass(frozen=True)
class Balancing:
    """A branch (or the whole system) as its surveys show it.

    `spread`: lowest and highest share over that of all. `tolerance`: of these. `refused`: why there is no
    plan although everything was read.
    """

    points: tuple[UUID, ...]
    surveys: Surveys
    tolerance: float
    shares: Shares | None = None
    plan: Plan | None = None
    steps: tuple[Planned, ...] = ()
    spread: tuple[float, float] | None = None
    reference: UUID | None = None
    refused: str = ""

    @property
    def surveyed_at(self) -> datetime | None:
        return self.surveys.complete[-1].until if self.surveys.complete else None

    @property
    def seen_equal(self) -> bool:
        """Whether the last survey shows equal shares."""
        if self.spread is None:
            return False
        low, high = self.spread
        return 1.0 - self.tolerance <= low and high <= 1.0 + self.tolerance

    @property
    def equal(self) -> bool:
        """Whether it does, with nothing turned since."""
        return self.seen_equal and not self.surveys.turned

    @property
    def open_steps(self) -> list[Planned]:
        return [one for one in self.steps if not one.done]


@dataclass(frozen=True)
class Scope:
    """What is balanced against each other: points by tag with designs, and how their dampers stood."""

    network: Network
    by_tag: dict[str, UUID]
    tolerance: float
    leave: float = Settings().leave
    speeds: Sequence[tuple[datetime, float]] = field(default=())


def branch_scope(ends: Sequence[TestPoint], figures: Mapping[UUID, Sequence[Figure]], below: float) -> Scope:
    """The ends of one branch by themselves. `below`: their tightest tolerance."""
    outlets = tuple(_outlet(end, TRUNK, figures.get(end.id, ())) for end in ends)
    network = Network(outlets, (), Supply(SupplyKind.UNKNOWN))
    return Scope(network, {end.tag: end.id for end in ends}, EQUAL * below)


def system_scope(
    tree: Tree,
    figures: Mapping[UUID, Sequence[Figure]],
    below: float,
    speeds: Sequence[tuple[datetime, float]],
    dampers: Mapping[UUID, Damper],
) -> Scope:
    """The whole tree. `speeds`: of the fan, when found. `dampers`: of branches."""
    tags = {branch.id: branch.tag for branch in tree.branches}

    def above(point: TestPoint) -> str:
        up = tree.above[point.id]
        return TRUNK if up is None else tags[up]

    branches = tuple(
        Branch(branch.tag, above(branch), dampers.get(branch.id, Damper.OPEN)) for branch in tree.branches
    )
    outlets = tuple(_outlet(end, above(end), figures.get(end.id, ())) for end in tree.ends)
    network = Network(outlets, branches, Supply(SupplyKind.UNKNOWN))
    by_tag = {point.tag: point.id for point in (*tree.branches, *tree.ends)}
    return Scope(network, by_tag, EQUAL * below, BETWEEN_BRANCHES, speeds)


def _outlet(end: TestPoint, parent: str, figures: Sequence[Figure]) -> Outlet:
    first = next((one.setting for one in figures if one.setting), "")
    return Outlet(end.tag, parent, end.design_flow or 0.0, stands(first))


def balancing(scope: Scope, found: Surveys) -> Balancing:
    """The plan that follows the last survey of a scope; without one, what is there."""
    points = tuple(scope.by_tag[outlet.tag] for outlet in scope.network.outlets)
    if not found.complete:
        return Balancing(points, found, scope.tolerance)
    rounds = [_round(scope, one) for one in found.complete]
    try:
        seen = shares(scope.network, rounds[-1])
    except calc.Refused as error:
        return Balancing(points, found, scope.tolerance, refused=str(error))
    spread = _spread(seen)
    reference = next(
        (scope.by_tag[b.reference] for b in seen.branches if b.tag == TRUNK and b.reference), None
    )
    made = Balancing(points, found, scope.tolerance, seen, spread=spread, reference=reference)
    if len(scope.network.outlets) < 2:
        return made
    try:
        plan = make_plan(scope.network, rounds, Settings(leave=scope.leave, tolerance=scope.tolerance))
        against = {one.tag: scope.by_tag[one.against] for one in ratio_order(scope.network, rounds[-1])}
    except calc.Refused as error:
        return Balancing(
            points, found, scope.tolerance, seen, spread=spread, reference=reference, refused=str(error)
        )
    last = found.complete[-1].readings
    steps = tuple(
        Planned(
            step,
            scope.by_tag[step.tag],
            scope.by_tag[step.read_at],
            last[scope.by_tag[step.read_at]].factor if scope.by_tag[step.read_at] in last else None,
            against.get(step.tag),
            scope.by_tag[step.tag] in found.turned,
        )
        for step in plan.steps
    )
    return Balancing(points, found, scope.tolerance, seen, plan, steps, spread, reference)


def by_means(made: Balancing, scope: Scope) -> Iterator[Planned]:
    """The steps of a whole system with each branch brought to the common share by its mean, not by its lowest
    outlet, where it is read: its outlets are near each other, and stay as they are.
    """
    if made.plan is None or made.shares is None:
        return
    parts = {branch.tag for branch in scope.network.branches}
    means = {branch.tag: branch.share for branch in made.shares.branches}
    lowest = {one.tag: one.share.value for one in made.shares.outlets if one.share is not None}
    above = {outlet.tag: outlet.parent for outlet in scope.network.outlets}

    def part(outlet: str) -> float:
        mean = means.get(above.get(outlet, TRUNK))
        return lowest[outlet] / mean if mean and outlet in lowest and above[outlet] != TRUNK else 1.0

    start = part(dict(made.plan.references)[TRUNK])
    for one in made.steps:
        factor = part(one.step.read_at) / start if one.step.tag in parts else 1.0 / start
        target, share = one.step.target, one.step.share
        moved = Estimate(target.value * factor, target.u * factor)
        yield replace(one, step=replace(one.step, target=moved, share=share * factor if share else share))


def _spread(seen: Shares) -> tuple[float, float] | None:
    relative = [one.relative.value for one in seen.outlets if one.relative is not None]
    return (min(relative), max(relative)) if relative else None


def _round(scope: Scope, survey: Survey) -> Round:
    tags = {point: tag for tag, point in scope.by_tag.items()}
    readings = tuple(Reading(tags[point], one.value or 0.0, one.u) for point, one in survey.readings.items())
    instruments = {one.instrument for one in survey.readings.values()}
    alike = ALIKE if len(instruments) == 1 and "" not in instruments else 0.0
    adjusted = tuple(sorted(tags[point] for point in survey.adjusted if point in tags))
    return Round(readings, adjusted, alike, _speed(scope.speeds, survey.until))


def _speed(speeds: Sequence[tuple[datetime, float]], at: datetime) -> float:
    """Of the fan at a moment over what it was found to be first; 1 where that is not known."""
    before = [speed for when, speed in speeds if when <= at]
    return before[-1] / speeds[0][1] if before else 1.0
