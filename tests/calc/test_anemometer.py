"""Anemometer traverses: conversion, blockage, weights, runs, weak and reversed readings, refusals."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measurements.calc import (
    Accuracy,
    Air,
    CertificatePoint,
    Code,
    Duct,
    Effect,
    Estimate,
    Instrument,
    MethodResult,
    Refused,
    Rule,
    Shape,
    Sharing,
    Signal,
    from_plain,
    pitot_traverse,
    to_plain,
)
from measurements.calc.anemometer import (
    AnemometerTraverse,
    actual_velocity,
    anemometer_model,
    anemometer_traverse,
)
from measurements.calc.conditions import resolve_air
from measurements.calc.models import line_model
from measurements.calc.places import Readings
from measurements.calc.simulate import monte_carlo
from tests.calc.worlds import AIR, PERFECT, RECTANGULAR, pitot

VANE = Instrument(
    certificate=(
        CertificatePoint(0.5, 0.46, 0.03),
        CertificatePoint(5.0, 4.93, 0.08),
        CertificatePoint(15.0, 15.1, 0.2),
    ),
    resolution=0.01,
    drift_of_reading=0.01,
    low=0.4,
    high=20.0,
)
BARE = Instrument(accuracy=Accuracy(of_reading=0.03, absolute=0.05), resolution=0.01)
GRID = tuple((1, hole, row) for hole in range(1, 6) for row in range(1, 6))
SPEEDS = tuple(round(6.0 + 0.9 * math.sin(1.3 * i), 2) for i in range(25))


def traverse(**changes: object) -> AnemometerTraverse:
    """A rectangular 5 x 5 traverse with a vane, plane measured."""
    plain = AnemometerTraverse(
        RECTANGULAR,
        Readings(SPEEDS, VANE, "vane 7", GRID),
        Signal.VELOCITY,
        AIR,
        Rule.LOG_TCHEBYCHEFF,
        5,
        5,
        upstream=4.0,
        downstream=2.0,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def shown(*speeds: float, instrument: Instrument = BARE, runs: int = 1) -> dict[str, object]:
    """Readings one under the other in one hole, of no stated layout, the same in every run."""
    places = tuple((run, 1, row) for run in range(1, runs + 1) for row in range(1, len(speeds) + 1))
    return {"velocity": Readings(speeds * runs, instrument, "", places), "rule": None}


def codes(result: MethodResult) -> set[Code]:
    return {r.code for r in result.remarks}


def test_a_vane_shows_the_velocity_itself() -> None:
    result = anemometer_traverse(traverse(**shown(4.0, 6.0, 8.0)))
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(6.0)
    assert result.flow.value == pytest.approx(6.0 * 0.24)
    assert result.standard_flow.value == pytest.approx(6.0 * 0.24 * result.density.value / 1.204)
    assert [p.share for p in result.points] == pytest.approx([2 / 3, 1.0, 4 / 3])
    assert result.measurand == "flow"
    assert result.verdict_allowed


def test_a_thermal_instrument_shows_mass_flow_over_its_reference_density() -> None:
    changes = {**shown(4.0, 6.0, 8.0), "signal": Signal.STANDARD_VELOCITY}
    result = anemometer_traverse(traverse(**changes))
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(6.0 * 1.204 / result.density.value)
    assert result.standard_flow.value == pytest.approx(6.0 * 0.24)
    other = anemometer_traverse(traverse(**changes, reference_density=1.1984))
    assert other.flow.value == pytest.approx(result.flow.value * 1.1984 / 1.204)
    assert other.standard_flow.value == pytest.approx(6.0 * 0.24 * 1.1984 / 1.204)
    assert other.points[0].velocity == pytest.approx(4.0 * 1.1984 / result.density.value)


def test_what_the_air_does_not_change_is_not_blamed_on_the_air() -> None:
    thermal = anemometer_traverse(traverse(signal=Signal.STANDARD_VELOCITY))
    vane = anemometer_traverse(traverse())
    assert "Temperature" in {row.name for row in thermal.flow.budget}
    assert "Temperature" not in {row.name for row in thermal.standard_flow.budget}
    assert "Temperature" not in {row.name for row in vane.flow.budget}
    assert "Temperature" in {row.name for row in vane.standard_flow.budget}


def test_without_blockage_it_is_the_model_of_the_lines() -> None:
    density_of = resolve_air(AIR).model.function
    for signal in (Signal.VELOCITY, Signal.STANDARD_VELOCITY):
        result = anemometer_traverse(traverse(signal=signal))
        plain = line_model(Shape.RECTANGULAR, density_of, signal)(
            [p.value for p in result.points],
            [1 / 25] * 25,
            1.0,
            1.0,
            RECTANGULAR.dimensions,
            294.15,
            98_700.0,
            -150.0,
            0.45,
            1.0,
            1.204,
        )
        assert result.flow.value == pytest.approx(plain.flow, rel=1e-13)
        assert result.standard_flow.value == pytest.approx(plain.standard_flow, rel=1e-13)


def test_the_same_flow_by_pitot_tube_and_by_vane() -> None:
    by_pitot = pitot_traverse(pitot(instrument=PERFECT, zero_before=None, zero_after=None))
    speeds = tuple(p.velocity for p in by_pitot.points)
    by_vane = anemometer_traverse(traverse(velocity=Readings(speeds, PERFECT, "", GRID)))
    assert by_vane.flow.value == pytest.approx(by_pitot.flow.value, rel=1e-12)
    assert [(p.x, p.y, p.label) for p in by_vane.points] == [(p.x, p.y, p.label) for p in by_pitot.points]
    placing = {"Number and placing of points", "Measuring plane"}
    alike = [{row.name: row.u for row in r.flow.budget if row.name in placing} for r in (by_pitot, by_vane)]
    assert set(alike[0]) == placing
    assert alike[1] == pytest.approx(alike[0])


def test_the_bias_of_equal_areas_is_left_in_or_taken_off_as_by_pitot_tube() -> None:
    changes: dict[str, object] = {"rule": Rule.EQUAL_AREA}
    left = anemometer_traverse(traverse(**changes))
    corrected = anemometer_traverse(traverse(**changes, integration_corrected=True))
    remark = corrected.remark(Code.INTEGRATION_BIAS)
    assert remark is not None
    assert remark.numbers["corrected"] == 1.0
    assert corrected.flow.value == pytest.approx(left.flow.value / (1.0 + remark.numbers["bias"]))
    assert corrected.runs[0].flow == pytest.approx(corrected.flow.value)
    assert [p.share for p in corrected.points] == pytest.approx([p.share for p in left.points])
    assert "Bias of equal weights, left in" in {row.name for row in left.flow.budget}
    assert "Bias of equal weights, left in" not in {row.name for row in corrected.flow.budget}
    assert corrected.flow.U < left.flow.U


def test_the_head_blocks_its_share_and_is_doubted_as_much() -> None:
    duct = Duct(Shape.ROUND, 0.315)
    free = anemometer_traverse(traverse(**shown(5.0, 6.0), duct=duct))
    blocked = anemometer_traverse(traverse(**shown(5.0, 6.0), duct=duct, head_area=0.003))
    share = 0.003 / duct.area
    assert blocked.flow.value == pytest.approx(5.5 * (duct.area - 0.003))
    assert blocked.flow.value == pytest.approx(free.flow.value * (1.0 - share))
    row = next(r for r in blocked.flow.budget if r.name == "Blockage by the head")
    assert row.contribution == pytest.approx(5.5 * 0.003 / math.sqrt(3.0))
    remark = blocked.remark(Code.HEAD_BLOCKAGE)
    assert remark is not None
    assert remark.numbers["share"] == pytest.approx(share)
    assert free.remark(Code.HEAD_BLOCKAGE) is None
    small = anemometer_traverse(traverse(head_area=0.002))
    assert small.remark(Code.HEAD_BLOCKAGE) is None
    assert blocked.runs[0].flow == pytest.approx(blocked.flow.value)


def test_certificate_and_its_budget_by_hand() -> None:
    result = anemometer_traverse(traverse(**shown(4.93, 4.93, instrument=VANE)))
    assert result.velocity is not None
    assert result.velocity.value == pytest.approx(5.0)
    rows = {row.name: row.contribution for row in result.velocity.budget}
    assert rows["Velocity: calibration certificate"] == pytest.approx(0.04)
    assert rows["Velocity: drift since calibration"] == pytest.approx(0.0493 / math.sqrt(3.0))
    assert rows["Velocity: resolution"] == pytest.approx(0.01 / math.sqrt(12.0) / math.sqrt(2.0))
    assert rows["Single run (allowance)"] == pytest.approx(5.0 * traverse().allowances.single_run)
    assert rows["Probe factor"] == pytest.approx(0.05)
    assert math.sqrt(sum(c * c for c in rows.values())) == pytest.approx(result.velocity.u)


def test_runs_stand_in_place_of_the_allowance() -> None:
    places = tuple((run, 1, row) for run in (1, 2) for row in (1, 2, 3))
    readings = Readings((5.0, 6.0, 7.0, 5.2, 6.2, 7.2), BARE, "", places)
    result = anemometer_traverse(traverse(velocity=readings, rule=None))
    names = {row.name: row for row in result.flow.budget}
    assert "Single run (allowance)" not in names
    assert names["Repeatability of runs"].dof == 1.0
    assert names["Repeatability of runs"].u == pytest.approx(0.1 / 6.1)
    assert [r.velocity for r in result.runs] == pytest.approx([6.0, 6.2])
    assert Code.SINGLE_RUN not in codes(result)
    apart = replace(readings, values=(5.0, 6.0, 7.0, 6.0, 7.0, 8.0))
    assert Code.RUNS_DISAGREE in codes(anemometer_traverse(traverse(velocity=apart, rule=None)))


def test_repeatability_from_the_job_s_other_planes_is_joined() -> None:
    inputs = traverse(run_repeatability=Estimate(1.0, 0.02, 10.0))
    rows = {row.name: row for row in anemometer_traverse(inputs).flow.budget}
    assert rows["Repeatability of runs, pooled"].u == pytest.approx(0.02)
    assert rows["Repeatability of runs, pooled"].dof == 10.0
    assert "Single run (allowance)" not in rows


def test_a_vane_below_its_start_may_stand_in_moving_air() -> None:
    slow = anemometer_traverse(traverse(**shown(0.0, 0.6, 0.3, instrument=replace(BARE, low=0.4))))
    row = next(r for r in slow.velocity.budget if r.name == "Velocity: below the range")  # type: ignore[union-attr]
    assert row.contribution == pytest.approx((0.4 + 0.3) / math.sqrt(3.0) / 3.0)
    remark = slow.remark(Code.OUTSIDE_RANGE)
    assert remark is not None
    assert remark.points == ("1.1", "1.3")
    quick = anemometer_traverse(traverse(**shown(0.5, 0.6, 0.4, instrument=replace(BARE, low=0.4))))
    assert "Velocity: below the range" not in {r.name for r in quick.flow.budget}


def test_remarks_of_velocities() -> None:
    near = anemometer_traverse(traverse(**shown(0.05, 0.3, 0.4))).remark(Code.NEAR_RESOLUTION)
    assert near is not None
    assert near.numbers == {"count": 1, "resolution": 0.01, "lowest": 0.05}
    back = anemometer_traverse(traverse(**shown(-0.5, 3.0, 4.0)))
    reversed_ = back.remark(Code.REVERSED_FLOW)
    assert reversed_ is not None
    assert reversed_.numbers == {"count": 1, "lowest": -0.5}
    assert reversed_.points == ("1.1",)
    assert Code.BAD_DISTRIBUTION in codes(back)
    # 3.1 m/s has less than a tenth of the velocity pressure of 10 m/s, 3.2 m/s has more
    assert Code.BAD_DISTRIBUTION in codes(anemometer_traverse(traverse(**shown(10.0, 3.1, 9.0, 9.0))))
    assert Code.BAD_DISTRIBUTION not in codes(anemometer_traverse(traverse(**shown(10.0, 3.2, 9.0, 9.0))))
    assert Code.IMPLAUSIBLE_VELOCITY in codes(anemometer_traverse(traverse(**shown(70.0, 70.0))))
    assert Code.NO_CERTIFICATE in codes(back)
    assert Code.NO_LAYOUT in codes(back)
    usual = codes(anemometer_traverse(traverse()))
    assert usual == {Code.SINGLE_RUN, Code.POOR_PLANE} or usual == {Code.SINGLE_RUN}


def test_missing_doubled_and_few_points() -> None:
    short = anemometer_traverse(traverse(velocity=Readings(SPEEDS[:-2], VANE, "", GRID[:-2])))
    remark = short.remark(Code.POINTS_MISSING)
    assert remark is not None
    assert remark.numbers == {"missing": 2, "expected": 25}
    assert remark.points == ("E4", "E5")
    assert "Missing points" in {row.name for row in short.flow.budget}
    twice = Readings((*SPEEDS, SPEEDS[0] + 0.5), VANE, "", (*GRID, GRID[0]))
    doubled = anemometer_traverse(traverse(velocity=twice))
    assert doubled.remark(Code.POINTS_DOUBLED) is not None
    assert doubled.points[0].value == pytest.approx(
        anemometer_traverse(traverse()).points[0].value + 0.25, abs=0.01
    )
    few = Readings(SPEEDS[:9], VANE, "", tuple((1, h, r) for h in (1, 2, 3) for r in (1, 2, 3)))
    assert Code.TOO_FEW_POINTS in codes(anemometer_traverse(traverse(velocity=few, holes=3, rows=3)))


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"signal": Signal.PRESSURE}, "signal"),
        (shown(), "velocity"),
        (shown(5.0, math.nan), "velocity[1]"),
        (shown(5.0, math.inf), "velocity[1]"),
        (shown(-5.0, 1.0), "velocity"),
        ({"velocity": Readings((5.0,), BARE)}, "velocity.places"),
        ({"velocity": Readings((5.0,), BARE, "", GRID)}, "velocity.places"),
        ({"velocity": Readings((5.0,), BARE, "", ((1, 0, 1),))}, "velocity.places[0]"),
        ({"velocity": Readings((5.0,), BARE, "", ((1, 6, 1),))}, "readings[0]"),
        ({"head_area": -0.001}, "head_area"),
        ({"head_area": 0.0241}, "head_area"),
        ({"head_area": math.nan}, "head_area"),
        ({"probe": Estimate(0.0, 0.01)}, "probe"),
        ({"probe": Estimate(1.0, -0.01)}, "probe.u"),
        ({"standard_density": 0.0}, "standard_density"),
        ({"reference_density": -1.2}, "reference_density"),
        ({"air": replace(AIR, temperature=-1.0)}, "air.temperature"),
        ({"air": replace(AIR, static_pressure=-99_000.0)}, "air.static_pressure"),
        ({"upstream": -1.0}, "upstream"),
        (shown(40.0, 40.0, instrument=VANE), "velocity[0]"),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        anemometer_traverse(traverse(**changes))
    assert caught.value.input == named


speeds = st.lists(st.floats(0.5, 25.0), min_size=2, max_size=12)


@settings(deadline=None, max_examples=25)
@given(speeds, st.floats(0.1, 10.0))
def test_flow_scales_with_what_is_shown(values: list[float], factor: float) -> None:
    one = anemometer_traverse(traverse(**shown(*values)))
    other = anemometer_traverse(traverse(**shown(*[factor * v for v in values])))
    assert other.flow.value == pytest.approx(factor * one.flow.value, rel=1e-12)


@settings(deadline=None, max_examples=25)
@given(st.permutations(range(25)))
def test_the_order_of_reading_changes_nothing(order: list[int]) -> None:
    mixed = Readings(tuple(SPEEDS[i] for i in order), VANE, "vane 7", tuple(GRID[i] for i in order))
    one, other = anemometer_traverse(traverse()), anemometer_traverse(traverse(velocity=mixed))
    assert other.flow.value == pytest.approx(one.flow.value, rel=1e-13)
    assert other.flow.u == pytest.approx(one.flow.u, rel=1e-12)
    assert [p.label for p in other.points] == [p.label for p in one.points]
    assert [p.velocity for p in other.points] == pytest.approx([p.velocity for p in one.points])


@settings(deadline=None, max_examples=20)
@given(st.integers(2, 4))
def test_the_same_run_again_changes_no_value(runs: int) -> None:
    again = anemometer_traverse(traverse(**shown(4.0, 6.0, 8.0, runs=runs)))
    assert again.flow.value == pytest.approx(6.0 * 0.24, rel=1e-13)
    assert len(again.runs) == runs


@settings(deadline=None, max_examples=25)
@given(speeds, st.integers(0, 11), st.floats(0.01, 5.0))
def test_more_velocity_anywhere_is_more_flow(values: list[float], place: int, more: float) -> None:
    one = anemometer_traverse(traverse(**shown(*values)))
    values[place % len(values)] += more
    assert anemometer_traverse(traverse(**shown(*values))).flow.value > one.flow.value


@settings(deadline=None, max_examples=25)
@given(speeds, st.sampled_from([Signal.VELOCITY, Signal.STANDARD_VELOCITY]), st.floats(0.0, 0.02))
def test_shares_of_a_budget_add_to_one(values: list[float], signal: Signal, head: float) -> None:
    result = anemometer_traverse(traverse(**shown(*values), signal=signal, head_area=head))
    for figure in result.results.values():
        assert math.fsum(row.share for row in figure.budget) == pytest.approx(1.0, abs=1e-9)


@settings(deadline=None, max_examples=30)
@given(st.floats(0.05, 30.0), st.floats(0.6, 1.6), st.floats(1.1, 1.3))
def test_conversion_keeps_the_mass_flow(velocity: float, density: float, reference: float) -> None:
    actual = actual_velocity(velocity, density, reference, Signal.STANDARD_VELOCITY)
    assert actual * density == pytest.approx(velocity * reference, rel=1e-14)
    assert actual_velocity(velocity, density, reference, Signal.VELOCITY) == velocity


def test_first_order_agrees_with_monte_carlo_on_the_whole_model() -> None:
    inputs = traverse(signal=Signal.STANDARD_VELOCITY, head_area=0.004)
    result = anemometer_traverse(inputs)
    model = anemometer_model(Shape.RECTANGULAR, resolve_air(AIR).model.function, inputs.signal)
    values: dict[str, float | Sequence[float]] = {
        "velocity": tuple(p.value for p in result.points),
        "velocity_weight": (1 / 25,) * 25,
        "probe_factor": 1.0,
        "velocity_factor": 1.0,
        "blocking": 1.0,
        "head_area": 0.004,
        "dimension": RECTANGULAR.dimensions,
        "reference_density": 1.204,
        "standard_density": 1.204,
        **resolve_air(AIR).values,
    }
    effects = []
    for row in result.flow.budget:
        own = row.name == "Velocity: resolution"
        sharing = Sharing.INDEPENDENT if own else Sharing.COMMON
        effects.append(Effect(row.name, row.input, row.u, sharing, row.dof, row.distribution))
    drawn = monte_carlo(model, values, effects, output="flow", trials=60_000)
    assert drawn.value == pytest.approx(result.flow.value, rel=1e-3)
    assert drawn.u == pytest.approx(result.flow.u, rel=0.02)


def test_inputs_are_stored_and_read_back_to_the_same_digits() -> None:
    inputs = traverse(air=Air(300.0, altitude=1500.0), head_area=0.001, reference_density=1.2014)
    again = from_plain(AnemometerTraverse, to_plain(inputs))
    assert again == inputs
    assert anemometer_traverse(again) == anemometer_traverse(inputs)
    assert anemometer_traverse(replace(inputs, head_area=0.0011)).digest != anemometer_traverse(inputs).digest


def test_a_duct_without_flow_has_a_finite_uncertainty() -> None:
    result = anemometer_traverse(traverse(**shown(0.0, 0.0)))
    assert result.flow.value == 0.0
    assert 0.0 < result.flow.u < 0.1
    assert [p.share for p in result.points] == [0.0, 0.0]
