"""Pumps: head by hand, one gauge's errors, the curve and its flow, shut-off head, powers."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator  # type: ignore[import-untyped]

from measurements.calc.distributions import Distribution
from measurements.calc.errors import Refused
from measurements.calc.instrument import Accuracy, CertificatePoint, Instrument
from measurements.calc.method import Code, Estimate
from measurements.calc.motor import Supply
from measurements.calc.places import Readings, same_instrument, take_mean
from measurements.calc.plan import Sharing
from measurements.calc.pump import pump_test
from measurements.calc.pump_curve import pump_curve
from measurements.calc.pump_model import (
    PumpLimits,
    PumpPoint,
    PumpTest,
    at_speed,
    pipe_velocity,
    pump_model,
    total_head,
    water_power,
)
from measurements.calc.records import from_plain, to_plain
from measurements.calc.simulate import monte_carlo
from measurements.calc.uncertainty import Effect
from measurements.calc.water import Fluid, FluidKind, density, resolve_liquid

GAUGE = Instrument(
    certificate=(CertificatePoint(-50_000.0, -50_000.0, 1_500.0), CertificatePoint(6e5, 6.02e5, 3_000.0)),
    resolution=1_000.0,
    drift_absolute=1_000.0,
    low=-100_000.0,
    high=1e6,
)
EXACT = Instrument(certificate=(CertificatePoint(-1e5, -1e5, 0.0), CertificatePoint(1e6, 1e6, 0.0)))
THERMOMETER = Instrument(accuracy=Accuracy(absolute=0.5), resolution=0.1)
METER = Instrument(accuracy=Accuracy(of_reading=0.01), resolution=0.1)
FLOWS = (0.0, 0.005, 0.010, 0.015, 0.020, 0.025)
HEADS = (30.0, 29.6, 28.4, 26.2, 23.0, 18.6)


def gauge(*values: float, by: str = "gauge", instrument: Instrument = GAUGE) -> Readings:
    return Readings(values, instrument, by)


def meter(*values: float) -> Readings:
    return Readings(values, METER, "analyser")


def trial(**changes: object) -> PumpTest:
    plain = PumpTest(
        gauge(50_000.0),
        gauge(290_000.0),
        suction_height=0.5,
        discharge_height=0.9,
        suction_diameter=0.128,
        discharge_diameter=0.102,
        flow=Estimate(0.0185, 0.0004),
        temperature=Readings((283.15,), THERMOMETER, "t"),
        shut_off_suction=gauge(55_000.0),
        shut_off_discharge=gauge(346_000.0),
        curve_flow=FLOWS,
        curve_head=HEADS,
        curve_speed=24.5,
        speed=Readings((24.4,), Instrument(accuracy=Accuracy(absolute=0.02)), "stroboscope"),
        voltage=meter(401.0, 399.0, 400.0),
        current=meter(11.4, 11.5, 11.6),
        power_factor=Readings((0.84,), Instrument(accuracy=Accuracy(absolute=0.01)), "analyser"),
        nameplate_power=7_500.0,
        nameplate_current=14.5,
        motor_efficiency=Estimate(0.89, 0.01),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_pump_by_hand() -> None:
    result = pump_test(
        trial(suction=gauge(50_000.0, instrument=EXACT), discharge=gauge(290_000.0, instrument=EXACT))
    )
    thick = density(Fluid(), 283.15)
    v1, v2 = (0.0185 / (math.pi / 4.0 * d * d) for d in (0.128, 0.102))
    head = 240_000.0 / (thick * 9.80665) + 0.4 + (v2 * v2 - v1 * v1) / (2.0 * 9.80665)
    assert result.measurand == "head"
    assert result.main.value == pytest.approx(head, rel=1e-12)
    power = thick * 9.80665 * 0.0185 * head
    electrical = math.sqrt(3.0) * 400.0 * 11.5 * 0.84
    found = {name: r.value for name, r in result.results.items()}
    assert found["water_power"] == pytest.approx(power)
    assert found["electrical_power"] == pytest.approx(electrical)
    assert found["shaft_power"] == pytest.approx(0.89 * electrical)
    assert found["efficiency"] == pytest.approx(power / (0.89 * electrical))
    assert found["overall_efficiency"] == pytest.approx(power / electrical)
    ratio = 24.4 / 24.5
    curve = pump_curve(FLOWS, HEADS)
    assert curve.head(found["flow_on_curve"] / ratio) * ratio**2 == pytest.approx(head, rel=1e-9)
    assert result.classes == {"shut_off": "as_curve", "flow_from": "measured"}
    assert result.verdict_allowed
    for r in result.results.values():
        assert sum(row.share for row in r.budget) == pytest.approx(1.0, abs=1e-9)


def test_one_gauge_at_both_places_is_surer_than_two() -> None:
    same = pump_test(trial())
    other = pump_test(trial(discharge=gauge(290_000.0, by="another gauge")))
    assert same.main.value == other.main.value
    assert same.main.u < other.main.u
    assert same.results["shut_off_head"].u < same.main.u * 2.0


def test_first_order_agrees_with_simulation() -> None:
    """One gauge at both places, the flow read from the curve: the longest chain of the model."""
    inputs = trial(flow=None, suction_diameter=None, discharge_diameter=None, limits=PumpLimits(height=0.0))
    result = pump_test(inputs)
    suction = take_mean(inputs.suction, "suction", "s")
    discharge = take_mean(inputs.discharge, "discharge", "d")
    state = resolve_liquid(inputs.fluid, inputs.temperature)
    curve = pump_curve(FLOWS, HEADS)
    ratio = 24.4 / 24.5
    there = result.main.value / ratio**2
    slope = (there - curve.head(curve.flow_at(there) + 1e-6)) / -1e-6
    ones = ("shut_off_suction", "shut_off_discharge", "voltage", "current", "power", "power_factor")
    values = {
        **dict.fromkeys((*ones, "curve_factor", "motor_efficiency"), 1.0),
        **dict.fromkeys(("flow", "velocity_term"), 0.0),
        "suction": suction.value,
        "discharge": discharge.value,
        "height": 0.4,
        **state.values,
        "curve_flow": curve.flow_at(there),
        "curve_head": there,
        "curve_slope": slope,
        "speed_ratio": ratio,
    }
    limits = Effect("curve", "curve_factor", 0.05 / math.sqrt(3.0), Sharing.COMMON)
    speed = Effect("speed", "speed_ratio", 0.02 / 24.5 / math.sqrt(3.0), Sharing.COMMON)
    effects = [
        replace(e, distribution=Distribution.NORMAL)
        for e in (*suction.effects, *discharge.effects, *state.effects, limits, speed)
    ]
    model = pump_model(state.liquid.density, False, False)
    for name, near in (("head", 0.01), ("flow_on_curve", 0.04), ("water_power", 0.04)):
        drawn = monte_carlo(
            model,
            values,
            effects,
            output=name,
            correlations=same_instrument(suction, discharge),
            trials=60_000,
        )
        assert drawn.value == pytest.approx(result.results[name].value, rel=5e-3)
        assert drawn.u == pytest.approx(result.results[name].u, rel=near)


@given(st.floats(0.3, 3.0), st.floats(1e-3, 0.1), st.floats(2.0, 80.0))
def test_affinity_laws_multiply(ratio: float, flow: float, head: float) -> None:
    there = at_speed(PumpPoint(flow, head, 1_000.0), ratio)
    back = at_speed(there, 1.0 / ratio)
    assert back.flow == pytest.approx(flow)
    assert back.head == pytest.approx(head)
    assert back.power == pytest.approx(1_000.0)
    assert water_power(there.flow, there.head, 998.0) == pytest.approx(
        water_power(flow, head, 998.0) * ratio**3
    )
    with pytest.raises(Refused):
        at_speed(there, 0.0)


@given(st.floats(-3e4, 2e5), st.floats(0.0, 30.0))
def test_the_datum_and_a_pressure_common_to_both_gauges_do_not_matter(more: float, datum: float) -> None:
    first = pump_test(
        trial(suction=gauge(50_000.0, instrument=EXACT), discharge=gauge(290_000.0, instrument=EXACT))
    )
    moved = pump_test(
        trial(
            suction=gauge(50_000.0 + more, instrument=EXACT),
            discharge=gauge(290_000.0 + more, instrument=EXACT),
            suction_height=0.5 + datum,
            discharge_height=0.9 + datum,
        )
    )
    assert moved.main.value == pytest.approx(first.main.value, rel=1e-9)


@pytest.mark.parametrize(
    "heads",
    [HEADS, (28.0, 29.5, 29.0, 26.0, 22.0, 17.0), (29.0, 29.2, 24.0, 20.0, 17.0, 15.0)],
)
def test_the_curve_is_the_monotone_cubic_of_scipy(heads: tuple[float, ...]) -> None:
    curve, judge = pump_curve(FLOWS, heads), PchipInterpolator(FLOWS, heads)
    for i in range(101):
        flow = 0.00025 * i
        assert curve.head(min(flow, 0.025)) == pytest.approx(float(judge(min(flow, 0.025))), rel=1e-12)


def test_two_points_make_a_straight_curve() -> None:
    line = pump_curve((0.005, 0.025), (30.0, 20.0))
    assert [line.head(q) for q in (0.005, 0.01, 0.025)] == pytest.approx([30.0, 27.5, 20.0])
    assert line.flow_at(22.5) == pytest.approx(0.02)


@pytest.mark.parametrize("flow", [0.0049, 0.0251, math.nan])
def test_no_head_is_read_off_outside_the_curve(flow: float) -> None:
    curve = pump_curve(FLOWS[1:], HEADS[1:])
    with pytest.raises(Refused, match="lies outside the curve") as caught:
        curve.head(flow)
    assert caught.value.input == "flow"


@given(st.floats(18.7, 29.9))
def test_flow_at_a_head_is_on_the_curve(head: float) -> None:
    curve = pump_curve(FLOWS, HEADS)
    flow = curve.flow_at(head)
    assert curve.head(flow) == pytest.approx(head, rel=1e-9)
    near = (curve.flow_at(head + 1e-4) - curve.flow_at(head - 1e-4)) / 2e-4
    assert 1.0 / curve.slope_over(head, 5e-5) == pytest.approx(near, rel=1e-6)
    assert curve.flow_at(head + 0.01) < flow


def test_the_flow_comes_from_the_curve_when_nobody_measured_it() -> None:
    result = pump_test(trial(flow=None))
    assert result.classes["flow_from"] == "curve"
    on_curve = result.results["flow_on_curve"]
    thick = result.density.value
    expected = thick * 9.80665 * on_curve.value * result.main.value
    assert result.results["water_power"].value == pytest.approx(expected)
    velocity = [pipe_velocity(on_curve.value, d) for d in (0.102, 0.128)]
    high, low = (take_mean(gauge(p), "suction", "gauge").value for p in (290_000.0, 50_000.0))
    assert result.main.value == pytest.approx(total_head(high - low, thick, 0.4, *velocity), rel=1e-6)
    rows = {row.name: row for row in on_curve.budget}
    assert rows["Maker's curve"].share > 0.5
    own = next(row for row in result.main.budget if row.name == "Flow in the velocity head")
    assert own.u == pytest.approx(rows["Maker's curve"].contribution, rel=1e-3)
    assert own.sensitivity == pytest.approx(
        2.0 * (velocity[0] ** 2 - velocity[1] ** 2) / 19.6133 / on_curve.value
    )


@pytest.mark.parametrize(
    ("suction", "discharge", "counts"),
    [(0.128, 0.102, True), (0.102, 0.128, True), (0.128, 0.128, False), (None, None, False)],
)
def test_a_flow_from_the_curve_matters_to_the_head_only_where_the_bores_differ(
    suction: float | None, discharge: float | None, counts: bool
) -> None:
    found = pump_test(trial(flow=None, suction_diameter=suction, discharge_diameter=discharge))
    assert ("Flow in the velocity head" in {row.name for row in found.main.budget}) == counts


def test_a_flat_curve_makes_the_flow_a_guess() -> None:
    steep = pump_test(trial(flow=None, curve_head=(60.0, 50.0, 40.0, 30.0, 20.0, 10.0)))
    flat = pump_test(trial(flow=None, curve_head=(26.0, 25.9, 25.6, 25.1, 24.4, 23.5)))
    assert steep.remark(Code.FLAT_CURVE) is None
    remark = flat.remark(Code.FLAT_CURVE)
    assert remark is not None
    assert remark.numbers["relative_U"] > 0.5
    top = pump_test(trial(flow=None, curve_head=(25.3, 25.2, 24.0, 21.0, 18.0, 14.0)))
    found = top.results["flow_on_curve"]
    ratio = 24.4 / 24.5
    by_speed = sum(r.share for r in found.budget if r.input == "speed_ratio")
    head_u = math.hypot(0.05 / math.sqrt(3.0) * top.main.value, top.main.u) / ratio**2
    curve = pump_curve(FLOWS, (25.3, 25.2, 24.0, 21.0, 18.0, 14.0))
    there = top.main.value / ratio**2
    width = curve.flow_at(there - 2.0 * head_u) - curve.flow_at(there + 2.0 * head_u)
    assert found.u * math.sqrt(1.0 - by_speed) == pytest.approx(0.25 * width * ratio, rel=0.02)


def test_beyond_the_end_of_the_curve_the_interval_goes_on_straight() -> None:
    line = pump_curve((0.0, 0.01, 0.02), (30.0, 25.0, 20.0))
    for head in (25.0, 20.5, 20.0):
        assert line.slope_over(head, 1.0) == pytest.approx(-500.0)
    assert line.slope_over(30.0, 1.0) == pytest.approx(-1_000.0)  # no flow below nothing: half the width


def test_heads_off_the_curve_and_two_flows_for_one_head() -> None:
    low = pump_test(trial(discharge=gauge(150_000.0)))
    remark = low.remark(Code.OUTSIDE_CURVE)
    assert remark is not None
    assert remark.numbers["head"] < remark.numbers["lowest"]
    assert "flow_on_curve" not in low.results
    assert low.results["water_power"].value > 0.0
    assert pump_test(trial(discharge=gauge(150_000.0), flow=None)).classes["flow_from"] == "none"
    drooping = pump_test(trial(curve_head=(24.0, 25.5, 25.0, 24.0, 21.0, 18.0)))
    assert drooping.remark(Code.AMBIGUOUS_CURVE) is not None
    assert pump_test(trial()).remark(Code.AMBIGUOUS_CURVE) is None


def test_a_measured_flow_that_is_not_on_the_curve() -> None:
    assert pump_test(trial()).remark(Code.FLOW_OFF_CURVE) is None
    remark = pump_test(trial(flow=Estimate(0.0105, 0.0002))).remark(Code.FLOW_OFF_CURVE)
    assert remark is not None
    assert remark.numbers["normalised"] > 1.0


def test_the_shut_off_head_tells_the_impeller() -> None:
    assert pump_test(trial()).remark(Code.SHUT_OFF_HEAD) is None
    trimmed = pump_test(trial(shut_off_discharge=gauge(290_000.0)))
    remark = trimmed.remark(Code.SHUT_OFF_HEAD)
    assert remark is not None
    assert trimmed.classes["shut_off"] == "low"
    expected = trimmed.results["shut_off_head"].value / (30.0 * (24.4 / 24.5) ** 2)
    assert remark.numbers["ratio"] == pytest.approx(expected)
    assert remark.numbers["impeller"] == pytest.approx(math.sqrt(expected))
    assert pump_test(trial(shut_off_discharge=gauge(400_000.0))).classes["shut_off"] == "high"
    later = pump_test(trial(curve_flow=FLOWS[1:], curve_head=HEADS[1:]))
    assert later.remark(Code.SHUT_OFF_NOT_ON_CURVE) is not None
    without = pump_test(trial(shut_off_suction=None, shut_off_discharge=None))
    assert without.classes["shut_off"] == "not_compared"
    assert "shut_off_head" not in without.results


def test_powers_as_far_as_the_readings_go() -> None:
    measured = pump_test(trial(power=meter(6_700.0)))
    assert measured.results["electrical_power"].value == pytest.approx(6_700.0)
    single = pump_test(trial(supply=Supply.SINGLE_PHASE))
    assert single.results["electrical_power"].value == pytest.approx(400.0 * 11.5 * 0.84)
    assert single.remark(Code.IMPOSSIBLE_EFFICIENCY) is not None
    unknown = pump_test(trial(power_factor=None))
    assert unknown.remark(Code.POWER_FACTOR_MISSING) is not None
    assert "overall_efficiency" not in unknown.results
    no_motor = pump_test(trial(motor_efficiency=None))
    assert "efficiency" not in no_motor.results
    assert "overall_efficiency" in no_motor.results
    over = pump_test(trial(nameplate_current=11.0, nameplate_power=5_000.0))
    assert {r.points for r in over.remarks if r.code is Code.PUMP_OVER_NAMEPLATE} == {
        ("current",),
        ("power",),
    }
    assert pump_test(trial()).remark(Code.PUMP_OVER_NAMEPLATE) is None


def test_velocity_head_and_speed_are_not_left_out_in_silence() -> None:
    assert pump_test(trial(suction_diameter=None)).remark(Code.VELOCITY_HEAD_LEFT_OUT) is not None
    bare = trial(flow=None, curve_flow=(), curve_head=())
    assert pump_test(bare).remark(Code.VELOCITY_HEAD_LEFT_OUT) is not None
    alike = replace(bare, discharge_diameter=0.128)
    assert pump_test(alike).remark(Code.VELOCITY_HEAD_LEFT_OUT) is None
    assert pump_test(trial(speed=None)).remark(Code.CURVE_SPEED_ASSUMED) is not None
    assert pump_test(trial()).remark(Code.CURVE_SPEED_ASSUMED) is None
    assert pump_test(bare).remark(Code.CURVE_SPEED_ASSUMED) is None


def test_gauges_the_wrong_way_round_carry_no_verdict() -> None:
    result = pump_test(trial(suction=gauge(290_000.0), discharge=gauge(50_000.0)))
    assert result.remark(Code.NEGATIVE_HEAD) is not None
    assert not result.verdict_allowed


def test_a_heavier_fluid_has_less_head_for_the_same_pressures() -> None:
    glycol = pump_test(trial(fluid=Fluid(FluidKind.ETHYLENE_GLYCOL, 0.4)))
    assert glycol.main.value < pump_test(trial()).main.value
    assert "Glycol share" in {row.name for row in glycol.main.budget}


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"suction": gauge()}, "suction"),
        ({"suction": gauge(-130_000.0)}, "suction"),
        ({"discharge": gauge(math.nan)}, "discharge[0]"),
        ({"suction_height": math.inf}, "suction_height"),
        ({"suction_diameter": 0.0}, "suction_diameter"),
        ({"discharge_diameter": -0.1}, "discharge_diameter"),
        ({"discharge_diameter": 102.0}, "discharge_diameter"),
        ({"curve_speed": 1_450.0}, "speed"),
        ({"flow": Estimate(-0.01, 0.0)}, "flow"),
        ({"temperature": Readings((20.0,), THERMOMETER)}, "temperature"),
        ({"shut_off_suction": None}, "shut_off_suction"),
        ({"curve_flow": ()}, "curve_flow"),
        ({"curve_flow": FLOWS[:-1]}, "curve_flow"),
        ({"curve_flow": (0.0, 0.005, 0.010, 0.015, 0.020, 0.020)}, "curve_flow[5]"),
        ({"curve_head": (30.0, 29.0, 29.5, 26.0, 22.0, 17.0)}, "curve_head[2]"),
        ({"curve_head": (30.0, 31.0, 32.0, 33.0, 34.0, 35.0)}, "curve_head"),
        ({"curve_head": (30.0, 29.0, 28.0, 26.0, 22.0, 0.0)}, "curve_head[5]"),
        ({"curve_speed": 0.0}, "curve_speed"),
        ({"power_factor": meter(1.4)}, "power_factor"),
        ({"voltage": meter(0.0)}, "voltage"),
        ({"motor_efficiency": Estimate(1.2, 0.0)}, "motor_efficiency"),
        ({"nameplate_power": 0.0}, "nameplate_power"),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        pump_test(trial(**changes))
    assert caught.value.input == named


def test_stored_and_read_back_it_is_the_same() -> None:
    inputs = trial()
    again = from_plain(PumpTest, to_plain(inputs))
    assert again == inputs
    assert pump_test(again).digest == pump_test(inputs).digest


@given(st.sampled_from([1.0, 60.0, 1_000.0, 3_600.0]), st.floats(0.0, 1.0))
def test_the_unit_of_flow_changes_no_curve(unit: float, share: float) -> None:
    """A curve in l/s is the curve in m3/s."""
    plain = pump_curve(FLOWS, HEADS)
    other = pump_curve(tuple(unit * q for q in FLOWS), HEADS)
    assert other.head(unit * share * 0.025) == pytest.approx(plain.head(share * 0.025), rel=1e-12)
    assert other.slopes == pytest.approx([s / unit for s in plain.slopes])


def test_an_interval_beyond_a_curve_that_ends_flat_stays_finite_and_falling() -> None:
    flat = pump_curve((0.0, 0.01, 0.02), (30.0, 10.0, 9.9))
    assert flat.slopes[-1] == 0.0
    for u in (0.01, 0.5, 5.0):
        slope = flat.slope_over(9.9, u)
        assert math.isfinite(slope)
        assert slope < 0.0


def test_a_reading_beyond_the_range_names_its_limits() -> None:
    high = Instrument(accuracy=Accuracy(absolute=1.0), low=0.0, high=100.0)
    (_, remark) = take_mean(Readings((90.0, 130.0), high), "p", "suction").remarks
    assert remark.code is Code.OUTSIDE_RANGE
    assert remark.points == ("suction",)
    assert remark.numbers == {"count": 1.0, "low": 0.0, "high": 100.0}
    (_, half) = take_mean(Readings((130.0,), replace(high, low=None)), "p", "suction").remarks
    assert half.numbers == {"count": 1.0, "high": 100.0}
