"""Hoods, the screening figure at the axis, verdicts and the balance of a system."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import (
    AcceptanceRule,
    Code,
    DecisionRule,
    Estimate,
    HoodSignal,
    Limits,
    Refused,
    Tolerance,
    Verdict,
    balance,
    centreline_reading,
    conformance_probability,
    hood_reading,
    judge_value,
    not_decidable,
    tolerance_of,
    without_budgets,
)
from tests.calc.worlds import PERFECT, centreline, hood


def test_hood_by_hand() -> None:
    result = hood_reading(hood())
    assert result.flow.value == pytest.approx(0.106 * 1.05)
    assert result.standard_flow.value == pytest.approx(0.106 * 1.05 * result.density.value / 1.204)
    rows = {row.name: row.contribution for row in result.flow.budget}
    assert rows["Hood factor"] == pytest.approx(0.106 * 0.02)
    assert rows["Repeated readings"] == pytest.approx(1.05 * 0.001)
    assert rows["Instrument specification"] == pytest.approx(1.05 * (0.03 * 0.106 + 0.003) / math.sqrt(3.0))
    assert rows["Placing and seal"] == pytest.approx(0.106 * 1.05 * 0.02)
    assert math.sqrt(sum(c * c for c in rows.values())) == pytest.approx(result.flow.u)
    assert result.verdict_allowed
    assert [r.flow for r in result.runs] == pytest.approx([0.105 * 1.05, 0.107 * 1.05])


def test_what_a_hood_shows_decides_how_density_acts() -> None:
    density = hood_reading(hood()).density.value
    standard = hood_reading(hood(signal=HoodSignal.STANDARD))
    pressure = hood_reading(hood(signal=HoodSignal.PRESSURE))
    plain = hood_reading(hood()).flow.value
    assert standard.flow.value == pytest.approx(plain * 1.204 / density)
    assert standard.standard_flow.value == pytest.approx(plain)
    assert pressure.flow.value == pytest.approx(plain * math.sqrt(1.204 / density))


def test_hood_remarks() -> None:
    assumed = hood_reading(hood(factor=None))
    assert assumed.remark(Code.HOOD_FACTOR_ASSUMED) is not None
    assert assumed.flow.value == pytest.approx(0.106)
    assert hood_reading(hood(flows=(0.1, 0.12))).remark(Code.RUNS_DISAGREE) is not None
    assert hood_reading(hood(flows=(0.005,))).remark(Code.NEAR_RESOLUTION) is not None
    assert hood_reading(hood(limits=Limits(hood_high_flow=0.1))).remark(Code.BACK_PRESSURE) is not None
    assert hood_reading(hood()).remark(Code.BACK_PRESSURE) is None


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"flows": ()}, "flows"),
        ({"flows": (-0.1,)}, "flows[0]"),
        ({"flows": (0.1, math.nan)}, "flows[1]"),
        ({"factor": Estimate(0.0, 0.1)}, "factor"),
    ],
)
def test_hood_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        hood_reading(hood(**changes))
    assert caught.value.input == named


def test_a_hood_that_shows_nothing_has_a_finite_uncertainty() -> None:
    result = hood_reading(hood(flows=(0.0, 0.0)))
    assert result.flow.value == 0.0
    assert result.flow.u > 0.0


def test_centreline_is_nine_tenths_and_never_decides() -> None:
    result = centreline_reading(centreline(instrument=PERFECT))
    roots = [math.sqrt(2.0 * p / result.density.value) for p in (60.0, 62.0, 61.0)]
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(0.9 * sum(roots) / 3.0)
    assert not result.verdict_allowed
    assert result.remark(Code.SCREENING_ONLY) is not None
    assert result.flow.relative_U > 0.12
    with pytest.raises(Refused, match="at least one"):
        centreline_reading(centreline(pressures=()))


def test_not_decidable_is_never_accepted() -> None:
    judged = not_decidable(0.9, design=1.0)
    assert judged.verdict is Verdict.NOT_DECIDABLE
    assert not judged.accepted
    assert judged.share == pytest.approx(0.9)


@given(st.floats(0.5, 1.5), st.floats(0.001, 0.2))
def test_words_come_from_where_the_interval_lies(value: float, u: float) -> None:
    judged = judge_value(value, u, Tolerance(0.9, 1.1), k=2.0)
    low, high = value - 2.0 * u, value + 2.0 * u
    inside = 0.9 <= value <= 1.1
    if low >= 0.9 and high <= 1.1:
        assert judged.verdict is Verdict.PASS
    elif inside:
        assert judged.verdict is Verdict.CONDITIONAL_PASS
    elif high < 0.9 or low > 1.1:
        assert judged.verdict in (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)
        assert judged.verdict is Verdict.FAIL or abs(judged.margin + 2.0 * u) < 1e-9
    else:
        assert judged.verdict is Verdict.CONDITIONAL_FAIL
    assert judged.accepted == inside


@given(st.floats(0.8, 1.2), st.floats(0.001, 0.1), st.sampled_from([math.inf, 3.0, 12.5]))
def test_stricter_rules_accept_less(value: float, u: float, dof: float) -> None:
    tolerance = Tolerance(0.9, 1.1)

    def accepted(rule: AcceptanceRule) -> bool:
        return judge_value(value, u, tolerance, dof=dof, rule=rule).accepted

    simple = accepted(AcceptanceRule(DecisionRule.SIMPLE))
    half = accepted(AcceptanceRule(DecisionRule.GUARDED, guard=0.5))
    whole = accepted(AcceptanceRule(DecisionRule.GUARDED, guard=1.0))
    assert simple >= half >= whole
    if whole:
        assert judge_value(value, u, tolerance, dof=dof).probability > 0.9


@given(st.floats(0.5, 1.5), st.floats(0.001, 0.3), st.sampled_from([math.inf, 2.0, 30.0]))
def test_probabilities_of_a_limit_s_two_sides_add_to_one(value: float, u: float, dof: float) -> None:
    above = conformance_probability(value, u, Tolerance(1.0, None), dof)
    below = conformance_probability(value, u, Tolerance(None, 1.0), dof)
    assert above + below == pytest.approx(1.0)


def test_probability_rule_and_one_sided_limits() -> None:
    rule = AcceptanceRule(DecisionRule.PROBABILITY, threshold=0.8)
    assert judge_value(0.95, 0.03, tolerance_of(1.0, -0.1, None), rule=rule).accepted
    assert not judge_value(0.91, 0.03, tolerance_of(1.0, -0.1, None), rule=rule).accepted
    assert judge_value(0.95, 0.0, Tolerance(0.9, 1.1)).probability == 1.0
    assert judge_value(1.2, 0.0, Tolerance(0.9, 1.1)).probability == 0.0


def test_a_limit_that_went_through_units_is_still_inclusive() -> None:
    design = 1000.0 * 0.3048**3 / 60.0
    measured = 900.0 * 0.3048**3 / 60.0
    assert judge_value(measured, 0.0, tolerance_of(design, -0.1, 0.1)).accepted


@pytest.mark.parametrize(
    "build",
    [
        lambda: Tolerance(None, None),
        lambda: Tolerance(1.1, 0.9),
        lambda: tolerance_of(1.0, 0.1, 0.2),
        lambda: tolerance_of(1.0, -0.1, -0.05),
        lambda: tolerance_of(0.0, -0.1, 0.1),
        lambda: Tolerance(math.nan, 1.0),
        lambda: AcceptanceRule(DecisionRule.PROBABILITY, threshold=1.0),
        lambda: judge_value(1.0, -0.1, Tolerance(0.9, 1.1)),
        lambda: judge_value(math.inf, 0.1, Tolerance(0.9, 1.1)),
    ],
)
def test_wrong_tolerances_are_refused(build: object) -> None:
    with pytest.raises(Refused):
        build()  # type: ignore[operator]


def test_outlets_against_the_main_duct() -> None:
    outlet = hood_reading(hood()).flow
    main = replace(outlet, value=3.0 * outlet.value * 1.03, U=0.05 * 3.0 * outlet.value)
    found = balance([outlet] * 3, main)
    assert found.difference == pytest.approx(-0.09 * outlet.value)
    assert found.outlet_U == pytest.approx(3.0 * outlet.U)
    assert found.normalised == pytest.approx(abs(found.difference) / math.hypot(3.0 * outlet.U, main.U))
    assert found.agrees
    independent = balance([outlet] * 3, main, common=0.0)
    assert independent.outlet_U == pytest.approx(math.sqrt(3.0) * outlet.U)
    far = balance([outlet] * 3, replace(main, value=6.0 * outlet.value))
    assert not far.agrees
    leaking = balance([outlet] * 3, replace(main, value=6.0 * outlet.value), leakage_allowed=0.5)
    assert leaking.agrees
    with pytest.raises(Refused, match="at least one"):
        balance([], main)
    with pytest.raises(Refused, match="common"):
        balance([outlet], main, common=1.5)


def test_readings_beyond_the_hood_s_range_are_counted_from_one() -> None:
    narrow = replace(hood().instrument, low=0.02, high=0.1065)
    remark = hood_reading(hood(instrument=narrow, flows=(0.105, 0.107))).remark(Code.OUTSIDE_RANGE)
    assert remark is not None
    assert remark.points == ("2",)
    assert remark.numbers == {"count": 1, "low": 0.02, "high": 0.1065}


def test_figures_alone_are_the_same_figures() -> None:
    """What is left out for speed explains the figures, it does not make them."""
    full = hood_reading(hood())
    with without_budgets():
        brief = hood_reading(hood())
    assert (brief.flow.value, brief.flow.u, brief.flow.dof) == (full.flow.value, full.flow.u, full.flow.dof)
    assert (brief.flow.budget, brief.digest) == ((), "")
    assert full.flow.budget
    assert len(full.digest) == 64
    assert hood_reading(hood()) == full  # only inside


@pytest.mark.parametrize("pressures", [(60.0,), (0.0,), (0.0, 0.0)])
def test_an_axis_read_once_or_without_any_flow_has_no_scatter_of_its_own(
    pressures: tuple[float, ...],
) -> None:
    result = centreline_reading(centreline(instrument=PERFECT, pressures=pressures))
    assert "Repeated readings" not in {row.name for row in result.flow.budget}
    assert math.isfinite(result.flow.u)
    assert (result.flow.value > 0.0) == any(pressures)
