"""A few figures of one quantity under each other on one scale, each with its interval, against a band."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from reports.document import Measured, Quantity
from reports.render.charts.axes import even
from reports.render.charts.base import BAND, FAINT, GRID, INK, RULE, SOFT, frame, group, path, text
from reports.render.figures import Figures

_WIDTH, _LEFT, _RIGHT, _TOP, _ROW = 300.0, 70.0, 214.0, 6.0, 20.0


@dataclass(frozen=True, slots=True)
class Compared:
    """One figure, SI, with its expanded uncertainty (0: none known) and its name."""

    label: str
    value: float
    expanded: float = 0.0


def compared(
    rows: Sequence[Compared],
    quantity: Quantity,
    figures: Figures,
    title: str,
    *,
    band: tuple[float, float] | None = None,
    nought: bool = False,
) -> str:
    """Rows from top to bottom, their figures at the right; `band`: where they should lie, SI.

    `nought`: the axis holds it and a line marks it. Nothing without rows.
    """
    held = [row for row in rows if isfinite(row.value) and isfinite(row.expanded)]
    if not held:
        return ""
    ends = [v for row in held for v in (row.value - row.expanded, row.value + row.expanded)]
    ends += band or ()
    x = even([figures.shown(quantity, v) for v in ends], _LEFT, _RIGHT, nought=nought)

    def at(value: float) -> float:
        return x.at(figures.shown(quantity, value))

    bottom = _TOP + len(held) * _ROW
    body = ""
    if band is not None:
        low, high = at(band[0]), at(band[1])
        body += f'<path d="M{low:.1f} {_TOP}H{high:.1f}V{bottom:.1f}H{low:.1f}z" {BAND}/>'
        body += path(f"M{low:.1f} {_TOP}V{bottom:.1f}M{high:.1f} {_TOP}V{bottom:.1f}", FAINT, 0.8)
    body += path("".join(f"M{x.at(t):.1f} {_TOP}V{bottom:.1f}" for t in x.ticks), GRID, 0.5)
    if nought:
        body += path(f"M{at(0.0):.1f} {_TOP}V{bottom:.1f}", RULE, 0.8)
    middles = [_TOP + (k + 0.5) * _ROW for k in range(len(held))]
    pairs = list(zip(held, middles, strict=True))
    bars = "".join(
        f"M{at(r.value - r.expanded):.1f} {y:.1f}H{at(r.value + r.expanded):.1f}" for r, y in pairs
    )
    dots = [f'<circle cx="{at(r.value):.1f}" cy="{y:.1f}" r="2.6"/>' for r, y in pairs]
    names = [text(_LEFT - 6, y + 2.4, r.label[:18]) for r, y in pairs]
    words = [text(_RIGHT + 8, y + 2.4, figure_of(r, quantity, figures)) for r, y in pairs]
    ticks = [text(x.at(t), bottom + 9, x.label(t)) for t in x.ticks]
    body += (
        path(bars, 'class="c-line" stroke="#095a5e" fill="none"', 3.2)
        + group(INK, dots)
        + group(INK, names, 'text-anchor="end"')
        + group(INK, words)
        + group(SOFT, ticks, 'text-anchor="middle"')
        + group(SOFT, [text(_RIGHT + 8, bottom + 9, figures.unit(quantity))])
    )
    return frame(_WIDTH, bottom + 13, title, body)


def figure_of(row: Compared, quantity: Quantity, figures: Figures) -> str:
    """A row's figure with its U and unit."""
    return str(figures.figure(quantity, Measured(value=row.value, expanded=row.expanded or None)))
