"""Does a measured value conform to its tolerance: where its interval lies, with what probability, accepted.

Sources: JCGM 106:2012 (7, 8); ILAC-G8:09/2019 4.2.3 for the four words with guard band w = U, and its table
of guard bands (from memory; the numbers w / U are what counts, names differ between documents).
Decisions are made on unrounded values; limits belong to the tolerance. A value meant to lie on a limit
but carried through unit conversion may miss it by rounding; a relative slack of 1e-12 is allowed for it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
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
    """Accept when the value lies within the tolerance made smaller by guard * U on each side (wider when
    the guard is negative)."""
    PROBABILITY = "probability"
    """Accept when the probability of conformity reaches the threshold."""


class GuardBand(StrEnum):
    """Guard bands by name. The number w / U of each is in GUARD_BANDS; reports print both."""

    NONE = "none"
    """Simple acceptance: at the limit the value is as likely to be outside as inside."""
    U_95 = "one_sided_95"
    """Proving conformity at 95 % on one side: w = 1.65 u (ISO 14253-1:2017)."""
    U = "expanded_uncertainty"
    """The whole of U (ILAC-G8): at most 2.5 % falsely accepted."""
    THREE_SIGMA = "three_sigma"
    SIX_SIGMA = "six_sigma"
    UNCRITICAL = "uncritical"
    """Accept up to U outside the tolerance: rejected only what is outside beyond doubt."""


GUARD_BANDS: Mapping[GuardBand, float] = {
    GuardBand.NONE: 0.0,
    GuardBand.U_95: 0.83,
    GuardBand.U: 1.0,
    GuardBand.THREE_SIGMA: 1.5,
    GuardBand.SIX_SIGMA: 3.0,
    GuardBand.UNCRITICAL: -1.0,
}
"""w / U of the named guard bands, for U = 2 u (ILAC-G8:09/2019, table of decision rules)."""
WIDEST = -1.0
"""A rule that would accept values outside beyond doubt (w / U below this) is refused."""


class Reason(StrEnum):
    """Why a value is not decidable."""

    METHOD = "method"
    """The method may not carry a verdict; its remarks say why."""
    NO_LIMITS = "no_limits"
    """Neither a design with a tolerance nor limits are known."""
    OTHER_BASIS = "other_basis"
    """Value and limits are not of the same kind (density basis, sign) and cannot be brought together."""


@dataclass(frozen=True, slots=True)
class Rule:
    """A decision rule with its number: guard as a multiple of U (-1 at least), threshold as a probability."""

    kind: DecisionRule = DecisionRule.SIMPLE
    guard: float = 1.0
    threshold: float = 0.95

    def __post_init__(self) -> None:
        if finite("guard", self.guard) < WIDEST:
            raise Refused("guard", "would accept values outside beyond doubt (below -1 U)", self.guard)
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


def guarded(band: GuardBand) -> Rule:
    """The decision rule of a named guard band."""
    kind = DecisionRule.SIMPLE if band is GuardBand.NONE else DecisionRule.GUARDED
    return Rule(kind, guard=GUARD_BANDS[band])


def guard_band_of(rule: Rule) -> GuardBand | None:
    """The name of a rule's guard band, where its number has one."""
    if rule.kind is DecisionRule.PROBABILITY:
        return None
    guard = 0.0 if rule.kind is DecisionRule.SIMPLE else rule.guard
    return next((name for name, w in GUARD_BANDS.items() if w == guard), None)


def tolerance_of(design: float, low: float | None, high: float | None, *, signed: bool = False) -> Tolerance:
    """Limits from a design value and tolerances as fractions of its magnitude.

    low is negative or zero, high positive or zero (-0.1, 0.1 for +-10 %); None on a side without limit.
    signed: the limits keep the design's sign (-15 Pa +-10 % is -16.5 to -13.5); otherwise magnitudes.
    """
    size = positive("design", abs(design))
    middle = design if signed else size
    if low is not None and low > 0.0:
        raise Refused("tolerance.low", "is the allowance below design: zero or negative", low)
    if high is not None and high < 0.0:
        raise Refused("tolerance.high", "is the allowance above design: zero or positive", high)
    return Tolerance(
        None if low is None else middle + low * size,
        None if high is None else middle + high * size,
    )


@dataclass(frozen=True, slots=True)
class Conformity:
    """The judgement of one value.

    share: of the design (None without one). probability: of conformity. margin: distance to the nearer
    limit, positive inside. guard_impossible: no value at all could pass with the whole of U as guard band.
    reason: why it is not decidable (a word of `Reason`); empty otherwise.
    """

    verdict: Verdict
    accepted: bool
    probability: float
    share: float | None
    margin: float
    guard_impossible: bool
    rule: Rule
    reason: str = ""


def judge(
    result: Result,
    tolerance: Tolerance,
    *,
    design: float | None = None,
    rule: Rule | None = None,
    signed: bool = False,
) -> Conformity:
    """Judge a result against its tolerance; value and limits in the result's unit.

    Both are magnitudes, unless `signed`: where the sign matters (the pressure of a room against the next)
    value, limits and design are taken as they are.
    """
    value = result.value if signed else abs(result.value)
    return judge_value(
        value, result.u, tolerance, k=result.k, dof=result.dof, design=design, rule=rule, signed=signed
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
    signed: bool = False,
) -> Conformity:
    """Judge a value with standard uncertainty u. k: coverage factor (by default from dof at 95.45 %).

    design: what `share` is taken of (its magnitude, unless `signed`); not zero.
    """
    finite("value", value)
    U = not_negative("u", u) * (coverage_factor(dof) if k is None else positive("k", k))
    agreed = rule or Rule()
    margin = _margin(value, tolerance)
    probability = conformance_probability(value, u, tolerance, dof)
    return Conformity(
        verdict=_verdict(margin, U, value),
        accepted=_accepted(agreed, margin, U, value, probability),
        probability=probability,
        share=_share(value, design, signed),
        margin=margin,
        guard_impossible=_width(tolerance) < 2.0 * U * (1.0 - _SLACK),
        rule=agreed,
    )


def not_decidable(
    value: float,
    *,
    design: float | None = None,
    rule: Rule | None = None,
    reason: Reason = Reason.METHOD,
    signed: bool = False,
) -> Conformity:
    """The judgement of a value that cannot be judged, with the reason. Never accepted."""
    share = _share(finite("value", value), design, signed)
    agreed = rule or Rule()
    return Conformity(Verdict.NOT_DECIDABLE, False, math.nan, share, math.nan, False, agreed, reason.value)


def _share(value: float, design: float | None, signed: bool) -> float | None:
    if design is None:
        return None
    size = positive("design", abs(finite("design", design)))
    return value / (design if signed else size)


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
