"""Rooms under pressure: the pressure and its direction, air changes, recovery, air through a door's gap.

Sources: ISO 14644-3 for the recovery test; the direction is told from where the interval lies.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from .distributions import Distribution
from .errors import Refused, all_finite, not_negative, positive
from .grouped import Lines, take_lines, take_signed
from .line import Line, fit_line
from .method import Code, Estimate, Limits, MethodResult, Part, PartFigure, Remark, solve
from .places import Readings, Taken, take_each
from .plan import Sharing
from .records import digest
from .room_models import decay_model, gap_model, pressure_model, supply_model
from .rooms import RECOVERY_RATIO
from .uncertainty import Effect, Result
from .version import CALCULATION_VERSION

LEAST_R2 = 0.98
"""Below it a decay is remarked as not one straight line on logarithms (this project's)."""


class Direction(StrEnum):
    """Of a room's pressure against its reference."""

    POSITIVE = "positive"
    NEGATIVE = "negative"
    UNDECIDED = "undecided"
    """The interval value -+ U contains zero."""


@dataclass(frozen=True, slots=True)
class RoomPressure:
    """Input of `room_pressure`. All but the pressure are optional.

    pressure: room against its reference (corridor, next room, outside), Pa, signed, repeats. wanted: the
    direction asked for; least: Pa, magnitude that it must have (limits of the measurand come from both).
    supply_flow: m3/s, line = outlet, summed (actual flow); volume: of the room, m3. concentration: particles
    or tracer after the source stopped, any one unit, with times in s. door_velocity: actual m/s through the
    gap of the closed door, repeats, positive out of the room; door_gap_area: m2.
    """

    pressure: Readings
    wanted: Direction | None = None
    least: float | None = None
    supply_flow: Readings | None = None
    volume: Estimate | None = None
    concentration: Readings | None = None
    door_velocity: Readings | None = None
    door_gap_area: Estimate | None = None
    limits: Limits = field(default_factory=Limits)


@dataclass(slots=True)
class _Found:
    """What the parts of the method add up to."""

    results: dict[str, Result]
    remarks: list[Remark]
    parts: list[Part]


def room_pressure(inputs: RoomPressure) -> MethodResult:
    """Pressure of a room against its reference, Pa, with its direction, and what else was measured.

    Errors: Refused for readings that are not finite, flow without volume or the reverse, a door's velocity
    without its gap or the reverse, fewer than three concentrations, one not above zero, or that do not fall.
    """
    _check(inputs)
    identity = digest("room_pressure", inputs, CALCULATION_VERSION)
    taken, remarks = take_signed(inputs.pressure, "pressure", "Room pressure")
    results = solve(
        pressure_model,
        {"pressure": taken.value},
        taken.effects,
        identity,
        {"pressure": ("Room pressure", "Pa")},
        units=_UNITS,
    )
    found = _Found(results, [*remarks, *_pressure_remarks(inputs, taken)], [])
    direction = _direction(found.results["pressure"])
    for add in (_air_changes, _recovery, _gap):
        add(inputs, identity, found)
    found.remarks += _direction_remarks(inputs, found.results, direction)
    return MethodResult(
        method="room_pressure",
        measurand="pressure",
        results=found.results,
        digest=identity,
        remarks=tuple(found.remarks),
        limits=_limits(inputs),
        parts=tuple(found.parts),
        classes=_classes(inputs, direction),
    )


_UNITS = {
    "pressure": "Pa",
    "supply_flow": "m3/s",
    "volume": "m3",
    "time": "s",
    "concentration": "1",
    "scatter": "1",
    "door_velocity": "m/s",
    "door_gap_area": "m2",
}


def _check(inputs: RoomPressure) -> None:
    if inputs.wanted is Direction.UNDECIDED:
        raise Refused("wanted", "must be positive or negative", inputs.wanted)
    if inputs.least is not None:
        not_negative("least", inputs.least)
        if inputs.wanted is None:
            raise Refused("wanted", "is needed with the least pressure")
    pairs = (("supply_flow", "volume"), ("door_velocity", "door_gap_area"))
    for first, second in pairs:
        given = [getattr(inputs, name) is not None for name in (first, second)]
        if given[0] != given[1]:
            raise Refused(second if given[0] else first, f"is needed with {first if given[0] else second}")


def _limits(inputs: RoomPressure) -> tuple[float | None, float | None] | None:
    if inputs.wanted is None:
        return None
    least = inputs.least or 0.0
    return (least, None) if inputs.wanted is Direction.POSITIVE else (None, -least if least else 0.0)


def _direction(pressure: Result) -> Direction:
    low, high = pressure.interval
    if low > 0.0:
        return Direction.POSITIVE
    return Direction.NEGATIVE if high < 0.0 else Direction.UNDECIDED


def _classes(inputs: RoomPressure, direction: Direction) -> dict[str, str]:
    classes = {"direction": direction.value}
    if inputs.wanted is not None:
        met = "met" if direction is inputs.wanted else "not_met"
        classes["wanted_direction"] = "undecided" if direction is Direction.UNDECIDED else met
    return classes


def _pressure_remarks(inputs: RoomPressure, taken: Taken) -> list[Remark]:
    remarks = []
    if inputs.pressure.zero is None:
        remarks.append(Remark(Code.ZERO_NOT_CHECKED))
    step = taken.instrument.resolution
    near = [abs(v) for v in taken.values if abs(v) < inputs.limits.resolutions * step]
    if near:
        numbers = {"count": len(near), "resolution": step, "lowest": min(near)}
        remarks.append(Remark(Code.NEAR_RESOLUTION, numbers))
    return remarks


def _direction_remarks(
    inputs: RoomPressure, results: dict[str, Result], direction: Direction
) -> list[Remark]:
    pressure = results["pressure"]
    remarks = []
    if direction is Direction.UNDECIDED:
        remarks.append(Remark(Code.DIRECTION_UNDECIDED, {"pressure": pressure.value, "U": pressure.U}))
    elif inputs.wanted is not None and direction is not inputs.wanted:
        remarks.append(Remark(Code.DIRECTION_WRONG, {"pressure": pressure.value}))
    velocity = results.get("door_velocity")
    if velocity is not None and {direction, _direction(velocity)} == {Direction.POSITIVE, Direction.NEGATIVE}:
        numbers = {"pressure": pressure.value, "velocity": velocity.value}
        remarks.append(Remark(Code.DIRECTION_CONTRADICTED, numbers))
    return remarks


def _estimate(name: str, label: str, given: Estimate) -> tuple[float, Effect]:
    u = not_negative(f"{name}.u", given.u)
    return positive(name, given.value), Effect(label, name, u, Sharing.COMMON, given.dof)


def _air_changes(inputs: RoomPressure, identity: str, found: _Found) -> None:
    if inputs.supply_flow is None or inputs.volume is None:
        return
    outlets = take_lines(inputs.supply_flow, "supply_flow", "Supply flow")
    for i, q in enumerate(outlets.values):
        positive(f"supply_flow[{i}]", q)
    volume, effect = _estimate("volume", "Room volume", inputs.volume)
    repeats = [outlets.repeats] if outlets.repeats else []
    found.results |= solve(
        supply_model,
        {"supply_flow": outlets.values, "volume": volume},
        [*outlets.effects, *repeats, effect],
        identity,
        {"supply_flow": ("Supply flow", "m3/s"), "air_changes": ("Air changes", "1/s")},
        units=_UNITS,
    )
    found.remarks += outlets.taken.remarks
    found.parts += _outlet_parts(outlets)


def _outlet_parts(outlets: Lines) -> list[Part]:
    rows = zip(outlets.lines, outlets.values, outlets.u, strict=True)
    return [Part(f"outlet {n}", (PartFigure("flow", q, 2.0 * u, "m3/s"),)) for n, q, u in rows]


def _recovery(inputs: RoomPressure, identity: str, found: _Found) -> None:
    """Least squares on logarithms; an error in proportion to the concentration drops out of the slope."""
    if inputs.concentration is None:
        return
    taken = take_each(inputs.concentration, "concentration", "Concentration")
    line, r2 = _decay(inputs.concentration.times, taken.values)
    u = (line.s,) * len(taken.values)
    scatter = Effect("Scatter about the decay", "scatter", u, Sharing.POOLED, line.dof, Distribution.T)
    found.results |= solve(
        decay_model,
        {
            "time": inputs.concentration.times,
            "concentration": taken.values,
            "scatter": (1.0,) * len(taken.values),
        },
        [*taken.effects, scatter],
        identity,
        {"recovery_rate": ("Recovery rate", "1/s"), "recovery_time": ("Recovery time 100:1", "s")},
        units=_UNITS,
    )
    found.remarks += taken.remarks
    if r2 < LEAST_R2:
        found.remarks.append(Remark(Code.POOR_FIT, {"r2": r2, "limit": LEAST_R2}))
    reached = max(taken.values) / min(taken.values)
    if reached < RECOVERY_RATIO:
        numbers = {"reached": reached, "wanted": RECOVERY_RATIO}
        found.remarks.append(Remark(Code.RECOVERY_EXTRAPOLATED, numbers))


def _decay(times: Sequence[float], values: Sequence[float]) -> tuple[Line, float]:
    if len(values) < 3:
        raise Refused("concentration", "needs at least three readings", len(values))
    if len(times) != len(values):
        raise Refused("concentration.times", "must be as many as the readings", len(times))
    all_finite("concentration.times", times)
    for i, v in enumerate(values):
        positive(f"concentration[{i}]", v)
    if len(set(times)) == 1:
        raise Refused("concentration.times", "are all the same", times[0])
    y = [math.log(v) for v in values]
    line = fit_line(times, y)
    if line.slope >= 0.0:
        raise Refused("concentration", "does not fall with time", -line.slope)
    mean = math.fsum(y) / len(y)
    whole = math.fsum((v - mean) ** 2 for v in y)
    return line, 1.0 - line.s * line.s * line.dof / whole


def _gap(inputs: RoomPressure, identity: str, found: _Found) -> None:
    if inputs.door_velocity is None or inputs.door_gap_area is None:
        return
    taken, remarks = take_signed(inputs.door_velocity, "door_velocity", "Door velocity")
    area, effect = _estimate("door_gap_area", "Area of the door's gap", inputs.door_gap_area)
    found.results |= solve(
        gap_model,
        {"door_velocity": taken.value, "door_gap_area": area},
        [*taken.effects, effect],
        identity,
        {"transfer_flow": ("Flow through the door's gap", "m3/s"), "door_velocity": ("Velocity", "m/s")},
        units=_UNITS,
    )
    found.remarks += remarks
