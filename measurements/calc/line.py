"""A straight line through calibration data, with the correlation of its two numbers.

Source: JCGM 100:2008 H.3 (ordinary least squares; the scatter is estimated from the residuals).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .errors import Refused, all_finite
from .method import Estimate


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope (x - origin). s: scatter of one point about the line. r: of both."""

    origin: float
    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    r: float
    s: float
    dof: float

    def at(self, x: float) -> Estimate:
        """The line's value at x with its standard uncertainty (GUM H.3.4); without the scatter of a point."""
        d = x - self.origin
        covariance = self.r * self.u_intercept * self.u_slope
        variance = self.u_intercept**2 + (d * self.u_slope) ** 2 + 2.0 * d * covariance
        return Estimate(self.intercept + self.slope * d, math.sqrt(max(variance, 0.0)), self.dof)


def fit_line(x: Sequence[float], y: Sequence[float], origin: float = 0.0) -> Line:
    """Least-squares line through three or more points. Errors: Refused (too few, all at one x)."""
    if len(x) != len(y) or len(x) < 3:
        raise Refused("points", "need as many y as x, at least three", (len(x), len(y)))
    all_finite("x", x)
    all_finite("y", y)
    n = len(x)
    t = [v - origin for v in x]
    mean_t, mean_y = math.fsum(t) / n, math.fsum(y) / n
    spread = math.fsum((v - mean_t) ** 2 for v in t)
    if spread == 0.0:
        raise Refused("x", "has no spread: no line can be told", x[0])
    slope = math.fsum((v - mean_t) * (w - mean_y) for v, w in zip(t, y, strict=True)) / spread
    intercept = mean_y - slope * mean_t
    rest = math.fsum((w - intercept - slope * v) ** 2 for v, w in zip(t, y, strict=True))
    s = math.sqrt(rest / (n - 2))
    squares = math.fsum(v * v for v in t)
    u_intercept, u_slope = s * math.sqrt(squares / (n * spread)), s / math.sqrt(spread)
    return Line(
        origin, intercept, slope, u_intercept, u_slope, -mean_t / math.sqrt(squares / n), s, float(n - 2)
    )
