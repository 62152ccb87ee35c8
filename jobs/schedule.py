"""The design schedule: from an engineer's spreadsheet to systems and test points, all or nothing.

The columns stand in jobs/schedule_columns.py. A revised schedule is imported again: points are found by
their tag within the system, changed or left as they are, never deleted. Columns that the file does not have
leave what is stored; an empty cell of a column that it has empties the field.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet

from jobs import events
from jobs.access import Action, Actor, require
from jobs.errors import Fault, Invalid, NotFound
from jobs.models import DensityBasis, Site, System, TestPoint
from jobs.queries import visible
from jobs.schedule_checks import Stored, check_whole, notes_on
from jobs.schedule_columns import Column, Heads, find_heads
from jobs.schedule_rows import DesignPoint, Reader
from jobs.sheets import Faults, read_sheet

BATCH = 1000
WHAT = "The schedule was not imported"
_FIELDS: Mapping[Column, tuple[str, ...]] = {
    Column.KIND: ("kind",),
    Column.LOCATION: ("location",),
    Column.SHAPE: ("shape", "width_m", "height_m", "diameter_m"),
    Column.FLOW: ("design_flow", "design_entered"),
    Column.BELOW: ("tolerance_below",),
    Column.ABOVE: ("tolerance_above",),
}
_WRITTEN = [
    "parent",
    "position",
    "design_basis",
    "version",
    *(name for names in _FIELDS.values() for name in names),
]


@dataclass(frozen=True)
class Counts:
    added: int = 0
    changed: int = 0
    unchanged: int = 0


@dataclass(frozen=True)
class Change:
    """One point that the file adds or changes; `fields` gives what was and what will be."""

    row: int
    system: str
    tag: str
    added: bool
    fields: Mapping[str, tuple[Any, Any]]


@dataclass(frozen=True)
class Imported:
    """What an import did, or, of a preview, would do. `digest` is the SHA-256 of the file."""

    digest: str
    rows: int
    systems: Counts
    points: Counts
    changes: tuple[Change, ...]
    notes: tuple[str, ...]
    stored: bool


@dataclass
class _Plan:
    """Rows to write. `moved` points only changed their place in the order."""

    new_systems: list[System] = field(default_factory=list)
    changed_systems: list[System] = field(default_factory=list)
    new: list[TestPoint] = field(default_factory=list)
    changed: list[TestPoint] = field(default_factory=list)
    moved: list[TestPoint] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)


def preview(actor: Actor, site_id: UUID, file: bytes) -> Imported:
    """What `import_schedule` would do, or all that is wrong. Stores nothing. Raises as it does."""
    require(actor, Action.PLAN)
    site = visible(Site.objects.all(), actor).filter(id=site_id).first()
    if site is None:
        raise NotFound()
    return _read(site, file, TestPoint.objects.all())[0]


@transaction.atomic
def import_schedule(actor: Actor, site_id: UUID, file: bytes, *, file_name: str = "") -> Imported:
    """Makes or changes systems and test points of a site from a CSV or XLSX file, all or nothing.

    Raises NotFound, TooLarge, or Invalid whose faults name each cell (e.g. "C7") and say what to do.
    """
    require(actor, Action.PLAN)
    # The site's lock makes imports into one site one after the other.
    site = visible(Site.objects.select_for_update(), actor).filter(id=site_id).first()
    if site is None:
        raise NotFound()
    found, plan = _read(site, file, TestPoint.objects.select_for_update())
    _store(plan)
    events.record(
        actor,
        "schedule.imported",
        "site",
        site.id,
        data={
            "file": "".join(sign for sign in file_name[:120] if sign.isprintable()),
            "bytes": len(file),
            "rows": found.rows,
            "systems": vars(found.systems),
            "points": vars(found.points),
            "changed": [f"{change.system}/{change.tag}" for change in found.changes if not change.added][
                :200
            ],
        },
        content_digest=found.digest,
    )
    return Imported(**(vars(found) | {"stored": True}))


def _read(site: Site, file: bytes, rows: QuerySet[TestPoint]) -> tuple[Imported, _Plan]:
    sheet = read_sheet(file)
    faults = Faults()
    heads = find_heads(sheet, faults)
    faults.raise_any(WHAT)
    reader = Reader(sheet, heads, faults)
    points = reader.points()
    systems = {system.tag: system for system in System.objects.filter(site=site)}
    stored = _stored(systems, rows)
    check_whole(points, systems, stored, reader)
    faults.raise_any(WHAT)
    if not points:
        raise Invalid(f"{WHAT}: it has no rows.", [Fault(f"row {heads.row}", "has nothing below the heads")])
    plan = _plan(site, points, systems, stored, heads)
    return _answer(file, sheet.notes, points, stored, reader, plan), plan


def _stored(systems: Mapping[str, System], rows: QuerySet[TestPoint]) -> Stored:
    tags = {system.id: tag for tag, system in systems.items()}
    found = rows.filter(system__in=list(systems.values())) if systems else ()
    return {(tags[point.system_id], point.tag): point for point in found}


def _plan(
    site: Site, points: list[DesignPoint], systems: dict[str, System], stored: Stored, heads: Heads
) -> _Plan:
    plan = _Plan()
    for point in points:
        _plan_system(site, point, systems, plan)
    made = dict(stored)
    for point in points:
        place = (point.system, point.tag)
        if place not in made:
            made[place] = TestPoint(system=systems[point.system], tag=point.tag)
    tags = {target.id: tag for (_, tag), target in made.items()}
    for position, point in enumerate(points, 1):
        old = stored.get((point.system, point.tag))
        target = made[point.system, point.tag]
        fields = _differences(target, _values(point, old, made, heads))
        _sort_in(plan, point, target, position, fields, tags, added=old is None)
    return plan


def _plan_system(site: Site, point: DesignPoint, systems: dict[str, System], plan: _Plan) -> None:
    system = systems.get(point.system)
    if system is None:
        system = systems[point.system] = System(site=site, tag=point.system)
        plan.new_systems.append(system)
    wanted = {"name": point.system_name, "kind": point.system_kind}
    changed = {name: value for name, value in wanted.items() if value and getattr(system, name) != value}
    for name, value in changed.items():
        setattr(system, name, value)
    if changed and system not in plan.new_systems and system not in plan.changed_systems:
        system.version += 1
        plan.changed_systems.append(system)


def _values(
    point: DesignPoint, old: TestPoint | None, made: Mapping[tuple[str, str], TestPoint], heads: Heads
) -> dict[str, Any]:
    """What the file says of a point, by field; only for columns that it has."""
    values = {
        name: getattr(point, name)
        for column, names in _FIELDS.items()
        if column in heads.places
        for name in names
    }
    if Column.PARENT in heads.places:
        values["parent_id"] = made[point.system, point.parent].id if point.parent else None
    if Column.BASIS in heads.places or old is None:
        values["design_basis"] = point.design_basis or DensityBasis.ACTUAL
    return values


def _differences(target: TestPoint, values: Mapping[str, Any]) -> dict[str, tuple[Any, Any]]:
    return {
        name: (getattr(target, name), value)
        for name, value in values.items()
        if getattr(target, name) != value
    }


def _sort_in(
    plan: _Plan,
    point: DesignPoint,
    target: TestPoint,
    position: int,
    fields: Mapping[str, tuple[Any, Any]],
    tags: Mapping[UUID, str],
    *,
    added: bool,
) -> None:
    moved = target.position != position
    target.position = position
    for name, (_, value) in fields.items():
        setattr(target, name, value)
    if added or fields:
        plan.changes.append(Change(point.row, point.system, point.tag, added, _readable(fields, tags)))
        (plan.new if added else plan.changed).append(target)
        target.version += not added
    elif moved:
        plan.moved.append(target)


def _readable(
    fields: Mapping[str, tuple[Any, Any]], tags: Mapping[UUID, str]
) -> Mapping[str, tuple[Any, Any]]:
    """The differences with the parent by its tag, not its id."""
    if "parent_id" not in fields:
        return fields
    before, after = fields["parent_id"]
    rest = {name: pair for name, pair in fields.items() if name != "parent_id"}
    return rest | {"parent": (tags.get(before, ""), tags.get(after, ""))}


def _answer(
    file: bytes,
    notes: tuple[str, ...],
    points: list[DesignPoint],
    stored: Stored,
    reader: Reader,
    plan: _Plan,
) -> Imported:
    used = len({point.system for point in points})
    new, changed = len(plan.new_systems), len(plan.changed_systems)
    ignored = reader.heads.ignored
    aside = [f"Columns that were not read: {', '.join(ignored)}."] if ignored else []
    return Imported(
        digest=hashlib.sha256(file).hexdigest(),
        rows=len(points),
        systems=Counts(new, changed, used - new - changed),
        points=Counts(len(plan.new), len(plan.changed), len(points) - len(plan.new) - len(plan.changed)),
        changes=tuple(plan.changes),
        notes=(*notes, *aside, *notes_on(points, stored, reader)),
        stored=False,
    )


def _store(plan: _Plan) -> None:
    """One statement a thousand rows."""
    System.objects.bulk_create(
        [*plan.new_systems, *plan.changed_systems],
        batch_size=BATCH,
        update_conflicts=True,
        unique_fields=["company", "id"],
        update_fields=["name", "kind", "version"],
    )
    TestPoint.objects.bulk_create(
        _parents_first([*plan.new, *plan.changed, *plan.moved]),
        batch_size=BATCH,
        update_conflicts=True,
        unique_fields=["company", "id"],
        update_fields=_WRITTEN,
    )


def _parents_first(points: list[TestPoint]) -> list[TestPoint]:
    """Sorted by depth in the tree, since the database checks each statement's keys to parents at its end."""
    by_id = {point.id: point for point in points}
    depths: dict[UUID | None, int] = {None: 0}
    for point in points:
        path: list[UUID] = []
        here: UUID | None = point.id
        while here not in depths and here in by_id:
            path.append(here)
            here = by_id[here].parent_id
        above = depths.get(here, 0)
        depths.update({place: above + step for step, place in enumerate(reversed(path), 1)})
    return sorted(points, key=lambda point: depths[point.id])
