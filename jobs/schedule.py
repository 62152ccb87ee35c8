"""The design schedule: from an engineer's spreadsheet to systems and test points, all or nothing.

The columns stand in jobs/schedule_columns.py. A revised schedule is imported again: points are found by
their tag within the system, changed or left as they are, never deleted. Columns that the file does not have
leave what is stored; an empty cell of a column that it has empties the field. A figure that is the same in
another unit, or a text with other blanks, is no change.
"""

import hashlib
import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet
from django.utils.translation import gettext

from jobs import events, quotas
from jobs.access import Action, Actor, require
from jobs.errors import Fault, Invalid, NotFound, PreconditionFailed
from jobs.models import DensityBasis, Shape, Site, System, TestPoint
from jobs.queries import visible
from jobs.schedule_checks import Stored, check_whole, notes_on
from jobs.schedule_columns import SHAPED, Column, Heads, Match, Matching
from jobs.schedule_match import match_heads
from jobs.schedule_memory import recall, remember
from jobs.schedule_rows import DesignPoint, Placed, Reader
from jobs.sheets import Faults, Sheet, read_sheet
from jobs.sheets.grid import plain_text

BATCH = 1000
SAMPLES = 3
IN_EVENT = 200
"""Changed points whose old and new values stand in the event."""
WHAT = "The schedule was not imported"
_NEAR = 1e-9
_SECTION = ("shape", "width_m", "height_m", "diameter_m")
_FIELDS: Mapping[Column, tuple[str, ...]] = {
    Column.KIND: ("kind",),
    Column.LOCATION: ("location",),
    Column.FLOW: ("design_flow", "design_entered"),
    Column.BELOW: ("tolerance_below",),
    Column.ABOVE: ("tolerance_above",),
}
_WRITTEN = [
    "parent",
    "position",
    "design_basis",
    "version",
    *_SECTION,
    *(name for names in _FIELDS.values() for name in names),
]
Differences = Mapping[str, tuple[Any, Any]]


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
    fields: Differences


@dataclass(frozen=True)
class SystemChange:
    """One system that the file adds or changes."""

    tag: str
    added: bool
    fields: Differences


@dataclass(frozen=True)
class Imported:
    """What an import did, or, of a preview, would do. `digest` is the SHA-256 of the file.

    `plan` is the digest of all that changes: an import can be bound to what a preview showed.
    """

    digest: str
    plan: str
    rows: int
    systems: Counts
    points: Counts
    changes: tuple[Change, ...]
    system_changes: tuple[SystemChange, ...]
    notes: tuple[str, ...]
    columns: tuple[Match, ...]
    stored: bool


@dataclass(frozen=True)
class Found:
    """A file's columns: what they mean, their first values by place, how many rows, what is wrong so far."""

    heads: Heads
    samples: Mapping[int, list[str]]
    rows: int
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Row:
    """One row of the file: the point as far as it could be read, what would change, what is wrong."""

    number: int
    point: DesignPoint
    change: Change | None
    faults: tuple[Placed, ...]


@dataclass(frozen=True)
class Trial:
    """What a file would do, also when something is wrong with it; then `imported` is None."""

    heads: Heads
    notes: tuple[str, ...]
    rows: tuple[Row, ...]
    faults: tuple[Fault, ...]
    imported: Imported | None


@dataclass
class _Plan:
    """Rows to write. `moved` points only changed their place in the order."""

    new_systems: list[System] = field(default_factory=list)
    changed_systems: list[System] = field(default_factory=list)
    system_fields: dict[str, dict[str, tuple[Any, Any]]] = field(default_factory=dict)
    new: list[TestPoint] = field(default_factory=list)
    changed: list[TestPoint] = field(default_factory=list)
    moved: list[TestPoint] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)


@dataclass
class _Work:
    """A file on its way: read, matched, checked; planned unless something is wrong."""

    sheet: Sheet
    heads: Heads
    faults: Faults
    reader: Reader | None = None
    points: list[DesignPoint] = field(default_factory=list)
    plan: _Plan | None = None
    imported: Imported | None = None


NOTHING_SAID = Matching()


def preview(actor: Actor, site_id: UUID, file: bytes, said: Matching = NOTHING_SAID) -> Imported:
    """What `import_schedule` would do, or all that is wrong. Stores nothing. Raises as it does."""
    require(actor, Action.PLAN)
    site = _site(actor, site_id)
    return _done(_work(site, file, said, TestPoint.objects.all(), Faults()))


def try_schedule(actor: Actor, site_id: UUID, file: bytes, said: Matching = NOTHING_SAID) -> Trial:
    """What the file would do, row by row, with every fault of its content. Stores nothing.

    Raises NotFound, TooLarge, or Invalid for what is no table at all.
    """
    require(actor, Action.PLAN)
    site = _site(actor, site_id)
    work = _work(site, file, said, TestPoint.objects.all(), Faults(most=1_000_000), lenient=True)
    changes = {change.row: change for change in work.imported.changes} if work.imported else {}
    placed = work.reader.placed if work.reader else {}
    read = work.reader.read if work.reader else {}
    rows = tuple(
        Row(number, point, changes.get(number), tuple(placed.get(number, ())))
        for number, point in sorted(read.items())
    )
    notes = work.imported.notes if work.imported else work.sheet.notes
    return Trial(work.heads, notes, rows, tuple(work.faults.found), work.imported)


@transaction.atomic
def import_schedule(
    actor: Actor,
    site_id: UUID,
    file: bytes,
    said: Matching = NOTHING_SAID,
    *,
    file_name: str = "",
    plan: str = "",
) -> Imported:
    """Makes or changes systems and test points of a site from a CSV or XLSX file, all or nothing.

    `said` tells what columns mean; it is remembered for the customer's next file. With `plan`, of a preview,
    nothing is stored unless it is still the same that would change.
    Raises NotFound, TooLarge, PreconditionFailed, or Invalid whose faults name each cell (e.g. "C7") and say
    what to do.
    """
    require(actor, Action.PLAN)
    # The site's lock makes imports into one site one after the other.
    site = visible(Site.objects.select_for_update(), actor).filter(id=site_id).first()
    if site is None:
        raise NotFound()
    work = _work(site, file, said, TestPoint.objects.select_for_update(), Faults())
    found = _done(work)
    if plan and plan != found.plan:
        raise PreconditionFailed(
            gettext(
                "What is stored changed since you looked: the file would do other things now. Look again."
            )
        )
    if work.plan:
        _store(work.plan)
    remember(site.customer_id, said, work.heads)
    changed = {
        f"{change.system}/{change.tag}": _plain(change.fields) for change in found.changes if not change.added
    }
    changed = dict(list(changed.items())[:IN_EVENT])
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
            "columns": {one.letter: _meaning(one) for one in found.columns if one.column},
            "all_rows": {str(column): text for column, text in work.heads.for_all.items()},
            "changed": list(changed),
            "values": changed,
        },
        content_digest=found.digest,
    )
    return replace(found, stored=True)


def find_columns(actor: Actor, site_id: UUID, file: bytes, said: Matching = NOTHING_SAID) -> Found:
    """What the columns of a file would be taken for, with their first values. Stores nothing.

    Raises NotFound, TooLarge, or Invalid for what is no table at all.
    """
    require(actor, Action.PLAN)
    site = _site(actor, site_id)
    sheet, faults = read_sheet(file), Faults()
    heads = match_heads(sheet, said, recall(site.customer_id), faults, lenient=True)
    samples: dict[int, list[str]] = {one.place: [] for one in heads.matches}
    below = [cells for row, cells in sorted(sheet.rows.items()) if row > heads.last]
    for cells in below:
        for place, cell in cells.items():
            if len(samples.setdefault(place, [])) < SAMPLES and cell.text not in samples[place]:
                samples[place].append(cell.text)
    return Found(heads, samples, len(below), tuple(faults.found), sheet.notes)


def _meaning(one: Match) -> str:
    """What a column was read as, for the log."""
    return f"{one.column} [{one.unit.symbol}]" if one.unit else str(one.column)


def _site(actor: Actor, site_id: UUID) -> Site:
    found: Site | None = visible(Site.objects.all(), actor).filter(id=site_id).first()
    if found is None:
        raise NotFound()
    return found


def _done(work: _Work) -> Imported:
    """The answer. Raises Invalid with what is wrong."""
    work.faults.raise_any(WHAT)
    if work.imported is None:
        raise Invalid(
            gettext("%(what)s: it has no rows.") % {"what": WHAT},
            [Fault(f"row {work.heads.row}", gettext("has nothing below the heads"))],
        )
    return work.imported


def _work(
    site: Site,
    file: bytes,
    said: Matching,
    rows: QuerySet[TestPoint],
    faults: Faults,
    *,
    lenient: bool = False,
) -> _Work:
    sheet = read_sheet(file)
    heads = match_heads(sheet, said, recall(site.customer_id), faults, lenient=lenient)
    work = _Work(sheet, heads, faults)
    if faults:
        return work
    reader = work.reader = Reader(sheet, heads, faults)
    points = work.points = reader.points()
    systems = {plain_text(one.tag): one for one in System.objects.filter(site=site)}
    stored = _stored(systems, rows)
    check_whole(points, systems, stored, reader)
    if points and not faults:
        work.plan = _plan(site, points, systems, stored, heads)
        work.imported = _answer(file, sheet.notes, points, stored, reader, work.plan)
    elif not reader.read:
        faults.add(f"row {heads.row}", "has nothing below the heads")
    return work


def _stored(systems: Mapping[str, System], rows: QuerySet[TestPoint]) -> Stored:
    tags = {system.id: tag for tag, system in systems.items()}
    found = rows.filter(system__in=list(systems.values())) if systems else ()
    return {(tags[point.system_id], plain_text(point.tag)): point for point in found}


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
    positions: dict[str, int] = defaultdict(int)
    for point in points:
        positions[point.system] += 1
        old = stored.get((point.system, point.tag))
        target = made[point.system, point.tag]
        fields = _differences(target, _values(point, old, made, heads))
        _sort_in(plan, point, target, positions[point.system], fields, tags, added=old is None)
    return plan


def _plan_system(site: Site, point: DesignPoint, systems: dict[str, System], plan: _Plan) -> None:
    system = systems.get(point.system)
    if system is None:
        system = systems[point.system] = System(site=site, tag=point.system)
        plan.new_systems.append(system)
        plan.system_fields[point.system] = {}
    wanted = {"name": point.system_name, "kind": point.system_kind}
    changed = _differences(system, {name: value for name, value in wanted.items() if value})
    for name, (_, value) in changed.items():
        setattr(system, name, value)
    if changed:
        plan.system_fields.setdefault(point.system, {}).update(changed)
        if system not in plan.new_systems and system not in plan.changed_systems:
            system.version += 1
            plan.changed_systems.append(system)


def _values(
    point: DesignPoint, old: TestPoint | None, made: Mapping[tuple[str, str], TestPoint], heads: Heads
) -> dict[str, Any]:
    """What the file says of a point, by field; only for columns that it has."""
    values = {
        name: getattr(point, name) for column, names in _FIELDS.items() if heads.has(column) for name in names
    }
    if heads.has(*SHAPED):
        values |= {name: getattr(point, name) for name in _SECTION}
        unnamed = Column.SHAPE not in heads.places and point.shape is Shape.RECTANGULAR
        if unnamed and old is not None and old.shape == Shape.OVAL:
            values["shape"] = Shape.OVAL
    if Column.PARENT in heads.places:
        values["parent_id"] = made[point.system, point.parent].id if point.parent else None
    if heads.has(Column.BASIS) or old is None:
        values["design_basis"] = point.design_basis or DensityBasis.ACTUAL
    return values


def _differences(target: System | TestPoint, values: Mapping[str, Any]) -> dict[str, tuple[Any, Any]]:
    found = {
        name: (getattr(target, name), value)
        for name, value in values.items()
        if not _same(getattr(target, name), value)
    }
    if "design_flow" not in found:  # the same flow in other digits
        found.pop("design_entered", None)
    return found


def _same(before: Any, after: Any) -> bool:
    if before == after:
        return True
    if isinstance(before, float) and isinstance(after, float):
        return math.isclose(before, after, rel_tol=_NEAR)
    return isinstance(before, str) and isinstance(after, str) and plain_text(before) == after


def _sort_in(
    plan: _Plan,
    point: DesignPoint,
    target: TestPoint,
    position: int,
    fields: Differences,
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


def _readable(fields: Differences, tags: Mapping[UUID, str]) -> Differences:
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
    added = {system.tag for system in plan.new_systems}
    systems = tuple(SystemChange(tag, tag in added, fields) for tag, fields in plan.system_fields.items())
    return Imported(
        digest=hashlib.sha256(file).hexdigest(),
        plan=_digest(plan.changes, systems),
        rows=len(points),
        systems=Counts(new, changed, used - new - changed),
        points=Counts(len(plan.new), len(plan.changed), len(points) - len(plan.new) - len(plan.changed)),
        changes=tuple(plan.changes),
        system_changes=systems,
        notes=(*notes, *aside, *notes_on(points, stored, reader)),
        columns=reader.heads.matches,
        stored=False,
    )


def _digest(changes: list[Change], systems: tuple[SystemChange, ...]) -> str:
    """SHA-256 over all that would change; ids of rows still to be made are no part of it."""
    return events.digest(
        [
            *([one.tag, one.added, _plain(one.fields)] for one in systems),
            *([one.system, one.tag, one.added, _plain(one.fields)] for one in changes),
        ]
    )


def _plain(fields: Differences) -> dict[str, list[Any]]:
    return {
        name: [value if value is None or isinstance(value, float) else str(value) for value in pair]
        for name, pair in fields.items()
    }


def _store(plan: _Plan) -> None:
    """One statement a thousand rows. Raises OverQuota."""
    if plan.new:
        quotas.require_room(quotas.Kind.POINTS, len(plan.new))
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
