"""Rows of a design schedule as typed points in SI, or everything that is wrong with them by cell."""

import unicodedata
from dataclasses import dataclass
from enum import Enum
from typing import TypeVar

from jobs.models.plan import DensityBasis, PointKind, Shape, SystemKind
from jobs.register import LARGEST_FLOW, LARGEST_M, SMALLEST_M
from jobs.schedule_columns import QUANTITIES, SIZES, Column, Heads
from jobs.sheets import Cell, CellKind, Faults, Sheet, cell_name
from jobs.sheets.figures import Figure, Mark, NoFigure, decimal_mark, read_figure
from jobs.units import Unit, UnknownUnit, find_unit

LONGEST = {
    Column.SYSTEM: 40,
    Column.SYSTEM_NAME: 160,
    Column.TAG: 40,
    Column.PARENT: 40,
    Column.LOCATION: 200,
}
FIGURES = (*SIZES, Column.FLOW, Column.BELOW, Column.ABOVE)
FAST, SLOW = 40.0, 0.3  # m/s; beyond these a design velocity is more likely a slip of unit (practice)
_UNREADABLE = {
    CellKind.FORMULA: "is a formula; copy the column and paste it as values, so that it is what you see",
    CellKind.ERROR: "shows an error of the spreadsheet; put the value in",
    CellKind.DATE: "is a date (spreadsheets turn 1-2 into one); format the column as text and type it anew",
    CellKind.BOOLEAN: "is TRUE or FALSE; write text or a number",
}
E_ = TypeVar("E_", bound=Enum)


@dataclass(frozen=True, slots=True)
class DesignPoint:
    """One row. SI; None where the schedule says nothing. `row` is its number in the file."""

    row: int
    system: str
    system_name: str
    system_kind: SystemKind | None
    tag: str
    kind: PointKind
    parent: str
    location: str
    shape: Shape
    width_m: float | None
    height_m: float | None
    diameter_m: float | None
    design_flow: float | None
    design_entered: str
    design_basis: DensityBasis | None
    tolerance_below: float | None
    tolerance_above: float | None


class Reader:
    """Reads row by row. `named` are (system, tag) of all rows, those with faults too."""

    def __init__(self, sheet: Sheet, heads: Heads, faults: Faults) -> None:
        self.sheet, self.heads, self.faults = sheet, heads, faults
        self.figures: dict[tuple[int, Column], Figure] = {}
        self.mark: Mark | None = None
        self.named: set[tuple[str, str]] = set()

    def points(self) -> list[DesignPoint]:
        """All rows below the heads; a row with faults is left out and told of in `faults`."""
        rows = [row for row in sorted(self.sheet.rows) if row > self.heads.row]
        rows = [row for row in rows if any(self.cell(row, column) for column in self.heads.places)]
        self._settle_decimal_mark(rows)
        found = [self.point(row) for row in rows]
        return [point for point in found if point is not None]

    def cell(self, row: int, column: Column) -> Cell | None:
        place = self.heads.places.get(column)
        return None if place is None else self.sheet.rows[row].get(place)

    def where(self, row: int, column: Column) -> str:
        place = self.heads.places.get(column)
        return f"row {row}" if place is None else cell_name(row, place)

    def fault(self, row: int, column: Column, detail: str) -> None:
        self.faults.add(self.where(row, column), detail)

    def _settle_decimal_mark(self, rows: list[int]) -> None:
        """Takes all typed figures apart, then lets those that are clear decide for those that are not."""
        for row in rows:
            for column in FIGURES:
                cell = self.cell(row, column)
                if cell is not None and cell.kind is CellKind.TEXT:
                    try:
                        self.figures[row, column] = read_figure(cell.text)
                    except NoFigure as error:
                        self.fault(row, column, str(error))
        self.mark, other = decimal_mark(self.figures.values())
        if self.mark and other:
            for (row, column), figure in self.figures.items():
                if figure.shows is other:
                    self.fault(
                        row,
                        column,
                        f"has a {other.words}, other cells have a {self.mark.words}; use one of them",
                    )

    def point(self, row: int) -> DesignPoint | None:
        before = len(self.faults.found) + self.faults.more
        kind = self.choice(row, Column.KIND, PointKind, needed=True)
        shape = self.choice(row, Column.SHAPE, Shape)
        flow, entered = self.flow(row)
        point = DesignPoint(
            row=row,
            system=self.tag(row, Column.SYSTEM, needed=True),
            system_name=self.words(row, Column.SYSTEM_NAME),
            system_kind=self.choice(row, Column.SYSTEM_KIND, SystemKind),
            tag=self.tag(row, Column.TAG, needed=True),
            kind=kind or PointKind.PLANE,
            parent=self.tag(row, Column.PARENT),
            location=self.words(row, Column.LOCATION),
            shape=shape or Shape.NONE,
            width_m=self.size(row, Column.WIDTH),
            height_m=self.size(row, Column.HEIGHT),
            diameter_m=self.size(row, Column.DIAMETER),
            design_flow=flow,
            design_entered=entered,
            design_basis=self.choice(row, Column.BASIS, DensityBasis),
            tolerance_below=self.share(row, Column.BELOW),
            tolerance_above=self.share(row, Column.ABOVE),
        )
        self.named.add((point.system, point.tag))
        if kind and Column.SHAPE in self.heads.places:
            self._check_shape(point)
        self._check_tolerance(point)
        return point if len(self.faults.found) + self.faults.more == before else None

    def words(self, row: int, column: Column) -> str:
        cell = self.cell(row, column)
        if cell is None:
            return ""
        if cell.kind in _UNREADABLE:
            self.fault(row, column, _UNREADABLE[cell.kind])
            return ""
        if len(cell.text) > LONGEST.get(column, 40):
            self.fault(row, column, f"is longer than {LONGEST.get(column, 40)} characters; shorten it")
            return ""
        return unicodedata.normalize("NFC", cell.text)

    def tag(self, row: int, column: Column, *, needed: bool = False) -> str:
        text = self.words(row, column)
        if any(unicodedata.category(sign) in ("Cf", "Co", "Cs", "Cn") for sign in text):
            self.fault(row, column, "has an invisible character; type the tag anew")
        if needed and not text and self.cell(row, column) is None and column in self.heads.places:
            self.fault(
                row, column, f"is empty; write the {column} in each row (merged cells hold only the first)"
            )
        return text

    def choice(self, row: int, column: Column, values: type[E_], *, needed: bool = False) -> E_ | None:
        """A word from a list, by its value or label."""
        text = self.words(row, column).casefold()
        if not text:
            if needed and self.cell(row, column) is None and column in self.heads.places:
                self.fault(row, column, f"is empty; write {_listed(values)}")
            return None
        for value in values:
            if text in (value.value, str(getattr(value, "label", "")).casefold()):
                return value
        self.fault(row, column, f"'{text[:30]}' is not known here; write {_listed(values)}")
        return None

    def number(self, row: int, column: Column) -> tuple[float, str] | None:
        """A figure and the unit behind it in the same cell. A percentage comes as 10 with %."""
        cell = self.cell(row, column)
        if cell is None:
            return None
        if cell.kind in _UNREADABLE:
            self.fault(row, column, _UNREADABLE[cell.kind])
            return None
        if cell.number is not None:
            if cell.kind is CellKind.PERCENT:
                return cell.number * 100.0, "%"
            return cell.number, ""
        figure = self.figures.get((row, column))
        try:
            return (figure.value(self.mark), figure.unit) if figure else None
        except NoFigure as error:
            self.fault(row, column, str(error))
            return None

    def measure(self, row: int, column: Column) -> tuple[float, Unit] | None:
        """A figure in SI and the unit it was given in: the cell's own, else the head's, else the column's."""
        found = self.number(row, column)
        if found is None:
            return None
        unit = self.unit(row, column, found[1])
        return (unit.to_si(found[0]), unit) if unit else None

    def unit(self, row: int, column: Column, behind: str) -> Unit | None:
        quantity = QUANTITIES[column]
        unit_column = Column.FLOW_UNIT if column is Column.FLOW else Column.SIZE_UNIT
        text = behind or ("" if column in self.heads.units else self.words(row, unit_column))
        if not text:
            if column not in self.heads.units:
                example = f"{column} [{'L/s' if column is Column.FLOW else 'mm'}]"
                self.fault(
                    row, column, f"has no unit; fill in '{unit_column}', or put it in the head: '{example}'"
                )
            return self.heads.units.get(column)
        try:
            return find_unit(text, quantity)
        except UnknownUnit as error:
            self.fault(row, column if behind else unit_column, str(error))
            return None

    def size(self, row: int, column: Column) -> float | None:
        found = self.measure(row, column)
        if found is None:
            return None
        if not SMALLEST_M <= found[0] <= LARGEST_M:
            self.fault(
                row,
                column,
                f"is {found[0]:.4g} m; ducts are {SMALLEST_M} to {LARGEST_M:g} m. Look at the unit",
            )
            return None
        return found[0]

    def flow(self, row: int) -> tuple[float | None, str]:
        found = self.measure(row, Column.FLOW)
        if found is None:
            return None, ""
        value, unit = found
        if not 0.0 < value <= LARGEST_FLOW:
            wrong = "must be above zero; leave it empty when there is no design flow" if value <= 0 else (
                f"is {value:.4g} m³/s, more than {LARGEST_FLOW:g}; look at the unit")  # fmt: skip
            self.fault(row, Column.FLOW, wrong)
            return None, ""
        return value, self._as_entered(row, unit)

    def _as_entered(self, row: int, unit: Unit) -> str:
        cell = self.cell(row, Column.FLOW)
        text = cell.text if cell else ""
        figure = self.figures.get((row, Column.FLOW))
        return text[:40] if figure and figure.unit else f"{text} {unit.symbol}"[:40]

    def share(self, row: int, column: Column) -> float | None:
        """A tolerance in % as a share."""
        found = self.number(row, column)
        if found is None:
            return None
        value, unit = found
        if unit not in ("", "%"):
            self.fault(row, column, f"is in '{unit[:20]}'; tolerances are in %")
        elif not (value == 0.0 or 1.0 <= value <= 100.0):
            self.fault(row, column, f"is {value:g} %; write 0 or 1 to 100, e.g. 10 for 10 %, without a sign")
        else:
            return value / 100.0
        return None

    def _check_shape(self, point: DesignPoint) -> None:
        given = {column for column in SIZES if self.cell(point.row, column) is not None}
        needed = _SIZES_OF[point.shape]
        if self.cell(point.row, Column.SHAPE) is not None and point.shape is Shape.NONE:
            return  # the shape itself is at fault already
        if point.shape is Shape.NONE and (given or point.kind is PointKind.PLANE):
            why = "sizes are given" if given else "it is a traverse plane"
            self.fault(point.row, Column.SHAPE, f"is empty, but {why}; write round, rectangular or oval")
            return
        for column in SIZES:
            if column in needed and column not in given:
                self.fault(
                    point.row, column, f"is empty; a {point.shape} duct needs its {' and '.join(needed)}"
                )
            if column in given and column not in needed:
                self.fault(point.row, column, f"does not belong to a {point.shape} duct; empty it")
        if point.shape is Shape.OVAL and (point.width_m or 0) < (point.height_m or 0):
            self.fault(
                point.row, Column.WIDTH, "is less than the height; of a flat oval the width is the long side"
            )

    def _check_tolerance(self, point: DesignPoint) -> None:
        if point.tolerance_below == 0.0 and point.tolerance_above == 0.0:
            self.fault(
                point.row, Column.ABOVE, "nothing lies within 0 % below and 0 % above; widen one of them"
            )


_SIZES_OF: dict[Shape, tuple[Column, ...]] = {
    Shape.NONE: (),
    Shape.ROUND: (Column.DIAMETER,),
    Shape.RECTANGULAR: (Column.WIDTH, Column.HEIGHT),
    Shape.OVAL: (Column.WIDTH, Column.HEIGHT),
}


def _listed(values: type[Enum]) -> str:
    return ", ".join(str(value.value) for value in values if value.value)
