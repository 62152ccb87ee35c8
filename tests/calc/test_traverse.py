"""The pitot traverse: hand figures, invariances, remarks, refusals."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measurements.calc import (
    AcceptanceRule,
    Air,
    Allowances,
    Code,
    DecisionRule,
    Duct,
    Effect,
    Estimate,
    Instrument,
    Limits,
    PointReading,
    Refused,
    Rule,
    Shape,
    Sharing,
    Verdict,
    air,
    centreline_reading,
    judge,
    make_layout,
    pitot_traverse,
    tolerance_of,
    velocity_map,
)
from measurements.calc import integration as fitted
from measurements.calc.layout import FLAT, Layout, flattest_power, pattern_biases, plane_quality, profile
from measurements.calc.models import pitot_model
from measurements.calc.pressures import weak_root_u
from measurements.calc.simulate import monte_carlo
from measurements.calc.traverse import (
    ONE_SIDED,
    UNSEEN,
    UNSEEN_EVEN,
    UNSEEN_ROUND,
    UNSTEADY,
    Placing,
    Unsteady,
    nearest_wall_bias,
    point_placing,
    point_plane,
    pooled_repeatability,
)
from tests.calc.worlds import AIR, MANOMETER, PERFECT, RECTANGULAR, ROUND, centreline, pitot, readings


def _codes(result: object) -> set[str]:
    return {r.code.value for r in result.remarks}  # type: ignore[attr-defined]


def test_the_figure_by_hand() -> None:
    found = pitot_traverse(pitot(instrument=PERFECT, zero_after=0.0, probe=Estimate(0.99, 0.0)))
    density = air.cipm_density(294.15, 98_550.0, 0.45)
    velocities = [0.99 * math.sqrt(2.0 * r.value / density) for r in readings()]
    mean = sum(velocities) / 25.0
    assert found.density.value == pytest.approx(density, rel=1e-12)
    assert found.velocity is not None
    assert found.velocity.value == pytest.approx(mean, rel=1e-12)
    assert found.flow.value == pytest.approx(mean * 0.24, rel=1e-12)
    assert found.standard_flow.value == pytest.approx(mean * 0.24 * density / 1.204, rel=1e-12)
    assert [p.velocity for p in found.points] == pytest.approx(velocities)
    assert sum(p.share for p in found.points) == pytest.approx(25.0)
    assert found.area == pytest.approx(0.24)


def test_budget_names_every_component_once_and_adds_up() -> None:
    result = pitot_traverse(pitot(readings=readings(runs=2)))
    names = [row.name for row in result.flow.budget]
    assert names == [
        "Calibration certificate",
        "Drift since calibration",
        "Resolution",
        "Zero shift",
        "Fluctuation between runs",
        "Repeatability of runs",
        "Number and placing of points",
        "Measuring plane",
        "Compressibility",
        "Probe factor",
        "Alignment",
        "Dimensions",
        "Temperature",
        "Barometric pressure",
        "Duct static pressure",
        "Humidity",
        "Density formula",
    ]
    assert sum(row.share for row in result.flow.budget) == pytest.approx(1.0)
    assert math.sqrt(sum(row.contribution**2 for row in result.flow.budget)) == pytest.approx(result.flow.u)
    assert pytest.approx(result.flow.k * result.flow.u) == result.flow.U
    assert result.flow.budget[0].members == 50


def test_common_errors_stay_common_and_own_errors_average_down() -> None:
    def shares(n: int) -> dict[str, float]:
        plain = pitot(readings=readings(n, 5), rule=None, holes=None, rows=None)
        return {row.name: row.contribution for row in pitot_traverse(plain).flow.budget}

    few, many = shares(5), shares(20)
    assert many["Calibration certificate"] == pytest.approx(few["Calibration certificate"], rel=0.05)
    assert many["Resolution"] == pytest.approx(few["Resolution"] / 2.0, rel=0.05)


@settings(deadline=None, max_examples=25)
@given(st.permutations(range(25)))
def test_order_of_entry_does_not_matter(order: list[int]) -> None:
    plain = pitot()
    shuffled = replace(plain, readings=tuple(plain.readings[i] for i in order))
    one, other = pitot_traverse(plain), pitot_traverse(shuffled)
    assert other.flow.value == pytest.approx(one.flow.value, rel=1e-13)
    assert other.flow.u == pytest.approx(one.flow.u, rel=1e-12)
    assert [p.label for p in other.points] == [p.label for p in one.points]


@settings(deadline=None, max_examples=25)
@given(st.floats(0.2, 3.0))
def test_flow_grows_with_the_root_of_pressure(factor: float) -> None:
    def flow(scale: float) -> float:
        scaled = tuple(replace(r, value=r.value * scale) for r in readings())
        return pitot_traverse(pitot(readings=scaled, instrument=PERFECT, zero_after=0.0)).flow.value

    assert flow(factor) == pytest.approx(flow(1.0) * math.sqrt(factor), rel=1e-12)


@settings(deadline=None, max_examples=20)
@given(st.floats(0.3, 3.0))
def test_flow_grows_with_area(size: float) -> None:
    def result(scale: float) -> float:
        duct = Duct(Shape.RECTANGULAR, 0.6 * scale, 0.4 * scale)
        return pitot_traverse(pitot(duct=duct)).flow.value

    assert result(size) == pytest.approx(result(1.0) * size * size, rel=1e-12)


@settings(deadline=None, max_examples=20)
@given(st.integers(1, 4))
def test_the_same_run_again_changes_no_value(runs: int) -> None:
    repeated = tuple(replace(r, run=n) for n in range(1, runs + 1) for r in readings())
    assert pitot_traverse(pitot(readings=repeated)).flow.value == pytest.approx(
        pitot_traverse(pitot()).flow.value, rel=1e-13
    )


def test_first_order_agrees_with_monte_carlo_on_the_whole_model() -> None:
    result = pitot_traverse(pitot())
    state = AIR
    model = pitot_model(Shape.RECTANGULAR, air.cipm_density)
    values = {
        "pressure": tuple(p.value for p in result.points),
        "pressure_weight": (1 / 25,) * 25,
        "root": (),
        "root_weight": (),
        "probe_factor": 1.0,
        "velocity_factor": 1.0,
        "dimension": RECTANGULAR.dimensions,
        "temperature": state.temperature,
        "barometer": 98_700.0,
        "static_pressure": -150.0,
        "humidity": 0.45,
        "density_factor": 1.0,
        "standard_density": 1.204,
    }
    effects = []
    for row in result.flow.budget:
        sharing = Sharing.INDEPENDENT if row.name == "Resolution" else Sharing.COMMON
        effects.append(Effect(row.name, row.input, row.u, sharing, row.dof, row.distribution))
    drawn = monte_carlo(model, values, effects, output="flow", trials=100_000)
    assert drawn.value == pytest.approx(result.flow.value, rel=2e-3)
    assert drawn.u == pytest.approx(result.flow.u, rel=0.02)


def test_swapped_hoses_are_told_and_carry_no_verdict() -> None:
    plain = pitot(zero_after=0.0)
    swapped = pitot_traverse(
        replace(plain, readings=tuple(replace(r, value=-r.value) for r in plain.readings))
    )
    assert Code.SWAPPED_HOSES in _codes(swapped)
    assert not swapped.verdict_allowed
    assert swapped.flow.value == pytest.approx(pitot_traverse(plain).flow.value)
    remark = swapped.remark(Code.SWAPPED_HOSES)
    assert remark is not None
    assert remark.numbers["mean"] < 0.0


def test_some_negative_readings_count_as_zero_and_spoil_the_distribution() -> None:
    values = list(readings())
    values[7] = replace(values[7], value=-3.0)
    result = pitot_traverse(pitot(readings=tuple(values)))
    assert {Code.NEGATIVE_READINGS, Code.BAD_DISTRIBUTION} <= _codes(result)
    assert result.points[7].velocity == 0.0
    remark = result.remark(Code.NEGATIVE_READINGS)
    assert remark is not None
    assert remark.points == ("B3",)
    assert "Weak readings" in [row.name for row in result.flow.budget]


def test_readings_near_zero_have_a_finite_uncertainty() -> None:
    still = tuple(replace(r, value=0.0) for r in readings())
    result = pitot_traverse(pitot(readings=still, zero_after=0.0))
    assert result.flow.value == pytest.approx(0.0, abs=1e-9)
    assert 0.0 < result.flow.u < 0.5
    assert {Code.LOW_VELOCITY, Code.NEAR_RESOLUTION} <= _codes(result)


@given(st.floats(-5.0, 50.0), st.floats(0.01, 3.0))
def test_uncertainty_of_a_weak_root(value: float, u: float) -> None:
    found = weak_root_u(value, u)
    assert 0.0 <= found <= 0.5 * math.sqrt(2.0 * (abs(value) + 2.0 * u))
    if value > 10.0 * u:
        assert found == pytest.approx(u / math.sqrt(2.0 * value), rel=0.02)


def test_missing_and_doubled_points() -> None:
    some = (*readings()[:23], readings()[0])
    result = pitot_traverse(pitot(readings=some))
    missing, doubled = result.remark(Code.POINTS_MISSING), result.remark(Code.POINTS_DOUBLED)
    assert missing is not None
    assert doubled is not None
    assert (missing.points, doubled.points) == (("E4", "E5"), ("A1",))
    assert missing.numbers == {"missing": 2, "expected": 25}
    assert result.flow.u > pitot_traverse(pitot()).flow.u


def test_a_doubled_point_weighs_no_more_than_another() -> None:
    doubled = (*readings(), readings()[0])
    assert pitot_traverse(pitot(readings=doubled)).flow.value == pytest.approx(
        pitot_traverse(pitot()).flow.value
    )


def test_runs_that_disagree() -> None:
    second = tuple(replace(r, run=2, value=r.value * 1.2) for r in readings())
    result = pitot_traverse(pitot(readings=(*readings(), *second)))
    remark = result.remark(Code.RUNS_DISAGREE)
    assert remark is not None
    assert remark.numbers["spread"] == pytest.approx(0.0912, abs=0.002)
    rows = {row.name: row for row in result.flow.budget}
    assert rows["Repeatability of runs"].share > 0.5
    assert rows["Repeatability of runs"].dof == 1.0
    assert result.flow.k > 3.0
    assert [r.run for r in result.runs] == [1, 2]
    assert result.runs[1].flow == pytest.approx(result.runs[0].flow * math.sqrt(1.2), rel=0.01)


def test_readings_whose_zero_nobody_checked_are_taken_as_shown() -> None:
    shown, checked = (pitot_traverse(pitot(zero_before=z, zero_after=z)).flow for z in (None, 0.0))
    assert (shown.value, shown.u) == (checked.value, checked.u)


def test_zero_that_moved_is_taken_off_and_told() -> None:
    moved = pitot_traverse(pitot(zero_before=0.0, zero_after=4.0))
    remark = moved.remark(Code.ZERO_SHIFT)
    assert remark is not None
    assert remark.numbers["shift"] == 4.0
    shifted = tuple(replace(r, value=r.value - 2.0) for r in readings())
    same = pitot_traverse(pitot(readings=shifted, zero_before=0.0, zero_after=0.0))
    assert moved.flow.value == pytest.approx(same.flow.value)
    assert Code.ZERO_NOT_CHECKED in _codes(pitot_traverse(pitot(zero_after=None)))


def test_remarks_on_plane_points_instrument_and_speed() -> None:
    assert Code.POOR_PLANE in _codes(pitot_traverse(pitot(upstream=0.5)))
    assert Code.PLANE_NOT_MEASURED in _codes(pitot_traverse(pitot(upstream=None)))
    few = pitot_traverse(pitot(readings=readings(4, 4), rule=Rule.LOG_TCHEBYCHEFF, holes=4, rows=4))
    assert Code.TOO_FEW_POINTS in _codes(few)
    assert Code.NO_LAYOUT in _codes(pitot_traverse(pitot(rule=None)))
    assert Code.NO_CERTIFICATE in _codes(pitot_traverse(pitot(instrument=Instrument(resolution=0.1))))
    high = tuple(replace(r, value=4000.0) for r in readings())
    fast = pitot_traverse(pitot(readings=high, instrument=PERFECT))
    assert {Code.IMPLAUSIBLE_VELOCITY, Code.COMPRESSIBLE} <= _codes(fast)
    outside = tuple(replace(r, value=250.0) for r in readings())
    assert Code.OUTSIDE_CERTIFICATE in _codes(pitot_traverse(pitot(readings=outside)))
    strict = pitot_traverse(pitot(limits=Limits(distribution_share=1.0)))
    assert Code.BAD_DISTRIBUTION in _codes(strict)


def test_a_clean_traverse_has_only_the_remarks_that_inform() -> None:
    clean = pitot_traverse(pitot(readings=readings(runs=2)))
    assert _codes(clean) == {Code.ROOT_OF_MEAN_BIAS}


def test_allowances_are_used() -> None:
    given_by_company = pitot_traverse(
        pitot(allowances=Allowances(plane=0.05, integration=0.01, alignment=0.0))
    )
    rows = {row.name: row.u for row in given_by_company.flow.budget}
    assert rows["Measuring plane"] == 0.05
    assert rows["Number and placing of points"] == 0.01
    assert rows["Alignment"] == 0.0


def test_scatter_of_readings_is_type_a() -> None:
    noisy = tuple(replace(r, scatter=3.0, samples=10) for r in readings())
    rows = {row.name: row for row in pitot_traverse(pitot(readings=noisy)).flow.budget}
    assert rows["Fluctuation"].u == pytest.approx(3.0 / math.sqrt(10.0))
    assert rows["Fluctuation"].dof == 9.0
    judged = tuple(replace(r, scatter=3.0) for r in readings())
    rows = {row.name: row for row in pitot_traverse(pitot(readings=judged)).flow.budget}
    assert rows["Fluctuation"].dof == 5.0


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"readings": ()}, "readings"),
        ({"readings": (PointReading(1, 1, math.nan),)}, "readings[0]"),
        ({"readings": (PointReading(1, 1, math.inf),)}, "readings[0]"),
        ({"readings": (PointReading(6, 1, 50.0),)}, "readings[0]"),
        ({"readings": (PointReading(0, 1, 50.0),)}, "readings[0]"),
        ({"readings": (PointReading(1, 1, 500.0),)}, "readings[0]"),
        ({"air": Air(-3.0, 98_000.0)}, "air.temperature"),
        ({"air": Air(21.0, 98_000.0)}, "temperature"),
        ({"air": Air(294.0, -98_000.0)}, "air.barometer"),
        ({"air": Air(294.0, 98_000.0, humidity=45.0)}, "air.humidity"),
        ({"air": Air(294.0, 98_000.0, static_pressure=-99_000.0)}, "air.static_pressure"),
        ({"probe": Estimate(0.0, 0.01)}, "probe"),
        ({"probe": Estimate(1.0, -0.01)}, "probe.u"),
        ({"standard_density": 0.0}, "standard_density"),
        ({"zero_before": math.nan}, "zero"),
        ({"upstream": -1.0}, "upstream"),
        ({"allowances": Allowances(plane=-0.1)}, "plane"),
    ],
)
def test_refusals_name_the_input(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        pitot_traverse(pitot(**changes))
    assert caught.value.input == named


def test_sonic_readings_are_refused() -> None:
    fast = tuple(replace(r, value=95_000.0) for r in readings())
    with pytest.raises(Refused, match="sonic"):
        pitot_traverse(pitot(readings=fast, instrument=PERFECT))


def test_round_duct_and_its_picture() -> None:
    values = readings(2, 10)
    result = pitot_traverse(pitot(duct=ROUND, readings=values, rule=Rule.LOG_LINEAR, holes=2, rows=10))
    picture = velocity_map(result, ROUND)
    assert picture is not None
    assert len(picture.points) == 20
    assert all(0.0 < p.u < 1.0 and 0.0 < p.v < 1.0 for p in picture.points)
    assert picture.lowest <= picture.mean <= picture.highest
    assert picture.points[0].v < 0.1  # A1 is nearest to the first hole, at the top
    assert velocity_map(pitot_traverse(pitot(rule=None)), RECTANGULAR) is None


def test_verdict_of_a_traverse() -> None:
    result = pitot_traverse(pitot())
    design = result.flow.value
    sure = judge(result.flow, tolerance_of(design, -0.1, 0.1), design=design)
    assert (sure.verdict, sure.share) == (Verdict.PASS, pytest.approx(1.0))
    edge = judge(
        result.flow,
        tolerance_of(design * 1.11, -0.1, 0.1),
        rule=AcceptanceRule(DecisionRule.GUARDED),
    )
    assert edge.verdict is Verdict.CONDITIONAL_PASS
    assert not edge.accepted


def test_the_certificate_in_force_changes_the_figure() -> None:
    off = Instrument(
        certificate=tuple(replace(p, reference=p.reference * 1.05) for p in MANOMETER.certificate)
    )
    ratio = pitot_traverse(pitot(instrument=off)).flow.value / pitot_traverse(pitot()).flow.value
    assert ratio == pytest.approx(math.sqrt(1.05), rel=1e-3)


def test_scatter_is_not_counted_again_when_runs_show_it() -> None:
    noisy = tuple(replace(r, scatter=3.0, samples=10) for r in readings(runs=2))
    names = [row.name for row in pitot_traverse(pitot(readings=noisy)).flow.budget]
    assert "Fluctuation" not in names
    assert "Fluctuation between runs" in names


def test_a_strongly_negative_reading_is_told_not_refused() -> None:
    values = list(readings())
    values[3] = replace(values[3], value=-180.0)
    remark = pitot_traverse(pitot(readings=tuple(values))).remark(Code.NEGATIVE_READINGS)
    assert remark is not None
    assert remark.numbers == {"count": 1, "lowest": pytest.approx(-180.15)}


def test_equal_areas_tell_their_bias_and_hold_the_true_flow() -> None:
    layout = make_layout(RECTANGULAR, Rule.EQUAL_AREA)
    rows = tuple(
        PointReading(p.hole + 1, p.row, 100.0 * profile(RECTANGULAR, p.x, p.y) ** 2) for p in layout.points
    )
    plain = pitot(readings=rows, rule=Rule.EQUAL_AREA, holes=None, rows=None, instrument=PERFECT)
    left_in = pitot_traverse(plain)
    corrected = pitot_traverse(replace(plain, integration_corrected=True))
    true = math.sqrt(200.0 / left_in.density.value) * (7.0 / 8.0) ** 2 * RECTANGULAR.area
    remark = left_in.remark(Code.INTEGRATION_BIAS)
    assert remark is not None
    assert remark.numbers["bias"] == pytest.approx(0.035, abs=0.005)
    assert corrected.flow.value == pytest.approx(left_in.flow.value / (1.0 + remark.numbers["bias"]))
    for result in (left_in, corrected):
        assert abs(result.flow.value - true) <= result.flow.U
        assert sum(row.share for row in result.flow.budget) == pytest.approx(1.0)
    assert corrected.flow.U < 0.7 * left_in.flow.U
    names = {row.name for row in left_in.flow.budget}
    assert "Bias of equal weights, left in" in names
    assert "Bias of equal weights, left in" not in {row.name for row in corrected.flow.budget}
    told = corrected.remark(Code.INTEGRATION_BIAS)
    assert told is not None
    assert (told.numbers["corrected"], remark.numbers["corrected"]) == (1.0, 0.0)
    assert sum(p.share for p in corrected.points) == pytest.approx(len(layout.points))
    assert corrected.runs[0].flow == pytest.approx(corrected.flow.value, rel=0.02)


def test_rules_made_for_wall_laws_have_no_bias_to_tell() -> None:
    assert Code.INTEGRATION_BIAS not in _codes(pitot_traverse(pitot()))
    placing = point_placing(make_layout(RECTANGULAR, Rule.LOG_TCHEBYCHEFF), _even(5, 5))
    assert abs(placing.bias) < 0.005
    assert not placing.told


def _even(holes: int, rows: int, swing: float = 0.0) -> dict[tuple[int, int], float]:
    return {(h, r): 10.0 + swing * (-1.0) ** (h + r) for h in range(1, holes + 1) for r in range(1, rows + 1)}


def test_structure_between_the_points_widens_the_interval() -> None:
    layout = make_layout(RECTANGULAR, Rule.LOG_TCHEBYCHEFF)
    smooth, rough = (point_placing(layout, _even(5, 5, swing)) for swing in (0.0, 1.0))
    assert rough.u > 2.0 * smooth.u
    assert rough.bias == smooth.bias
    assert rough.dof < 60.0
    known = point_placing(layout, _even(5, 5, 1.0), Unsteady(0.5))
    assert known.u < 0.5 * rough.u
    assert known.dof == math.inf
    assert point_placing(layout, {p: 3.0 * v for p, v in _even(5, 5, 1.0).items()}).u == pytest.approx(
        rough.u
    )


def test_points_without_a_smooth_profile_still_have_an_uncertainty() -> None:
    layout = make_layout(RECTANGULAR, Rule.LOG_TCHEBYCHEFF)
    turned = {**_even(5, 5), (1, 1): 0.0}
    assert point_placing(layout, turned).u > 3.0 * point_placing(layout, _even(5, 5)).u


@pytest.mark.parametrize("power", [1 / 5, 1 / 7, 1 / 10])
@pytest.mark.parametrize("rule", [Rule.EQUAL_AREA, Rule.LOG_TCHEBYCHEFF])
def test_bias_on_the_nearest_wall_law_by_a_fine_grid(power: float, rule: Rule) -> None:
    layout = make_layout(RECTANGULAR, rule)
    a, b, n = RECTANGULAR.width, RECTANGULAR.depth, 400
    t = (np.arange(n) + 0.5) / n
    t = 0.5 * (1.0 - np.cos(math.pi * t))
    weight = np.sin(math.pi * (np.arange(n) + 0.5) / n)
    x, y = np.meshgrid(a * t, b * t, indexing="ij")
    near = np.minimum(np.minimum(x, a - x), np.minimum(y, b - y))
    true = float((np.outer(weight, weight) * near**power).sum() / weight.sum() ** 2)
    mean = sum(min(p.x, a - p.x, p.y, b - p.y) ** power for p in layout.points) / len(layout.points)
    assert nearest_wall_bias(layout, power) == pytest.approx(mean / true - 1.0, abs=2e-5)


def test_one_run_pays_an_allowance_until_other_planes_tell() -> None:
    rows = {row.name: row for row in pitot_traverse(pitot()).flow.budget}
    assert rows["Single run (allowance)"].u == 0.005
    others = pooled_repeatability([[1.0, 1.01], [2.0, 1.99, 2.01], [3.0]])
    assert others is not None
    assert others.dof == 3.0
    s = math.sqrt((2 * (0.005 / 1.005) ** 2 + 2 * 0.005**2) / 3.0)
    assert others.u == pytest.approx(s)
    rows = {row.name: row for row in pitot_traverse(pitot(run_repeatability=others)).flow.budget}
    assert rows["Repeatability of runs, pooled"].u == pytest.approx(others.u)
    assert rows["Repeatability of runs, pooled"].dof == 3.0
    assert "Single run (allowance)" not in rows


def test_own_runs_join_those_of_other_planes() -> None:
    plain = pitot(readings=readings(runs=2))
    found = pitot_traverse(replace(plain, run_repeatability=Estimate(1.0, 0.004, 7.0)))
    own = pooled_repeatability([[r.flow for r in found.runs]])
    assert own is not None
    rows = {row.name: row for row in found.flow.budget}
    pooled = rows["Repeatability of runs, pooled"]
    assert pooled.dof == 8.0
    assert pooled.u == pytest.approx(math.sqrt((7 * 0.004**2 + own.u**2) / 8.0 / 2.0))
    assert not {"Fluctuation between runs", "Repeatability of runs"} & set(rows)


def test_planes_with_one_run_tell_nothing_of_repeatability() -> None:
    assert pooled_repeatability([[1.0], [2.0]]) is None
    assert pooled_repeatability([]) is None
    with pytest.raises(Refused) as caught:
        pooled_repeatability([[1.0, 2.0], [1.0, -1.0]])
    assert caught.value.input == "runs[1]"
    for bad in (Estimate(1.0, -0.1, 5.0), Estimate(1.0, 0.1, 0.0)):
        with pytest.raises(Refused, match="run_repeatability"):
            pitot_traverse(pitot(run_repeatability=bad))


def test_scatter_is_not_counted_again_as_structure() -> None:
    rows = tuple(replace(r, value=60.0 + 8.0 * (-1.0) ** (r.hole + r.row)) for r in readings())
    bare = {r.name: r.u for r in pitot_traverse(pitot(readings=rows)).flow.budget}
    noisy = pitot(readings=tuple(replace(r, scatter=20.0, samples=4) for r in rows))
    told = {r.name: r.u for r in pitot_traverse(noisy).flow.budget}
    assert told["Number and placing of points"] < 0.7 * bare["Number and placing of points"]
    assert told["Fluctuation"] == pytest.approx(10.0)


def test_a_bad_distribution_costs_the_plane() -> None:
    uneven = tuple(replace(r, value=2.0 if r.hole < 3 else 90.0) for r in readings())
    even, bad = (
        {r.name: r.u for r in pitot_traverse(pitot(readings=v)).flow.budget}["Measuring plane"]
        for v in (readings(), uneven)
    )
    assert bad > 2.0 * even


def test_one_place_near_a_disturbance_tells_little() -> None:
    def relative_U(**lengths: float) -> float:
        return centreline_reading(centreline(**lengths)).flow.relative_U

    good = relative_U(upstream=9.0, downstream=9.0)
    near = relative_U(upstream=0.3, downstream=0.3)
    assert good == pytest.approx(0.13, abs=0.02)
    assert near > 0.2
    assert good < relative_U() < near
    with pytest.raises(Refused) as caught:
        centreline_reading(centreline(upstream=-1.0, downstream=1.0))
    assert caught.value.input == "upstream"


def _section_places(duct: Duct) -> np.ndarray:
    """Some 600 places of equal areas, by half widths and half depths from where `Point` counts."""
    if duct.shape is Shape.ROUND:
        k = np.arange(600) + 0.5
        turned = k * math.pi * (3.0 - math.sqrt(5.0))
        return np.stack([np.cos(turned), np.sin(turned)], axis=1) * np.sqrt(k / 600.0)[:, None]
    side = (2.0 * np.arange(24) + 1.0) / 24.0
    places = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    if duct.shape is Shape.RECTANGULAR:
        return np.asarray(places)
    r = duct.depth / 2.0
    x, y = places[:, 0] * duct.width / 2.0, places[:, 1] * r
    return np.asarray(places[np.hypot(x - np.clip(x, r, duct.width - r), y - r) <= r])


def _unseen_structure(layout: Layout, length: float) -> float:
    """What the points' mean misses of structure without a preferred place, over what their residuals about a
    smooth profile make of it by chance: correlated as exp(-d^2 / 2 l^2), l in half widths of the duct.
    """
    weights = fitted._weights(layout.duct, layout.rule, len(layout.holes), layout.rows, ())
    a, b = layout.duct.width / 2.0, layout.duct.depth / 2.0
    at = np.array([(p.x / a, p.y / b) for p in layout.points])
    of = _section_places(layout.duct)

    def alike(one: np.ndarray, two: np.ndarray) -> np.ndarray:
        square = ((one[:, None, :] - two[None, :, :]) ** 2).sum(axis=2)
        return np.asarray(np.exp(-0.5 * square / length**2))

    between = alike(at, at)
    missed = float(between.mean() - 2.0 * alike(at, of).mean() + alike(of, of).mean())
    seen = 0.0
    for family in weights.families:
        rest = np.array(family.rest)
        seen += float(np.trace(rest @ between @ rest.T)) / (len(at) - family.terms) / 4.0
    return math.sqrt(len(at) * missed / seen)


@pytest.mark.parametrize(
    ("duct", "rule", "holes", "rows", "own"),
    [
        (RECTANGULAR, Rule.EQUAL_AREA, None, None, UNSEEN_EVEN),
        (RECTANGULAR, Rule.LOG_TCHEBYCHEFF, None, None, UNSEEN[Shape.RECTANGULAR]),
        (Duct(Shape.FLAT_OVAL, 0.7, 0.3), Rule.EQUAL_AREA, None, None, UNSEEN[Shape.FLAT_OVAL]),
        (ROUND, Rule.LOG_LINEAR, 2, 6, UNSEEN_ROUND[2] * 6),
        (ROUND, Rule.LOG_LINEAR, 2, 8, UNSEEN_ROUND[2] * 8),
        (ROUND, Rule.LOG_LINEAR, 2, 10, UNSEEN_ROUND[2] * 10),
        (ROUND, Rule.EQUAL_AREA, 2, 10, UNSEEN_ROUND[2] * 10),
        (ROUND, Rule.LOG_LINEAR, 3, 6, UNSEEN_ROUND[3] * 6),
        (ROUND, Rule.LOG_LINEAR, 3, 10, UNSEEN_ROUND[3] * 10),
    ],
)
def test_what_points_miss_of_structure_is_about_what_is_computed(
    duct: Duct, rule: Rule, holes: int | None, rows: int | None, own: float
) -> None:
    """Structure over an eighth to a third of the duct: the figure lies above four fifths of what is usual and
    not more than a tenth beyond the largest computed.
    """
    layout = make_layout(duct, rule, holes=holes, points_per_hole=rows)
    computed = [_unseen_structure(layout, length) for length in (0.25, 0.35, 0.5, 0.7)]
    assert 0.8 * sum(computed[:3]) / 3.0 < own < 1.1 * max(computed)


def test_behind_a_disturbance_the_known_bias_is_that_of_flatter_profiles() -> None:
    layout = make_layout(RECTANGULAR, Rule.EQUAL_AREA)
    velocities = {(p.hole + 1, p.row): profile(RECTANGULAR, p.x, p.y) for p in layout.points}
    near, far = (point_placing(layout, velocities, flattest=n) for n in (FLAT, 10.0))
    flattest = pattern_biases(RECTANGULAR, layout.points, (FLAT,))[0]
    assert flattest < near.bias < far.bias
    assert near.u > far.u
    plain = pitot(rule=Rule.EQUAL_AREA, holes=5, rows=5, integration_corrected=True)
    good, poor = (pitot_traverse(replace(plain, upstream=up, downstream=3.0)) for up in (8.0, 0.7))
    assert good.flow.value < poor.flow.value


def test_the_flattest_profile_comes_with_the_length_and_without_a_jump() -> None:
    d = RECTANGULAR.hydraulic_diameter
    powers = [flattest_power(plane_quality(RECTANGULAR, k * d / 4.0, 3.0)) for k in range(80)]
    assert (powers[0], powers[-1]) == (FLAT, 10.0)
    assert all(0.0 <= a - b <= 1.0 for a, b in pairwise(powers))
    assert flattest_power(plane_quality(RECTANGULAR, None, 3.0)) == FLAT
    assert flattest_power(plane_quality(RECTANGULAR, 20.0 * d, 3.0, distribution=0.5)) == FLAT


@pytest.mark.parametrize("reynolds", [1e5, 3e5])
def test_layers_that_begin_anew_are_as_flat_as_is_reckoned_with(reynolds: float) -> None:
    """Layers of 0.37 x Re_x^(-1/5) with a 1/7 law around a plain core (textbooks on boundary layers, memory):
    the ratio of the circle's mean to its diameter's is 2 n / (2 n + 1) of a power law. From 7.5 diameters on
    that n is hardly above the flattest reckoned with; close behind a disturbance it goes beyond.
    """
    d = 0.5
    y = (np.arange(20_000) + 0.5) / 20_000

    def power(length: float) -> float:
        layer = 2.0 * 0.37 * length * (reynolds * length) ** -0.2  # over the radius
        v = np.minimum(y / layer, 1.0) ** (1.0 / 7.0)
        ratio = float((2.0 * (1.0 - y) * v).mean() / v.mean())
        return ratio / (2.0 * (1.0 - ratio))

    for length in (7.5, 10.0, 15.0):
        plane = plane_quality(Duct(Shape.ROUND, d), length * d, 3.0 * d)
        assert power(length) <= 1.15 * flattest_power(plane)
    assert power(2.0) > FLAT


def test_turbulence_of_a_single_run_goes_into_the_mean_as_chance() -> None:
    """Residuals of twice the usual: the usual part counts once, the rest as structure."""
    assert Unsteady(UNSTEADY, counted=False).parts((2.0 * UNSTEADY) ** 2, 16.0) == pytest.approx(
        (UNSTEADY**2, 3.0 * UNSTEADY**2)
    )
    assert Unsteady(UNSTEADY, counted=False).parts(1e-4, 16.0) == pytest.approx((1e-4, 0.0))


def test_structure_is_what_repeats_do_not_explain() -> None:
    """By drawing: residuals of nothing but noise leave next to no structure; real structure remains."""
    draw = np.random.default_rng(6)
    residual = 0.02**2 * draw.chisquare(16.0, 20_000) / 16.0
    repeats = 0.02 * np.sqrt(draw.chisquare(24.0, 20_000) / 24.0)
    parts = [
        Unsteady(u, 24.0).parts(r, 16.0) for u, r in zip(repeats.tolist(), residual.tolist(), strict=True)
    ]
    assert all(chance == 0.0 for chance, _ in parts)
    assert sum(s for _, s in parts) / 20_000 < 0.1 * 0.02**2
    cut = np.maximum(residual - repeats**2, 0.0).mean()
    assert sum(s for _, s in parts) / 20_000 < 0.5 * cut
    assert Unsteady(0.02, 24.0).parts(0.05**2, 16.0)[1] == pytest.approx(
        0.05**2 - 0.02**2 * (1.0 + math.sqrt(2.0 / 16.0 + 2.0 / 24.0))
    )


def test_a_bias_left_in_adds_to_what_swirl_adds() -> None:
    high, low = Placing(0.006, 0.01, math.inf), Placing(-0.006, 0.01, math.inf)
    assert low.u_uncorrected(0.012) == pytest.approx(math.hypot(0.006, 0.01))
    assert high.u_uncorrected(0.012) ** 2 == pytest.approx(
        low.u_uncorrected(0.012) ** 2 + 2.0 * 0.006 * ONE_SIDED * 0.012
    )


def test_what_a_plane_costs_halves_along_the_duct() -> None:
    d = RECTANGULAR.hydraulic_diameter
    u = [point_plane(RECTANGULAR, k * 2.5 * d, 3.0 * d, ()).relative_u for k in range(4)]
    steps = [a - b for a, b in pairwise(u)]
    assert [b / a for a, b in pairwise(steps)] == pytest.approx([0.5, 0.5])
    assert u[0] == pytest.approx(0.019)


def test_a_bias_that_is_not_told_is_not_taken_off() -> None:
    for rule in (Rule.LOG_TCHEBYCHEFF, Rule.LOG_LINEAR):
        duct = RECTANGULAR if rule is Rule.LOG_TCHEBYCHEFF else ROUND
        layout = make_layout(duct, rule)
        rows = tuple(PointReading(p.hole + 1, p.row, 50.0) for p in layout.points)
        case = pitot(duct=duct, rule=rule, holes=None, rows=None, readings=rows)
        plain, corrected = (
            pitot_traverse(replace(case, integration_corrected=one)).flow for one in (False, True)
        )
        assert (corrected.value, corrected.u) == (plain.value, plain.u)
