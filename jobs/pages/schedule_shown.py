"""Rows of a schedule on the page: what each would become, old and new, and the words at faulty cells."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from django.utils.translation import gettext as _

from jobs.models import DensityBasis, PointKind, Quantity, Shape, SystemKind
from jobs.pages.rows import shown_unit
from jobs.schedule import Change, Row, SystemChange
from jobs.schedule_columns import Column
from jobs.schedule_rows import DesignPoint, Placed
from jobs.units import Unit

GROUPS: tuple[tuple[str, tuple[Column, ...], tuple[str, ...]], ...] = (
    ("system", (Column.SYSTEM, Column.SYSTEM_NAME, Column.SYSTEM_KIND), ()),
    ("tag", (Column.TAG,), ()),
    ("kind", (Column.KIND,), ("kind",)),
    ("parent", (Column.PARENT,), ("parent",)),
    ("location", (Column.LOCATION,), ("location",)),
    (
        "size",
        (Column.SHAPE, Column.WIDTH, Column.HEIGHT, Column.DIAMETER, Column.SIZE, Column.SIZE_UNIT),
        ("shape", "width_m", "height_m", "diameter_m"),
    ),
    (
        "flow",
        (Column.FLOW, Column.FLOW_UNIT, Column.BASIS),
        ("design_flow", "design_entered", "design_basis"),
    ),
    ("tolerance", (Column.BELOW, Column.ABOVE), ("tolerance_below", "tolerance_above")),
)
"""Columns of the page's table, with the file's columns and the fields that belong to each."""


class State(StrEnum):
    PROBLEM = "problem"
    CHANGED = "changed"
    ADDED = "added"
    UNCHANGED = "unchanged"
    GOOD = "good"


MARKS = {
    State.PROBLEM: "stop",
    State.CHANGED: "warning",
    State.ADDED: "remark",
    State.UNCHANGED: "done",
    State.GOOD: "done",
}


@dataclass(frozen=True)
class Shown:
    """One cell: what it becomes, what it was when that differs, and what is wrong."""

    name: str
    text: str
    before: str | None
    faults: tuple[Placed, ...]

    @property
    def is_figure(self) -> bool:
        return self.name in ("size", "flow", "tolerance")


@dataclass(frozen=True)
class Line:
    number: int
    state: State
    cells: list[Shown]

    @property
    def mark(self) -> str:
        return MARKS[self.state]

    @property
    def word(self) -> str:
        return state_words()[self.state]


def state_words() -> dict[State, str]:
    return {
        State.PROBLEM: _("Problem"),
        State.CHANGED: _("Changes"),
        State.ADDED: _("New"),
        State.UNCHANGED: _("Unchanged"),
        State.GOOD: _("In order"),
    }


def state_of(row: Row, *, compared: bool = True) -> State:
    """`compared`: with what is stored; a file with problems is not."""
    if row.faults:
        return State.PROBLEM
    if not compared:
        return State.GOOD
    if row.change is None:
        return State.UNCHANGED
    return State.ADDED if row.change.added else State.CHANGED


def line_of(row: Row, state: State, system: str) -> Line:
    """A row as it is shown to people of a system of units."""
    now = _values(row.point)
    before = _before(row.change, now)
    cells = []
    for name, columns, fields in GROUPS:
        faults = tuple(fault for fault in row.faults if fault.column in columns)
        text = _text(name, now, system)
        was = None
        if before is not None and row.change is not None and set(fields) & set(row.change.fields):
            was = _text(name, before, system)
            if was == text:
                text, was = _exact(fields, now), _exact(fields, before)
        if faults and not text:
            text = " ".join(dict.fromkeys(fault.text for fault in faults if fault.text))
        cells.append(Shown(name, text, was, faults))
    return Line(row.number, state, cells)


def without_empty(lines: list[Line]) -> tuple[list[str], list[Line]]:
    """Names of the columns in which something stands, and the lines with only these."""
    used = {cell.name for line in lines for cell in line.cells if cell.text or cell.faults or cell.before}
    names = [name for name, _columns, _fields in GROUPS if name in used]
    kept = [replace(line, cells=[cell for cell in line.cells if cell.name in used]) for line in lines]
    return names, kept


def group_words() -> dict[str, str]:
    return {
        "system": _("System"),
        "tag": _("Point"),
        "kind": _("Kind"),
        "parent": _("Behind"),
        "location": _("Where"),
        "size": _("Size"),
        "flow": _("Design flow"),
        "tolerance": _("Tolerance"),
    }


def _values(point: DesignPoint) -> dict[str, Any]:
    return {name: getattr(point, name) for name in DesignPoint.__dataclass_fields__}


def _before(change: Change | None, now: Mapping[str, Any]) -> dict[str, Any] | None:
    """The point as it is stored, as far as it differs; None for a new one."""
    if change is None or change.added:
        return None
    return {**now, **{name: old for name, (old, _new) in change.fields.items()}}


def _text(name: str, values: Mapping[str, Any], system: str) -> str:
    if name == "size":
        return size_words(values, shown_unit(Quantity.LENGTH, system))
    if name == "flow":
        return _flow(values, shown_unit(Quantity.FLOW, system))
    if name == "tolerance":
        return _tolerance(values)
    if name == "kind":
        return _(PointKind(values["kind"]).label) if values["kind"] else ""
    return str(values[name] or "")


def size_words(values: Mapping[str, Any], unit: Unit) -> str:
    """500 × 400 mm, ø 250 mm, 600 × 300 mm oval; empty for no duct."""
    width, height, diameter = (
        None if values[name] is None else f"{unit.from_si(values[name]):.6g}"
        for name in ("width_m", "height_m", "diameter_m")
    )
    if diameter:
        return f"ø {diameter} {unit.symbol}"
    if not (width and height):
        return ""
    oval = f" {_('oval')}" if values["shape"] == Shape.OVAL else ""
    return f"{width} × {height} {unit.symbol}{oval}"


def _flow(values: Mapping[str, Any], unit: Unit) -> str:
    if values["design_flow"] is None:
        return ""
    shown = values["design_entered"] or f"{unit.from_si(values['design_flow']):.6g} {unit.symbol}"
    basis = _("standard air") if values["design_basis"] == DensityBasis.STANDARD else ""
    return f"{shown}, {basis}" if basis else str(shown)


def _tolerance(values: Mapping[str, Any]) -> str:
    below, above = values["tolerance_below"], values["tolerance_above"]
    parts = [
        f"−{below * 100:.6g}" if below is not None else "",
        f"+{above * 100:.6g}" if above is not None else "",
    ]
    shown = " ".join(part for part in parts if part)
    return f"{shown} %" if shown else ""


def _exact(fields: tuple[str, ...], values: Mapping[str, Any]) -> str:
    """Where both look alike: the basis in words, else every digit, SI."""
    if fields[0] == "design_flow":
        basis = _(DensityBasis(values["design_basis"] or DensityBasis.ACTUAL).label)
        return f"{values['design_flow']!r} m³/s, {basis.lower()}"
    return " ".join(str(values[name]) for name in fields if values[name] not in (None, ""))


def system_words(change: SystemChange) -> list[tuple[str, str, str]]:
    """What of a system changes: the field, old and new in words."""
    names = {"name": _("name"), "kind": _("kind")}
    return [
        (names.get(name, name), _kind(name, before), _kind(name, after))
        for name, (before, after) in sorted(change.fields.items())
    ]


def _kind(name: str, value: Any) -> str:
    return _(SystemKind(value).label) if name == "kind" and value else str(value or "")
