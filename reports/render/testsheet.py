"""What the sheet of a test or reading prints: texts and pictures for `test.html`."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
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
from reports.render.figures import MINUS, NOTHING, PLUS_MINUS, UNIT_SPACE, Figures, aligned, moment
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
Pairs = list[tuple[str, str]]
_LINE, _PAD, _CAPTION = 16.0, 4.2, 22.0  # points that a row of one line, its edges and a caption take
_NAME_LETTERS, _LETTERS = 21, 38  # of a line of a name and of its value in a column
_ROW, _TALL = 220.0, 420.0  # a row of columns is closed at this height; what is higher takes the whole width
_NARROW_COLUMNS = 5
READINGS_IN_LINE = 40
"""More readings of one place than this stand in the attached CSV only."""


def test_values(
    sheet: TestSheet, figures: Figures, subject: Subject, register: dict[str, Instrument]
) -> Values:
    """All that `test.html` needs."""
    facts = fact_words(sheet.figures[1:], figures) + [(c.name, c.text) for c in sheet.classes]
    given = [(t.name.partition(":")[0], t.text) for t in sheet.told] + fact_words(sheet.air, figures)
    return {
        **_head(sheet, figures),
        **budget_values(sheet, figures),
        "anchor": anchor(sheet.anchor),
        "title": METHOD_WORDS[sheet.method],
        "tag": sheet.tag,
        "unit": figures.unit(sheet.result.quantity),
        **_body(sheet, figures, facts, given, instrument_words(sheet, figures, register)),
        "flags": [flag_values(f) for f in sheet.flags if f.answer or f.severity != "remark"],
        "history": [history_values(h) for h in sheet.history],
        "cautions": sheet.cautions,
        "remark": sheet.remark,
        "measured": {"name": sheet.measured_by.name, "more": person_words(sheet.measured_by)},
        "approved": {"name": subject.approved.name, "more": person_words(subject.approved)},
        "calculation": sheet.calculation or NOTHING,
        "anchor_words": f"record {sheet.anchor}, in the attached snapshot",
    }


@dataclass(frozen=True, slots=True)
class Item:
    """A picture, a table or a list of facts of a sheet, with about how high it is in a column, in points."""

    kind: str
    content: Any
    height: float
    caption: str = ""


Row = tuple[list[Item], list[Item]]


def _body(sheet: TestSheet, figures: Figures, facts: Pairs, given: Pairs, tools: Pairs) -> Values:
    """What lies between head and budget, in rows: one wide thing, or two columns."""
    drawn = [
        Item("figure", picture(p.svg), _CAPTION + height_of(p.svg), p.caption)
        for p in charts.pictures_of(sheet, figures)
    ]
    grid = part_table(sheet.parts, figures) if sheet.parts else None
    table = [Item("grid", grid, _CAPTION + _LINE * (len(grid["rows"]) + 2))] if grid else []
    read = [reading_line(r) for r in sheet.readings]
    told, used = _list("Entered", given), _list("Instruments", tools)
    rest = [*_list("Read", read), *(used + told if any(i.height > _ROW for i in told) else told + used)]
    first = [*drawn, *_list("Found", facts), *table]
    rows: list[Row] = []
    waiting: list[Item] = []
    for item in [*first, *rest]:
        long = item.kind == "list" and item.height > (_TALL if item in first else _ROW)
        if not (long or _is_wide(item)):
            waiting.append(item)
            continue
        rows += [*in_columns(waiting), _halves(item) if long else ([item], [])]
        waiting = []
    return {"rows": [*rows, *in_columns(waiting)]}


def _list(caption: str, pairs: Pairs) -> list[Item]:
    return [Item("list", pairs, _CAPTION + _list_height(pairs), caption)] if pairs else []


def _halves(item: Item) -> Row:
    """A long list as two side by side; as it is where it is one long fact."""
    pairs = item.content
    if len(pairs) < 2:
        return [item], []
    cut = next(
        k for k in range(1, len(pairs)) if 2 * _list_height(pairs[:k]) >= item.height or k + 1 == len(pairs)
    )
    return _list(item.caption, pairs[:cut]), _list(f"{item.caption}, continued", pairs[cut:])


def _is_wide(item: Item) -> bool:
    if item.height > _TALL:
        return True
    if item.kind == "grid":
        return len(item.content["heads"]) > _NARROW_COLUMNS
    return item.kind == "figure" and 'width="516pt"' in item.content[:200]


def height_of(svg: str) -> float:
    """The height that a picture says it has."""
    return float(svg.partition('height="')[2].partition("pt")[0])


def _list_height(pairs: Pairs) -> float:
    lines = (max(ceil(len(name) / _NAME_LETTERS), ceil(len(value) / _LETTERS), 1) for name, value in pairs)
    return sum(_LINE * n - (n - 1) * _PAD for n in lines)


def in_columns(items: Sequence[Item]) -> list[Row]:
    """Items by turns into the shorter of two columns, a new row where both are high enough."""
    rows: list[Row] = []
    heights = [_ROW, _ROW]
    for item in items:
        if min(heights) >= _ROW:
            rows.append(([], []))
            heights = [0.0, 0.0]
        side = int(heights[1] < heights[0])
        rows[-1][side].append(item)
        heights[side] += item.height
    return rows


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
        "band": picture(charts.verdict_band(result, figures.writer(result.quantity))) if judged else "",
        "band_label": "Interval against its limits; dark zone passes",
        "tone": tone(result),
        "reason": result.reason,
    }


def band_label(quantity: Quantity, figures: Figures) -> Any:
    """How a band writes the figure itself."""
    return figures.writer(quantity)


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
    shown = [MINUS + text[1:] if text[:1] == "-" else text for text in row.entered[:READINGS_IN_LINE]]
    labels = [tuple(label.split(", ")) if label else () for label in row.labels] or [()] * len(shown)
    more = len(row.entered) - len(shown)
    rest = f" and {more} more in the attached readings" if more > 0 else ""
    unit = "" if row.unit == "1" else f" {row.unit}"
    return row.place.partition(":")[0], f"{_grouped(shown, labels)}{rest}{unit}"


def _grouped(shown: list[str], labels: list[tuple[str, ...]]) -> str:
    """Readings one after the other, those of one line or run together; repeats at one place need no label."""
    groups: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for text, label in zip(shown, labels, strict=False):
        groups.setdefault(label[:-1], []).append((text, label[-1] if label else ""))
    return "; ".join(_group(head, rows) for head, rows in groups.items())


def _group(head: tuple[str, ...], rows: list[tuple[str, str]]) -> str:
    texts, lasts = [text for text, _ in rows], [last for _, last in rows]
    name = lasts[0].rpartition(" ")[0]
    if lasts == [f"{name} {k}" for k in range(1, len(rows) + 1)]:
        told = [] if name in ("run", "point") else [f"{name} 1 to {len(rows)}" if len(rows) > 1 else lasts[0]]
    else:
        told, texts = [], [f"{text} ({last})" if last else text for text, last in rows]
    before = ", ".join([*head, *told])
    return f"{before}: {', '.join(texts)}" if before else ", ".join(texts)
