"""The model of a fan test, written once as a plain function that can be traced, and the choices it takes.

All values SI. The factors are 1 with the uncertainty of what they stand for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from . import fan, motor
from .fan_curve import piece_flow
from .method import UNITS
from .models import DensityFunction
from .motor import Supply
from .trace import Formula


class FanStatic(StrEnum):
    """What is named fan static pressure."""

    DEFINED = "defined"
    """SP2 - SP1 - VP1 (AMCA 201, ISO 5801). Needs the flow and the inlet area."""
    FIELD = "field"
    """SP2 - SP1, as many field reports name it: higher by the inlet velocity pressure."""


class CurvePressure(StrEnum):
    """Which fan pressure a maker's curve shows."""

    STATIC = "static"
    TOTAL = "total"


class PowerSource(StrEnum):
    """What the electrical power was found from."""

    METER = "meter"
    VOLTS_AND_AMPS = "volts_and_amps"
    NONE = "none"


class ShaftSource(StrEnum):
    """What the motor's output was found from."""

    EFFICIENCY = "efficiency"
    """Electrical power times the motor's efficiency."""
    NO_LOAD_AMPS = "no_load_amps"
    AMPS_AND_VOLTS = "amps_and_volts"
    NONE = "none"


class FanFigures(NamedTuple):
    """Outputs of the model; those that the choices leave out are never asked for."""

    fan_static_pressure: float
    fan_total_pressure: float
    defined_static_pressure: float
    inlet_velocity_pressure: float
    air_power: float
    electrical_power: float
    motor_output: float
    shaft_power: float
    efficiency: float
    static_efficiency: float
    specific_fan_power: float
    curve_pressure: float
    curve_flow: float
    flow_difference: float
    density: float


@dataclass(frozen=True, slots=True)
class Wiring:
    """Choices between formulas, made before the model is traced. inlet, outlet: velocity pressure known."""

    convention: FanStatic
    inlet: bool
    outlet: bool
    electrical: PowerSource
    shaft: ShaftSource
    supply: Supply
    curve_shows: CurvePressure


@lru_cache(maxsize=64)
def fan_model(density_of: DensityFunction, wiring: Wiring) -> Formula:
    """Pressures, powers, efficiencies and the point on the curve of one fan."""

    def model(
        inlet_pressure: float,
        outlet_pressure: float,
        inlet_area: float,
        outlet_area: float,
        flow: float,
        speed: float,
        voltage: Sequence[float],
        current: Sequence[float],
        power: float,
        power_factor: float,
        motor_efficiency: float,
        drive_efficiency: float,
        amps_factor: float,
        no_load_current: float,
        nameplate_power: float,
        nameplate_current: float,
        nameplate_voltage: float,
        curve_piece: Sequence[float],
        curve_speed: float,
        curve_density: float,
        curve_factor: float,
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
    ) -> FanFigures:
        density = density_factor * density_of(temperature, barometer + static_pressure, humidity)
        inlet_velocity = fan.velocity_pressure(flow, inlet_area, density) if wiring.inlet else 0.0
        outlet_velocity = fan.velocity_pressure(flow, outlet_area, density) if wiring.outlet else 0.0
        rise = fan.static_rise(inlet_pressure, outlet_pressure)
        static = fan.fan_static_pressure(inlet_pressure, outlet_pressure, inlet_velocity)
        total = fan.fan_total_pressure(inlet_pressure, outlet_pressure, inlet_velocity, outlet_velocity)
        volts, amps = sum(voltage) / float(len(voltage)), sum(current) / float(len(current))
        electrical = _electrical(wiring, power, volts, amps, power_factor)
        plate = (nameplate_power, nameplate_current, nameplate_voltage, no_load_current)
        output = _output(wiring, electrical, motor_efficiency, amps, volts, plate) * amps_factor
        shaft = output * drive_efficiency
        given = fan.air_power(flow, total)
        ratio = curve_speed / speed
        on_curve = total if wiring.curve_shows is CurvePressure.TOTAL else static
        reduced = on_curve * ratio * ratio * curve_density / density
        curve_flow = curve_factor * piece_flow(curve_piece, reduced) / ratio
        return FanFigures(
            fan_static_pressure=static if wiring.convention is FanStatic.DEFINED else rise,
            fan_total_pressure=total,
            defined_static_pressure=static,
            inlet_velocity_pressure=inlet_velocity,
            air_power=given,
            electrical_power=electrical,
            motor_output=output,
            shaft_power=shaft,
            efficiency=given / shaft,
            static_efficiency=fan.air_power(flow, static) / shaft,
            specific_fan_power=fan.specific_fan_power(electrical, flow),
            curve_pressure=reduced,
            curve_flow=curve_flow,
            flow_difference=flow / curve_flow - 1.0,
            density=density,
        )

    return model


def _electrical(wiring: Wiring, power: float, voltage: float, current: float, power_factor: float) -> float:
    if wiring.electrical is not PowerSource.VOLTS_AND_AMPS:
        return power
    three = wiring.supply is Supply.THREE_PHASE
    formula = motor.three_phase_power if three else motor.single_phase_power
    return formula(voltage, current, power_factor)


def _output(
    wiring: Wiring,
    electrical: float,
    efficiency: float,
    current: float,
    voltage: float,
    plate: tuple[float, float, float, float],
) -> float:
    rated, full, volts, idle = plate
    if wiring.shaft is ShaftSource.NO_LOAD_AMPS:
        return motor.power_by_no_load(rated, current, full, idle)
    if wiring.shaft is ShaftSource.AMPS_AND_VOLTS:
        return motor.power_by_amps_and_volts(rated, current, full, voltage, volts)
    return motor.brake_power(electrical, efficiency)


NAMES: Mapping[str, tuple[str, str]] = {
    "fan_static_pressure": ("Fan static pressure", "Pa"),
    "fan_total_pressure": ("Fan total pressure", "Pa"),
    "air_power": ("Air power", "W"),
    "electrical_power": ("Electrical power", "W"),
    "motor_output": ("Motor output", "W"),
    "shaft_power": ("Shaft power", "W"),
    "efficiency": ("Fan total efficiency", "1"),
    "static_efficiency": ("Fan static efficiency", "1"),
    "specific_fan_power": ("Specific fan power", "W/(m3/s)"),
    "curve_flow": ("Flow by the maker's curve", "m3/s"),
    "flow_difference": ("Measured flow over that of the curve, less 1", "1"),
    "density": ("Air density", "kg/m3"),
}
"""Results of the model: key -> name shown, unit."""
MODEL_UNITS: Mapping[str, str] = {
    **UNITS,
    "inlet_pressure": "Pa",
    "outlet_pressure": "Pa",
    "inlet_area": "m2",
    "outlet_area": "m2",
    "flow": "m3/s",
    "speed": "1/s",
    "voltage": "V",
    "current": "A",
    "power": "W",
    "reading": "1",
}
