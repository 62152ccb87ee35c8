"""Pump test: head from two gauges, shut-off head, flow on the maker's curve, powers, efficiency."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .air import STANDARD_PRESSURE
from .distributions import Distribution, from_limits
from .errors import Refused, finite, not_negative, positive
from .method import Code, MethodResult, Part, PartFigure, Remark, solve
from .places import same_instrument, take_mean
from .plan import Sharing
from .pump_curve import PumpCurve, pump_curve
from .pump_model import OUTPUTS, PRESSURES, UNITS, PumpReadings, PumpTest, pipe_velocity, pump_model
from .pump_remarks import curve_remarks, power_remarks, shut_off, velocity_remarks
from .records import digest
from .uncertainty import Effect
from .units import GRAVITY
from .version import CALCULATION_VERSION
from .water import resolve_liquid

SLOWEST, FASTEST = 0.2, 2.0
"""Speed over the curve's, between which the affinity laws are used (common practice, no source)."""


def pump_test(inputs: PumpTest) -> MethodResult:
    """Test of a pump. measurand: "head" (m of the fluid); other results as far as the readings go.

    "shut_off_head" (m, needs both shut-off readings), "flow_on_curve" (m3/s, needs the curve),
    "water_power" (W, by the flow measured, else by the flow on the curve), "electrical_power" (W, as measured
    or from volts, amps and power factor), "shaft_power" and "efficiency" (need the motor's efficiency),
    "overall_efficiency", "density". classes["shut_off"]: as_curve, high, low, not_compared;
    classes["flow_from"]: measured, curve, none. No verdict for a head that is not above zero.
    Errors: Refused, naming the input.
    """
    _check(inputs)
    curve = pump_curve(inputs.curve_flow, inputs.curve_head) if inputs.curve_flow else None
    test = _take(inputs)
    state = test.state
    identity = digest("pump_test", inputs, CALCULATION_VERSION)
    values, effects = _values(inputs, test), list(test.effects)
    where = _Where({}, False, [])
    if curve is not None:
        where = _on_curve(inputs, test, curve, values, effects)
        values.update(where.values)
        effects += _curve_effects(inputs, test, where)
    flow_from = "measured" if inputs.flow is not None else "curve" if where.found else "none"
    power_known = inputs.power is not None
    model = pump_model(state.liquid.density, inputs.flow is not None, power_known, inputs.supply)
    wanted = _wanted(inputs, where.found)
    asked = {name: OUTPUTS[name] for name in OUTPUTS if name in wanted}
    found = solve(model, values, effects, identity, asked, test.correlations, UNITS)
    word, closed = shut_off(inputs, curve, values["speed_ratio"], found.get("shut_off_head"))
    head = found["head"].value
    return MethodResult(
        method="pump_test",
        measurand="head",
        results=found,
        digest=identity,
        remarks=(
            *([] if head > 0.0 else [Remark(Code.NEGATIVE_HEAD, {"head": head})]),
            *velocity_remarks(inputs, flow_from),
            *where.remarks,
            *curve_remarks(inputs, curve, found),
            *closed,
            *power_remarks(inputs, test, found),
            *test.remarks,
        ),
        verdict_allowed=head > 0.0,
        parts=_parts(test),
        classes={"shut_off": word, "flow_from": flow_from},
    )


@dataclass(frozen=True, slots=True)
class _Where:
    """Where the head meets the curve: model inputs, whether it does, what to say."""

    values: dict[str, float]
    found: bool
    remarks: list[Remark]


_PLACES = {
    "suction": "suction pressure",
    "discharge": "discharge pressure",
    "shut_off_suction": "shut-off suction pressure",
    "shut_off_discharge": "shut-off discharge pressure",
    "speed": "speed",
    "voltage": "voltage",
    "current": "current",
    "power": "power",
    "power_factor": "power factor",
}


def _check(inputs: PumpTest) -> None:
    finite("suction_height", inputs.suction_height)
    finite("discharge_height", inputs.discharge_height)
    above_zero = (
        "suction_diameter",
        "discharge_diameter",
        "curve_speed",
        "nameplate_power",
        "nameplate_current",
    )
    for name in above_zero:
        if (value := getattr(inputs, name)) is not None:
            positive(name, value)
    for name in ("suction_diameter", "discharge_diameter"):
        if (value := getattr(inputs, name)) is not None and not 0.001 <= value <= 10.0:
            raise Refused(name, "must be from 1 mm to 10 m", value)
    if inputs.flow is not None:
        not_negative("flow", inputs.flow.value)
        not_negative("flow.u", inputs.flow.u)
    if inputs.motor_efficiency is not None and not 0.0 < inputs.motor_efficiency.value <= 1.0:
        raise Refused("motor_efficiency", "must be above 0 and at most 1", inputs.motor_efficiency.value)
    if (inputs.shut_off_suction is None) != (inputs.shut_off_discharge is None):
        missing = "shut_off_suction" if inputs.shut_off_suction is None else "shut_off_discharge"
        raise Refused(missing, "is needed with the other shut-off reading")
    if inputs.curve_head and not inputs.curve_flow:
        raise Refused("curve_flow", "is needed with the heads of the curve")


def _take(inputs: PumpTest) -> PumpReadings:
    taken = {
        name: take_mean(readings, name, label)
        for name, label in _PLACES.items()
        if (readings := getattr(inputs, name)) is not None
    }
    for name in PRESSURES:
        if name in taken and taken[name].value <= -STANDARD_PRESSURE:
            raise Refused(name, "makes the absolute pressure negative (gauge pressure)", taken[name].value)
    for name in ("speed", "voltage", "current", "power"):
        if name in taken:
            positive(name, taken[name].value)
    if "power_factor" in taken and not 0.0 < taken["power_factor"].value <= 1.0:
        raise Refused("power_factor", "must be above 0 and at most 1", taken["power_factor"].value)
    state = resolve_liquid(inputs.fluid, inputs.temperature)
    own = [e for name, t in taken.items() if name != "speed" for e in t.effects]
    if inputs.limits.height > 0.0:
        own.append(Effect("Heights of the gauges", "height", inputs.limits.height, Sharing.COMMON))
    if inputs.flow is not None:
        own.append(Effect("Flow measured", "flow", inputs.flow.u, Sharing.COMMON, inputs.flow.dof))
    if inputs.motor_efficiency is not None:
        e = inputs.motor_efficiency
        own.append(Effect("Efficiency of the motor", "motor_efficiency", e.u, Sharing.COMMON, e.dof))
    gauges = [taken[n] for n in PRESSURES if n in taken]
    return PumpReadings(
        taken,
        state,
        (*own, *state.effects),
        tuple(same_instrument(*gauges)),
        (*(r for t in taken.values() for r in t.remarks), *state.remarks),
    )


def _values(inputs: PumpTest, test: PumpReadings) -> dict[str, float]:
    names = [n for n in _PLACES if n != "speed"]
    efficiency = inputs.motor_efficiency
    return {
        **{n: test.taken[n].value if n in test.taken else 1.0 for n in names},
        "height": inputs.discharge_height - inputs.suction_height,
        **test.state.values,
        "flow": inputs.flow.value if inputs.flow is not None else 0.0,
        "velocity_term": _velocity_term(inputs),
        "curve_flow": 0.0,
        "curve_head": 0.0,
        "curve_slope": -1.0,
        "curve_factor": 1.0,
        "speed_ratio": _speed_ratio(inputs, test),
        "motor_efficiency": efficiency.value if efficiency is not None else 1.0,
    }


def _velocity_term(inputs: PumpTest) -> float:
    if inputs.suction_diameter is None or inputs.discharge_diameter is None:
        return 0.0
    there, here = (
        pipe_velocity(1.0, d) ** 2 / (2.0 * GRAVITY)
        for d in (inputs.discharge_diameter, inputs.suction_diameter)
    )
    return there - here


def _speed_ratio(inputs: PumpTest, test: PumpReadings) -> float:
    if inputs.curve_speed is None or "speed" not in test.taken:
        return 1.0
    ratio = test.taken["speed"].value / inputs.curve_speed
    if not SLOWEST <= ratio <= FASTEST:
        raise Refused("speed", "is too far from the curve's for the affinity laws", test.taken["speed"].value)
    return ratio


def _on_curve(
    inputs: PumpTest, test: PumpReadings, curve: PumpCurve, values: dict[str, float], effects: list[Effect]
) -> _Where:
    """Where the head meets the curve; an unmeasured flow in the velocity head comes from the curve too."""
    square = values["speed_ratio"] ** 2
    flow = values["flow"]
    static, u = _plain_head(test, values, effects)
    head = static
    for _ in range(20 if inputs.flow is None else 1):
        head = static + values["velocity_term"] * flow * flow
        if inputs.flow is None:
            flow = curve.flow_at(head / square) * values["speed_ratio"]
    there = head / square
    numbers = {"head": head, "lowest": curve.lowest * square, "highest": curve.highest * square}
    if not curve.lowest <= there <= curve.highest:
        return _Where({}, False, [Remark(Code.OUTSIDE_CURVE, numbers)])
    remarks = []
    if there > curve.heads[0]:
        remarks.append(Remark(Code.AMBIGUOUS_CURVE, {"head": head, "shut_off": curve.heads[0] * square}))
    u_there = math.hypot(u / square, from_limits(inputs.limits.curve_head) * there)
    found = {
        "curve_flow": curve.flow_at(there),
        "curve_head": there,
        "curve_slope": curve.slope_over(there, u_there),
        "flow": flow,
    }
    return _Where(found, True, remarks)


def _plain_head(test: PumpReadings, values: dict[str, float], effects: list[Effect]) -> tuple[float, float]:
    """Head without the velocity part, and its standard uncertainty."""
    model = pump_model(test.state.liquid.density, True, False)
    outputs = {"head": OUTPUTS["head"]}
    still = {**values, "velocity_term": 0.0}
    found = solve(model, still, effects, "", outputs, test.correlations, UNITS)["head"]
    return found.value, found.u


def _curve_effects(inputs: PumpTest, test: PumpReadings, where: _Where) -> list[Effect]:
    if not where.found:
        return []
    limits, ratio = inputs.limits, _speed_ratio(inputs, test)
    tolerance = from_limits(limits.curve_head)
    rectangular = Distribution.RECTANGULAR
    effects = [
        Effect("Maker's curve", "curve_factor", tolerance, Sharing.COMMON, distribution=rectangular),
    ]
    if inputs.curve_speed is not None and "speed" in test.taken:
        effects += [
            Effect(e.name, "speed_ratio", e.u / inputs.curve_speed, Sharing.COMMON, e.dof, e.distribution)
            for e in test.taken["speed"].effects
            if isinstance(e.u, float)
        ]
    else:
        u = ratio * from_limits(limits.speed)
        effects.append(Effect("Speed not taken", "speed_ratio", u, Sharing.COMMON, distribution=rectangular))
    if inputs.flow is None:
        head_u = tolerance * where.values["curve_head"]
        u = abs(head_u / where.values["curve_slope"]) * ratio
        effects.append(Effect("Flow in the velocity head", "flow", u, Sharing.COMMON))
    return effects


def _wanted(inputs: PumpTest, on_curve: bool) -> set[str]:
    flow = inputs.flow is not None or on_curve
    power = inputs.power is not None or None not in (inputs.voltage, inputs.current, inputs.power_factor)
    motor = inputs.motor_efficiency is not None
    chosen = {
        "head": True,
        "density": True,
        "shut_off_head": inputs.shut_off_suction is not None,
        "flow_on_curve": on_curve,
        "water_power": flow,
        "electrical_power": power,
        "shaft_power": power and motor,
        "efficiency": flow and power and motor,
        "overall_efficiency": flow and power,
    }
    return {name for name, there in chosen.items() if there}


def _parts(test: PumpReadings) -> tuple[Part, ...]:
    """Every place with its corrected mean; U is twice the standard uncertainty."""
    rows = []
    for name, taken in test.taken.items():
        figure = PartFigure("reading", taken.value, 2.0 * taken.u, UNITS.get(name, "1"))
        rows.append(Part(_PLACES[name], (figure,)))
    return tuple(rows)
