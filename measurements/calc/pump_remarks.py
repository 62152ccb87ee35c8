"""What a pump test notices: velocity head, curve, shut-off head, nameplate, efficiency."""

from __future__ import annotations

import math
from collections.abc import Mapping

from .method import Code, Remark
from .pump_curve import PumpCurve
from .pump_model import PumpReadings, PumpTest
from .uncertainty import Result


def velocity_remarks(inputs: PumpTest, flow_from: str) -> list[Remark]:
    """Pipes of unlike size whose velocities are not known."""
    diameters = (inputs.suction_diameter, inputs.discharge_diameter)
    if diameters == (None, None) or diameters[0] == diameters[1]:
        return []
    if None in diameters or flow_from == "none":
        return [Remark(Code.VELOCITY_HEAD_LEFT_OUT)]
    return []


def curve_remarks(inputs: PumpTest, curve: PumpCurve | None, found: Mapping[str, Result]) -> list[Remark]:
    """A speed assumed, a curve too flat to read a flow from, a measured flow that is not on it."""
    if curve is None:
        return []
    remarks = []
    if inputs.curve_speed is None or inputs.speed is None:
        remarks.append(Remark(Code.CURVE_SPEED_ASSUMED, {"limit": inputs.limits.speed}))
    on_curve = found.get("flow_on_curve")
    if on_curve is None:
        return remarks
    if on_curve.relative_U > inputs.limits.flat_curve:
        numbers = {"relative_U": on_curve.relative_U, "limit": inputs.limits.flat_curve}
        remarks.append(Remark(Code.FLAT_CURVE, numbers))
    if inputs.flow is not None:
        U = math.hypot(on_curve.U, 2.0 * inputs.flow.u)
        away = abs(on_curve.value - inputs.flow.value) / U if U > 0.0 else 0.0
        if away > 1.0:
            numbers = {"flow": inputs.flow.value, "curve_flow": on_curve.value, "normalised": away}
            remarks.append(Remark(Code.FLOW_OFF_CURVE, numbers))
    return remarks


def shut_off(
    inputs: PumpTest, curve: PumpCurve | None, speed_ratio: float, closed: Result | None
) -> tuple[str, list[Remark]]:
    """The shut-off head against the curve's first point: it tells the impeller that is really there."""
    if closed is None or curve is None:
        return "not_compared", []
    if curve.shut_off is None:
        return "not_compared", [Remark(Code.SHUT_OFF_NOT_ON_CURVE, {"lowest_flow": curve.flows[0]})]
    expected = curve.shut_off * speed_ratio**2
    ratio, limit = closed.value / expected, inputs.limits.shut_off
    if abs(ratio - 1.0) <= limit or abs(closed.value - expected) <= closed.U:
        return "as_curve", []
    numbers = {"ratio": ratio, "limit": limit, "impeller": math.sqrt(max(ratio, 0.0))}
    return ("high" if ratio > 1.0 else "low"), [Remark(Code.SHUT_OFF_HEAD, numbers)]


def power_remarks(inputs: PumpTest, test: PumpReadings, found: Mapping[str, Result]) -> list[Remark]:
    """Power that cannot be told, a motor above its plate, an efficiency that cannot be."""
    remarks = []
    volts_and_amps = "voltage" in test.taken and "current" in test.taken
    if volts_and_amps and "electrical_power" not in found:
        remarks.append(Remark(Code.POWER_FACTOR_MISSING))
    loads = {"current": (inputs.nameplate_current, test.taken.get("current"))}
    for name, (most, load) in loads.items():
        if most is not None and load is not None and load.value > most:
            remarks.append(
                Remark(Code.PUMP_OVER_NAMEPLATE, {"value": load.value, "nameplate": most}, (name,))
            )
    shaft = found.get("shaft_power")
    if inputs.nameplate_power is not None and shaft is not None and shaft.value > inputs.nameplate_power:
        numbers = {"value": shaft.value, "nameplate": inputs.nameplate_power}
        remarks.append(Remark(Code.PUMP_OVER_NAMEPLATE, numbers, ("power",)))
    remarks.extend(
        Remark(Code.IMPOSSIBLE_EFFICIENCY, {"efficiency": found[name].value}, (name,))
        for name in ("efficiency", "overall_efficiency")
        if name in found and found[name].value > 1.0
    )
    return remarks
