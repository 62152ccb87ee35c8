"""A site's design schedule as a table in the columns that are imported, and the template to fill in.

What is exported and imported again changes nothing: figures have digits to spare, an ambiguous 1.234 gets a
further nought, and texts that begin like a formula are made inert in CSV, which the import undoes.
"""

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from uuid import UUID

import xlsxwriter

from jobs.access import Action, Actor, require
from jobs.errors import NotFound
from jobs.models import Company, Quantity, Site, System, TestPoint, UnitSystem
from jobs.queries import visible
from jobs.schedule_columns import Column, unit_of
from jobs.schedule_words import LISTS, listed
from jobs.sheets.figures import Mark, NoFigure, read_figure
from jobs.sheets.grid import plain_text
from jobs.sheets.inert import inert
from jobs.units import Unit, UnknownUnit, find_unit, units_of

COLUMNS = tuple(column for column in Column if column is not Column.SIZE)
HEADS = tuple(f"{c} %" if c in (Column.BELOW, Column.ABOVE) else str(c) for c in COLUMNS)
FIGURES = (Column.WIDTH, Column.HEIGHT, Column.DIAMETER, Column.FLOW, Column.BELOW, Column.ABOVE)
_UNITS = {UnitSystem.SI: ("mm", "L/s"), UnitSystem.IP: ("[in_i]", "[cft_i]/min")}
_PLAIN = re.compile(r"[0-9]+(?:\.[0-9]+)?", re.ASCII)
_AMBIGUOUS = re.compile(r"[1-9][0-9]{0,2}\.[0-9]{3}", re.ASCII)
_NEAR = 1e-9
_WIDTHS = {Column.SYSTEM_NAME: 24, Column.LOCATION: 32}
Cells = dict[Column, str]
EXAMPLE: tuple[Cells, ...] = (
    {
        Column.SYSTEM: "AHU-1", Column.SYSTEM_NAME: "Reading rooms", Column.SYSTEM_KIND: "supply",
        Column.TAG: "MD-1", Column.KIND: "plane", Column.LOCATION: "Plant room, after the fan",
        Column.SHAPE: "rectangular", Column.WIDTH: "500", Column.HEIGHT: "400", Column.SIZE_UNIT: "mm",
        Column.FLOW: "900", Column.FLOW_UNIT: "L/s", Column.BASIS: "actual", Column.BELOW: "5",
        Column.ABOVE: "10",
    },
    {
        Column.SYSTEM: "AHU-1", Column.TAG: "BD-1", Column.KIND: "plane", Column.PARENT: "MD-1",
        Column.LOCATION: "Corridor", Column.SHAPE: "round", Column.DIAMETER: "250", Column.SIZE_UNIT: "mm",
        Column.FLOW: "270", Column.FLOW_UNIT: "L/s", Column.BASIS: "actual",
    },
    {
        Column.SYSTEM: "AHU-1", Column.TAG: "S-1", Column.KIND: "outlet", Column.PARENT: "BD-1",
        Column.LOCATION: "Room 101", Column.FLOW: "90", Column.FLOW_UNIT: "L/s", Column.BASIS: "actual",
    },
)  # fmt: skip


def schedule_csv(actor: Actor, site_id: UUID) -> bytes:
    """Raises NotFound."""
    return _as_csv(_rows(actor, site_id))


def schedule_xlsx(actor: Actor, site_id: UUID) -> bytes:
    """Raises NotFound."""
    return _as_xlsx(_rows(actor, site_id))


def template_csv() -> bytes:
    """The heads, and an example to be replaced."""
    return _as_csv(EXAMPLE)


def template_xlsx() -> bytes:
    return _as_xlsx(EXAMPLE)


def _rows(actor: Actor, site_id: UUID) -> Iterator[Cells]:
    """By system, each in the order of its schedule."""
    require(actor, Action.READ)
    if not visible(Site.objects.all(), actor).filter(id=site_id).exists():
        raise NotFound()
    units = _UNITS[UnitSystem(Company.objects.values_list("unit_system", flat=True).get())]
    length, flow = find_unit(units[0], Quantity.LENGTH), find_unit(units[1], Quantity.FLOW)
    points = TestPoint.objects.filter(system__site_id=site_id).select_related("system", "parent")
    found = sorted(points, key=lambda point: (point.system.tag, point.position, point.tag))
    return (_cells(point, length, flow) for point in found)


def _cells(point: TestPoint, length: Unit, flow: Unit) -> Cells:
    system: System = point.system
    entered = _flow(point, flow)
    sizes = (point.width_m, point.height_m, point.diameter_m)
    width, height, diameter = (None if size is None else length.from_si(size) for size in sizes)
    return {
        Column.SYSTEM: plain_text(system.tag),
        Column.SYSTEM_NAME: plain_text(system.name),
        Column.SYSTEM_KIND: system.kind,
        Column.TAG: plain_text(point.tag),
        Column.KIND: point.kind,
        Column.PARENT: plain_text(point.parent.tag) if point.parent else "",
        Column.LOCATION: plain_text(point.location),
        Column.SHAPE: point.shape,
        Column.WIDTH: _figure(width),
        Column.HEIGHT: _figure(height),
        Column.DIAMETER: _figure(diameter),
        Column.SIZE_UNIT: length.symbol if any(sizes) else "",
        Column.FLOW: entered[0],
        Column.FLOW_UNIT: entered[1],
        Column.BASIS: point.design_basis,
        Column.BELOW: _share(point.tolerance_below),
        Column.ABOVE: _share(point.tolerance_above),
    }


def _figure(value: float | None) -> str:
    """Twelve digits, never with an exponent."""
    return "" if value is None else f"{Decimal(f'{value:.12g}'):f}"


def _share(value: float | None) -> str:
    """In per cent; below one the sign stands behind, so that nobody takes it for a share."""
    if value is None:
        return ""
    percent = _figure(value * 100.0)
    return f"{percent} %" if 0.0 < value < 0.01 else percent


def _flow(point: TestPoint, unit: Unit) -> tuple[str, str]:
    """As it was entered, where that text still says the same; else in the company's unit."""
    if point.design_flow is None:
        return "", ""
    return _as_entered(point) or (_figure(unit.from_si(point.design_flow)), unit.symbol)


def _as_entered(point: TestPoint) -> tuple[str, str] | None:
    try:
        found = read_figure(point.design_entered)
        unit = unit_of(found.unit, Quantity.FLOW)
        values = [found.value(mark) for mark in Mark]
    except (NoFigure, UnknownUnit):
        return None
    for value in values:
        if math.isclose(unit.to_si(value), point.design_flow or 0.0, rel_tol=_NEAR):
            digits = found.body if _PLAIN.fullmatch(found.body) and not found.sign else _figure(value)
            same = math.isclose(float(digits), value, rel_tol=_NEAR)
            return (digits if same else _figure(value)), unit.symbol
    return None


def _as_csv(rows: Iterable[Cells]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(HEADS)
    for cells in rows:
        writer.writerow([_csv_cell(column, cells.get(column, "")) for column in COLUMNS])
    return text.getvalue().encode("utf-8-sig")


def _csv_cell(column: Column, text: str) -> str:
    if column in FIGURES:
        return f"{text}0" if _AMBIGUOUS.fullmatch(text) else text
    return inert(text)


def _as_xlsx(rows: Iterable[Cells]) -> bytes:
    """One sheet; figures are numbers, texts are texts whatever they begin with, lists offer their words."""
    file = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(file, options) as book:
        sheet = book.add_worksheet("Schedule")
        head = book.add_format({"bold": True, "bottom": 1})
        count = 0
        for count, cells in enumerate(rows, 1):
            _write_row(sheet, count, [(column, cells.get(column, "")) for column in COLUMNS])
        for place, title in enumerate(HEADS):
            sheet.write_string(0, place, title, head)
            sheet.set_column(place, place, _WIDTHS.get(COLUMNS[place], 13))
        sheet.freeze_panes(1, 0)
        _offer_words(sheet, max(count, 1000))
    return file.getvalue()


def _write_row(sheet: xlsxwriter.worksheet.Worksheet, row: int, cells: Sequence[tuple[Column, str]]) -> None:
    for place, (column, text) in enumerate(cells):
        if not text:
            continue
        if column in FIGURES and _PLAIN.fullmatch(text):
            sheet.write_number(row, place, float(text))
        else:
            sheet.write_string(row, place, text)


def _offer_words(sheet: xlsxwriter.worksheet.Worksheet, rows: int) -> None:
    """Lists to choose from; other words are taken too, and told of at import."""
    offered = {column: listed(column).split(", ") for column in LISTS}
    offered[Column.SIZE_UNIT] = [unit.symbol for unit in units_of(Quantity.LENGTH)]
    offered[Column.FLOW_UNIT] = [unit.symbol for unit in units_of(Quantity.FLOW)]
    for column, words in offered.items():
        place = COLUMNS.index(column)
        rule = {"validate": "list", "source": words, "error_type": "information"}
        sheet.data_validation(1, place, rows, place, rule)
