"""Fans: the speed for a wanted flow, laws between two states, pressures, power.

All SI: m3/s, Pa, W, m, revolutions per second. The fan laws hold for one fan (or fans of one shape) at one
point of its curve: the system must be the same, with no damper moved and no control holding a pressure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeAlias

from .distributions import coverage_factor
from .errors import Refused, finite, not_negative, positive
from .method import Estimate
from .motor import BeltDrive, SheaveChange, current_at_power, sheave_change
from .units import FOOT, GRAVITY, INCH_OF_WATER, POUND

Figure: TypeAlias = "float | Estimate"
"""A figure given: a number, or with its standard uncertainty."""

_CLOSE = 2.0
_SAME = 1e-12


# ---- the speed for a wanted flow -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FanLimits:
    """What may never be passed: speed of the fan (1/s), the motor's nameplate power (W) and current (A)."""

    maximum_speed: float | None = None
    nameplate_power: float | None = None
    nameplate_current: float | None = None


@dataclass(frozen=True, slots=True)
class SpeedChange:
    """What a wanted flow asks of a fan.

    ratio: of the speeds. speed: 1/s. pressure (Pa), shaft_power (W, on the motor's shaft), current (A): then.
    frequency: Hz, of an inverter. sheaves: of a belt drive that reaches the speed.
    refused: one for each limit that would be passed, naming it. close: limits not passed by the value, but
    reached within twice its standard uncertainty. unchecked: limits that nothing given could test.
    """

    ratio: Estimate
    speed: Estimate
    flow: float
    pressure: Estimate | None
    shaft_power: Estimate | None
    current: Estimate | None
    frequency: float | None
    sheaves: SheaveChange | None
    refused: tuple[Refused, ...]
    close: tuple[str, ...]
    unchecked: tuple[str, ...]

    @property
    def allowed(self) -> bool:
        """Whether no limit would be passed."""
        return not self.refused


class SpeedRefused(Refused):
    """A new speed would pass a limit; `change` holds the figures and every limit passed."""

    def __init__(self, change: SpeedChange) -> None:
        first = change.refused[0]
        super().__init__(first.input, first.reason, first.value)
        self.change = change


def required_speed(
    flow_now: Figure,
    flow_wanted: Figure,
    speed_now: Figure,
    *,
    pressure: Figure | None = None,
    shaft_power: Figure | None = None,
    current: Figure | None = None,
    no_load_current: float | None = None,
    frequency: float | None = None,
    density_ratio: float = 1.0,
    drive: BeltDrive | None = None,
    limits: FanLimits | None = None,
) -> SpeedChange:
    """Speed of a fan for a wanted flow by the fan laws: flow with speed, pressure with its square, power with
    its cube (AMCA 201, ASHRAE HVAC Systems).

    Figures now: flow (m3/s), speed (1/s), pressure (Pa), power on the motor's shaft (W), current (A).
    density_ratio: density then over now. Holds for the system as it is.
    Errors: SpeedRefused (a Refused that names "maximum_speed", "nameplate_power" or "nameplate_current")
    where a limit would be passed; Refused for figures not above zero.
    """
    change = propose_speed(
        flow_now,
        flow_wanted,
        speed_now,
        pressure=pressure,
        shaft_power=shaft_power,
        current=current,
        no_load_current=no_load_current,
        frequency=frequency,
        density_ratio=density_ratio,
        drive=drive,
        limits=limits,
    )
    if change.refused:
        raise SpeedRefused(change)
    return change


def propose_speed(
    flow_now: Figure,
    flow_wanted: Figure,
    speed_now: Figure,
    *,
    pressure: Figure | None = None,
    shaft_power: Figure | None = None,
    current: Figure | None = None,
    no_load_current: float | None = None,
    frequency: float | None = None,
    density_ratio: float = 1.0,
    drive: BeltDrive | None = None,
    limits: FanLimits | None = None,
) -> SpeedChange:
    """As `required_speed`, but a passed limit does not raise: read `allowed` and `refused`."""
    wanted, speed = _above("flow_wanted", flow_wanted), _above("speed_now", speed_now)
    ratio = _product((wanted, 1.0), (_above("flow_now", flow_now), -1.0))
    air = Estimate(positive("density_ratio", density_ratio), 0.0)
    power_ratio = _product((ratio, 3.0), (air, 1.0))
    now = {"pressure": pressure, "shaft_power": shaft_power, "current": current}
    known = {name: _above(name, figure) for name, figure in now.items() if figure is not None}
    then = _scaled(known, ratio, air)
    amps = _current_then(known.get("current"), power_ratio, no_load_current)
    new_speed = _product((speed, 1.0), (ratio, 1.0))
    refused, close, unchecked = _against(limits or FanLimits(), new_speed, then.get("shaft_power"), amps)
    sheaves = None if drive is None else sheave_change(drive, ratio.value)
    return SpeedChange(
        ratio=ratio,
        speed=new_speed,
        flow=wanted.value,
        pressure=then.get("pressure"),
        shaft_power=then.get("shaft_power"),
        current=amps,
        frequency=None if frequency is None else positive("frequency", frequency) * ratio.value,
        sheaves=sheaves,
        refused=refused,
        close=close,
        unchecked=unchecked,
    )


def _scaled(known: dict[str, Estimate], ratio: Estimate, air: Estimate) -> dict[str, Estimate]:
    exponents = {"pressure": 2.0, "shaft_power": 3.0}
    return {
        name: _product((known[name], 1.0), (ratio, exponent), (air, 1.0))
        for name, exponent in exponents.items()
        if name in known
    }


def _current_then(now: Estimate | None, power_ratio: Estimate, no_load: float | None) -> Estimate | None:
    if now is None:
        return None
    value = current_at_power(now.value, power_ratio.value, no_load)
    moves = now.value - 0.5 * (no_load or 0.0)
    u = math.hypot(power_ratio.value * now.u, moves * power_ratio.u)
    return Estimate(value, u, min(now.dof, power_ratio.dof))


def _against(
    limits: FanLimits, speed: Estimate, power: Estimate | None, current: Estimate | None
) -> tuple[tuple[Refused, ...], tuple[str, ...], tuple[str, ...]]:
    """Limits passed, limits within reach of the uncertainty, limits that could not be tested."""
    tests = (
        ("maximum_speed", limits.maximum_speed, speed, "the fan's maximum speed would be passed"),
        ("nameplate_power", limits.nameplate_power, power, "the motor's nameplate power would be passed"),
        (
            "nameplate_current",
            limits.nameplate_current,
            current,
            "the motor's nameplate current would be passed",
        ),
    )
    refused, close, unchecked = [], [], []
    for name, limit, figure, reason in tests:
        if limit is None or figure is None:
            unchecked.append(name)
        elif figure.value > positive(name, limit) * (1.0 + _SAME):
            refused.append(Refused(name, reason, figure.value))
        elif figure.value + _CLOSE * figure.u > limit * (1.0 + _SAME):
            close.append(name)
    return tuple(refused), tuple(close), tuple(unchecked)


# ---- fan laws --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FanState:
    """A fan at one point: speed 1/s, flow m3/s, pressure Pa (static or total, the same kind throughout),
    shaft power W, density kg/m3. What is not known is None.
    """

    speed: Estimate
    flow: Estimate | None = None
    pressure: Estimate | None = None
    power: Estimate | None = None
    density: Estimate | None = None


def fan_laws(
    state: FanState,
    *,
    speed_ratio: Figure = 1.0,
    diameter_ratio: Figure = 1.0,
    density_ratio: Figure = 1.0,
) -> FanState:
    """The state at another speed, size (fans of one shape) and density: Q ~ n D^3, P ~ n^2 D^2 rho,
    W ~ n^3 D^5 rho (AMCA 201; ASHRAE HVAC Systems). Air as incompressible, efficiency as unchanged.
    """
    n = _above("speed_ratio", speed_ratio)
    d = _above("diameter_ratio", diameter_ratio)
    rho = _above("density_ratio", density_ratio)

    def moved(name: str, known: Estimate | None, *powers: tuple[Estimate, float]) -> Estimate | None:
        return None if known is None else _product((_above(name, known), 1.0), *powers)

    return FanState(
        speed=_product((_above("speed", state.speed), 1.0), (n, 1.0)),
        flow=moved("flow", state.flow, (n, 1.0), (d, 3.0)),
        pressure=moved("pressure", state.pressure, (n, 2.0), (d, 2.0), (rho, 1.0)),
        power=moved("power", state.power, (n, 3.0), (d, 5.0), (rho, 1.0)),
        density=moved("density", state.density, (rho, 1.0)),
    )


@dataclass(frozen=True, slots=True)
class LawCheck:
    """One fan law between two states. found, expected: ratios, later over earlier. U: of their relative
    difference. normalised: |relative difference| / U; up to 1 the two agree.
    """

    name: str
    found: float
    expected: float
    relative_difference: float
    U: float
    normalised: float
    agrees: bool


def laws_agree(earlier: FanState, later: FanState) -> tuple[LawCheck, ...]:
    """Whether flow, pressure and power of two states of one fan in one unchanged system follow the laws.

    Each law is tested for which both states have the figure (and, of pressure and power, unless both lack a
    density: then it counts as the same). Figures count as independent, which is lenient for readings of one
    instrument. The difference is judged as E_n of ISO 13528. Errors: Refused where only one has a density.
    """
    n = _product((_above("later.speed", later.speed), 1.0), (_above("earlier.speed", earlier.speed), -1.0))
    if (earlier.density is None) != (later.density is None):
        missing = "earlier.density" if earlier.density is None else "later.density"
        raise Refused(missing, "is needed because the other state has one")
    rho = Estimate(1.0, 0.0)
    if earlier.density is not None and later.density is not None:
        rho = _ratio("density", earlier.density, later.density)
    laws = (
        ("flow", earlier.flow, later.flow, _product((n, 1.0))),
        ("pressure", earlier.pressure, later.pressure, _product((n, 2.0), (rho, 1.0))),
        ("power", earlier.power, later.power, _product((n, 3.0), (rho, 1.0))),
    )
    return tuple(
        _law(name, _ratio(name, a, b), expected)
        for name, a, b, expected in laws
        if a is not None and b is not None
    )


def _ratio(name: str, earlier: Estimate, later: Estimate) -> Estimate:
    return _product((_above(f"later.{name}", later), 1.0), (_above(f"earlier.{name}", earlier), -1.0))


def _law(name: str, found: Estimate, expected: Estimate) -> LawCheck:
    both = _product((found, 1.0), (expected, -1.0))
    difference = both.value - 1.0
    U = coverage_factor(both.dof) * both.u
    known = abs(difference) <= 1e-9
    normalised = abs(difference) / U if U > 0.0 else (0.0 if known else math.inf)
    return LawCheck(name, found.value, expected.value, difference, U, normalised, normalised <= 1.0)


def _above(name: str, figure: Figure) -> Estimate:
    known = figure if isinstance(figure, Estimate) else Estimate(figure, 0.0)
    not_negative(f"{name}.u", known.u)
    if not known.dof > 0.0:
        raise Refused(f"{name}.dof", "must be above zero", known.dof)
    return replace(known, value=positive(name, known.value))


def _product(*terms: tuple[Estimate, float]) -> Estimate:
    """Product of powers of independent figures, with dof by Welch-Satterthwaite (GUM 5.1.6, G.4.1)."""
    value = math.prod(f.value**exponent for f, exponent in terms)
    parts = [(exponent * f.u / f.value, f.dof) for f, exponent in terms]
    square = math.fsum(p * p for p, _ in parts)
    weak = math.fsum(p**4 / dof for p, dof in parts)
    return Estimate(value, value * math.sqrt(square), square * square / weak if weak > 0.0 else math.inf)


# ---- pressures, power, system ----------------------------------------------------------------------------


def velocity_pressure(flow: float, area: float, density: float) -> float:
    """Velocity pressure in Pa of a flow through an area: density/2 (flow/area)^2. Can be traced."""
    velocity = flow / area
    return 0.5 * density * velocity * velocity


def static_from_total(total: float, velocity: float) -> float:
    """Static pressure: total less velocity pressure (Pa), which is never negative."""
    return finite("total", total) - not_negative("velocity_pressure", velocity)


def static_rise(before: float, after: float) -> float:
    """Rise of static pressure in Pa, signed readings: external static pressure of a unit over its two ends,
    total static over the fan alone; what field reports often name fan static. Can be traced.
    """
    return after - before


def fan_total_pressure(inlet: float, outlet: float, inlet_velocity: float, outlet_velocity: float) -> float:
    """Total pressure at the outlet less that at the inlet (Pa), from static and velocity pressures.

    Source: AMCA 201, ISO 5801 (definition). Can be traced.
    """
    return outlet + outlet_velocity - (inlet + inlet_velocity)


def fan_static_pressure(inlet: float, outlet: float, inlet_velocity: float) -> float:
    """Fan static pressure as defined: fan total less outlet velocity pressure = SP2 - SP1 - VP1 (Pa).

    Source: AMCA 201, ISO 5801. Lower than `static_rise` by the inlet velocity pressure. Can be traced.
    """
    return outlet - inlet - inlet_velocity


def air_power(flow: float, pressure: float) -> float:
    """Power in W that a fan gives the air: flow times fan pressure (total for total efficiency, static for
    static efficiency). Incompressible: reads high by pressure / (2.8 inlet pressure). Can be traced.
    """
    return flow * pressure


def air_power_constant(inch: float = INCH_OF_WATER) -> float:
    """ft3/min times inch of water per horsepower, for an inch of water of so many Pa.

    The conventional inch gives 6343; the handbooks' 6356 is that of about 248.6 Pa (water near 70 degF).
    """
    return 550.0 * FOOT * POUND * GRAVITY / (FOOT**3 / 60.0 * positive("inch", inch))


def inch_implied(constant: float = 6356.0) -> float:
    """Pa per inch of water that an air-power constant implies: the other way round."""
    return air_power_constant(1.0) / positive("constant", constant)


def specific_fan_power(electrical: float, flow: float) -> float:
    """Electrical power over flow, W/(m3/s) (EN 16798-3). Can be traced."""
    return electrical / flow


def system_pressure(
    flow: float, known_flow: float, known_pressure: float, *, fixed: float = 0.0, exponent: float = 2.0
) -> float:
    """Pressure of an unchanged system at another flow, Pa: fixed + (P1 - fixed) (Q/Q1)^exponent.

    exponent: 2 for turbulent ducts (ASHRAE Fundamentals), less with filters. fixed: what a control or a
    plenum holds whatever the flow. Errors: Refused for an exponent outside 1 to 2.
    """
    if not 1.0 <= finite("exponent", exponent) <= 2.0:
        raise Refused("exponent", "must be from 1 (laminar) to 2 (turbulent)", exponent)
    ratio = not_negative("flow", flow) / positive("known_flow", known_flow)
    varying = finite("known_pressure", known_pressure) - finite("fixed", fixed)
    return fixed + varying * math.pow(ratio, exponent)
