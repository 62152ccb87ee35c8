"""Outlets against the main duct, the difference as leakage, and a result against an earlier one."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc.distributions import coverage_factor
from measurements.calc.errors import Refused
from measurements.calc.leakage_classes import EN_COEFFICIENTS
from measurements.calc.method import Estimate
from measurements.calc.system import (
    LeakageCheck,
    LeakageFinding,
    against_earlier,
    balance,
    leakage_between,
)
from measurements.calc.uncertainty import Correlation, Quantity, Result, evaluate


def figure(value: float, u: float, dof: float = math.inf, unit: str = "m3/s") -> Result:
    k = coverage_factor(dof)
    return Result("Flow", unit, value, u, k * u, k, dof, 0.9545, (), "")


def checked(missing: float, u: float = 0.005, **changes: Any) -> LeakageCheck:
    """Three outlets and a main duct of 1 m3/s; 100 m2 of duct at 250 Pa, class B by default."""
    each = (1.0 - missing) / 3.0
    found = balance([figure(each, u / 3.0)] * 3, figure(1.0, u), common=1.0)
    given: dict[str, Any] = {
        "surface": Estimate(100.0, 2.0),
        "pressure": Estimate(250.0, 10.0),
        "coefficient": EN_COEFFICIENTS["B"],
    }
    return leakage_between(found, **{**given, **changes})


ALLOWED = 9e-6 * 250.0**0.65 * 100.0
"""0.0326 m3/s, 3.3 % of the main flow (EN 1507 class B: f = 0.009 p^0.65 L/(s m2))."""


def test_leakage_by_hand() -> None:
    found = checked(0.08)
    assert found.leakage == pytest.approx(0.08)
    assert found.share == pytest.approx(0.08)
    assert pytest.approx(2.0 * 0.005 * math.sqrt(2.0), rel=1e-3) == found.U
    assert found.allowed == pytest.approx(ALLOWED)
    # 2 % of the surface and 0.65 times 4 % of the pressure.
    assert found.allowed_U == pytest.approx(2.0 * ALLOWED * math.hypot(0.02, 0.65 * 0.04), rel=1e-3)
    assert found.coefficient == pytest.approx(0.08 / (250.0**0.65 * 100.0))
    assert found.normalised == pytest.approx((0.08 - ALLOWED) / math.hypot(found.U, found.allowed_U))
    assert found.finding is LeakageFinding.NOT_EXPLAINED


@pytest.mark.parametrize(
    ("missing", "word"),
    [
        (0.0, LeakageFinding.AGREES),
        (0.012, LeakageFinding.AGREES),
        (-0.012, LeakageFinding.AGREES),
        (0.03, LeakageFinding.EXPLAINED),
        (0.045, LeakageFinding.EXPLAINED),
        (0.06, LeakageFinding.NOT_EXPLAINED),
        (-0.03, LeakageFinding.OPPOSITE),
    ],
)
def test_what_leakage_explains(missing: float, word: LeakageFinding) -> None:
    assert checked(missing).finding is word


def test_a_tight_class_explains_less_and_a_loose_one_more() -> None:
    assert checked(0.06, coefficient=EN_COEFFICIENTS["A"]).finding is LeakageFinding.EXPLAINED
    assert checked(0.03, coefficient=EN_COEFFICIENTS["D"]).finding is LeakageFinding.NOT_EXPLAINED


def test_share_of_the_main_flow_as_the_package_propagates_it() -> None:
    found = checked(0.08)

    def share(total: float, main: float) -> float:
        return 1.0 - total / main

    other = evaluate(share, [Quantity("total", 0.92, 0.005), Quantity("main", 1.0, 0.005)])
    assert found.share == pytest.approx(other.value)
    assert found.share_U == pytest.approx(other.U, rel=1e-3)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"surface": Estimate(0.0, 1.0)}, "surface"),
        ({"surface": Estimate(1.0, -1.0)}, "surface.u"),
        ({"pressure": Estimate(-250.0, 1.0)}, "pressure"),
        ({"pressure": Estimate(250.0, math.nan)}, "pressure.u"),
        ({"coefficient": 0.0}, "coefficient"),
        ({"exponent": 0.4}, "exponent"),
    ],
)
def test_leakage_figures_that_cannot_be_are_refused(changes: dict[str, Any], named: str) -> None:
    with pytest.raises(Refused) as caught:
        checked(0.08, **changes)
    assert caught.value.input == named


@given(st.floats(0.001, 1000.0))
def test_leakage_keeps_with_the_size_of_the_system(scale: float) -> None:
    each = scale * 0.94 / 3.0
    found = balance([figure(each, scale * 0.002)] * 3, figure(scale, scale * 0.005))
    big = leakage_between(found, Estimate(100.0 * scale, 2.0 * scale), Estimate(250.0, 10.0), 9e-6)
    plain = balance([figure(0.94 / 3.0, 0.002)] * 3, figure(1.0, 0.005))
    small = leakage_between(plain, Estimate(100.0, 2.0), Estimate(250.0, 10.0), 9e-6)
    assert big.finding is small.finding
    assert big.normalised == pytest.approx(small.normalised, rel=1e-6)
    assert big.coefficient == pytest.approx(small.coefficient, rel=1e-6)


# ---- against an earlier result --------------------------------------------------------------------------


def test_change_by_hand() -> None:
    found = against_earlier(figure(1.1, 0.03), figure(1.0, 0.04))
    assert found.difference == pytest.approx(0.1)
    assert found.relative == pytest.approx(0.1)
    assert found.u == pytest.approx(0.05)
    assert pytest.approx(0.1, rel=1e-3) == found.U
    assert found.normalised == pytest.approx(1.0, rel=1e-3)
    assert not against_earlier(figure(1.05, 0.03), figure(1.0, 0.04)).changed
    assert against_earlier(figure(1.2, 0.03), figure(1.0, 0.04)).changed


def test_what_one_instrument_did_to_both_cancels() -> None:
    now, then = figure(1.06, 0.04), figure(1.0, 0.04)
    assert not against_earlier(now, then).changed
    alike = against_earlier(now, then, correlation=0.9)
    assert alike.changed
    assert alike.u == pytest.approx(0.04 * math.sqrt(2.0 * 0.1))
    whole = against_earlier(now, then, correlation=1.0)
    assert whole.u == pytest.approx(0.0, abs=1e-9)
    assert whole.normalised > 1.0


def test_change_as_the_package_propagates_a_difference() -> None:
    def difference(now: float, then: float) -> float:
        return now - then

    quantities = [Quantity("now", 1.1, 0.03, 8.0), Quantity("then", 1.0, 0.04, 20.0)]
    found = against_earlier(figure(1.1, 0.03, 8.0), figure(1.0, 0.04, 20.0))
    plain = evaluate(difference, quantities)
    assert (found.u, found.dof, found.k) == pytest.approx((plain.u, plain.dof, plain.k))
    tied = evaluate(difference, quantities, correlations=[Correlation("now", "then", 0.6)])
    assert against_earlier(
        figure(1.1, 0.03, 8.0), figure(1.0, 0.04, 20.0), correlation=0.6
    ).u == pytest.approx(tied.u)


def test_change_against_draws() -> None:
    rng = np.random.default_rng(3)
    common = rng.standard_normal(200_000)
    now = 1.1 + 0.03 * (math.sqrt(0.5) * common + math.sqrt(0.5) * rng.standard_normal(200_000))
    then = 1.0 + 0.04 * (math.sqrt(0.5) * common + math.sqrt(0.5) * rng.standard_normal(200_000))
    found = against_earlier(figure(1.1, 0.03), figure(1.0, 0.04), correlation=0.5)
    assert found.u == pytest.approx(float((now - then).std()), rel=0.01)


def test_signs_zero_and_refusals() -> None:
    now, then = figure(1.1, 0.03), figure(1.0, 0.04)
    back = against_earlier(then, now)
    assert back.difference == pytest.approx(-0.1)
    assert back.normalised == pytest.approx(against_earlier(now, then).normalised)
    assert against_earlier(figure(0.0, 0.0), figure(0.0, 0.0)).changed is False
    assert against_earlier(figure(0.0, 0.01), figure(0.0, 0.01)).relative == 0.0
    assert against_earlier(figure(0.1, 0.01), figure(0.0, 0.01)).relative == math.inf
    certain = against_earlier(figure(1.0, 0.0), figure(1.1, 0.0))
    assert certain.changed
    assert math.isinf(certain.normalised)
    for bad, named in ((replace(then, unit="Pa"), "earlier"), (then, "correlation")):
        with pytest.raises(Refused) as caught:
            against_earlier(now, bad, correlation=-0.1)
        assert caught.value.input == named
