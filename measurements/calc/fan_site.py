"""Test of a fan in its system: pressures, power, efficiency, and where on the maker's curve it runs.

Sources: AMCA 201 and ISO 5801 (fan static and total pressure), AMCA 203 (tests in the field), EN 16798-3
(specific fan power), NEMA MG 1 (unbalance of voltages; from memory). Air counts as incompressible.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from .conditions import resolve_air
from .distributions import Distribution
from .errors import Refused, not_negative, positive
from .fan_curve import CurvePiece, curve_piece, falling_branch
from .fan_inputs import AMPS_LIMIT, FanTest, Gathered
from .fan_models import (
    MODEL_UNITS,
    NAMES,
    CurvePressure,
    FanStatic,
    PowerSource,
    ShaftSource,
    Wiring,
    fan_model,
)
from .fan_remarks import (
    curve_remarks,
    electrical_remarks,
    instrument_remarks,
    law_remarks,
    power_remarks,
    pressure_remarks,
    speed_remarks,
)
from .method import Estimate, MethodResult, Part, PartFigure, solve
from .phases import Phases, signed_correlations, signed_value, single, take_phases, take_signed
from .places import Readings, Taken, take_mean
from .plan import Sharing
from .records import digest
from .uncertainty import Correlation, Effect, Result
from .version import CALCULATION_VERSION

NO_PIECE = (0.0, 1.0, 0.0, 0.0, 0.0)
_PLAIN = (
    "inlet_area",
    "outlet_area",
    "no_load_current",
    "nameplate_power",
    "nameplate_current",
    "nameplate_voltage",
    "curve_speed",
    "curve_density",
)


def fan_test(inputs: FanTest) -> MethodResult:
    """Fan static pressure (by the convention chosen) and all that the readings allow.

    Results: fan_static_pressure; fan_total_pressure, air_power where flow and both areas are known;
    electrical_power, motor_output, shaft_power, efficiency, static_efficiency, specific_fan_power,
    curve_flow, flow_difference, density, speed, voltage, current and their unbalances where possible.
    Shaft power is on the fan's shaft when the drive's efficiency is given, else on the motor's (see classes).
    Errors: Refused, naming the input: not finite, no reading, areas, flow or nameplate not above zero,
    efficiencies and power factor outside 0 to 1, no flow or inlet area for the defined fan static pressure,
    a curve that does not fall from its peak or has no speed or density.
    """
    _check(inputs)
    identity = digest("fan_test", inputs, CALCULATION_VERSION)
    gathered = _gather(inputs, identity)
    values, effects = _inputs(inputs, gathered)
    correlations = _correlations(inputs, gathered)
    model = fan_model(gathered.air.model.function, gathered.wiring)

    def solved(outputs: Mapping[str, tuple[str, str]]) -> dict[str, Result]:
        return solve(model, values, effects, identity, outputs, correlations, MODEL_UNITS)

    hidden = solved({name: (name, "Pa") for name in ("inlet_velocity_pressure", "curve_pressure")})
    piece, missing = _piece(inputs, gathered, hidden["curve_pressure"].value)
    if piece is not None:
        values["curve_piece"] = (piece.start, *piece.coefficients)
    wanted = _wanted(inputs, gathered, piece)
    results = solved({name: NAMES[name] for name in wanted})
    results |= _shown(gathered, identity)
    remarks = [
        *gathered.air.remarks,
        *instrument_remarks(gathered),
        *pressure_remarks(inputs, gathered, hidden["inlet_velocity_pressure"].value, results),
        *power_remarks(inputs, gathered, results),
        *electrical_remarks(inputs, gathered, results),
        *speed_remarks(inputs, results),
        *curve_remarks(inputs, gathered, piece, missing, hidden["curve_pressure"], results),
        *law_remarks(inputs, results),
    ]
    return MethodResult(
        method="fan_test",
        measurand="fan_static_pressure",
        results=results,
        digest=identity,
        remarks=tuple(remarks),
        verdict_allowed=results["fan_static_pressure"].value > 0.0,
        parts=_parts(gathered),
        classes=_classes(inputs, gathered),
        density_model=gathered.air.model.name,
    )


def _check(inputs: FanTest) -> None:
    for name in (*_PLAIN, "nameplate_speed", "maximum_speed", "motor_sheave", "fan_sheave"):
        if (value := getattr(inputs, name)) is not None:
            positive(name, value)
    not_negative("curve_u", inputs.curve_u)
    for name in ("flow", "motor_efficiency", "drive_efficiency"):
        if (estimate := getattr(inputs, name)) is not None:
            _check_estimate(name, estimate, 1.0 if name != "flow" else math.inf)
    if inputs.convention is FanStatic.DEFINED:
        _need(inputs, ("flow", "inlet_area"), "for the fan static pressure as defined (SP2 - SP1 - VP1)")
    if inputs.curve_flow or inputs.curve_pressure:
        falling_branch(inputs.curve_flow, inputs.curve_pressure)
        _need(inputs, ("curve_speed", "curve_density"), "to scale the maker's curve")
    if inputs.earlier is not None:
        _need(inputs, ("speed",), "to compare with the earlier state")


def _check_estimate(name: str, estimate: Estimate, most: float) -> None:
    not_negative(f"{name}.u", estimate.u)
    if positive(name, estimate.value) > most:
        raise Refused(name, "is a fraction of at most 1", estimate.value)


def _need(inputs: FanTest, names: Sequence[str], why: str) -> None:
    for name in names:
        if getattr(inputs, name) is None:
            raise Refused(name, f"is needed {why}")


def _gather(inputs: FanTest, identity: str) -> Gathered:
    def taken(name: str, label: str) -> Taken | None:
        readings: Readings | None = getattr(inputs, name)
        if readings is None:
            return None
        found = take_mean(readings, name, label)
        positive(name, found.value)
        return found

    power_factor = taken("power_factor", "Power factor")
    if power_factor is not None and power_factor.value > 1.0:
        raise Refused("power_factor", "is a fraction of at most 1", power_factor.value)
    volts = _phases(inputs, "voltage", "V", identity)
    amps = _phases(inputs, "current", "A", identity)
    electrical = PowerSource.NONE
    if inputs.power is not None:
        electrical = PowerSource.METER
    elif volts is not None and amps is not None and power_factor is not None:
        electrical = PowerSource.VOLTS_AND_AMPS
    wiring = Wiring(
        convention=inputs.convention,
        inlet=inputs.flow is not None and inputs.inlet_area is not None,
        outlet=inputs.flow is not None and inputs.outlet_area is not None,
        electrical=electrical,
        shaft=_shaft_source(inputs, electrical),
        supply=inputs.supply,
        curve_shows=inputs.curve_shows,
    )
    return Gathered(
        inlet=take_signed(inputs.inlet_pressure, "inlet_pressure", "Inlet pressure"),
        outlet=take_signed(inputs.outlet_pressure, "outlet_pressure", "Outlet pressure"),
        speed=taken("speed", "Speed"),
        voltage=volts,
        current=amps,
        power=taken("power", "Electrical power"),
        power_factor=power_factor,
        air=resolve_air(inputs.air),
        wiring=wiring,
    )


def _phases(inputs: FanTest, name: str, unit: str, identity: str) -> Phases | None:
    readings: Readings | None = getattr(inputs, name)
    if readings is None:
        return None
    return take_phases(readings, name, name.capitalize(), unit, identity, inputs.supply)


def _shaft_source(inputs: FanTest, electrical: PowerSource) -> ShaftSource:
    if electrical is not PowerSource.NONE and inputs.motor_efficiency is not None:
        return ShaftSource.EFFICIENCY
    if inputs.current is None or inputs.nameplate_power is None or inputs.nameplate_current is None:
        return ShaftSource.NONE
    if inputs.no_load_current is not None:
        return ShaftSource.NO_LOAD_AMPS
    if inputs.voltage is not None and inputs.nameplate_voltage is not None:
        return ShaftSource.AMPS_AND_VOLTS
    return ShaftSource.NONE


def _inputs(inputs: FanTest, gathered: Gathered) -> tuple[dict[str, float | Sequence[float]], list[Effect]]:
    """Values of all inputs of the model (1 where the choices make no use of it), and their effects."""
    scalars = ("speed", "power", "power_factor")
    values: dict[str, float | Sequence[float]] = dict.fromkeys(scalars, 1.0)
    values |= {name: getattr(inputs, name) or 1.0 for name in _PLAIN}
    values |= {"amps_factor": 1.0, "curve_factor": 1.0, "curve_piece": NO_PIECE, **gathered.air.values}
    values |= {"voltage": (1.0,), "current": (1.0,)}
    values["inlet_pressure"] = signed_value(gathered.inlet)
    values["outlet_pressure"] = signed_value(gathered.outlet)
    effects = [*gathered.inlet.taken.effects, *gathered.outlet.taken.effects, *gathered.air.effects]
    for taken in gathered.scalars:
        values[taken.on] = taken.value
        effects += taken.effects
    for phases in gathered.phases:
        values[phases.lines.taken.on] = phases.lines.values
        effects += phases.effects
    for name, label in (
        ("flow", "Flow"),
        ("motor_efficiency", "Motor efficiency"),
        ("drive_efficiency", "Drive efficiency"),
    ):
        estimate: Estimate | None = getattr(inputs, name)
        values[name] = 1.0 if estimate is None else estimate.value
        if estimate is not None:
            effects.append(Effect(label, name, estimate.u, Sharing.COMMON, estimate.dof))
    effects += _area_effects(inputs)
    if gathered.wiring.shaft in (ShaftSource.NO_LOAD_AMPS, ShaftSource.AMPS_AND_VOLTS):
        u = AMPS_LIMIT / math.sqrt(3.0)
        effects.append(
            Effect("Power from amps", "amps_factor", u, Sharing.COMMON, math.inf, Distribution.RECTANGULAR)
        )
    if inputs.curve_flow:
        effects.append(Effect("Maker's curve", "curve_factor", inputs.curve_u, Sharing.COMMON))
    return values, effects


def _area_effects(inputs: FanTest) -> list[Effect]:
    """A tape's error on both sides of a square of that area: 2 sqrt(A) u."""
    effects = []
    for name, label in (("inlet_area", "Inlet area"), ("outlet_area", "Outlet area")):
        if (area := getattr(inputs, name)) is not None:
            u = 2.0 * math.sqrt(area) * not_negative("allowances.dimension", inputs.allowances.dimension)
            effects.append(Effect(label, name, u, Sharing.COMMON))
    return effects


def _correlations(inputs: FanTest, gathered: Gathered) -> list[Correlation]:
    found = signed_correlations(gathered.inlet, gathered.outlet)
    if inputs.inlet_area is not None and inputs.outlet_area is not None:
        found.append(Correlation("Inlet area", "Outlet area", 1.0))
    return found


def _wanted(inputs: FanTest, gathered: Gathered, piece: CurvePiece | None) -> list[str]:
    wiring = gathered.wiring
    flow, total = inputs.flow is not None, wiring.inlet and wiring.outlet
    electrical, shaft = wiring.electrical is not PowerSource.NONE, wiring.shaft is not ShaftSource.NONE
    wanted = {
        "fan_static_pressure": True,
        "fan_total_pressure": total,
        "air_power": total,
        "electrical_power": electrical,
        "motor_output": shaft,
        "shaft_power": shaft,
        "efficiency": total and shaft,
        "static_efficiency": wiring.inlet and shaft,
        "specific_fan_power": electrical and flow,
        "curve_flow": piece is not None,
        "flow_difference": piece is not None and flow,
        "density": True,
    }
    return [name for name, known in wanted.items() if known]


def _shown(gathered: Gathered, identity: str) -> dict[str, Result]:
    """What was read, as results of their own."""
    found = {}
    if gathered.speed is not None:
        found["speed"] = single(gathered.speed, "Fan speed", "1/s", identity)
    for name, phases in (("voltage", gathered.voltage), ("current", gathered.current)):
        if phases is not None:
            found[name] = phases.mean
            if phases.unbalance is not None:
                found[f"{name}_unbalance"] = phases.unbalance
    return found


def _parts(gathered: Gathered) -> tuple[Part, ...]:
    """Phase by phase: every quantity that was read in as many phases."""
    read = [
        (name, phases)
        for name, phases in (("voltage", gathered.voltage), ("current", gathered.current))
        if phases is not None
    ]
    count = max((len(p.each) for _, p in read), default=0)
    full = [(name, p) for name, p in read if len(p.each) == count]
    return tuple(
        Part(str(n + 1), tuple(f for name, p in full for f in _phase_figures(name, p, n)))
        for n in range(count)
    )


def _phase_figures(name: str, phases: Phases, n: int) -> tuple[PartFigure, PartFigure]:
    found = phases.each[n]
    deviation = found.value / phases.mean.value - 1.0
    return (
        PartFigure(name, found.value, found.U, found.unit),
        PartFigure(f"{name}_deviation", deviation, None, "1"),
    )


def _classes(inputs: FanTest, gathered: Gathered) -> dict[str, str]:
    wiring = gathered.wiring
    found = {
        "convention": str(wiring.convention),
        "power_source": str(wiring.electrical),
        "shaft_source": str(wiring.shaft),
    }
    if wiring.shaft is not ShaftSource.NONE:
        found["shaft_power_at"] = "motor" if inputs.drive_efficiency is None else "fan"
    return found


def _piece(inputs: FanTest, gathered: Gathered, pressure: float) -> tuple[CurvePiece | None, tuple[str, ...]]:
    """The piece of the curve at the pressure reduced to it, and what is missing to look there."""
    if not inputs.curve_flow:
        return None, ()
    missing = [] if gathered.speed is not None else ["speed"]
    if inputs.curve_shows is CurvePressure.TOTAL:
        missing += [n for n in ("flow", "inlet_area", "outlet_area") if getattr(inputs, n) is None]
    if missing:
        return None, tuple(missing)
    return curve_piece(inputs.curve_flow, inputs.curve_pressure, pressure), ()
