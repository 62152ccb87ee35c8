"""Intervals hold the true flow in invented ducts: a short run of `make coverage`, and what it rests on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from measurements import inputs
from measurements.calc import Duct, Shape
from measurements.calc.layout import profile
from tests.benchmarks import ducts
from tests.benchmarks.coverage import CHOSEN_AT, GOOD_SHARE, QUICK, WIDEST, Outcome, figure_of, run, show
from tests.benchmarks.ducts import PlaneClass
from tests.benchmarks.sessions import cells

ROUND = Duct(Shape.ROUND, 0.4)


def test_intervals_hold_the_true_flow() -> None:
    """Limits at four sampling errors of the lower goal; widths with the quantile's own scatter."""
    figures, risks = run(300, 1, QUICK, CHOSEN_AT)
    assert [f.cell.name for f in figures] == [c.name for c in cells() if c.name in QUICK]
    sampling = math.sqrt(GOOD_SHARE[0] * (1.0 - GOOD_SHARE[0]) / 300.0)
    for f in figures:
        assert f.share >= GOOD_SHARE[0] - 4.0 * sampling, f.cell.name
        assert f.width <= 1.2 * WIDEST, f.cell.name
        assert f.width >= 0.8, f.cell.name
    for r in risks:
        assert r.accepts <= r.predicted_accepts + 4.0 * max(r.accepts_sampling, 0.002), r.rule
        assert r.rejects <= r.predicted_rejects + 4.0 * max(r.rejects_sampling, 0.01), r.rule
    assert "| --- |" in show(figures, risks, 1)


def test_what_the_house_adds_to_the_air_is_what_is_simulated() -> None:
    assert ducts.SPREAD == inputs.SPREAD
    assert ducts.WITHOUT == inputs.WITHOUT


@pytest.mark.parametrize("duct", [ROUND, Duct(Shape.RECTANGULAR, 0.6, 0.4), Duct(Shape.FLAT_OVAL, 0.7, 0.3)])
@pytest.mark.parametrize("n", [5.0, 7.0, 10.0])
def test_the_true_mean_of_a_field_is_integrated_finely(duct: Duct, n: float) -> None:
    grid = ducts.area_grid(duct)
    fine = ducts.area_grid(duct, half=96, round_about=96)

    def mean(g: ducts.Grid) -> float:
        half = (0.0, 0.0) if duct.shape is Shape.ROUND else (duct.width / 2.0, duct.depth / 2.0)
        places = zip(g.x + half[0], g.y + half[1], g.weight, strict=True)
        return math.fsum(w * profile(duct, x, y, n) for x, y, w in places)

    assert grid.weight.sum() == pytest.approx(1.0)
    assert mean(grid) == pytest.approx(mean(fine), rel=1e-4)


@pytest.mark.parametrize("plane", list(PlaneClass))
def test_fields_are_positive_and_calm_down_along_the_duct(plane: PlaneClass) -> None:
    speed = np.full((200, 1), 8.0)
    field = ducts.draw_field(np.random.default_rng(1), ROUND, plane, speed)
    grid = ducts.area_grid(ROUND)
    values = field.pattern(grid.x, grid.y)
    before, after = ducts.STRAIGHT[plane]
    lengths = field.upstream / ROUND.hydraulic_diameter, field.downstream / ROUND.hydraulic_diameter
    assert (values > 0.0).all()
    assert before[0] <= lengths[0].min() <= lengths[0].max() <= before[1]
    assert after[0] <= lengths[1].min() <= lengths[1].max() <= after[1]


def test_profiles_and_swirl_are_worse_in_poor_planes() -> None:
    speed, grid = np.full((400, 1), 8.0), ducts.area_grid(ROUND)
    spreads: list[float] = []
    angles: list[float] = []
    for plane in PlaneClass:
        field = ducts.draw_field(np.random.default_rng(2), ROUND, plane, speed)
        lean = field.pattern(grid.x, grid.y) - field.pattern(-grid.x, -grid.y)
        spreads.append(float((np.abs(lean) @ grid.weight / field.mean(grid)[:, 0]).mean()))
        angles.append(float(field.angle(grid.x, grid.y).mean()))
    assert spreads == sorted(spreads)
    assert angles == sorted(angles)
    assert math.degrees(angles[0]) < 4.0 < math.degrees(angles[2]) < 15.0


def test_limits_of_error_are_kept_and_uniform() -> None:
    at = np.linspace(0.0, 5.0, 6)
    drawn = ducts.in_limits(np.random.default_rng(3), 20_000, at, 1.0)
    assert np.abs(drawn).max() <= 1.0
    assert drawn.std(axis=0) == pytest.approx(np.full(6, 1.0 / math.sqrt(3.0)), abs=0.01)
    together = np.asarray(np.corrcoef(drawn.T))
    assert together[0, 1] > 0.5
    assert abs(together[0, 5]) < 0.03


def test_a_certificate_tells_the_error_at_calibration_within_its_uncertainty() -> None:
    kind = ducts.MANOMETERS[1]
    meters = ducts.draw_meters(np.random.default_rng(4), kind, 4000, 1.0, zeroed=True)
    at = list(kind.points).index(100.0)
    points = [known.certificate[at] for known in meters.known]
    error_now = meters.error[:, list(meters.knots).index(100.0)]
    drift = error_now - np.array([p.indicated - p.reference for p in points])
    limit = kind.accuracy.limit(100.0)
    assert drift.std() == pytest.approx(math.hypot(limit / math.sqrt(3.0), points[0].u), rel=0.03)


def test_averages_of_correlated_turbulence_by_drawing() -> None:
    draw = np.random.default_rng(5)
    steps = np.full((4000, 200), 0.05)
    series = ducts.correlated(draw, steps)
    assert series.std() == pytest.approx(1.0, abs=0.02)
    share = ducts.averaged_share(np.array([[1.0]]), 10.0)[0, 0]
    assert series.mean(axis=1).std() == pytest.approx(share, rel=0.05)


def test_the_row_of_a_cell_counts_what_it_says() -> None:
    error = np.array([0.01, -0.03, 0.05, 0.02] * 25)
    outcome = Outcome(error, np.full(100, 0.02), np.full(100, 2.0), np.full(100, 50.0))
    f = figure_of(cells()[0], outcome)
    assert f.share == pytest.approx(0.75)
    assert f.sampling == pytest.approx(math.sqrt(0.75 * 0.25 / 100.0))
    assert f.bias == pytest.approx(0.0125)
    assert f.needed == pytest.approx(0.05)
    assert f.width == pytest.approx(0.8)
    assert f.misses() == ("too few",)
