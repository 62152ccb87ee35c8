"""What a fan test is told, and its readings once taken."""

from __future__ import annotations

from dataclasses import dataclass, field

from .conditions import Air, AirState
from .fan import FanState
from .fan_models import CurvePressure, FanStatic, Wiring
from .method import Allowances, Estimate
from .motor import Supply
from .phases import Phases, Signed
from .places import Readings, Taken

AMPS_LIMIT = 0.10
"""Limit of error of brake power from amps, as a fraction (practice: within 5 to 10 %)."""


@dataclass(frozen=True, slots=True)
class FanTestLimits:
    """From where a remark is made; fractions. Settings of a company; the defaults are common practice."""

    voltage_unbalance: float = 0.02
    voltage_unbalance_severe: float = 0.05
    """A motor should not run at more (NEMA MG 1, from memory)."""
    current_unbalance: float = 0.10
    voltage_deviation: float = 0.10
    """From the nameplate's voltage (NEMA MG 1, from memory)."""
    sheave_speed: float = 0.05
    """Speed against that of nameplate and sheaves."""
    efficiency: float = 0.90
    """Above what hardly any fan reaches."""
    compressibility: float = 0.005
    """How much too high the air power may read."""


@dataclass(frozen=True, slots=True)
class FanTest:
    """Input of `fan_test`. All SI.

    inlet_pressure, outlet_pressure: static before and after the fan against the room, signed; readings
    (taps, repeats) are averaged. inlet_area, outlet_area: of the ducts at those taps, m2. flow:
    through the fan at the air's state, m3/s. speed: of the fan, 1/s. voltage: V, line of its places = pair of
    phases 1 to 3; current: A, line = phase 1 to 3 (or one line for all). power: electrical, W, all phases
    together. power_factor: as read. no_load_current: A, belt off. nameplate_*: of the motor (W, A, V, 1/s).
    maximum_speed: of the fan, 1/s. motor_sheave, fan_sheave: pitch diameters, m. curve_flow (m3/s),
    curve_pressure (Pa, the kind `curve_shows`): the maker's curve at curve_speed (1/s) and curve_density
    (kg/m3). curve_u: relative standard uncertainty of its flow (a tolerance of 5 %, practice). air: at the
    fan inlet. earlier: another state of the same fan in the same system, its pressure by this convention.
    """

    inlet_pressure: Readings
    outlet_pressure: Readings
    air: Air
    inlet_area: float | None = None
    outlet_area: float | None = None
    flow: Estimate | None = None
    speed: Readings | None = None
    voltage: Readings | None = None
    current: Readings | None = None
    power: Readings | None = None
    power_factor: Readings | None = None
    motor_efficiency: Estimate | None = None
    drive_efficiency: Estimate | None = None
    no_load_current: float | None = None
    nameplate_power: float | None = None
    nameplate_current: float | None = None
    nameplate_voltage: float | None = None
    nameplate_speed: float | None = None
    maximum_speed: float | None = None
    motor_sheave: float | None = None
    fan_sheave: float | None = None
    curve_flow: tuple[float, ...] = ()
    curve_pressure: tuple[float, ...] = ()
    curve_speed: float | None = None
    curve_density: float | None = None
    curve_shows: CurvePressure = CurvePressure.STATIC
    curve_u: float = 0.025
    convention: FanStatic = FanStatic.DEFINED
    supply: Supply = Supply.THREE_PHASE
    earlier: FanState | None = None
    allowances: Allowances = field(default_factory=Allowances)
    limits: FanTestLimits = field(default_factory=FanTestLimits)


@dataclass(frozen=True, slots=True)
class Gathered:
    """All readings of a test, taken, and the choices that follow from what is there."""

    inlet: Signed
    outlet: Signed
    speed: Taken | None
    voltage: Phases | None
    current: Phases | None
    power: Taken | None
    power_factor: Taken | None
    air: AirState
    wiring: Wiring

    @property
    def scalars(self) -> list[Taken]:
        """What was read as one figure beside the pressures."""
        return [t for t in (self.speed, self.power, self.power_factor) if t is not None]

    @property
    def phases(self) -> list[Phases]:
        """What was read phase by phase."""
        return [p for p in (self.voltage, self.current) if p is not None]
