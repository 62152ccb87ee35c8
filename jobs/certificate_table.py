"""Certificates from a table (CSV or XLSX): the lines of one, or many at once; all or nothing.

    serial number*        of the instrument          ┐
    certificate*          its number                 │ one row a line; rows of one certificate follow each
    laboratory*                                      │ other, and what is said of it in the first of them
    accreditation                                    │ may be left empty in the rest
    calibrated on*        2026-03-31                 │
    due on*               2027-03-31                 ┘
    quantity*             pressure, velocity, flow …
    unit*                 as printed, e.g. Pa, inH2O, °C
    reference*
    as found              empty where nothing was adjusted or found
    as left*
    expanded uncertainty* U, in the same unit
    coverage factor       k; 2 unless told

* must be there. The lines of one certificate have the last seven only. Faults name the cell, e.g. C7.
"""

import csv
import difflib
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any

from django.db import transaction
from django.utils.translation import gettext

from jobs.access import Action, Actor, require
from jobs.certificate_lines import line_point
from jobs.errors import DomainError, Fault, Invalid
from jobs.instruments import MOST_POINTS, Point, enter_certificate
from jobs.models import Certificate, Instrument, Quantity
from jobs.queries import visible_instruments
from jobs.sheets import Cell, CellKind, Faults, Sheet, cell_name, read_sheet
from jobs.sheets.figures import Figure as Typed
from jobs.sheets.figures import Mark, NoFigure, decimal_mark, read_figure
from jobs.sheets.grid import refuse
from jobs.units import Figure, Unit, UnknownUnit, find_unit

MOST_CERTIFICATES = 200
WHAT = "Nothing was entered"


class Column(StrEnum):
    SERIAL = "serial number"
    NUMBER = "certificate"
    LABORATORY = "laboratory"
    ACCREDITATION = "accreditation"
    CALIBRATED = "calibrated on"
    DUE = "due on"
    QUANTITY = "quantity"
    UNIT = "unit"
    REFERENCE = "reference"
    FOUND = "as found"
    LEFT = "as left"
    U = "expanded uncertainty"
    K = "coverage factor"


HEADER = (Column.LABORATORY, Column.ACCREDITATION, Column.CALIBRATED, Column.DUE)
LINE = (Column.QUANTITY, Column.UNIT, Column.REFERENCE, Column.FOUND, Column.LEFT, Column.U, Column.K)
FIGURES = (Column.REFERENCE, Column.FOUND, Column.LEFT, Column.U, Column.K)
OPTIONAL = (Column.ACCREDITATION, Column.FOUND, Column.K)
LONGEST = {Column.SERIAL: 60, Column.NUMBER: 80, Column.LABORATORY: 160, Column.ACCREDITATION: 80}
_OTHER_NAMES = {
    "serial": Column.SERIAL,
    "number": Column.NUMBER,
    "certificate number": Column.NUMBER,
    "u": Column.U,
    "uncertainty": Column.U,
    "k": Column.K,
}
_SEARCHED_ROWS = 20
_UNREADABLE = {
    CellKind.FORMULA: "is a formula; copy the column and paste it as values",
    CellKind.ERROR: "shows an error of the spreadsheet; put the value in",
    CellKind.DATE: "is a date cell; format the column as text and write the day as 2026-03-31",
    CellKind.BOOLEAN: "is TRUE or FALSE; write text or a number",
}
EXAMPLE = ("M-2041", "C-2026-118", "Name of the laboratory", "", "2026-02-03", "2027-02-03",
           "pressure", "Pa", "100.0", "100.4", "100.1", "0.5", "2")  # fmt: skip


def template(*, lines_only: bool = False) -> bytes:
    """A CSV file with the heads and one example row to be replaced."""
    columns = LINE if lines_only else tuple(Column)
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerow(EXAMPLE[-len(columns) :])
    return text.getvalue().encode()


@dataclass(frozen=True)
class Line:
    """One row: the figures as typed, and the point that they become."""

    row: int
    unit: Unit
    texts: Mapping[Column, str]
    point: Point


@dataclass(frozen=True)
class Sent:
    """One certificate of a table."""

    serial: str
    number: str
    laboratory: str
    accreditation: str
    calibrated_on: date
    due_on: date
    lines: tuple[Line, ...]
    row: int


@dataclass(frozen=True)
class Imported:
    """What an import entered or, of a preview, would enter: each certificate with its instrument."""

    certificates: tuple[tuple[Sent, Instrument], ...]
    notes: tuple[str, ...]
    stored: tuple[Certificate, ...] = ()


def read_lines(data: bytes) -> list[Line]:
    """The lines of one certificate. Raises TooLarge, or Invalid whose faults name each cell."""
    reader = _Reader(read_sheet(data), LINE)
    found = [line for row in reader.rows() if (line := reader.line(row)) is not None]
    reader.faults.raise_any(WHAT)
    if not 1 <= len(found) <= MOST_POINTS:
        raise Invalid(
            gettext("%(what)s: a certificate has 1 to %(most_points)s lines.")
            % {"what": WHAT, "most_points": MOST_POINTS},
            [Fault("file", gettext("has none"))],
        )
    return found


def preview(actor: Actor, data: bytes) -> Imported:
    """What `enter_certificates` would do, or all that is wrong. Stores nothing. Raises as it does."""
    require(actor, Action.MANAGE_INSTRUMENTS)
    with transaction.atomic():
        made = _enter(actor, data)
        transaction.set_rollback(True)
    return Imported(made.certificates, made.notes)


@transaction.atomic
def enter_certificates(actor: Actor, data: bytes) -> Imported:
    """Enters every certificate of a table, all or nothing.

    Raises TooLarge, or Invalid whose faults name each cell and say what to do.
    """
    require(actor, Action.MANAGE_INSTRUMENTS)
    return _enter(actor, data)


def _enter(actor: Actor, data: bytes) -> Imported:
    sheet = read_sheet(data)
    reader = _Reader(sheet, tuple(Column))
    sent = list(_certificates(reader))
    tools = _tools(actor, sent, reader)
    reader.faults.raise_any(WHAT)
    if not sent:
        raise Invalid(
            gettext("%(what)s: it has no rows.") % {"what": WHAT},
            [Fault("file", gettext("has nothing below the heads"))],
        )
    stored = [_store(actor, one, tools[one.serial], reader) for one in sent]
    reader.faults.raise_any(WHAT)
    pairs = tuple((one, tools[one.serial]) for one in sent)
    return Imported(pairs, sheet.notes, tuple(one for one in stored if one is not None))


def _store(actor: Actor, one: Sent, tool: Instrument, reader: "_Reader") -> Certificate | None:
    """Enters one; what the action refuses is put at its cell, and the others are looked at all the same."""
    try:
        with transaction.atomic():
            return enter_certificate(
                actor,
                instrument_id=tool.id,
                number=one.number,
                laboratory=one.laboratory,
                accreditation=one.accreditation,
                calibrated_on=one.calibrated_on,
                due_on=one.due_on,
                points=[line.point for line in one.lines],
            )
    except DomainError as error:
        for fault in error.faults or [Fault("", error.detail)]:
            row, column = _place(fault.pointer, one)
            reader.fault(row, column, fault.detail if error.faults else error.detail)
        return None


_BY_POINTER = {
    "number": Column.NUMBER,
    "laboratory": Column.LABORATORY,
    "accreditation": Column.ACCREDITATION,
    "calibrated_on": Column.CALIBRATED,
    "due_on": Column.DUE,
    "quantity": Column.QUANTITY,
    "reference": Column.REFERENCE,
    "as_found": Column.FOUND,
    "as_left": Column.LEFT,
    "expanded_uncertainty": Column.U,
    "coverage_factor": Column.K,
}


def _place(pointer: str, one: Sent) -> tuple[int, Column]:
    steps = pointer.strip("/").split("/")
    if steps[0] == "points" and len(steps) > 1 and steps[1].isdigit():
        row = one.lines[int(steps[1])].row
        return row, _BY_POINTER.get(steps[2] if len(steps) > 2 else "", Column.REFERENCE)
    return one.row, _BY_POINTER.get(steps[0], Column.NUMBER)


def _tools(actor: Actor, sent: Sequence[Sent], reader: "_Reader") -> dict[str, Instrument]:
    """The instruments by serial number; an unknown one is a fault at its cell."""
    serials = {one.serial for one in sent}
    tools = {tool.serial: tool for tool in visible_instruments(actor).filter(serial__in=serials)}
    for one in sent:
        if one.serial not in tools:
            reader.fault(
                one.row, Column.SERIAL, f"no instrument has the number '{one.serial[:30]}'; add it first"
            )
    return tools


# Rows to certificates


def _certificates(reader: "_Reader") -> Iterator[Sent]:
    """Certificates in their order; one with faults is left out and told of in the reader's faults."""
    groups = _groups(reader)
    if len(groups) > MOST_CERTIFICATES:
        raise refuse(
            "file",
            gettext("has more than %(most_certificates)s certificates; split it")
            % {"most_certificates": MOST_CERTIFICATES},
        )
    for (serial, number), rows in groups.items():
        before = reader.count
        head = _head(reader, rows)
        lines = tuple(line for row in rows if (line := reader.line(row)) is not None)
        if reader.count == before:
            yield Sent(
                serial,
                number,
                head[Column.LABORATORY],
                head[Column.ACCREDITATION],
                date.fromisoformat(head[Column.CALIBRATED]),
                date.fromisoformat(head[Column.DUE]),
                lines,
                rows[0],
            )


def _groups(reader: "_Reader") -> dict[tuple[str, str], list[int]]:
    """Rows of each certificate. Those of one stand together: apart, a copied row would go unseen."""
    groups: dict[tuple[str, str], list[int]] = {}
    last = None
    for row in reader.rows():
        key = (reader.words(row, Column.SERIAL), reader.words(row, Column.NUMBER))
        if not all(key):
            for column, text in zip((Column.SERIAL, Column.NUMBER), key, strict=True):
                if not text and reader.cell(row, column) is None:
                    reader.fault(row, column, f"is empty; write the {column} in each row")
            continue
        if key in groups and key != last:
            reader.fault(row, Column.NUMBER, "stands above already; put the rows of one certificate together")
            continue
        groups.setdefault(key, []).append(row)
        last = key
    return groups


def _head(reader: "_Reader", rows: Sequence[int]) -> dict[Column, str]:
    """What is said of the certificate: in its first row, and nowhere otherwise."""
    head = {column: reader.words(rows[0], column) for column in HEADER}
    for column, text in head.items():
        if not text and column not in OPTIONAL and reader.cell(rows[0], column) is None:
            reader.fault(rows[0], column, f"is empty; the first row of a certificate gives its {column}")
        if text and column in (Column.CALIBRATED, Column.DUE):
            reader.day(rows[0], column, text)
        for row in rows[1:]:
            other = reader.words(row, column)
            if other and other != text:
                reader.fault(row, column, f"is '{other[:30]}', but '{text[:30]}' in the first row; which?")
    return head


@dataclass
class _Reader:
    """Cells of a sheet by column, with what is wrong at each."""

    sheet: Sheet
    columns: Sequence[Column]
    faults: Faults = field(default_factory=Faults)
    places: dict[Column, int] = field(default_factory=dict)
    figures: dict[tuple[int, Column], Typed] = field(default_factory=dict)
    mark: Mark | None = None
    head: int = 0

    def __post_init__(self) -> None:
        self._find_heads()
        self.faults.raise_any(WHAT)
        self._settle_decimal_mark()

    @property
    def count(self) -> int:
        return len(self.faults.found) + self.faults.more

    def rows(self) -> list[int]:
        """Rows below the heads in which something stands."""
        return [
            row
            for row in sorted(self.sheet.rows)
            if row > self.head and any(self.cell(row, column) for column in self.places)
        ]

    def cell(self, row: int, column: Column) -> Cell | None:
        place = self.places.get(column)
        return None if place is None else self.sheet.rows[row].get(place)

    def fault(self, row: int, column: Column, detail: str) -> None:
        place = self.places.get(column)
        self.faults.add(f"row {row}" if place is None else cell_name(row, place), detail)

    def _find_heads(self) -> None:
        first = sorted(self.sheet.rows)[:_SEARCHED_ROWS]
        known = {
            row: len({self._column(c.text) for c in self.sheet.rows[row].values()} - {None}) for row in first
        }
        self.head = max(first, key=lambda row: known[row], default=0)
        if not self.head or known[self.head] < 2:
            needed = ", ".join(column for column in self.columns if column not in OPTIONAL)
            raise refuse(
                gettext("row 1"),
                gettext("no row of column heads was found; it must name at least: %(needed)s")
                % {"needed": needed},
            )
        for place, cell in sorted(self.sheet.rows[self.head].items()):
            column = self._column(cell.text)
            if column is None:
                self._check_misspelt(cell, place)
            elif column in self.places:
                self.faults.add(cell_name(self.head, place), f"is a second column '{column}'; keep one")
            else:
                self.places[column] = place
        for column in self.columns:
            if column not in self.places and column not in OPTIONAL:
                self.faults.add(f"row {self.head}", f"has no column '{column}'; add it")

    def _column(self, text: str) -> Column | None:
        words = " ".join(text.casefold().replace("_", " ").split())
        found = _OTHER_NAMES.get(words) or next((one for one in Column if one == words), None)
        return found if found in self.columns else None

    def _check_misspelt(self, cell: Cell, place: int) -> None:
        near = difflib.get_close_matches(cell.text.casefold()[:40], list(self.columns), n=1, cutoff=0.8)
        if near:
            where = cell_name(self.head, place)
            self.faults.add(where, f"'{cell.text[:30]}' is no known head; write '{near[0]}'")

    def _settle_decimal_mark(self) -> None:
        """Figures that are clear decide for those that are not, as in a design schedule."""
        for row in self.rows():
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
                        row, column, f"has a {other.words}, other cells a {self.mark.words}; use one of them"
                    )

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
        return cell.text

    def day(self, row: int, column: Column, text: str) -> None:
        try:
            wrong = date.fromisoformat(text).isoformat() != text
        except ValueError:
            wrong = True
        if wrong:
            self.fault(row, column, f"'{text[:20]}' is no day that has one meaning; write 2026-03-31")

    def line(self, row: int) -> Line | None:
        """A row's figures; nothing where it has a fault."""
        before = self.count
        quantity = self._quantity(row)
        unit = self._unit(row, quantity) if quantity else None
        figures = {column: self._figure(row, column) for column in FIGURES}
        for column in FIGURES:
            if column not in OPTIONAL and self.cell(row, column) is None:
                self.fault(row, column, "is empty; each line has one")
        if self.count > before or quantity is None or unit is None:
            return None
        return _line(row, quantity, unit, figures)

    def _quantity(self, row: int) -> Quantity | None:
        text = self.words(row, Column.QUANTITY).casefold().replace(" ", "_")
        if text in Quantity.values:
            return Quantity(text)
        if text or self.cell(row, Column.QUANTITY) is None:
            known = ", ".join(Quantity.values)
            self.fault(row, Column.QUANTITY, f"'{text[:30]}' is not known here; write one of {known}")
        return None

    def _unit(self, row: int, quantity: Quantity) -> Unit | None:
        text = self.words(row, Column.UNIT)
        if not text and self.cell(row, Column.UNIT) is not None:
            return None
        try:
            return find_unit(text, quantity)
        except UnknownUnit as error:
            self.fault(row, Column.UNIT, str(error))
            return None

    def _figure(self, row: int, column: Column) -> Figure | None:
        cell = self.cell(row, column)
        if cell is None:
            return None
        if cell.kind in _UNREADABLE:
            self.fault(row, column, _UNREADABLE[cell.kind])
            return None
        if cell.kind is CellKind.PERCENT:
            self.fault(row, column, "is formatted as a percentage; write the number and put % as the unit")
            return None
        if cell.number is not None:
            return Figure(cell.number, cell.text)
        typed = self.figures.get((row, column))
        try:
            if typed is None:
                return None
            if typed.unit:
                raise NoFigure(
                    gettext("has '%(unit)s' behind the number; the unit has a column of its own")
                    % {"unit": typed.unit[:20]}
                )
            return Figure(typed.value(self.mark), cell.text)
        except NoFigure as error:
            self.fault(row, column, str(error))
            return None


def _line(row: int, quantity: Quantity, unit: Unit, figures: Mapping[Column, Figure | None]) -> Line | None:
    reference, left, u = figures[Column.REFERENCE], figures[Column.LEFT], figures[Column.U]
    if reference is None or left is None or u is None:
        return None
    factor = figures[Column.K]
    point = line_point(
        quantity,
        unit,
        reference=reference,
        as_found=figures[Column.FOUND],
        as_left=left,
        expanded_uncertainty=u,
        coverage_factor=2.0 if factor is None else factor.value,
    )
    texts: dict[Column, Any] = {column: one.text for column, one in figures.items() if one is not None}
    return Line(row, unit, texts, point)
