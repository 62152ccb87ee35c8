"""What a pump test is told, and its model: head, powers, efficiency, the affinity laws.

Head of the fluid pumped: H = (p2 - p1) / (rho g) + z2 - z1 + (v2^2 - v1^2) / 2g (Hydraulic Institute; ISO
9906). The heights are those of the gauges, their lines filled with the fluid. Speed moves a curve by the
affinity laws: Q ~ n, H ~ n^2, P ~ n^3. g is the standard 9.80665 m/s2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

from .errors import finite, positive
from .glycol import LiquidFunction
from .method import Estimate, Remark
from .motor import Supply, single_phase_power, three_phase_power
from .places import Readings, Taken
from .trace import Formula
from .uncertainty import Correlation, Effect
from .units import GRAVITY
from .water import Fluid, LiquidState

PRESSURES = ("suction", "discharge", "shut_off_suction", "shut_off_discharge")
OUTPUTS = {
    "head": ("Pump head", "m"),
    "shut_off_head": ("Shut-off head", "m"),
    "flow_on_curve": ("Flow on the curve", "m3/s"),
    "water_power": ("Power given to the fluid", "W"),
    "electrical_power": ("Electrical power", "W"),
    "shaft_power": ("Shaft power", "W"),
    "efficiency": ("Efficiency of the pump", "1"),
    "overall_efficiency": ("Efficiency of pump and motor", "1"),
    "density": ("Fluid density", "kg/m3"),
}
UNITS = {
    "suction": "Pa",
    "discharge": "Pa",
    "shut_off_suction": "Pa",
    "shut_off_discharge": "Pa",
    "height": "m",
    "temperature": "K",
    "flow": "m3/s",
    "speed": "1/s",
    "voltage": "V",
    "current": "A",
    "power": "W",
}


@dataclass(frozen=True, slots=True)
class PumpLimits:
    """From where a remark is made, and allowances that no reading shows. Common practice, no source."""

    shut_off: float = 0.05
    """Shut-off head off the curve's by more than this fraction (and by more than its uncertainty)."""
    flat_curve: float = 0.2
    """Relative expanded uncertainty of the flow on the curve above which it is a guess."""
    curve_head: float = 0.05
    """Limits of a catalogue curve's head, as a fraction (ISO 9906 grade 2, from memory)."""
    speed: float = 0.02
    """Limits of a speed that nobody took, as a fraction of the curve's."""
    height: float = 0.01
    """m, standard uncertainty of the difference of the gauges' heights."""


@dataclass(frozen=True, slots=True)
class PumpTest:
    """Input of `pump_test`.

    suction, discharge: gauge pressures, Pa. suction_height, discharge_height: of the gauges above one datum,
    m. suction_diameter, discharge_diameter: inside diameters of the pipes at the taps, m (both None: alike).
    flow: measured otherwise, m3/s. temperature: of the fluid, K. shut_off_suction, shut_off_discharge: the
    same gauges with the discharge valve closed. curve_flow (m3/s), curve_head (m): the maker's curve for the
    impeller that should be there, at curve_speed (1/s). speed: 1/s. voltage (between lines for three phases),
    current: V, A, of every phase; power: W, measured; power_factor. nameplate_power (shaft, W),
    nameplate_current (A). motor_efficiency: at this load.
    """

    suction: Readings
    discharge: Readings
    suction_height: float = 0.0
    discharge_height: float = 0.0
    suction_diameter: float | None = None
    discharge_diameter: float | None = None
    flow: Estimate | None = None
    temperature: Readings | None = None
    fluid: Fluid = field(default_factory=Fluid)
    shut_off_suction: Readings | None = None
    shut_off_discharge: Readings | None = None
    curve_flow: tuple[float, ...] = ()
    curve_head: tuple[float, ...] = ()
    curve_speed: float | None = None
    speed: Readings | None = None
    voltage: Readings | None = None
    current: Readings | None = None
    power: Readings | None = None
    power_factor: Readings | None = None
    supply: Supply = Supply.THREE_PHASE
    nameplate_power: float | None = None
    nameplate_current: float | None = None
    motor_efficiency: Estimate | None = None
    limits: PumpLimits = field(default_factory=PumpLimits)


class Found(NamedTuple):
    """Outputs of the model; those whose inputs are not there are not asked for."""

    head: float
    shut_off_head: float
    flow_on_curve: float
    water_power: float
    electrical_power: float
    shaft_power: float
    efficiency: float
    overall_efficiency: float
    density: float


def total_head(
    pressure_rise: float, density: float, height: float, discharge_velocity: float, suction_velocity: float
) -> float:
    """Head in m of the fluid: pressure rise (Pa), density (kg/m3), discharge above suction gauge (m),
    velocities (m/s). Can be traced.
    """
    velocity = discharge_velocity * discharge_velocity - suction_velocity * suction_velocity
    return pressure_rise / (density * GRAVITY) + height + velocity / (2.0 * GRAVITY)


def pipe_velocity(flow: float, diameter: float) -> float:
    """Mean velocity in m/s of a flow (m3/s) in a full pipe of this inside diameter (m)."""
    return finite("flow", flow) / (math.pi / 4.0 * positive("diameter", diameter) ** 2)


def water_power(flow: float, head: float, density: float) -> float:
    """Power in W that a pump gives to the fluid: rho g Q H (ISO 9906). Can be traced."""
    return density * GRAVITY * flow * head


def pump_efficiency(water_power: float, shaft_power: float) -> float:
    """Share of the shaft's power that reaches the fluid (both in W). Can be traced."""
    return water_power / shaft_power


@dataclass(frozen=True, slots=True)
class PumpPoint:
    """A duty: flow m3/s, head m, power W (None: not known)."""

    flow: float
    head: float
    power: float | None = None


def at_speed(point: PumpPoint, ratio: float) -> PumpPoint:
    """A duty at another speed by the affinity laws: Q ~ n, H ~ n^2, P ~ n^3 (same impeller and system curve).

    Errors: Refused for a ratio that is not positive.
    """
    n = positive("ratio", ratio)
    return PumpPoint(
        point.flow * n, point.head * n**2, None if point.power is None else float(point.power * n**3)
    )


@lru_cache(maxsize=64)
def pump_model(
    density_of: LiquidFunction, flow_known: bool, power_known: bool, supply: Supply = Supply.THREE_PHASE
) -> Formula:
    """The whole test in one function, so that what one gauge did to all its readings is seen.

    velocity_term: (1/A2^2 - 1/A1^2) / 2g, s2/m5. curve_flow, curve_head, curve_slope: where the head meets
    the curve at the curve's speed, and the slope there.
    """
    phases = three_phase_power if supply is Supply.THREE_PHASE else single_phase_power

    def pump(
        suction: float,
        discharge: float,
        height: float,
        temperature: float,
        share: float,
        density_factor: float,
        flow: float,
        velocity_term: float,
        shut_off_suction: float,
        shut_off_discharge: float,
        curve_flow: float,
        curve_head: float,
        curve_slope: float,
        curve_factor: float,
        speed_ratio: float,
        voltage: float,
        current: float,
        power: float,
        power_factor: float,
        motor_efficiency: float,
    ) -> Found:
        density = density_factor * density_of(temperature, share)
        weight = density * GRAVITY
        head = (discharge - suction) / weight + height + velocity_term * flow * flow
        closed = (shut_off_discharge - shut_off_suction) / weight + height
        there = head / (speed_ratio * speed_ratio * curve_factor)
        on_curve = (curve_flow + (there - curve_head) / curve_slope) * speed_ratio
        given = water_power(flow if flow_known else on_curve, head, density)
        taken = power if power_known else phases(voltage, current, power_factor)
        shaft = taken * motor_efficiency
        efficiency, overall = pump_efficiency(given, shaft), pump_efficiency(given, taken)
        return Found(head, closed, on_curve, given, taken, shaft, efficiency, overall, density)

    return pump


@dataclass(frozen=True, slots=True)
class PumpReadings:
    """Readings of a test, taken: by the model's input."""

    taken: dict[str, Taken]
    state: LiquidState
    effects: tuple[Effect, ...]
    correlations: tuple[Correlation, ...]
    remarks: tuple[Remark, ...]
