"""How often a decision rule errs over many items: global consumer's and producer's risk.

Source: JCGM 106:2012 clause 9 (from memory): the specific risk of one value (`conformity`) averaged over the
distribution of true values that the items have and of the values that are measured on them. Normal
distributions for both.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from .conformity import DecisionRule, Rule, Tolerance, conformance_probability
from .distributions import coverage_factor, normal_cdf
from .errors import finite, not_negative, positive

NODES = 48
"""Gauss-Legendre nodes for each stretch."""
REACH = 9.0
"""Standard deviations of the prior that are integrated; what lies beyond is below 1e-18."""


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """Probabilities that an item, drawn at random, turns out so; the four cases add to 1.

    consumer: does not conform and is accepted. producer: conforms and is rejected. conforming: conforms at
    all. accepted: is accepted at all.
    """

    consumer: float
    producer: float
    conforming: float
    accepted: float

    @property
    def wrong(self) -> float:
        """Share of all decisions that are wrong."""
        return self.consumer + self.producer

    @property
    def false_accepts(self) -> float:
        """Share of the accepted items that do not conform; nan when nothing is accepted."""
        return self.consumer / self.accepted if self.accepted > 0.0 else math.nan


def global_risk(
    mean: float,
    sd: float,
    u: float,
    tolerance: Tolerance,
    rule: Rule | None = None,
    *,
    k: float | None = None,
) -> GlobalRisk:
    """Risks of a decision rule over items whose true values are normal with `mean` and `sd`.

    u: standard uncertainty of each measurement, k: coverage factor that makes a guard band of it (by default
    2.00). All in one unit. Errors: Refused (not finite, negative u, an sd that is not above zero).
    """
    finite("mean", mean)
    positive("sd", sd)
    not_negative("u", u)
    low, high = acceptance_interval(u, tolerance, rule or Rule(), k=k)
    inside = _normal_share(mean, sd, tolerance.low, tolerance.high)
    if low > high:
        return GlobalRisk(0.0, inside, inside, 0.0)

    def accepts(true: float) -> float:
        if u == 0.0:
            return 1.0 if low <= true <= high else 0.0
        return normal_cdf((high - true) / u) - normal_cdf((low - true) / u)

    breaks = [b for b in (tolerance.low, tolerance.high, low, high) if b is not None and math.isfinite(b)]
    right = _average(accepts, mean, sd, u, breaks, tolerance.low, tolerance.high)
    below = 0.0 if tolerance.low is None else _average(accepts, mean, sd, u, breaks, None, tolerance.low)
    above = 0.0 if tolerance.high is None else _average(accepts, mean, sd, u, breaks, tolerance.high, None)
    consumer = below + above
    return GlobalRisk(consumer, max(inside - right, 0.0), inside, right + consumer)


def acceptance_interval(
    u: float, tolerance: Tolerance, rule: Rule, *, k: float | None = None
) -> tuple[float, float]:
    """Measured values that a rule accepts, low to high; infinite on a side without limit, low above high when
    it accepts none. For infinite degrees of freedom.
    """
    reach = not_negative("u", u) * (coverage_factor(math.inf) if k is None else positive("k", k))
    low = -math.inf if tolerance.low is None else tolerance.low
    high = math.inf if tolerance.high is None else tolerance.high
    if rule.kind is DecisionRule.PROBABILITY:
        return _probable(u, tolerance, rule.threshold, low, high)
    guard = rule.guard * reach if rule.kind is DecisionRule.GUARDED else 0.0
    return low + guard, high - guard


def _probable(
    u: float, tolerance: Tolerance, threshold: float, low: float, high: float
) -> tuple[float, float]:
    """Where the probability of conformity reaches the threshold: it falls off on both sides of the middle."""
    if u == 0.0:
        return low, high
    if math.isfinite(low) and math.isfinite(high):
        top = 0.5 * (low + high)
    else:
        top = low + 40.0 * u if math.isfinite(low) else high - 40.0 * u
    if conformance_probability(top, u, tolerance) < threshold:
        return math.inf, -math.inf

    def edge(limit: float, sign: float) -> float:
        if not math.isfinite(limit):
            return limit
        good, bad = top, limit + sign * 40.0 * u
        for _ in range(200):
            middle = 0.5 * (good + bad)
            if conformance_probability(middle, u, tolerance) >= threshold:
                good = middle
            else:
                bad = middle
        return good

    return edge(low, -1.0), edge(high, 1.0)


def _normal_share(mean: float, sd: float, low: float | None, high: float | None) -> float:
    above = 1.0 if high is None else normal_cdf((high - mean) / sd)
    return above - (0.0 if low is None else normal_cdf((low - mean) / sd))


def _average(
    function: Callable[[float], float],
    mean: float,
    sd: float,
    u: float,
    breaks: list[float],
    low: float | None,
    high: float | None,
) -> float:
    """Integral of the prior's density times the function from low to high.

    Cut where the function turns (the limits, and some u on either side of them), so that a fixed rule is
    right to about ten digits on every stretch.
    """
    first = mean - REACH * sd if low is None else max(low, mean - REACH * sd)
    last = mean + REACH * sd if high is None else min(high, mean + REACH * sd)
    if last <= first:
        return 0.0
    steps = [mean + n * sd for n in (-4.0, -2.0, 0.0, 2.0, 4.0)]
    turns = [b + n * u for b in breaks for n in (-8.0, -4.0, -2.0, 0.0, 2.0, 4.0, 8.0)]
    edges = sorted({first, last, *(e for e in (*steps, *turns) if first < e < last)})
    nodes, weights = _gauss()
    total = []
    for a, b in pairwise(edges):
        for x, w in zip(nodes, weights, strict=True):
            at = 0.5 * (a + b) + 0.5 * (b - a) * x
            z = (at - mean) / sd
            total.append(0.5 * (b - a) * w * math.exp(-0.5 * z * z) * function(at))
    return math.fsum(total) / (sd * math.sqrt(2.0 * math.pi))


@lru_cache(maxsize=1)
def _gauss() -> tuple[tuple[float, ...], tuple[float, ...]]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return tuple(nodes.tolist()), tuple(weights.tolist())
