"""k where errors have limits: against draws, against scipy, and where it must not change anything."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats  # type: ignore[import-untyped]

from measurements.calc.distributions import (
    COVERAGE,
    Distribution,
    bounded_share_factor,
    coverage_factor,
    normal_quantile,
)
from measurements.calc.errors import Refused
from measurements.calc.plan import Sharing
from measurements.calc.simulate import monte_carlo
from measurements.calc.uncertainty import Effect, propagate


def _total(a: float, b: float) -> float:
    return a + b


def _effects(rectangular: float, sharing: Sharing = Sharing.COMMON, dof: float = math.inf) -> list[Effect]:
    return [
        Effect("limits", "a", rectangular, sharing, math.inf, Distribution.RECTANGULAR),
        Effect("scatter", "b", 1.0, Sharing.COMMON, dof),
    ]


def test_ends_and_order() -> None:
    k = normal_quantile(0.5 * (1.0 + COVERAGE))
    assert bounded_share_factor(0.0) == 1.0
    assert k * bounded_share_factor(1.0) == pytest.approx(COVERAGE * math.sqrt(3.0), rel=1e-12)
    assert 1.96 * bounded_share_factor(1.0, 0.95) == pytest.approx(1.65, abs=0.005)  # EA-4/02, from memory
    factors = [bounded_share_factor(s) for s in np.linspace(0.0, 1.0, 57)]
    assert factors == sorted(factors, reverse=True)


@pytest.mark.parametrize("share", [0.1, 0.33, 0.5, 0.777, 0.9, 0.99])
def test_the_interval_holds_what_it_should_by_integration(share: float) -> None:
    half, s = math.sqrt(3.0 * share), math.sqrt(1.0 - share)
    k = normal_quantile(0.5 * (1.0 + COVERAGE)) * bounded_share_factor(share)

    def held(x: float) -> float:
        return float(stats.norm.cdf((k - x) / s) - stats.norm.cdf((-k - x) / s)) / (2.0 * half)

    assert integrate.quad(held, -half, half, epsabs=1e-12)[0] == pytest.approx(COVERAGE, abs=1e-5)


@pytest.mark.parametrize("rectangular", [0.3, 1.0, 2.0, 5.0])
def test_first_order_agrees_with_monte_carlo(rectangular: float) -> None:
    values = {"a": 10.0, "b": 5.0}
    effects = _effects(rectangular)
    found = propagate(_total, values, effects, name="total", unit="1", bounded=True)
    drawn = monte_carlo(_total, values, effects, trials=200_000)
    assert pytest.approx(0.5 * (drawn.high - drawn.low), rel=0.012) == found.U
    assert found.u == pytest.approx(drawn.u, rel=0.01)


def test_several_limits_together_are_nearly_normal() -> None:
    effects = [
        Effect(f"limits {i}", "a", 1.0, Sharing.COMMON, math.inf, Distribution.RECTANGULAR) for i in range(12)
    ]
    found = propagate(_total, {"a": 1.0, "b": 1.0}, effects, name="total", unit="1", bounded=True)
    assert 1.97 < found.k < 2.0


def test_errors_of_each_member_and_unbounded_results_keep_their_k() -> None:
    def mean(a: list[float], b: float) -> float:
        return sum(a) / 4.0 + b

    own = propagate(
        mean,
        {"a": (1.0, 1.0, 1.0, 1.0), "b": 1.0},
        _effects(3.0, Sharing.INDEPENDENT),
        name="mean",
        unit="1",
        bounded=True,
    )
    assert own.k == coverage_factor(math.inf)
    plain = propagate(_total, {"a": 1.0, "b": 1.0}, _effects(3.0), name="total", unit="1")
    assert plain.k == coverage_factor(math.inf)


def test_limits_of_no_width_keep_the_k() -> None:
    effects = [Effect("limits", "a", 0.0, Sharing.COMMON, math.inf, Distribution.RECTANGULAR)]
    sure = propagate(_total, {"a": 1.0, "b": 1.0}, effects, name="total", unit="1", bounded=True)
    assert (sure.u, sure.U) == (0.0, 0.0)
    assert sure.k == coverage_factor(math.inf)


def test_degrees_of_freedom_still_count() -> None:
    few = propagate(_total, {"a": 1.0, "b": 1.0}, _effects(1.0, dof=3.0), name="t", unit="1", bounded=True)
    assert few.k == pytest.approx(coverage_factor(12.0) * bounded_share_factor(0.5))


@given(st.floats(0.0, 1.0))
def test_never_above_one(share: float) -> None:
    assert 0.82 < bounded_share_factor(share) <= 1.0


@pytest.mark.parametrize("share", [-0.1, 1.1, math.nan])
def test_a_share_is_from_0_to_1(share: float) -> None:
    with pytest.raises(Refused):
        bounded_share_factor(share)
