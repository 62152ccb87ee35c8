"""Fume-hood faces: mean, extremes and spread, grid, limits, repeats in time, refusals."""

import math
import statistics
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measurements.calc import (
    Allowances,
    Code,
    Distribution,
    Effect,
    Estimate,
    MethodResult,
    Refused,
    Sharing,
    Signal,
    from_plain,
    to_plain,
)
from measurements.calc.conditions import resolve_air
from measurements.calc.fume_hood import (
    OFF_MEAN,
    HoodFace,
    face_statistics,
    hood_face,
    hood_face_model,
)
from measurements.calc.places import Readings
from measurements.calc.simulate import monte_carlo
from tests.calc.test_anemometer import BARE, VANE
from tests.calc.worlds import AIR

SPEEDS = (0.50, 0.53, 0.49, 0.47, 0.52, 0.51, 0.48, 0.54)
ROOM = replace(AIR, static_pressure=0.0)


def grid(columns: int, rows: int, runs: int = 1) -> tuple[tuple[int, int, int], ...]:
    return tuple(
        (run, column, row)
        for run in range(1, runs + 1)
        for column in range(1, columns + 1)
        for row in range(1, rows + 1)
    )


def hood(**changes: object) -> HoodFace:
    """A grid of 4 by 2 over an opening of 1.2 m by 0.5 m."""
    plain = HoodFace(
        Readings(SPEEDS, BARE, "thermal 2", grid(4, 2)),
        1.2,
        0.5,
        Signal.VELOCITY,
        ROOM,
        lowest_allowed=0.4,
        highest_allowed=0.6,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def shown(*speeds: float, runs: int = 1) -> dict[str, object]:
    """One row of squares, the same in every run."""
    return {"velocity": Readings(speeds * runs, BARE, "", grid(len(speeds), 1, runs))}


def rows(result: MethodResult, name: str) -> dict[str, float]:
    return {row.name: row.contribution for row in result.results[name].budget}


def test_mean_extremes_spread_and_flow() -> None:
    result = hood_face(hood())
    found = {name: figure.value for name, figure in result.results.items()}
    assert found["velocity"] == pytest.approx(0.505)
    assert found["lowest"] == pytest.approx(0.47)
    assert found["highest"] == pytest.approx(0.54)
    assert found["spread"] == pytest.approx(0.07)
    assert found["flow"] == pytest.approx(0.505 * 0.6)
    assert found["standard_flow"] == pytest.approx(0.505 * 0.6 * found["density"] / 1.204)
    assert next(iter(result.results)) == "velocity"
    assert result.measurand == "velocity"
    assert result.main is result.results["velocity"]
    assert result.limits == (0.4, 0.6)
    assert result.area == pytest.approx(0.6)


def test_a_part_for_each_point() -> None:
    result = hood_face(hood())
    assert [p.label for p in result.parts] == ["1.1", "1.2", "2.1", "2.2", "3.1", "3.2", "4.1", "4.2"]
    assert [[f.name for f in p.figures] for p in result.parts] == [["velocity", "share"]] * 8
    assert [p.figures[0].value for p in result.parts] == pytest.approx(list(SPEEDS))
    assert [p.figures[1].value for p in result.parts] == pytest.approx([v / 0.505 for v in SPEEDS])
    at_extremes = [result.parts[i].figures[0].U for i in (3, 7)]
    assert at_extremes == pytest.approx([result.results[name].U for name in ("lowest", "highest")])
    assert {p.word for p in result.parts} == {""}
    assert [p.x for p in result.points[:3]] == pytest.approx([0.15, 0.15, 0.45])
    assert [p.y for p in result.points[:3]] == pytest.approx([0.125, 0.375, 0.125])


def test_a_point_off_the_mean_is_told() -> None:
    result = hood_face(hood(**shown(0.5, 0.5, 0.5, 0.9)))
    remark = result.remark(Code.FACE_POINTS_OFF)
    assert remark is not None
    assert remark.points == ("4.1",)
    assert remark.numbers == pytest.approx({"count": 1, "largest": 0.5, "limit": 0.2})
    assert [p.word for p in result.parts] == ["", "", "", OFF_MEAN]
    assert hood_face(hood(**shown(0.4, 0.5, 0.6, 0.5))).remark(Code.FACE_POINTS_OFF) is None
    assert hood_face(hood(**shown(0.39, 0.5, 0.61, 0.5))).remark(Code.FACE_POINTS_OFF) is not None
    wider = hood_face(hood(**shown(0.39, 0.5, 0.61, 0.5), point_tolerance=0.25))
    assert wider.remark(Code.FACE_POINTS_OFF) is None
    still = hood_face(hood(**shown(0.0, 0.5, 0.6, 0.5))).remark(Code.FACE_POINTS_OFF)
    assert still is not None
    assert "1.1" in still.points


def test_squares_above_a_foot_are_told() -> None:
    assert hood_face(hood()).remark(Code.GRID_COARSE) is None
    assert hood_face(hood(width=4 * 0.3048, height=2 * 0.3048)).remark(Code.GRID_COARSE) is None
    remark = hood_face(hood(width=1.4)).remark(Code.GRID_COARSE)
    assert remark is not None
    assert remark.numbers == pytest.approx({"width": 0.35, "height": 0.25, "limit": 0.3048})


def test_squares_not_read_cost_certainty() -> None:
    whole = hood_face(hood())
    short = hood_face(hood(columns=5))
    remark = short.remark(Code.POINTS_MISSING)
    assert remark is not None
    assert remark.numbers == {"missing": 2, "expected": 10}
    assert remark.points == ("5.1", "5.2")
    assert rows(short, "velocity")["Missing points"] == pytest.approx(0.505 * 0.25 * 0.2)
    assert "Missing points" not in rows(short, "lowest")
    assert whole.remark(Code.POINTS_MISSING) is None


def test_only_the_flow_is_doubted_for_what_lies_between_the_points() -> None:
    result = hood_face(hood())
    assert "Sampling of the face" not in rows(result, "velocity")
    u = statistics.stdev(SPEEDS) / math.sqrt(8.0)
    assert rows(result, "flow")["Sampling of the face"] == pytest.approx(0.6 * u)
    given_ = hood_face(hood(allowances=Allowances(integration=0.03)))
    assert rows(given_, "flow")["Sampling of the face"] == pytest.approx(0.6 * 0.03 * 0.505)


def test_the_budget_of_mean_and_extremes_by_hand() -> None:
    result = hood_face(hood())
    mean, low = rows(result, "velocity"), rows(result, "lowest")
    assert mean["Velocity: instrument specification"] == pytest.approx((0.03 * 0.505 + 0.05) / math.sqrt(3.0))
    assert low["Velocity: instrument specification"] == pytest.approx((0.03 * 0.47 + 0.05) / math.sqrt(3.0))
    assert mean["Velocity: resolution"] == pytest.approx(0.01 / math.sqrt(12.0 * 8.0))
    assert low["Velocity: resolution"] == pytest.approx(0.01 / math.sqrt(12.0))
    assert math.sqrt(sum(c * c for c in mean.values())) == pytest.approx(result.results["velocity"].u)
    # what one instrument does to both extremes cancels in the spread but for its part of the reading
    spread = rows(result, "spread")
    assert spread["Velocity: instrument specification"] == pytest.approx(0.03 * 0.07 / math.sqrt(3.0))
    assert spread["Velocity: resolution"] == pytest.approx(0.01 / math.sqrt(6.0))


def test_repeats_in_time_average_each_point_down() -> None:
    places = grid(2, 1, 3)
    values = (0.50, 0.60, 0.52, 0.58, 0.48, 0.62)
    result = hood_face(hood(velocity=Readings(values, BARE, "", places)))
    assert [p.value for p in result.points] == pytest.approx([0.5, 0.6])
    # residuals of the two-way table are 0, +-0.02 and -+0.02 over 2 degrees of freedom
    s = math.sqrt(4 * 0.02**2 / 2.0)
    assert rows(result, "lowest")["Fluctuation between runs"] == pytest.approx(s / math.sqrt(3.0))
    assert rows(result, "velocity")["Fluctuation between runs"] == pytest.approx(s / math.sqrt(6.0))
    row = next(r for r in result.main.budget if r.name == "Fluctuation between runs")
    assert row.dof == 2.0
    assert [r.velocity for r in result.runs] == pytest.approx([0.55, 0.55, 0.55])
    assert result.remark(Code.SINGLE_RUN) is None


def test_an_even_face_still_has_an_uncertain_spread() -> None:
    result = hood_face(hood(**shown(0.5, 0.5, 0.5)))
    assert result.results["spread"].value == 0.0
    assert result.results["spread"].u == pytest.approx(0.01 / math.sqrt(6.0))


def test_a_hood_is_never_called_safe() -> None:
    for inputs in (hood(), hood(lowest_allowed=None, highest_allowed=None), hood(**shown(5.0, 5.0))):
        result = hood_face(inputs)
        assert result.remark(Code.CONTAINMENT_NOT_TESTED) is not None
        words = {*result.classes.values(), *(p.word for p in result.parts), *(r.code for r in result.remarks)}
        assert not any("safe" in word for word in words)
    assert hood_face(hood(lowest_allowed=None, highest_allowed=None)).limits is None
    assert hood_face(hood(highest_allowed=None)).limits == (0.4, None)


def test_air_that_comes_out_is_told_and_a_hood_that_is_off_has_a_figure() -> None:
    out = hood_face(hood(**shown(0.5, -0.1, 0.6))).remark(Code.REVERSED_FLOW)
    assert out is not None
    assert out.points == ("2.1",)
    off = hood_face(hood(**shown(0.0, 0.0, 0.0)))
    assert off.main.value == 0.0
    assert off.main.u > 0.0
    assert off.remark(Code.FACE_POINTS_OFF) is None
    assert off.remark(Code.NEAR_RESOLUTION) is not None


def test_a_thermal_instrument_is_converted() -> None:
    result = hood_face(hood(signal=Signal.STANDARD_VELOCITY, reference_density=1.1984))
    density = result.density.value
    assert result.main.value == pytest.approx(0.505 * 1.1984 / density)
    assert result.results["lowest"].value == pytest.approx(0.47 * 1.1984 / density)
    assert result.standard_flow.value == pytest.approx(0.505 * 0.6 * 1.1984 / 1.204)
    assert result.points[0].velocity == pytest.approx(0.5 * 1.1984 / density)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"signal": Signal.PRESSURE}, "signal"),
        ({"width": 0.0}, "width"),
        ({"height": -0.5}, "height"),
        ({"height": math.nan}, "height"),
        (shown(), "velocity"),
        (shown(0.5), "velocity.places"),
        (shown(0.5, math.nan), "velocity[1]"),
        (shown(-0.5, 0.1), "velocity"),
        ({"velocity": Readings((0.5, 0.6), BARE)}, "velocity.places"),
        ({"velocity": Readings((0.5, 0.6), BARE, "", ((1, 1, 1), (1, 1, 1)))}, "velocity.places"),
        (
            {"velocity": Readings((0.5, 0.6, 0.5), BARE, "", ((1, 1, 1), (1, 2, 1), (1, 1, 1)))},
            "velocity.places[2]",
        ),
        ({"columns": 3}, "velocity.places[6]"),
        ({"rows": 1}, "velocity.places[1]"),
        ({"lowest_allowed": 0.7}, "lowest_allowed"),
        ({"lowest_allowed": -0.1}, "lowest_allowed"),
        ({"highest_allowed": 0.0}, "highest_allowed"),
        ({"highest_allowed": math.inf}, "highest_allowed"),
        ({"point_tolerance": 0.0}, "point_tolerance"),
        ({"probe": Estimate(0.0, 0.01)}, "probe"),
        ({"placing": math.nan}, "placing"),
        ({"allowances": Allowances(dimension=-0.001)}, "dimension"),
        ({"standard_density": -1.0}, "standard_density"),
        ({"air": replace(ROOM, barometer=-1.0)}, "air.barometer"),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        hood_face(hood(**changes))
    assert caught.value.input == named


speeds = st.lists(st.floats(0.05, 2.0), min_size=2, max_size=12)


@settings(deadline=None, max_examples=50)
@given(st.lists(st.floats(-2.0, 5.0), min_size=2, max_size=20))
def test_statistics_are_those_of_the_standard_library(values: list[float]) -> None:
    found = face_statistics(values)
    assert found.mean == pytest.approx(statistics.fmean(values), abs=1e-12)
    assert found.s == pytest.approx(statistics.stdev(values), rel=1e-9, abs=1e-12)
    assert (found.lowest, found.highest) == (min(values), max(values))
    if found.mean:
        furthest = max(abs(v - found.mean) for v in values) / abs(found.mean)
        assert found.largest_deviation == pytest.approx(furthest, rel=1e-9)
        assert found.relative_s == pytest.approx(found.s / abs(found.mean))


def test_statistics_of_one_place_and_of_none() -> None:
    alone = face_statistics([0.5])
    assert (alone.mean, alone.s, alone.largest_deviation) == (0.5, 0.0, 0.0)
    assert face_statistics([-1.0, 1.0]).relative_s == math.inf
    assert face_statistics([-1.0, 1.0]).largest_deviation == math.inf
    assert face_statistics([0.4, 0.6]).within(0.2)
    assert not face_statistics([0.39, 0.61]).within(0.2)
    for wrong in ([], [0.5, math.nan]):
        with pytest.raises(Refused):
            face_statistics(wrong)


@settings(deadline=None, max_examples=20)
@given(speeds, st.floats(0.1, 10.0), st.floats(0.1, 3.0))
def test_everything_scales(values: list[float], factor: float, size: float) -> None:
    one = hood_face(hood(**shown(*values)))
    other = hood_face(
        hood(
            **shown(*[factor * v for v in values]),
            width=1.2 * size,
            lowest_allowed=None,
            highest_allowed=None,
        )
    )
    for name in ("velocity", "lowest", "highest", "spread"):
        assert other.results[name].value == pytest.approx(
            factor * one.results[name].value, rel=1e-11, abs=1e-14
        )
    assert other.flow.value == pytest.approx(factor * size * one.flow.value, rel=1e-12)
    assert [p.share for p in other.points] == pytest.approx([p.share for p in one.points])


@settings(deadline=None, max_examples=20)
@given(st.permutations(range(8)))
def test_the_order_of_reading_changes_nothing(order: list[int]) -> None:
    places = grid(4, 2)
    mixed = Readings(tuple(SPEEDS[i] for i in order), BARE, "", tuple(places[i] for i in order))
    one, other = hood_face(hood()), hood_face(hood(velocity=mixed))
    for name, figure in one.results.items():
        assert other.results[name].value == pytest.approx(figure.value, rel=1e-12)
        assert other.results[name].u == pytest.approx(figure.u, rel=1e-11)
    assert [p.label for p in other.parts] == [p.label for p in one.parts]


@settings(deadline=None, max_examples=15)
@given(st.permutations(range(8)))
def test_where_a_velocity_lies_does_not_matter_to_the_mean(order: list[int]) -> None:
    moved = Readings(tuple(SPEEDS[i] for i in order), BARE, "", grid(4, 2))
    one, other = hood_face(hood()), hood_face(hood(velocity=moved))
    assert other.main.value == pytest.approx(one.main.value)
    assert other.main.u == pytest.approx(one.main.u)
    assert other.results["spread"].value == pytest.approx(one.results["spread"].value)


@settings(deadline=None, max_examples=20)
@given(speeds, st.integers(1, 3))
def test_shares_of_a_budget_add_to_one(values: list[float], runs: int) -> None:
    result = hood_face(hood(**shown(*values, runs=runs)))
    for figure in result.results.values():
        assert math.fsum(row.share for row in figure.budget) == pytest.approx(1.0, abs=1e-9)
    assert result.results["lowest"].value <= result.main.value * (1.0 + 1e-12)
    assert result.results["highest"].value >= result.main.value * (1.0 - 1e-12)


def test_first_order_agrees_with_monte_carlo_on_the_whole_model() -> None:
    inputs = hood(signal=Signal.STANDARD_VELOCITY, velocity=Readings(SPEEDS, VANE, "", grid(4, 2)))
    result = hood_face(inputs)
    air = resolve_air(ROOM)
    low = min(range(8), key=lambda i: SPEEDS[i])
    high = max(range(8), key=lambda i: SPEEDS[i])
    values: dict[str, float | Sequence[float]] = {
        "velocity": tuple(p.value for p in result.points),
        "velocity_weight": (1 / 8,) * 8,
        "lowest_weight": tuple(float(i == low) for i in range(8)),
        "highest_weight": tuple(float(i == high) for i in range(8)),
        "grid_factor": 1.0,
        "sampling": 0.0,
        "probe_factor": 1.0,
        "velocity_factor": 1.0,
        "dimension": (1.2, 0.5),
        "reference_density": 1.204,
        "standard_density": 1.204,
        **air.values,
    }
    for output in ("velocity", "flow", "highest"):
        effects = []
        for row in result.results[output].budget:
            own = row.name == "Velocity: resolution"
            sharing = Sharing.INDEPENDENT if own else Sharing.COMMON
            t = row.distribution is Distribution.T  # its spread is compared, not its tails
            shape = Distribution.NORMAL if t else row.distribution
            effects.append(Effect(row.name, row.input, row.u, sharing, row.dof, shape))
        model = hood_face_model(air.model.function, inputs.signal)
        drawn = monte_carlo(model, values, effects, output=output, trials=40_000)
        assert drawn.value == pytest.approx(result.results[output].value, rel=2e-3)
        assert drawn.u == pytest.approx(result.results[output].u, rel=0.02)


def test_inputs_are_stored_and_read_back_to_the_same_digits() -> None:
    inputs = hood(columns=4, rows=2, reference_density=1.2014)
    again = from_plain(HoodFace, to_plain(inputs))
    assert again == inputs
    assert hood_face(again) == hood_face(inputs)
