"""The measurement models of fixed flow devices, each written once as a plain function that can be traced."""

from __future__ import annotations

import math
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from .devices import Device, coefficient_formula, expansibility_formula
from .models import DensityFunction
from .trace import Formula, sqrt

TURNS = 2
"""Turns of C against the Reynolds number inside the model; it starts from the settled C, and each turn
leaves about one hundredth of the error of a sensitivity."""


class Fluid(StrEnum):
    """What flows."""

    AIR = "air"
    WATER = "water"


class FactorBasis(StrEnum):
    """What a device's factor K means."""

    AT_FACTOR_DENSITY = "at_factor_density"
    """Flow = K sqrt(dp) for air of the factor's density; K in m3/s/Pa^0.5."""
    OVER_DENSITY = "over_density"
    """Flow = K sqrt(dp / density); K in m3/s (kg/m3)^0.5 / Pa^0.5, that is m2."""


class StationFlow(NamedTuple):
    """m3/s, m3/s at standard density, m/s in the pipe, kg/m3, kg/s, and the device's own figures."""

    flow: float
    standard_flow: float
    velocity: float
    density: float
    mass_flow: float
    coefficient: float
    expansibility: float
    reynolds: float


def sutherland_viscosity(temperature: float) -> float:
    """Dynamic viscosity of dry air, Pa s, at a temperature in K (Sutherland's formula as in ISO 2533:1975).

    Within 1 % for room air; water vapour lowers it by less than that up to 30 degC.
    """
    return 1.458e-6 * temperature * sqrt(temperature) / (temperature + 110.4)


def _by_factor(
    basis: FactorBasis, pressure: float, factor: float, factor_density: float, density: float
) -> float:
    if basis is FactorBasis.OVER_DENSITY:
        return factor * sqrt(pressure / density)
    return factor * sqrt(pressure * factor_density / density)


@lru_cache(maxsize=32)
def factor_model(density_of: DensityFunction, basis: FactorBasis) -> Formula:
    """Flow of air by a device's factor."""

    def station(
        pressure: float,
        factor: float,
        factor_density: float,
        pipe_diameter: float,
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        standard_density: float,
    ) -> StationFlow:
        density = density_factor * density_of(temperature, barometer + static_pressure, humidity)
        flow = _by_factor(basis, pressure, factor, factor_density, density)
        velocity = flow / (math.pi / 4.0 * pipe_diameter * pipe_diameter)
        mass = flow * density
        return StationFlow(flow, mass / standard_density, velocity, density, mass, 0.0, 0.0, 0.0)

    return station


@lru_cache(maxsize=8)
def liquid_factor_model(basis: FactorBasis) -> Formula:
    """Flow of a liquid by a device's factor."""

    def station(
        pressure: float, factor: float, factor_density: float, pipe_diameter: float, density: float
    ) -> StationFlow:
        flow = _by_factor(basis, pressure, factor, factor_density, density)
        velocity = flow / (math.pi / 4.0 * pipe_diameter * pipe_diameter)
        return StationFlow(flow, flow, velocity, density, flow * density, 0.0, 0.0, 0.0)

    return station


def _primary(
    device: Device,
    small: bool,
    pressure: float,
    coefficient_factor: float,
    epsilon: float,
    pipe_diameter: float,
    throat_diameter: float,
    coefficient_start: float,
    density: float,
    viscosity: float,
    standard_density: float,
) -> StationFlow:
    coefficient_of = coefficient_formula(device, small)
    beta = throat_diameter / pipe_diameter
    area = math.pi / 4.0 * throat_diameter * throat_diameter
    ideal = epsilon * area * sqrt(2.0 * pressure * density / (1.0 - beta**4.0))
    per_C = 4.0 * ideal / (math.pi * pipe_diameter * viscosity)
    C = coefficient_start
    for _ in range(TURNS):
        C = coefficient_factor * coefficient_of(beta, pipe_diameter, C * per_C)
    mass = C * ideal
    flow = mass / density
    velocity = flow / (math.pi / 4.0 * pipe_diameter * pipe_diameter)
    return StationFlow(flow, mass / standard_density, velocity, density, mass, C, epsilon, C * per_C)


@lru_cache(maxsize=64)
def primary_model(device: Device, small: bool, density_of: DensityFunction) -> Formula:
    """Flow of air by a device of ISO 5167. small: pipe below 71.12 mm."""
    expansibility_of = expansibility_formula(device)

    def station(
        pressure: float,
        coefficient_factor: float,
        expansibility_factor: float,
        viscosity_factor: float,
        pipe_diameter: float,
        throat_diameter: float,
        coefficient_start: float,
        isentropic_exponent: float,
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        standard_density: float,
    ) -> StationFlow:
        upstream = barometer + static_pressure
        density = density_factor * density_of(temperature, upstream, humidity)
        beta = throat_diameter / pipe_diameter
        epsilon = expansibility_factor * expansibility_of(beta, pressure / upstream, isentropic_exponent)
        return _primary(
            device,
            small,
            pressure,
            coefficient_factor,
            epsilon,
            pipe_diameter,
            throat_diameter,
            coefficient_start,
            density,
            viscosity_factor * sutherland_viscosity(temperature),
            standard_density,
        )

    return station


@lru_cache(maxsize=64)
def liquid_device_model(device: Device, small: bool) -> Formula:
    """Flow of a liquid by a device of ISO 5167: the expansibility is 1."""

    def station(
        pressure: float,
        coefficient_factor: float,
        expansibility_factor: float,
        pipe_diameter: float,
        throat_diameter: float,
        coefficient_start: float,
        density: float,
        viscosity: float,
    ) -> StationFlow:
        return _primary(
            device,
            small,
            pressure,
            coefficient_factor,
            expansibility_factor,
            pipe_diameter,
            throat_diameter,
            coefficient_start,
            density,
            viscosity,
            density,
        )

    return station
