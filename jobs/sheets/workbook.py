"""XLSX (ISO/IEC 29500): the first visible sheet's cells, and what their number formats make of them.

A reader of our own, because the general ones load styles, strings and names of any size before the first
cell: this one counts as it goes and stops at its limits.
"""

import math
import re

from django.utils.translation import gettext

from jobs.sheets.grid import (
    MOST_COLUMNS,
    MOST_ROWS,
    MOST_TEXT,
    Cell,
    CellKind,
    Sheet,
    cell_name,
    refuse,
    tidy,
)
from jobs.sheets.package import BOMB, DAMAGED, Package, Stop, relations

MOST_CELLS = 620_000
MOST_EMPTY_ROWS = 100_000
MOST_STRINGS = 300_000
_PERCENT_FORMATS = {9, 10}
_DATE_FORMATS = {*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)}
_LITERAL = re.compile(r'"[^"]*"|\\.|_.|\*.|\[(?!h+\]|m+\]|s+\])[^\]]*\]')
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_REFERENCE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6})")


def read_workbook(data: bytes) -> Sheet:
    """The first visible sheet. Raises Invalid when the file is damaged, locked, a bomb or has no sheet."""
    package = Package(data)
    book_path = relations(package, "").by_type.get("officeDocument", "xl/workbook.xml")
    links = relations(package, book_path)
    book = _Book()
    package.read(book_path, book)
    if not book.visible:
        raise refuse("file", gettext("has no visible sheet"))
    name, link = book.visible[0]
    strings, styles = _Strings(), _Styles()
    for handler, kind in ((strings, "sharedStrings"), (styles, "styles")):
        if package.has(links.by_type.get(kind, "")):
            package.read(links.by_type[kind], handler)
    cells = _Cells(strings.found, styles.kinds())
    package.read(links.by_id.get(link, ""), cells)
    return Sheet(cells.rows, tuple(_notes(name, len(book.visible) - 1, cells.hidden)))


def _notes(name: str, others: int, hidden: int) -> list[str]:
    notes = []
    if others:
        notes.append(f"Only the first visible sheet, '{name[:40]}', was read; {others} more were not.")
    if hidden:
        notes.append(f"{hidden} rows that are hidden in the sheet were read too.")
    return notes


class _Book:
    """Visible sheets in order: (name, relation)."""

    def __init__(self) -> None:
        self.visible: list[tuple[str, str]] = []

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "sheet" and attributes.get("state", "visible") == "visible" and len(self.visible) < 1000:
            link = next((value for key, value in attributes.items() if key.endswith(" id")), "")
            self.visible.append((attributes.get("name", ""), link))

    def end(self, name: str) -> None: ...

    def text(self, data: str) -> None: ...


class _Strings:
    """The shared strings; of rich text the words, of phonetic hints nothing. Long ones are cut."""

    def __init__(self) -> None:
        self.found: list[str] = []
        self.parts: list[str] = []
        self.length, self.taking, self.hint = 0, False, False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "si":
            self.parts, self.length = [], 0
        elif name == "rPh":
            self.hint = True
        elif name == "t":
            self.taking = not self.hint

    def end(self, name: str) -> None:
        if name == "t":
            self.taking = False
        elif name == "rPh":
            self.hint = False
        elif name == "si":
            if len(self.found) >= MOST_STRINGS:
                raise refuse("file", BOMB)
            self.found.append("".join(self.parts))

    def text(self, data: str) -> None:
        if self.taking and self.length <= MOST_TEXT:
            self.parts.append(data[: MOST_TEXT + 1])
            self.length += len(data)


class _Styles:
    """Whether each cell format shows a number, a percentage or a date."""

    def __init__(self) -> None:
        self.formats: dict[int, str] = {}
        self.used: list[int] = []
        self.inside = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "numFmt":
            self.formats[int(attributes["numFmtId"])] = attributes.get("formatCode", "")
        elif name == "cellXfs":
            self.inside = True
        elif name == "xf" and self.inside:
            self.used.append(int(attributes.get("numFmtId", 0)))
            if len(self.used) > 65_536:
                raise refuse("file", BOMB)

    def end(self, name: str) -> None:
        if name == "cellXfs":
            raise Stop

    def text(self, data: str) -> None: ...

    def kinds(self) -> list[CellKind]:
        known: dict[int, CellKind] = {}
        for number in set(self.used):
            known[number] = _kind(number, self.formats.get(number, ""))
        return [known[number] for number in self.used]


def _kind(number: int, code: str) -> CellKind:
    """A number format's meaning by its built-in number, else by its code without literals."""
    plain = _LITERAL.sub("", code[:200]).lower()
    if number in _PERCENT_FORMATS or "%" in plain:
        return CellKind.PERCENT
    if number in _DATE_FORMATS or re.search("[ymdhs]", plain):
        return CellKind.DATE
    return CellKind.NUMBER


class _Cells:
    """The sheet's cells by row and column."""

    def __init__(self, strings: list[str], kinds: list[CellKind]) -> None:
        self.strings, self.kinds = strings, kinds
        self.rows: dict[int, dict[int, Cell]] = {}
        self.columns: dict[str, int] = {}
        self.row = self.column = self.seen = self.seen_rows = self.hidden = 0
        self.type, self.style, self.formula, self.taking = "n", 0, False, False
        self.parts: list[str] = []

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "c":
            self._open(attributes)
        elif name in ("v", "t"):
            self.taking = True
        elif name == "f":
            self.formula = True
        elif name == "row":
            self._open_row(attributes)

    def end(self, name: str) -> None:
        if name in ("v", "t"):
            self.taking = False
        elif name == "c":
            self._close()
        elif name == "sheetData":
            raise Stop

    def text(self, data: str) -> None:
        if self.taking:
            self.parts.append(data[: MOST_TEXT + 1])

    def _open_row(self, attributes: dict[str, str]) -> None:
        self.row, self.column = int(attributes.get("r", self.row + 1)), -1
        self.hidden += attributes.get("hidden") in ("1", "true")
        self.seen_rows += 1
        if self.seen_rows > MOST_EMPTY_ROWS:
            raise refuse(
                "file", gettext("has too many rows, most of them empty; copy the table into a new workbook")
            )

    def _open(self, attributes: dict[str, str]) -> None:
        self.seen += 1
        if self.seen > MOST_CELLS:
            raise refuse(
                "file", gettext("has too many cells, most of them empty; copy the table into a new workbook")
            )
        reference = attributes.get("r")
        self.column = self._place(reference) if reference else self.column + 1
        self.type, self.style = attributes.get("t", "n"), int(attributes.get("s", 0))
        self.formula, self.parts = False, []

    def _place(self, reference: str) -> int:
        found = _REFERENCE.fullmatch(reference)
        if found is None or int(found.group(2)) != self.row:
            raise refuse("file", DAMAGED)
        letters = found.group(1)
        if letters not in self.columns:
            number = 0
            for letter in letters:
                number = number * 26 + ord(letter) - 64
            self.columns[letters] = number - 1
        return self.columns[letters]

    def _close(self) -> None:
        if not self.parts and not self.formula:
            return
        cell = self._cell("".join(self.parts))
        if not cell.text and cell.kind is not CellKind.FORMULA:
            return
        if self.column >= MOST_COLUMNS:
            where = cell_name(self.row, self.column)
            raise refuse(
                where,
                gettext("lies beyond column %(most_columns)s; delete what is not needed")
                % {"most_columns": MOST_COLUMNS},
            )
        if self.row not in self.rows and len(self.rows) > MOST_ROWS:
            raise refuse(
                f"A{self.row}",
                gettext("there are more than %(most_rows)s rows; split the file") % {"most_rows": MOST_ROWS},
            )
        self.rows.setdefault(self.row, {})[self.column] = cell

    def _cell(self, raw: str) -> Cell:
        if self.formula:
            return Cell(raw[:40], CellKind.FORMULA)
        if self.type == "n":
            return self._number(raw)
        if self.type in ("s", "inlineStr", "str"):
            text = self.strings[self._index(raw)] if self.type == "s" else raw
            return Cell(tidy(_unescape(text), cell_name(self.row, self.column)))
        if self.type == "b":
            return Cell("TRUE" if raw.strip() == "1" else "FALSE", CellKind.BOOLEAN)
        return Cell(raw[:40], CellKind.DATE if self.type == "d" else CellKind.ERROR)

    def _number(self, raw: str) -> Cell:
        if not raw.strip():
            return Cell("")
        number = float(raw)
        if not math.isfinite(number):
            raise refuse(cell_name(self.row, self.column), gettext("is no finite number; type it anew"))
        kind = self.kinds[self.style] if 0 <= self.style < len(self.kinds) else CellKind.NUMBER
        shown = f"{number * 100:.15g} %" if kind is CellKind.PERCENT else f"{number:.15g}"
        return Cell(shown, kind, number)

    def _index(self, raw: str) -> int:
        index = int(raw)
        if not 0 <= index < len(self.strings):
            raise refuse("file", DAMAGED)
        return index


def _unescape(text: str) -> str:
    """_x000D_ and the like as the characters they stand for."""
    return _ESCAPED.sub(lambda found: chr(int(found.group(1), 16)), text) if "_x" in text else text
