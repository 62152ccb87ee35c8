"""CSV as spreadsheets write it: any of three separators, four encodings."""

import codecs
import csv
import io
import re
from collections.abc import Iterator

from django.utils.translation import gettext

from jobs.sheets.grid import MOST_COLUMNS, MOST_ROWS, Cell, CellKind, Sheet, cell_name, refuse, tidy
from jobs.sheets.inert import plain

SEPARATORS = ",;\t"
_MARKED = re.compile(r"sep=([,;\t])\r?\n")
_BOMS = {
    codecs.BOM_UTF32_LE: "utf-32",
    codecs.BOM_UTF32_BE: "utf-32",
    codecs.BOM_UTF8: "utf-8-sig",
    codecs.BOM_UTF16_LE: "utf-16",
    codecs.BOM_UTF16_BE: "utf-16",
}
_SNIFFED_LINES = 30


def read_text(data: bytes) -> Sheet:
    """The cells of a CSV file. Raises Invalid when it is no text or no table."""
    text, notes = decode(data)
    skipped = 0
    marked = _MARKED.match(text)
    if marked:
        text, skipped = text[marked.end() :], 1
    separator = marked.group(1) if marked else sniff(text)
    rows = {
        number + skipped: cells for number, cells in enumerate(_records(text, separator, skipped), 1) if cells
    }
    return Sheet(rows, tuple(notes))


def decode(data: bytes) -> tuple[str, list[str]]:
    """The text and what to tell people about its encoding."""
    for mark, encoding in _BOMS.items():
        if data.startswith(mark):
            return _decode(data, encoding), []
    try:
        return data.decode("utf-8"), []
    except UnicodeDecodeError:
        if b"\x00" in data:
            raise refuse(
                "file", gettext("has NUL bytes: it is no text file, or UTF-16 without its mark")
            ) from None
        return _decode(data, "cp1252"), [
            "The file is not UTF-8; it was read as Windows-1252. If letters such as é look wrong, save it as "
            "'CSV UTF-8'."
        ]


def _decode(data: bytes, encoding: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError:
        raise refuse(
            "file",
            gettext("is damaged or no text (%(encoding)s was tried); save it as 'CSV UTF-8'")
            % {"encoding": encoding},
        ) from None


def sniff(text: str) -> str:
    """The separator that gives the widest table in the first lines; the comma when none does."""
    start = "".join(text.splitlines(keepends=True)[:_SNIFFED_LINES])
    return max(SEPARATORS, key=lambda separator: _width(start, separator))


def _width(text: str, separator: str) -> int:
    """Cells in the row with the most filled ones; quoted separators do not count."""
    try:
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        return max((sum(1 for cell in row if cell.strip()) for row in rows), default=0)
    except csv.Error:
        return 0


def _records(text: str, separator: str, skipped: int) -> Iterator[dict[int, Cell]]:
    filled = 0
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        for number, record in enumerate(reader, 1 + skipped):
            cells = _cells(record, number)
            filled += bool(cells)
            if filled > MOST_ROWS + 1:
                raise refuse(
                    f"A{number}",
                    gettext("there are more than %(most_rows)s rows; split the file")
                    % {"most_rows": MOST_ROWS},
                )
            yield cells
    except csv.Error as error:
        raise refuse(
            f"line {reader.line_num}",
            gettext("is not CSV: %(error)s; look for a stray quotation mark") % {"error": error},
        ) from None


def _cells(record: list[str], row: int) -> dict[int, Cell]:
    cells = {}
    for column, raw in enumerate(record):
        text = tidy(raw, cell_name(row, column))
        if not text:
            continue
        if column >= MOST_COLUMNS:
            raise refuse(
                cell_name(row, column),
                gettext("lies beyond column %(most_columns)s; delete what is not needed")
                % {"most_columns": MOST_COLUMNS},
            )
        kind = CellKind.FORMULA if text.startswith("=") else CellKind.TEXT
        cells[column] = Cell(plain(text), kind)
    return cells
