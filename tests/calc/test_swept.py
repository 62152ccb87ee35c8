"""Swept traverses: weights by time and by line, series, repeats, averaging pressure, round ducts."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Code, Instrument, Refused, Signal, Sweep, swept_traverse
from measurements.calc.sweeps import pressure_average_bias, time_weights
from measurements.calc.swept import round_sweep_factor
from measurements.calc.variance import series_type_a, spread_of_runs, type_a
from tests.calc.worlds import PERFECT, ROUND, swept

VELOCITY = {"signal": Signal.VELOCITY, "instrument": Instrument(resolution=0.01)}


def _codes(result: object) -> set[str]:
    return {r.code.value for r in result.remarks}  # type: ignore[attr-defined]


def _means(*velocities: float, duration: float = 20.0, run: int = 1) -> tuple[Sweep, ...]:
    return tuple(Sweep(n, run, mean=v, duration=duration) for n, v in enumerate(velocities, 1))


def test_lines_of_velocities_are_averaged_by_line() -> None:
    result = swept_traverse(swept(sweeps=_means(8.0, 9.0, 10.0, 9.0, 8.0), **VELOCITY))
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(8.8)
    assert result.flow.value == pytest.approx(8.8 * 0.24)
    assert [p.velocity for p in result.points] == pytest.approx([8.0, 9.0, 10.0, 9.0, 8.0])
    assert Code.NO_TIME_SERIES in _codes(result)


def test_samples_weigh_by_the_time_they_stand_for() -> None:
    slow_then_quick = Sweep(1, 1, (0.0, 4.0, 5.0, 6.0), (10.0, 10.0, 4.0, 4.0))
    result = swept_traverse(swept(lines=1, sweeps=(slow_then_quick,), settling=0.0, **VELOCITY))
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx((4.0 * 10.0 + 7.0 + 4.0) / 6.0)


@given(st.lists(st.floats(0.01, 5.0), min_size=1, max_size=30))
def test_time_weights_add_to_one(gaps: list[float]) -> None:
    times = tuple(sum(gaps[:i]) for i in range(len(gaps) + 1))
    assert sum(time_weights(times)) == pytest.approx(1.0)


def test_settling_is_cut_off_and_told() -> None:
    times = tuple(float(i) for i in range(40))
    rising = tuple(2.0 if t < 5.0 else 9.0 for t in times)
    sweeps = tuple(Sweep(n, 1, times, rising) for n in range(1, 6))
    result = swept_traverse(swept(sweeps=sweeps, settling=5.0, **VELOCITY))
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(9.0)
    remark = result.remark(Code.SAMPLES_DROPPED)
    assert remark is not None
    assert remark.numbers == {"dropped": 25, "settling": 5.0}


def test_series_of_pressure_averages_velocities_not_pressures() -> None:
    times = tuple(0.1 * i for i in range(201))
    values = tuple(40.0 + 39.0 * math.sin(2.0 * math.pi * t / 2.0) for t in times)
    sweeps = tuple(Sweep(n, 1, times, values) for n in range(1, 6))
    result = swept_traverse(swept(sweeps=sweeps, settling=0.0, instrument=PERFECT))
    weights = time_weights(times)
    root = sum(w * math.sqrt(2.0 * v) for w, v in zip(weights, values, strict=True))
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(root / math.sqrt(result.density.value))
    wrong = math.sqrt(2.0 * sum(w * v for w, v in zip(weights, values, strict=True)))
    assert wrong / root > 1.05


def test_an_average_of_pressure_is_corrected_and_doubted() -> None:
    result = swept_traverse(swept(sweeps=_means(*[50.0] * 5), instrument=PERFECT, pressure_cv=0.4))
    plain = math.sqrt(2.0 * 50.0 / result.density.value)
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(plain * (1.0 - 0.02))
    remark = result.remark(Code.AVERAGED_PRESSURE)
    assert remark is not None
    assert remark.numbers["bias"] == pytest.approx(0.02)
    rows = {row.name: row.u for row in result.flow.budget}
    assert rows["Averaging of pressure"] == pytest.approx(0.02 / math.sqrt(3.0))


@given(st.floats(0.01, 0.5))
def test_bias_of_averaging_pressure(cv: float) -> None:
    pressures = [1.0 + cv * math.sqrt(2.0) * math.sin(2.0 * math.pi * i / 400) for i in range(400)]
    roots = sum(math.sqrt(p) for p in pressures) / 400
    assert math.sqrt(sum(pressures) / 400) / roots - 1.0 == pytest.approx(pressure_average_bias(cv), rel=0.25)


def test_repeated_sweeps_tell_their_own_scatter() -> None:
    twice = (*_means(8.0, 9.0, 10.0, 9.0, 8.0), *_means(8.1, 8.9, 10.2, 9.0, 8.1, run=2))
    result = swept_traverse(swept(sweeps=twice, **VELOCITY))
    rows = {row.name: row for row in result.flow.budget}
    assert rows["Fluctuation between runs"].dof == 4.0
    assert Code.SINGLE_RUN not in _codes(result)
    far = (*_means(8.0, 9.0, 10.0, 9.0, 8.0), *_means(9.0, 10.0, 11.0, 10.0, 9.0, run=2))
    assert Code.RUNS_DISAGREE in _codes(swept_traverse(swept(sweeps=far, **VELOCITY)))


def test_a_single_sweep_without_series_takes_the_allowance() -> None:
    rows = {
        row.name: row.u for row in swept_traverse(swept(sweeps=_means(*[9.0] * 5), **VELOCITY)).flow.budget
    }
    assert rows["Fluctuation (allowance)"] == 0.02


def test_unlike_sweeps_and_missing_lines_are_told() -> None:
    uneven = (*_means(9.0, 9.0, 9.0), Sweep(4, 1, mean=9.0, duration=35.0))
    result = swept_traverse(swept(sweeps=uneven, **VELOCITY))
    missing = result.remark(Code.LINES_MISSING)
    assert missing is not None
    assert missing.points == ("L5",)
    assert Code.SWEEPS_UNLIKE in _codes(result)
    assert "Missing lines" in [row.name for row in result.flow.budget]


def test_a_sweep_along_a_diameter_is_corrected() -> None:
    factor, u = round_sweep_factor()
    exact = [2 * n / (2 * n + 1) for n in (5, 7, 10)]
    assert min(exact) < factor < max(exact)
    assert factor + math.sqrt(3.0) * u == pytest.approx(max(exact))
    result = swept_traverse(swept(duct=ROUND, lines=2, sweeps=_means(10.0, 10.0), **VELOCITY))
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(10.0 * factor)
    assert Code.ROUND_SWEEP in _codes(result)


def test_a_thermal_anemometer_shows_standard_velocity() -> None:
    sweeps = _means(*[9.0] * 5)
    actual = swept_traverse(swept(sweeps=sweeps, **VELOCITY))
    thermal = swept_traverse(swept(sweeps=sweeps, **{**VELOCITY, "signal": Signal.STANDARD_VELOCITY}))
    assert thermal.flow.value == pytest.approx(actual.flow.value * 1.204 / actual.density.value)
    assert thermal.standard_flow.value == pytest.approx(9.0 * 0.24)
    names = {row.name: row.share for row in thermal.standard_flow.budget}
    assert names["Temperature"] == pytest.approx(0.0, abs=1e-20)  # density cancels


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"sweeps": ()}, "at least one"),
        ({"sweeps": _means(*[9.0] * 6)}, r"sweeps\[5\].line: must be 1 to 5"),
        ({"sweeps": (*_means(9.0), *_means(9.0))}, "second sweep of this line"),
        ({"sweeps": (Sweep(1),)}, "needs samples with times, or mean and duration"),
        ({"sweeps": (Sweep(1, 1, (0.0, 1.0), (5.0,)),)}, "as many as the samples"),
        ({"sweeps": (Sweep(1, 1, (0.0, 2.0, 1.0), (5.0, 5.0, 5.0)),)}, "must rise"),
        (
            {"sweeps": (Sweep(1, 1, (0.0, 1.0), (5.0, 5.0)),), "settling": 3.0},
            "fewer than two after settling",
        ),
        ({"sweeps": (Sweep(1, 1, (0.0, 1.0), (5.0, math.nan)),)}, r"samples\[1\]: must be a finite"),
        ({"sweeps": (Sweep(1, mean=5.0, duration=0.0),)}, r"duration: must be above zero"),
        ({"sweeps": (Sweep(1, mean=-5.0, duration=9.0),)}, "averages below zero"),
        ({"pressure_cv": -1.0}, "pressure_cv"),
    ],
)
def test_refusals(changes: dict[str, object], match: str) -> None:
    with pytest.raises(Refused, match=match):
        swept_traverse(swept(**{**VELOCITY, **changes}))


def test_order_of_sweeps_does_not_matter() -> None:
    plain = swept()
    turned = replace(plain, sweeps=plain.sweeps[::-1])
    assert swept_traverse(turned).flow.value == pytest.approx(swept_traverse(plain).flow.value, rel=1e-13)


def test_white_series_has_the_uncertainty_of_independent_values() -> None:
    series = np.random.default_rng(4).normal(10.0, 0.5, 4000)
    found = series_type_a(list(map(float, series)))
    assert found.u == pytest.approx(type_a(list(map(float, series))).u, rel=0.15)


def test_a_series_whose_neighbours_are_alike_is_worth_less() -> None:
    generator, phi, n = np.random.default_rng(4), 0.8, 400
    means, claimed = [], []
    for _ in range(200):
        noise = generator.normal(0.0, 1.0, n)
        series = np.empty(n)
        series[0] = noise[0] / math.sqrt(1.0 - phi**2)
        for i in range(1, n):
            series[i] = phi * series[i - 1] + noise[i]
        means.append(series.mean())
        claimed.append(series_type_a([float(v) for v in series]).u)
    true = float(np.std(means))
    assert float(np.mean(claimed)) == pytest.approx(true, rel=0.25)
    assert true > 2.0 * 1.667 / math.sqrt(n)  # independent values would claim less than half


def test_the_profile_along_a_sweep_is_no_fluctuation() -> None:
    profile = [10.0 * (1.0 - (2.0 * i / 99 - 1.0) ** 4) + 0.01 * math.cos(2.9 * i) for i in range(100)]
    assert series_type_a(profile, 4).u < 0.002
    assert series_type_a(profile, 0).u > 0.5
    assert series_type_a([5.0] * 20).u == 0.0
    with pytest.raises(Refused, match="at least 14 samples"):
        series_type_a([1.0] * 13, 4)


def test_spread_of_runs_is_a_two_way_analysis() -> None:
    runs = {1: {"a": 10.0, "b": 12.0}, 2: {"a": 10.2, "b": 12.4}}
    found = spread_of_runs(runs)
    rest = sum((d - 0.3) ** 2 for d in (0.2, 0.4)) / 2.0  # one degree of freedom
    assert found.point_u == pytest.approx(math.sqrt(rest / 4.0) / 11.15)
    assert (found.point_dof, found.run_dof) == (1.0, 1.0)
    assert found.spread == pytest.approx(0.3 / 11.15)
    total = found.point_u**2 + found.run_u**2
    assert total == pytest.approx(0.3**2 / 2.0 / 2.0 / 11.15**2)
    assert spread_of_runs({1: {"a": 1.0}}).run_dof == 0.0
