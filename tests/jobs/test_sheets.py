"""Files as cells: what spreadsheets write is read, what is hostile costs nothing."""

import io
import re
import subprocess
import sys
from datetime import date
from pathlib import Path
from time import process_time

import openpyxl
import pytest

from jobs.errors import Invalid, TooLarge
from jobs.sheets import CellKind, Sheet, read_sheet
from tests.jobs.sheets import (
    HEADS,
    PACKAGE,
    RELS,
    SMALL,
    csv_of,
    hard_to_pack,
    hostile,
    saved,
    sheet_xml,
    xlsx_of,
    zipped,
)

SECONDS, MEBIBYTES = 2.0, 200


def texts(sheet: Sheet) -> list[list[str]]:
    return [[cell.text for _, cell in sorted(cells.items())] for _, cells in sorted(sheet.rows.items())]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_separators_and_encodings(separator: str, encoding: str) -> None:
    data = csv_of([["AHU-1", "Café"]], ["system", "location"], separator).decode().encode(encoding)
    sheet = read_sheet(data)
    assert texts(sheet) == [["system", "location"], ["AHU-1", "Café"]]
    assert bool(sheet.notes) is (encoding == "cp1252")


def test_the_windows_note_says_what_to_look_at() -> None:
    assert "Windows-1252" in read_sheet("system,tag\nA,é".encode("cp1252")).notes[0]


def test_quoted_separators_line_ends_and_blank_rows_keep_row_numbers() -> None:
    sheet = read_sheet(b'sep=;\r\na;b\r\n\r\n"x; ""y""\nz";2\r\n')
    assert sorted(sheet.rows) == [2, 4]
    assert sheet.rows[4][0].text == 'x; "y" z'


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b" \r\n", "is empty"),
        (b"system,tag\nA\x00B,1", "control character U[+]0000"),
        (b"system,tag\nA\x07,1", "control character U[+]0007"),
        (b"system,\xff\x00\x81", "NUL bytes"),
        (b"system,\x81", "damaged or no text"),
        (b'system,tag\n"A,1\n', "is not CSV"),
        ("system,tag".encode("utf-16-le"), "control character U[+]0000"),
        (b"%PDF-1.7", "is a PDF"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "old or password-protected"),
        (b"PK\x03\x04 not a zip", "is damaged"),
        (b"a" + b",b" * 61, "beyond column 60"),
        (b"a,b\n" * 10_002, "more than 10000 rows"),
    ],
)
def test_what_is_no_table_is_refused_with_a_reason(data: bytes, words: str) -> None:
    with pytest.raises(Invalid) as caught:
        read_sheet(data)
    assert re.search(words, caught.value.faults[0].detail)


def test_too_many_bytes() -> None:
    with pytest.raises(TooLarge, match="at most 2097152"):
        read_sheet(b"a" * (2 * 1024 * 1024 + 1))


def test_a_workbook_reads_as_openpyxl_reads_it() -> None:
    data = xlsx_of(SMALL)
    sheet = read_sheet(data)
    expected = openpyxl.load_workbook(io.BytesIO(data)).active
    for row in expected.iter_rows():
        for cell in row:
            ours = sheet.rows.get(cell.row, {}).get(cell.column - 1)
            assert (ours.number if ours and ours.number is not None else ours and ours.text) == cell.value


def test_kinds_of_cells() -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["tag", 0.1, date(2026, 1, 2), "=1+1", True, "#N/A", 12.5, "_x0041_"])
    sheet["B1"].number_format = "0.0%"
    sheet["G1"].number_format = '0.0 "mm"'
    cells = read_sheet(saved(book)).rows[1]
    kinds = ["TEXT", "PERCENT", "DATE", "FORMULA", "BOOLEAN", "ERROR", "NUMBER"]
    assert [cells[column].kind for column in range(7)] == [CellKind[kind] for kind in kinds]
    assert cells[1].text == "10 %"
    assert cells[6].number == 12.5


def test_the_first_visible_sheet_counts_and_others_are_told() -> None:
    book = openpyxl.Workbook()
    book.active.sheet_state = "hidden"
    book.create_sheet("Levels 1-3").append(["here"])
    book.create_sheet("Old")
    sheet = read_sheet(saved(book))
    assert texts(sheet) == [["here"]]
    assert "'Levels 1-3'" in sheet.notes[0]


PAD = hard_to_pack()
LINKS = (
    f'<Relationships xmlns="{PACKAGE}">'
    f'<Relationship Id="r1" Type="{RELS}/worksheet" Target="worksheets/sheet1.xml"/>'
    f'<Relationship Id="r3" Type="{RELS}/styles" Target="styles.xml"/></Relationships>'
)
HARMLESS = {"one long text"}  # cut, then refused as a cell that is too long
BILLION = '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'
ENTITY = '<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'
INLINE = '<row r="1"><c r="A1" t="inlineStr"><is><t>{}</t></is></c></row>'


def deep_zip() -> bytes:
    """1 MB that claims to be a sheet of gigabytes: many parts of zeros."""
    return hostile(sheet_xml(INLINE), **{f"xl/media/{n}.bin": bytes(20_000_000) for n in range(4)})


HOSTILE = {
    "zip bomb in the sheet": lambda: hostile(bytes(23_000_000)),
    "zip bomb beside the sheet": deep_zip,
    "one long text": lambda: hostile(sheet_xml(INLINE.format("x" * 23_000_000) + PAD)),
    "one long attribute": lambda: hostile(sheet_xml(PAD + f'<row r="{"9" * 20_000_000}"/>')),
    "many members": lambda: zipped({f"{n}.xml": "" for n in range(2000)}),
    "endless rows": lambda: hostile(sheet_xml(PAD + "<row/>" * 3_000_000)),
    "endless empty cells": lambda: hostile(sheet_xml(PAD + '<row r="1">' + "<c/>" * 3_000_000 + "</row>")),
    "many filled rows": lambda: hostile(sheet_xml(PAD + "<row><c><v>1</v></c></row>" * 200_000)),
    "many shared strings": lambda: hostile(
        sheet_xml(""), strings=f"<sst>{PAD}" + "<si/>" * 3_000_000 + "</sst>"
    ),
    "million sheets": lambda: hostile(
        sheet_xml(""), **{"xl/workbook.xml": f"<w>{PAD}" + '<sheet name="a"/>' * 1_000_000 + "</w>"}
    ),
    "entities that grow": lambda: hostile(BILLION + sheet_xml(INLINE.format("&b;"))),
    "entity from outside": lambda: hostile(ENTITY + sheet_xml(INLINE.format("&e;"))),
    "entity in strings": lambda: hostile(sheet_xml(""), strings=ENTITY + "<sst><si><t>&e;</t></si></sst>"),
    "no sheet": lambda: zipped({"xl/workbook.xml": "<workbook/>"}),
    "broken XML": lambda: hostile("<worksheet><sheetData><row>"),
    "string without a number": lambda: hostile(sheet_xml('<row r="1"><c r="A1" t="s"><v>9</v></c></row>')),
    "column beyond all": lambda: hostile(sheet_xml('<row r="1"><c r="ZZZ1"><v>1</v></c></row>')),
    "row that lies": lambda: hostile(sheet_xml('<row r="1"><c r="A2"><v>1</v></c></row>')),
    "row of letters": lambda: hostile(sheet_xml('<row r="x"><c><v>1</v></c></row>')),
    "not a number": lambda: hostile(sheet_xml('<row r="1"><c r="A1"><v>NaN</v></c></row>')),
    "infinite": lambda: hostile(sheet_xml('<row r="1"><c r="A1"><v>1e999</v></c></row>')),
    "deep tags": lambda: hostile("<a>" + PAD + "<a>" * 2_000_000),
    "styles without end": lambda: hostile(
        sheet_xml(INLINE.format("x")),
        **{
            "xl/styles.xml": f"<s>{PAD}<cellXfs>" + "<xf/>" * 4_000_000 + "</cellXfs></s>",
            "xl/_rels/workbook.xml.rels": LINKS,
        },
    ),
    "path out of the archive": lambda: hostile(
        sheet_xml(""), **{"xl/_rels/workbook.xml.rels": '<R><Relationship Id="r1" Target="../../../x"/></R>'}
    ),
}


CHILD = """
import resource, sys, time
from django.conf import settings
settings.configure(USE_I18N=False)
from jobs.errors import DomainError
from jobs.sheets import read_sheet
data = open(sys.argv[1], "rb").read()
have = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (have + int(sys.argv[2]), have + int(sys.argv[2])))
start = time.process_time()
try:
    print(0, "rows:", len(read_sheet(data).rows), end=" ")
except DomainError as error:
    print(error.status, *(fault.pointer + " " + fault.detail for fault in error.faults), end=" ")
print("|", time.process_time() - start)
"""


@pytest.mark.parametrize("name", HOSTILE)
def test_E1_hostile_workbooks_are_refused_within_time_and_memory(name: str, tmp_path: Path) -> None:
    """In a process that has only so much memory left and counts its own seconds of processor."""
    (tmp_path / "x").write_bytes(HOSTILE[name]())
    command = [sys.executable, "-c", CHILD, str(tmp_path / "x"), str(MEBIBYTES * 2**20)]
    ran = subprocess.run(command, capture_output=True, text=True, check=True)
    outcome, _, seconds = ran.stdout.partition("|")
    assert outcome.split()[0] in ("413", "422") or name in HARMLESS, outcome
    assert "root:" not in outcome
    assert float(seconds) < SECONDS


def test_E2_a_declared_size_of_the_whole_sheet_does_not_matter() -> None:
    cells = "".join(f'<c r="{name}1" t="inlineStr"><is><t>{name}</t></is></c>' for name in "ABC")
    data = hostile(sheet_xml(f'<row r="1">{cells}</row>', before='<dimension ref="A1:XFD1048576"/>'))
    start = process_time()
    assert texts(read_sheet(data)) == [["A", "B", "C"]]
    assert process_time() - start < SECONDS


def test_E1_one_long_string_used_everywhere_is_cut_not_copied() -> None:
    strings = f"<sst>{PAD}<si><t>" + "x" * 5_000_000 + "</t></si></sst>"
    cells = "".join('<row><c t="s"><v>0</v></c></row>' for _ in range(5000))
    sheet = read_sheet(hostile(sheet_xml(cells), strings=strings))
    assert max(len(cell.text) for row in sheet.rows.values() for cell in row.values()) <= 1001


def test_ten_thousand_rows_are_read_in_time() -> None:
    rows = [[*SMALL[0][:3], f"T-{n}", *SMALL[0][4:]] for n in range(10_000)]
    for data in (xlsx_of(rows), csv_of(rows)):
        start = process_time()
        assert len(read_sheet(data).rows) == 10_001
        assert process_time() - start < SECONDS
    assert len(HEADS) == 17
