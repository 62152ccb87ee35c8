"""Octave bands over the NC curves, the band that governs marked."""

from reports.document import Plotted, Quantity, TestSheet
from reports.render.charts.axes import Axis, crosses, even, lattice, line_of, shown, table_of
from reports.render.charts.base import FAINT, SOFT, WARN, frame, group, path, text
from reports.render.figures import Figures, number

_WIDTH, _HEIGHT = 248.0, 176.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 24.0, 214.0, 16.0, 150.0
_Q = Quantity.SOUND_LEVEL
_BANDS = ("63", "125", "250", "500", "1000", "2000", "4000", "8000")
_SHORT = {"1000": "1k", "2000": "2k", "4000": "4k", "8000": "8k"}


def noise_bands(sheet: TestSheet, figures: Figures) -> str:
    """The source's spectrum with its intervals; the curve that it touches dashed, usual curves faint."""
    table, curves = table_of(sheet, "bands"), table_of(sheet, "nc_curves")
    if table is None:
        return ""
    found = [
        (_BANDS.index(band), shown(figures, _Q, row[0]), shown(figures, _Q, row[1])[0])
        for band, row in zip(table.labels, table.cells, strict=True)
        if band in _BANDS and row[0].value is not None
    ]
    if not found:
        return ""
    lines = _curves(curves)
    values = [v for _, (level, u), held in found for v in (level - u, level + u, held)]
    y = even(values, _BOTTOM, _TOP)
    x = Axis(-0.3, len(_BANDS) - 0.7, _LEFT, _RIGHT, tuple(float(k) for k in range(len(_BANDS))))
    body = _ground(x, y, lines)
    held = line_of([(k, curve) for k, _, curve in found], x, y)
    body += path(held, 'class="c-mean" stroke="#a04414" fill="none"', 1.1, 'stroke-dasharray="4 2"')
    spectrum = line_of([(k, level) for k, (level, _), _ in found], x, y)
    body += path(spectrum, 'class="c-line" stroke="#095a5e" fill="none"', 1.5)
    body += crosses([(k, 0.0, level, u) for k, (level, u), _ in found], x, y)
    governing = [one for one, word in zip(found, table.words, strict=False) if word == "governs"]
    body += "".join(_governs(k, level, x, y) for k, (level, _), _ in governing)
    return frame(_WIDTH, _HEIGHT, _title(sheet, found, governing), body)


Found = tuple[int, tuple[float, float], float]


def _curves(table: Plotted | None) -> list[tuple[str, list[tuple[int, float]]]]:
    if table is None:
        return []
    return [
        (label, [(k, cell.value) for k, cell in enumerate(row) if cell.value is not None])
        for label, row in zip(table.labels, table.cells, strict=True)
    ]


def _ground(x: Axis, y: Axis, curves: list[tuple[str, list[tuple[int, float]]]]) -> str:
    """Axes, and those parts of the curves that lie between them."""
    body = lattice(Axis(x.low, x.high, x.start, x.end, ()), y, ("Hz", "dB"))
    names = [text(x.at(k), _BOTTOM + 9, _SHORT.get(band, band)) for k, band in enumerate(_BANDS)]
    drawn, labels = "", []
    for label, points in curves:
        inside = [(k, level) for k, level in points if y.low <= level <= y.high]
        if len(inside) < 2:
            continue
        drawn += line_of(inside, x, y)
        k, level = inside[-1]
        if k == len(_BANDS) - 1:
            labels.append(text(_RIGHT + 3, y.at(level) + 2.4, label))
    return (
        body
        + path(drawn or "M0 0", FAINT, 0.6)
        + group(SOFT, labels)
        + group(SOFT, names, 'text-anchor="middle"')
    )


def _governs(k: int, level: float, x: Axis, y: Axis) -> str:
    """A ring round the band that governs, and the word beside it."""
    ring = (
        f'<circle cx="{x.at(k):.1f}" cy="{y.at(level):.1f}" r="5" '
        'class="c-mean" fill="none" stroke="#a04414" stroke-width="1.2"/>'
    )
    left, place = max(x.at(k) - 4, _LEFT + 26), min(y.at(level) + 13, _BOTTOM - 3)
    return ring + group(WARN + ' font-weight="600" text-anchor="end"', [text(left, place, "governs")])


def _title(sheet: TestSheet, found: list[Found], governing: list[Found]) -> str:
    band = f", governed by {_BANDS[governing[0][0]]} Hz" if governing else ""
    levels = ", ".join(f"{_BANDS[k]} Hz {number(level, 1)}" for k, (level, _), _ in found)
    return f"NC {number(sheet.result.value, 0)}{band}. Levels in dB: {levels}"
