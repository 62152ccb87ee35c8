"""The verdict: where the interval lies, guard bands by name and number, signs, and what cannot be decided."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Quantity, Refused, evaluate
from measurements.calc.conformity import (
    GUARD_BANDS,
    DecisionRule,
    GuardBand,
    Reason,
    Rule,
    Tolerance,
    Verdict,
    conformance_probability,
    guard_band_of,
    guarded,
    judge,
    judge_value,
    not_decidable,
    tolerance_of,
)
from measurements.calc.distributions import normal_cdf

BAND = Tolerance(90.0, 110.0)
U = 2.0  # u = 1, k = 2


def judged(value: float, tolerance: Tolerance = BAND, rule: Rule | None = None) -> Verdict:
    return judge_value(value, 1.0, tolerance, k=2.0, rule=rule).verdict


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (100.0, Verdict.PASS),
        (92.0, Verdict.PASS),  # on the guarded limit
        (108.0, Verdict.PASS),
        (91.999, Verdict.CONDITIONAL_PASS),
        (110.0, Verdict.CONDITIONAL_PASS),  # on the limit
        (90.0, Verdict.CONDITIONAL_PASS),
        (110.001, Verdict.CONDITIONAL_FAIL),
        (112.0, Verdict.CONDITIONAL_FAIL),  # the interval still touches the limit
        (88.0, Verdict.CONDITIONAL_FAIL),
        (112.001, Verdict.FAIL),
        (87.999, Verdict.FAIL),
    ],
)
def test_words_come_from_the_interval_and_limits_are_inclusive(value: float, verdict: Verdict) -> None:
    for rule in (Rule(), guarded(GuardBand.U), Rule(DecisionRule.PROBABILITY)):
        assert judged(value, rule=rule) is verdict


def test_one_sided_limits() -> None:
    above, below = Tolerance(10.0, None), Tolerance(None, 10.0)
    assert [judged(v, above) for v in (1e9, 12.0, 10.0, 8.0, 7.9)] == [
        Verdict.PASS,
        Verdict.PASS,
        Verdict.CONDITIONAL_PASS,
        Verdict.CONDITIONAL_FAIL,
        Verdict.FAIL,
    ]
    assert judged(-1e9, below) is Verdict.PASS
    assert judge_value(10.0, 1.0, above, k=2.0).probability == 0.5
    assert not judge_value(1e9, 5.0, above).guard_impossible
    for value in (7.0, 10.0, 11.5):
        both = sum(conformance_probability(value, 1.0, t) for t in (above, below))
        assert both == pytest.approx(1.0)


@pytest.mark.parametrize("band", list(GuardBand))
def test_named_guard_bands_accept_up_to_their_number(band: GuardBand) -> None:
    rule, w = guarded(band), GUARD_BANDS[band] * U
    wide = Tolerance(0.0, 1000.0)
    for limit, inward in ((0.0, 1.0), (1000.0, -1.0)):
        at = limit + inward * w
        assert judge_value(at, 1.0, wide, k=2.0, rule=rule).accepted
        assert not judge_value(at - inward * 1e-6, 1.0, wide, k=2.0, rule=rule).accepted
    assert guard_band_of(rule) is band


def test_named_guard_bands_hold_their_promised_risk() -> None:
    """PFA at the acceptance limit: 50 %, 5 %, 2.5 %, 0.16 %, 1 ppb (ILAC-G8 table of rules, from memory)."""
    promised = {
        GuardBand.NONE: 0.5,
        GuardBand.U_95: 0.05,
        GuardBand.U: 0.025,
        GuardBand.THREE_SIGMA: 0.0016,
        GuardBand.SIX_SIGMA: 1e-9,
    }
    for band, most in promised.items():
        risk = normal_cdf(-GUARD_BANDS[band] * U)
        assert 0.3 * most < risk <= most or band is GuardBand.SIX_SIGMA
        assert risk <= most
    falsely_rejected = normal_cdf(GUARD_BANDS[GuardBand.UNCRITICAL] * U)
    assert falsely_rejected < 0.025


def test_names_of_rules() -> None:
    assert guard_band_of(Rule()) is GuardBand.NONE
    assert guard_band_of(Rule(DecisionRule.GUARDED, guard=1.0)) is GuardBand.U
    assert guard_band_of(Rule(DecisionRule.GUARDED, guard=0.7)) is None
    assert guard_band_of(Rule(DecisionRule.PROBABILITY)) is None
    with pytest.raises(Refused, match="guard"):
        Rule(DecisionRule.GUARDED, guard=-1.01)
    with pytest.raises(Refused, match="guard"):
        Rule(DecisionRule.GUARDED, guard=math.nan)
    for wrong in (0.0, 1.0, math.nan):
        with pytest.raises(Refused, match="threshold"):
            Rule(DecisionRule.PROBABILITY, threshold=wrong)


def test_probability_rule_accepts_from_its_threshold() -> None:
    rule = Rule(DecisionRule.PROBABILITY, threshold=0.9)
    limit = Tolerance(None, 0.0)
    z = 1.2815515655446004  # normal quantile of 0.9 (tables)
    assert judge_value(-z - 1e-9, 1.0, limit, rule=rule).accepted
    assert not judge_value(-z + 1e-9, 1.0, limit, rule=rule).accepted


def test_a_relaxed_rule_never_changes_the_word() -> None:
    found = judge_value(111.0, 1.0, BAND, k=2.0, rule=guarded(GuardBand.UNCRITICAL))
    assert found.accepted
    assert found.verdict is Verdict.CONDITIONAL_FAIL


def test_signs_matter_only_where_asked() -> None:
    room = evaluate(lambda p: p, [Quantity("p", -14.0, 0.5, unit="Pa")], name="Room pressure", unit="Pa")
    kept = tolerance_of(-15.0, -0.1, 0.1, signed=True)
    assert (kept.low, kept.high) == pytest.approx((-16.5, -13.5))
    found = judge(room, kept, design=-15.0, signed=True)
    assert found.verdict is Verdict.CONDITIONAL_PASS
    assert found.share == pytest.approx(14.0 / 15.0)
    assert found.margin == pytest.approx(0.5)
    wrong_way = judge(replace(room, value=14.0), kept, design=-15.0, signed=True)
    assert wrong_way.verdict is Verdict.FAIL
    assert wrong_way.share == pytest.approx(-14.0 / 15.0)
    magnitudes = judge(room, tolerance_of(-15.0, -0.1, 0.1), design=-15.0)
    assert magnitudes.verdict is Verdict.CONDITIONAL_PASS
    assert magnitudes.share == pytest.approx(14.0 / 15.0)
    assert magnitudes.margin == pytest.approx(0.5)


def test_asymmetric_limits() -> None:
    tolerance = tolerance_of(200.0, 0.0, 0.1)
    assert (tolerance.low, tolerance.high) == pytest.approx((200.0, 220.0))
    assert tolerance_of(200.0, None, 0.1).low is None
    assert tolerance_of(200.0, -0.1, None).high is None
    assert judge_value(210.0, 5.1, tolerance, k=2.0).guard_impossible
    assert not judge_value(210.0, 5.0, tolerance, k=2.0).guard_impossible
    assert judge_value(210.0, 5.0, tolerance, k=2.0).verdict is Verdict.PASS


def test_not_decidable_says_why() -> None:
    found = not_decidable(5.0, design=-10.0)
    assert (found.verdict, found.accepted, found.reason) == (Verdict.NOT_DECIDABLE, False, "method")
    assert found.share == 0.5
    assert math.isnan(found.probability)
    assert math.isnan(found.margin)
    assert not found.guard_impossible
    assert not_decidable(5.0, reason=Reason.NO_LIMITS).reason == "no_limits"
    assert not_decidable(5.0, design=-10.0, signed=True).share == -0.5
    assert judge_value(100.0, 1.0, BAND).reason == ""


def test_a_value_on_its_limit_after_conversion_is_inside() -> None:
    """0.1 + 0.2 is 0.30000000000000004: a limit of 0.3 still holds it, one part in 1e12 more does not."""
    assert judge_value(0.1 + 0.2, 0.0, Tolerance(None, 0.3)).accepted
    assert judge_value(0.1 + 0.2, 0.0, Tolerance(None, 0.3)).probability == 1.0
    assert not judge_value(0.3 * (1.0 + 1e-11), 0.0, Tolerance(None, 0.3)).accepted
    assert judge_value(0.3 * (1.0 + 1e-11), 0.0, Tolerance(None, 0.3)).probability == 0.0


def test_coverage_factor_follows_the_degrees_of_freedom() -> None:
    """k = 2.00 for infinite, 2.87 for 4 degrees of freedom at 95.45 % (GUM table G.2)."""
    assert judge_value(92.0 + 1e-3, 1.0, BAND).verdict is Verdict.PASS
    assert judge_value(92.8, 1.0, BAND, dof=4.0).verdict is Verdict.CONDITIONAL_PASS
    assert judge_value(92.88, 1.0, BAND, dof=4.0).verdict is Verdict.PASS
    assert judge_value(92.88, 1.0, BAND, dof=4.9).verdict is Verdict.PASS


@given(st.floats(50.0, 150.0), st.floats(0.01, 20.0), st.floats(0.01, 100.0))
def test_scaling_all_changes_no_verdict(value: float, u: float, scale: float) -> None:
    a = judge_value(value, u, BAND, design=100.0)
    b = judge_value(value * scale, u * scale, Tolerance(90.0 * scale, 110.0 * scale), design=100.0 * scale)
    if min(abs(abs(a.margin) - w) for w in (0.0, 2.0000024 * u)) > 1e-4 * u:
        assert a.verdict is b.verdict
    assert a.probability == pytest.approx(b.probability, abs=1e-9)
    assert a.share == pytest.approx(b.share)


@given(st.floats(-50.0, 50.0), st.floats(0.01, 20.0))
def test_mirroring_about_the_middle_changes_nothing(offset: float, u: float) -> None:
    a, b = judge_value(100.0 + offset, u, BAND), judge_value(100.0 - offset, u, BAND)
    assert a.probability == pytest.approx(b.probability, abs=1e-12)
    assert a.margin == pytest.approx(b.margin, abs=1e-10)


@given(st.floats(90.0, 110.0), st.floats(0.1, 5.0), st.floats(1.0, 3.0))
def test_more_uncertainty_never_makes_it_surer(value: float, u: float, more: float) -> None:
    order = [Verdict.PASS, Verdict.CONDITIONAL_PASS]
    a, b = judge_value(value, u, BAND), judge_value(value, u * more, BAND)
    assert order.index(a.verdict) <= order.index(b.verdict)
    assert b.probability <= a.probability + 1e-12


@pytest.mark.parametrize(
    ("build", "match"),
    [
        (lambda: Tolerance(None, None), "at least one"),
        (lambda: Tolerance(2.0, 1.0), "above its high"),
        (lambda: Tolerance(math.nan, 1.0), "tolerance.low"),
        (lambda: Tolerance(0.0, math.inf), "tolerance.high"),
        (lambda: tolerance_of(0.0, -0.1, 0.1), "design"),
        (lambda: tolerance_of(1.0, 0.1, 0.1), "tolerance.low"),
        (lambda: tolerance_of(1.0, -0.1, -0.1), "tolerance.high"),
        (lambda: judge_value(math.nan, 1.0, BAND), "value"),
        (lambda: judge_value(1.0, -1.0, BAND), "u"),
        (lambda: judge_value(1.0, 1.0, BAND, k=0.0), "k"),
        (lambda: judge_value(1.0, 1.0, BAND, design=0.0), "design"),
        (lambda: not_decidable(math.inf), "value"),
        (lambda: not_decidable(1.0, design=math.nan), "design"),
    ],
)
def test_what_cannot_be_is_refused(build: object, match: str) -> None:
    with pytest.raises(Refused, match=match):
        build()  # type: ignore[operator]


def test_rules_as_they_come() -> None:
    """Simple acceptance, the whole of U as guard band, 95 %: what a rule is when nothing else is said."""
    assert Rule() == Rule(DecisionRule.SIMPLE, 1.0, 0.95)
    assert judge_value(110.0, 1.0, BAND).rule == Rule()
    assert judge_value(110.0, 1.0, BAND).accepted
    assert not judge_value(110.0, 1.0, BAND, rule=Rule(DecisionRule.GUARDED)).accepted


def test_on_the_limit_without_uncertainty() -> None:
    zero = Tolerance(0.0, 1.0)
    assert judge_value(0.0, 0.0, zero).verdict is Verdict.PASS
    assert judge_value(0.0, 0.5, zero, k=2.0).verdict is Verdict.CONDITIONAL_PASS
    assert judge_value(-1.0, 0.5, zero, k=2.0).verdict is Verdict.CONDITIONAL_FAIL
    assert conformance_probability(0.0, 0.0, zero) == 1.0
    assert conformance_probability(-1e-9, 0.0, zero) == 0.0


def test_probability_with_few_degrees_of_freedom() -> None:
    """Student t, whole degrees of freedom, at least one: P(t < 1) is 0.75, for two 0.7887 (tables)."""
    limit = Tolerance(None, 1.0)
    for dof, p in ((0.4, 0.75), (1.0, 0.75), (1.9, 0.75), (2.0, 0.788675), (2.0 - 1e-12, 0.788675)):
        assert conformance_probability(0.0, 1.0, limit, dof) == pytest.approx(p, abs=1e-6)


def test_a_tolerance_of_one_value_is_allowed() -> None:
    assert judge_value(5.0, 0.0, Tolerance(5.0, 5.0)).verdict is Verdict.PASS
