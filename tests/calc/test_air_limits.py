"""Where each formula for air begins and ends: both sides of every limit."""

import math

import pytest

from measurements.calc import Refused, air

ICE, WATER = air.saturation_pressure_over_ice, air.saturation_pressure_over_water


@pytest.mark.parametrize(
    ("function", "last", "beyond", "match"),
    [
        (air.saturation_pressure, 173.15, 173.14, "saturation pressure is known"),
        (air.saturation_pressure, 473.15, 473.16, "saturation pressure is known"),
        (air.pressure_at_altitude, -2000.0, -2000.1, "altitude"),
        (air.pressure_at_altitude, 11000.0, 11000.1, "altitude"),
        (lambda t: air.density(t, 101325.0, 0.0), 233.15, 233.14, "-40 to 90"),
        (lambda t: air.density(t, 101325.0, 0.0), 363.15, 363.16, "-40 to 90"),
        (lambda t: air.density(t, 101325.0, 0.0), 1e-9 + 233.15, 1e-9, "-40 to 90"),
        (lambda t: air.density(t, 101325.0, 0.0), 233.15, 0.0, "absolute zero"),
        (lambda p: air.density(310.0, p, 0.0), 50000.0, 49999.9, "500 to 1200 hPa"),
        (lambda p: air.density(310.0, p, 0.0), 120000.0, 120000.1, "500 to 1200 hPa"),
        (lambda p: air.density(310.0, p, 0.0), 50000.0, 0.0, "above zero"),
        (lambda h: air.density(310.0, 101325.0, h), 0.0, -1e-9, "humidity"),
        (lambda h: air.density(310.0, 101325.0, h), 1.0, 1.0 + 1e-9, "humidity"),
        (lambda h: air.humidity_ratio(310.0, 101325.0, h), 0.0, -1e-9, "humidity"),
        (lambda h: air.humidity_ratio(310.0, 101325.0, h), 1.0, 1.0 + 1e-9, "humidity"),
        (lambda h: air.dew_point(300.0, h), 1e-3, 0.0, "humidity"),
        (lambda d: air.humidity_from_dew_point(300.0, d), 300.0, 300.001, "dew_point"),
        (lambda w: air.humidity_from_wet_bulb(300.0, w, 101325.0), 300.0, 300.001, "wet_bulb"),
        (lambda w: air.humidity_from_wet_bulb(300.0, w, 101325.0), 283.0, 280.0, "drier|lower than dry"),
    ],
)
def test_the_last_that_is_covered_and_the_first_that_is_not(
    function: object, last: float, beyond: float, match: str
) -> None:
    assert math.isfinite(function(last))  # type: ignore[operator]
    with pytest.raises(Refused, match=match):
        function(beyond)  # type: ignore[operator]


def test_which_formula_where() -> None:
    def name(t: float, p: float = 101325.0, h: float = 0.5) -> str:
        return air.density_model(t, p, h).name

    cipm, ideal = "CIPM-2007", "ideal moist air"
    assert [name(t) for t in (288.14, 288.15, 300.15, 300.16)] == [ideal, cipm, cipm, ideal]
    assert [name(293.15, p) for p in (59999.0, 60000.0, 110000.0, 110001.0)] == [ideal, cipm, cipm, ideal]
    assert name(273.16) == "ideal moist air over ice"
    assert name(273.17) == ideal
    at = 0.08 * 101325.0 / WATER(330.0)
    assert name(330.0, 101325.0, at * (1.0 - 1e-9)) == ideal
    assert name(330.0, 101325.0, at * (1.0 + 1e-9)) == "ideal moist air, hot and humid"
    half = 0.5 * 101325.0 / WATER(360.0)
    assert name(360.0, 101325.0, half * (1.0 - 1e-9)) == "ideal moist air, hot and humid"
    with pytest.raises(Refused, match="more than half"):
        name(360.0, 101325.0, half * (1.0 + 1e-9))
    doubts = {air.density_model(t, 101325.0, 0.9).relative_u for t in (293.15, 305.0, 330.0, 260.0)}
    assert doubts == {22e-6, 0.001, 0.0025}
    assert air.density_model(293.15, 101325.0, 0.5).within_cipm
    assert not air.density_model(305.0, 101325.0, 0.5).within_cipm


def test_ice_and_water_meet_at_the_triple_point() -> None:
    """611.657 Pa at 273.16 K (IAPWS); the two fits meet within a hundredth of a percent there."""
    assert ICE(273.16) == pytest.approx(611.657, rel=2e-4)
    assert WATER(273.16) == pytest.approx(611.657, rel=2e-4)
    assert air.saturation_pressure(273.16) == ICE(273.16)
    assert air.saturation_pressure(273.17) == WATER(273.17)


def test_mass_flow_is_kept() -> None:
    assert air.to_standard_flow(2.0, 0.9, 1.2) == pytest.approx(1.5)
    for wrong in ((2.0, 0.0, 1.2), (2.0, 1.2, 0.0)):
        with pytest.raises(Refused, match="density"):
            air.to_standard_flow(*wrong)


def test_pressure_at_which_water_boils() -> None:
    vapour = WATER(350.0)
    with pytest.raises(Refused, match="boil"):
        air.humidity_ratio(350.0, vapour, 1.0)
    assert air.humidity_ratio(350.0, 2.0 * vapour, 1.0) == pytest.approx(air.MASS_RATIO)


def test_compressibility_from_nothing_to_sound() -> None:
    """Isentropic flow: p0 / p = (1 + 0.2 M^2)^3.5, V = M a; at Mach 1 the ratio is 1.8929."""
    for mach in (1e-6, 1e-3, 0.1, 0.5, 0.99):
        rise = (1.0 + 0.2 * mach**2) ** 3.5 - 1.0
        incompressible = math.sqrt(2.0 * rise / 1.4) if rise > 1e-12 else mach
        assert air.compressibility(1e5 * rise, 1e5) == pytest.approx(mach / incompressible, rel=1e-6)
    sonic = 1.2**3.5 - 1.0
    assert air.compressibility(1e5 * sonic * (1.0 - 1e-9), 1e5) < 0.93
    with pytest.raises(Refused, match="sonic"):
        air.compressibility(1e5 * sonic * (1.0 + 1e-12), 1e5)
    assert air.compressibility(0.0, 1e5) == 1.0
    with pytest.raises(Refused, match="static_pressure"):
        air.compressibility(10.0, 0.0)


def test_wet_bulb_of_saturated_air_and_below_freezing() -> None:
    for t in (262.0, 280.0, 300.0):
        assert air.wet_bulb(t, 101325.0, 1.0) == pytest.approx(t, abs=1e-6)
    cold = air.wet_bulb(276.0, 101325.0, 0.2)
    assert cold < 273.15
    assert air.humidity_from_wet_bulb(276.0, cold, 101325.0) == pytest.approx(0.2, abs=1e-9)
    assert air.dew_point(300.0, 1.0) == pytest.approx(300.0, abs=1e-9)
    dry = air.wet_bulb(300.0, 101325.0, 0.0)
    assert air.humidity_from_wet_bulb(300.0, dry, 101325.0) == pytest.approx(0.0, abs=1e-9)
