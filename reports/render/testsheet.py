"""What the sheet of a test or reading prints: texts and pictures for `test.html`."""

from collections.abc import Sequence
from typing import Any

from reports.document import (
    Cell,
    Instrument,
    Measured,
    PartTable,
    PlaceReadings,
    Quantity,
    Subject,
    TestSheet,
)
from reports.render import charts
from reports.render.figures import NOTHING, PLUS_MINUS, UNIT_SPACE, Figures, aligned, moment
from reports.render.figures import tolerance as tolerance_words
from reports.render.sheet import (
    METHOD_WORDS,
    budget_values,
    fact_words,
    flag_values,
    history_values,
    instrument_words,
    person_words,
    tone,
)
from reports.render.templating import picture
from reports.render.text import anchor

Values = dict[str, Any]
READINGS_IN_LINE = 40
"""More readings of one place than this stand in the attached CSV only."""


def test_values(
    sheet: TestSheet, figures: Figures, subject: Subject, register: dict[str, Instrument]
) -> Values:
    """All that `test.html` needs."""
    facts = fact_words(sheet.figures[1:], figures) + [(c.name, c.text) for c in sheet.classes]
    given = [(t.name, t.text) for t in sheet.told] + fact_words(sheet.air, figures)
    return {
        **_head(sheet, figures),
        **budget_values(sheet, figures),
        "anchor": anchor(sheet.anchor),
        "title": METHOD_WORDS[sheet.method],
        "tag": sheet.tag,
        "unit": figures.unit(sheet.result.quantity),
        "found": facts,
        "given": given,
        "parts": part_table(sheet.parts, figures) if sheet.parts else None,
        "readings": [reading_line(r) for r in sheet.readings],
        "tools": instrument_words(sheet, figures, register),
        "flags": [flag_values(f) for f in sheet.flags if f.answer or f.severity != "remark"],
        "history": [history_values(h) for h in sheet.history],
        "cautions": sheet.cautions,
        "remark": sheet.remark,
        "measured": {"name": sheet.measured_by.name, "more": person_words(sheet.measured_by)},
        "approved": {"name": subject.approved.name, "more": person_words(subject.approved)},
        "calculation": sheet.calculation or NOTHING,
        "anchor_words": f"record {sheet.anchor}, in the attached snapshot",
    }


def _head(sheet: TestSheet, figures: Figures) -> Values:
    result, line = sheet.result, figures.ledger(sheet.result)
    limits, ended = figures.limits(result), f" to {sheet.ended:%H:%M}" if sheet.ended else ""
    judged = bool(limits) or result.share is not None
    other = []
    if result.design is not None:
        other.append(f"design {figures.with_unit(result.quantity, result.design)}")
    if limits:
        other.append(f"wanted {limits}")
    elif result.tolerance is not None and result.share is not None:
        other.append(f"tolerance {tolerance_words(result.tolerance.lower, result.tolerance.upper)}")
    return {
        "sub": " · ".join(part for part in (sheet.place, f"measured {moment(sheet.started)}{ended}") if part),
        "what": f"{result.what} at standard air" if result.basis == "standard" else result.what,
        "line": line,
        "pm": f" {PLUS_MINUS} {line.expanded}{UNIT_SPACE}" if line.expanded else UNIT_SPACE,
        "other": " · ".join(other),
        "judged": judged,
        "band": picture(charts.verdict_band(result, band_label(result.quantity, figures))) if judged else "",
        "band_label": "Interval against its limits; dark zone passes",
        "tone": tone(result),
        "reason": result.reason,
    }


def band_label(quantity: Quantity, figures: Figures) -> Any:
    """How a band writes the figure itself."""
    return lambda value: figures.with_unit(quantity, value)


def part_table(table: PartTable, figures: Figures) -> Values:
    """Part by part, a column for each figure, another for its U where it is stated."""
    columns: list[tuple[str, list[str]]] = []
    for k, (name, quantity) in enumerate(zip(table.names, table.quantities, strict=True)):
        cells, unit = [row[k] for row in table.cells], figures.unit(quantity)
        columns.append((f"{name}, {unit}" if unit else name, [_value(c, quantity, figures) for c in cells]))
        if any(c.expanded for c in cells):
            columns.append((f"{PLUS_MINUS} U", [_spread(c, quantity, figures) for c in cells]))
    if table.words:
        columns.append(("Finding", list(table.words)))
    texts = [aligned(column) if head != "Finding" else column for head, column in columns]
    wide = 30.0
    return {
        "caption": "Part by part",
        "heads": ["Part", *(head for head, _ in columns)],
        "widths": [f"{wide:.1f}", *[f"{(100 - wide) / len(columns):.2f}"] * len(columns)],
        "rows": [[label, *row] for label, row in zip(table.labels, zip(*texts, strict=True), strict=True)],
    }


def _value(cell: Cell, quantity: Quantity, figures: Figures) -> str:
    if cell.value is None:
        return NOTHING
    return figures.figure(quantity, Measured(value=cell.value, expanded=cell.expanded)).value


def _spread(cell: Cell, quantity: Quantity, figures: Figures) -> str:
    if cell.value is None or not cell.expanded:
        return NOTHING
    return figures.figure(quantity, Measured(value=cell.value, expanded=cell.expanded)).expanded


def reading_line(row: PlaceReadings) -> tuple[str, str]:
    """The readings of one place in a line, as they were shown."""
    shown = row.entered[:READINGS_IN_LINE]
    labels: Sequence[str] = row.labels or [""] * len(row.entered)
    texts = [f"{text} ({label})" if label else text for text, label in zip(shown, labels, strict=False)]
    more = len(row.entered) - len(shown)
    rest = f" and {more} more in the attached readings" if more > 0 else ""
    unit = "" if row.unit == "1" else f" {row.unit}"
    return row.place, f"{', '.join(texts)}{rest}{unit}"
