"""The branch tree of a system, from its test points and their parents."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from uuid import UUID

from jobs.models import PointKind, SystemKind, TestPoint

DUCTS = (PointKind.PLANE, PointKind.DUCT)


@dataclass(frozen=True)
class Tree:
    """trunk: the only branch that everything hangs on, if a point stands for it. branches: each after the
    one above. ends: outlets, or with water the circuits' valves. above: branch of a branch or an end; None
    for the trunk.
    """

    trunk: TestPoint | None
    branches: tuple[TestPoint, ...]
    ends: tuple[TestPoint, ...]
    above: dict[UUID, UUID | None]

    def of(self, branch: UUID | None) -> list[TestPoint]:
        """Ends that hang directly on a branch."""
        return [end for end in self.ends if self.above[end.id] == branch]

    def up(self, point: UUID) -> Iterator[UUID | None]:
        """The branches above a branch or an end, to the trunk (None)."""
        above = self.above[point]
        while above is not None:
            yield above
            above = self.above[above]
        yield None


def grow(points: Sequence[TestPoint], kind: str) -> Tree:
    """The tree of a system of this kind. What no end hangs on is no part of it."""
    end = PointKind.VALVE if kind == SystemKind.WATER else PointKind.OUTLET
    by_id = {point.id: point for point in points}
    carrying = {up.id for point in points if point.kind == end for up in _ups(point, by_id)}
    ends = tuple(point for point in points if point.kind == end and point.id not in carrying)
    ducts = {p.id for p in points if p.id in carrying and (p.kind in DUCTS or p.kind == end)}
    above: dict[UUID, UUID | None] = {
        point.id: next((up.id for up in _ups(point, by_id) if up.id in ducts), None)
        for point in points
        if point.id in ducts or point in ends
    }
    roots = [one for one in ducts if above[one] is None]
    trunk = by_id[roots[0]] if len(roots) == 1 else None
    if trunk is not None:
        del above[trunk.id]
        above = {one: None if up == trunk.id else up for one, up in above.items()}
    branches = [p for p in points if p.id in ducts and p is not trunk]
    branches.sort(key=lambda p: sum(1 for _ in _ups(p, by_id)))
    return Tree(trunk, tuple(branches), ends, above)


def _ups(point: TestPoint, by_id: dict[UUID, TestPoint]) -> Iterator[TestPoint]:
    """The points above one, nearest first; a loop ends where it would close."""
    seen = {point.id}
    above = by_id.get(point.parent_id) if point.parent_id else None
    while above is not None and above.id not in seen:
        yield above
        seen.add(above.id)
        above = by_id.get(above.parent_id) if above.parent_id else None
