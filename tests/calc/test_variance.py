"""Means, repeats and runs: against numpy, a least-squares model of runs and places, and values by hand."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Refused
from measurements.calc.variance import series_type_a, spread_of_runs, type_a


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=12))
def test_repeats_as_numpy_has_them(values: list[float]) -> None:
    found = type_a(values)
    s = float(np.std(values, ddof=1))
    assert found.mean == pytest.approx(float(np.mean(values)), abs=1e-9)
    assert found.s == pytest.approx(s, abs=1e-9)
    assert found.u == pytest.approx(s / math.sqrt(len(values)), abs=1e-9)
    assert found.dof == len(values) - 1


def test_repeats_by_hand() -> None:
    found = type_a([1.0, 2.0, 4.0, 9.0])
    assert (found.mean, found.dof) == (4.0, 3.0)
    assert found.s == pytest.approx(math.sqrt(38.0 / 3.0))
    assert found.u == pytest.approx(math.sqrt(38.0 / 12.0))


def test_what_repeats_cannot_be() -> None:
    for wrong in ([], [1.0]):
        with pytest.raises(Refused, match="at least two"):
            type_a(wrong)
    with pytest.raises(Refused, match=r"values\[1\]"):
        type_a([1.0, math.nan])


RUNS = {
    1: {(1, 1): 10.0, (1, 2): 12.0, (2, 1): 14.0},
    2: {(1, 1): 10.6, (1, 2): 12.1, (2, 1): 14.9},
    3: {(1, 1): 9.7, (1, 2): 12.2, (2, 1): 13.8},
    4: {(1, 1): 10.5, (1, 2): 12.6, (2, 1): 14.5},
}


def _least_squares(table: np.ndarray) -> float:
    """Sum of squares left by an additive model of runs and places, fitted by an independent solver."""
    runs, places = table.shape
    columns = [np.kron(np.eye(runs)[:, i], np.ones(places)) for i in range(runs)]
    columns += [np.kron(np.ones(runs), np.eye(places)[:, j]) for j in range(places)]
    design = np.array(columns).T
    fitted = design @ np.linalg.lstsq(design, table.ravel(), rcond=None)[0]
    return float(((table.ravel() - fitted) ** 2).sum())


def test_runs_and_places_as_a_least_squares_model_has_them() -> None:
    """Two-way analysis of variance without repeats (the thinking of GUM H.5)."""
    table = np.array([[v for _, v in sorted(run.items())] for run in RUNS.values()])
    grand, means = float(table.mean()), table.mean(axis=1)
    point_square = _least_squares(table) / 6.0 / 3.0
    run_square = float(means.var(ddof=1))
    found = spread_of_runs(RUNS)
    assert found.point_dof == 3 * 2
    assert found.run_dof == 3
    assert found.point_u == pytest.approx(math.sqrt(point_square / 4.0) / grand)
    assert run_square > point_square
    assert found.run_u == pytest.approx(math.sqrt((run_square - point_square) / 4.0) / grand)
    assert found.spread == pytest.approx(float(means.max() - means.min()) / grand)
    assert [n for n, _ in found.means] == [1, 2, 3, 4]
    assert [m for _, m in found.means] == pytest.approx(list(means))


def test_runs_that_differ_less_than_their_points_show_no_effect_of_their_own() -> None:
    """Points jump, the runs' means are alike: all of it is fluctuation."""
    found = spread_of_runs({1: {1: 10.0, 2: 12.0}, 2: {1: 12.0, 2: 10.0}})
    assert found.run_u == 0.0
    assert found.point_u == pytest.approx(math.sqrt(4.0 / 2.0 / 2.0) / 11.0)
    assert (found.point_dof, found.run_dof, found.spread) == (1.0, 1.0, 0.0)


def test_one_place_tells_runs_only() -> None:
    found = spread_of_runs({1: {1: 10.0}, 2: {1: 12.0}, 5: {1: 11.0}})
    assert (found.point_u, found.point_dof) == (0.0, 0.0)
    assert found.run_u == pytest.approx(1.0 / math.sqrt(3.0) / 11.0)
    assert found.run_dof == 2.0


def test_only_places_of_every_run_are_compared() -> None:
    missing = {1: {1: 10.0, 2: 12.0, 3: 99.0}, 2: {1: 10.5, 2: 12.4}}
    found, whole = spread_of_runs(missing), spread_of_runs({1: {1: 10.0, 2: 12.0}, 2: {1: 10.5, 2: 12.4}})
    assert (found.point_u, found.run_u, found.spread) == (whole.point_u, whole.run_u, whole.spread)
    assert found.means == ((1, pytest.approx(121.0 / 3.0)), (2, pytest.approx(11.45)))


def test_nothing_to_compare() -> None:
    for runs in ({}, {1: {1: 5.0, 2: 6.0}}, {1: {1: 5.0}, 2: {2: 6.0}}, {1: {1: 0.0}, 2: {1: 0.0}}):
        found = spread_of_runs(runs)
        assert (found.point_u, found.point_dof, found.run_u, found.run_dof, found.spread) == (0, 0, 0, 0, 0)
        assert [n for n, _ in found.means] == list(runs)


def test_magnitudes_count() -> None:
    negative = {n: {p: -v for p, v in run.items()} for n, run in RUNS.items()}
    a, b = spread_of_runs(RUNS), spread_of_runs(negative)
    assert (a.point_u, a.run_u, a.spread) == pytest.approx((b.point_u, b.run_u, b.spread))


@given(st.floats(0.01, 100.0))
def test_another_unit_changes_no_share(scale: float) -> None:
    scaled = spread_of_runs({n: {p: scale * v for p, v in run.items()} for n, run in RUNS.items()})
    plain = spread_of_runs(RUNS)
    assert scaled.point_u == pytest.approx(plain.point_u, rel=1e-9)
    assert scaled.run_u == pytest.approx(plain.run_u, rel=1e-9)


def test_a_series_that_never_changes_is_certain() -> None:
    found = series_type_a([5.0] * 20)
    assert (found.mean, found.s, found.u, found.dof) == (5.0, 0.0, 0.0, 19.0)


def test_a_series_of_independent_values_is_like_repeats() -> None:
    generator = np.random.default_rng(11)
    ratios = []
    for _ in range(40):
        values = [float(v) for v in generator.normal(10.0, 1.0, 400)]
        ratios.append(series_type_a(values).u / type_a(values).u)
    assert sum(ratios) / len(ratios) == pytest.approx(1.0, abs=0.1)


def test_a_series_whose_neighbours_are_alike_tells_less() -> None:
    """x(t) = 0.8 x(t-1) + e: the mean's variance is (1 + 0.8) / (1 - 0.8) = 9 times that of repeats."""
    generator = np.random.default_rng(12)
    ratios, times = [], []
    for _ in range(40):
        noise, value, values = generator.normal(0.0, 1.0, 2000), 0.0, []
        for e in noise:
            value = 0.8 * value + float(e)
            values.append(value)
        found = series_type_a(values)
        ratios.append((found.u / type_a(values).u) ** 2)
        times.append(found.integral_time)
        assert found.effective == pytest.approx(2000.0 / (2.0 * found.integral_time))
    assert sum(ratios) / len(ratios) == pytest.approx(9.0, rel=0.15)
    assert sum(times) / len(times) == pytest.approx(4.5, rel=0.15)


def test_a_trend_that_takes_most_of_a_short_series_leaves_independent_values() -> None:
    """Degree 4 takes 5 of 14: what is left alternates by force and tells nothing of its neighbours."""
    values = [10.0 + 0.5 * math.sin(1.7 * i) + 0.3 * math.cos(4.1 * i) for i in range(14)]
    found = series_type_a(values, 4)
    assert (found.window, found.closed, found.dof) == (0, False, 9.0)
    assert found.u == pytest.approx(found.s / math.sqrt(14.0))


def test_how_many_samples_a_series_needs() -> None:
    values = [float(i * i % 7) for i in range(13)]
    for degree in (0, 1, 3):
        assert series_type_a(values[: 10 + degree], degree).u > 0.0
        with pytest.raises(Refused, match=f"at least {10 + degree} samples"):
            series_type_a(values[: 9 + degree], degree)
    with pytest.raises(Refused, match=r"series\[2\]"):
        series_type_a([1.0, 2.0, math.inf, *values])
