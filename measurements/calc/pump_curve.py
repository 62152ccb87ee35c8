"""A pump's curve of head against flow: a smooth line through the maker's points, and its flow at a head.

Between the points a piecewise cubic that keeps their monotony (F. N. Fritsch and R. E. Carlson, SIAM Journal
on Numerical Analysis 17 (1980) 238, with the slopes of Fritsch and Butland). Only the falling branch is
inverted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from .errors import Refused, all_finite, not_negative, positive


@dataclass(frozen=True, slots=True)
class PumpCurve:
    """Points of a curve, flows rising (m3/s), heads (m), and the slope at each (m per m3/s)."""

    flows: tuple[float, ...]
    heads: tuple[float, ...]
    slopes: tuple[float, ...]

    @property
    def highest(self) -> float:
        """The largest head, m."""
        return max(self.heads)

    @property
    def lowest(self) -> float:
        """The head at the end of the curve, m."""
        return self.heads[-1]

    @property
    def shut_off(self) -> float | None:
        """Head at no flow; None when the curve does not begin there."""
        return self.heads[0] if self.flows[0] == 0.0 else None

    def head(self, flow: float) -> float:
        """Head in m at a flow in m3/s within the points."""
        if not self.flows[0] <= flow <= self.flows[-1]:
            raise Refused("flow", "lies outside the curve", flow)
        return self._cubic(self._piece(flow), flow)

    def flow_at(self, head: float) -> float:
        """Flow on the falling branch with this head, held at the branch's ends outside them."""
        low, high = self.flows[self.heads.index(self.highest)], self.flows[-1]
        if head >= self.highest:
            return low
        if head <= self.lowest:
            return high
        for _ in range(80):
            middle = 0.5 * (low + high)
            if self.head(middle) > head:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    def slope_over(self, head: float, u: float) -> float:
        """Slope d(head)/d(flow) that carries a standard uncertainty u of the head to the flow.

        From the flows at head -+ 2 u, so that a flat part gives a large but finite uncertainty (first order
        would give none or an endless one). Beyond the curve's end it goes on straight.
        """
        step = 2.0 * u if u > 0.0 else 1e-6 * max(abs(head), self.highest)
        here = self.flow_at(head)
        less = here - self.flow_at(head + step)
        more = self.flow_at(head - step) - here
        if head - step < self.lowest:
            end = min(self.slopes[-1], -1e-9)
            more = max(more + (self.lowest - head + step) / -end, more)
        width = less + more
        return -2.0 * step / width if width > 0.0 else -2.0 * step / (1e-9 * self.flows[-1])

    def _piece(self, flow: float) -> int:
        return next(i for i, end in enumerate(self.flows[1:]) if flow <= end)

    def _cubic(self, i: int, flow: float) -> float:
        width = self.flows[i + 1] - self.flows[i]
        t = (flow - self.flows[i]) / width
        rise = self.heads[i + 1] - self.heads[i]
        a = width * self.slopes[i] - rise
        b = rise - width * self.slopes[i + 1]
        return self.heads[i] + t * rise + t * (1.0 - t) * (a * (1.0 - t) + b * t)


def pump_curve(flows: Sequence[float], heads: Sequence[float]) -> PumpCurve:
    """The curve through the maker's points.

    Errors: Refused unless there are two points or more, flows rise from zero or above, heads are positive and
    fall from the largest to the last.
    """
    if len(flows) != len(heads) or len(flows) < 2:
        raise Refused("curve_flow", "needs as many heads as flows, at least two", len(flows))
    all_finite("curve_flow", flows)
    not_negative("curve_flow[0]", flows[0])
    for i, head in enumerate(heads):
        positive(f"curve_head[{i}]", head)
    for i, (a, b) in enumerate(pairwise(flows)):
        if b <= a:
            raise Refused(f"curve_flow[{i + 1}]", "must be above the flow before it", b)
    top = list(heads).index(max(heads))
    for i, (a, b) in enumerate(pairwise(heads)):
        if (i < top and b < a) or (i >= top and b >= a):
            raise Refused(f"curve_head[{i + 1}]", "must fall after the largest head and rise before it", b)
    if top == len(heads) - 1:
        raise Refused("curve_head", "must fall with the flow", tuple(heads))
    return PumpCurve(tuple(flows), tuple(heads), _slopes(flows, heads))


def _slopes(flows: Sequence[float], heads: Sequence[float]) -> tuple[float, ...]:
    widths = [b - a for a, b in pairwise(flows)]
    chords = [(b - a) / w for (a, b), w in zip(pairwise(heads), widths, strict=True)]
    if len(chords) == 1:
        return (chords[0], chords[0])
    inner = [
        _mean_slope(w, v, c, d) for (w, v), (c, d) in zip(pairwise(widths), pairwise(chords), strict=True)
    ]
    first = _end_slope(widths[0], widths[1], chords[0], chords[1])
    last = _end_slope(widths[-1], widths[-2], chords[-1], chords[-2])
    return (first, *inner, last)


def _mean_slope(left: float, right: float, before: float, after: float) -> float:
    """Weighted harmonic mean of two chords; zero at a turn (Fritsch and Butland 1984)."""
    if before * after <= 0.0:
        return 0.0
    a, b = 2.0 * right + left, right + 2.0 * left
    return (a + b) / (a / before + b / after)


def _end_slope(near: float, far: float, chord: float, next_chord: float) -> float:
    """Slope of the parabola through the three end points, kept so that the cubic does not turn."""
    slope = ((2.0 * near + far) * chord - near * next_chord) / (near + far)
    if slope * chord <= 0.0:
        return 0.0
    if chord * next_chord <= 0.0 and abs(slope) > 3.0 * abs(chord):
        return 3.0 * chord
    return slope
