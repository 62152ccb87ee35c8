"""Fan laws, the speed for a wanted flow, motors and belt drives: laws of algebra, limits, refusals."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Estimate, Refused, Sharing
from measurements.calc.fan import (
    FanLimits,
    FanState,
    SpeedRefused,
    air_power,
    air_power_constant,
    fan_laws,
    fan_static_pressure,
    fan_total_pressure,
    inch_implied,
    laws_agree,
    propose_speed,
    required_speed,
    static_rise,
    system_pressure,
    velocity_pressure,
)
from measurements.calc.fan_curve import curve_piece, falling_branch
from measurements.calc.motor import (
    BeltDrive,
    belt_length,
    belt_length_handbook,
    belt_speed,
    centre_distance,
    current_at_power,
    phase_unbalance,
    poles_of,
    power_from_amps,
    sheave_change,
    sheave_for,
    slip,
    speed_with_slip,
    synchronous_speed,
)
from measurements.calc.simulate import monte_carlo
from measurements.calc.uncertainty import Effect

RATIO = st.floats(0.5, 2.0)
FLOWS = (0.0, 1.5, 3.0, 4.0, 5.0, 6.0)
PRESSURES = (900.0, 950.0, 850.0, 720.0, 520.0, 200.0)
NOW = FanState(
    speed=Estimate(15.0, 0.02, 20.0),
    flow=Estimate(4.0, 0.08, 30.0),
    pressure=Estimate(700.0, 6.0),
    power=Estimate(5000.0, 150.0),
    density=Estimate(1.2, 0.003),
)


def known(figure: Estimate | None) -> float:
    assert figure is not None
    return figure.value


@given(RATIO, RATIO, RATIO)
def test_laws_there_and_back(n: float, d: float, rho: float) -> None:
    there = fan_laws(NOW, speed_ratio=n, diameter_ratio=d, density_ratio=rho)
    back = fan_laws(there, speed_ratio=1.0 / n, diameter_ratio=1.0 / d, density_ratio=1.0 / rho)
    for name in ("speed", "flow", "pressure", "power", "density"):
        assert known(getattr(back, name)) == pytest.approx(known(getattr(NOW, name)))


@given(RATIO, RATIO, RATIO)
def test_laws_keep_the_efficiency(n: float, d: float, rho: float) -> None:
    there = fan_laws(NOW, speed_ratio=n, diameter_ratio=d, density_ratio=rho)

    def efficiency(state: FanState) -> float:
        return air_power(known(state.flow), known(state.pressure)) / known(state.power)

    assert efficiency(there) == pytest.approx(efficiency(NOW))


@given(RATIO, RATIO)
def test_laws_one_after_the_other(a: float, b: float) -> None:
    once = fan_laws(NOW, speed_ratio=a * b).power
    twice = fan_laws(fan_laws(NOW, speed_ratio=a), speed_ratio=b).power
    assert known(once) == pytest.approx(known(twice))


def test_the_uncertainty_of_scaled_power_is_that_of_simulation() -> None:
    def cubed(power: float, ratio: float) -> float:
        return power * ratio**3.0

    effects = [
        Effect("Power", "power", 150.0, Sharing.COMMON),
        Effect("Ratio", "ratio", 0.01, Sharing.COMMON),
    ]
    drawn = monte_carlo(cubed, {"power": 5000.0, "ratio": 1.1}, effects, trials=200_000)
    moved = fan_laws(NOW, speed_ratio=Estimate(1.1, 0.01)).power
    assert moved is not None
    assert moved.value == pytest.approx(drawn.value, rel=1e-3)
    assert moved.u == pytest.approx(drawn.u, rel=0.01)


def test_states_that_follow_the_laws_agree_and_others_do_not() -> None:
    later = fan_laws(NOW, speed_ratio=1.1, density_ratio=0.98)
    checks = laws_agree(NOW, later)
    assert [c.name for c in checks] == ["flow", "pressure", "power"]
    assert all(c.agrees and abs(c.relative_difference) < 1e-12 for c in checks)
    assert checks[1].expected == pytest.approx(1.1**2 * 0.98)
    throttled = FanState(later.speed, Estimate(known(later.flow) * 0.85, 0.08), later.pressure)
    found = laws_agree(FanState(NOW.speed, NOW.flow, NOW.pressure), throttled)
    assert [c.agrees for c in found] == [False, True]
    assert found[0].relative_difference == pytest.approx(-0.15)
    assert found[0].normalised == pytest.approx(0.15 / found[0].U)


@given(st.floats(0.7, 1.4), st.floats(0.7, 1.4))
def test_which_state_comes_first_does_not_matter_to_agreement_of_certain_figures(n: float, q: float) -> None:
    a = FanState(Estimate(10.0, 0.0), Estimate(2.0, 0.0))
    b = FanState(Estimate(10.0 * n, 0.0), Estimate(2.0 * q, 0.0))
    assert laws_agree(a, b)[0].agrees == laws_agree(b, a)[0].agrees == (abs(q / n - 1.0) <= 1e-9)


def test_a_density_on_one_side_only_is_refused() -> None:
    with pytest.raises(Refused) as caught:
        laws_agree(NOW, FanState(NOW.speed, NOW.flow))
    assert caught.value.input == "later.density"


def test_required_speed_by_hand() -> None:
    drive = BeltDrive(0.12, 0.24, 0.6, smallest=0.10, largest=0.13)
    change = required_speed(
        Estimate(1.0, 0.01),
        1.1,
        Estimate(15.0, 0.05),
        pressure=500.0,
        shaft_power=Estimate(3000.0, 90.0),
        current=7.0,
        no_load_current=3.0,
        frequency=50.0,
        density_ratio=0.95,
        drive=drive,
        limits=FanLimits(17.0, 4000.0, 9.0),
    )
    assert change.allowed
    assert change.speed.value == pytest.approx(16.5)
    assert change.speed.u == pytest.approx(16.5 * math.hypot(0.01, 0.05 / 15.0))
    assert known(change.pressure) == pytest.approx(500.0 * 1.21 * 0.95)
    assert known(change.shaft_power) == pytest.approx(3000.0 * 1.331 * 0.95)
    assert change.shaft_power is not None
    assert change.shaft_power.u / change.shaft_power.value == pytest.approx(math.hypot(0.03, 0.03))
    assert known(change.current) == pytest.approx(1.5 + 5.5 * 1.331 * 0.95)
    assert change.frequency == pytest.approx(55.0)
    assert change.sheaves is not None
    assert change.sheaves.motor_sheave == pytest.approx(0.132)
    assert change.sheaves.fan_sheave == pytest.approx(0.24 / 1.1)
    assert change.sheaves.belt_change is not None
    assert 0.0 < change.sheaves.belt_change < math.pi / 2.0 * 0.012
    assert change.sheaves.within_adjustment is False
    assert change.close == ("nameplate_power",)
    assert change.unchecked == ()


@pytest.mark.parametrize(
    ("limits", "named"),
    [
        (FanLimits(maximum_speed=16.0), "maximum_speed"),
        (FanLimits(nameplate_power=3900.0), "nameplate_power"),
        (FanLimits(nameplate_current=9.0), "nameplate_current"),
    ],
)
def test_a_limit_that_would_be_passed_is_refused_by_name(limits: FanLimits, named: str) -> None:
    now: dict[str, Any] = {"shaft_power": 3000.0, "current": 7.0, "limits": limits}
    with pytest.raises(SpeedRefused) as caught:
        required_speed(1.0, 1.1, 15.0, **now)
    assert caught.value.input == named
    assert caught.value.change.speed.value == pytest.approx(16.5)
    shown = propose_speed(1.0, 1.1, 15.0, **now)
    assert not shown.allowed
    assert [r.input for r in shown.refused] == [named]
    assert set(shown.unchecked) == {"maximum_speed", "nameplate_power", "nameplate_current"} - {named}


def test_every_passed_limit_is_named_and_what_could_not_be_tested() -> None:
    limits = FanLimits(16.0, 3900.0, 9.0)
    shown = propose_speed(1.0, 1.1, 15.0, shaft_power=3000.0, current=7.0, limits=limits)
    assert [r.input for r in shown.refused] == ["maximum_speed", "nameplate_power", "nameplate_current"]
    blind = required_speed(1.0, 1.1, 15.0, limits=FanLimits(17.0, 3900.0, 9.0))
    assert blind.unchecked == ("nameplate_power", "nameplate_current")
    assert required_speed(1.0, 1.1, 15.0).unchecked == (
        "maximum_speed",
        "nameplate_power",
        "nameplate_current",
    )


def test_a_limit_just_met_is_allowed() -> None:
    assert required_speed(1.0, 1.1, 15.0, limits=FanLimits(maximum_speed=15.0 * 1.1)).allowed
    with pytest.raises(SpeedRefused):
        required_speed(1.0, 1.1, 15.0, limits=FanLimits(maximum_speed=15.0 * 1.1 * 0.999999))


def test_the_current_then_carries_what_makes_current_and_flows_uncertain() -> None:
    change = required_speed(
        Estimate(1.0, 0.02, 12.0), 1.1, 15.0, current=Estimate(7.0, 0.1, 40.0), no_load_current=3.0
    )
    assert change.current is not None
    power_u = 3.0 * 0.02 * 1.331
    assert change.current.u == pytest.approx(math.hypot(1.331 * 0.1, 5.5 * power_u))
    assert change.current.dof == pytest.approx(12.0)


@given(st.floats(0.1, 5.0), st.floats(1.01, 1.5), st.floats(1.0, 1.5))
def test_more_flow_asks_for_more_of_everything(now: float, more: float, density: float) -> None:
    low = required_speed(now, now * more, 15.0, shaft_power=3000.0, pressure=400.0, current=7.0)
    high = required_speed(
        now, now * more * 1.1, 15.0, shaft_power=3000.0, pressure=400.0, current=7.0, density_ratio=density
    )
    assert high.speed.value > low.speed.value
    for name in ("pressure", "shaft_power", "current"):
        assert known(getattr(high, name)) > known(getattr(low, name))


@given(st.floats(0.5, 2.0), st.floats(0.01, 100.0))
def test_the_unit_of_flow_does_not_matter(wanted: float, unit: float) -> None:
    plain = required_speed(Estimate(1.0, 0.02), wanted, 15.0, shaft_power=3000.0)
    scaled = required_speed(Estimate(unit, 0.02 * unit), wanted * unit, 15.0, shaft_power=3000.0)
    assert known(scaled.shaft_power) == pytest.approx(known(plain.shaft_power))
    assert scaled.speed.u == pytest.approx(plain.speed.u)


@pytest.mark.parametrize(
    ("arguments", "changes", "named"),
    [
        ((0.0, 1.0, 15.0), {}, "flow_now"),
        ((1.0, math.nan, 15.0), {}, "flow_wanted"),
        ((1.0, 1.0, -15.0), {}, "speed_now"),
        ((1.0, 1.0, 15.0), {"pressure": math.inf}, "pressure"),
        ((1.0, 1.0, 15.0), {"shaft_power": Estimate(3000.0, -1.0)}, "shaft_power.u"),
        ((Estimate(1.0, 0.1, 0.0), 1.0, 15.0), {}, "flow_now.dof"),
        ((1.0, 1.0, 15.0), {"density_ratio": 0.0}, "density_ratio"),
        ((1.0, 1.0, 15.0), {"frequency": -50.0}, "frequency"),
        ((1.0, 1.0, 15.0), {"current": 3.0, "no_load_current": 7.0}, "no_load_current"),
        ((1.0, 1.0, 15.0), {"limits": FanLimits(maximum_speed=0.0)}, "maximum_speed"),
        ((1.0, 1.0, 15.0), {"drive": BeltDrive(0.1, 0.0)}, "drive.fan_sheave"),
        ((1.0, 1.0, 15.0), {"drive": BeltDrive(0.1, 0.2, 0.1)}, "centre_distance"),
    ],
)
def test_speed_refusals(arguments: tuple[Any, ...], changes: dict[str, Any], named: str) -> None:
    with pytest.raises(Refused) as caught:
        required_speed(*arguments, **changes)
    assert caught.value.input == named


@given(st.floats(0.1, 10.0), st.floats(0.05, 2.0), st.floats(-600.0, 0.0), st.floats(0.0, 900.0))
def test_the_three_fan_pressures_hang_together(flow: float, area: float, inlet: float, outlet: float) -> None:
    before, after = velocity_pressure(flow, area, 1.2), velocity_pressure(flow, 0.7 * area, 1.2)
    static = fan_static_pressure(inlet, outlet, before)
    total = fan_total_pressure(inlet, outlet, before, after)
    assert total - after == pytest.approx(static, abs=1e-6)
    assert static_rise(inlet, outlet) - static == pytest.approx(before, abs=1e-6)


@given(st.floats(200.0, 300.0))
def test_constant_and_inch_are_inverse(inch: float) -> None:
    assert inch_implied(air_power_constant(inch)) == pytest.approx(inch)


def test_system_curve_with_a_fixed_part() -> None:
    assert system_pressure(2.0, 1.0, 300.0, fixed=100.0) == pytest.approx(900.0)
    assert system_pressure(0.0, 1.0, 300.0, fixed=100.0) == pytest.approx(100.0)
    assert system_pressure(2.0, 1.0, -300.0, exponent=1.0) == pytest.approx(-600.0)
    for wrong in (0.9, 2.1, math.nan):
        with pytest.raises(Refused, match="exponent"):
            system_pressure(2.0, 1.0, 300.0, exponent=wrong)


# ---- motors ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed", "frequency", "poles"),
    [(1750.0, 60.0, 4), (3500.0, 60.0, 2), (1160.0, 60.0, 6), (1440.0, 50.0, 4), (700.0, 50.0, 8)],
)
def test_poles_from_the_nameplate(speed: float, frequency: float, poles: int) -> None:
    assert poles_of(speed / 60.0, frequency) == poles


@given(st.sampled_from([2, 4, 6, 8]), st.floats(10.0, 90.0), st.floats(0.0, 0.1))
def test_slip_there_and_back(poles: int, frequency: float, lag: float) -> None:
    speed = speed_with_slip(frequency, poles, lag)
    assert slip(speed, synchronous_speed(frequency, poles)) == pytest.approx(lag, abs=1e-12)


def test_motor_refusals() -> None:
    for poles in (0, 3, 26):
        with pytest.raises(Refused, match="poles"):
            synchronous_speed(60.0, poles)
    for speed in (70.0, 2.0):
        with pytest.raises(Refused, match="nameplate_speed"):
            poles_of(speed, 60.0)
    with pytest.raises(Refused, match="slip"):
        speed_with_slip(60.0, 4, 1.0)


@given(st.floats(0.4, 1.0), st.floats(0.2, 0.39))
def test_both_approximations_meet_at_full_load_and_amps_alone_read_high_below(
    load: float, idle: float
) -> None:
    plate = {"nameplate_power": 7500.0, "nameplate_current": 13.0, "nameplate_voltage": 460.0}
    full = power_from_amps(**plate, current=13.0, voltage=460.0, no_load_current=13.0 * idle)
    assert full.no_load == pytest.approx(7500.0)
    assert full.amps_and_volts == pytest.approx(7500.0)
    part = power_from_amps(**plate, current=13.0 * load, voltage=460.0, no_load_current=13.0 * idle)
    assert part.difference is not None
    assert part.difference >= -1e-12
    half = 0.5 * idle
    assert part.difference == pytest.approx(load * (1.0 - half) / (load - half) - 1.0)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"current": -1.0}, "current"),
        ({"voltage": 0.0}, "voltage"),
        ({"nameplate_power": math.nan}, "nameplate_power"),
        ({"no_load_current": 0.0}, "no_load_current"),
        ({"no_load_current": 12.0}, "no_load_current"),
        ({"no_load_current": 14.0}, "no_load_current"),
    ],
)
def test_amps_refusals(changes: dict[str, float], named: str) -> None:
    plain = {"nameplate_power": 7500.0, "nameplate_current": 13.0, "nameplate_voltage": 460.0}
    plain |= {"current": 11.0, "voltage": 460.0}
    with pytest.raises(Refused) as caught:
        power_from_amps(**{**plain, **changes})  # type: ignore[arg-type]
    assert caught.value.input == named


@given(st.floats(1.0, 2.0), st.floats(0.1, 6.0))
def test_current_without_the_no_load_current_is_the_careful_side_of_a_rise(ratio: float, idle: float) -> None:
    assert current_at_power(7.0, ratio) >= current_at_power(7.0, ratio, idle) >= 7.0
    assert current_at_power(7.0, 1.0, idle) == pytest.approx(7.0)


@given(st.permutations([208.0, 205.0, 211.5]), st.floats(0.1, 10.0))
def test_unbalance_needs_no_order_and_no_unit(phases: list[float], unit: float) -> None:
    found = phase_unbalance([v * unit for v in phases])
    assert found.unbalance == pytest.approx(phase_unbalance([208.0, 205.0, 211.5]).unbalance)
    assert phases[found.phase] == 211.5


def test_unbalance_refusals() -> None:
    for wrong in ((1.0, 2.0), (1.0, 2.0, 3.0, 4.0), (0.0, 0.0, 0.0), (-1.0, 2.0, 3.0), (math.nan, 1.0, 1.0)):
        with pytest.raises(Refused, match="phases"):
            phase_unbalance(wrong)


# ---- belts -----------------------------------------------------------------------------------------------


@given(st.floats(0.05, 0.4), st.floats(0.05, 0.4), st.floats(0.45, 2.0))
def test_belt_lengths(first: float, second: float, centre: float) -> None:
    exact = belt_length(centre, first, second)
    near = belt_length_handbook(centre, first, second)
    assert exact == pytest.approx(belt_length(centre, second, first))
    assert near == pytest.approx(exact, rel=2e-3)
    assert centre_distance(near, first, second) == pytest.approx(centre, rel=1e-6)
    assert exact >= 2.0 * centre + math.pi / 2.0 * (first + second) - 1e-12


def test_equal_sheaves_make_a_belt_of_two_tangents_and_a_circle() -> None:
    assert belt_length(0.5, 0.2, 0.2) == pytest.approx(1.0 + math.pi * 0.2)
    assert belt_speed(0.2, 30.0) == pytest.approx(math.pi * 6.0)


@given(st.floats(0.05, 0.4), st.floats(0.05, 0.4), RATIO)
def test_new_sheaves_give_the_ratio(motor: float, fan: float, ratio: float) -> None:
    change = sheave_change(BeltDrive(motor, fan), ratio)
    before = sheave_for(motor, 29.0, fan)  # any motor speed: the ratio of the sheaves matters
    assert change.motor_sheave / fan == pytest.approx(motor / fan * ratio)
    assert motor / change.fan_sheave == pytest.approx(motor / fan * ratio)
    assert before > 0.0
    assert change.belt_change is None
    assert change.within_adjustment is None


@pytest.mark.parametrize(("ratio", "within"), [(0.9, False), (0.95, True), (1.05, True), (1.1, False)])
def test_an_adjustable_sheave_has_two_ends(ratio: float, within: bool) -> None:
    drive = BeltDrive(0.12, 0.24, smallest=0.11, largest=0.13)
    assert sheave_change(drive, ratio).within_adjustment is within


def test_belt_refusals() -> None:
    with pytest.raises(Refused, match="centre_distance"):
        belt_length(0.2, 0.2, 0.2)
    for length in (0.1, 1.0):
        with pytest.raises(Refused, match="length"):
            centre_distance(length, 0.4, 0.3)


# ---- the maker's curve -----------------------------------------------------------------------------------


def test_a_curve_s_points_are_on_it_and_its_order_does_not_matter() -> None:
    for q, p in zip(FLOWS[1:], PRESSURES[1:], strict=True):
        for order in (1, -1):
            piece = curve_piece(FLOWS[::order], PRESSURES[::order], p)
            assert piece is not None
            assert piece.flow(p) == pytest.approx(q)
            assert (piece.lowest, piece.peak, piece.peak_flow) == (200.0, 950.0, 1.5)


def test_a_curve_falls_from_the_last_of_two_equal_peaks() -> None:
    branch = falling_branch((1.0, 2.0, 3.0, 4.0), (5.0, 5.0, 3.0, 1.0))
    assert branch == [(1.0, 4.0), (3.0, 3.0), (5.0, 2.0)]


def test_two_points_right_of_the_peak_are_joined_by_a_straight_line() -> None:
    piece = curve_piece((1.0, 2.0, 4.0), (500.0, 600.0, 200.0), 300.0)
    assert piece is not None
    assert [piece.flow(p) for p in (200.0, 300.0, 450.0, 600.0)] == pytest.approx([4.0, 3.5, 2.75, 2.0])
    assert (piece.lowest, piece.peak, piece.peak_flow) == (200.0, 600.0, 2.0)


@given(st.floats(200.0, 950.0), st.floats(200.0, 950.0))
def test_flow_falls_as_pressure_grows(a: float, b: float) -> None:
    low, high = sorted((a, b))
    pieces = [curve_piece(FLOWS, PRESSURES, p) for p in (low, high)]
    flows = [piece.flow(p) for piece, p in zip(pieces, (low, high), strict=True) if piece is not None]
    assert len(flows) == 2
    assert flows[0] >= flows[1] - 1e-9
    assert all(1.5 - 1e-9 <= q <= 6.0 + 1e-9 for q in flows)


@pytest.mark.parametrize("pressure", [199.9, 950.1, -10.0])
def test_nothing_is_read_off_outside_a_curve(pressure: float) -> None:
    assert curve_piece(FLOWS, PRESSURES, pressure) is None


@pytest.mark.parametrize(
    ("flows", "pressures", "named"),
    [
        ((1.0, 2.0), (3.0, 2.0), "curve_flow"),
        ((1.0, 2.0, 3.0), (3.0, 2.0), "curve_pressure"),
        ((1.0, 1.0, 3.0), (3.0, 2.0, 1.0), "curve_flow"),
        ((1.0, 2.0, -3.0), (3.0, 2.0, 1.0), "curve_flow[2]"),
        ((1.0, 2.0, 3.0), (3.0, math.nan, 1.0), "curve_pressure[1]"),
        ((1.0, 2.0, 3.0), (1.0, 2.0, 3.0), "curve_pressure"),
        ((1.0, 2.0, 3.0, 4.0), (5.0, 2.0, 3.0, 1.0), "curve_pressure"),
    ],
)
def test_curve_refusals(flows: tuple[float, ...], pressures: tuple[float, ...], named: str) -> None:
    with pytest.raises(Refused) as caught:
        falling_branch(flows, pressures)
    assert caught.value.input == named
