"""The fan test as a whole: by hand, by simulation, conventions, power, curve, remarks, refusals."""

import json
import math
from dataclasses import replace
from typing import Any

import GTC  # type: ignore[import-untyped]
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measurements.calc import Accuracy, Air, CertificatePoint, Code, Estimate, Instrument, Refused
from measurements.calc.fan import FanState, fan_laws
from measurements.calc.fan_curve import curve_piece
from measurements.calc.fan_inputs import AMPS_LIMIT, FanTest, FanTestLimits
from measurements.calc.fan_models import CurvePressure, FanStatic
from measurements.calc.fan_remarks import fan_state
from measurements.calc.fan_site import fan_test
from measurements.calc.grouped import difference_correlations
from measurements.calc.method import MethodResult, Remark
from measurements.calc.motor import Supply
from measurements.calc.phases import (
    Signed,
    signed_correlations,
    signed_value,
    take_phases,
    take_signed,
)
from measurements.calc.places import Readings, take_mean
from measurements.calc.records import from_plain, to_plain
from measurements.calc.simulate import monte_carlo

MANOMETER = Instrument(
    certificate=(CertificatePoint(0.0, 0.1, 0.3), CertificatePoint(600.0, 602.0, 2.5)),
    resolution=0.1,
    drift_of_reading=0.005,
    low=0.0,
    high=1000.0,
)
CLAMP = Instrument(accuracy=Accuracy(of_reading=0.015, absolute=0.05), resolution=0.1)
VOLTS = Instrument(accuracy=Accuracy(of_reading=0.01), resolution=0.1)
COSINE = Instrument(accuracy=Accuracy(absolute=0.02), resolution=0.01)
TACHO = Instrument(accuracy=Accuracy(of_reading=0.0005), resolution=0.1 / 60.0)
EXACT = Instrument(certificate=(CertificatePoint(-1e4, -1e4, 0.0), CertificatePoint(1e4, 1e4, 0.0)))
AIR = Air(294.15, 99_000.0, static_pressure=-308.0, humidity=0.4)
PHASES = tuple((run, line, 1) for run in (1, 2) for line in (1, 2, 3))
CURVE_FLOW = (0.0, 1.5, 3.0, 4.0, 5.0, 6.0)
CURVE_PRESSURE = (900.0, 950.0, 850.0, 720.0, 520.0, 200.0)
PLAIN = FanTest(
    Readings((-310.0, -305.0, -308.0), MANOMETER, "m1"),
    Readings((402.0, 398.0), MANOMETER, "m1"),
    AIR,
    inlet_area=0.5,
    outlet_area=0.35,
    flow=Estimate(4.2, 0.06, 30.0),
    speed=Readings((15.2, 15.21), TACHO),
    voltage=Readings((461.0, 463.0, 459.0, 460.5, 462.8, 459.2), VOLTS, "c", PHASES),
    current=Readings((10.2, 10.4, 9.9, 10.2, 10.3, 9.8), CLAMP, "c", PHASES),
    power_factor=Readings((0.85,), COSINE, "c"),
    motor_efficiency=Estimate(0.9, 0.01),
    drive_efficiency=Estimate(0.95, 0.01),
    nameplate_power=7500.0,
    nameplate_current=13.4,
    nameplate_voltage=460.0,
    maximum_speed=20.0,
    curve_flow=CURVE_FLOW,
    curve_pressure=CURVE_PRESSURE,
    curve_speed=15.0,
    curve_density=1.2,
)


def trial(**changes: Any) -> MethodResult:
    return fan_test(replace(PLAIN, **changes))


def read(*values: float) -> Readings:
    """By a perfect instrument."""
    return Readings(values, EXACT)


def remark(result: MethodResult, code: Code) -> Remark:
    found = result.remark(code)
    assert found is not None
    return found


def perfect(**changes: Any) -> MethodResult:
    """Round figures, perfect instruments."""
    plain = replace(
        PLAIN,
        inlet_pressure=read(-300.0),
        outlet_pressure=read(400.0),
        speed=read(15.0),
        voltage=read(460.0, 460.0, 460.0),
        current=read(10.0, 10.0, 10.0),
        power_factor=read(0.85),
    )
    return fan_test(replace(plain, **changes))


# ---- figures ---------------------------------------------------------------------------------------------


def test_figures_by_hand() -> None:
    found = {name: r.value for name, r in perfect().results.items()}
    density = found["density"]
    inlet, outlet = 0.5 * density * (4.2 / 0.5) ** 2, 0.5 * density * (4.2 / 0.35) ** 2
    static, total = 700.0 - inlet, 700.0 - inlet + outlet
    electrical = math.sqrt(3.0) * 460.0 * 10.0 * 0.85
    shaft = electrical * 0.9 * 0.95
    assert found["fan_static_pressure"] == pytest.approx(static)
    assert found["fan_total_pressure"] == pytest.approx(total)
    assert found["air_power"] == pytest.approx(4.2 * total)
    assert found["electrical_power"] == pytest.approx(electrical)
    assert found["motor_output"] == pytest.approx(electrical * 0.9)
    assert found["shaft_power"] == pytest.approx(shaft)
    assert found["efficiency"] == pytest.approx(4.2 * total / shaft)
    assert found["static_efficiency"] == pytest.approx(4.2 * static / shaft)
    assert found["specific_fan_power"] == pytest.approx(electrical / 4.2)
    assert found["speed"] == pytest.approx(15.0)
    assert found["voltage_unbalance"] == pytest.approx(0.0, abs=1e-12)
    assert next(iter(found)) == "fan_static_pressure"


def test_every_budget_adds_up() -> None:
    for name, result in trial().results.items():
        assert math.fsum(row.share for row in result.budget) == pytest.approx(1.0, abs=1e-9), name
        assert result.k * result.u == pytest.approx(result.U, rel=1e-12)


def test_what_the_digest_and_the_classes_say() -> None:
    found = trial()
    assert found.digest == trial().digest != trial(inlet_area=0.51).digest
    assert found.measurand == "fan_static_pressure"
    assert found.classes == {
        "convention": "defined",
        "power_source": "volts_and_amps",
        "shaft_source": "efficiency",
        "shaft_power_at": "fan",
    }
    assert found.density_model == "CIPM-2007"
    assert trial(drive_efficiency=None).classes["shaft_power_at"] == "motor"


def test_an_independent_library_finds_the_same_uncertainties() -> None:
    """GTC: the same chain of formulas, written for it; the air is certain but for its density formula."""

    def by(u: float, *values: float) -> Readings:
        points = (CertificatePoint(-1e4, -1e4, u, 1.0), CertificatePoint(1e4, 1e4, u, 1.0))
        return Readings(values, Instrument(certificate=points))

    found = trial(
        inlet_pressure=by(3.0, -300.0),
        outlet_pressure=by(4.0, 400.0),
        air=Air(294.15, 99_000.0, None, -308.0, 0.4, 0.0, 0.0, 0.0, 0.0),
        flow=Estimate(4.2, 0.06),
        speed=by(0.05, 15.0),
        voltage=by(2.0, 460.0, 470.0, 455.0),
        current=by(0.1, 10.0, 10.2, 9.9),
        power_factor=by(0.01, 0.85),
    ).results
    flow, speed = GTC.ureal(4.2, 0.06), GTC.ureal(15.0, 0.05)
    density = found["density"].value * GTC.ureal(1.0, 22e-6)
    tape = GTC.ureal(0.0, 0.001)
    inlet_area, outlet_area = (a + 2.0 * math.sqrt(a) * tape for a in (0.5, 0.35))
    inlet, outlet = (0.5 * density * (flow / a) ** 2 for a in (inlet_area, outlet_area))
    rise = GTC.ureal(400.0, 4.0) - GTC.ureal(-300.0, 3.0)
    volts, amps = GTC.ureal(1385.0 / 3.0, 2.0), GTC.ureal(30.1 / 3.0, 0.1)
    electrical = math.sqrt(3.0) * volts * amps * GTC.ureal(0.85, 0.01)
    shaft = electrical * GTC.ureal(0.9, 0.01) * GTC.ureal(0.95, 0.01)
    expected = {
        "fan_static_pressure": rise - inlet,
        "fan_total_pressure": rise - inlet + outlet,
        "air_power": flow * (rise - inlet + outlet),
        "electrical_power": electrical,
        "shaft_power": shaft,
        "efficiency": flow * (rise - inlet + outlet) / shaft,
        "static_efficiency": flow * (rise - inlet) / shaft,
        "specific_fan_power": electrical / flow,
        "speed": speed,
    }
    for name, wanted in expected.items():
        assert found[name].value == pytest.approx(wanted.x, rel=1e-9), name
        assert found[name].u == pytest.approx(wanted.u, rel=1e-6), name
    piece = curve_piece(CURVE_FLOW, CURVE_PRESSURE, ((rise - inlet) * 1.2 / density).x)
    assert piece is not None
    x = (rise - inlet) * (15.0 / speed) ** 2 * 1.2 / density - piece.start
    a, b, c, d = piece.coefficients
    on_it = GTC.ureal(1.0, 0.025) * (a + x * (b + x * (c + x * d))) * speed / 15.0
    assert found["curve_flow"].u == pytest.approx(on_it.u, rel=1e-6)
    assert found["flow_difference"].value == pytest.approx((flow / on_it).x - 1.0)
    assert found["flow_difference"].u == pytest.approx((flow / on_it).u, rel=1e-6)


def test_inputs_survive_storage() -> None:
    whole = replace(PLAIN, earlier=FanState(Estimate(15.0, 0.1), Estimate(3.0, 0.1, 7.0)))
    assert from_plain(FanTest, json.loads(json.dumps(to_plain(whole)))) == whole


def test_simulation_confirms_the_uncertainty_of_the_pressure_and_the_power(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """JCGM 101: the model, values and effects that the test itself solves, drawn at random."""
    from measurements.calc import fan_site as module

    caught: list[tuple[Any, ...]] = []
    solve = module.solve

    def spy(*arguments: Any) -> Any:
        caught.append(arguments)
        return solve(*arguments)

    monkeypatch.setattr(module, "solve", spy)
    before, after = Readings((-308.0,), MANOMETER, "m1"), Readings((400.0,), MANOMETER, "m2")
    once = {
        n: replace(getattr(PLAIN, n), values=getattr(PLAIN, n).values[:3]) for n in ("voltage", "current")
    }
    once = {n: replace(r, places=PHASES[:3]) for n, r in once.items()}
    found = trial(inlet_pressure=before, outlet_pressure=after, outlet_area=None, **once)
    model, values, effects = caught[-1][:3]
    for name in ("fan_static_pressure", "specific_fan_power", "static_efficiency"):
        drawn = monte_carlo(model, values, effects, output=name, trials=60_000)
        assert found.results[name].value == pytest.approx(drawn.value, rel=2e-3)
        assert found.results[name].u == pytest.approx(drawn.u, rel=0.06)


@given(st.floats(-500.0, -1.0), st.floats(1.0, 500.0), st.floats(-200.0, 200.0))
@settings(max_examples=25)
def test_only_the_difference_of_the_pressures_matters(inlet: float, outlet: float, shift: float) -> None:
    one = perfect(inlet_pressure=read(inlet), outlet_pressure=read(outlet)).main
    other = perfect(inlet_pressure=read(inlet + shift), outlet_pressure=read(outlet + shift)).main
    assert one.value == pytest.approx(other.value, abs=1e-6)


def test_the_defined_static_is_lower_than_that_of_field_reports_by_the_velocity_pressure() -> None:
    defined, field = perfect(), perfect(convention=FanStatic.FIELD)
    numbers = remark(field, Code.FIELD_FAN_STATIC).numbers
    assert field.main.value - defined.main.value == pytest.approx(numbers["velocity_pressure"])
    assert field.main.value == pytest.approx(700.0)
    assert defined.remark(Code.FIELD_FAN_STATIC) is None
    bare = perfect(convention=FanStatic.FIELD, flow=None)
    assert bare.main.value == pytest.approx(700.0)
    assert remark(bare, Code.FIELD_FAN_STATIC).numbers == {}
    assert bare.results["curve_flow"].value > 0.0
    assert bare.remark(Code.CURVE_BY_FIELD_STATIC) is not None
    assert not {"air_power", "efficiency", "specific_fan_power"} & set(bare.results)


@pytest.mark.parametrize(
    ("left_out", "gone"),
    [
        ({"outlet_area": None}, {"fan_total_pressure", "air_power", "efficiency"}),
        (
            {"motor_efficiency": None, "nameplate_voltage": None},
            {"shaft_power", "efficiency", "motor_output"},
        ),
        ({"power_factor": None}, {"electrical_power", "specific_fan_power"}),
        ({"speed": None}, {"speed", "curve_flow", "flow_difference"}),
        ({"current": None}, {"current", "current_unbalance", "electrical_power", "shaft_power"}),
    ],
)
def test_what_is_not_read_is_left_out(left_out: dict[str, Any], gone: set[str]) -> None:
    assert gone <= set(trial().results)
    found = trial(**left_out)
    assert not gone & set(found.results)
    assert found.main.value == pytest.approx(trial().main.value)


# ---- pressures with signs --------------------------------------------------------------------------------


def shown(value: float, on: str = "p") -> Signed:
    """One reading of one manometer."""
    return take_signed(Readings((value,), MANOMETER, "m"), on, on)


def test_a_one_sided_certificate_serves_suction_mirrored() -> None:
    crossed, straight = shown(-300.0), shown(300.0)
    assert crossed.crossed
    assert not straight.crossed
    assert signed_value(crossed) == pytest.approx(-signed_value(straight))
    assert crossed.taken.u == pytest.approx(straight.taken.u)
    assert remark(trial(), Code.CERTIFICATE_MIRRORED).numbers == {"count": 3}
    zeroed = take_signed(Readings((-300.0,), MANOMETER, "m", zero=-2.0), "p", "P")
    assert signed_value(zeroed) == pytest.approx(-signed_value(shown(298.0)))


def test_a_two_sided_certificate_is_used_as_it_is() -> None:
    both = Instrument(
        certificate=(CertificatePoint(-500.0, -503.0, 1.0), CertificatePoint(500.0, 501.0, 1.0))
    )
    taken = take_signed(Readings((-300.0,), both), "p", "P")
    assert not taken.crossed
    assert signed_value(taken) == pytest.approx(-300.0 + 3.0 - 4.0 * 203.0 / 1004.0)
    assert perfect().remark(Code.CERTIFICATE_MIRRORED) is None


def test_only_what_is_in_both_budgets_is_alike_through_zero() -> None:
    """With a certificate and a known drift the maker's specification counts nowhere."""
    points = (CertificatePoint(-500.0, -500.0, 1.0), CertificatePoint(500.0, 500.0, 1.0))
    fixed = Instrument(points, accuracy=Accuracy(of_reading=0.01), drift_absolute=2.0)
    scale = Instrument(points, accuracy=Accuracy(of_reading=0.01), drift_of_reading=0.01)
    for instrument, r in ((fixed, 1.0), (scale, -1.0)):
        above, below = (
            take_mean(Readings((p,), instrument, "m"), n, n) for n, p in (("a", 300.0), ("b", -200.0))
        )
        alike = difference_correlations(above, below)
        assert [(c.first, c.second) for c in alike] == [
            ("a: drift since calibration", "b: drift since calibration")
        ]
        assert alike[0].r == pytest.approx(r)


@pytest.mark.parametrize(("first", "second"), [("m", "n"), ("", "")])
def test_two_instruments_share_nothing_across_zero(first: str, second: str) -> None:
    """So do readings whose instrument nobody named."""
    one = Instrument(accuracy=Accuracy(absolute=2.0))
    above = take_mean(Readings((300.0,), one, first), "a", "a")
    below = take_mean(Readings((-200.0,), one, second), "b", "b")
    assert difference_correlations(above, below) == []
    named = replace(above, by="m"), replace(below, by="m")
    assert [c.r for c in difference_correlations(*named)] == pytest.approx([1.0])


def test_one_manometer_s_error_adds_across_zero_and_cancels_on_one_side() -> None:
    """A scale error makes suction and pressure both too large: in their difference it adds."""
    assert all(c.r < 0.0 for c in signed_correlations(shown(-300.0, "a"), shown(320.0, "b")))
    assert all(c.r > 0.0 for c in signed_correlations(shown(300.0, "a"), shown(320.0, "b")))

    def u(inlet: float, outlet: float, by: str) -> float:
        before, after = Readings((inlet,), MANOMETER, "m"), Readings((outlet,), MANOMETER, by)
        return trial(inlet_pressure=before, outlet_pressure=after).main.u

    assert u(-300.0, 320.0, "m") > u(-300.0, 320.0, "other")
    assert u(300.0, 620.0, "m") < u(300.0, 620.0, "other")


# ---- electricity -----------------------------------------------------------------------------------------


def test_differences_between_phases_are_no_scatter() -> None:
    spread = Readings((440.0, 460.0, 480.0), VOLTS)
    found = take_phases(spread, "voltage", "Voltage", "V", "")
    assert [r.value for r in found.each] == [440.0, 460.0, 480.0]
    assert found.mean.u == pytest.approx(
        math.hypot(4.6 / math.sqrt(3.0), 0.1 / math.sqrt(12.0) / math.sqrt(3.0))
    )
    repeated = take_phases(
        replace(spread, values=(440.0, 460.0, 480.0, 444.0, 464.0, 484.0), places=PHASES),
        "voltage",
        "V",
        "V",
        "",
    )
    rows = {row.name: row for row in repeated.mean.budget}
    scatter = next(row for name, row in rows.items() if "repeated" in name)
    assert scatter.contribution == pytest.approx(math.sqrt(8.0) / math.sqrt(2.0) / math.sqrt(3.0))
    assert scatter.dof == 3.0


def test_unbalance_is_free_of_the_meter_s_scale_error() -> None:
    found = take_phases(Readings((440.0, 460.0, 480.0), VOLTS), "voltage", "Voltage", "V", "").unbalance
    assert found is not None
    assert found.value == pytest.approx(20.0 / 460.0)
    rows = {row.name: row.contribution for row in found.budget}
    assert rows.get("Voltage: instrument specification", 0.0) == pytest.approx(0.0, abs=1e-9)
    assert found.u == pytest.approx(rows["Voltage: resolution"])


@given(st.permutations([440.0, 460.0, 476.0]))
@settings(max_examples=6)
def test_the_order_of_the_phases_does_not_matter(volts: list[float]) -> None:
    a = take_phases(Readings(tuple(volts), VOLTS), "voltage", "Voltage", "V", "")
    b = take_phases(Readings((440.0, 460.0, 476.0), VOLTS), "voltage", "Voltage", "V", "")
    assert a.unbalance is not None
    assert b.unbalance is not None
    assert a.unbalance.value == pytest.approx(b.unbalance.value)
    assert a.unbalance.u == pytest.approx(b.unbalance.u)
    assert a.mean.u == pytest.approx(b.mean.u)


def test_power_of_one_phase_and_of_a_meter() -> None:
    single = perfect(supply=Supply.SINGLE_PHASE, voltage=read(230.0, 232.0), current=read(12.0))
    assert single.results["electrical_power"].value == pytest.approx(231.0 * 12.0 * 0.85)
    assert "voltage_unbalance" not in single.results
    metered = perfect(power=read(6900.0))
    assert metered.results["electrical_power"].value == pytest.approx(6900.0)
    assert metered.classes["power_source"] == "meter"
    assert metered.results["shaft_power"].value == pytest.approx(6900.0 * 0.9 * 0.95)


def test_brake_power_from_amps_where_the_efficiency_is_not_known() -> None:
    plain = perfect(motor_efficiency=None)
    assert plain.classes["shaft_source"] == "amps_and_volts"
    assert plain.results["motor_output"].value == pytest.approx(7500.0 * 10.0 / 13.4)
    idle = perfect(motor_efficiency=None, no_load_current=5.0, power_factor=None)
    assert idle.classes["shaft_source"] == "no_load_amps"
    assert idle.results["motor_output"].value == pytest.approx(7500.0 * 7.5 / 10.9)
    numbers = remark(idle, Code.POWER_FROM_AMPS).numbers
    assert numbers["no_load"] == pytest.approx(7500.0 * 7.5 / 10.9)
    assert numbers["amps_and_volts"] == pytest.approx(7500.0 * 10.0 / 13.4)
    assert numbers["difference"] == pytest.approx(numbers["amps_and_volts"] / numbers["no_load"] - 1.0)
    assert idle.results["motor_output"].u == pytest.approx(
        idle.results["motor_output"].value * AMPS_LIMIT / math.sqrt(3.0)
    )
    assert perfect().remark(Code.POWER_FROM_AMPS) is None


@pytest.mark.parametrize("missing", ["voltage", "nameplate_voltage"])
def test_power_from_the_no_load_current_is_not_compared_without_a_voltage(missing: str) -> None:
    idle = perfect(motor_efficiency=None, no_load_current=5.0, power_factor=None, **{missing: None})
    assert idle.results["motor_output"].value == pytest.approx(7500.0 * 7.5 / 10.9)
    assert remark(idle, Code.POWER_FROM_AMPS).numbers == {"limit": AMPS_LIMIT}


def test_parts_are_the_phases() -> None:
    parts = trial().parts
    assert [p.label for p in parts] == ["1", "2", "3"]
    names = ["voltage", "voltage_deviation", "current", "current_deviation"]
    assert all([f.name for f in p.figures] == names for p in parts)
    assert parts[0].figures[0].value == pytest.approx(460.75)
    assert parts[2].figures[3].value == pytest.approx(9.85 / (30.4 / 3.0) - 1.0)
    assert trial(voltage=None, current=None).parts == ()


# ---- remarks ---------------------------------------------------------------------------------------------


def test_a_good_fan_has_no_remark_of_its_own() -> None:
    found = perfect()
    assert {r.code for r in found.remarks} == set()
    assert found.verdict_allowed


@pytest.mark.parametrize(
    ("changes", "code", "numbers"),
    [
        (
            {"current": read(13.3, 13.5, 13.2)},
            Code.MOTOR_OVERCURRENT,
            {"current": 13.5, "limit": 13.4, "U": 0.0},
        ),
        ({"nameplate_power": 6000.0}, Code.MOTOR_OVERLOAD, {"power": 6095.0868, "limit": 6000.0}),
        ({"voltage": read(460.0, 470.0, 445.0)}, Code.VOLTAGE_UNBALANCE, {"limit": 0.02}),
        ({"voltage": read(460.0, 490.0, 430.0)}, Code.VOLTAGE_UNBALANCE_SEVERE, {"limit": 0.05}),
        ({"current": read(10.0, 11.5, 8.5)}, Code.CURRENT_UNBALANCE, {"unbalance": 0.15, "limit": 0.1}),
        ({"nameplate_voltage": 400.0}, Code.VOLTAGE_OFF_NAMEPLATE, {"deviation": 0.15, "limit": 0.1}),
        ({"nameplate_voltage": 520.0}, Code.VOLTAGE_OFF_NAMEPLATE, {"voltage": 460.0, "nameplate": 520.0}),
        ({"maximum_speed": 14.9}, Code.ABOVE_MAXIMUM_SPEED, {"speed": 15.0, "limit": 14.9}),
        (
            {"nameplate_speed": 29.0, "motor_sheave": 0.15, "fan_sheave": 0.2},
            Code.SPEED_OFF_SHEAVES,
            {"expected": 21.75, "speed": 15.0},
        ),
        (
            {"inlet_pressure": read(20.0), "outlet_pressure": read(720.0)},
            Code.INLET_PRESSURE_POSITIVE,
            {"inlet": 20.0},
        ),
        (
            {"inlet_pressure": read(400.0), "outlet_pressure": read(-300.0)},
            Code.NO_PRESSURE_RISE,
            {"inlet": 400.0, "outlet": -300.0},
        ),
        ({"motor_efficiency": Estimate(0.5, 0.0)}, Code.FAN_EFFICIENCY_HIGH, {"limit": 0.9}),
        ({"outlet_pressure": read(1500.0)}, Code.AIR_POWER_COMPRESSIBLE, {"limit": 0.005}),
    ],
)
def test_remarks(changes: dict[str, Any], code: Code, numbers: dict[str, float]) -> None:
    assert perfect().remark(code) is None
    found = remark(perfect(**changes), code).numbers
    assert {name: found[name] for name in numbers} == pytest.approx(numbers, abs=1e-3)


def test_figures_on_their_limits_are_no_remarks() -> None:
    found = perfect(
        nameplate_current=10.0,
        nameplate_power=perfect().results["motor_output"].value,
        maximum_speed=15.0,
        nameplate_speed=30.0,
        motor_sheave=0.1,
        fan_sheave=0.2,
    )
    assert {r.code for r in found.remarks} == set()


def test_an_inlet_that_only_may_be_positive_is_no_remark() -> None:
    rough = Instrument(accuracy=Accuracy(absolute=3.0))
    found = perfect(inlet_pressure=Readings((3.0,), rough))
    assert found.remark(Code.INLET_PRESSURE_POSITIVE) is None
    assert perfect(inlet_pressure=Readings((4.0,), rough)).remark(Code.INLET_PRESSURE_POSITIVE) is not None


def test_severe_unbalance_replaces_the_lesser() -> None:
    found = perfect(voltage=read(460.0, 490.0, 430.0))
    assert found.remark(Code.VOLTAGE_UNBALANCE) is None
    assert perfect(voltage=read(460.0, 470.0, 445.0)).remark(Code.VOLTAGE_UNBALANCE_SEVERE) is None
    mild = perfect(voltage=read(460.0, 470.0, 445.0), limits=FanTestLimits(voltage_unbalance=0.04))
    assert mild.remark(Code.VOLTAGE_UNBALANCE) is None


def test_a_fan_without_a_rise_carries_no_verdict() -> None:
    """A magnitude would be judged: minus 700 Pa must not pass as 700."""
    found = perfect(inlet_pressure=read(400.0), outlet_pressure=read(-300.0))
    assert found.main.value < 0.0
    assert not found.verdict_allowed
    assert "curve_flow" not in found.results


# ---- the maker's curve -----------------------------------------------------------------------------------


def on_curve(flow: float, speed: float, **changes: Any) -> MethodResult:
    """A test whose static pressure is that of the curve at `flow`, at another speed and the air's density."""
    n = speed / 15.0
    pressure = {3.0: 850.0, 4.0: 720.0, 5.0: 520.0}[flow] * n * n
    density = perfect().results["density"].value
    velocity = 0.5 * density * (flow * n / 0.5) ** 2
    read_pressure = pressure * density / 1.2 + velocity
    return perfect(
        inlet_pressure=read(-100.0),
        outlet_pressure=read(read_pressure - 100.0),
        flow=Estimate(flow * n, 0.0),
        speed=read(speed),
        **changes,
    )


@pytest.mark.parametrize("flow", [3.0, 4.0, 5.0])
@pytest.mark.parametrize("speed", [12.0, 15.0, 18.0])
def test_a_point_of_the_curve_scaled_by_the_laws_is_found_again(flow: float, speed: float) -> None:
    found = on_curve(flow, speed)
    assert found.results["curve_flow"].value == pytest.approx(flow * speed / 15.0)
    assert found.results["flow_difference"].value == pytest.approx(0.0, abs=1e-9)
    assert found.remark(Code.FAN_FLOW_OFF_CURVE) is None
    assert found.results["curve_flow"].u > 0.025 * found.results["curve_flow"].value


def test_a_flow_off_the_curve_is_remarked_beyond_the_uncertainty_of_both() -> None:
    found = on_curve(4.0, 15.0, curve_flow=tuple(1.3 * q for q in CURVE_FLOW))
    difference = found.results["flow_difference"]
    assert difference.value == pytest.approx(1.0 / 1.3 - 1.0, abs=0.02)
    assert remark(found, Code.FAN_FLOW_OFF_CURVE).numbers == {
        "difference": difference.value,
        "U": difference.U,
    }
    near = on_curve(4.0, 15.0, curve_flow=tuple(1.03 * q for q in CURVE_FLOW))
    assert near.remark(Code.FAN_FLOW_OFF_CURVE) is None


def test_nothing_is_read_off_beyond_the_curve_s_ends() -> None:
    for high in (1200.0, 40.0):
        found = perfect(inlet_pressure=read(0.0), outlet_pressure=read(high + 50.0))
        numbers = remark(found, Code.OFF_FAN_CURVE).numbers
        assert (numbers["low"], numbers["high"]) == (200.0, 950.0)
        assert not 200.0 <= numbers["pressure"] <= 950.0
        assert "curve_flow" not in found.results


def test_near_and_left_of_the_peak() -> None:
    assert perfect().remark(Code.NEAR_CURVE_PEAK) is None
    rough = Instrument(accuracy=Accuracy(absolute=30.0))
    found = trial(
        flow=Estimate(1.0, 0.02), outlet_pressure=Readings((612.0,), rough), inlet_pressure=read(-312.0)
    )
    numbers = remark(found, Code.NEAR_CURVE_PEAK).numbers
    assert numbers["pressure"] < numbers["high"] < numbers["pressure"] + numbers["U"]
    left = remark(found, Code.LEFT_OF_PEAK).numbers
    assert left["flow"] == 1.0
    assert left["peak_flow"] == pytest.approx(1.5 * 15.205 / 15.0)
    assert perfect().remark(Code.LEFT_OF_PEAK) is None


def test_a_curve_of_total_pressure_needs_both_areas() -> None:
    static, total = perfect(), perfect(curve_shows=CurvePressure.TOTAL)
    assert total.results["curve_flow"].value < static.results["curve_flow"].value
    missing = remark(perfect(curve_shows=CurvePressure.TOTAL, outlet_area=None), Code.FAN_CURVE_NOT_READ)
    assert missing.points == ("outlet_area",)
    assert remark(perfect(speed=None), Code.FAN_CURVE_NOT_READ).points == ("speed",)


# ---- against an earlier state ----------------------------------------------------------------------------


def test_an_earlier_state_that_the_laws_explain_and_one_that_they_do_not() -> None:
    now = trial()
    state = fan_state(now, PLAIN.flow)
    assert state.power is not None
    earlier = fan_laws(state, speed_ratio=0.9)
    assert trial(earlier=earlier).remark(Code.FAN_LAWS_DISAGREE) is None
    assert earlier.flow is not None
    moved = replace(earlier, flow=Estimate(earlier.flow.value * 1.25, earlier.flow.u))
    disagree = [r for r in trial(earlier=moved).remarks if r.code is Code.FAN_LAWS_DISAGREE]
    assert [r.points for r in disagree] == [("flow",)]
    assert disagree[0].numbers["difference"] == pytest.approx(-0.2, abs=1e-3)
    assert abs(disagree[0].numbers["difference"]) > disagree[0].numbers["U"]
    with pytest.raises(Refused, match="speed"):
        fan_state(trial(speed=None))


# ---- refusals --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"inlet_area": 0.0}, "inlet_area"),
        ({"outlet_area": math.nan}, "outlet_area"),
        ({"inlet_area": None}, "inlet_area"),
        ({"flow": None}, "flow"),
        ({"flow": Estimate(-4.0, 0.1)}, "flow"),
        ({"flow": Estimate(4.0, math.inf)}, "flow.u"),
        ({"inlet_pressure": read()}, "inlet_pressure"),
        ({"inlet_pressure": read(math.nan)}, "inlet_pressure[0]"),
        ({"outlet_pressure": Readings((5000.0,), MANOMETER)}, "outlet_pressure[0]"),
        ({"speed": read(0.0)}, "speed"),
        ({"power_factor": read(1.2)}, "power_factor"),
        ({"power": read(-100.0)}, "power"),
        ({"voltage": read(460.0, 461.0)}, "voltage"),
        ({"current": read(10.0, -1.0, 10.0)}, "current[1]"),
        ({"current": read(0.0, 0.0, 0.0)}, "current"),
        ({"voltage": Readings((460.0,) * 3, EXACT, "", ((1, 1, 1),) * 3)}, "voltage.places"),
        ({"motor_efficiency": Estimate(1.1, 0.0)}, "motor_efficiency"),
        ({"drive_efficiency": Estimate(0.0, 0.0)}, "drive_efficiency"),
        ({"nameplate_power": -1.0}, "nameplate_power"),
        ({"maximum_speed": 0.0}, "maximum_speed"),
        ({"motor_efficiency": None, "no_load_current": 14.0}, "no_load_current"),
        ({"curve_speed": None}, "curve_speed"),
        ({"curve_density": None}, "curve_density"),
        ({"curve_pressure": CURVE_PRESSURE[:-1]}, "curve_pressure"),
        ({"curve_u": -0.1}, "curve_u"),
        ({"speed": None, "earlier": FanState(Estimate(10.0, 0.1))}, "speed"),
        ({"air": Air(-5.0, 99_000.0)}, "air.temperature"),
        ({"air": Air(294.15, 99_000.0, static_pressure=-1e5)}, "air.static_pressure"),
    ],
)
def test_refusals_name_the_input(changes: dict[str, Any], named: str) -> None:
    with pytest.raises(Refused) as caught:
        trial(**changes)
    assert caught.value.input == named


def test_a_rise_of_exactly_nothing_carries_no_verdict() -> None:
    none = perfect(inlet_pressure=read(-300.0), outlet_pressure=read(-300.0), convention=FanStatic.FIELD)
    assert none.main.value == 0.0
    assert not none.verdict_allowed


@pytest.mark.parametrize(("low", "crossed"), [(0.0, True), (0.5, True), (-10.0, False), (None, False)])
def test_suction_by_an_instrument_whose_range_begins_at_zero_is_mirrored(
    low: float | None, crossed: bool
) -> None:
    bare = Instrument(accuracy=Accuracy(of_reading=0.01), low=low, high=1000.0)
    signed = take_signed(Readings((-200.0,), bare), "p", "inlet")
    assert signed.crossed == crossed
    assert signed_value(signed) == pytest.approx(-200.0)


def test_without_an_inlet_area_the_curve_is_looked_up_at_the_rise_itself() -> None:
    """As if the inlet were so wide that air stands still there."""
    none = perfect(convention=FanStatic.FIELD, inlet_area=None)
    wide = perfect(convention=FanStatic.FIELD, inlet_area=1e6)
    assert none.results["curve_flow"].value == pytest.approx(wide.results["curve_flow"].value, rel=1e-9)
