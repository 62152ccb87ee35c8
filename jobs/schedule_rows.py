"""Rows of a design schedule as typed points in SI, or everything that is wrong with them by cell."""

import unicodedata
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from jobs.models.plan import DensityBasis, PointKind, Shape, SystemKind
from jobs.register import LARGEST_FLOW, LARGEST_M, SMALLEST_M
from jobs.schedule_columns import LONGEST, QUANTITIES, SHAPED, SIZES, Column, Heads, unit_of
from jobs.schedule_sizes import NoSize, Size, read_size
from jobs.schedule_words import WORDS, listed
from jobs.sheets import Cell, CellKind, Faults, Sheet, cell_name
from jobs.sheets.figures import Figure, Mark, NoFigure, decimal_mark, read_figure
from jobs.units import Unit, UnknownUnit

FIGURES = (*SIZES, Column.FLOW, Column.BELOW, Column.ABOVE)
FAST, SLOW = 40.0, 0.3  # m/s; beyond these a design velocity is more likely a slip of unit (practice)
_UNREADABLE = {
    CellKind.FORMULA: "is a formula; copy the column and paste it as values, so that it is what you see",
    CellKind.ERROR: "shows an error of the spreadsheet; put the value in",
    CellKind.DATE: "is a date (spreadsheets turn 1-2 into one); format the column as text and type it anew",
    CellKind.BOOLEAN: "is TRUE or FALSE; write text or a number",
}


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


@dataclass(frozen=True, slots=True)
class Placed:
    """What is wrong in a row, at the column it belongs to: the cell's name in the file, what stands there."""

    row: int
    column: Column
    where: str
    text: str
    detail: str


class Reader:
    """Reads row by row. `named` are (system, tag) of all rows, those with faults too.

    `read` are all rows as far as they could be read, `placed` the faults by row.
    """

    def __init__(self, sheet: Sheet, heads: Heads, faults: Faults) -> None:
        self.sheet, self.heads, self.faults = sheet, heads, faults
        self.figures: dict[tuple[int, Column], Figure] = {}
        self.sizes: dict[int, Size] = {}
        self.read: dict[int, DesignPoint] = {}
        self.placed: dict[int, list[Placed]] = defaultdict(list)
        self.mark: Mark | None = None
        self.named: set[tuple[str, str]] = set()

    def points(self) -> list[DesignPoint]:
        """All rows below the heads; a row with faults is left out and told of in `faults`."""
        rows = [row for row in sorted(self.sheet.rows) if row > self.heads.last]
        rows = [row for row in rows if any(self.cell(row, column) for column in self.heads.places)]
        self._settle_decimal_mark(rows)
        found = [self.point(row) for row in rows]
        return [point for point in found if point is not None]

    def cell(self, row: int, column: Column) -> Cell | None:
        place = self.heads.places.get(column)
        if place is None:
            text = self.heads.for_all.get(column)
            return Cell(text) if text else None
        return self.sheet.rows[row].get(place)

    def where(self, row: int, column: Column) -> str:
        place = self.heads.places.get(column)
        return f"row {row}" if place is None else cell_name(row, place)

    def fault(self, row: int, column: Column, detail: str) -> None:
        where, cell = self.where(row, column), self.cell(row, column)
        self.faults.add(where, detail)
        self.placed[row].append(Placed(row, column, where, cell.text if cell else "", detail))

    def _settle_decimal_mark(self, rows: list[int]) -> None:
        """Takes all typed figures apart, then lets those that are clear decide for those that are not."""
        columns = [column for column in FIGURES if column in self.heads.places]
        for row in rows:
            for column in columns:
                cell = self.cell(row, column)
                if cell is not None and cell.kind is CellKind.TEXT:
                    try:
                        self.figures[row, column] = read_figure(cell.text)
                    except NoFigure as error:
                        self.fault(row, column, str(error))
            self._take_size_apart(row)
        typed = [figure for size in self.sizes.values() for figure in size.figures]
        self.mark, other = decimal_mark([*self.figures.values(), *typed])
        if self.mark and other:
            for (row, column), figure in self.figures.items():
                if figure.shows is other:
                    self.fault(
                        row,
                        column,
                        f"has a {other.words}, other cells have a {self.mark.words}; use one of them",
                    )

    def _take_size_apart(self, row: int) -> None:
        cell = self.cell(row, Column.SIZE)
        if cell is None:
            return
        if cell.kind in _UNREADABLE:
            self.fault(row, Column.SIZE, _UNREADABLE[cell.kind])
            return
        try:
            self.sizes[row] = read_size(cell.text)
        except NoSize as error:
            self.fault(row, Column.SIZE, str(error))

    def point(self, row: int) -> DesignPoint | None:
        before = len(self.placed[row])
        kind = self.choice(row, Column.KIND, needed=True)
        shape = self.choice(row, Column.SHAPE)
        width, height, diameter = self.section(row, shape)
        if shape is None and Column.SHAPE not in self.heads.places:
            shape = Shape.ROUND if diameter else Shape.RECTANGULAR if width or height else None
        flow, entered = self.flow(row)
        point = DesignPoint(
            row=row,
            system=self.tag(row, Column.SYSTEM, needed=True),
            system_name=self.words(row, Column.SYSTEM_NAME),
            system_kind=self.choice(row, Column.SYSTEM_KIND),
            tag=self.tag(row, Column.TAG, needed=True),
            kind=kind or PointKind.PLANE,
            parent=self.tag(row, Column.PARENT),
            location=self.words(row, Column.LOCATION),
            shape=shape or Shape.NONE,
            width_m=width,
            height_m=height,
            diameter_m=diameter,
            design_flow=flow,
            design_entered=entered,
            design_basis=self.choice(row, Column.BASIS),
            tolerance_below=self.share(row, Column.BELOW),
            tolerance_above=self.share(row, Column.ABOVE),
        )
        self.named.add((point.system, point.tag))
        self.read[row] = point
        if kind and self.heads.has(*SHAPED):
            self._check_shape(point)
        self._check_tolerance(point)
        return point if len(self.placed[row]) == before else None

    def words(self, row: int, column: Column) -> str:
        cell = self.cell(row, column)
        if cell is None:
            return ""
        if cell.kind in _UNREADABLE:
            self.fault(row, column, _UNREADABLE[cell.kind])
            return ""
        if len(cell.text) > LONGEST[column]:
            self.fault(row, column, f"is longer than {LONGEST[column]} characters; shorten it")
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

    def choice(self, row: int, column: Column, *, needed: bool = False) -> Any:
        """A word from the column's list, by its value, label or another name; None where nothing fits."""
        text = self.words(row, column).casefold()
        if not text:
            if needed and self.cell(row, column) is None and column in self.heads.places:
                self.fault(row, column, f"is empty; write {listed(column)}")
            return None
        found = WORDS[column].get(text)
        if found is None:
            self.fault(row, column, f"'{text[:30]}' is not known here; write {listed(column)}")
        return found

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
            return unit_of(text, quantity)
        except UnknownUnit as error:
            self.fault(row, column if behind else unit_column, str(error))
            return None

    def section(self, row: int, shape: Shape | None) -> tuple[float | None, float | None, float | None]:
        """Width, height and diameter, m, from their columns or from the one cell that holds the size."""
        if Column.SIZE not in self.heads.places:
            width, height, diameter = (self.size(row, column) for column in SIZES)
            return width, height, diameter
        size = self.sizes.get(row)
        if size is None:
            return None, None, None
        if len(size.figures) == 1 and not size.is_round and shape is not Shape.ROUND:
            text = str(self.cell(row, Column.SIZE).text)[:30]  # type: ignore[union-attr]
            wrong = f"'{text}' may be a diameter or a side; write ø{text}, or both sides"
            self.fault(row, Column.SIZE, wrong)
            return None, None, None
        found = [self._of_size(row, figure, size) for figure in size.figures]
        return (found[0], found[1], None) if len(found) == 2 else (None, None, found[0])

    def _of_size(self, row: int, figure: Figure, size: Size) -> float | None:
        try:
            value = figure.value(self.mark)
        except NoFigure as error:
            self.fault(row, Column.SIZE, str(error))
            return None
        unit = self.unit(row, Column.SIZE, size.unit)
        return self._as_length(row, Column.SIZE, unit.to_si(value)) if unit else None

    def size(self, row: int, column: Column) -> float | None:
        found = self.measure(row, column)
        return None if found is None else self._as_length(row, column, found[0])

    def _as_length(self, row: int, column: Column, metres: float) -> float | None:
        if SMALLEST_M <= metres <= LARGEST_M:
            return metres
        self.fault(
            row, column, f"is {metres:.4g} m; ducts are {SMALLEST_M} to {LARGEST_M:g} m. Look at the unit"
        )
        return None

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
        elif not (value == 0.0 or ((value > 0.0 if unit else value >= 1.0) and value <= 100.0)):
            self.fault(row, column, f"is {value:g} %; write 0 or 1 to 100, e.g. 10 for 10 %, without a sign")
        else:
            return value / 100.0
        return None

    def _check_shape(self, point: DesignPoint) -> None:
        if any(placed.column in SHAPED for placed in self.placed[point.row]):
            return  # the shape or a size is at fault already
        if Column.SIZE in self.heads.places:
            given = {column for column in SIZES if getattr(point, f"{column}_m") is not None}
        else:
            given = {column for column in SIZES if self.cell(point.row, column) is not None}
        if point.shape is Shape.NONE:
            if given or point.kind is PointKind.PLANE:
                self._miss_shape(point, given)
            return
        self._check_sizes(point, given)
        if point.shape is Shape.OVAL and (point.width_m or 0) < (point.height_m or 0):
            self.fault(
                point.row,
                self._at(Column.WIDTH),
                "is less than the height; of a flat oval the width is the long side",
            )

    def _at(self, column: Column) -> Column:
        """The column itself, or where its size stands in one cell, that one."""
        return column if column in self.heads.places else Column.SIZE

    def _miss_shape(self, point: DesignPoint, given: set[Column]) -> None:
        if Column.SHAPE in self.heads.places:
            why = "sizes are given" if given else "it is a traverse plane"
            wrong = f"is empty, but {why}; write round, rectangular or oval"
            self.fault(point.row, Column.SHAPE, wrong)
        else:
            column = next(column for column in (Column.SIZE, *SIZES) if column in self.heads.places)
            self.fault(point.row, column, "is empty; a traverse plane needs its size")

    def _check_sizes(self, point: DesignPoint, given: set[Column]) -> None:
        needed = _SIZES_OF[point.shape]
        one_cell = Column.SIZE in self.heads.places
        if one_cell and given != set(needed):
            self.fault(
                point.row, Column.SIZE, f"does not fit: a {point.shape} duct has {' and '.join(needed)}"
            )
            return
        for column in SIZES:
            if column in needed and column not in given:
                self.fault(
                    point.row, column, f"is empty; a {point.shape} duct needs its {' and '.join(needed)}"
                )
            if column in given and column not in needed:
                self.fault(point.row, column, f"does not belong to a {point.shape} duct; empty it")

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
