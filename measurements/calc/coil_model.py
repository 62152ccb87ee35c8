"""Heat of a coil: the formulas of both sides and the one model that joins them.

Air: mass flow of dry air from the actual volume flow, heat by the difference of moist enthalpies (ideal
gases; ASHRAE Handbook Fundamentals chapter 1). Water: rho Q cp dT. All SI; temperatures in K.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from .air import (
    MASS_RATIO,
    R_DRY_AIR,
    ZERO_CELSIUS,
    saturation_pressure_over_ice,
    saturation_pressure_over_water,
)
from .errors import positive
from .method import Estimate
from .trace import Formula
from .water import Liquid

DRY_HEAT, VAPOUR_HEAT, EVAPORATION, LIQUID_HEAT = 1006.0, 1860.0, 2.501e6, 4186.0
"""J/(kg K) of dry air and vapour, J/kg at 0 degC, J/(kg K) of condensate (ASHRAE Fundamentals)."""


class Side(StrEnum):
    """Where along the coil a flow was measured."""

    ENTERING = "entering"
    LEAVING = "leaving"


class Moisture(StrEnum):
    """What tells the moisture of the air at a place."""

    HUMIDITY = "humidity"
    """Relative humidity, 0 to 1."""
    WET_BULB = "wet_bulb"
    """Wet-bulb temperature, K."""
    CARRIED = "carried"
    """Nothing: as much water in each kilogram of dry air as at the other place."""


def water_heat(flow: float, density: float, specific_heat: float, difference: float) -> float:
    """Heat in W of a liquid: m3/s, kg/m3, J/(kg K), K. Can be traced."""
    return flow * density * specific_heat * difference


def sensible_heat(flow: float, density: float, specific_heat: float, difference: float) -> float:
    """Sensible heat of air in W: m3/s, kg/m3, J/(kg K), K. Can be traced.

    With 0.075 lb/ft3 and 0.24 Btu/(lb F) this is the trade's 1.08 cfm dT; moist air of W = 0.01 has 1.10.
    """
    return flow * density * specific_heat * difference


def total_heat(flow: float, density: float, enthalpy_difference: float) -> float:
    """Total heat of air in W: m3/s, kg/m3, J/kg (the trade's 4.5 cfm dh with 0.075 lb/ft3). Can be traced."""
    return flow * density * enthalpy_difference


def latent_heat(
    flow: float, density: float, ratio_difference: float, vapour_enthalpy: float = 2.5025e6
) -> float:
    """Latent heat of air in W: m3/s, kg/m3, kg/kg, J/kg of the vapour (1076 Btu/lb). Can be traced."""
    return flow * density * ratio_difference * vapour_enthalpy


def moist_specific_heat(ratio: float) -> float:
    """Specific heat in J per K and kg of dry air that carries `ratio` kg of vapour."""
    return DRY_HEAT + VAPOUR_HEAT * ratio


@dataclass(frozen=True, slots=True)
class HeatConsistency:
    """Air-side against water-side heat. difference: water - air, W. imbalance: its share of the air's.

    U: expanded uncertainty of the difference, W. normalised: |difference| / U (E_n of ISO 13528). agrees: up
    to 1.
    """

    difference: float
    imbalance: float
    U: float
    normalised: float
    agrees: bool


def heat_consistency(air: Estimate, water: Estimate, k: float = 2.0) -> HeatConsistency:
    """Do two independent figures of one heat agree? Magnitudes in W.

    `coil_heat` does the same with what both sides share. Errors: Refused unless both are above zero.
    """
    difference = positive("water", water.value) - positive("air", air.value)
    U = k * math.hypot(air.u, water.u)
    normalised = abs(difference) / U if U > 0.0 else (math.inf if difference else 0.0)
    return HeatConsistency(difference, difference / air.value, U, normalised, normalised <= 1.0)


class Heat(NamedTuple):
    """Outputs of the model, W unless named otherwise; those whose inputs are missing are not asked for."""

    air_sensible: float
    air_latent: float
    air_total: float
    water_heat: float
    imbalance: float
    air_difference: float
    water_difference: float


@dataclass(frozen=True, slots=True)
class Wiring:
    """The choices made before the model is traced. over_ice: of what tells the moisture at each place."""

    entering: Moisture
    leaving: Moisture
    entering_over_ice: bool
    leaving_over_ice: bool
    air_flow_at: Side
    water_flow_at: Side
    cools_air: bool
    condenses: bool


@lru_cache(maxsize=64)
def coil_model(liquid: Liquid, wiring: Wiring) -> Formula:
    """Both sides in one function, so that what one thermometer did to all places is seen.

    Sensible heat uses the mean moisture of both places, latent heat the mean temperature; so they add exactly
    to the difference of enthalpies. Condensate is taken to leave with the air's leaving temperature.
    """
    sign = 1.0 if wiring.cools_air else -1.0
    entering_ratio = _ratio(wiring.entering, wiring.entering_over_ice)
    leaving_ratio = _ratio(wiring.leaving, wiring.leaving_over_ice)

    def coil(
        air_flow: float,
        entering_air: float,
        leaving_air: float,
        entering_moisture: float,
        leaving_moisture: float,
        barometer: float,
        air_factor: float,
        water_flow: float,
        entering_water: float,
        leaving_water: float,
        share: float,
        density_factor: float,
        specific_heat_factor: float,
    ) -> Heat:
        if wiring.entering is Moisture.CARRIED:
            after = leaving_ratio(leaving_air, leaving_moisture, barometer)
            before = after
        else:
            before = entering_ratio(entering_air, entering_moisture, barometer)
            carried = wiring.leaving is Moisture.CARRIED
            after = before if carried else leaving_ratio(leaving_air, leaving_moisture, barometer)
        at_entering = wiring.air_flow_at is Side.ENTERING
        there, ratio = (entering_air, before) if at_entering else (leaving_air, after)
        volume = R_DRY_AIR * there * (1.0 + ratio / MASS_RATIO) / barometer
        mass = sign * air_flow * air_factor / volume
        fall = entering_air - leaving_air
        dried = before - after
        mean = 0.5 * (entering_air + leaving_air) - ZERO_CELSIUS
        sensible = mass * moist_specific_heat(0.5 * (before + after)) * fall
        latent = mass * dried * (EVAPORATION + VAPOUR_HEAT * mean)
        total = sensible + latent
        if wiring.condenses:
            total = total - mass * dried * LIQUID_HEAT * (leaving_air - ZERO_CELSIUS)
        metered = entering_water if wiring.water_flow_at is Side.ENTERING else leaving_water
        density = density_factor * liquid.density(metered, share)
        warm = 0.5 * (entering_water + leaving_water)
        heat = specific_heat_factor * liquid.specific_heat(warm, share)
        rise = leaving_water - entering_water
        water = sign * water_heat(water_flow, density, heat, rise)
        return Heat(sensible, latent, total, water, (water - total) / total, -fall, rise)

    return coil


def _ratio(moisture: Moisture, over_ice: bool) -> Callable[[float, float, float], float]:
    """Humidity ratio from dry bulb (K), what tells the moisture, and pressure (Pa); can be traced."""
    saturation = saturation_pressure_over_ice if over_ice else saturation_pressure_over_water

    def by_humidity(temperature: float, humidity: float, pressure: float) -> float:
        vapour = humidity * saturation(temperature)
        return MASS_RATIO * vapour / (pressure - vapour)

    def by_wet_bulb(temperature: float, bulb: float, pressure: float) -> float:
        t, w = temperature - ZERO_CELSIUS, bulb - ZERO_CELSIUS
        saturated = by_humidity(bulb, 1.0, pressure)
        if over_ice:
            return ((2830.0 - 0.24 * w) * saturated - 1.006 * (t - w)) / (2830.0 + 1.86 * t - 2.1 * w)
        return ((2501.0 - 2.326 * w) * saturated - 1.006 * (t - w)) / (2501.0 + 1.86 * t - 4.186 * w)

    return by_wet_bulb if moisture is Moisture.WET_BULB else by_humidity
