"""Particles over time after their source has stopped, on logarithms, with the line that was fitted."""

from reports.document import Quantity, TestSheet
from reports.render.charts.axes import by_tens, crosses, even, lattice, line_of, pairs, table_of, words_of
from reports.render.charts.base import frame, path
from reports.render.figures import Figures, significant

_WIDTH, _HEIGHT = 248.0, 128.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 236.0, 16.0, 102.0


def decay_line(sheet: TestSheet, figures: Figures) -> str:
    """Counts as dots, the fitted fall as a line."""
    read, line = pairs(table_of(sheet, "decay"), figures), pairs(table_of(sheet, "decay_line"), figures)
    if not read:
        return ""
    x = even([t for t, *_ in read], _LEFT, _RIGHT, nought=True)
    y = by_tens([c for _, _, c, _ in (*read, *line)], _BOTTOM, _TOP)
    body = lattice(x, y, (figures.unit(Quantity.TIME), figures.unit(Quantity.CONCENTRATION)))
    if line:
        drawn = line_of([(t, c) for t, _, c, _ in line], x, y)
        body += path(drawn, 'class="c-line" stroke="#095a5e" fill="none"', 1.4)
    body += crosses(read, x, y)
    return frame(_WIDTH, _HEIGHT, _title(sheet, read, figures), body)


def _title(sheet: TestSheet, read: list[tuple[float, float, float, float]], figures: Figures) -> str:
    first, last = read[0], read[-1]
    fall = f"falls {significant(first[2] / last[2], 2)} times" if last[2] > 0 else "falls"
    head = f"The concentration {fall} in {significant(last[0] - first[0])} {figures.unit(Quantity.TIME)}"
    table = table_of(sheet, "recovery")
    return (
        f"{head}; {table.labels[0]} in {words_of(figures, Quantity.TIME, table.cells[0][0])}"
        if table
        else head
    )
