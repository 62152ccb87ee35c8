"""The measurement models of a leakage test, each written once as a plain function that can be traced."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from .models import DensityFunction, dot
from .trace import Formula, exp, log, sqrt


class Leak(NamedTuple):
    """m3/(s m2), m3/s, m3/s at standard density, m3/s/Pa^n, 1, m3/(s m2 Pa^0.65), kg/m3."""

    leakage: float
    flow: float
    standard_flow: float
    coefficient: float
    exponent: float
    leakage_factor: float
    density: float


def _leak(
    log_flow: float,
    log_coefficient: float,
    exponent: float,
    test_pressure: float,
    surface_area: float,
    meter: float,
    density: float,
    reference: float,
    standard_density: float,
) -> Leak:
    """From ln Q at the test pressure. meter: actual over shown flow; reference: density over it, or 1."""
    flow = meter * exp(log_flow)
    leakage = flow * exp((1.0 - exponent) * log(reference)) / surface_area
    return Leak(
        leakage,
        flow,
        flow * density / standard_density,
        meter * exp(log_coefficient),
        exponent,
        leakage / exp(0.65 * log(test_pressure)),
        density,
    )


@lru_cache(maxsize=32)
def fitted_model(density_of: DensityFunction, metered: bool, referred: bool) -> Formula:
    """Least squares on logarithms. metered: the meter's density counts; referred: the reference's does."""

    def leak(
        pressure: Sequence[float],
        flow: Sequence[float],
        scatter: Sequence[float],
        surface_area: float,
        test_pressure: float,
        meter_density: float,
        reference_density: float,
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        standard_density: float,
    ) -> Leak:
        density = density_factor * density_of(temperature, barometer + static_pressure, humidity)
        x = [log(p) for p in pressure]
        y = [log(q * s) for q, s in zip(flow, scatter, strict=True)]
        mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
        off = [v - mean_x for v in x]
        exponent = dot(off, y) / dot(off, off)
        return _leak(
            mean_y + exponent * (log(test_pressure) - mean_x),
            mean_y - exponent * mean_x,
            exponent,
            test_pressure,
            surface_area,
            sqrt(meter_density / density) if metered else 1.0,
            density,
            density / reference_density if referred else 1.0,
            standard_density,
        )

    return leak


@lru_cache(maxsize=32)
def assumed_model(density_of: DensityFunction, metered: bool, referred: bool) -> Formula:
    """The same with a given exponent: the mean of what each step says."""

    def leak(
        pressure: Sequence[float],
        flow: Sequence[float],
        scatter: Sequence[float],
        exponent: float,
        surface_area: float,
        test_pressure: float,
        meter_density: float,
        reference_density: float,
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        standard_density: float,
    ) -> Leak:
        density = density_factor * density_of(temperature, barometer + static_pressure, humidity)
        x = [log(p) for p in pressure]
        y = [log(q * s) for q, s in zip(flow, scatter, strict=True)]
        mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
        return _leak(
            mean_y + exponent * (log(test_pressure) - mean_x),
            mean_y - exponent * mean_x,
            exponent,
            test_pressure,
            surface_area,
            sqrt(meter_density / density) if metered else 1.0,
            density,
            density / reference_density if referred else 1.0,
            standard_density,
        )

    return leak
