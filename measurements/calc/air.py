"""Moist air: density, saturation, humidity, pressure by altitude, velocity from pressure.

Formulas take SI values (K, Pa, relative humidity 0 to 1) and can be traced, so temperature, humidity and
pressure become inputs of a flow's uncertainty budget. `density_model` chooses the formula and refuses
what neither covers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from .errors import Refused, finite, not_negative, positive
from .trace import exp, log, sqrt

ZERO_CELSIUS = 273.15
STANDARD_PRESSURE = 101325.0
R_DRY_AIR = 287.042
"""Gas constant of dry air, J/(kg K) (ASHRAE Handbook Fundamentals, chapter 1)."""
MASS_RATIO = 0.621945
"""Molar mass of water over that of dry air (same source)."""
GAMMA = 1.4
STANDARD_AIR_IP = 0.075 * 0.45359237 / 0.3048**3
"""Standard air 0.075 lb/ft3 = 1.201385 kg/m3."""
STANDARD_AIR_SI = 1.204
"""Standard air of 20 degC, dry, 101325 Pa, as handbooks round it, kg/m3."""


def cipm_saturation_pressure(temperature: float) -> float:
    """Saturation vapour pressure over water in Pa, CIPM-2007 equation A1.1 (15 to 27 degC); K in."""
    t = temperature
    return exp(1.2378847e-5 * t * t - 1.9121316e-2 * t + 33.93711047 - 6.3431645e3 / t)


def cipm_density(temperature: float, pressure: float, humidity: float) -> float:
    """Density of moist air in kg/m3, CO2 fraction 400 ppm.

    temperature K, absolute pressure Pa, relative humidity 0 to 1. Valid 15 to 27 degC, 600 to 1100 hPa;
    relative standard uncertainty of the equation 22e-6.
    Source: Picard, Davis, Glaeser, Fujii, Metrologia 45 (2008) 149 (CIPM-2007).
    """
    t = temperature - ZERO_CELSIUS
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * t * t
    xv = humidity * enhancement * cipm_saturation_pressure(temperature) / pressure
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t * t
    first = first + (5.707e-6 - 2.051e-8 * t) * xv + (1.9898e-4 - 2.376e-6 * t) * xv * xv
    ratio = pressure / temperature
    z = 1.0 - ratio * first + ratio * ratio * (1.83e-11 - 0.765e-8 * xv * xv)
    return 3.483740e-3 * ratio / z * (1.0 - 0.3780 * xv)


def saturation_pressure_over_water(temperature: float) -> float:
    """Saturation vapour pressure over liquid water in Pa, 0 to 200 degC; temperature in K.

    Source: Hyland and Wexler (1983), as in ASHRAE Handbook Fundamentals chapter 1 equation 6.
    """
    t = temperature
    series = -5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t * t
    return exp(series - 1.4452093e-8 * t * t * t + 6.5459673 * log(t))


def saturation_pressure_over_ice(temperature: float) -> float:
    """Saturation vapour pressure over ice in Pa, -100 to 0 degC; temperature in K (equation 5 there)."""
    t = temperature
    series = -5.6745359e3 / t + 6.3925247 - 9.677843e-3 * t + 6.2215701e-7 * t * t
    return exp(series + 2.0747825e-9 * t**3.0 - 9.484024e-13 * t**4.0 + 4.1635019 * log(t))


def saturation_pressure(temperature: float) -> float:
    """Saturation vapour pressure in Pa at a temperature in K, over ice below the triple point (0.01 degC).

    Valid -100 to 200 degC; refused outside.
    """
    if not 173.15 <= finite("temperature", temperature) <= 473.15:
        raise Refused("temperature", "saturation pressure is known from 173.15 to 473.15 K", temperature)
    over_ice = temperature <= 273.16
    return (
        saturation_pressure_over_ice(temperature) if over_ice else saturation_pressure_over_water(temperature)
    )


def wide_density_over_water(temperature: float, pressure: float, humidity: float) -> float:
    """Density of moist air as a mixture of ideal gases, kg/m3; water side of `saturation_pressure`."""
    vapour = humidity * saturation_pressure_over_water(temperature)
    return (pressure - (1.0 - MASS_RATIO) * vapour) / (R_DRY_AIR * temperature)


def wide_density_over_ice(temperature: float, pressure: float, humidity: float) -> float:
    """The same below the triple point."""
    vapour = humidity * saturation_pressure_over_ice(temperature)
    return (pressure - (1.0 - MASS_RATIO) * vapour) / (R_DRY_AIR * temperature)


@dataclass(frozen=True, slots=True)
class DensityModel:
    """The formula that covers a state of air, and the relative standard uncertainty of the formula itself."""

    name: str
    function: Callable[[float, float, float], float]
    relative_u: float

    @property
    def within_cipm(self) -> bool:
        """Whether this is CIPM-2007 itself."""
        return self.function is cipm_density


_CIPM = DensityModel("CIPM-2007", cipm_density, 22e-6)
_WARM = DensityModel("ideal moist air", wide_density_over_water, 0.0010)
_HOT = DensityModel("ideal moist air, hot and humid", wide_density_over_water, 0.0025)
_COLD = DensityModel("ideal moist air over ice", wide_density_over_ice, 0.0010)


def density_model(temperature: float, pressure: float, humidity: float) -> DensityModel:
    """Choose the density formula for a state: K, Pa absolute, relative humidity 0 to 1.

    CIPM-2007 within 15 to 27 °C and 600 to 1100 hPa. Outside, moist air as ideal gases from -40 to 90 °C
    and 500 to 1200 hPa, with a relative standard uncertainty of 0.1 %, and 0.25 % where water vapour is more
    than 8 % of the pressure (found by comparison with a real-gas model; see the tests).
    Errors: Refused beyond that, for humidity outside 0 to 1 and for states that cannot be.
    """
    if finite("temperature", temperature) <= 0.0:
        raise Refused("temperature", "is at or below absolute zero (kelvin expected)", temperature)
    if finite("pressure", pressure) <= 0.0:
        raise Refused("pressure", "absolute pressure must be above zero", pressure)
    if not 0.0 <= finite("humidity", humidity) <= 1.0:
        raise Refused("humidity", "relative humidity must be from 0 to 1", humidity)
    if 288.15 - 1e-9 <= temperature <= 300.15 + 1e-9 and 60000.0 <= pressure <= 110000.0:
        return _CIPM
    if not 233.15 <= temperature <= 363.15:
        raise Refused("temperature", "air density is covered from -40 to 90 degC only", temperature)
    if not 50000.0 <= pressure <= 120000.0:
        raise Refused("pressure", "air density is covered from 500 to 1200 hPa only", pressure)
    vapour = humidity * saturation_pressure(temperature)
    if vapour > 0.5 * pressure:
        raise Refused("humidity", "more than half of the pressure would be water vapour", humidity)
    if temperature <= 273.16:
        return _COLD
    return _HOT if vapour > 0.08 * pressure else _WARM


def density(temperature: float, pressure: float, humidity: float) -> float:
    """Density of moist air in kg/m3 by the formula that `density_model` chooses."""
    return density_model(temperature, pressure, humidity).function(temperature, pressure, humidity)


def pressure_at_altitude(altitude: float) -> float:
    """Pressure in Pa of the standard atmosphere at a geopotential altitude in m, -2000 to 11000 m.

    Source: ISO 2533:1975 (T0 288.15 K, p0 101325 Pa, 6.5 K/km, R 287.05287 J/(kg K), g 9.80665 m/s2).
    Weather moves the true pressure by about 1 to 2 %.
    """
    if not -2000.0 <= finite("altitude", altitude) <= 11000.0:
        raise Refused("altitude", "the standard atmosphere is used from -2000 to 11000 m", altitude)
    return STANDARD_PRESSURE * math.pow(1.0 - 0.0065 * altitude / 288.15, 9.80665 / (287.05287 * 0.0065))


def to_standard_flow(flow: float, actual_density: float, standard_density: float) -> float:
    """Volume flow at standard density that carries the same mass: flow * density / standard density."""
    return flow * positive("density", actual_density) / positive("standard_density", standard_density)


def pitot_velocity(velocity_pressure: float, air_density: float, factor: float = 1.0) -> float:
    """Velocity in m/s from velocity pressure (Pa) and density (kg/m3): factor * sqrt(2 p / density).

    Incompressible (ISO 3966); reads high by about p / (4 gamma p_static): see `compressibility`.
    """
    return factor * sqrt(2.0 * velocity_pressure / air_density)


def compressibility(velocity_pressure: float, static_pressure: float) -> float:
    """True velocity over the incompressible one, for isentropic flow of air.

    velocity_pressure, static_pressure (absolute): Pa. Errors: Refused at and above the speed of sound.
    """
    x = not_negative("velocity_pressure", velocity_pressure) / positive("static_pressure", static_pressure)
    if x >= (1.0 + (GAMMA - 1.0) / 2.0) ** (GAMMA / (GAMMA - 1.0)) - 1.0:
        raise Refused("velocity_pressure", "is that of a sonic flow; check the unit", velocity_pressure)
    if x < 1e-9:
        return 1.0
    power = (GAMMA - 1.0) / GAMMA
    return math.sqrt(GAMMA / (GAMMA - 1.0) * math.expm1(power * math.log1p(x)) / x)


def humidity_ratio(temperature: float, pressure: float, humidity: float) -> float:
    """Mass of vapour per mass of dry air, kg/kg (ideal gases)."""
    vapour = _vapour_pressure(temperature, pressure, humidity)
    return MASS_RATIO * vapour / (pressure - vapour)


def specific_volume(temperature: float, pressure: float, humidity: float) -> float:
    """Volume of moist air per mass of dry air, m3/kg (ideal gases)."""
    return R_DRY_AIR * temperature / (pressure - _vapour_pressure(temperature, pressure, humidity))


def enthalpy(temperature: float, pressure: float, humidity: float) -> float:
    """Enthalpy of moist air, J per kg of dry air, zero for dry air and liquid water at 0 degC."""
    t = temperature - ZERO_CELSIUS
    return 1000.0 * (1.006 * t + humidity_ratio(temperature, pressure, humidity) * (2501.0 + 1.86 * t))


def dew_point(temperature: float, humidity: float) -> float:
    """Temperature in K at which the vapour of this air saturates. Humidity above 0."""
    vapour = positive("humidity", humidity) * saturation_pressure(temperature)
    return _solve(lambda t: saturation_pressure(t) - vapour, 173.15, temperature)


def humidity_from_dew_point(temperature: float, dew: float) -> float:
    """Relative humidity (0 to 1) from dry-bulb and dew-point temperatures in K."""
    if dew > temperature:
        raise Refused("dew_point", "lies above the dry-bulb temperature", dew)
    return saturation_pressure(dew) / saturation_pressure(temperature)


def humidity_from_wet_bulb(temperature: float, wet_bulb: float, pressure: float) -> float:
    """Relative humidity (0 to 1) from dry-bulb and wet-bulb temperatures in K and pressure in Pa.

    Source: ASHRAE Handbook Fundamentals chapter 1, equations 33 and 35.
    """
    if wet_bulb > temperature:
        raise Refused("wet_bulb", "lies above the dry-bulb temperature", wet_bulb)
    ratio = _ratio_from_wet_bulb(temperature, wet_bulb, pressure)
    if ratio < 0.0:
        raise Refused("wet_bulb", "is lower than dry air could reach", wet_bulb)
    return pressure * ratio / (MASS_RATIO + ratio) / saturation_pressure(temperature)


def wet_bulb(temperature: float, pressure: float, humidity: float) -> float:
    """Wet-bulb temperature in K of air at K, Pa, relative humidity 0 to 1."""
    ratio = humidity_ratio(temperature, pressure, humidity)
    low = max(173.15, temperature - 80.0)
    return _solve(lambda t: _ratio_from_wet_bulb(temperature, t, pressure) - ratio, low, temperature)


def _ratio_from_wet_bulb(temperature: float, bulb: float, pressure: float) -> float:
    t, w = temperature - ZERO_CELSIUS, bulb - ZERO_CELSIUS
    saturated = humidity_ratio(bulb, pressure, 1.0)
    if w >= 0.0:
        return ((2501.0 - 2.326 * w) * saturated - 1.006 * (t - w)) / (2501.0 + 1.86 * t - 4.186 * w)
    return ((2830.0 - 0.24 * w) * saturated - 1.006 * (t - w)) / (2830.0 + 1.86 * t - 2.1 * w)


def _vapour_pressure(temperature: float, pressure: float, humidity: float) -> float:
    if not 0.0 <= finite("humidity", humidity) <= 1.0:
        raise Refused("humidity", "relative humidity must be from 0 to 1", humidity)
    vapour = humidity * saturation_pressure(temperature)
    if vapour >= positive("pressure", pressure):
        raise Refused("pressure", "is below the vapour pressure: the water would boil", pressure)
    return vapour


def _solve(function: Callable[[float], float], low: float, high: float) -> float:
    """Root of an increasing function between low and high, by halving."""
    for _ in range(100):
        middle = 0.5 * (low + high)
        if function(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
