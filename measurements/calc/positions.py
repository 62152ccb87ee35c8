"""Where the points of a traverse lie, as fractions, computed from each rule's own construction.

All points of a rule carry equal weight. Fractions run from the near inside wall (0) to the far one (1).
Sources: ISO 3966 and ANSI/ASHRAE 111 for the rules; Winternitz and Fischl (1957) for the log-linear
construction; 40 CFR 60 appendix A-1 method 1 for centres of equal areas in a circle. Nothing is read from
a table, so any number of points has its exact positions.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise

from .errors import Refused


class Rule(StrEnum):
    """How the points are placed."""

    LOG_LINEAR = "log_linear"
    LOG_TCHEBYCHEFF = "log_tchebycheff"
    EQUAL_AREA = "equal_area"


@lru_cache(maxsize=128)
def chebyshev_nodes(n: int) -> tuple[float, ...]:
    """Nodes on (-1, 1) of the quadrature that gives its n points equal weight, ascending.

    From the power sums that make it exact to degree n, by Newton's identities. They are real for 1 to 7
    and 9 points only (Bernstein); other numbers are refused.
    """
    if n < 1:
        raise Refused("points", "need at least one", n)
    sums = [0.0] + [n / (k + 1.0) if k % 2 == 0 else 0.0 for k in range(1, n + 1)]
    elementary = [1.0]
    for k in range(1, n + 1):
        terms = [(-1.0) ** (i - 1) * elementary[k - i] * sums[i] for i in range(1, k + 1)]
        elementary.append(math.fsum(terms) / k)
    coefficients = [(-1.0) ** k * e for k, e in enumerate(elementary)]
    roots = _roots(lambda x: _horner(coefficients, x), 4000)
    if len(roots) != n:
        raise Refused("points", "no equal-weight Chebyshev rule exists for this number (1 to 7 and 9 do)", n)
    return tuple(roots)


def round_fractions(rule: Rule, per_diameter: int) -> tuple[float, ...]:
    """y/D of the points on one diameter; an even number, half of them on each radius."""
    if per_diameter < 2 or per_diameter % 2:
        raise Refused("points", "on a diameter must be an even number, 2 or more", per_diameter)
    near = _ROUND[rule](per_diameter // 2)
    return tuple(near) + tuple(1.0 - y for y in reversed(near))


def side_fractions(rule: Rule, lines: int) -> tuple[float, ...]:
    """x/L of the points along one side of a rectangle.

    Log-Tchebycheff: the end points at 1/(n e) of the side, the n - 2 between at Chebyshev nodes. The
    log-linear rule is for round ducts and refused here.
    """
    if lines < 1:
        raise Refused("lines", "need at least one", lines)
    if rule is Rule.EQUAL_AREA:
        return tuple((2 * i + 1) / (2.0 * lines) for i in range(lines))
    if rule is Rule.LOG_LINEAR:
        raise Refused("rule", "log-linear is used here for round ducts; choose log_tchebycheff or equal_area")
    if lines < 3:
        raise Refused("lines", "the log-Tchebycheff rule needs at least 3 along a side", lines)
    end = 1.0 / (lines * math.e)
    inner = [0.5 + (0.5 - 1.0 / lines) * x for x in chebyshev_nodes(lines - 2)]
    return (end, *inner, 1.0 - end)


def _log_linear(n: int) -> list[float]:
    """n points of one radius: zones of equal area, the law v = A + B ln y + C y in each."""
    points: list[float] = []
    inner = 1.0
    if n % 2:
        inner = 1.0 - 1.0 / n
        points.append(math.exp(_mean_log(inner, 1.0)))
    zones = n // 2
    for i in range(zones):
        outer_edge, inner_edge = inner - i * 2.0 / n, max(inner - (i + 1) * 2.0 / n, 0.0)
        half = _mean_distance(inner_edge, outer_edge)
        product = math.exp(2.0 * _mean_log(inner_edge, outer_edge))
        spread = math.sqrt(half * half - product)
        points += [half - spread, half + spread]
    return sorted(points)


def _log_tchebycheff(n: int) -> list[float]:
    """n points of one radius: one in the outer 1/n of the area, Chebyshev nodes in the area inside."""
    outer = math.exp(_mean_log(1.0 - 1.0 / n, 1.0))
    if n == 1:
        return [outer]
    share = 1.0 - 1.0 / n
    squares = [0.5 * share * (1.0 + x) for x in chebyshev_nodes(n - 1)]
    return sorted([outer, *[0.5 * (1.0 - math.sqrt(s)) for s in squares]])


def _equal_area(n: int) -> list[float]:
    """n points of one radius at the middle (by area) of n rings of equal area."""
    return [0.5 * (1.0 - math.sqrt((2 * i - 1) / (2.0 * n))) for i in range(n, 0, -1)]


_ROUND: dict[Rule, Callable[[int], list[float]]] = {
    Rule.LOG_LINEAR: _log_linear,
    Rule.LOG_TCHEBYCHEFF: _log_tchebycheff,
    Rule.EQUAL_AREA: _equal_area,
}


def _mean_distance(inner: float, outer: float) -> float:
    """Mean over a ring of the distance from the wall, in diameters; edges as (r/R) squared."""
    return 0.5 - (outer * math.sqrt(outer) - inner * math.sqrt(inner)) / (3.0 * (outer - inner))


def _mean_log(inner: float, outer: float) -> float:
    """Mean over a ring of ln(y/D); edges as (r/R) squared."""

    def integral(square: float) -> float:
        r = math.sqrt(square)
        edge = 0.0 if square >= 1.0 else (square - 1.0) * math.log1p(-r)
        return edge - square / 2.0 - r

    return (integral(outer) - integral(inner)) / (outer - inner) - math.log(2.0)


def _horner(coefficients: Sequence[float], x: float) -> float:
    value = 0.0
    for c in coefficients:
        value = value * x + c
    return value


def _roots(function: Callable[[float], float], cells: int) -> list[float]:
    """Simple real roots in (-1, 1), found between sign changes and halved to the last digit."""
    roots = []
    edges = [-1.0 + (2.0 * i + 0.7) / cells for i in range(cells)]
    for a, b in pairwise(edges):
        fa = function(a)
        if fa * function(b) > 0.0:
            continue
        low, high = a, b
        for _ in range(70):
            middle = 0.5 * (low + high)
            if fa * function(middle) > 0.0:
                low = middle
            else:
                high = middle
        roots.append(0.5 * (low + high))
    return [0.0 if abs(r) < 1e-12 else r for r in roots]
