"""A maker's curve of a fan or pump at the speed found, and the measured point with its interval."""

from reports.document import TestSheet
from reports.render.charts.axes import Axis, crosses, even, lattice, line_of, pairs, table_of, words_of
from reports.render.charts.base import INK, SOFT, frame, group, path, text
from reports.render.figures import Figures

_WIDTH, _HEIGHT = 248.0, 158.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 238.0, 16.0, 132.0


def maker_curve(sheet: TestSheet, figures: Figures) -> str:
    """Curve with the maker's points as rings; what was found as dots with bars of their intervals."""
    line, found = table_of(sheet, "curve_line"), table_of(sheet, "operation")
    if line is None or found is None:
        return ""
    curve, points = pairs(line, figures), pairs(table_of(sheet, "curve_points"), figures)
    dots = pairs(found, figures)
    if not curve or len(dots) != len(found.labels):
        return ""
    x = even([v for q, u, _, _ in (*curve, *dots) for v in (q - u, q + u)], _LEFT, _RIGHT, nought=True)
    y = even([v for _, _, p, u in (*curve, *dots) for v in (p - u, p + u)], _BOTTOM, _TOP, nought=True)
    units = (figures.unit(found.quantities[0]), figures.unit(found.quantities[1]))
    rings = [f'<circle cx="{x.at(q):.1f}" cy="{y.at(p):.1f}" r="1.8"/>' for q, _, p, _ in points]
    body = (
        lattice(x, y, units)
        + path(
            line_of([(q, p) for q, _, p, _ in curve], x, y),
            'class="c-line" stroke="#095a5e" fill="none"',
            1.5,
        )
        + group('class="c-paper" fill="#fff" stroke="#095a5e" stroke-width=".8"', rings)
        + crosses(dots, x, y)
        + _labels(found.labels, dots, x, y)
    )
    words = found.words[0] if found.words else ""
    name = text(_LEFT + 4, _BOTTOM - 4, f"curve at the speed found, {words}".rstrip(", "))
    return frame(_WIDTH, _HEIGHT, _title(sheet, figures), body + group(SOFT, [name]))


def _labels(names: tuple[str, ...], dots: list[tuple[float, float, float, float]], x: Axis, y: Axis) -> str:
    """Names beside the dots, below them so that the curve stays free."""
    texts = []
    for name, (q, _, p, u) in zip(names, dots, strict=True):
        right = x.at(q) > (_LEFT + _RIGHT) / 2
        place = min(y.at(p - u) + 10, _BOTTOM - 12)
        more = 'text-anchor="end"' if right else ""
        texts.append(text(x.at(q) + (-4 if right else 4), place, name, more))
    return group(INK + ' font-weight="600"', texts)


def _title(sheet: TestSheet, figures: Figures) -> str:
    found = table_of(sheet, "operation")
    assert found is not None
    flow, pressure = found.cells[0][:2]
    word = found.words[0] if found.words else "pressure"
    return (
        f"{found.labels[0].capitalize()}: flow {words_of(figures, found.quantities[0], flow)}, {word} "
        f"{words_of(figures, found.quantities[1], pressure)}, against the maker's curve at the speed found"
    )
