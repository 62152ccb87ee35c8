"""A schedule as a whole, together with what is stored: tags, parents, rings, likely sizes."""

from collections import defaultdict

from jobs.expected import area_m2
from jobs.models import System, TestPoint
from jobs.models.plan import PointKind, Shape
from jobs.schedule_columns import SHAPED, Column
from jobs.schedule_rows import FAST, SLOW, DesignPoint, Reader

MOST_NAMED = 10
Stored = dict[tuple[str, str], TestPoint]


def check_whole(
    points: list[DesignPoint], systems: dict[str, System], stored: Stored, reader: Reader
) -> None:
    """Collects what is wrong between rows, and between rows and stored points, in the reader's faults."""
    _check_doubles(points, reader)
    _check_capitals(points, systems, stored, reader)
    _check_systems(points, reader)
    _check_parents(points, stored, reader)
    _check_rings(points, stored, reader)
    _check_new_planes(points, stored, reader)


def _check_doubles(points: list[DesignPoint], reader: Reader) -> None:
    first: dict[tuple[str, str], DesignPoint] = {}
    for point in points:
        before = first.setdefault((point.system.casefold(), point.tag.casefold()), point)
        if before is not point:
            there = reader.where(before.row, Column.TAG)
            reader.fault(
                point.row, Column.TAG, f"'{point.tag}' stands in {there} already; tags differ within a system"
            )


def _check_capitals(
    points: list[DesignPoint], systems: dict[str, System], stored: Stored, reader: Reader
) -> None:
    known_systems = {tag.casefold(): tag for tag in systems}
    known = {(system.casefold(), tag.casefold()): tag for system, tag in stored}
    for point in points:
        system = known_systems.get(point.system.casefold(), point.system)
        tag = known.get((point.system.casefold(), point.tag.casefold()), point.tag)
        if system != point.system:
            reader.fault(point.row, Column.SYSTEM, f"is stored as '{system}'; write it so")
        if tag != point.tag:
            reader.fault(point.row, Column.TAG, f"is stored as '{tag}'; write it so")


def _check_systems(points: list[DesignPoint], reader: Reader) -> None:
    """A system's name and kind may stand in one row or in all, but not differ."""
    for column, field in ((Column.SYSTEM_NAME, "system_name"), (Column.SYSTEM_KIND, "system_kind")):
        first: dict[str, DesignPoint] = {}
        for point in points:
            if getattr(point, field):
                before = first.setdefault(point.system, point)
                if getattr(before, field) != getattr(point, field):
                    there = reader.where(before.row, column)
                    reader.fault(
                        point.row, column, f"differs from {there} for the same system; make them one"
                    )


def _check_parents(points: list[DesignPoint], stored: Stored, reader: Reader) -> None:
    for point in points:
        parent = (point.system, point.parent)
        if point.parent and parent not in reader.named and parent not in stored:
            reader.fault(
                point.row,
                Column.PARENT,
                f"'{point.parent}' is no tag of system '{point.system}', neither in this file nor stored",
            )


def _check_rings(points: list[DesignPoint], stored: Stored, reader: Reader) -> None:
    """Walks up from each point; who meets themselves stands in a ring. Each ring is told once."""
    up = _parents(points, stored, reader)
    rows = {(point.system, point.tag): point.row for point in points}
    settled: set[tuple[str, str]] = set()
    for start in rows:
        path: list[tuple[str, str]] = []
        here: tuple[str, str] | None = start
        while here is not None and here not in settled and here not in path:
            path.append(here)
            here = up.get(here)
        if here in path:
            ring = [tag for _, tag in path[path.index(here) :]]
            row = next(rows[place] for place in reversed(path) if place in rows)
            reader.fault(row, Column.PARENT, f"makes a ring: {' → '.join([*ring[:MOST_NAMED], ring[0]])}")
        settled.update(path)


def _parents(
    points: list[DesignPoint], stored: Stored, reader: Reader
) -> dict[tuple[str, str], tuple[str, str]]:
    by_id = {point.id: place for place, point in stored.items()}
    up = {place: by_id[p.parent_id] for place, p in stored.items() if p.parent_id in by_id}
    if Column.PARENT in reader.heads.places:
        for point in points:
            up.pop((point.system, point.tag), None)
            if point.parent:
                up[point.system, point.tag] = (point.system, point.parent)
    return up


def _check_new_planes(points: list[DesignPoint], stored: Stored, reader: Reader) -> None:
    if reader.heads.has(*SHAPED):
        return
    for point in points:
        if point.kind is PointKind.PLANE and (point.system, point.tag) not in stored:
            reader.fault(
                point.row, Column.SHAPE, f"'{point.tag}' is a new plane; add a column 'shape' and its sizes"
            )


def notes_on(points: list[DesignPoint], stored: Stored, reader: Reader) -> list[str]:
    """What is not wrong but worth a look."""
    return [
        *_note_left_out(points, stored),
        *_note_without_flow(points),
        *_note_shape(points, reader),
        *_note_basis(points),
        *_note_speed(points, reader),
    ]


def _note_left_out(points: list[DesignPoint], stored: Stored) -> list[str]:
    named = {(point.system, point.tag) for point in points}
    used = {point.system for point in points}
    left: dict[str, list[str]] = defaultdict(list)
    for system, tag in sorted(stored):
        if system in used and (system, tag) not in named:
            left[system].append(tag)
    return [
        f"{len(tags)} stored point(s) of {system} do not stand in the file and were kept: {_some(tags)}."
        for system, tags in left.items()
    ]


def _note_without_flow(points: list[DesignPoint]) -> list[str]:
    found = [p.tag for p in points if p.design_flow is None and p.kind in (PointKind.PLANE, PointKind.OUTLET)]
    return (
        [f"{len(found)} plane(s) or outlet(s) have no design flow and get no verdict: {_some(found)}."]
        if found
        else []
    )


def _note_shape(points: list[DesignPoint], reader: Reader) -> list[str]:
    if Column.SHAPE in reader.heads.places:
        return []
    count = sum(1 for point in points if point.shape is Shape.RECTANGULAR)
    return (
        [f"{count} point(s) with width and height, and no column 'shape', count as rectangular."]
        if count
        else []
    )


def _note_basis(points: list[DesignPoint]) -> list[str]:
    count = sum(1 for point in points if point.design_flow is not None and point.design_basis is None)
    return [f"{count} design flow(s) without a density basis count as at actual density."] if count else []


def _note_speed(points: list[DesignPoint], reader: Reader) -> list[str]:
    """Velocities that no duct is designed for are mostly slips of unit."""
    found = []
    for point in points:
        area = area_m2(point)
        if area and point.design_flow and not SLOW <= point.design_flow / area <= FAST:
            speed = point.design_flow / area
            where = reader.where(point.row, Column.FLOW)
            found.append(
                f"{where}: {point.tag} would have {speed:.3g} m/s; look at its size, flow and units."
            )
    return found[:MOST_NAMED]


def _some(tags: list[str]) -> str:
    return ", ".join(tags[:MOST_NAMED]) + (" …" if len(tags) > MOST_NAMED else "")
