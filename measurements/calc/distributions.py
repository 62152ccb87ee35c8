"""Normal and Student t distributions in plain Python, and standard uncertainties from limits.

Sources: JCGM 100:2008 (GUM) 4.3, G.3, G.4; the incomplete beta function by its continued fraction
(Abramowitz and Stegun 26.5.8, evaluated by the modified Lentz method).
"""

from __future__ import annotations

import math
from enum import StrEnum
from functools import lru_cache
from statistics import NormalDist

from .errors import Refused, not_negative

COVERAGE = 0.9545
"""Usual coverage probability of expanded uncertainties: k = 2.00 for a normal distribution."""

_NORMAL = NormalDist()
_LARGE_DOF = 1e7


class Distribution(StrEnum):
    """Shape of the error behind an uncertainty component (used by Monte Carlo and shown in budgets)."""

    NORMAL = "normal"
    T = "t"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


_DIVISORS = {
    Distribution.RECTANGULAR: math.sqrt(3.0),
    Distribution.TRIANGULAR: math.sqrt(6.0),
    Distribution.ARCSINE: math.sqrt(2.0),
}


def from_limits(half_width: float, distribution: Distribution = Distribution.RECTANGULAR) -> float:
    """Standard uncertainty of an error known to lie within +-half_width (GUM 4.3.7 to 4.3.9)."""
    if distribution not in _DIVISORS:
        raise Refused("distribution", "has no limits; give a standard uncertainty", distribution)
    return not_negative("half_width", half_width) / _DIVISORS[distribution]


def from_resolution(step: float) -> float:
    """Standard uncertainty of a display that shows steps of `step` (GUM F.2.2.1): step / sqrt(12)."""
    return not_negative("resolution", step) / math.sqrt(12.0)


def normal_cdf(z: float) -> float:
    """Probability that a standard normal variable is at most z."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """z with `normal_cdf(z) == p`, for 0 < p < 1."""
    return _NORMAL.inv_cdf(p)


def t_cdf(t: float, dof: float) -> float:
    """Probability that a Student t variable with `dof` degrees of freedom is at most t."""
    if math.isinf(t):
        return 1.0 if t > 0 else 0.0
    if dof > _LARGE_DOF:
        return normal_cdf(t)
    whole = dof + t * t
    tail = 0.5 * _beta_ratio(dof / 2.0, 0.5, dof / whole, t * t / whole)
    return tail if t < 0.0 else 1.0 - tail


@lru_cache(maxsize=4096)
def t_quantile(p: float, dof: float) -> float:
    """t with `t_cdf(t, dof) == p`, for 0 < p < 1; Newton steps kept between bounds.

    Far below one degree of freedom it may be beyond 1.3e154, whose square is no float: that is given then.
    """
    if not 0.0 < p < 1.0 or not dof > 0.0:
        raise Refused("p, dof", "need 0 < p < 1 and dof above zero", (p, dof))
    if dof > _LARGE_DOF or p == 0.5:
        return normal_quantile(p)
    if p < 0.5:
        return -t_quantile(1.0 - p, dof)
    low, high = 0.0, math.inf
    z = normal_quantile(p)
    t = z + 0.25 * (z**3 + z) / dof
    scale = math.exp(_log_beta(0.5 * dof, 0.5)) * math.sqrt(dof)  # 1 over the density at zero
    for _ in range(200):
        over = t_cdf(t, dof) - p
        low, high = (low, t) if over > 0.0 else (t, high)
        step = over * scale * math.exp(0.5 * (dof + 1.0) * math.log1p(t * t / dof))
        near, t = t, t - step
        if abs(step) <= 1e-9 * near:  # the next step would be of the order of its square
            break
        if not low < t < high:
            t = 0.5 * (low + high) if high < math.inf else 2.0 * near
    return t


def coverage_factor(dof: float, coverage: float = COVERAGE) -> float:
    """k for a two-sided interval: Student t, dof cut to the next lower whole number (GUM G.4.1)."""
    if not dof >= 1.0:
        dof = 1.0
    whole = dof if math.isinf(dof) else float(math.floor(dof + 1e-9))
    return t_quantile(0.5 * (1.0 + coverage), whole)


def bounded_share_factor(share: float, coverage: float = COVERAGE) -> float:
    """k for a sum of a normal and a rectangular error over k for a normal one; at most 1.

    share: of the variance that the rectangular error has, 0 to 1. 2.00 becomes 1.653 for a rectangular error
    alone (GUM G.6.5 calls for it where one dominates). From the exact distribution, between 201 shares.
    """
    if not 0.0 <= share <= 1.0:
        raise Refused("share", "must lie between 0 and 1", share)
    table = _bounded_table(coverage)
    place = share * (len(table) - 1)
    i = min(int(place), len(table) - 2)
    return table[i] + (place - i) * (table[i + 1] - table[i])


@lru_cache(maxsize=16)
def _bounded_table(coverage: float) -> tuple[float, ...]:
    normal = normal_quantile(0.5 * (1.0 + coverage))
    return tuple(_bounded_quantile(i / 200.0, coverage) / normal for i in range(201))


def _bounded_quantile(share: float, coverage: float) -> float:
    """Half width of the interval that holds `coverage` of a normal plus a rectangular error of variance 1."""
    if share == 0.0:
        return normal_quantile(0.5 * (1.0 + coverage))
    half, s = math.sqrt(3.0 * share), math.sqrt(1.0 - share)
    if s == 0.0:
        return coverage * half

    def held(x: float) -> float:
        upper, lower = (x + half) / s, (x - half) / s
        return s / half * (_normal_integral(upper) - _normal_integral(lower)) - 1.0

    low, high = 0.0, half + 10.0 * s
    for _ in range(100):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if held(middle) < coverage else (low, middle)
    return 0.5 * (low + high)


def _normal_integral(z: float) -> float:
    """Integral of the normal distribution function up to z."""
    return z * normal_cdf(z) + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def _beta_ratio(a: float, b: float, x: float, y: float) -> float:
    """Regularised incomplete beta function I_x(a, b); y is 1 - x, given with all its digits."""
    if x <= 0.0 or y <= 0.0:
        return 0.0 if x <= 0.0 else 1.0
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _beta_ratio(b, a, y, x)
    log_front = -_log_beta(a, b) + a * _log(x, y) + b * _log(y, x)
    return math.exp(log_front) * _beta_fraction(a, b, x) / a


def _log(x: float, y: float) -> float:
    """ln x, from y = 1 - x where that has more digits."""
    return math.log(x) if x < 0.5 else math.log1p(-y)


def _log_beta(a: float, b: float) -> float:
    """ln B(a, b); for one large argument by Stirling's series, where the gammas' digits would cancel."""
    small, large = min(a, b), max(a, b)
    if large < 500.0:
        return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)
    both = small + large
    series = [(1.0 / 12.0) / v - (1.0 / 360.0) / v**3 for v in (large, both)]
    shift = -small * math.log(both) + (large - 0.5) * math.log1p(-small / both) + small
    return math.lgamma(small) + shift + series[0] - series[1]


def _beta_fraction(a: float, b: float, x: float) -> float:
    tiny = 1e-300
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    answer = d
    for m in range(1, 10_000):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        for term in (even, odd):
            d = 1.0 + term * d
            c = 1.0 + term / c
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = c if abs(c) > tiny else tiny
            answer *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return answer
