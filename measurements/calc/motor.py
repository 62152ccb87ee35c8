"""Electric motors and their belt drives: speed, slip, power, brake power from amps, unbalance, sheaves.

All SI: V, A, W, Hz, revolutions per second. A voltage of three phases is between lines. Brake power is what
the motor's shaft gives (its nameplate power is that too).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from .errors import Refused, finite, not_negative, positive
from .trace import sqrt

MOST_POLES = 24
HALF_TURN = math.pi / 2.0
_SAME = 1e-12


class Supply(StrEnum):
    """How a motor is fed."""

    THREE_PHASE = "three_phase"
    SINGLE_PHASE = "single_phase"


def synchronous_speed(frequency: float, poles: int) -> float:
    """Speed of a motor's field in 1/s: 2 f / poles (motor theory; 120 f / poles in r/min).

    Errors: Refused for an odd or impossible number of poles.
    """
    if poles < 2 or poles > MOST_POLES or poles % 2:
        raise Refused("poles", f"must be an even number from 2 to {MOST_POLES}", poles)
    return 2.0 * positive("frequency", frequency) / poles


def slip(speed: float, synchronous: float) -> float:
    """How far a motor lags its field, as a fraction of the field's speed. Negative: it is being driven."""
    return 1.0 - not_negative("speed", speed) / positive("synchronous", synchronous)


def speed_with_slip(frequency: float, poles: int, slip: float) -> float:
    """Speed in 1/s at a frequency and a slip (fraction of the field's speed)."""
    if not -1.0 < finite("slip", slip) < 1.0:
        raise Refused("slip", "must lie between -1 and 1", slip)
    return synchronous_speed(frequency, poles) * (1.0 - slip)


def poles_of(nameplate_speed: float, frequency: float) -> int:
    """Number of poles of an induction motor: the field is the slowest that still runs ahead of the shaft.

    Errors: Refused where the speed is above that of two poles or the slip would be more than 15 %.
    """
    speed = positive("nameplate_speed", nameplate_speed)
    ahead = [p for p in range(2, MOST_POLES + 1, 2) if synchronous_speed(frequency, p) >= speed]
    if not ahead or slip(speed, synchronous_speed(frequency, ahead[-1])) > 0.15:
        raise Refused("nameplate_speed", "suits no number of poles at this frequency", nameplate_speed)
    return ahead[-1]


def three_phase_power(voltage: float, current: float, power_factor: float) -> float:
    """Electrical power in W from mean line voltage and mean current: sqrt(3) V I cos(phi). Can be traced."""
    return sqrt(3.0) * voltage * current * power_factor


def single_phase_power(voltage: float, current: float, power_factor: float) -> float:
    """Electrical power in W of one phase: V I cos(phi). Can be traced."""
    return voltage * current * power_factor


def brake_power(electrical: float, motor_efficiency: float, drive_efficiency: float = 1.0) -> float:
    """Power in W at the motor's shaft, or beyond a drive: electrical power times the efficiencies."""
    return electrical * motor_efficiency * drive_efficiency


def power_by_no_load(power: float, current: float, full_load: float, no_load: float) -> float:
    """Brake power from amps, the no-load current known: Pn (I - I0/2) / (In - I0/2). Can be traced.

    Common practice, no source. Half of the no-load current stands for what only magnetises. The no-load
    current is read with the belt off at the same voltage.
    """
    return power * (current - 0.5 * no_load) / (full_load - 0.5 * no_load)


def power_by_amps_and_volts(
    power: float, current: float, full_load: float, voltage: float, nameplate_voltage: float
) -> float:
    """Brake power as if it went with amps and volts: Pn (I V) / (In Vn). Can be traced.

    Common practice, no source. Reads high below full load, where a part of the current only magnetises.
    """
    return power * current * voltage / (full_load * nameplate_voltage)


@dataclass(frozen=True, slots=True)
class AmpsPower:
    """Brake power in W by the approximations in use. They differ: neither is a measurement of power.

    difference: of the second from the first, as a fraction of the first (None without a no-load current).
    """

    no_load: float | None
    amps_and_volts: float
    difference: float | None


def power_from_amps(
    *,
    nameplate_power: float,
    nameplate_current: float,
    nameplate_voltage: float,
    current: float,
    voltage: float,
    no_load_current: float | None = None,
) -> AmpsPower:
    """Brake power by `power_by_no_load` (with a no-load current) and by `power_by_amps_and_volts`.

    Errors: Refused for figures that are not positive, and a no-load current not below the running and the
    nameplate current.
    """
    rated = positive("nameplate_power", nameplate_power)
    full = positive("nameplate_current", nameplate_current)
    amps = not_negative("current", current)
    plain = power_by_amps_and_volts(
        rated, amps, full, positive("voltage", voltage), positive("nameplate_voltage", nameplate_voltage)
    )
    if no_load_current is None:
        return AmpsPower(None, plain, None)
    idle = positive("no_load_current", no_load_current)
    if idle >= full or idle > amps:
        raise Refused("no_load_current", "must be below the nameplate and the running current", idle)
    by_idle = power_by_no_load(rated, amps, full, idle)
    return AmpsPower(by_idle, plain, plain / by_idle - 1.0)


def current_at_power(current: float, power_ratio: float, no_load_current: float | None = None) -> float:
    """Current in A that a motor would draw at another brake power, at the same voltage. Common practice.

    power_ratio: brake power then over now. Without a no-load current, current goes with power: that is high
    for a rise (the careful side) and low for a fall. With it, half of it stays and the rest goes with power.
    """
    amps, ratio = not_negative("current", current), not_negative("power_ratio", power_ratio)
    stays = 0.0 if no_load_current is None else 0.5 * not_negative("no_load_current", no_load_current)
    if stays > amps:
        raise Refused("no_load_current", "must be below the running current", no_load_current)
    return stays + (amps - stays) * ratio


@dataclass(frozen=True, slots=True)
class Unbalance:
    """Mean of the phases; unbalance: largest deviation from the mean over the mean; which phase (from 0)."""

    mean: float
    unbalance: float
    phase: int


def phase_unbalance(values: Sequence[float]) -> Unbalance:
    """Unbalance of three voltages or currents (definition of NEMA MG 1, from memory).

    Errors: Refused unless there are three values, none negative, their mean above zero.
    """
    if len(values) != 3:
        raise Refused("phases", "needs one value of each of three phases", len(values))
    for i, value in enumerate(values):
        not_negative(f"phases[{i}]", value)
    mean = positive("phases", math.fsum(values) / 3.0)
    away = [abs(v - mean) for v in values]
    worst = away.index(max(away))
    return Unbalance(mean, away[worst] / mean, worst)


@dataclass(frozen=True, slots=True)
class BeltDrive:
    """Pitch diameters in m of the sheaves on motor and fan; centre_distance: of the shafts, m.

    smallest, largest: what an adjustable motor sheave can be set to.
    """

    motor_sheave: float
    fan_sheave: float
    centre_distance: float | None = None
    smallest: float | None = None
    largest: float | None = None


@dataclass(frozen=True, slots=True)
class SheaveChange:
    """Sheaves for another speed. motor_sheave: new pitch diameter with the fan's sheave kept; fan_sheave: the
    other way round (m). belt_change: how much longer the belt must be for the new motor sheave at the same
    centre distance (m; None: distance not known). within_adjustment: whether an adjustable motor sheave
    reaches it (None: not adjustable).
    """

    motor_sheave: float
    fan_sheave: float
    belt_change: float | None
    within_adjustment: bool | None


def sheave_change(drive: BeltDrive, ratio: float) -> SheaveChange:
    """Sheaves for a fan speed of `ratio` times the present one, without slip of the belt."""
    motor = new_motor_sheave(drive.motor_sheave, 1.0, ratio)
    fan = positive("drive.fan_sheave", drive.fan_sheave) / ratio
    within = None
    if drive.smallest is not None and drive.largest is not None:
        within = drive.smallest <= motor * (1.0 + _SAME) and motor <= drive.largest * (1.0 + _SAME)
    if drive.centre_distance is None:
        return SheaveChange(motor, fan, None, within)
    before = belt_length(drive.centre_distance, drive.motor_sheave, drive.fan_sheave)
    longer = belt_length(drive.centre_distance, motor, drive.fan_sheave) - before
    return SheaveChange(motor, fan, longer, within)


def sheave_for(driver_speed: float, driver_sheave: float, driven_speed: float) -> float:
    """Pitch diameter in m of the driven sheave: n1 d1 = n2 d2, without slip of the belt."""
    return (
        positive("driver_speed", driver_speed)
        * positive("driver_sheave", driver_sheave)
        / positive("driven_speed", driven_speed)
    )


def new_motor_sheave(motor_sheave: float, speed_now: float, speed_wanted: float) -> float:
    """Pitch diameter in m of the motor's sheave for another fan speed, the fan's sheave kept."""
    ratio = positive("speed_wanted", speed_wanted) / positive("speed_now", speed_now)
    return positive("motor_sheave", motor_sheave) * ratio


def belt_speed(sheave: float, speed: float) -> float:
    """Speed of a belt in m/s from a sheave's pitch diameter (m) and speed (1/s)."""
    return math.pi * positive("sheave", sheave) * not_negative("speed", speed)


def belt_length(centre_distance: float, first: float, second: float) -> float:
    """Pitch length in m of an open belt over two sheaves, exact: two tangents and two arcs.

    Errors: Refused where the sheaves would touch.
    """
    centre = _apart(centre_distance, first, second)
    half = 0.5 * (first - second)
    angle = math.asin(half / centre)
    return 2.0 * math.sqrt(centre * centre - half * half) + HALF_TURN * (first + second) + 2.0 * angle * half


def belt_length_handbook(
    centre_distance: float, first: float, second: float, *, half_turn: float = HALF_TURN
) -> float:
    """Pitch length in m by the belt handbooks' approximation 2C + 1.57 (D+d) + (D-d)^2 / 4C.

    half_turn: pi/2, or 1.57 as printed. The longer the centre distance, the nearer to `belt_length`.
    """
    centre = _apart(centre_distance, first, second)
    return 2.0 * centre + half_turn * (first + second) + (first - second) ** 2 / (4.0 * centre)


def centre_distance(length: float, first: float, second: float) -> float:
    """Distance of the shafts in m that a belt of this pitch length asks for (handbook approximation).

    Errors: Refused for a belt too short for the sheaves.
    """
    rest = positive("length", length) - HALF_TURN * (positive("first", first) + positive("second", second))
    square = rest * rest - 2.0 * (first - second) ** 2
    if rest <= 0.0 or square < 0.0 or (found := 0.25 * (rest + math.sqrt(square))) <= 0.5 * (first + second):
        raise Refused("length", "is too short for these sheaves", length)
    return found


def _apart(centre: float, first: float, second: float) -> float:
    reach = 0.5 * (positive("first", first) + positive("second", second))
    if positive("centre_distance", centre) <= reach:
        raise Refused("centre_distance", "lets the sheaves touch", centre)
    return centre
