"""Swept traverses: weights by time and by line, series, repeats, averaging pressure, round ducts."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import (
    Allowances,
    Code,
    Duct,
    Instrument,
    Refused,
    Rule,
    Signal,
    Sweep,
    make_layout,
    swept_traverse,
    velocity_map,
)
from measurements.calc.simulate import monte_carlo
from measurements.calc.sweeps import (
    PRESSURE_CV,
    AlongDiameter,
    Weighting,
    pressure_average_bias,
    time_weights,
)
from measurements.calc.swept import (
    ALLOWANCE_DOF,
    AREA_SWEEP_U,
    CALM,
    UNEVEN_CV,
    _untold_gaps,
    lines_placing,
    prepare,
    round_sweep_factor,
    wall_gap_factor,
)
from measurements.calc.variance import spread_of_runs
from tests.benchmarks.ducts import PlaneClass, averaged_share, draw_unsteady
from tests.calc.worlds import OVAL, PERFECT, RECTANGULAR, ROUND, swept

DEVELOPED = 15.0 * ROUND.width
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
    case = swept(lines=1, sweeps=(slow_then_quick,), settling=0.0, **VELOCITY)
    moments = swept_traverse(replace(case, weighting=Weighting.TRAPEZOID))
    assert moments.velocity is not None
    assert moments.velocity.value == pytest.approx((4.0 * 10.0 + 7.0 + 4.0) / 6.0)
    steps = swept_traverse(case)
    assert steps.velocity is not None
    assert steps.velocity.value == pytest.approx((1.0 * 10.0 + 4.0 * 10.0 + 4.0 + 4.0) / 7.0)


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
    flow = swept_traverse(swept(sweeps=_means(*[9.0] * 5), **VELOCITY)).flow
    rows = {row.name: row.contribution for row in flow.budget}
    assert rows["Fluctuation (allowance)"] / flow.value == pytest.approx(CALM * 0.02 / math.sqrt(5.0))


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
    result = swept_traverse(
        swept(duct=ROUND, lines=2, sweeps=_means(10.0, 10.0), upstream=DEVELOPED, **VELOCITY)
    )
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


def _power_sweep(n: float, duct_gap: float = 0.0, count: int = 400, run: int = 1, line: int = 1) -> Sweep:
    """A steady sweep across a 1/n-power profile, from gap to gap (share of the duct)."""
    times = tuple(30.0 * i / (count - 1) for i in range(count))
    places = [duct_gap + (1.0 - 2.0 * duct_gap) * i / (count - 1) for i in range(count)]
    return Sweep(line, run, times, tuple(10.0 * (1.0 - abs(1.0 - 2.0 * y)) ** (1.0 / n) for y in places))


@pytest.mark.parametrize("n", [5.0, 7.0, 10.0])
@pytest.mark.parametrize("along", list(AlongDiameter))
@pytest.mark.parametrize("gap", [0.0, 0.006])
def test_round_sweeps_give_the_mean_of_the_circle(n: float, along: AlongDiameter, gap: float) -> None:
    """Against the closed mean of the power law, within twice the uncertainty that the method states."""
    case = swept(
        duct=ROUND,
        lines=1,
        sweeps=(_power_sweep(n, gap / ROUND.width),),
        settling=0.0,
        along_diameter=along,
        weighting=Weighting.TRAPEZOID,
        wall_gap=gap,
        upstream=DEVELOPED,
        **VELOCITY,
    )
    result = swept_traverse(case)
    exact = 10.0 * 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0))
    u = {
        AlongDiameter.PROFILE: round_sweep_factor(2.0 * gap / ROUND.width)[1],
        AlongDiameter.AREA: AREA_SWEEP_U,
    }
    assert result.velocity is not None
    assert result.velocity.value / exact - 1.0 == pytest.approx(0.0, abs=2.0 * u[along])
    if along is AlongDiameter.AREA and gap == 0.0:
        assert result.velocity.value == pytest.approx(exact, rel=4e-3)  # 400 samples
    remark = result.remark(Code.ROUND_SWEEP)
    assert remark is not None
    assert remark.numbers["by_rings"] == pytest.approx(2.0 * n / (2.0 * n + 1.0), rel=0.02)


def test_the_doubt_about_rings_is_what_an_uneven_hand_makes() -> None:
    """Position t + 0.05 sin(2 pi t) / pi is a tenth quicker or slower in the middle; worst of the laws."""
    worst = 0.0
    for n in (5.0, 7.0, 10.0):
        exact = 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0))
        for lean in (-0.05, 0.05):
            times = [(i + 0.5) / 4000 for i in range(4000)]
            places = [t + lean * math.sin(2.0 * math.pi * t) / math.pi for t in times]
            rings = [abs(1.0 - 2.0 * t) for t in times]
            values = [(1.0 - abs(1.0 - 2.0 * y)) ** (1.0 / n) for y in places]
            mean = math.fsum(r * v for r, v in zip(rings, values, strict=True)) / math.fsum(rings)
            worst = max(worst, abs(mean / exact - 1.0))
    assert worst / math.sqrt(3.0) == pytest.approx(AREA_SWEEP_U, rel=0.05)


@given(st.floats(0.0, 0.05), st.booleans())
def test_a_gap_at_the_walls_reads_high(gap: float, by_area: bool) -> None:
    """Against a fine sum over the 1/7 law between the gaps."""
    factor, u = wall_gap_factor(1.0, gap, by_area)
    count = 4000
    shares = [(i + 0.5) / count for i in range(count)]
    weights = [abs(1.0 - 2.0 * t) if by_area else 1.0 for t in shares]
    values = [(1.0 - abs(1.0 - 2.0 * (gap + (1.0 - 2.0 * gap) * t))) ** (1.0 / 7.0) for t in shares]
    mean = math.fsum(w * v for w, v in zip(weights, values, strict=True)) / math.fsum(weights)
    exact = 98.0 / 120.0 if by_area else 7.0 / 8.0
    assert abs(factor * mean / exact - 1.0) <= math.sqrt(3.0) * u + 5e-4
    assert factor <= 1.0


def test_a_told_gap_is_corrected_and_a_large_one_refused() -> None:
    plain, told = swept_traverse(swept(wall_gap=0.0)), swept_traverse(swept(wall_gap=0.01))
    factor, u = wall_gap_factor(RECTANGULAR.depth, 0.01)
    assert told.flow.value == pytest.approx(factor * plain.flow.value)
    rows = {row.name: row.contribution for row in told.flow.budget}
    assert rows["Gaps at the walls"] / told.flow.value == pytest.approx(u / factor)
    assert wall_gap_factor(0.4, 0.0) == (1.0, 0.0)
    with pytest.raises(Refused, match="quarter of the sweep's length"):
        swept_traverse(swept(wall_gap=0.11))
    with pytest.raises(Refused, match="wall_gap"):
        swept_traverse(swept(wall_gap=-0.001))


@pytest.mark.parametrize("duct", [RECTANGULAR, OVAL, ROUND])
def test_a_large_bias_is_told_and_left_in_or_taken_off(duct: Duct) -> None:
    """Lines of equal areas and gaps nobody told read high: by default that is in the interval."""
    lines = 2 if duct is ROUND else 4
    case = swept(duct=duct, lines=lines, sweeps=_means(*[9.0] * lines), **VELOCITY)
    left, taken = swept_traverse(case), swept_traverse(replace(case, integration_corrected=True))
    told = left.remark(Code.INTEGRATION_BIAS)
    assert told is not None
    bias = told.numbers["bias"]
    assert 0.01 < bias < 0.06
    assert told.numbers["corrected"] == 0.0
    assert taken.flow.value == pytest.approx(left.flow.value / (1.0 + bias))
    low, high = left.flow.interval
    assert low < taken.flow.value < high
    assert taken.flow.u < left.flow.u
    names = [row.name for row in left.flow.budget]
    assert "Bias of lines and gaps, left in" in names
    assert "Bias of lines and gaps, left in" not in [row.name for row in taken.flow.budget]
    corrected = taken.remark(Code.INTEGRATION_BIAS)
    assert corrected is not None
    assert corrected.numbers["corrected"] == 1.0


@pytest.mark.parametrize("n", [5.0, 7.0, 10.0])
def test_the_bias_of_lines_and_gaps_is_that_of_the_profile(n: float) -> None:
    """Power law across and along a rectangle, four lines of equal areas, gaps of 10 mm at either end."""
    sweep = _power_sweep(n, 0.01 / RECTANGULAR.depth)
    across = [(1.0 - abs(1.0 - 2.0 * f)) ** (1.0 / n) for f in (0.125, 0.375, 0.625, 0.875)]
    sweeps = tuple(
        Sweep(line, 1, sweep.times, tuple(a * v for v in sweep.samples)) for line, a in enumerate(across, 1)
    )
    case = swept(lines=4, sweeps=sweeps, settling=0.0, integration_corrected=True, **VELOCITY)
    exact = 10.0 * (n / (n + 1.0)) ** 2
    placing = lines_placing(case)
    result = swept_traverse(case)
    assert result.velocity is not None
    assert abs(result.velocity.value / exact - 1.0) < math.sqrt(3.0) * placing.u
    assert (
        abs(swept_traverse(replace(case, integration_corrected=False)).flow.value / (exact * 0.24) - 1.0)
        > 0.02
    )


def test_without_a_rule_or_with_a_given_figure_nothing_is_assumed_of_the_lines() -> None:
    free = lines_placing(swept(rule=None, wall_gap=0.0))
    assert (free.bias, free.u) == (0.0, 0.02)
    given_figure = swept(allowances=Allowances(integration=0.012))
    assert (lines_placing(given_figure).bias, lines_placing(given_figure).u) == (0.0, 0.012)
    rows = {row.name: row.u for row in swept_traverse(given_figure).flow.budget}
    assert rows["Number and placing of lines"] == pytest.approx(0.012)


def test_means_on_diameters_near_a_disturbance_have_a_flatter_profile() -> None:
    far, near = (
        swept_traverse(swept(duct=ROUND, lines=2, sweeps=_means(9.0, 9.0), upstream=up, **VELOCITY))
        for up in (DEVELOPED, 0.0)
    )
    factors = [r.remark(Code.ROUND_SWEEP) for r in (far, near)]
    assert [f.numbers["factor"] for f in factors if f] == pytest.approx([0.9307, 0.9424], abs=2e-4)
    assert near.flow.u > far.flow.u


def test_series_on_diameters_weigh_by_rings_unless_told() -> None:
    sweeps = tuple(replace(_power_sweep(7.0), line=n) for n in (1, 2))
    case = swept(duct=ROUND, lines=2, sweeps=sweeps, settling=0.0, **VELOCITY)
    assert case.by_area
    told = replace(case, along_diameter=AlongDiameter.PROFILE)
    assert not told.by_area
    assert not replace(case, sweeps=_means(9.0, 9.0)).by_area
    assert swept_traverse(told).flow.value == pytest.approx(swept_traverse(case).flow.value, rel=0.005)


def _series_sweeps(values: list[float], step: float = 0.5, lines: int = 5) -> tuple[Sweep, ...]:
    times = tuple(step * i for i in range(len(values)))
    return tuple(Sweep(n, 1, times, tuple(values)) for n in range(1, lines + 1))


def test_settling_is_found_in_the_series_and_told() -> None:
    rising = [9.0 * (1.0 - math.exp(-i / 2.0)) + 0.05 * math.sin(9.1 * i) for i in range(80)]
    result = swept_traverse(swept(sweeps=_series_sweeps(rising), settling=None, **VELOCITY))
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(9.0, rel=0.01)
    uncut = swept_traverse(swept(sweeps=_series_sweeps(rising), settling=0.0, **VELOCITY))
    assert uncut.velocity is not None
    assert uncut.velocity.value < 8.85
    remark = result.remark(Code.SETTLING_FOUND)
    assert remark is not None
    assert 5 * 3 <= remark.numbers["dropped"] <= 5 * 14
    assert remark.numbers["longest"] == pytest.approx(0.5 * remark.numbers["dropped"] / 5)
    assert remark.points == ("L1", "L2", "L3", "L4", "L5")
    assert uncut.remark(Code.SETTLING_FOUND) is None


def test_the_profile_at_the_first_wall_is_no_settling() -> None:
    sweep = _power_sweep(7.0, 0.01, count=100)
    lines = tuple(replace(sweep, line=n) for n in range(1, 6))
    told, given_time = (swept_traverse(swept(sweeps=lines, settling=s, **VELOCITY)) for s in (None, 0.0))
    assert told.velocity == given_time.velocity or told.velocity is not None
    assert told.flow.value == given_time.flow.value
    assert told.remark(Code.SETTLING_FOUND) is None


def test_a_start_that_never_settles_is_told_and_kept() -> None:
    slow = [9.0 * (1.0 - math.exp(-i / 25.0)) for i in range(80)]
    result = swept_traverse(swept(sweeps=_series_sweeps(slow), settling=None, **VELOCITY))
    remark = result.remark(Code.SETTLING_UNCLEAR)
    assert remark is not None
    assert remark.numbers == {"sweeps": 5}
    assert result.remark(Code.SETTLING_FOUND) is None


def test_the_bias_of_the_root_of_the_mean_is_shown() -> None:
    values = [40.0 + 30.0 * math.sin(0.8 * i) for i in range(100)]
    result = swept_traverse(swept(sweeps=_series_sweeps(values), settling=0.0, instrument=PERFECT))
    weights = [0.01] * 100
    root = sum(w * math.sqrt(v) for w, v in zip(weights, values, strict=True))
    mean = sum(w * v for w, v in zip(weights, values, strict=True))
    remark = result.remark(Code.ROOT_OF_MEAN_BIAS)
    assert remark is not None
    assert remark.numbers["bias"] == pytest.approx(math.sqrt(mean) / root - 1.0)
    assert (
        swept_traverse(swept(**{**VELOCITY, "sweeps": _means(*[9.0] * 5)})).remark(Code.ROOT_OF_MEAN_BIAS)
        is None
    )


def test_means_without_series_cost_more_and_say_how_much() -> None:
    """The same sweeps, once with their series and once as means and durations alone."""
    full = swept(settling=0.0)
    means = tuple(
        Sweep(
            s.line,
            s.run,
            mean=sum(w * v for w, v in zip(time_weights(s.times), s.samples, strict=True)),
            duration=s.times[-1],
        )
        for s in full.sweeps
    )
    rich, poor = swept_traverse(full), swept_traverse(replace(full, sweeps=means))
    assert poor.flow.u > rich.flow.u
    assert abs(poor.flow.value - rich.flow.value) < poor.flow.U
    remark = poor.remark(Code.NO_TIME_SERIES)
    assert remark is not None
    averaging = pressure_average_bias(PRESSURE_CV) / math.sqrt(3.0)
    assert remark.numbers["u"] == pytest.approx(math.hypot(CALM * 0.02 / math.sqrt(5.0), averaging))
    assert rich.remark(Code.NO_TIME_SERIES) is None
    known = {row.name: row.contribution for row in poor.flow.budget}
    cost = math.hypot(known["Fluctuation (allowance)"], known["Averaging of pressure"]) / poor.flow.value
    assert remark.numbers["u"] == pytest.approx(cost, rel=0.01)


def test_held_displays_weigh_until_the_next_sample() -> None:
    times = (0.0, 1.0, 2.0, 6.0, 7.0)
    assert time_weights(times, Weighting.HOLD) == pytest.approx([1 / 8, 1 / 8, 4 / 8, 1 / 8, 1 / 8])
    assert time_weights(times) == pytest.approx([1 / 8, 1 / 8, 1 / 8, 4 / 8, 1 / 8])
    trapezoid = time_weights(times, Weighting.TRAPEZOID)
    assert trapezoid == pytest.approx([0.5 / 7, 1 / 7, 2.5 / 7, 2.5 / 7, 0.5 / 7])
    sweep = Sweep(1, 1, times, (8.0, 8.0, 12.0, 8.0, 8.0))
    result = swept_traverse(
        swept(lines=1, sweeps=(sweep,), settling=0.0, weighting=Weighting.HOLD, **VELOCITY)
    )
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(10.0)


def test_pauses_in_a_series_are_told() -> None:
    times = tuple(0.5 * i + (6.0 if i > 30 else 0.0) for i in range(60))
    sweep = Sweep(1, 1, times, tuple(9.0 + 0.1 * math.sin(5.0 * i) for i in range(60)))
    remark = swept_traverse(swept(lines=1, sweeps=(sweep,), settling=0.0, **VELOCITY)).remark(
        Code.SERIES_PAUSED
    )
    assert remark is not None
    assert remark.numbers == {"sweeps": 1, "longest": pytest.approx(6.5), "step": pytest.approx(0.5)}


def test_a_series_too_short_for_its_own_waves_is_told() -> None:
    slow = [9.0 + math.sin(0.45 * i) for i in range(40)]
    result = swept_traverse(swept(sweeps=_series_sweeps(slow), settling=0.0, **VELOCITY))
    assert Code.SERIES_SHORT in _codes(result)
    quick = [9.0 + math.sin(2.9 * i) for i in range(200)]
    assert Code.SERIES_SHORT not in _codes(
        swept_traverse(swept(sweeps=_series_sweeps(quick), settling=0.0, **VELOCITY))
    )


def test_lines_whose_sweeps_disagree_are_named() -> None:
    twice = (*_means(8.0, 9.0, 10.0, 9.0, 8.0), *_means(8.1, 8.9, 11.5, 9.0, 8.1, run=2))
    remark = swept_traverse(swept(sweeps=twice, **VELOCITY)).remark(Code.SWEEPS_DISAGREE)
    assert remark is not None
    assert remark.points == ("L3",)
    assert remark.numbers["spread"] == pytest.approx(1.5 / 10.75)
    near = (*_means(8.0, 9.0, 10.0, 9.0, 8.0), *_means(8.1, 8.9, 10.2, 9.0, 8.1, run=2))
    assert swept_traverse(swept(sweeps=near, **VELOCITY)).remark(Code.SWEEPS_DISAGREE) is None


@given(st.floats(0.1, 10.0))
def test_units_of_time_do_not_matter(factor: float) -> None:
    plain = swept(settling=None)
    scaled = tuple(replace(s, times=tuple(factor * t for t in s.times)) for s in plain.sweeps)
    one, other = swept_traverse(plain), swept_traverse(replace(plain, sweeps=scaled))
    assert other.flow.value == pytest.approx(one.flow.value, rel=1e-12)
    assert other.flow.u == pytest.approx(one.flow.u, rel=1e-9)


@given(st.floats(0.5, 3.0))
def test_flow_grows_as_velocity(factor: float) -> None:
    plain = swept(sweeps=_means(8.0, 9.0, 10.0, 9.0, 8.0), **VELOCITY)
    more = replace(plain, sweeps=tuple(replace(s, mean=factor * (s.mean or 0.0)) for s in plain.sweeps))
    assert swept_traverse(more).flow.value == pytest.approx(factor * swept_traverse(plain).flow.value)


@pytest.mark.parametrize("case", [swept(), swept(duct=ROUND, lines=5), swept(sweeps=_means(*[40.0] * 5))])
def test_shares_of_the_budget_add_to_one(case: object) -> None:
    for figure in swept_traverse(case).results.values():  # type: ignore[arg-type]
        assert math.fsum(row.share for row in figure.budget) == pytest.approx(1.0, abs=1e-9)


def test_first_order_agrees_with_monte_carlo_on_the_whole_model() -> None:
    for case in (swept(), swept(duct=ROUND, lines=5, wall_gap=0.004)):
        made = prepare(case)
        flow = swept_traverse(case).flow
        drawn = monte_carlo(made.model, made.values, made.effects, output="flow", trials=60_000)
        assert flow.u == pytest.approx(drawn.u, rel=0.03)
        assert flow.value == pytest.approx(drawn.value, rel=5e-3)


def test_effects_of_a_round_sweep_are_fractions_of_its_velocity() -> None:
    """Runs 4 % apart scatter by 4 % / sqrt(2) / sqrt(2) of the flow, with the round factor as without."""
    runs = (*_means(10.0, 10.0), *_means(10.4, 10.4, run=2))
    result = swept_traverse(swept(duct=ROUND, lines=2, sweeps=runs, **VELOCITY))
    rows = {row.name: row.contribution for row in result.flow.budget}
    assert rows["Repeatability of runs"] / result.flow.value == pytest.approx(0.4 / 10.2 / 2.0, rel=1e-6)


def test_lines_of_a_flat_oval_have_their_places_and_their_own_bias() -> None:
    result = swept_traverse(swept(duct=OVAL, sweeps=_means(8.0, 9.0, 10.0, 9.0, 8.0), **VELOCITY))
    layout = make_layout(OVAL, Rule.EQUAL_AREA, holes=5, points_per_hole=4)
    assert [p.x for p in result.points] == pytest.approx([h.position for h in layout.holes])
    rows = {row.name: row.u for row in result.flow.budget}
    assert rows["Number and placing of lines"] >= 0.002
    few = swept_traverse(swept(duct=OVAL, lines=2, sweeps=_means(9.0, 9.0), **VELOCITY))
    assert {r.name: r.u for r in few.flow.budget}["Number and placing of lines"] > rows[
        "Number and placing of lines"
    ]


def test_rings_need_series() -> None:
    case = swept(duct=ROUND, lines=1, sweeps=_means(9.0), along_diameter=AlongDiameter.AREA, **VELOCITY)
    with pytest.raises(Refused, match="needs a series"):
        swept_traverse(case)


@pytest.mark.parametrize("n", [5.0, 7.0, 10.0])
def test_along_diameters_factor_and_gaps_are_taken_off_together(n: float) -> None:
    """One power decides of both: means of sweeps that stay 10 mm off the walls of a circle."""
    sweep = _power_sweep(n, 0.01 / ROUND.width)
    mean = sum(sweep.samples) / len(sweep.samples)
    case = swept(
        duct=ROUND, lines=2, sweeps=_means(mean, mean), upstream=20.0, integration_corrected=True, **VELOCITY
    )
    result = swept_traverse(case)
    exact = 10.0 * 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0))
    assert result.velocity is not None
    rows = {row.name: row.u for row in result.flow.budget}
    u = rows["Sweep along a diameter"] / (result.velocity.value / mean)
    assert abs(result.velocity.value / exact - 1.0) < 1.02 * math.sqrt(3.0) * u
    assert u > round_sweep_factor()[1]


def test_a_series_never_tells_less_than_no_series() -> None:
    """A wake like a slow swing leaves a series few degrees of freedom; the allowance adds its own."""
    times = tuple(0.5 * i for i in range(1, 61))
    slow = tuple(50.0 + 8.0 * math.sin(0.9 * t) for t in times)
    series = tuple(Sweep(n, 1, times, slow) for n in range(1, 6))
    found = swept_traverse(swept(sweeps=series))
    row = {r.name: r for r in found.flow.budget}["Fluctuation"]
    assert row.dof >= 1.0 + ALLOWANCE_DOF / 5.0
    assert found.flow.k < 2.3


def test_in_a_poor_plane_an_average_of_pressure_hides_more() -> None:
    good, poor = (
        {r.name: r.u for r in swept_traverse(swept(sweeps=_means(*[50.0] * 5), upstream=up)).flow.budget}
        for up in (8.0, 0.7)
    )
    ratio = poor["Averaging of pressure"] / good["Averaging of pressure"]
    assert ratio == pytest.approx(UNEVEN_CV**2)
    taken = [
        swept_traverse(swept(sweeps=_means(*[50.0] * 5), upstream=up)).remark(Code.AVERAGED_PRESSURE)
        for up in (8.0, 0.7)
    ]
    assert [r.numbers["bias"] for r in taken if r] == pytest.approx([0.005, 0.0125])


def test_a_single_sweep_in_a_good_plane_costs_less() -> None:
    good, fair = (
        {r.name: r.u for r in swept_traverse(swept(sweeps=_means(*[50.0] * 5), upstream=up)).flow.budget}
        for up in (8.0, 2.0)
    )
    name = "Fluctuation (allowance)"
    assert good[name] == pytest.approx(CALM * fair[name])


@pytest.mark.parametrize(("plane", "share"), [(PlaneClass.GOOD, CALM), (PlaneClass.POOR, 1.0)])
def test_what_is_allowed_for_a_single_sweep_is_what_unsteady_flows_leave(
    plane: PlaneClass, share: float
) -> None:
    """Two sweeps of 20 to 40 s: a mean over t of turbulence has the variance 2 I^2 T / t (Taylor 1921, from
    memory); the whole flow's wander is common to both.
    """
    draw = np.random.default_rng(5)
    flow = draw_unsteady(draw, plane, 20_000)
    seconds = draw.uniform(20.0, 40.0, (20_000, 1))
    each = flow.intensity * averaged_share(flow.time_scale, seconds)
    whole = flow.wander * averaged_share(flow.wander_time, 2.0 * seconds + 15.0)
    scatter = math.sqrt(float((0.5 * each**2 + whole**2).mean()))
    assert share * Allowances().single_sweep / math.sqrt(2.0) == pytest.approx(scatter, rel=0.05)


def test_gaps_at_one_wall_are_alike_and_at_two_walls_less_so() -> None:
    """By drawing gaps of 5 to 15 mm with the shares named: a 1/7 law along two lines of 0.4 m."""
    draw, size = np.random.default_rng(8), 40_000
    head, habit, own = (draw.uniform(-1.0, 1.0, (size, *s)) for s in ((1, 1), (1, 2), (2, 2)))
    gap = 0.01 + 0.005 * (math.sqrt(0.1) * head + math.sqrt(0.4) * habit + math.sqrt(0.5) * own)
    a = gap / (0.5 * RECTANGULAR.depth)
    p = 8.0 / 7.0
    means = ((2.0 - (a**p).sum(axis=2)) / (2.0 - a.sum(axis=2))).mean(axis=1)
    _, u = _untold_gaps(swept(lines=2), (7.0,))
    assert u == pytest.approx(float(means.std()), rel=0.03)


def test_lines_in_a_rectangle_lie_between_product_and_nearest_wall() -> None:
    """Both laws on a fine grid by numpy; the middle of all is the bias."""
    placing = lines_placing(swept(lines=4, rule=Rule.EQUAL_AREA, wall_gap=0.0, upstream=20.0))
    a, b, count = RECTANGULAR.width / 2.0, RECTANGULAR.depth / 2.0, 1200
    t = 1.0 - np.cos(0.5 * math.pi * (np.arange(count) + 0.5) / count)
    weight = np.sin(0.5 * math.pi * (np.arange(count) + 0.5) / count)
    weight /= weight.sum()
    lines = np.array([0.25, 0.75])
    found = []
    for n in (5.0, 7.0, 10.0):
        found.append(float((lines ** (1.0 / n)).mean()) * (n + 1.0) / n - 1.0)
        whole, read = (np.minimum(a * x[:, None], b * t[None, :]) ** (1.0 / n) @ weight for x in (t, lines))
        found.append(float(read.mean() / (whole @ weight)) - 1.0)
    assert placing.bias == pytest.approx(0.5 * (max(found) + min(found)), abs=8e-4)
    own = 0.5 * (max(found) - min(found)) / math.sqrt(6.0)
    assert placing.u == pytest.approx(math.hypot(own, 0.002), abs=3e-4)


def test_lines_of_a_rule_that_a_flat_oval_has_no_lines_of_have_no_places() -> None:
    """As many lines, each read; the layout's error counts as unknown."""
    inputs = swept(duct=OVAL, sweeps=_means(8.0, 9.0, 10.0, 9.0, 8.0), **VELOCITY)
    other = swept_traverse(replace(inputs, rule=Rule.LOG_TCHEBYCHEFF))
    assert [p.x for p in other.points] == [None] * 5
    unstated = swept_traverse(replace(inputs, rule=None))
    assert (other.flow.value, other.flow.U) == (unstated.flow.value, unstated.flow.U)


def test_a_line_is_no_point_of_a_picture() -> None:
    found = swept_traverse(swept())
    assert all(p.x is not None and p.y is None for p in found.points)
    assert velocity_map(found, RECTANGULAR) is None
