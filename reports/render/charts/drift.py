"""Errors of one point over its calibrations, what the maker allows, and where the drift leads."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from reports.render.charts.axes import Axis, even
from reports.render.charts.base import (
    ACCENT,
    BAND,
    FAINT,
    GRID,
    INK,
    RULE,
    SOFT,
    WARN,
    frame,
    group,
    path,
    text,
)

_WIDTH, _HEIGHT = 380.0, 190.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 372.0, 22.0, 160.0
_STEPS = (1, 2, 5, 10)
_ASIDE = 0.04  # of the span, so that no dot sits on an axis
_EDGE = 'class="c-mean" stroke="#a04414" fill="none"'
_FOUND = 'class="c-found" stroke="#6d8087" fill="none"'
Place = Callable[[date], float]


@dataclass(frozen=True, slots=True)
class DriftPoint:
    """One calibration in display units: errors as found and as left, U."""

    on: date
    found: float
    left: float
    expanded: float


@dataclass(frozen=True, slots=True)
class DriftLine:
    """The predicted error on a day, with U (k = 2); display units."""

    on: date
    error: float
    expanded: float


def drift_chart(
    points: Sequence[DriftPoint],
    line: Sequence[DriftLine],
    limit: float | None,
    due: date | None,
    unit: str,
    title: str,
) -> str:
    """Dots with bars of U over the days, open where nothing was adjusted since; the prediction as a line
    between two dashed ones; the day that is advised as an upright.

    `title`: the finding in a sentence. `limit`: the largest error allowed, either side.
    """
    ordered = sorted(points, key=lambda one: one.on)
    days = [one.on for one in ordered] + [one.on for one in line] + ([due] if due else [])
    first, last = min(days), max(days)
    values = [v for one in ordered for v in (one.found - one.expanded, one.found + one.expanded, one.left)]
    bounds = [limit, -limit] if limit is not None else []
    y = even([*values, *bounds], _BOTTOM, _TOP, nought=True)
    span = max(float((last - first).days), 1.0)
    x = Axis(-_ASIDE * span, (1.0 + _ASIDE) * span, _LEFT, _RIGHT, ())

    def at(day: date) -> float:
        return x.at(float((day - first).days))

    body = _band(limit, y) + _frame(first, last, at, y, unit)
    body += path(f"M{_LEFT:.1f} {y.at(0.0):.1f}H{_RIGHT:.1f}", RULE, 0.9)
    body += _prediction(line, at, y) + _due(due, at)
    whiskers = "".join(
        f"M{at(one.on):.1f} {y.at(one.found - one.expanded):.1f}V{y.at(one.found + one.expanded):.1f}"
        for one in ordered
    )
    adjusted = "".join(
        f"M{at(one.on):.1f} {y.at(one.found):.1f}V{y.at(one.left):.1f}" for one in ordered if _moved(one)
    )
    body += path(whiskers, RULE, 1.2) + path(adjusted, FAINT, 1.6)
    dots = [f'<circle cx="{at(one.on):.1f}" cy="{y.at(one.found):.1f}" r="3"/>' for one in ordered]
    left = [
        f'<rect x="{at(one.on) - 3:.1f}" y="{y.at(one.left) - 3:.1f}" width="6" height="6"/>'
        for one in ordered
        if _moved(one)
    ]
    return frame(_WIDTH, _HEIGHT, title, body + group(ACCENT, dots) + group(INK, left))


def _moved(one: DriftPoint) -> bool:
    return one.found != one.left


def _band(limit: float | None, y: Axis) -> str:
    if limit is None:
        return ""
    high, low = y.at(limit), y.at(-limit)
    size = f'width="{_RIGHT - _LEFT:.1f}" height="{low - high:.1f}"'
    box = f'<rect x="{_LEFT:.1f}" y="{high:.1f}" {size} {BAND}/>'
    return box + path(f"M{_LEFT:.1f} {high:.1f}H{_RIGHT:.1f}M{_LEFT:.1f} {low:.1f}H{_RIGHT:.1f}", _EDGE, 0.9)


def _frame(first: date, last: date, at: Place, y: Axis, unit: str) -> str:
    """Grid and numbers: years, or months where all is within two years."""
    ticks = _ticks(first, last)
    lines = "".join(f"M{at(day):.1f} {_TOP:.1f}V{_BOTTOM:.1f}" for day, _ in ticks)
    lines += "".join(f"M{_LEFT:.1f} {y.at(t):.1f}H{_RIGHT:.1f}" for t in y.ticks)
    across = [text(at(day), _BOTTOM + 9, words) for day, words in ticks]
    up = [text(_LEFT - 4, y.at(t) + 2.4, y.label(t)) for t in y.ticks]
    name = text(2, _TOP - 8, f"error, {unit}".removesuffix(", "))
    return (
        path(lines, GRID, 0.5)
        + path(f"M{_LEFT:.1f} {_TOP:.1f}V{_BOTTOM:.1f}H{_RIGHT:.1f}", FAINT, 0.6)
        + group(SOFT, across, 'text-anchor="middle"')
        + group(SOFT, up, 'text-anchor="end"')
        + group(SOFT, [name])
    )


def _ticks(first: date, last: date) -> list[tuple[date, str]]:
    """Firsts of years within the span; firsts of quarters when it is short."""
    years = range(first.year, last.year + 1)
    if (last - first).days < 730:
        starts = [date(year, month, 1) for year in years for month in (1, 4, 7, 10)]
        return [(day, f"{day:%Y-%m}") for day in starts if first <= day <= last]
    step = next((n for n in _STEPS if len(years) / n <= 9), _STEPS[-1])
    starts = [date(year, 1, 1) for year in years if year % step == 0]
    return [(day, str(day.year)) for day in starts if first <= day <= last]


def _prediction(line: Sequence[DriftLine], at: Place, y: Axis) -> str:
    if len(line) < 2:
        return ""
    drawn = {
        sign: "M" + "L".join(f"{at(one.on):.1f} {y.at(one.error + sign * one.expanded):.1f}" for one in line)
        for sign in (-1, 0, 1)
    }
    edges = path(drawn[-1] + drawn[1], _FOUND, 0.9, 'stroke-dasharray="3 2"')
    return edges + path(drawn[0], 'class="c-line" stroke="#095a5e" fill="none"', 1.4)


def _due(due: date | None, at: Place) -> str:
    if due is None:
        return ""
    where = at(due)
    side, shift = ("end", -4) if where > (_LEFT + _RIGHT) / 2 else ("start", 4)
    words = text(where + shift, _TOP - 8, f"advised {due.isoformat()}", f'text-anchor="{side}"')
    upright = path(f"M{where:.1f} {_TOP - 4:.1f}V{_BOTTOM:.1f}", _EDGE, 1.2)
    return upright + group(WARN, [words])


def days_between(first: date, last: date, count: int = 24) -> list[date]:
    """Days evenly over a span, both ends among them."""
    span = max((last - first).days, 1)
    days = [first + timedelta(days=round(span * n / count)) for n in range(count + 1)]
    return [one for one, nxt in pairwise([*days, date.max]) if one != nxt]
