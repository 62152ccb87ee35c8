"""Figures of one kind on one scale: each a bar of its interval, against limits or from nought."""

from reports.document import Cell, Plotted, Quantity, TestSheet
from reports.render.charts.axes import Axis, even, shown, table_of, words_of
from reports.render.charts.base import BAND, FAINT, GRID, INK, RULE, SOFT, frame, group, path, text
from reports.render.figures import Figures

_WIDTH, _LEFT, _RIGHT, _TOP, _ROW = 248.0, 64.0, 240.0, 6.0, 24.0
_SIGNED = (Quantity.PRESSURE,)


def one_scale(sheet: TestSheet, figures: Figures) -> str:
    """Rows (value, U, limits) on one axis; pressures show nought, where no air flows."""
    table = table_of(sheet, "scale")
    if table is None:
        return ""
    quantity = table.quantities[0]
    rows = [[shown(figures, quantity, cell) for cell in row] for row in table.cells]
    values = [v for (value, u), *_ in rows for v in (value - u, value + u)]
    values += [shown(figures, quantity, c)[0] for row in table.cells for c in row[1:3] if c.value is not None]
    x = even(values, _LEFT, _RIGHT, nought=quantity in _SIGNED)
    bottom = _TOP + len(rows) * _ROW
    body = _axis(x, bottom, figures.unit(quantity))
    if quantity in _SIGNED:
        body += path(f"M{x.at(0.0):.1f} {_TOP}V{bottom:.1f}", RULE, 0.9)
    for k, (label, row) in enumerate(zip(table.labels, table.cells, strict=True)):
        body += _row(label, row, _TOP + k * _ROW, x, figures, quantity)
    words = [word for word in table.words if word]
    below = group(SOFT, [text(_LEFT, bottom + 19, words[0])]) if words else ""
    return frame(_WIDTH, bottom + (22 if words else 13), _title(table, figures), body + below)


def _axis(x: Axis, bottom: float, unit: str) -> str:
    grid = "".join(f"M{x.at(t):.1f} {_TOP}V{bottom:.1f}" for t in x.ticks)
    labels = [text(x.at(t), bottom + 9, x.label(t)) for t in x.ticks]
    return (
        path(grid, GRID, 0.5)
        + group(SOFT, labels, 'text-anchor="middle"')
        + group(SOFT, [text(_LEFT - 24, bottom + 9, unit, 'text-anchor="end"')])
    )


def _row(label: str, row: tuple[Cell, ...], y: float, x: Axis, figures: Figures, quantity: Quantity) -> str:
    """The band of the limits, the interval with its value written over it, the name before it."""
    value, u = shown(figures, quantity, row[0])
    low, high = (None if c.value is None else shown(figures, quantity, c)[0] for c in row[1:3])
    body = ""
    if low is not None or high is not None:
        a = x.start if low is None else x.at(low)
        b = x.end if high is None else x.at(high)
        width = max(abs(b - a), 0.5)
        body += f'<rect x="{min(a, b):.1f}" y="{y + 9:.1f}" width="{width:.1f}" height="12" {BAND}/>'
        edges = "".join(f"M{x.at(v):.1f} {y + 7:.1f}v16" for v in (low, high) if v is not None)
        body += path(edges, 'class="c-mean" stroke="#a04414" fill="none"', 1.0)
    middle, a, b = y + 15, x.at(value - u), x.at(value + u)
    whisker = f"M{a:.1f} {middle:.1f}H{b:.1f}M{a:.1f} {middle - 3:.1f}v6M{b:.1f} {middle - 3:.1f}v6"
    dot = f'<circle cx="{x.at(value):.1f}" cy="{middle:.1f}" r="2.6" class="c-accent" fill="#095a5e"/>'
    words = words_of(figures, quantity, row[0])
    half = 1.75 * len(words)
    place = min(max(x.at(value), x.start + half), x.end - half)
    return (
        body
        + path(whisker, RULE, 1.2)
        + dot
        + group(INK, [text(place, y + 6, words, 'text-anchor="middle" font-weight="600"')])
        + group(INK, [text(_LEFT - 8, middle + 2.4, label, 'text-anchor="end"')])
    )


def _title(table: Plotted, figures: Figures) -> str:
    quantity, parts = table.quantities[0], []
    for label, (value, low, high) in zip(table.labels, table.cells, strict=True):
        limits = [
            f"{word} {words_of(figures, quantity, cell)}"
            for word, cell in (("at least", low), ("at most", high))
            if cell.value is not None
        ]
        parts.append(
            f"{label} {words_of(figures, quantity, value)}"
            + (f", wanted {' and '.join(limits)}" if limits else "")
        )
    words = [word for word in table.words if word]
    return "; ".join([*parts, *words])


def heat_bars(sheet: TestSheet, figures: Figures) -> str:
    """Heats as bars from nought with their intervals, so that air and water can be held together."""
    table = table_of(sheet, "heats")
    if table is None:
        return ""
    quantity, bar = table.quantities[0], 9.0
    rows = [shown(figures, quantity, row[0]) for row in table.cells]
    x = even([v for value, u in rows for v in (value - u, value + u)], _LEFT, _RIGHT - 8, nought=True)
    bottom = _TOP + len(rows) * 18.0
    body, bars, whiskers, names, words = _axis(x, bottom, figures.unit(quantity)), [], "", [], []
    for k, (label, (value, u)) in enumerate(zip(table.labels, rows, strict=True)):
        y, a, b = _TOP + k * 18 + 4.5, x.at(min(value, 0.0)), x.at(max(value, 0.0))
        bars.append(f'<rect x="{a:.1f}" y="{y:.1f}" width="{max(b - a, 0.4):.1f}" height="{bar}"/>')
        low, high, middle = x.at(value - u), x.at(value + u), y + bar / 2
        whiskers += (
            f"M{low:.1f} {middle:.1f}H{high:.1f}M{low:.1f} {middle - 3:.1f}v6M{high:.1f} {middle - 3:.1f}v6"
        )
        names.append(text(_LEFT - 8, middle + 2.4, label))
        words.append(label)
    body += (
        group('class="c-core" fill="#a9d1c2"', bars)
        + path(whiskers, RULE, 1.2)
        + path(f"M{x.at(0.0):.1f} {_TOP}V{bottom:.1f}", FAINT, 0.8)
        + group(INK, names, 'text-anchor="end"')
    )
    found = "; ".join(
        f"{label.lower()} {words_of(figures, quantity, row[0])}"
        for label, row in zip(table.labels, table.cells, strict=True)
    )
    return frame(_WIDTH, bottom + 13, f"Heat by air and by water: {found}", body)
