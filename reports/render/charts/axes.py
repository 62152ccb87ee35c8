"""Axes of the pictures: from display units to points, even or by logarithms, with round ticks."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, isfinite, log10

from reports.document import Cell, Measured, Plotted, Quantity, TestSheet
from reports.render.charts.base import FAINT, GRID, RULE, SOFT, group, path, text
from reports.render.charts.profile import exponent, scale_of
from reports.render.figures import Figures, number, significant

LEAST = 1e-12  # below it nothing has a logarithm here
FEW, MANY = 4, 9  # ticks


@dataclass(frozen=True, slots=True)
class Axis:
    """`low` to `high` in display units over the points `start` to `end`; values outside stay at the ends."""

    low: float
    high: float
    start: float
    end: float
    ticks: tuple[float, ...]
    decimals: int = 0
    logarithmic: bool = False

    def at(self, value: float) -> float:
        """The place of a value."""
        low, high = self.low, self.high
        if self.logarithmic:
            value, low, high = log10(max(value, LEAST)), log10(low), log10(high)
        share = (value - low) / (high - low) if isfinite(value) else 0.0
        return self.start + min(max(share, 0.0), 1.0) * (self.end - self.start)

    def label(self, tick: float) -> str:
        """A tick's number."""
        return significant(tick, 1) if self.logarithmic else number(tick, self.decimals)


def even(values: Sequence[float], start: float, end: float, *, nought: bool = False) -> Axis:
    """An even axis that holds the values, and nought if asked."""
    held = [v for v in values if isfinite(v)] or [0.0]
    low, high, step = (
        scale_of(min(held), max(held)) if not nought else scale_of(min(0.0, *held), max(0.0, *held))
    )
    count = round((high - low) / step)
    ticks = tuple(low + k * step for k in range(count + 1))
    return Axis(low, high, start, end, ticks, max(0, -exponent(step)))


def by_tens(values: Sequence[float], start: float, end: float) -> Axis:
    """A logarithmic axis that holds the values above nought; ticks at 1, 2 and 5, or more or fewer."""
    held = [v for v in values if isfinite(v) and v > LEAST] or [1.0]
    low, high = min(held) / 1.05, max(held) * 1.05
    tens = range(floor(log10(low)), ceil(log10(high)) + 1)
    ticks = _ticks(tens, (1, 2, 5), low, high)
    if len(ticks) < FEW:
        ticks = _ticks(tens, (1, 2, 3, 5, 7), low, high)
    if len(ticks) > MANY:
        every = ceil(len(tens) / MANY)
        ticks = _ticks(tens[::every], (1,), low, high)
    return Axis(low, high, start, end, tuple(ticks), logarithmic=True)


def _ticks(tens: Sequence[int], steps: Sequence[int], low: float, high: float) -> list[float]:
    return [m * 10.0**k for k in tens for m in steps if low <= m * 10.0**k <= high]


def lattice(x: Axis, y: Axis, units: tuple[str, str]) -> str:
    """Grid, frame and numbers of a picture with two axes; the units stand at their ends."""
    top, bottom = min(y.start, y.end), max(y.start, y.end)
    lines = "".join(f"M{x.at(t):.1f} {top:.1f}V{bottom:.1f}" for t in x.ticks)
    lines += "".join(f"M{x.start:.1f} {y.at(t):.1f}H{x.end:.1f}" for t in y.ticks)
    across = [text(x.at(t), bottom + 9, x.label(t)) for t in x.ticks]
    up = [text(x.start - 4, y.at(t) + 2.4, y.label(t)) for t in y.ticks]
    ends = [text(x.start - 4, top - 5, units[1], 'text-anchor="end"')] if units[1] else []
    ends += [text(x.end, bottom + 18, units[0], 'text-anchor="end"')] if units[0] else []
    return (
        path(lines, GRID, 0.5)
        + path(f"M{x.start:.1f} {top:.1f}V{bottom:.1f}H{x.end:.1f}", FAINT, 0.6)
        + group(SOFT, across, 'text-anchor="middle"')
        + group(SOFT, up, 'text-anchor="end"')
        + group(SOFT, ends)
    )


def line_of(points: Sequence[tuple[float, float]], x: Axis, y: Axis) -> str:
    """A line through points as path data."""
    return "M" + "L".join(f"{x.at(a):.1f} {y.at(b):.1f}" for a, b in points) if points else ""


def crosses(points: Sequence[tuple[float, float, float, float]], x: Axis, y: Axis) -> str:
    """Points (x, U, y, U) with bars as wide as their intervals."""
    across = "".join(f"M{x.at(a - u):.1f} {y.at(b):.1f}H{x.at(a + u):.1f}" for a, u, b, _ in points)
    up = "".join(f"M{x.at(a):.1f} {y.at(b - v):.1f}V{y.at(b + v):.1f}" for a, _, b, v in points)
    dots = "".join(f'<circle cx="{x.at(a):.1f}" cy="{y.at(b):.1f}" r="2.2"/>' for a, _, b, _ in points)
    return path(across + up, RULE, 1.0) + group('class="c-ink" fill="#1b2733"', [dots]) if points else ""


def table_of(sheet: TestSheet, kind: str) -> Plotted | None:
    """The plotted table of a kind that holds anything."""
    return next((t for t in sheet.plotted if t.kind == kind and t.labels), None)


def column(table: Plotted | None, name: str) -> list[Cell]:
    """The cells of a column; none without the table or the column."""
    if table is None or name not in table.names:
        return []
    k = table.names.index(name)
    return [row[k] for row in table.cells]


def shown(figures: Figures, quantity: Quantity, cell: Cell) -> tuple[float, float]:
    """A cell's value and U in display units; nought for what is missing."""
    unit = figures.units[quantity]
    value = 0.0 if cell.value is None else figures.shown(quantity, cell.value)
    return value, (cell.expanded or 0.0) * unit.factor


def pairs(table: Plotted | None, figures: Figures) -> list[tuple[float, float, float, float]]:
    """The first two columns of a table in display units, each with its U."""
    if table is None:
        return []
    first, second = table.quantities[:2]
    return [
        (*shown(figures, first, row[0]), *shown(figures, second, row[1]))
        for row in table.cells
        if row[0].value is not None and row[1].value is not None
    ]


def words_of(figures: Figures, quantity: Quantity, cell: Cell) -> str:
    """A cell as text with its U and unit."""
    if cell.value is None:
        return ""
    return str(figures.figure(quantity, Measured(value=cell.value, expanded=cell.expanded)))
