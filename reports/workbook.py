"""The report as a spreadsheet (XLSX), from the same frozen snapshot: figures as numbers, texts as texts.

No cell is a formula or a link whatever a text begins with. Units are those of the company;
each row says its own. The same snapshot gives the same bytes.
"""

import csv
import io
import itertools
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

import xlsxwriter

from jobs.sheets.inert import FORMULA
from reports.document import (
    Document,
    Flag,
    Issue,
    Quantity,
    Result,
    System,
    TestSheet,
    TraverseSheet,
    digest,
    photos_of,
    to_bytes,
)
from reports.render.figures import VERDICT_WORDS, Figures
from reports.render.lists import KIND_WORDS
from reports.render.pages import flags_of
from reports.render.sheet import METHOD_WORDS

Cell = str | float | int | None
MEDIA_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
LONGEST_TEXT = 32_000  # characters of a cell; the format's own limit is 32,767
_OPTIONS = {
    "constant_memory": True,  # rows go to disk as they are written
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "nan_inf_to_errors": True,
    "default_date_format": "yyyy-mm-dd hh:mm",
    "remove_timezone": True,
}
ROWS_IN_SHEET = 1_000_000  # readings; the format ends at 1,048,576 rows
NUMERIC = frozenset({"run", "line", "number", "value_si"})
"""Columns of readings.csv that are figures; what was entered stays text."""


def write(document: Document, issue: Issue | None, readings_csv: bytes) -> bytes:
    """The spreadsheet's bytes."""
    file = io.BytesIO()
    made = issue.issued_at if issue else document.report.approved.at
    with xlsxwriter.Workbook(file, _OPTIONS) as book:
        book.set_properties(
            {"title": document.report.title, "author": document.company.name, "created": _without_zone(made)}
        )
        writer = _Writer(book)
        figures = Figures(document.company.units)
        writer.sheet("Report", ("What", "Text"), _cover(document, issue), (28, 80))
        writer.sheet("Deficiencies", _DEFICIENCY_HEAD, _deficiencies(document), (16, 20, 20, 60, 14, 60))
        writer.sheet("Figures", _FIGURE_HEAD, _figures(document, figures), _FIGURE_WIDTHS)
        writer.sheet("Found beside", _BESIDE_HEAD, _beside(document, figures), (16, 20, 28, 34, 14, 14, 12))
        writer.sheet(
            "Adjustments",
            ("System", "Point", "First setting", "What was done", "Final setting", "Marked", "By"),
            _adjustments(document),
            (18, 16, 20, 50, 20, 10, 24),
        )
        writer.sheet("Instruments", _TOOL_HEAD, _instruments(document, figures), _TOOL_WIDTHS)
        writer.sheet("Flags", _FLAG_HEAD, _flags(document), (16, 16, 22, 12, 60, 40, 40, 14, 60, 20))
        if any(True for _ in photos_of(document)):
            writer.sheet("Photos and notes", _PHOTO_HEAD, _photos(document), (18, 16, 24, 18, 60, 20, 18, 66))
        writer.sheet("Changes", ("What", "Before", "After", "Why"), _changes(document), (40, 50, 50, 50))
        writer.sheet("Methods", ("What", "Text", "Source"), _methods(document), (28, 100, 40))
        lines = csv.reader(io.StringIO(readings_csv.decode("utf-8-sig"), newline=""))
        head = next(lines, [])
        rows = (_numbers(row, head) for row in lines)
        for number, first in enumerate(rows, 1):
            name = "Readings" if number == 1 else f"Readings {number}"
            chunk = itertools.chain([first], itertools.islice(rows, ROWS_IN_SHEET - 1))
            writer.sheet(name, head, chunk, [14] * len(head))
    return file.getvalue()


class _Writer:
    """Sheets with a head that stays, every text written as text."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self.book = book
        self.head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "bottom"})
        self.text = book.add_format({"text_wrap": True, "valign": "top"})
        self.number = book.add_format({"valign": "top"})

    def sheet(
        self, name: str, head: Sequence[str], rows: Iterable[Sequence[Cell]], widths: Sequence[float]
    ) -> None:
        page = self.book.add_worksheet(name)
        page.freeze_panes(1, 0)
        page.repeat_rows(0)
        page.set_landscape()
        page.fit_to_pages(1, 0)
        for column, width in enumerate(widths):
            page.set_column(column, column, width)
        for column, text in enumerate(head):
            page.write_string(0, column, text[:LONGEST_TEXT], self.head)
        last = 0
        for number, row in enumerate(rows, 1):
            last = number
            for column, cell in enumerate(row):
                if isinstance(cell, str):
                    page.write_string(number, column, cell[:LONGEST_TEXT], self.text)
                elif cell is not None:
                    page.write_number(number, column, cell, self.number)
        if last and head:
            page.autofilter(0, 0, last, len(head) - 1)


def _without_zone(moment: datetime | None) -> datetime:
    """A moment for the file's own properties, which have no zone."""
    return (moment or datetime(2000, 1, 1)).replace(tzinfo=None)  # noqa: DTZ001


def _cover(document: Document, issue: Issue | None) -> Iterator[Sequence[Cell]]:
    r = document.report
    kind = KIND_WORDS[document.kind]
    yield kind, f"{issue.number}, revision {issue.revision}" if issue else "Draft, not issued"
    rows: list[tuple[str, Cell]] = [
        ("Title", r.title),
        ("Company", document.company.name),
        ("For", document.addressee),
        ("Project", r.project),
        ("Customer", r.customer),
        ("Site", r.site),
        ("Job", r.job),
        ("Status", r.status),
        ("Measured", f"{r.measured_from.isoformat()} to {r.measured_to.isoformat()}"),
        ("Measured by", "; ".join(one.name for one in r.measured)),
        ("Approved by" if document.kind == "report" else "Sent out by", r.approved.name),
        ("Times", f"in the zone of the site, {r.zone}"),
        ("Decision rule", r.decision_rule),
        ("Tolerances", "\n".join(r.tolerances)),
        ("Standard air", r.standard_air.words),
        ("Self-approval", r.self_approval),
        ("Note", r.note),
        ("Points passed", document.counts.passed),
        ("Conditional pass", document.counts.conditional_pass),
        ("Conditional fail", document.counts.conditional_fail),
        ("Failed", document.counts.failed),
        ("Not decidable", document.counts.not_decidable),
        ("SHA-256 of the snapshot", digest(to_bytes(document))),
        ("Check address", issue.address if issue else ""),
    ]
    yield from (row for row in rows if row[1] != "")
    for caution in document.cautions:
        yield "Caution", caution


_DEFICIENCY_HEAD = ("System", "Point", "Place", "What", "Status", "Answer")


def _deficiencies(document: Document) -> Iterator[Sequence[Cell]]:
    for one in document.deficiencies:
        answer = f"{one.answer.reason} ({one.answer.by.name})" if one.answer else ""
        yield one.system, one.tag, one.place, one.what, one.status, answer


_FIGURE_HEAD = (
    "System", "Point", "Place", "Method", "What", "Value", "U (95 %)", "Unit", "Design", "Share of design, %",
    "Lowest", "Highest", "Verdict", "First value", "Basis", "Measured by", "Measured at", "Instruments",
)  # fmt: skip
_FIGURE_WIDTHS = (18, 16, 22, 22, 20, 11, 11, 9, 11, 12, 11, 11, 18, 11, 10, 20, 18, 26)


def _figures(document: Document, figures: Figures) -> Iterator[Sequence[Cell]]:
    for system in document.systems:
        for row in _rows(system):
            result, first, who, at, tools = (
                row["result"],
                row.get("first"),
                row["by"],
                row["at"],
                row["tools"],
            )
            yield (
                system.name,
                row["tag"],
                row["place"],
                METHOD_WORDS[row["method"]],
                result.what,
                *_result(result, figures),
                _value(result.quantity, first, figures),
                result.basis,
                who,
                at.strftime("%Y-%m-%d %H:%M") if at else "",
                ", ".join(tools),
            )


def _rows(system: System) -> Iterator[dict[str, Any]]:
    listed = {row.anchor for row in system.outlets}
    sheets: list[TraverseSheet | TestSheet] = [*system.sheets]
    sheets += [test for test in system.tests if test.anchor not in listed]
    for sheet in sheets:
        yield {
            "tag": sheet.tag, "place": sheet.place, "method": sheet.method, "result": sheet.result,
            "by": sheet.measured_by.name, "at": sheet.started, "tools": sheet.instruments,
        }  # fmt: skip
    for row in system.outlets:
        yield {
            "tag": row.tag, "place": row.place, "method": row.method, "result": row.final,
            "first": row.first.value if row.first else None,
            "by": row.measured_by, "at": row.at, "tools": row.instruments,
        }  # fmt: skip
    for line in system.centrelines:
        yield {
            "tag": line.tag, "place": line.place, "method": "centreline_reading", "result": line.result,
            "by": line.measured_by, "at": line.at, "tools": line.instruments,
        }  # fmt: skip


def _result(result: Result, figures: Figures) -> tuple[Cell, ...]:
    quantity = result.quantity
    return (
        _value(quantity, result.value, figures),
        _spread(quantity, result.expanded, figures),
        figures.unit(quantity),
        _value(quantity, result.design, figures),
        None if result.share is None else 100.0 * result.share,
        _value(quantity, result.low, figures),
        _value(quantity, result.high, figures),
        VERDICT_WORDS[result.verdict],
    )


def _value(quantity: Quantity, value: float | None, figures: Figures) -> Cell:
    return None if value is None else figures.shown(quantity, value)


def _spread(quantity: Quantity, value: float | None, figures: Figures) -> Cell:
    """A difference: without the zero of the unit."""
    return None if value is None else figures.shown(quantity, value) - figures.shown(quantity, 0.0)


_BESIDE_HEAD = ("System", "Point", "Method", "What", "Value", "U (95 %)", "Unit")


def _beside(document: Document, figures: Figures) -> Iterator[Sequence[Cell]]:
    """What else each measurement found, and the air at it."""
    for system in document.systems:
        for sheet in system.sheets:
            facts = [
                ("Mean velocity", Quantity.VELOCITY, sheet.mean),
                ("Flow, actual", Quantity.FLOW, sheet.actual),
            ]
            facts += [("Flow, standard air", Quantity.FLOW, sheet.standard)] if sheet.standard else []
            facts += [("Density", Quantity.DENSITY, sheet.density)]
            for name, quantity, one in facts:
                yield (
                    system.name, sheet.tag, METHOD_WORDS[sheet.method], name,
                    *_measured(quantity, one.value, one.expanded, figures),
                )  # fmt: skip
        for test in system.tests:
            for fact in test.figures:
                yield (
                    system.name, test.tag, METHOD_WORDS[test.method], fact.name,
                    *_measured(fact.quantity, fact.value, fact.expanded, figures),
                )  # fmt: skip


def _measured(quantity: Quantity, value: float, spread: float | None, figures: Figures) -> tuple[Cell, ...]:
    return figures.shown(quantity, value), _spread(quantity, spread, figures), figures.unit(quantity)


_TOOL_HEAD = (
    "Kind", "Serial number", "Name", "Note", "Certificate", "Laboratory", "Quantity", "Calibrated", "Due",
    "Reference", "As found", "As left", "U", "k", "Unit",
)  # fmt: skip
_TOOL_WIDTHS = (18, 18, 24, 40, 20, 28, 18, 12, 12, 11, 11, 11, 11, 7, 9)


def _instruments(document: Document, figures: Figures) -> Iterator[Sequence[Cell]]:
    for tool in document.instruments:
        who = (tool.kind, tool.serial, tool.name, tool.note)
        if not tool.certificates:
            yield (*who, "none")
        for one in tool.certificates:
            due = one.due.isoformat() if one.due else ""
            words = one.quantity.value.replace("_", " ")
            paper = (*who, one.number, one.laboratory, words, one.calibrated.isoformat(), due)
            for point in one.points:
                yield (
                    *paper,
                    _value(one.quantity, point.reference, figures),
                    _value(one.quantity, point.as_found, figures),
                    _value(one.quantity, point.as_left, figures),
                    _spread(one.quantity, point.expanded, figures),
                    point.coverage,
                    figures.unit(one.quantity),
                )


_FLAG_HEAD = (
    "System", "Point", "Rule", "Severity", "Seen", "Expected", "Advice", "Decision", "Reason", "By",
)  # fmt: skip


def _flags(document: Document) -> Iterator[Sequence[Cell]]:
    for system in document.systems:
        for flag in flags_of(system):
            yield (system.name, *_flag(flag))


def _flag(flag: Flag) -> tuple[Cell, ...]:
    answer = flag.answer
    told = (answer.decision, answer.reason, answer.by.name) if answer else ("not answered", "", "")
    return flag.where, flag.rule, flag.severity, flag.seen, flag.expected, flag.advice, *told


def _adjustments(document: Document) -> Iterator[Sequence[Cell]]:
    for system in document.systems:
        for one in system.adjustments:
            marked = "yes" if one.marked else "no"
            yield system.name, one.tag, one.before, one.done, one.setting, marked, one.by.name


_PHOTO_HEAD = ("System", "Point", "Place", "Shows", "Text", "By", "Taken", "SHA-256 of the photo's file")


def _photos(document: Document) -> Iterator[Sequence[Cell]]:
    """Of the systems, then of the job as a whole; the pictures themselves stand in the report."""
    places = [(system.name, system.photos or ()) for system in document.systems]
    for name, found in [*places, ("", document.photos or ())]:
        for one in found:
            at = f"{one.taken.at:%Y-%m-%d %H:%M}" if one.taken.at else ""
            yield name, one.tag, one.place, one.subject, one.text, one.taken.name, at, one.digest


def _changes(document: Document) -> Iterator[Sequence[Cell]]:
    return ((one.what, one.before, one.after, one.why) for one in document.changes)


def _methods(document: Document) -> Iterator[Sequence[Cell]]:
    return ((one.title, one.text, one.source) for one in document.methods)


def _numbers(row: Sequence[str], head: Sequence[str]) -> list[Cell]:
    """A line of readings.csv. The mark that keeps its texts from being formulas is not needed here."""
    return [
        _number(cell) if name in NUMERIC else _plain_text(cell) for cell, name in zip(row, head, strict=False)
    ]


def _plain_text(cell: str) -> str:
    return cell[1:] if cell[:1] == "'" and cell[1:].startswith(FORMULA) else cell


def _number(cell: str) -> Cell:
    try:
        return float(cell)
    except ValueError:
        return cell or None
