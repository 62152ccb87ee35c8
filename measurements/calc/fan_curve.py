"""The maker's curve of a fan: its falling side, and flow read off from a pressure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from .errors import Refused, finite, not_negative


@dataclass(frozen=True, slots=True)
class CurvePiece:
    """Flow over pressure near one pressure: a + x (b + x (c + x d)) with x = pressure - start.

    lowest, peak: pressures between which flow can be read off. peak_flow: flow at the peak; left of it the
    same pressure comes a second time and the fan stalls.
    """

    start: float
    coefficients: tuple[float, float, float, float]
    lowest: float
    peak: float
    peak_flow: float

    def flow(self, pressure: float) -> float:
        """Flow at a pressure within this piece."""
        return piece_flow((self.start, *self.coefficients), pressure)


def piece_flow(piece: Sequence[float], pressure: float) -> float:
    """The polynomial of a `CurvePiece` as (start, a, b, c, d). Can be traced."""
    start, a, b, c, d = piece
    x = pressure - start
    return a + x * (b + x * (c + x * d))


def falling_branch(flows: Sequence[float], pressures: Sequence[float]) -> list[tuple[float, float]]:
    """(pressure, flow) of a maker's curve from its lowest pressure up to its peak, in any order given.

    Errors: Refused for fewer than three points, unlike lengths, two points of one flow, negative figures, or
    a pressure that does not fall steadily to the right of the peak, or a peak with fewer than two points.
    """
    if len(flows) != len(pressures):
        raise Refused("curve_pressure", "must be as many as the flows", len(pressures))
    if len(flows) < 3:
        raise Refused("curve_flow", "needs at least three points", len(flows))
    for i, (q, p) in enumerate(zip(flows, pressures, strict=True)):
        not_negative(f"curve_flow[{i}]", q)
        not_negative(f"curve_pressure[{i}]", p)
    points = sorted(zip(flows, pressures, strict=True))
    if any(b[0] <= a[0] for a, b in pairwise(points)):
        raise Refused("curve_flow", "has two points of one flow", flows)
    peak = max(range(len(points)), key=lambda i: (points[i][1], i))
    branch = [(p, q) for q, p in reversed(points[peak:])]
    if len(branch) < 2 or any(b[0] <= a[0] for a, b in pairwise(branch)):
        raise Refused("curve_pressure", "must fall steadily from its peak as the flow grows", pressures)
    return branch


def curve_piece(flows: Sequence[float], pressures: Sequence[float], pressure: float) -> CurvePiece | None:
    """The piece of a maker's curve, right of its peak, that holds a pressure; None outside it.

    Between the points flow is a monotone cubic of pressure (Fritsch and Butland 1984, as usual in numerical
    libraries), so that it never swings. Errors: as `falling_branch`.
    """
    branch = falling_branch(flows, pressures)
    x, y = [p for p, _ in branch], [q for _, q in branch]
    if not x[0] <= finite("pressure", pressure) <= x[-1]:
        return None
    slopes = _monotone_slopes(x, y)
    i = next(n for n in range(len(x) - 1) if pressure <= x[n + 1])
    h = x[i + 1] - x[i]
    chord = (y[i + 1] - y[i]) / h
    c = (3.0 * chord - 2.0 * slopes[i] - slopes[i + 1]) / h
    d = (slopes[i] + slopes[i + 1] - 2.0 * chord) / (h * h)
    return CurvePiece(x[i], (y[i], slopes[i], c, d), x[0], x[-1], y[-1])


def _monotone_slopes(x: Sequence[float], y: Sequence[float]) -> list[float]:
    h = [b - a for a, b in pairwise(x)]
    chord = [(b - a) / w for (a, b), w in zip(pairwise(y), h, strict=True)]
    if len(chord) == 1:
        return [chord[0], chord[0]]
    inner = []
    for (h0, h1), (c0, c1) in zip(pairwise(h), pairwise(chord), strict=True):
        w0, w1 = 2.0 * h1 + h0, h1 + 2.0 * h0
        inner.append((w0 + w1) / (w0 / c0 + w1 / c1))
    first = _end_slope(h[0], h[1], chord[0], chord[1])
    last = _end_slope(h[-1], h[-2], chord[-1], chord[-2])
    return [first, *inner, last]


def _end_slope(h0: float, h1: float, c0: float, c1: float) -> float:
    """Three-point slope at an end, kept to the sign of the chord (all chords fall here)."""
    slope = ((2.0 * h0 + h1) * c0 - h0 * c1) / (h0 + h1)
    return 0.0 if slope * c0 <= 0.0 else slope
