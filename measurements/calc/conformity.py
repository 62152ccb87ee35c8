"""Does a measured value conform to its tolerance: where its interval lies, with what probability, accepted.

Sources: JCGM 106:2012 (7, 8); ILAC-G8:09/2019 4.2.3 for the four words with guard band w = U.
Decisions are made on unrounded values; limits belong to the tolerance. A value meant to lie on a limit
but carried through unit conversion may miss it by rounding; a relative slack of 1e-12 is allowed for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from .distributions import coverage_factor, t_cdf
from .errors import Refused, finite, not_negative, positive
from .uncertainty import Result

_SLACK = 1e-12


class Verdict(StrEnum):
    """Where the interval value -+ U lies. Always by this, whatever rule then accepts."""

    PASS = "pass"  # noqa: S105 - a word of the trade
    CONDITIONAL_PASS = "conditional_pass"  # noqa: S105
    CONDITIONAL_FAIL = "conditional_fail"
    FAIL = "fail"
    NOT_DECIDABLE = "not_decidable"


class DecisionRule(StrEnum):
    """How a verdict is accepted; agreed by company or contract and printed in the report."""

    SIMPLE = "simple"
    """Accept when the value lies within the tolerance."""
    GUARDED = "guarded"
    """Accept when the value lies within the tolerance made smaller by guard * U on each side."""
    PROBABILITY = "probability"
    """Accept when the probability of conformity reaches the threshold."""


@dataclass(frozen=True, slots=True)
class Rule:
    """A decision rule with its number: guard as a multiple of U, threshold as a probability."""

    kind: DecisionRule = DecisionRule.SIMPLE
    guard: float = 1.0
    threshold: float = 0.95

    def __post_init__(self) -> None:
        not_negative("guard", self.guard)
        if not 0.0 < finite("threshold", self.threshold) < 1.0:
            raise Refused("threshold", "must lie between 0 and 1", self.threshold)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Limits of the true value; None on a side without limit. Limits are inclusive."""

    low: float | None
    high: float | None

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise Refused("tolerance", "needs at least one limit")
        for name, limit in (("low", self.low), ("high", self.high)):
            if limit is not None:
                finite(f"tolerance.{name}", limit)
        if self.low is not None and self.high is not None and self.low > self.high:
            raise Refused("tolerance", "has its low limit above its high limit", (self.low, self.high))


def tolerance_of(design: float, low: float | None, high: float | None) -> Tolerance:
    """Limits from a design value (its magnitude) and tolerances as fractions of it.

    low is negative or zero, high positive or zero (-0.1, 0.1 for +-10 %); None on a side without limit.
    """
    size = positive("design", abs(design))
    if low is not None and low > 0.0:
        raise Refused("tolerance.low", "is the allowance below design: zero or negative", low)
    if high is not None and high < 0.0:
        raise Refused("tolerance.high", "is the allowance above design: zero or positive", high)
    return Tolerance(
        None if low is None else size + low * size,
        None if high is None else size + high * size,
    )


@dataclass(frozen=True, slots=True)
class Conformity:
    """The judgement of one value.

    share: of the design (None without one). probability: of conformity. margin: distance to the nearer
    limit, positive inside. guard_impossible: no value at all could pass with the whole of U as guard band.
    """

    verdict: Verdict
    accepted: bool
    probability: float
    share: float | None
    margin: float
    guard_impossible: bool
    rule: Rule


def judge(
    result: Result, tolerance: Tolerance, *, design: float | None = None, rule: Rule | None = None
) -> Conformity:
    """Judge a result against its tolerance; value and limits in the result's unit, as magnitudes."""
    return judge_value(
        abs(result.value), result.u, tolerance, k=result.k, dof=result.dof, design=design, rule=rule
    )


def judge_value(
    value: float,
    u: float,
    tolerance: Tolerance,
    *,
    k: float | None = None,
    dof: float = math.inf,
    design: float | None = None,
    rule: Rule | None = None,
) -> Conformity:
    """Judge a value with standard uncertainty u. k: coverage factor (by default from dof at 95.45 %)."""
    finite("value", value)
    U = not_negative("u", u) * (coverage_factor(dof) if k is None else positive("k", k))
    agreed = rule or Rule()
    margin = _margin(value, tolerance)
    probability = conformance_probability(value, u, tolerance, dof)
    return Conformity(
        verdict=_verdict(margin, U, value),
        accepted=_accepted(agreed, margin, U, value, probability),
        probability=probability,
        share=None if design is None else value / positive("design", abs(design)),
        margin=margin,
        guard_impossible=_width(tolerance) < 2.0 * U * (1.0 - _SLACK),
        rule=agreed,
    )


def not_decidable(value: float, *, design: float | None = None, rule: Rule | None = None) -> Conformity:
    """The judgement of a value whose method may not carry a verdict. Never accepted."""
    share = None if design is None else finite("value", value) / positive("design", abs(design))
    return Conformity(Verdict.NOT_DECIDABLE, False, math.nan, share, math.nan, False, rule or Rule())


def conformance_probability(value: float, u: float, tolerance: Tolerance, dof: float = math.inf) -> float:
    """Probability that the true value is within tolerance: normal, or Student t with finite dof.

    With u zero it is 0 or 1. Source: JCGM 106:2012 7.2 to 7.4.
    """
    if u == 0.0:
        return 1.0 if _margin(value, tolerance) >= -_SLACK * abs(value) else 0.0
    whole = dof if math.isinf(dof) else max(math.floor(dof + 1e-9), 1)
    above = 1.0 if tolerance.high is None else t_cdf((tolerance.high - value) / u, whole)
    below = 0.0 if tolerance.low is None else t_cdf((tolerance.low - value) / u, whole)
    return min(max(above - below, 0.0), 1.0)


def _margin(value: float, tolerance: Tolerance) -> float:
    sides = []
    if tolerance.low is not None:
        sides.append(value - tolerance.low)
    if tolerance.high is not None:
        sides.append(tolerance.high - value)
    return min(sides)


def _width(tolerance: Tolerance) -> float:
    if tolerance.low is None or tolerance.high is None:
        return math.inf
    return tolerance.high - tolerance.low


def _verdict(margin: float, U: float, value: float) -> Verdict:
    slack = _SLACK * max(abs(value), U)
    if margin >= U - slack:
        return Verdict.PASS
    if margin >= -slack:
        return Verdict.CONDITIONAL_PASS
    return Verdict.CONDITIONAL_FAIL if margin >= -U - slack else Verdict.FAIL


def _accepted(rule: Rule, margin: float, U: float, value: float, probability: float) -> bool:
    if rule.kind is DecisionRule.PROBABILITY:
        return probability >= rule.threshold
    guard = rule.guard * U if rule.kind is DecisionRule.GUARDED else 0.0
    return margin >= guard - _SLACK * max(abs(value), U)
