"""The measurement models, each written once as a plain function that can be traced.

All values SI. `velocity_factor` is 1 with the uncertainty of everything that multiplies the mean velocity
(alignment, integration, plane, repeatability); `density_factor` is 1 with that of the density formula.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from .duct import AREA, Shape
from .trace import Formula, sqrt

DensityFunction = Callable[[float, float, float], float]


class Flow(NamedTuple):
    """Outputs of a traverse: m3/s, m3/s at standard density, m/s, kg/m3."""

    flow: float
    standard_flow: float
    velocity: float
    density: float


class HoodFlow(NamedTuple):
    """Outputs of a hood: m3/s, m3/s at standard density, kg/m3."""

    flow: float
    standard_flow: float
    density: float


def dot(weights: Sequence[float], values: Sequence[float]) -> float:
    """Sum of products."""
    return sum([w * v for w, v in zip(weights, values, strict=True)])


@lru_cache(maxsize=64)
def pitot_model(shape: Shape, density_of: DensityFunction) -> Formula:
    """v = K sqrt(2 p / density) at each point, then the weighted mean, times the area (ISO 3966).

    pressure: velocity pressures in Pa, well above their uncertainty; root: sqrt(2 p) of the weak ones.
    Weights of both together add to 1.
    """
    area_of = AREA[shape]

    def pitot(
        pressure: Sequence[float],
        pressure_weight: Sequence[float],
        root: Sequence[float],
        root_weight: Sequence[float],
        probe_factor: float,
        velocity_factor: float,
        dimension: Sequence[float],
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        standard_density: float,
    ) -> Flow:
        density = density_factor * density_of(temperature, barometer + static_pressure, humidity)
        roots = dot(pressure_weight, [sqrt(2.0 * p) for p in pressure]) + dot(root_weight, root)
        velocity = velocity_factor * probe_factor * roots / sqrt(density)
        flow = velocity * area_of(dimension)
        return Flow(flow, flow * density / standard_density, velocity, density)

    return pitot


class Signal(StrEnum):
    """What an instrument shows."""

    PRESSURE = "pressure"
    """Velocity pressure, Pa."""
    VELOCITY = "velocity"
    """Actual velocity, m/s (vane anemometers)."""
    STANDARD_VELOCITY = "standard_velocity"
    """Velocity that air of standard density would have for the same mass flow, m/s (thermal anemometers)."""


@lru_cache(maxsize=64)
def line_model(shape: Shape, density_of: DensityFunction, signal: Signal) -> Formula:
    """Weighted mean over lines of what one line averaged: sqrt(2 p) for pressure, or a velocity."""
    area_of = AREA[shape]

    def lines(
        line: Sequence[float],
        line_weight: Sequence[float],
        probe_factor: float,
        velocity_factor: float,
        dimension: Sequence[float],
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        standard_density: float,
    ) -> Flow:
        density = density_factor * density_of(temperature, barometer + static_pressure, humidity)
        shown = velocity_factor * probe_factor * dot(line_weight, line)
        velocity = _actual(shown, density, standard_density, signal)
        flow = velocity * area_of(dimension)
        return Flow(flow, flow * density / standard_density, velocity, density)

    return lines


def _actual(shown: float, density: float, standard_density: float, signal: Signal) -> float:
    if signal is Signal.PRESSURE:
        return shown / sqrt(density)
    return shown if signal is Signal.VELOCITY else shown * standard_density / density


class HoodSignal(StrEnum):
    """What flow a hood shows."""

    ACTUAL = "actual"
    STANDARD = "standard"
    PRESSURE = "pressure"
    """Computed by the hood from a velocity pressure as if the air had standard density."""


@lru_cache(maxsize=64)
def hood_model(density_of: DensityFunction, signal: HoodSignal) -> Formula:
    """Flow at an outlet: the indication, times the hood's factor for that outlet, at actual density."""

    def hood(
        indicated: float,
        hood_factor: float,
        placement_factor: float,
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        standard_density: float,
    ) -> HoodFlow:
        density = density_factor * density_of(temperature, barometer + static_pressure, humidity)
        shown = indicated * hood_factor * placement_factor
        flow = _hood_actual(shown, density, standard_density, signal)
        return HoodFlow(flow, flow * density / standard_density, density)

    return hood


def _hood_actual(shown: float, density: float, standard_density: float, signal: HoodSignal) -> float:
    if signal is HoodSignal.ACTUAL:
        return shown
    ratio = standard_density / density
    return shown * ratio if signal is HoodSignal.STANDARD else shown * sqrt(ratio)
