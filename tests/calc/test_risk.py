"""Global risks of decision rules: against scipy, against draws, and what must hold whatever the numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats  # type: ignore[import-untyped]

from measurements.calc.conformity import DecisionRule, Rule, Tolerance, judge_value
from measurements.calc.errors import Refused
from measurements.calc.risk import GlobalRisk, acceptance_interval, global_risk

RULES = (
    Rule(),
    Rule(DecisionRule.GUARDED),
    Rule(DecisionRule.GUARDED, guard=0.5),
    Rule(DecisionRule.PROBABILITY, threshold=0.95),
    Rule(DecisionRule.PROBABILITY, threshold=0.3),
)
TOLERANCES = (Tolerance(0.9, 1.1), Tolerance(0.9, None), Tolerance(None, 1.1), Tolerance(0.95, 1.2))


def _by_scipy(mean: float, sd: float, u: float, tolerance: Tolerance, rule: Rule) -> tuple[float, float]:
    """Both risks by adaptive double integration of prior and measurement."""
    low, high = acceptance_interval(u, tolerance, rule)
    t_low = -math.inf if tolerance.low is None else tolerance.low
    t_high = math.inf if tolerance.high is None else tolerance.high

    def accepted(a: float, b: float) -> float:
        def density(x: float) -> float:
            both = stats.norm.cdf((high - x) / u) - stats.norm.cdf((low - x) / u)
            return float(stats.norm.pdf(x, mean, sd) * max(both, 0.0))

        if high < low:
            return 0.0
        a, b = max(a, mean - 12 * sd), min(b, mean + 12 * sd)
        return float(integrate.quad(density, a, b, epsabs=1e-13, limit=400)[0]) if a < b else 0.0

    inside = float(stats.norm.cdf(t_high, mean, sd) - stats.norm.cdf(t_low, mean, sd))
    return accepted(-math.inf, t_low) + accepted(t_high, math.inf), inside - accepted(t_low, t_high)


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("tolerance", TOLERANCES)
def test_against_adaptive_integration(rule: Rule, tolerance: Tolerance) -> None:
    for mean, sd, u in ((1.0, 0.06, 0.02), (1.03, 0.05, 0.04), (0.9, 0.2, 0.005)):
        found = global_risk(mean, sd, u, tolerance, rule)
        consumer, producer = _by_scipy(mean, sd, u, tolerance, rule)
        assert found.consumer == pytest.approx(consumer, abs=2e-9)
        assert found.producer == pytest.approx(producer, abs=2e-9)


@pytest.mark.parametrize("rule", RULES)
def test_draws_judged_one_by_one_agree(rule: Rule) -> None:
    mean, sd, u, tolerance = 1.02, 0.06, 0.03, TOLERANCES[0]
    draw, count = np.random.default_rng(3), 20_000
    true = draw.normal(mean, sd, count)
    seen = true + draw.normal(0.0, u, count)
    accepted = np.array([judge_value(float(y), u, tolerance, rule=rule).accepted for y in seen])
    conforms = (true >= 0.9) & (true <= 1.1)
    found = global_risk(mean, sd, u, tolerance, rule)
    for share, predicted in (
        ((accepted & ~conforms).mean(), found.consumer),
        ((~accepted & conforms).mean(), found.producer),
        (conforms.mean(), found.conforming),
        (accepted.mean(), found.accepted),
    ):
        assert share == pytest.approx(
            predicted, abs=4.0 * math.sqrt(max(predicted * (1 - predicted), 1e-5) / count)
        )


@settings(deadline=None, max_examples=40)
@given(
    st.floats(0.8, 1.2),
    st.floats(0.01, 0.2),
    st.floats(0.001, 0.2),
    st.sampled_from(RULES),
    st.floats(0.1, 50.0),
)
def test_shares_add_up_and_units_do_not_matter(
    mean: float, sd: float, u: float, rule: Rule, scale: float
) -> None:
    found = global_risk(mean, sd, u, TOLERANCES[0], rule)
    assert 0.0 <= found.consumer <= 1.0 - found.conforming + 1e-9
    assert 0.0 <= found.producer <= found.conforming + 1e-9
    assert found.accepted == pytest.approx(found.conforming - found.producer + found.consumer, abs=1e-9)
    scaled = Tolerance(0.9 * scale, 1.1 * scale)
    other = global_risk(mean * scale, sd * scale, u * scale, scaled, rule)
    assert other.consumer == pytest.approx(found.consumer, abs=1e-9)
    assert other.producer == pytest.approx(found.producer, abs=1e-9)


@settings(deadline=None, max_examples=30)
@given(st.floats(0.9, 1.1), st.floats(0.02, 0.1), st.floats(0.005, 0.04), st.floats(0.0, 1.0))
def test_a_wider_guard_moves_risk_from_consumer_to_producer(
    mean: float, sd: float, u: float, guard: float
) -> None:
    plain = global_risk(mean, sd, u, TOLERANCES[0])
    guarded = global_risk(mean, sd, u, TOLERANCES[0], Rule(DecisionRule.GUARDED, guard=guard))
    assert guarded.consumer <= plain.consumer + 1e-12
    assert guarded.producer >= plain.producer - 1e-12


def test_a_mirrored_tolerance_has_the_same_risks() -> None:
    one = global_risk(1.05, 0.05, 0.02, Tolerance(0.9, None))
    other = global_risk(-1.05, 0.05, 0.02, Tolerance(None, -0.9))
    assert other.consumer == pytest.approx(one.consumer, rel=1e-9)
    assert other.producer == pytest.approx(one.producer, rel=1e-9)


def test_a_perfect_measurement_never_errs() -> None:
    for rule in (Rule(), Rule(DecisionRule.GUARDED), Rule(DecisionRule.PROBABILITY)):
        found = global_risk(1.0, 0.1, 0.0, TOLERANCES[0], rule)
        assert found.consumer == pytest.approx(0.0, abs=1e-12)
        assert found.producer == pytest.approx(0.0, abs=1e-9)
        assert found.accepted == pytest.approx(stats.norm.cdf(1.0) - stats.norm.cdf(-1.0), abs=1e-9)


def test_a_guard_that_nothing_can_pass_rejects_everything() -> None:
    rule = Rule(DecisionRule.GUARDED)
    found = global_risk(1.0, 0.05, 0.2, TOLERANCES[0], rule)
    assert found == GlobalRisk(0.0, found.conforming, found.conforming, 0.0)
    assert math.isnan(found.false_accepts)
    assert global_risk(1.0, 0.05, 0.2, TOLERANCES[0], RULES[3]).accepted == 0.0


def test_the_probability_rule_accepts_where_the_probability_says() -> None:
    for tolerance in TOLERANCES:
        low, high = acceptance_interval(0.02, tolerance, RULES[3])
        for edge, sign in ((low, -1.0), (high, 1.0)):
            if math.isfinite(edge):
                assert judge_value(edge - sign * 1e-9, 0.02, tolerance, rule=RULES[3]).accepted
                assert not judge_value(edge + sign * 1e-9, 0.02, tolerance, rule=RULES[3]).accepted


def test_share_of_wrong_decisions() -> None:
    found = global_risk(1.0, 0.06, 0.02, TOLERANCES[0])
    assert found.wrong == found.consumer + found.producer
    assert found.false_accepts == pytest.approx(found.consumer / found.accepted)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"mean": math.nan}, "mean"),
        ({"sd": 0.0}, "sd"),
        ({"sd": math.inf}, "sd"),
        ({"u": -0.1}, "u"),
        ({"k": 0.0}, "k"),
    ],
)
def test_refusals_name_the_input(changes: dict[str, float], named: str) -> None:
    all_of = {"mean": 1.0, "sd": 0.1, "u": 0.02, **changes}
    with pytest.raises(Refused) as caught:
        global_risk(all_of["mean"], all_of["sd"], all_of["u"], TOLERANCES[0], k=all_of.get("k"))
    assert caught.value.input == named
