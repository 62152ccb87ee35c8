"""Velocities over an opening, as the grid was read: shaded squares with the number in each."""

from collections import defaultdict

from reports.document import Measured, Quantity, TestSheet
from reports.render.charts.axes import table_of
from reports.render.charts.base import (
    INK,
    LEVELS,
    SOFT,
    frame,
    group,
    level,
    on_dark,
    path,
    shade,
    text,
)
from reports.render.figures import Figures

_WIDTH, _LEFT, _TOP = 248.0, 16.0, 14.0
_TALL, _LOW = 140.0, 34.0
_Q = Quantity.VELOCITY


def face_map(sheet: TestSheet, figures: Figures) -> str:
    """Squares seen from the front, column by column; a point off the mean has a heavy edge."""
    table = table_of(sheet, "face")
    if table is None:
        return ""
    cells = [
        (int(row[0].value or 1), int(row[1].value or 1), row[2].value or 0.0, word)
        for row, word in zip(table.cells, table.words or ("",) * len(table.cells), strict=True)
    ]
    columns, rows = max(c for c, *_ in cells), max(r for _, r, *_ in cells)
    low, high = min(v for *_, v, _ in cells), max(v for *_, v, _ in cells)
    width = (_WIDTH - _LEFT - 2) / columns
    height = max(min(_shape(sheet) * (_WIDTH - _LEFT - 2), _TALL), _LOW, 13.0 * rows) / rows
    boxes: dict[int, list[str]] = defaultdict(list)
    labels: dict[bool, list[str]] = {True: [], False: []}
    marked = ""
    for column, row, velocity, word in cells:
        x, y, shaded = _LEFT + (column - 1) * width, _TOP + (row - 1) * height, level(velocity, low, high)
        box = f"M{x:.1f} {y:.1f}h{width:.1f}v{height:.1f}h-{width:.1f}z"
        boxes[shaded].append(box)
        if word:
            marked += f"M{x + 2:.1f} {y + 2:.1f}h{width - 4:.1f}v{height - 4:.1f}h-{width - 4:.1f}z"
        number = figures.plain(_Q, velocity)
        labels[on_dark(shaded)].append(text(x + width / 2, y + height / 2 + 2.6, number))
    size = f'text-anchor="middle" font-weight="500" font-size="{7.6 if width > 24 else 5.6}"'
    shapes = [f'<path d="{"".join(group_)}" fill="{shade(k)}"/>' for k, group_ in sorted(boxes.items())]
    bottom = _TOP + rows * height
    body = (
        group('class="c-gap" stroke="#fff" stroke-width=".9"', shapes)
        + (path(marked, 'class="c-mean" stroke="#a04414" fill="none"', 1.4) if marked else "")
        + group('fill="#000"', labels[False], size)
        + group('fill="#fff"', labels[True], size)
        + _places(columns, rows, width, height)
    )
    return frame(
        _WIDTH, bottom + 20, _title(sheet, figures, cells), body + _key(sheet, figures, low, high, bottom)
    )


def _shape(sheet: TestSheet) -> float:
    """Height over width of the opening; a third where nobody told it."""
    table = table_of(sheet, "opening")
    if table is None:
        return 0.35
    width, height = (cell.value or 1.0 for cell in table.cells[0])
    return min(max(height / width, 0.1), 5.0)


def _places(columns: int, rows: int, width: float, height: float) -> str:
    across = [text(_LEFT + (k + 0.5) * width, _TOP - 4, str(k + 1)) for k in range(columns)]
    down = [text(_LEFT - 6, _TOP + (k + 0.5) * height + 2.4, str(k + 1)) for k in range(rows)]
    return group(SOFT, across + down, 'text-anchor="middle"')


def _key(sheet: TestSheet, figures: Figures, low: float, high: float, bottom: float) -> str:
    """The scale, and the mean where the sheet's figure is it."""
    steps = 12
    y = bottom + 6
    boxes = "".join(
        f'<rect x="{_LEFT + k * 8:.0f}" y="{y:.1f}" width="8.2" height="5" '
        f'fill="{shade(k * LEVELS // (steps - 1))}"/>'
        for k in range(steps)
    )
    ends = [
        text(_LEFT, y + 12, figures.plain(_Q, low)),
        text(_LEFT + steps * 8, y + 12, figures.with_unit(_Q, high), 'text-anchor="end"'),
    ]
    mean = f"mean {_mean(sheet, figures)}"
    right = text(_WIDTH - 2, y + 6, mean, 'text-anchor="end" font-weight="600" font-size="7.6"')
    return boxes + group(INK, [*ends, right])


def _mean(sheet: TestSheet, figures: Figures) -> str:
    """The mean: of the sheet where it found one, else of the squares."""
    if sheet.result.quantity is _Q:
        return str(figures.figure(_Q, Measured(value=sheet.result.value, expanded=sheet.result.expanded)))
    table = table_of(sheet, "face")
    assert table is not None
    values = [row[2].value or 0.0 for row in table.cells]
    return figures.with_unit(_Q, sum(values) / len(values))


def _title(sheet: TestSheet, figures: Figures, cells: list[tuple[int, int, float, str]]) -> str:
    low, high = min(cells, key=lambda c: c[2]), max(cells, key=lambda c: c[2])
    off = sum(1 for *_, word in cells if word)
    told = f"; {off} off the mean" if off else ""
    return (
        f"Velocities from {figures.with_unit(_Q, low[2])} (column {low[0]}, row {low[1]}) to "
        f"{figures.with_unit(_Q, high[2])}, mean {_mean(sheet, figures)}{told}"
    )
