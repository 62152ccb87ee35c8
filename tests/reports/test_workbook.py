"""The report as a spreadsheet: the figures of the PDF as numbers, nothing that would be run."""

import io

import msgspec
import openpyxl
import pytest

from reports import workbook
from reports.document import UnitSystem
from reports.render.figures import Figures
from tests.render import sample

CSV = (
    "system,point,session,method,measured_by,place,run,line,number,kind,quantity,value_si,unit_si,entered,unit,"
    "taken_at,instrument\r\n"
    "AHU-1,'=S-1,x,hood_reading,'+N. Body,,1,1,1,reading,flow,0.0896,m3/s,89.60,L/s,"
    "2026-11-20T09:00:00,H1\r\n"
)
HOSTILE = [
    '=HYPERLINK("http://x.example","y")',
    "+1",
    "-1+1",
    "@SUM(1)",
    "\t=1",
    "https://x.example",
    "{=1}",
    "12.5",
]


def opened(data: bytes) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(data))


@pytest.mark.parametrize("units", list(UnitSystem))
def test_every_figure_of_the_document_stands_there_as_a_number(units: UnitSystem) -> None:
    document = sample.sample(units)
    book = opened(workbook.write(document, sample.issue(), CSV.encode()))
    head, *rows = book["Figures"].iter_rows(values_only=True)
    at = {name: k for k, name in enumerate(head)}
    results = [
        *(s.result for y in document.systems for s in y.sheets),
        *(o.final for y in document.systems for o in y.outlets),
        *(c.result for y in document.systems for c in y.centrelines),
    ]
    listed = {o.anchor for y in document.systems for o in y.outlets}
    results += [t.result for y in document.systems for t in y.tests if t.anchor not in listed]
    assert len(rows) == len(results)
    figures = Figures(units)
    values = sorted(float(row[at["Value"]]) for row in rows)  # type: ignore[arg-type]
    wanted = sorted(figures.shown(one.quantity, one.value) for one in results)
    assert values == pytest.approx(wanted, rel=1e-12)
    verdicts = [row[at["Verdict"]] for row in rows]
    assert verdicts.count("Pass") == sum(one.verdict == "pass" for one in results)


@pytest.mark.parametrize("text", HOSTILE)
def test_no_text_becomes_a_formula_a_link_or_a_number(text: str) -> None:
    document = sample.sample()
    item = msgspec.structs.replace(document.deficiencies[0], tag=text, what=text, place=text)
    report = msgspec.structs.replace(document.report, project=text, note=text)
    hostile = msgspec.structs.replace(document, deficiencies=(item,), report=report, addressee=text)
    book = opened(workbook.write(hostile, sample.issue(), CSV.encode()))
    cells = [cell for page in book for row in page.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert not [cell for cell in cells if cell.hyperlink]
    assert [cell.value for cell in cells if cell.value == text]


def test_readings_keep_what_was_entered_and_lose_the_marks_of_the_csv() -> None:
    book = opened(workbook.write(sample.sample(), sample.issue(), CSV.encode()))
    head, row = book["Readings"].iter_rows(values_only=True)
    found = dict(zip(head, row, strict=True))
    assert (found["point"], found["measured_by"]) == ("=S-1", "+N. Body")
    assert found["value_si"] == 0.0896
    assert found["entered"] == "89.60"


def test_the_same_report_gives_the_same_bytes() -> None:
    first, second = (workbook.write(sample.sample(), sample.issue(), CSV.encode()) for _ in range(2))
    assert first == second


def test_a_draft_without_readings_is_a_workbook_too() -> None:
    book = opened(workbook.write(sample.small(), None, b""))
    assert "Draft, not issued" in [cell.value for row in book["Report"].iter_rows() for cell in row]
    assert "Readings" not in book.sheetnames
