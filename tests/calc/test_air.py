"""Air: independent libraries as judges, joins between formulas, refusals."""

import math

import CoolProp.CoolProp as coolprop
import fluids.atmosphere
import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from measurements.calc import Air, Code, Refused, air, resolve_air

psychrolib.SetUnitSystem(psychrolib.SI)
temperatures = st.floats(234.0, 363.0)
pressures = st.floats(50_500.0, 119_000.0)
humidities = st.floats(0.0, 1.0)


def _possible(t: float, p: float, h: float) -> bool:
    return h * air.saturation_pressure(t) < 0.45 * p


@settings(deadline=None, max_examples=300)
@given(temperatures, pressures, humidities)
def test_density_lies_within_its_stated_uncertainty_of_a_real_gas_model(t: float, p: float, h: float) -> None:
    if not _possible(t, p, h):
        return
    model = air.density_model(t, p, h)
    # Vha: volume of the mixture; 3e-4 is what the real-gas model itself differs from CIPM-2007.
    reference = 1.0 / HAPropsSI("Vha", "T", t, "P", p, "R", h)
    allowed = 3e-4 if model.within_cipm else 1.8 * model.relative_u
    assert model.function(t, p, h) == pytest.approx(reference, rel=allowed)


@given(st.floats(288.15, 300.15), st.floats(60_000.0, 110_000.0), humidities)
def test_both_formulas_agree_where_both_hold(t: float, p: float, h: float) -> None:
    assert air.wide_density_over_water(t, p, h) == pytest.approx(air.cipm_density(t, p, h), rel=1.2e-3)


@given(st.floats(-99.0, 199.0))
def test_saturation_pressure_against_psychrolib(celsius: float) -> None:
    ours = air.saturation_pressure(celsius + 273.15)
    assert ours == pytest.approx(psychrolib.GetSatVapPres(celsius), rel=1e-9)


@given(st.floats(1.0, 80.0))
def test_saturation_pressure_against_a_water_formulation(celsius: float) -> None:
    reference = coolprop.PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water")
    assert air.saturation_pressure(celsius + 273.15) == pytest.approx(reference, rel=6e-4)


@settings(deadline=None)
@given(st.floats(-20.0, 60.0), st.floats(0.05, 1.0), st.floats(70_000.0, 105_000.0))
def test_moist_air_against_psychrolib(celsius: float, h: float, p: float) -> None:
    t = celsius + 273.15
    ratio = psychrolib.GetHumRatioFromRelHum(celsius, h, p)
    assert air.humidity_ratio(t, p, h) == pytest.approx(ratio, rel=1e-9)
    assert air.specific_volume(t, p, h) == pytest.approx(
        psychrolib.GetMoistAirVolume(celsius, ratio, p), rel=2e-5
    )
    assert air.enthalpy(t, p, h) == pytest.approx(
        psychrolib.GetMoistAirEnthalpy(celsius, ratio), rel=1e-9, abs=1e-6
    )
    assert air.dew_point(t, h) - 273.15 == pytest.approx(
        psychrolib.GetTDewPointFromRelHum(celsius, h), abs=0.011
    )
    bulb = psychrolib.GetTWetBulbFromRelHum(celsius, h, p)
    if abs(bulb) > 0.2:  # at the freezing point the bulb may be wet or iced, and each is right
        assert air.wet_bulb(t, p, h) - 273.15 == pytest.approx(bulb, abs=0.03)


@given(st.floats(255.0, 330.0), st.floats(0.02, 1.0), st.floats(70_000.0, 105_000.0))
def test_humidity_comes_back_from_wet_bulb_and_dew_point(t: float, h: float, p: float) -> None:
    assert air.humidity_from_dew_point(t, air.dew_point(t, h)) == pytest.approx(h, rel=1e-9)
    if t > 274.0 and air.wet_bulb(t, p, h) > 273.2:
        assert air.humidity_from_wet_bulb(t, air.wet_bulb(t, p, h), p) == pytest.approx(h, rel=1e-7)


@given(st.floats(0.0, 5000.0))
def test_standard_atmosphere_against_a_library(geometric: float) -> None:
    reference = fluids.atmosphere.ATMOSPHERE_1976(geometric)
    assert air.pressure_at_altitude(reference.H) == pytest.approx(reference.P, rel=1e-5)


@pytest.mark.parametrize(
    ("state", "named"),
    [
        ((0.0, 1e5, 0.5), "temperature"),
        ((-5.0, 1e5, 0.5), "temperature"),
        ((math.nan, 1e5, 0.5), "temperature"),
        ((math.inf, 1e5, 0.5), "temperature"),
        ((230.0, 1e5, 0.5), "temperature"),
        ((370.0, 1e5, 0.5), "temperature"),
        ((293.0, 0.0, 0.5), "pressure"),
        ((293.0, -10.0, 0.5), "pressure"),
        ((293.0, 40_000.0, 0.5), "pressure"),
        ((293.0, 130_000.0, 0.5), "pressure"),
        ((293.0, 1e5, 45.0), "humidity"),
        ((293.0, 1e5, -0.1), "humidity"),
        ((360.0, 1e5, 1.0), "humidity"),
    ],
)
def test_states_that_are_not_covered_are_refused(state: tuple[float, float, float], named: str) -> None:
    with pytest.raises(Refused) as caught:
        air.density(*state)
    assert caught.value.input == named


def test_a_bare_celsius_is_refused_not_computed() -> None:
    with pytest.raises(Refused, match="-40 to 90 degC"):
        air.density(21.0, 101325.0, 0.5)


def test_sonic_pressures_are_refused() -> None:
    assert air.compressibility(0.89 * 1e5, 1e5) < 0.9
    with pytest.raises(Refused, match="sonic"):
        air.compressibility(0.9 * 1e5, 1e5)
    assert air.compressibility(0.0, 1e5) == 1.0


def test_what_is_not_told_of_the_air() -> None:
    """No static pressure: the room's. Without figures of its own a barometer errs by 1 hPa (practice)."""
    told = resolve_air(Air(293.15, 101_325.0, static_pressure=0.0, barometer_u=100.0, humidity=0.5))
    assert resolve_air(Air(293.15, 101_325.0, humidity=0.5)) == told
    assert told.pressure == 101_325.0


def test_air_without_barometer_takes_the_altitude_and_says_so() -> None:
    state = resolve_air(Air(283.15, altitude=1500.0, static_pressure=200.0))
    assert state.pressure == pytest.approx(84_556.0 + 200.0, abs=1.0)
    assert [r.code for r in state.remarks] == [
        Code.PRESSURE_FROM_ALTITUDE,
        Code.HUMIDITY_ASSUMED,
        Code.DENSITY_OUTSIDE_CIPM,
    ]
    (weather,) = [e for e in state.effects if e.on == "barometer"]
    assert weather.u == 800.0  # Pa; what the weather does to the standard pressure (practice)
    with pytest.raises(Refused, match="altitude instead"):
        resolve_air(Air(283.15))
    with pytest.raises(Refused, match="absolute pressure negative"):
        resolve_air(Air(283.15, 98_000.0, static_pressure=-99_000.0))
