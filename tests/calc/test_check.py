"""Pressure checks: words, switching difference, gas, refusals."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Accuracy, Code, Instrument, MethodResult, Refused
from measurements.calc.check import CheckSubject, PressureCheck, pressure_check
from measurements.calc.places import Readings
from measurements.calc.plan import Sharing
from measurements.calc.profile import difference_model
from measurements.calc.simulate import monte_carlo
from measurements.calc.uncertainty import Correlation, Effect
from tests.calc.worlds import MANOMETER, PERFECT

ONE_PASCAL = Instrument(accuracy=Accuracy(absolute=math.sqrt(3.0)), low=-100.0, high=100.0)


def switch(made: tuple[float, ...] = (62.0, 63.0, 62.5), **changes: object) -> PressureCheck:
    """An air-proving switch that makes at 50 to 75 Pa and breaks above 40 Pa."""
    fields: dict[str, object] = {
        "subject": CheckSubject.SWITCH,
        "release": Readings((48.0, 48.4, 48.2), MANOMETER, "dp-1", zero=0.0),
        "low": 50.0,
        "high": 75.0,
        "release_low": 40.0,
    }
    return PressureCheck(Readings(made, MANOMETER, "dp-1", zero=0.0), **{**fields, **changes})  # type: ignore[arg-type]


def codes(result: MethodResult) -> set[Code]:
    return {r.code for r in result.remarks}


def test_a_switch_within_its_limits() -> None:
    found = pressure_check(switch())
    assert found.classes == {"subject": "switch", "pressure": "pass", "release": "pass", "outcome": "pass"}
    assert found.limits == (50.0, 75.0)
    difference = found.results["switching_difference"]
    assert difference.value == pytest.approx(found.main.value - found.results["release"].value)
    assert codes(found) == set()


@pytest.mark.parametrize(
    ("pressure", "word"),
    [
        (60.0, "pass"),
        (51.0, "conditional_pass"),
        (49.0, "conditional_fail"),
        (47.0, "fail"),
        (-60.0, "fail"),
        (78.0, "fail"),
    ],
)
def test_words_come_from_where_the_interval_lies(pressure: float, word: str) -> None:
    found = pressure_check(PressureCheck(Readings((pressure,), ONE_PASCAL), low=50.0, high=75.0))
    assert pytest.approx(2.0, rel=1e-4) == found.main.U
    assert found.classes["pressure"] == found.classes["outcome"] == word


def test_limits_below_zero_keep_their_sign() -> None:
    suction = PressureCheck(Readings((-55.0,), ONE_PASCAL), low=-60.0, high=-50.0)
    assert pressure_check(suction).classes["outcome"] == "pass"
    assert pressure_check(PressureCheck(Readings((55.0,), ONE_PASCAL), low=-60.0, high=-50.0)).classes[
        "outcome"
    ] == ("fail")


def test_the_worse_of_make_and_release_is_the_outcome() -> None:
    found = pressure_check(switch(release_low=48.0))
    assert found.classes["release"] == "conditional_fail"
    assert found.classes["outcome"] == "conditional_fail"
    free = pressure_check(switch(release_low=None))
    assert (free.classes["release"], free.classes["outcome"]) == ("no_limit", "pass")
    none = pressure_check(PressureCheck(Readings((60.0,), ONE_PASCAL)))
    assert none.classes["outcome"] == "no_limit"
    assert none.limits is None
    assert {Code.NO_LIMITS, Code.ZERO_NOT_CHECKED, Code.SINGLE_RUN} <= codes(none)


def test_what_one_instrument_did_to_both_points_mostly_cancels() -> None:
    """u is 1 Pa at each; r = 1 - 20 / 200."""
    made, released = Readings((60.0,), ONE_PASCAL, "a"), Readings((40.0,), ONE_PASCAL, "a")
    one = pressure_check(PressureCheck(made, release=released)).results["switching_difference"]
    assert one.u == pytest.approx(math.sqrt(2.0 * 0.1))
    other = Readings((40.0,), ONE_PASCAL, "b")
    two = pressure_check(PressureCheck(made, release=other)).results["switching_difference"]
    assert two.u == pytest.approx(math.sqrt(2.0))
    effects = [Effect(n, n, 1.0, Sharing.COMMON) for n in ("first", "second")]
    drawn = monte_carlo(
        difference_model,
        {"first": 60.0, "second": 40.0},
        effects,
        output="difference",
        correlations=[Correlation("first", "second", 0.9)],
        trials=50_000,
    )
    assert one.u == pytest.approx(drawn.u, rel=0.02)


def test_switch_remarks() -> None:
    same = pressure_check(switch(release=Readings((62.4, 62.6), MANOMETER, "dp-1"), release_low=None))
    assert Code.NO_SWITCHING_DIFFERENCE in codes(same)
    reversed_ = pressure_check(switch(release=Readings((80.0, 80.1), MANOMETER, "dp-1"), release_low=None))
    remark = reversed_.remark(Code.RELEASE_ABOVE_MAKE)
    assert remark is not None
    assert remark.numbers["difference"] < -remark.numbers["U"]
    weak = pressure_check(PressureCheck(Readings((0.6,), MANOMETER, zero=0.0), high=5.0))
    assert Code.NEAR_RESOLUTION in codes(weak)


@pytest.mark.parametrize("subject", list(CheckSubject))
def test_gas_is_for_licensed_people(subject: CheckSubject) -> None:
    found = pressure_check(PressureCheck(Readings((180.0,), PERFECT), subject, low=150.0))
    assert (Code.GAS_LICENSED in codes(found)) is subject.value.startswith("gas")
    assert found.classes["subject"] == subject.value


@given(st.floats(20.0, 180.0), st.floats(0.1, 10.0))
def test_a_higher_upper_limit_never_makes_the_word_worse(pressure: float, wider: float) -> None:
    order = ["fail", "conditional_fail", "conditional_pass", "pass"]
    words = [
        pressure_check(PressureCheck(Readings((pressure,), MANOMETER), high=h)).classes["outcome"]
        for h in (100.0, 100.0 + wider)
    ]
    assert order.index(words[0]) <= order.index(words[1])


def test_budget_shares_add_to_one() -> None:
    for result in pressure_check(switch()).results.values():
        assert math.fsum(row.share for row in result.budget) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"low": 80.0}, "low"),
        ({"low": math.nan}, "low"),
        ({"high": math.inf}, "high"),
        ({"release_low": 50.0, "release_high": 40.0}, "release_low"),
        ({"release_high": math.nan}, "release_high"),
        ({"release": None}, "release"),
        ({"release": Readings((), MANOMETER)}, "release"),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        pressure_check(switch(**changes))  # type: ignore[arg-type]
    assert caught.value.input == named
    with pytest.raises(Refused, match=r"pressure\[1\]"):
        pressure_check(switch((60.0, math.nan)))
