"""What a fan test notices: each check with its limit, as typed remarks."""

from __future__ import annotations

from collections.abc import Mapping

from . import motor
from .air import GAMMA
from .errors import Refused
from .fan import FanState, laws_agree
from .fan_curve import CurvePiece, falling_branch
from .fan_inputs import AMPS_LIMIT, FanTest, Gathered
from .fan_models import CurvePressure, FanStatic, ShaftSource
from .method import Code, Estimate, MethodResult, Remark
from .phases import signed_value
from .uncertainty import Result


def fan_state(result: MethodResult, flow: Estimate | None = None) -> FanState:
    """The state of a tested fan for `laws_agree`. Errors: Refused when its speed was not read."""
    if "speed" not in result.results:
        raise Refused("speed", "is needed for the fan laws")

    def known(name: str) -> Estimate | None:
        found = result.results.get(name)
        return None if found is None or found.value <= 0.0 else Estimate(found.value, found.u, found.dof)

    return FanState(
        speed=known("speed") or Estimate(0.0, 0.0),
        flow=flow,
        pressure=known("fan_static_pressure"),
        power=known("shaft_power"),
        density=known("density"),
    )


def curve_remarks(
    inputs: FanTest,
    gathered: Gathered,
    piece: CurvePiece | None,
    missing: tuple[str, ...],
    reduced: Result,
    results: Mapping[str, Result],
) -> list[Remark]:
    if not inputs.curve_flow:
        return []
    if missing:
        return [Remark(Code.FAN_CURVE_NOT_READ, {}, missing)]
    remarks = []
    if inputs.curve_shows is CurvePressure.STATIC and not gathered.wiring.inlet:
        remarks.append(Remark(Code.CURVE_BY_FIELD_STATIC))
    branch = falling_branch(inputs.curve_flow, inputs.curve_pressure)
    numbers = {"pressure": reduced.value, "low": branch[0][0], "high": branch[-1][0]}
    if piece is None:
        return [*remarks, Remark(Code.OFF_FAN_CURVE, numbers)]
    if reduced.value + reduced.U > piece.peak:
        remarks.append(Remark(Code.NEAR_CURVE_PEAK, {**numbers, "U": reduced.U}))
    if inputs.flow is None:
        return remarks
    difference = results["flow_difference"]
    peak_flow = piece.peak_flow * results["curve_flow"].value / piece.flow(reduced.value)
    if inputs.flow.value < peak_flow:
        remarks.append(Remark(Code.LEFT_OF_PEAK, {"flow": inputs.flow.value, "peak_flow": peak_flow}))
    if abs(difference.value) > difference.U:
        numbers = {"difference": difference.value, "U": difference.U}
        remarks.append(Remark(Code.FAN_FLOW_OFF_CURVE, numbers))
    return remarks


def instrument_remarks(gathered: Gathered) -> list[Remark]:
    taken = [gathered.inlet.taken, gathered.outlet.taken, *gathered.scalars]
    taken += [p.lines.taken for p in gathered.phases]
    crossed = sum(len(s.taken.values) for s in (gathered.inlet, gathered.outlet) if s.crossed)
    mirrored = [Remark(Code.CERTIFICATE_MIRRORED, {"count": crossed})] if crossed else []
    return [*mirrored, *(remark for t in taken for remark in t.remarks)]


def pressure_remarks(
    inputs: FanTest, gathered: Gathered, inlet_velocity: float, results: Mapping[str, Result]
) -> list[Remark]:
    inlet, outlet = signed_value(gathered.inlet), signed_value(gathered.outlet)
    remarks = []
    if inlet > gathered.inlet.taken.u * 2.0:
        remarks.append(Remark(Code.INLET_PRESSURE_POSITIVE, {"inlet": inlet}))
    if results["fan_static_pressure"].value <= 0.0:
        remarks.append(Remark(Code.NO_PRESSURE_RISE, {"inlet": inlet, "outlet": outlet}))
    if inputs.convention is FanStatic.FIELD:
        known = {"velocity_pressure": inlet_velocity} if gathered.wiring.inlet else {}
        remarks.append(Remark(Code.FIELD_FAN_STATIC, known))
    return remarks


def power_remarks(inputs: FanTest, gathered: Gathered, results: Mapping[str, Result]) -> list[Remark]:
    remarks = []
    if "air_power" in results:
        bias = results["fan_total_pressure"].value / (2.0 * GAMMA * gathered.air.pressure)
        if bias > inputs.limits.compressibility:
            numbers = {"bias": bias, "limit": inputs.limits.compressibility}
            remarks.append(Remark(Code.AIR_POWER_COMPRESSIBLE, numbers))
    efficiency = results.get("efficiency") or results.get("static_efficiency")
    if efficiency is not None and efficiency.value > inputs.limits.efficiency:
        numbers = {"efficiency": efficiency.value, "limit": inputs.limits.efficiency}
        remarks.append(Remark(Code.FAN_EFFICIENCY_HIGH, numbers))
    if gathered.wiring.shaft in (ShaftSource.NO_LOAD_AMPS, ShaftSource.AMPS_AND_VOLTS):
        remarks.append(Remark(Code.POWER_FROM_AMPS, _amps_numbers(inputs, gathered)))
    return remarks


def _amps_numbers(inputs: FanTest, gathered: Gathered) -> dict[str, float]:
    """Brake power by the approximations that the readings allow."""
    numbers = {"limit": AMPS_LIMIT}
    if gathered.voltage is None or gathered.current is None or inputs.nameplate_voltage is None:
        return numbers
    both = motor.power_from_amps(
        nameplate_power=inputs.nameplate_power or 0.0,
        nameplate_current=inputs.nameplate_current or 0.0,
        nameplate_voltage=inputs.nameplate_voltage,
        current=gathered.current.mean.value,
        voltage=gathered.voltage.mean.value,
        no_load_current=inputs.no_load_current,
    )
    numbers["amps_and_volts"] = both.amps_and_volts
    if both.no_load is not None and both.difference is not None:
        numbers |= {"no_load": both.no_load, "difference": both.difference}
    return numbers


def electrical_remarks(inputs: FanTest, gathered: Gathered, results: Mapping[str, Result]) -> list[Remark]:
    remarks = []
    if gathered.current is not None and inputs.nameplate_current is not None:
        worst = max(gathered.current.each, key=lambda r: r.value)
        remarks += _above(Code.MOTOR_OVERCURRENT, "current", worst, inputs.nameplate_current)
    if (output := results.get("motor_output")) is not None and inputs.nameplate_power is not None:
        remarks += _above(Code.MOTOR_OVERLOAD, "power", output, inputs.nameplate_power)
    remarks += _unbalance_remarks(inputs, results)
    if (volts := results.get("voltage")) is not None and inputs.nameplate_voltage is not None:
        deviation = volts.value / inputs.nameplate_voltage - 1.0
        if abs(deviation) > inputs.limits.voltage_deviation:
            numbers = {
                "voltage": volts.value,
                "nameplate": inputs.nameplate_voltage,
                "deviation": deviation,
                "limit": inputs.limits.voltage_deviation,
            }
            remarks.append(Remark(Code.VOLTAGE_OFF_NAMEPLATE, numbers))
    return remarks


def _unbalance_remarks(inputs: FanTest, results: Mapping[str, Result]) -> list[Remark]:
    remarks, limits = [], inputs.limits
    if (volts := results.get("voltage_unbalance")) is not None:
        severe = volts.value > limits.voltage_unbalance_severe
        limit = limits.voltage_unbalance_severe if severe else limits.voltage_unbalance
        code = Code.VOLTAGE_UNBALANCE_SEVERE if severe else Code.VOLTAGE_UNBALANCE
        if volts.value > limit:
            remarks.append(Remark(code, {"unbalance": volts.value, "limit": limit, "U": volts.U}))
    if (amps := results.get("current_unbalance")) is not None:
        remarks += _above(Code.CURRENT_UNBALANCE, "unbalance", amps, limits.current_unbalance)
    return remarks


def speed_remarks(inputs: FanTest, results: Mapping[str, Result]) -> list[Remark]:
    speed = results.get("speed")
    if speed is None:
        return []
    remarks = []
    if inputs.maximum_speed is not None:
        remarks += _above(Code.ABOVE_MAXIMUM_SPEED, "speed", speed, inputs.maximum_speed)
    if inputs.nameplate_speed and inputs.motor_sheave and inputs.fan_sheave:
        expected = inputs.nameplate_speed * inputs.motor_sheave / inputs.fan_sheave
        if abs(speed.value / expected - 1.0) > inputs.limits.sheave_speed:
            numbers = {"speed": speed.value, "expected": expected, "limit": inputs.limits.sheave_speed}
            remarks.append(Remark(Code.SPEED_OFF_SHEAVES, numbers))
    return remarks


def _above(code: Code, name: str, found: Result, limit: float) -> list[Remark]:
    if found.value <= limit:
        return []
    return [Remark(code, {name: found.value, "limit": limit, "U": found.U})]


def law_remarks(inputs: FanTest, results: Mapping[str, Result]) -> list[Remark]:
    if inputs.earlier is None:
        return []
    now = fan_state(_only(results), inputs.flow)
    checks = laws_agree(inputs.earlier, now)
    return [
        Remark(Code.FAN_LAWS_DISAGREE, {"difference": c.relative_difference, "U": c.U}, (c.name,))
        for c in checks
        if not c.agrees
    ]


def _only(results: Mapping[str, Result]) -> MethodResult:
    return MethodResult("fan_test", "fan_static_pressure", results, "")
