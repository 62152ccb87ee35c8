"""Where the balancing of one system stands and what to do next, from the readings and the calculation.

Nothing is stored: the same readings give the same answer. Who turns a damper, and whether, stays with the
technician; what was done is told with the next reading of the point.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from jobs.access import Action, Actor, require
from jobs.models import Company, Job, PointKind, System, SystemKind, TestPoint
from measurements.balancing import steps as plans
from measurements.balancing.fan import FanState, fan_state, speed_changes, speeds
from measurements.balancing.load import Material, load
from measurements.balancing.rounds import WAITING, Figure, Move, Told, moves_of, stands, surveys
from measurements.balancing.steps import Balancing
from measurements.balancing.tree import Tree, grow
from measurements.inputs import first_given

READ, ADJUST, AGAIN, EQUAL, STUCK = "read", "adjust", "again", "equal", "stuck"
"""States of a branch: outlets to be read, dampers to be turned, all to be read again, equal, no plan."""
OUTLETS, BRANCHES, FAN, SURVEY, MARKS, BALANCED, OPEN = (
    "outlets",
    "branches",
    "fan",
    "survey",
    "marks",
    "balanced",
    "open",
)
"""Phases of a system: outlets to each other, branches to each other, the fan, everything once more, marks
missing, balanced; open: nothing left to turn, and yet outlets out of tolerance."""


@dataclass(frozen=True)
class PointState:
    """An outlet, valve or branch with its rounds, oldest first. `now`: what counts.

    `stale`: the tag of what was turned since it was read last; "" when nothing was. `told`: of its damper,
    with readings of others.
    """

    point: TestPoint
    branch: UUID | None
    tolerance: tuple[float | None, float | None]
    rounds: tuple[Figure, ...]
    now: Figure | None
    stale: str
    told: tuple[Told, ...] = ()

    @property
    def first(self) -> Figure | None:
        return next((one for one in self.rounds if one.value is not None), None)

    @property
    def last(self) -> Figure | None:
        return self.rounds[-1] if self.rounds else None

    @property
    def damper(self) -> tuple[str, bool]:
        """Where it stands, and whether that is marked, as told last."""
        rows = [(one.at, one.setting, one.marked) for one in self.rounds if one.setting]
        rows += [(one.at, one.setting, one.marked) for one in self.told]
        return max(rows, key=lambda row: row[0])[1:] if rows else ("", False)

    @property
    def setting(self) -> str:
        return self.damper[0]

    @property
    def marked(self) -> bool:
        return self.damper[1]

    @property
    def settled(self) -> bool:
        """Within tolerance by the decision rule, and nothing turned since."""
        return self.now is not None and self.now.accepted is True and not self.stale


@dataclass(frozen=True)
class BranchState:
    """`point`: None where no point stands for the trunk. `do`: the state in one word; `missing`: what must be
    read, for the first time or again.
    """

    point: TestPoint | None
    tag: str
    above: UUID | None
    found: Balancing
    do: str
    missing: tuple[UUID, ...]


@dataclass(frozen=True)
class Balance:
    """One system of a job, see the module. `whole`: the plan of all branches, if several."""

    job: Job
    system: System
    company: Company
    material: Material
    tree: Tree
    points: tuple[PointState, ...]
    branches: tuple[BranchState, ...]
    whole: Balancing | None
    fans: tuple[FanState, ...]
    phase: str

    @property
    def liquid(self) -> bool:
        return bool(self.system.kind == SystemKind.WATER)

    @property
    def balanced(self) -> bool:
        """All ends with a design are within tolerance by the decision rule, read after the last change."""
        return self.phase in (MARKS, BALANCED)

    @property
    def ends(self) -> list[PointState]:
        ends = {end.id for end in self.tree.ends}
        return [one for one in self.points if one.point.id in ends]

    def tag(self, point: UUID) -> str:
        return next(one.tag for one in self.material.points if one.id == point)


def material_of(actor: Actor, job_id: UUID, system_id: UUID) -> Material:
    """What `balance_of` needs, with its digest. Raises Forbidden, NotFound."""
    return load(require(actor, Action.READ), job_id, system_id)


def balance(actor: Actor, job_id: UUID, system_id: UUID) -> Balance:
    """The state of one system of a job, in a constant number of statements. Raises Forbidden, NotFound."""
    return balance_of(material_of(actor, job_id, system_id))


def balance_of(material: Material) -> Balance:
    """Pure: no statement is made."""
    tree = grow(material.points, material.system.kind)
    moves = sorted(_moves(material, tree), key=lambda move: move.at)
    points = tuple(_point_state(point, material, tree, moves) for point in (*tree.branches, *tree.ends))
    branches = tuple(_branch_states(material, tree, moves))
    fan_points = [one for one in material.points if one.kind == PointKind.FAN]
    whole = _whole(material, tree, moves) if len(branches) > 1 else None
    total = whole or (branches[0].found if branches else None)
    seen = total.shares if total is not None and not total.surveys.turned else None
    tolerance = _tightest(material, tree.ends)
    fans = tuple(fan_state(one, material.fan_tests.get(one.id, ()), seen, tolerance) for one in fan_points)
    phase = _phase(points, tree, branches, whole, seen)
    return Balance(
        material.job, material.system, material.company, material, tree, points, branches, whole, fans, phase
    )


def tolerances(point: TestPoint, material: Material) -> tuple[float | None, float | None]:
    """Below and above, as shares of design: the point's, else the job's, else the company's."""
    job, company = material.job, material.company
    return (
        first_given(point.tolerance_below, job.tolerance_below, company.tolerance_below),
        first_given(point.tolerance_above, job.tolerance_above, company.tolerance_above),
    )


def _tightest(material: Material, points: Sequence[TestPoint]) -> float:
    found = [side for point in points for side in tolerances(point, material) if side]
    return min(found, default=plans.USUAL_TOLERANCE)


def _moves(material: Material, tree: Tree) -> Iterator[Move]:
    """Whatever changed the flows: dampers and valves turned, the fan at another speed."""
    for point in (*tree.branches, *tree.ends):
        yield from moves_of(material.figures.get(point.id, ()))
        yield from (Move(one.point, one.at) for one in material.told.get(point.id, ()))
    for fan, tests in material.fan_tests.items():
        for at in speed_changes(tests):
            yield Move(fan, at)


def _point_state(point: TestPoint, material: Material, tree: Tree, moves: Sequence[Move]) -> PointState:
    rounds = tuple(material.figures.get(point.id, ()))
    counting = material.current.get(point.id)
    now = next((one for one in rounds if one.session == counting), None)
    return PointState(
        point,
        tree.above.get(point.id),
        tolerances(point, material),
        rounds,
        now,
        _stale(now, moves, material),
        tuple(material.told.get(point.id, ())),
    )


def _stale(now: Figure | None, moves: Sequence[Move], material: Material) -> str:
    if now is None:
        return ""
    later = [move for move in moves if move.at > now.at and move.point != now.point]
    if not later:
        return ""
    return next(one.tag for one in material.points if one.id == later[-1].point)


def _branch_states(material: Material, tree: Tree, moves: Sequence[Move]) -> Iterator[BranchState]:
    """The trunk's own ends first, then each branch's; branches that only carry branches have no ends."""
    for branch in (None, *tree.branches):
        ends = [end for end in tree.of(branch.id if branch else None) if end.design_flow is not None]
        if not ends:
            continue
        above = set(tree.up(ends[0].id))
        outside = [m for m in moves if m.point in above or m.point in material.fan_tests]
        figures = [one for end in ends for one in material.figures.get(end.id, ())]
        found = surveys([end.id for end in ends], figures, outside)
        scope = plans.branch_scope(ends, material.figures, _tightest(material, ends))
        made = plans.balancing(scope, found)
        point = branch or tree.trunk
        tag = point.tag if point else ""
        yield BranchState(point, tag, tree.above[branch.id] if branch else None, made, *_to_do(made))


def _to_do(made: Balancing) -> tuple[str, tuple[UUID, ...]]:
    missing = tuple(point for point in made.points if point not in made.surveys.since)
    if made.refused:
        return STUCK, missing
    if not made.surveys.complete:
        return READ, missing
    if made.equal:
        return EQUAL, ()
    if made.open_steps and not made.seen_equal:
        return ADJUST, ()
    return (AGAIN, missing) if made.surveys.turned else (STUCK, ())


def _whole(material: Material, tree: Tree, moves: Sequence[Move]) -> Balancing:
    ends = [end for end in tree.ends if end.design_flow is not None]
    figures = [one for end in ends for one in material.figures.get(end.id, ())]
    parts = {branch.id for branch in tree.branches}
    outside = [m for m in moves if m.point in parts or m.point in material.fan_tests]
    found = surveys([end.id for end in ends], figures, outside, parts)
    known = next((speeds(tests) for tests in material.fan_tests.values() if tests), [])
    dampers = {
        branch.id: stands(next((f.setting for f in material.figures.get(branch.id, ()) if f.setting), ""))
        for branch in tree.branches
    }
    scope = plans.system_scope(tree, material.figures, _tightest(material, ends), known, dampers)
    made = plans.balancing(scope, found)
    # within a branch its own plan has the say
    inside = {end.id for end in ends if tree.above[end.id] is not None}
    steps = tuple(step for step in plans.by_means(made, scope) if step.point not in inside)
    return replace(made, steps=steps)


def _phase(
    points: Sequence[PointState],
    tree: Tree,
    branches: Sequence[BranchState],
    whole: Balancing | None,
    seen: object,
) -> str:
    ends = {end.id for end in tree.ends if end.design_flow is not None}
    states = [one for one in points if one.point.id in ends]
    if states and all(one.settled for one in states):
        return BALANCED if all(one.marked for one in states) else MARKS
    if any(branch.do in (READ, ADJUST, AGAIN) for branch in branches):
        return OUTLETS
    if whole is not None and not whole.equal:
        if not whole.surveys.complete or (whole.surveys.turned and not whole.open_steps):
            return SURVEY
        if whole.open_steps:
            return BRANCHES
    if any(one.stale for one in states):
        return SURVEY
    level = getattr(seen, "total", None)
    return FAN if level is not None and abs(level.value - 1.0) > FAN_LEAST else OPEN


FAN_LEAST = 0.02
"""A total nearer to design than this is left alone: no hood tells it from design (this project's own)."""


def waiting(found: Balance) -> list[str]:
    """Tags of points whose last reading is not evaluated yet."""
    return [one.point.tag for one in found.points if one.last and one.last.outcome == WAITING]


def evaluated_at(found: Balance) -> datetime | None:
    """When the newest reading was taken."""
    return max((one.last.at for one in found.points if one.last), default=None)
