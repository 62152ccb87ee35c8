"""Coils: both sides by hand and against real-gas air, shared thermometers, directions, balance."""

import math
from dataclasses import replace

import pytest
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import air
from measurements.calc.coil import CoilHeat, coil_heat
from measurements.calc.coil_model import (
    Moisture,
    Side,
    Wiring,
    coil_model,
    heat_consistency,
    moist_specific_heat,
    sensible_heat,
    total_heat,
)
from measurements.calc.errors import Refused
from measurements.calc.instrument import Accuracy, CertificatePoint, Instrument
from measurements.calc.method import Code, Estimate
from measurements.calc.places import Readings, take_mean
from measurements.calc.plan import Sharing
from measurements.calc.records import from_plain, to_plain
from measurements.calc.simulate import monte_carlo
from measurements.calc.uncertainty import Effect
from measurements.calc.water import Fluid, FluidKind, density, liquid, specific_heat

THERMOMETER = Instrument(
    certificate=(CertificatePoint(263.15, 263.15, 0.2), CertificatePoint(363.15, 363.15, 0.2)),
    resolution=0.01,
    drift_absolute=0.05,
    low=243.15,
    high=383.15,
)
HYGROMETER = Instrument(accuracy=Accuracy(absolute=0.02), resolution=0.001)
BAROMETER = Estimate(98_000.0, 100.0)


def kelvin(*celsius: float, by: str = "thermometer", instrument: Instrument = THERMOMETER) -> Readings:
    return Readings(tuple(273.15 + c for c in celsius), instrument, by)


def humidity(*values: float) -> Readings:
    return Readings(values, HYGROMETER, "hygrometer")


def cooling(**changes: object) -> CoilHeat:
    plain = CoilHeat(
        air_flow=Estimate(2.0, 0.05),
        entering_air=kelvin(27.0),
        leaving_air=kelvin(13.0),
        entering_humidity=humidity(0.5),
        leaving_humidity=humidity(0.93),
        barometer=BAROMETER,
        water_flow=Estimate(0.00193, 0.00003),
        entering_water=kelvin(7.0),
        leaving_water=kelvin(13.0),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def heating(**changes: object) -> CoilHeat:
    plain = CoilHeat(
        air_flow=Estimate(1.5, 0.04),
        entering_air=kelvin(12.0),
        leaving_air=kelvin(32.0),
        entering_humidity=humidity(0.6),
        barometer=BAROMETER,
        water_flow=Estimate(0.00076, 0.00001),
        entering_water=kelvin(70.0),
        leaving_water=kelvin(58.0),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_water_side_by_hand() -> None:
    result = coil_heat(cooling())
    heat = 0.00193 * density(Fluid(), 286.15) * specific_heat(Fluid(), 283.15) * 6.0
    assert result.measurand == "heat"
    assert result.main.value == pytest.approx(heat, rel=1e-12)
    assert result.results["water_heat"].value == result.main.value
    assert result.classes == {"heat_from": "water", "direction": "air_to_water"}
    at_entering = coil_heat(cooling(water_flow_at=Side.ENTERING)).main.value
    assert at_entering == pytest.approx(heat * density(Fluid(), 280.15) / density(Fluid(), 286.15))
    assert result.verdict_allowed
    for r in result.results.values():
        assert sum(row.share for row in r.budget) == pytest.approx(1.0, abs=1e-9)


def test_air_side_by_hand() -> None:
    found = {n: r.value for n, r in coil_heat(cooling()).results.items()}
    states = ((300.15, 0.5), (286.15, 0.93))
    h1, h2 = (air.enthalpy(t, 98_000.0, rh) for t, rh in states)
    w1, w2 = (air.humidity_ratio(t, 98_000.0, rh) for t, rh in states)
    mass = 2.0 / air.specific_volume(300.15, 98_000.0, 0.5)
    condensate = mass * (w1 - w2) * 4186.0 * 13.0
    assert found["air_sensible"] + found["air_latent"] == pytest.approx(mass * (h1 - h2), rel=1e-9)
    assert found["air_total"] == pytest.approx(mass * (h1 - h2) - condensate, rel=1e-9)
    specific = 1006.0 + 1860.0 * 0.5 * (w1 + w2)
    assert found["air_sensible"] == pytest.approx(mass * specific * 14.0, rel=1e-9)
    assert found["imbalance"] == pytest.approx(found["water_heat"] / found["air_total"] - 1.0)
    leaving = coil_heat(cooling(air_flow_at=Side.LEAVING)).results["air_total"].value
    ratio = air.specific_volume(300.15, 98_000.0, 0.5) / air.specific_volume(286.15, 98_000.0, 0.93)
    assert leaving == pytest.approx(found["air_total"] * ratio, rel=1e-9)


@pytest.mark.parametrize(
    "states", [((35.0, 0.4), (14.0, 0.95)), ((24.0, 0.5), (12.0, 0.98)), ((30.0, 0.7), (16.0, 0.9))]
)
@pytest.mark.parametrize("pressure", [101_325.0, 84_000.0])
def test_air_against_a_real_gas_model(states: tuple[tuple[float, float], ...], pressure: float) -> None:
    """Heat by CoolProp's humid air (real gases); ours are ideal gases with half a percent stated."""
    (t1, r1), (t2, r2) = states
    inputs = cooling(
        entering_air=kelvin(t1),
        leaving_air=kelvin(t2),
        entering_humidity=humidity(r1),
        leaving_humidity=humidity(r2),
        barometer=Estimate(pressure, 0.0),
    )
    found = coil_heat(inputs).results
    real = [
        [HAPropsSI(name, "T", 273.15 + t, "P", pressure, "R", r) for name in ("H", "W", "V")]
        for t, r in states
    ]
    (h1, w1, v1), (h2, w2, _) = real
    wanted = 2.0 / v1 * (h1 - h2 - (w1 - w2) * 4186.0 * t2)
    assert found["air_total"].value == pytest.approx(wanted, rel=2.0 * 0.005)


def test_wet_bulb_and_humidity_tell_the_same() -> None:
    bulbs = [air.wet_bulb(t, 98_000.0, rh) - 273.15 for t, rh in ((300.15, 0.5), (286.15, 0.93))]
    by_bulb = coil_heat(
        cooling(
            entering_humidity=None,
            leaving_humidity=None,
            entering_wet_bulb=kelvin(bulbs[0]),
            leaving_wet_bulb=kelvin(bulbs[1]),
        )
    )
    by_humidity = coil_heat(cooling())
    for name in ("air_sensible", "air_latent", "air_total"):
        assert by_bulb.results[name].value == pytest.approx(by_humidity.results[name].value, rel=1e-6)


def test_frosty_air_uses_ice() -> None:
    inputs = heating(entering_air=kelvin(-8.0), entering_humidity=humidity(0.8))
    mass = 1.5 / air.specific_volume(265.15, 98_000.0, 0.8)
    ratio = air.humidity_ratio(265.15, 98_000.0, 0.8)
    found = coil_heat(inputs).results["air_sensible"].value
    assert found == pytest.approx(mass * moist_specific_heat(ratio) * 40.0, rel=1e-9)
    bulb = air.wet_bulb(265.15, 98_000.0, 0.8) - 273.15
    by_bulb = coil_heat(replace(inputs, entering_humidity=None, entering_wet_bulb=kelvin(bulb)))
    assert by_bulb.results["air_sensible"].value == pytest.approx(found, rel=1e-6)


def test_frosty_air_of_unknown_humidity_uses_ice_too() -> None:
    found = coil_heat(heating(entering_air=kelvin(-25.0), leaving_air=kelvin(5.0), entering_humidity=None))
    ratio = air.humidity_ratio(248.15, 98_000.0, 0.5)
    mass = 1.5 / air.specific_volume(248.15, 98_000.0, 0.5)
    wanted = mass * moist_specific_heat(ratio) * 30.0
    assert found.results["air_sensible"].value == pytest.approx(wanted, rel=1e-9)


def test_one_hygrometer_and_one_wet_bulb_cancel_in_differences() -> None:
    apart = replace(humidity(0.93), by="another")
    by_one, by_two = (coil_heat(cooling(leaving_humidity=h)) for h in (humidity(0.93), apart))
    assert by_one.results["air_latent"].u < 0.95 * by_two.results["air_latent"].u
    bulbs = {"entering_humidity": None, "leaving_humidity": None, "entering_wet_bulb": kelvin(19.5)}
    one, two = (
        coil_heat(cooling(leaving_wet_bulb=kelvin(12.4, by=by), **bulbs)) for by in ("thermometer", "another")
    )
    assert one.results["air_total"].value == two.results["air_total"].value
    assert one.results["air_total"].u < 0.95 * two.results["air_total"].u


def test_heating_adds_no_moisture() -> None:
    result = coil_heat(heating())
    assert result.classes["direction"] == "water_to_air"
    assert result.results["air_total"].value == pytest.approx(result.results["air_sensible"].value)
    assert result.main.value > 0.0
    assert "air_latent" not in result.results
    second = coil_heat(heating(leaving_humidity=humidity(0.3)))
    assert second.results["air_total"].value == result.results["air_total"].value
    carried = coil_heat(heating(entering_humidity=None, leaving_humidity=humidity(0.17)))
    assert carried.results["air_total"].value == pytest.approx(result.results["air_total"].value, rel=0.002)
    unknown = coil_heat(heating(entering_humidity=None))
    assert unknown.remark(Code.HUMIDITY_ASSUMED) is not None
    assert "Humidity not measured" in {row.name for row in unknown.results["air_total"].budget}


def test_cooling_without_moisture_at_both_ends_has_no_total() -> None:
    both = coil_heat(cooling(leaving_humidity=None))
    assert both.remark(Code.LATENT_NOT_MEASURED) is not None
    assert "air_total" not in both.results
    assert "imbalance" not in both.results
    assert both.classes["heat_from"] == "water"
    assert both.verdict_allowed
    alone = coil_heat(cooling(leaving_humidity=None, water_flow=None))
    assert alone.classes["heat_from"] == "air_sensible"
    assert not alone.verdict_allowed
    assert "water_difference" in alone.results


def test_air_that_loses_no_moisture_leaves_no_condensate() -> None:
    """Readings may show more moisture after a dry coil than before it: nothing drips all the same."""
    found = {n: r.value for n, r in coil_heat(cooling(entering_humidity=humidity(0.35))).results.items()}
    assert found["air_latent"] < 0.0
    assert found["air_total"] == pytest.approx(found["air_sensible"] + found["air_latent"], rel=1e-12)


def test_the_air_alone() -> None:
    result = coil_heat(cooling(water_flow=None, entering_water=None, leaving_water=None))
    assert result.classes["heat_from"] == "air_total"
    assert result.main.value == result.results["air_total"].value
    assert result.verdict_allowed


def test_one_thermometer_cancels_in_differences() -> None:
    same = coil_heat(cooling())
    other = coil_heat(cooling(leaving_water=kelvin(13.0, by="another")))
    assert same.main.value == other.main.value
    assert same.results["water_difference"].u < 0.5 * other.results["water_difference"].u
    expected = 6.0 * math.hypot(0.1, 0.05 / math.sqrt(3.0), 0.01 / math.sqrt(12.0)) * math.sqrt(2.0) / 6.0
    assert other.results["water_difference"].u == pytest.approx(expected, rel=1e-6)


def test_first_order_agrees_with_simulation() -> None:
    """Independent thermometers, total heat of both sides and their imbalance."""
    places = {
        "entering_air": kelvin(27.0, by="a"),
        "leaving_air": kelvin(13.0, by="b"),
        "entering_water": kelvin(7.0, by="c"),
        "leaving_water": kelvin(13.0, by="d"),
    }
    result = coil_heat(
        cooling(
            entering_humidity=humidity(0.5), leaving_humidity=replace(humidity(0.9), by="other"), **places
        )
    )
    taken = {name: take_mean(r, name, name) for name, r in places.items()}
    first, last = (
        take_mean(humidity(v), f"{n}_moisture", n) for n, v in (("entering", 0.5), ("leaving", 0.9))
    )
    water = liquid(Fluid())
    wiring = Wiring(
        Moisture.HUMIDITY, Moisture.HUMIDITY, False, False, Side.ENTERING, Side.LEAVING, True, True
    )
    values = {
        **{n: t.value for n, t in taken.items()},
        "entering_moisture": 0.5,
        "leaving_moisture": 0.9,
        "air_flow": 2.0,
        "water_flow": 0.00193,
        "barometer": 98_000.0,
        "share": 0.0,
        **dict.fromkeys(("air_factor", "density_factor", "specific_heat_factor"), 1.0),
    }
    given = {
        "air_flow": 0.05,
        "water_flow": 0.00003,
        "barometer": 100.0,
        "air_factor": 0.005,
        "density_factor": water.density_u,
        "specific_heat_factor": water.specific_heat_u,
    }
    effects = [e for t in (*taken.values(), first, last) for e in t.effects]
    effects += [Effect(n, n, u, Sharing.COMMON) for n, u in given.items()]
    for name in ("air_total", "water_heat", "imbalance"):
        drawn = monte_carlo(coil_model(water, wiring), values, effects, output=name, trials=60_000)
        assert drawn.value == pytest.approx(result.results[name].value, rel=0.002, abs=0.005)
        assert drawn.u == pytest.approx(result.results[name].u, rel=0.03)


def test_balance_within_and_beyond_its_uncertainty() -> None:
    good = coil_heat(cooling())
    assert good.remark(Code.HEAT_BALANCE) is None
    bad = coil_heat(cooling(water_flow=Estimate(0.0030, 0.00003)))
    remark = bad.remark(Code.HEAT_BALANCE)
    assert remark is not None
    assert remark.numbers["imbalance"] > remark.numbers["U"] > 0.0


def test_a_small_temperature_difference_carries_no_verdict() -> None:
    result = coil_heat(heating(entering_water=kelvin(60.0, by="x"), leaving_water=kelvin(59.0, by="y")))
    remark = result.remark(Code.SMALL_DIFFERENCE)
    assert remark is not None
    assert remark.points == ("water",)
    assert not result.verdict_allowed
    air_side = coil_heat(
        heating(entering_air=kelvin(20.0, by="x"), leaving_air=kelvin(20.5, by="y"), entering_humidity=None)
    )
    small = air_side.remark(Code.SMALL_DIFFERENCE)
    assert small is not None
    assert small.points == ("air",)
    assert air_side.verdict_allowed
    nothing = coil_heat(heating(leaving_water=kelvin(70.0)))
    assert nothing.main.value == 0.0
    assert not nothing.verdict_allowed


def test_sides_that_contradict_in_direction() -> None:
    result = coil_heat(cooling(entering_water=kelvin(13.0), leaving_water=kelvin(7.0)))
    assert result.remark(Code.HEAT_DIRECTIONS) is not None
    assert not result.verdict_allowed
    assert coil_heat(cooling()).remark(Code.HEAT_DIRECTIONS) is None


@given(st.floats(0.2, 5.0), st.floats(0.2, 5.0))
def test_heat_goes_with_each_flow(more_air: float, more_water: float) -> None:
    once = coil_heat(cooling()).results
    times = coil_heat(
        cooling(air_flow=Estimate(2.0 * more_air, 0.0), water_flow=Estimate(0.00193 * more_water, 0.0))
    ).results
    for name in ("air_sensible", "air_latent", "air_total"):
        assert times[name].value == pytest.approx(more_air * once[name].value)
    assert times["water_heat"].value == pytest.approx(more_water * once["water_heat"].value)


@given(st.floats(1.0, 30.0))
def test_relative_uncertainty_grows_as_the_difference_shrinks(rise: float) -> None:
    def doubt(by: float) -> float:
        inputs = heating(
            entering_water=kelvin(50.0 + by, by="a"), leaving_water=kelvin(50.0, by="b"), air_flow=None
        )
        return coil_heat(inputs).main.relative_U

    assert doubt(rise) > doubt(rise + 1.0)


def test_glycol_taken_as_water_reads_high() -> None:
    water, glycol = (coil_heat(cooling(fluid=f)) for f in (Fluid(), Fluid(FluidKind.ETHYLENE_GLYCOL, 0.35)))
    assert glycol.main.value < 0.95 * water.main.value
    assert "Glycol share" in {row.name for row in glycol.main.budget}
    assert glycol.main.relative_U > water.main.relative_U


def test_consistency_of_two_figures() -> None:
    found = heat_consistency(Estimate(100e3, 3e3), Estimate(106e3, 4e3))
    assert found.difference == pytest.approx(6e3)
    assert found.imbalance == pytest.approx(0.06)
    assert math.isclose(found.U, 10e3)
    assert found.normalised == pytest.approx(0.6)
    assert found.agrees
    assert not heat_consistency(Estimate(100e3, 3e3), Estimate(115e3, 4e3)).agrees
    assert heat_consistency(Estimate(1.0, 0.0), Estimate(1.0, 0.0)).agrees
    with pytest.raises(Refused):
        heat_consistency(Estimate(0.0, 1.0), Estimate(1.0, 1.0))


def test_rules_of_the_trade_are_the_same_formulas() -> None:
    assert total_heat(2.0, 1.2, 10.0) == pytest.approx(sensible_heat(2.0, 1.2, 1_000.0, 0.01))


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"air_flow": None, "water_flow": None}, "water_flow"),
        ({"leaving_air": None}, "leaving_air"),
        ({"entering_water": None}, "entering_water"),
        ({"barometer": None}, "barometer"),
        ({"barometer": Estimate(1_013.0, 1.0)}, "barometer"),
        ({"air_flow": Estimate(0.0, 0.1)}, "air_flow"),
        ({"water_flow": Estimate(math.nan, 0.1)}, "water_flow"),
        ({"water_flow": Estimate(0.001, -0.1)}, "water_flow.u"),
        ({"entering_air": Readings((27.0,), Instrument())}, "entering_air"),
        ({"entering_water": Readings((12.0,), Instrument())}, "entering_water"),
        ({"entering_humidity": humidity(1.1)}, "entering_humidity"),
        ({"entering_humidity": humidity(-0.1)}, "entering_humidity"),
        ({"entering_wet_bulb": kelvin(20.0)}, "entering_wet_bulb"),
        ({"entering_humidity": None, "entering_wet_bulb": kelvin(28.0)}, "entering_wet_bulb"),
        ({"leaving_humidity": None, "leaving_wet_bulb": kelvin(1.0)}, "leaving_wet_bulb"),
        ({"fluid": Fluid(FluidKind.WATER, 0.1)}, "fluid.share"),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        coil_heat(cooling(**changes))
    assert caught.value.input == named


def test_stored_and_read_back_it_is_the_same() -> None:
    inputs = cooling(fluid=Fluid(FluidKind.PROPYLENE_GLYCOL, 0.3))
    again = from_plain(CoilHeat, to_plain(inputs))
    assert again == inputs
    assert coil_heat(again).digest == coil_heat(inputs).digest
