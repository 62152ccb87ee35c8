"""The columns of a design schedule, found by their heads.

    system*         tag of the system, e.g. AHU-1
    system name     what people call it
    system kind     supply, return, exhaust, outdoor or water
    tag*            tag of the test point, once in its system
    kind*           plane, outlet, fan, coil, pump, valve or room
    parent          tag of the point upstream, in the same system
    location        where it is
    shape           round, rectangular or oval; empty when it is no duct
    width, height   inside size of a rectangular or oval duct
    diameter        inside size of a round duct
    size unit       mm, cm, m, in or ft
    design flow     as the engineer gave it
    flow unit       m³/s, m³/h, L/s, L/min, ft³/min, cfm, gal/min
    density basis   actual or standard
    tolerance below %, tolerance above %

* must be there. Capitals and spaces do not matter. A unit may stand in the head instead, e.g. "width [mm]" or
"design flow (L/s)", or behind the figure in a cell.
"""

import difflib
import re
from dataclasses import dataclass
from enum import StrEnum

from jobs.models.instrument import Quantity
from jobs.sheets import Cell, Faults, Sheet, cell_name
from jobs.sheets.grid import column_name, refuse
from jobs.units import Unit, UnknownUnit, find_unit


class Column(StrEnum):
    SYSTEM = "system"
    SYSTEM_NAME = "system name"
    SYSTEM_KIND = "system kind"
    TAG = "tag"
    KIND = "kind"
    PARENT = "parent"
    LOCATION = "location"
    SHAPE = "shape"
    WIDTH = "width"
    HEIGHT = "height"
    DIAMETER = "diameter"
    SIZE_UNIT = "size unit"
    FLOW = "design flow"
    FLOW_UNIT = "flow unit"
    BASIS = "density basis"
    BELOW = "tolerance below"
    ABOVE = "tolerance above"


NEEDED = (Column.SYSTEM, Column.TAG, Column.KIND)
SIZES = (Column.WIDTH, Column.HEIGHT, Column.DIAMETER)
QUANTITIES = dict.fromkeys(SIZES, Quantity.LENGTH) | {Column.FLOW: Quantity.FLOW}
_BRACKETS = re.compile(r"(.*?)\s*(?:\[([^\]]*)\]|\(([^)]*)\))\s*")
_SEARCHED_ROWS = 20
_LIKE = 0.8


@dataclass(frozen=True)
class Heads:
    """The row with the heads, where each column is, units that stand in heads, and columns left aside."""

    row: int
    places: dict[Column, int]
    units: dict[Column, Unit]
    ignored: tuple[str, ...]


def find_heads(sheet: Sheet, faults: Faults) -> Heads:
    """Finds the heads among the first rows. Raises Invalid when there are none; collects smaller faults."""
    row = _head_row(sheet)
    places: dict[Column, int] = {}
    units: dict[Column, Unit] = {}
    ignored = []
    for place, cell in sorted(sheet.rows[row].items()):
        where = cell_name(row, place)
        column, bracketed = read_head(cell.text)
        if column is None:
            _check_misspelt(cell, where, faults)
            ignored.append(f"{column_name(place)} '{cell.text[:30]}'")
        elif column in places:
            faults.add(where, f"is a second column '{column}'; keep one")
        else:
            places[column] = place
            _read_unit(column, bracketed, where, units, faults)
    for column in NEEDED:
        if column not in places:
            faults.add(f"row {row}", f"has no column '{column}'; add it")
    if Column.SHAPE not in places and any(size in places for size in SIZES):
        faults.add(f"row {row}", "has columns of sizes but none 'shape'; add it")
    return Heads(row, places, units, tuple(ignored))


def read_head(text: str) -> tuple[Column | None, str]:
    """The column a head names, and the unit in its brackets."""
    found = _BRACKETS.fullmatch(text)
    plain, unit = (found.group(1), found.group(2) or found.group(3) or "") if found else (text, "")
    words = " ".join(plain.casefold().replace("_", " ").split())
    if words.endswith("%"):
        words, unit = words[:-1].strip(), "%"
    try:
        return Column(words), unit.strip()
    except ValueError:
        return None, ""


def _head_row(sheet: Sheet) -> int:
    """The row with most known heads; titles above it are passed over."""
    first = sorted(sheet.rows)[:_SEARCHED_ROWS]
    best = max(first, key=lambda row: _known(sheet.rows[row]), default=0)
    if not best or _known(sheet.rows[best]) < 2:
        needed = ", ".join(NEEDED)
        raise refuse(
            f"row {best or 1}", f"no row of column heads was found; the first must name at least: {needed}"
        )
    return best


def _known(cells: dict[int, Cell]) -> int:
    return len({read_head(cell.text)[0] for cell in cells.values()} - {None})


def _check_misspelt(cell: Cell, where: str, faults: Faults) -> None:
    near = difflib.get_close_matches(cell.text.casefold()[:40], list(Column), n=1, cutoff=_LIKE)
    if near:
        faults.add(
            where, f"'{cell.text[:30]}' is no known head; write '{near[0]}', or name it quite differently"
        )


def _read_unit(column: Column, text: str, where: str, units: dict[Column, Unit], faults: Faults) -> None:
    if not text:
        return
    if column in (Column.BELOW, Column.ABOVE):
        if text != "%":
            faults.add(where, f"tolerances are in %, not in '{text[:20]}'")
        return
    if column not in QUANTITIES:
        faults.add(where, f"'{column}' has no unit; take '{text[:20]}' out of the head")
        return
    try:
        units[column] = find_unit(text, QUANTITIES[column])
    except UnknownUnit as error:
        faults.add(where, str(error))
