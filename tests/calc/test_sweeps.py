"""Type A of series: what autocorrelated values tell, against theory and against white noise."""

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Refused, Signal, Sweep, coverage_factor
from measurements.calc.sweeps import Weighting, area_weights, average_line, settled, time_weights
from measurements.calc.variance import WINDOW, series_type_a, type_a
from tests.calc import worlds

Array = npt.NDArray[np.float64]


def _autoregressive(phi: float, n: int, count: int, seed: int) -> Array:
    """Rows of a first-order autoregressive series of unit innovations, stationary from the start."""
    noise = np.random.default_rng(seed).normal(0.0, 1.0, (count, n))
    rows = np.empty_like(noise)
    rows[:, 0] = noise[:, 0] / math.sqrt(1.0 - phi * phi)
    for i in range(1, n):
        rows[:, i] = phi * rows[:, i - 1] + noise[:, i]
    return rows


def _true_u(phi: float, n: int) -> float:
    """Standard deviation of the mean of n values of that series, in closed form."""
    lags = np.arange(1, n)
    one = 1.0 / (1.0 - phi * phi)
    return math.sqrt(one / n * (1.0 + 2.0 * float(((1.0 - lags / n) * phi**lags).sum())))


@pytest.mark.parametrize("degree", [0, 4])
@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_an_autoregressive_series_has_the_uncertainty_of_theory(phi: float, degree: int) -> None:
    rows, true = _autoregressive(phi, 600, 150, 7), _true_u(phi, 600)
    found = [series_type_a([float(v) for v in row], degree) for row in rows]
    mean_square = math.fsum(f.u * f.u for f in found) / len(found)
    # slow waves under a fourth-degree trend are told worst: what it took comes back with a wide scatter
    assert math.sqrt(mean_square) == pytest.approx(true, rel=0.20 if phi == 0.8 and degree else 0.10)
    covered = sum(abs(f.mean) < coverage_factor(f.dof) * f.u for f in found) / len(found)
    assert 0.91 <= covered <= 0.995
    if degree == 0:
        time = math.fsum(f.integral_time for f in found) / len(found)
        assert time == pytest.approx(0.5 * (1.0 + phi) / (1.0 - phi), rel=0.15)
    if phi == 0.8:
        assert true > 2.5 * type_a([float(v) for v in rows[0]]).u  # independent values would claim far less


@given(st.floats(0.1, 0.8), st.integers(0, 2**20))
def test_alike_neighbours_are_worth_fewer_values(phi: float, seed: int) -> None:
    row = [float(v) for v in _autoregressive(phi, 400, 1, seed)[0]]
    found = series_type_a(row)
    assert found.u >= 0.999 * type_a(row).u
    assert found.effective <= 400.0 + 1e-6
    assert found.u == pytest.approx(found.s / math.sqrt(found.effective))
    assert 1.0 <= found.dof <= 400.0


def test_a_short_series_of_slow_waves_is_covered_by_its_degrees_of_freedom() -> None:
    rows = _autoregressive(0.9, 60, 200, 3)
    found = [series_type_a([float(v) for v in row], 2) for row in rows]
    covered = sum(abs(f.mean) < coverage_factor(f.dof) * f.u for f in found) / len(found)
    assert covered >= 0.93
    assert sum(not f.closed for f in found) > 50


@pytest.mark.parametrize("degree", [0, 2, 4])
def test_a_polynomial_along_the_sweep_does_not_count(degree: int) -> None:
    noise = [float(v) for v in _autoregressive(0.5, 300, 1, 11)[0]]
    x = [2.0 * i / 299 - 1.0 for i in range(300)]
    profile = [5.0 + sum(3.0 * v**k for k in range(1, degree + 1)) for v in x]
    plain = series_type_a(noise, degree)
    raised = series_type_a([a + b for a, b in zip(noise, profile, strict=True)], degree)
    assert raised.u == pytest.approx(plain.u, rel=1e-9)
    assert raised.dof == plain.dof


@given(st.floats(1e-3, 1e3), st.floats(-50.0, 50.0))
def test_scaling_and_shifting_a_series(factor: float, shift: float) -> None:
    row = [float(v) for v in _autoregressive(0.6, 120, 1, 5)[0]]
    plain = series_type_a(row, 2)
    found = series_type_a([factor * (v + shift) for v in row], 2)
    assert found.u == pytest.approx(factor * plain.u, rel=1e-8)
    assert found.mean == pytest.approx(factor * (plain.mean + shift), rel=1e-9, abs=1e-9 * factor)
    assert found.window == plain.window


def test_uneven_weights_cost() -> None:
    row = [float(v) for v in _autoregressive(0.0, 100, 1, 9)[0]]
    plain = series_type_a(row)
    heavy = [0.5 / 50] * 50 + [0.5 / 50] * 50
    assert series_type_a(row, 0, heavy).u == pytest.approx(plain.u)
    lean = [0.9 / 50] * 50 + [0.1 / 50] * 50
    assert series_type_a(row, 0, lean).u == pytest.approx(
        plain.u * math.sqrt(100 * 50 * (0.018**2 + 0.002**2))
    )
    with pytest.raises(Refused, match="weights"):
        series_type_a(row, 0, [0.02] * 100)
    with pytest.raises(Refused, match="weights"):
        series_type_a(row, 0, [1.0])


def test_the_profile_along_a_sweep_is_no_fluctuation() -> None:
    profile = [10.0 * (1.0 - (2.0 * i / 99 - 1.0) ** 4) + 0.01 * math.cos(2.9 * i) for i in range(100)]
    assert series_type_a(profile, 4).u < 0.002
    assert series_type_a(profile, 0).u > 0.5
    assert series_type_a([5.0] * 20).u == 0.0
    with pytest.raises(Refused, match="at least 14 samples"):
        series_type_a([1.0] * 13, 4)
    with pytest.raises(Refused, match=r"series\[3\]"):
        series_type_a([1.0, 2.0, 3.0, math.nan, *[1.0] * 10])


@given(st.lists(st.floats(0.01, 5.0), min_size=2, max_size=30))
def test_ring_weights_add_to_one_and_spare_the_axis(gaps: list[float]) -> None:
    times = [math.fsum(gaps[:i]) for i in range(len(gaps) + 1)]
    for moments in (False, True):
        found = area_weights(time_weights(times), moments=moments)
        assert math.fsum(found) == pytest.approx(1.0)
        assert min(found) >= 0.0
    even = area_weights([0.1] * 10)
    assert even == pytest.approx(even[::-1])
    assert even[:5] == pytest.approx([0.9 / 5, 0.7 / 5, 0.5 / 5, 0.3 / 5, 0.1 / 5])


@pytest.mark.parametrize(
    ("first", "cut"),
    [
        ([0.0, 4.0, 8.0], 3),  # from nothing
        ([30.0, 18.0], 2),  # overshoot
        ([30.0], 1),
        ([7.0, 8.5], 0),  # a little low: may be the wall
        ([9.0], 0),
    ],
)
def test_the_start_is_cut_up_to_the_later_range(first: list[float], cut: int) -> None:
    samples = (*first, *(10.0 + 0.3 * math.sin(2.0 * i) for i in range(40)))
    times = tuple(0.5 * i for i in range(len(samples)))
    found = settled(Sweep(1, 1, times, samples), None)
    assert found.first == cut
    assert found.found is (cut > 0)
    assert found.seconds == pytest.approx(0.5 * cut)
    given_time = settled(Sweep(1, 1, times, samples), 2.0)
    assert (given_time.first, given_time.found) == (4, False)
    nothing = settled(Sweep(1, 1, times, samples), 0.0)
    assert nothing.first == 0


@pytest.mark.parametrize(("count", "cut"), [(1, True), (8, True), (9, False), (11, False)])
def test_a_start_that_takes_more_than_a_fifth_of_the_time_is_told_but_kept(count: int, cut: bool) -> None:
    samples = (*[0.0] * count, *(10.0 + 0.3 * math.sin(2.0 * i) for i in range(41 - count)))
    found = settled(Sweep(1, 1, tuple(0.5 * i for i in range(41)), samples), None)
    assert (found.first, found.unclear) == ((count, False) if cut else (0, True))


@pytest.mark.parametrize(("start", "cut"), [(5.0, 0), (4.9, 1), (15.0, 0), (15.1, 1)])
def test_a_start_within_half_of_the_level_is_no_settling(start: float, cut: int) -> None:
    assert settled(Sweep(1, 1, tuple(0.5 * i for i in range(41)), (start, *[10.0] * 40)), None).first == cut


@given(st.floats(0.2, 5.0), st.floats(0.1, 100.0))
def test_settling_does_not_depend_on_units(step: float, factor: float) -> None:
    samples = (0.0, 3.0, 6.0, *(10.0 + 0.3 * math.sin(2.0 * i) for i in range(40)))
    times = tuple(step * i for i in range(len(samples)))
    found = settled(Sweep(1, 1, times, tuple(factor * v for v in samples)), None)
    assert found.first == 3


def test_short_series_tell_no_settling() -> None:
    assert settled(Sweep(1, 1, (0.0, 1.0, 2.0), (0.0, 9.0, 9.0)), None).first == 0


@pytest.mark.parametrize(
    ("weighting", "seconds"), [(Weighting.STEP, 30.0), (Weighting.HOLD, 30.0), (Weighting.TRAPEZOID, 29.5)]
)
def test_samples_stand_for_their_own_time(weighting: Weighting, seconds: float) -> None:
    """Sixty values half a second apart: sixty steps, or sixty moments with 59 gaps between."""
    inputs = worlds.swept(weighting=weighting, settling=0.0)
    found = average_line(inputs, inputs.sweeps[0], "sweeps[0]", 98_550.0)
    assert found.duration == pytest.approx(seconds)


def test_only_averaged_pressures_have_the_bias_of_the_root() -> None:
    """The root of a mean pressure lies above the mean root; a mean velocity is itself."""
    inputs = worlds.swept(settling=0.0)
    by_pressure = average_line(inputs, inputs.sweeps[0], "sweeps[0]", 98_550.0)
    assert by_pressure.root_bias is not None
    assert 0.0 < by_pressure.root_bias < 0.05
    metres = worlds.swept(settling=0.0, signal=Signal.VELOCITY)
    assert average_line(metres, metres.sweeps[0], "sweeps[0]", 98_550.0).root_bias == 0.0
    still = replace(inputs.sweeps[0], samples=(0.0,) * 60)
    assert average_line(inputs, still, "sweeps[0]", 98_550.0).root_bias == 0.0


def test_a_window_of_a_thousand_lags_that_does_not_close_is_told() -> None:
    """Waves of some thousand samples in a long series: the sum goes on beyond what is looked at."""
    row = [float(v) for v in _autoregressive(0.9995, 6000, 1, 2)[0]]
    found = series_type_a(row)
    assert (found.window, found.closed) == (999, False)
    assert found.integral_time > 999.0 / WINDOW
    assert found.u == pytest.approx(found.s / math.sqrt(found.effective))
    assert found.u > 20.0 * type_a(row).u
