"""Leakage over pressure on logarithms: steps, the line through them, the limits of the classes."""

from math import log

from reports.document import Quantity, TestSheet
from reports.render.charts.axes import LEAST, Axis, by_tens, crosses, lattice, line_of, pairs, shown, table_of
from reports.render.charts.base import ACCENT, FAINT, SOFT, WARN, frame, group, path, spread, text
from reports.render.figures import Figures, significant

_WIDTH, _HEIGHT = 248.0, 168.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 30.0, 204.0, 16.0, 142.0
_LINE = 'class="c-line" stroke="#095a5e" fill="none"'


def leakage_lines(sheet: TestSheet, figures: Figures) -> str:
    """Points with intervals; the class asked for is drawn heavy, the others faint."""
    steps, line, at = (_above(sheet, kind, figures) for kind in ("leak_steps", "leak_line", "leak_at"))
    if not line:
        return ""
    limits = _limits(sheet, figures)
    x = by_tens([p for p, *_ in line], _LEFT, _RIGHT)
    y = by_tens([q for _, _, q, _ in [*steps, *line]] + _near(limits, line), _BOTTOM, _TOP)
    body = lattice(x, y, (figures.unit(Quantity.PRESSURE), figures.unit(Quantity.FLOW)))
    heavy = "".join(line_of(ends, x, y) for _, asked, ends in limits if asked)
    faint = "".join(line_of(ends, x, y) for _, asked, ends in limits if not asked and _inside(ends, y))
    body += path(faint, FAINT, 0.7) if faint else ""
    if heavy:
        body += path(heavy, 'class="c-mean" stroke="#a04414" fill="none"', 1.4, 'stroke-dasharray="4 2"')
    for pressure, _, flow, _ in at:
        mark = f"M{x.at(pressure):.1f} {_BOTTOM}V{y.at(flow):.1f}H{_LEFT}"
        body += path(mark, FAINT, 0.8, 'stroke-dasharray="1.5 1.5"')
    body += path(line_of([(p, q) for p, _, q, _ in line], x, y), _LINE, 1.5)
    body += crosses(steps, x, y)
    kept = [one for one in limits if one[1] or _inside(one[2], y)]
    ends = spread([y.at(ends[-1][1]) for _, _, ends in kept], 8.0)
    names = (
        group(
            WARN + ' font-weight="600"' if asked else SOFT,
            [text(_RIGHT + 4, place + 2.4, f"limit {name}" if asked else name)],
        )
        for (name, asked, _), place in zip(kept, ends, strict=True)
    )
    return frame(_WIDTH, _HEIGHT, _title(sheet, figures), body + "".join(names) + _at_words(at, x))


def _above(sheet: TestSheet, kind: str, figures: Figures) -> list[tuple[float, float, float, float]]:
    """Rows of a table that have a logarithm."""
    return [row for row in pairs(table_of(sheet, kind), figures) if row[0] > LEAST and row[2] > LEAST]


Limit = tuple[str, bool, list[tuple[float, float]]]


def _limits(sheet: TestSheet, figures: Figures) -> list[Limit]:
    """Each class with whether it was asked for, and the ends of its line."""
    table = table_of(sheet, "leak_classes")
    if table is None:
        return []
    ends: dict[str, list[tuple[float, float]]] = {}
    for label, row in zip(table.labels, table.cells, strict=True):
        p, q = (shown(figures, quantity, c)[0] for quantity, c in zip(table.quantities, row, strict=True))
        ends.setdefault(label, []).append((p, q))
    asked = {name for name, word in zip(table.labels, table.words, strict=False) if word}
    return [
        (name, name in asked, points)
        for name, points in ends.items()
        if min(min(p, q) for p, q in points) > LEAST and points[0][0] < points[-1][0]
    ]


def _near(limits: list[Limit], line: list[tuple[float, float, float, float]]) -> list[float]:
    """Flows that the axis should hold: the class asked for, else the classes next to the line."""
    if asked := [q for _, wanted, ends in limits if wanted for _, q in ends]:
        return asked
    middle = line[0][2]
    below = [ends for _, _, ends in limits if ends[0][1] <= middle]
    above = [ends for _, _, ends in limits if ends[0][1] > middle]
    beside = [max(below, key=lambda e: e[0][1])] if below else []
    beside += [min(above, key=lambda e: e[0][1])] if above else []
    return [q for ends in beside for _, q in ends]


def _inside(ends: list[tuple[float, float]], y: Axis) -> bool:
    return all(y.low <= q <= y.high for _, q in ends)


def _at_words(at: list[tuple[float, float, float, float]], x: Axis) -> str:
    words = [
        text(x.at(p), _BOTTOM + 18, "test pressure", 'text-anchor="middle" font-weight="600"') for p, *_ in at
    ]
    return group(ACCENT, words)


def _title(sheet: TestSheet, figures: Figures) -> str:
    at = _above(sheet, "leak_at", figures)
    asked = [name for name, wanted, _ in _limits(sheet, figures) if wanted]
    head = "Leakage over pressure"
    if at:
        p, _, q, _ = at[0]
        head = (
            f"Leak flow {significant(q)} {figures.unit(Quantity.FLOW)} at {significant(p)} "
            f"{figures.unit(Quantity.PRESSURE)}"
        )
        limit = next((ends for _, wanted, ends in _limits(sheet, figures) if wanted), None)
        if limit:
            share = q / _between(limit, p)
            head += f", {significant(100 * share, 2)} % of the limit of class {asked[0]}"
    steps = pairs(table_of(sheet, "leak_steps"), figures)
    read = "; ".join(f"{significant(p)}: {significant(q)}" for p, _, q, _ in steps)
    return f"{head}. Steps {read}" if read else head


def _between(ends: list[tuple[float, float]], pressure: float) -> float:
    """A class's limit at a pressure: its line is straight on logarithms."""
    (a, qa), (b, qb) = ends[0], ends[-1]
    return float(qa * (qb / qa) ** (log(pressure / a) / log(b / a)))
