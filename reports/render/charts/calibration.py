"""Errors of a calibration with their uncertainty, against what the maker allows."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from reports.render.charts.axes import Axis, even, lattice
from reports.render.charts.base import ACCENT, BAND, RULE, WARN, frame, group, path

_WIDTH, _HEIGHT = 380.0, 190.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 54.0, 372.0, 18.0, 160.0


@dataclass(frozen=True, slots=True)
class ErrorPoint:
    """A point of a certificate in display units: what was true, by how much it showed too much, U of that,
    and the largest error allowed (None: no promise)."""

    reference: float
    error: float
    expanded: float
    limit: float | None
    outside: bool


def calibration_errors(points: Sequence[ErrorPoint], unit: str, title: str) -> str:
    """Errors over the reference as dots with bars of U, the allowed band behind; squares lie outside.

    `unit`: of both axes. `title`: the finding in a sentence.
    """
    ordered = sorted(points, key=lambda one: one.reference)
    limits = [one.limit for one in ordered if one.limit is not None]
    values = [v for one in ordered for v in (one.error - one.expanded, one.error + one.expanded)]
    x = even([one.reference for one in ordered], _LEFT, _RIGHT)
    y = even([*values, *limits, *(-v for v in limits)], _BOTTOM, _TOP, nought=True)
    body = "".join(_band(run, x, y) for run in _runs(ordered))
    body += lattice(x, y, (f"true, {unit}".removesuffix(", "), f"error, {unit}".removesuffix(", ")))
    body += path(f"M{x.start:.1f} {y.at(0.0):.1f}H{x.end:.1f}", RULE, 0.9)
    body += path("".join(_whisker(one, x, y) for one in ordered), RULE, 1.2)
    dots = [
        f'<circle cx="{x.at(one.reference):.1f}" cy="{y.at(one.error):.1f}" r="3"/>' for one in _in(ordered)
    ]
    squares = [
        f'<rect x="{x.at(one.reference) - 3.5:.1f}" y="{y.at(one.error) - 3.5:.1f}" width="7" height="7"/>'
        for one in ordered
        if one.outside
    ]
    return frame(_WIDTH, _HEIGHT, title, body + group(ACCENT, dots) + group(WARN, squares))


def _in(points: Sequence[ErrorPoint]) -> list[ErrorPoint]:
    return [one for one in points if not one.outside]


def _runs(points: Sequence[ErrorPoint]) -> list[list[ErrorPoint]]:
    """Neighbours that all have a limit; the band has a gap where there is none."""
    return [list(run) for held, run in groupby(points, key=lambda one: one.limit is not None) if held]


def _band(run: Sequence[ErrorPoint], x: Axis, y: Axis) -> str:
    limits = [(one.reference, one.limit or 0.0) for one in run]
    if len(limits) == 1:  # a single point: a short piece, so that there is something to see
        width, limit = 0.02 * (x.high - x.low), limits[0][1]
        limits = [(limits[0][0] - width, limit), (limits[0][0] + width, limit)]
    upper = [f"{x.at(a):.1f} {y.at(b):.1f}" for a, b in limits]
    lower = [f"{x.at(a):.1f} {y.at(-b):.1f}" for a, b in reversed(limits)]
    edge = 'class="c-mean" stroke="#a04414" fill="none"'
    edges = path(f"M{'L'.join(upper)}M{'L'.join(lower)}", edge, 0.9)
    return f'<path d="M{"L".join(upper + lower)}Z" {BAND}/>{edges}'


def _whisker(one: ErrorPoint, x: Axis, y: Axis) -> str:
    at, low, high = x.at(one.reference), y.at(one.error - one.expanded), y.at(one.error + one.expanded)
    return f"M{at:.1f} {low:.1f}V{high:.1f}M{at - 3:.1f} {low:.1f}h6M{at - 3:.1f} {high:.1f}h6"
