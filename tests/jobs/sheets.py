"""Makes workbooks for tests: honest ones by openpyxl, hostile ones by hand."""

import io
import random
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import openpyxl

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
RELS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"

HEADS = [
    *("system", "system name", "system kind", "tag", "kind", "parent", "location", "shape"),
    *("width", "height", "diameter", "size unit", "design flow", "flow unit", "density basis"),
    *("tolerance below %", "tolerance above %"),
]
SMALL = [
    ["AHU-7", "Halls", "supply", "MD-1", "plane", "", "Plant", "rectangular", 500, 400, "", "mm", 900, "L/s",
     "actual", 5, 10],
    ["AHU-7", "", "", "BD-1", "plane", "MD-1", "", "round", "", "", 250, "mm", 270, "L/s",
     "standard", "", ""],
    ["AHU-7", "", "", "S-1", "outlet", "BD-1", "Room 1", "", "", "", "", "", 90, "L/s", "actual", "", ""],
]  # fmt: skip


def csv_of(rows: Iterable[Sequence[Any]], heads: Sequence[str] = HEADS, separator: str = ",") -> bytes:
    """A CSV file; cells must not hold the separator."""
    return "\r\n".join(separator.join(map(str, row)) for row in [heads, *rows]).encode()


def xlsx_of(rows: Iterable[Sequence[Any]], heads: Sequence[str] = HEADS, **formats: str) -> bytes:
    """A workbook by openpyxl; `formats` gives number formats by cell, e.g. P2="0%"."""
    book = openpyxl.Workbook()
    sheet = book.active
    for row in [heads, *rows]:
        sheet.append([None if cell == "" else cell for cell in row])
    for cell, code in formats.items():
        sheet[cell].number_format = code
    return saved(book)


def saved(book: openpyxl.Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def zipped(parts: Mapping[str, bytes | str]) -> bytes:
    """An archive of given parts."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


def hostile(sheet: bytes | str, *, strings: bytes | str = "", **extra: bytes | str) -> bytes:
    """A workbook whose sheet (and shared strings) are given as XML; `extra` adds parts by path."""
    links = f'<Relationship Id="r1" Type="{RELS}/worksheet" Target="worksheets/sheet1.xml"/>'
    links += f'<Relationship Id="r2" Type="{RELS}/sharedStrings" Target="sharedStrings.xml"/>'
    parts: dict[str, bytes | str] = {
        "_rels/.rels": f'<Relationships xmlns="{PACKAGE}"><Relationship Id="r0" Type="{RELS}/officeDocument"'
        ' Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{RELS}"><sheets>'
        '<sheet name="A" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}">{links}</Relationships>',
        "xl/worksheets/sheet1.xml": sheet,
    }
    if strings:
        parts["xl/sharedStrings.xml"] = strings
    return zipped(parts | extra)


def hard_to_pack(size: int = 300_000) -> str:
    """A comment that lets the rest of a part unpack to much without an unlikely ratio."""
    return f"<!--{random.Random(7).randbytes(size // 2).hex()}-->"


def sheet_xml(cells: str, *, before: str = "") -> str:
    """A worksheet part with given content."""
    return f'<worksheet xmlns="{MAIN}">{before}<sheetData>{cells}</sheetData></worksheet>'
