"""From a loaded session to the inputs of its calculation, as plain JSON that is stored with the result."""

import math
from collections.abc import Callable
from dataclasses import fields
from typing import Any

from jobs.models import DecisionRule, DensityBasis, InstrumentRange, Quantity
from measurements import calc
from measurements.loading import QUANTITY_OF_USE, Loaded, Tool
from measurements.methods import Place, Told
from measurements.models import Method, Reading, Sweep

SPREAD = {"temperature": 0.3, "humidity": 0.02, "barometer": 20.0}
"""Standard uncertainty of the place and moment of a reading of the air: K, 1, Pa (practice)."""
WITHOUT = {"temperature": 0.5, "humidity": 0.05, "barometer": 100.0}
"""The same when no instrument is named (practice)."""
ENOUGH_RUNS, LEAST_POOLED = 4, 2
"""Runs of a plane that speak for themselves; degrees of freedom from which others speak for it (practice)."""
LEAST_PROBABILITY = 0.95
"""When the company sets none; a threshold of zero would accept everything, so it is none."""
SHAPES = {"round": calc.Shape.ROUND, "rectangular": calc.Shape.RECTANGULAR, "oval": calc.Shape.FLAT_OVAL}


def inputs_of(loaded: Loaded) -> dict[str, Any]:
    """Everything that the figures and the verdict rest on. Raises calc.Refused when it cannot be computed."""
    build = {
        Method.PITOT_TRAVERSE: _pitot,
        Method.SWEPT_TRAVERSE: _swept,
        Method.CENTRELINE_READING: _centreline,
        Method.HOOD_READING: _hood,
    }.get(Method(loaded.session.method), by_name)
    return {
        "method": loaded.session.method,
        "calculation": calc.to_plain(loaded.settings.applied(build(loaded))),
        "judgement": judgement_of(loaded),
        "certificates": [_certificate(tool) for tool in loaded.tools.values()],
        "evidence": loaded.session.content_digest,
        **rules_of(loaded),
    }


def rules_of(loaded: Loaded) -> dict[str, Any]:
    """What the company set otherwise in the rules that look at this session; nothing where all is usual."""
    found = loaded.settings.of_method(loaded.session.method)
    return {"rules": found} if found else {}


def judgement_of(loaded: Loaded) -> dict[str, Any]:
    """Design, tolerance in force and decision rule. The point's tolerance wins, then the job's."""
    point, job, company = loaded.point, loaded.job, loaded.company
    return {
        "design_flow": point.design_flow,
        "design_basis": point.design_basis,
        "design_of": point.design_of,
        "design_value": point.design_value,
        "limit_low": point.limit_low,
        "limit_high": point.limit_high,
        "tolerance_below": first_given(point.tolerance_below, job.tolerance_below, company.tolerance_below),
        "tolerance_above": first_given(point.tolerance_above, job.tolerance_above, company.tolerance_above),
        "rule": calc.to_plain(_rule(company.decision_rule, company.decision_parameter)),
        "standard_density": company.standard_density,
    }


def first_given(*values: float | None) -> float | None:
    """The first that is set; the tolerance in force of (point, job, company)."""
    return next((value for value in values if value is not None), None)


def _rule(kind: str, parameter: float) -> calc.AcceptanceRule:
    if kind == DecisionRule.GUARDED:
        return calc.AcceptanceRule(calc.DecisionRule.GUARDED, guard=parameter)
    if kind == DecisionRule.PROBABILITY:
        return calc.AcceptanceRule(calc.DecisionRule.PROBABILITY, threshold=parameter or LEAST_PROBABILITY)
    return calc.AcceptanceRule()


def on_standard_basis(judgement: dict[str, Any]) -> bool:
    return bool(judgement["design_basis"] == DensityBasis.STANDARD)


def _certificate(tool: Tool) -> dict[str, Any]:
    found = tool.certificate
    return {
        "use": tool.use,
        "instrument": str(tool.instrument.id),
        "serial": tool.instrument.serial,
        "certificate": str(found.id) if found else None,
        "number": found.number if found else None,
        "laboratory": found.laboratory if found else None,
        "calibrated_on": found.calibrated_on.isoformat() if found else None,
        "due_on": found.due_on.isoformat() if found else None,
        "digest": found.digest if found else None,
    }


def _pitot(loaded: Loaded) -> calc.PitotTraverse:
    rows = loaded.readings
    before, after = zeros_of(loaded)
    plane = loaded.content["plane"]
    return calc.PitotTraverse(
        duct=duct_of(plane),
        readings=tuple(calc.PointReading(hole=r.line, row=r.point, value=r.value, run=r.run) for r in rows),
        instrument=instrument_of(loaded, "pressure", [r.value for r in rows]),
        air=air_of(loaded),
        rule=calc.Rule(plane["rule"]) if plane["rule"] else None,
        holes=plane["lines"],
        rows=plane["points"],
        probe=probe_of(loaded),
        zero_before=before,
        zero_after=after,
        upstream=loaded.si("plane", "upstream"),
        downstream=loaded.si("plane", "downstream"),
        standard_density=loaded.company.standard_density,
        run_repeatability=_pooled(loaded),
        integration_corrected=loaded.company.rule_bias_corrected,
    )


def _pooled(loaded: Loaded) -> calc.Estimate | None:
    """How far runs repeat on the job's other planes, where this plane's own runs are too few to tell."""
    if len({row.run for row in loaded.readings}) >= ENOUGH_RUNS:
        return None
    found = calc.pooled_repeatability([f for f in loaded.other_runs if len(f) > 1 and math.fsum(f) > 0.0])
    return found if found is not None and found.dof >= LEAST_POOLED else None


def _swept(loaded: Loaded) -> calc.SweptTraverse:
    sweeps, plane = loaded.sweeps, loaded.content["plane"]
    quantity = sweeps[0].quantity
    shown = [value for sweep in sweeps for value in shown_in(sweep)]
    before, after = zeros_of(loaded)
    zeros = [zero for zero in (before, after) if zero is not None]
    use = "pressure" if quantity == "pressure" else "velocity"
    return calc.SweptTraverse(
        duct=duct_of(plane),
        lines=plane["lines"] or max(sweep.line for sweep in sweeps),
        sweeps=tuple(_sweep(sweep) for sweep in sweeps),
        signal=calc.Signal.PRESSURE if quantity == "pressure" else calc.Signal.VELOCITY,
        instrument=instrument_of(loaded, use, shown),
        air=air_of(loaded),
        rule=calc.Rule(plane["rule"]) if plane["rule"] else None,
        zero=math.fsum(zeros) / len(zeros) if zeros and use == "pressure" else 0.0,
        probe=probe_of(loaded),
        upstream=loaded.si("plane", "upstream"),
        downstream=loaded.si("plane", "downstream"),
        standard_density=loaded.company.standard_density,
        integration_corrected=loaded.company.rule_bias_corrected,
    )


def _sweep(row: Sweep) -> calc.Sweep:
    """Samples are evenly spaced, the first after one step, the last at the sweep's end."""
    if not row.samples:
        return calc.Sweep(row.line, row.run, mean=row.mean, duration=row.duration_s)
    step = row.duration_s / len(row.samples)
    times = tuple(step * (n + 1) for n in range(len(row.samples)))
    return calc.Sweep(row.line, row.run, times=times, samples=tuple(row.samples))


def shown_in(sweep: Sweep) -> list[float]:
    """What the instrument showed in a sweep: its samples, or the one mean."""
    if sweep.samples or sweep.mean is None:
        return list(sweep.samples)
    return [sweep.mean]


def _centreline(loaded: Loaded) -> calc.CentrelineReading:
    values = [row.value for row in loaded.readings]
    before, after = zeros_of(loaded)
    return calc.CentrelineReading(
        duct=duct_of(loaded.content["plane"]),
        pressures=tuple(values),
        instrument=instrument_of(loaded, "pressure", values),
        air=air_of(loaded),
        probe=probe_of(loaded),
        zero_before=before,
        zero_after=after,
        upstream=loaded.si("plane", "upstream"),
        downstream=loaded.si("plane", "downstream"),
        standard_density=loaded.company.standard_density,
    )


def _hood(loaded: Loaded) -> calc.HoodReading:
    flows = [row.value for row in loaded.readings]
    hood = loaded.tools["hood"].instrument
    factor = None
    if hood.probe_factor is not None:
        u = hood.probe_factor_u
        factor = calc.Estimate(hood.probe_factor, 0.03 * hood.probe_factor if u is None else u)
    return calc.HoodReading(
        flows=tuple(flows),
        instrument=instrument_of(loaded, "hood", flows),
        air=air_of(loaded),
        factor=factor,
        standard_density=loaded.company.standard_density,
    )


def by_name(loaded: Loaded) -> Any:
    """The method's input, each field from the place, the told figure or the circumstance of its name.

    Raises calc.Refused naming the field.
    """
    kind, told = loaded.kind, loaded.content.get("told") or {}
    names = {field.name for field in fields(kind.inputs)}
    plain: dict[str, Any] = {
        place.name: calc.to_plain(_readings(loaded, place, rows))
        for place in kind.places
        if (rows := loaded.rows_of(place))
    }
    for one in kind.told:
        if one.name in told:
            plain[one.name] = _told(one, told[one.name])
    for name, circumstance in _CIRCUMSTANCES.items():
        if name in names and name not in plain:
            plain[name] = calc.to_plain(circumstance(loaded))
    return calc.from_plain(kind.inputs, kind.shape(plain))


def _readings(loaded: Loaded, place: Place, rows: list[Reading]) -> calc.Readings:
    values = [row.value for row in rows]
    start = loaded.session.started_at
    zeros = [zero for zero in zeros_of(loaded, place.use) if zero is not None]
    return calc.Readings(
        values=tuple(values),
        instrument=instrument_of(loaded, place.use, values),
        by=str(loaded.tools[place.use].instrument.id),
        places=tuple((row.run, row.line, row.point) for row in rows),
        times=tuple((row.taken_at - start).total_seconds() for row in rows),
        zero=math.fsum(zeros) / len(zeros) if zeros else None,
    )


def _told(told: Told, entry: Any) -> Any:
    """Plain data of a told figure: a number, or an estimate where its uncertainty matters."""
    if isinstance(entry, list):
        return [_told(told, one) for one in entry]
    if not isinstance(entry, dict):
        return entry
    if told.whole:
        return int(entry["si"])
    if not told.uncertain:
        return entry["si"]
    return {"value": entry["si"], "u": entry.get("u", told.usual_u * abs(entry["si"]))}


_CIRCUMSTANCES: dict[str, Callable[[Loaded], Any]] = {
    "air": lambda loaded: air_of(loaded),
    "standard_density": lambda loaded: loaded.company.standard_density,
    "convention": lambda loaded: loaded.company.fan_static,
    "duct": lambda loaded: duct_of(loaded.content["plane"]),
    "rule": lambda loaded: loaded.content["plane"]["rule"],
    "holes": lambda loaded: loaded.content["plane"]["lines"],
    "rows": lambda loaded: loaded.content["plane"]["points"],
    "upstream": lambda loaded: loaded.si("plane", "upstream"),
    "downstream": lambda loaded: loaded.si("plane", "downstream"),
    "barometer": lambda loaded: barometer_of(loaded),
    "integration_corrected": lambda loaded: loaded.company.rule_bias_corrected,
    "earlier": lambda loaded: _earlier_fan(loaded),
    "run_repeatability": lambda loaded: _pooled(loaded),
}
"""Fields that are neither read nor told by themselves."""


def _earlier_fan(loaded: Loaded) -> calc.FanState | None:
    """The fan as the test before this one found it; None without one that told its speed."""
    if loaded.earlier is None:
        return None
    results, told = loaded.earlier.detail["results"], loaded.earlier.inputs["calculation"].get("flow")
    found = {
        name: calc.Estimate(one["value"], one["u"])
        for name, key in _FAN_FIGURES.items()
        if (one := results.get(key)) is not None
    }
    if "speed" not in found:
        return None
    return calc.FanState(**found, flow=calc.from_plain(calc.Estimate, told) if told else None)


_FAN_FIGURES = {
    "speed": "speed",
    "pressure": "fan_static_pressure",
    "power": "shaft_power",
    "density": "density",
}


def barometer_of(loaded: Loaded) -> calc.Estimate:
    """Absolute pressure of the air round the place; by the site's height without a barometer."""
    value, u = _corrected(loaded, "barometer", "barometric_pressure")
    if value is None:
        return calc.Estimate(calc.pressure_at_altitude(loaded.site.elevation_m), calc.WEATHER_U)
    return calc.Estimate(value, u)


def duct_of(plane: dict[str, Any]) -> calc.Duct:
    """The duct as found. Raises calc.Refused."""
    sizes = {
        name: plane[name]["si"] for name in ("width", "height", "diameter", "wall", "lining") if name in plane
    }
    is_round = plane["shape"] == "round"
    return calc.Duct(
        SHAPES[plane["shape"]],
        width=sizes["diameter"] if is_round else sizes["width"],
        height=None if is_round else sizes["height"],
        wall=sizes.get("wall", 0.0),
        lining=sizes.get("lining", 0.0),
    )


def instrument_of(loaded: Loaded, use: str, shown: list[float]) -> calc.Instrument:
    """What is known of the instrument at these readings. Raises calc.Refused when that is nothing."""
    tool = loaded.tools[use]
    if not tool.points and not tool.ranges:
        reason = f"neither a certificate nor a specification for {tool.quantity} is entered"
        raise calc.Refused(tool.name, reason)
    chosen = range_for(tool, shown)
    return calc.Instrument(
        certificate=tuple(
            calc.CertificatePoint(p.reference, p.as_left, p.expanded_uncertainty, p.coverage_factor)
            for p in sorted(tool.points, key=lambda p: p.as_left)
        ),
        accuracy=accuracy_of(chosen) if chosen else None,
        resolution=chosen.resolution if chosen else 0.0,
        low=min((r.minimum for r in tool.ranges), default=None),
        high=max((r.maximum for r in tool.ranges), default=None),
    )


def range_for(tool: Tool, shown: list[float]) -> InstrumentRange | None:
    """The smallest range that holds all readings, else the largest; None without any."""
    holding = [r for r in tool.ranges if all(r.minimum <= value <= r.maximum for value in shown)]
    fallback = tool.ranges[-1] if tool.ranges else None
    return holding[0] if holding else fallback


def accuracy_of(row: InstrumentRange) -> calc.Accuracy:
    return calc.Accuracy(
        of_reading=row.accuracy_of_reading,
        of_span=row.accuracy_of_span,
        absolute=row.accuracy_absolute,
        span=row.maximum - row.minimum,
    )


def air_of(loaded: Loaded) -> calc.Air:
    """Air at the plane, each figure corrected by its certificate; by the site's height without barometer."""
    temperature, temperature_u = _corrected(loaded, "temperature", "air_temperature")
    humidity, humidity_u = _corrected(loaded, "humidity", "relative_humidity")
    barometer, barometer_u = _corrected(loaded, "barometer", "barometric_pressure")
    if temperature is None:
        raise calc.Refused("air_temperature", "is missing")
    return calc.Air(
        temperature=temperature,
        barometer=barometer,
        altitude=loaded.site.elevation_m if barometer is None else None,
        static_pressure=loaded.si("conditions", "duct_static_pressure") or 0.0,
        humidity=None if humidity is None else min(max(humidity, 0.0), 1.0),
        temperature_u=temperature_u,
        humidity_u=humidity_u,
        barometer_u=barometer_u,
    )


def _corrected(loaded: Loaded, use: str, name: str) -> tuple[float | None, float]:
    """Value and standard uncertainty of a condition; as read when no instrument is named or known."""
    value = loaded.si("conditions", name)
    tool = loaded.tools.get(use)
    if value is None or tool is None or not (tool.points or tool.ranges):
        return value, WITHOUT[use]
    corrected = calc.correct(instrument_of(loaded, use, [value]), [value], name=name)
    return corrected.values[0], math.hypot(corrected.u[0], SPREAD[use])


def probe_of(loaded: Loaded) -> calc.Estimate:
    """Factor of the tube, as the register has it; 1.00 for a standard tube when it has none."""
    tool = loaded.tools.get("probe")
    if tool is None or tool.instrument.probe_factor is None:
        return calc.Estimate(1.0, 0.005)
    u = tool.instrument.probe_factor_u
    return calc.Estimate(tool.instrument.probe_factor, 0.005 if u is None else u)


def zeros_of(loaded: Loaded, use: str = "pressure") -> tuple[float | None, float | None]:
    """Zero of the instrument in that use, before the first and after the last reading, Pa."""
    own = loaded.content["instruments"].get(use)
    if QUANTITY_OF_USE.get(use) is not Quantity.PRESSURE:
        return None, None
    found = [check for check in loaded.content["zero_checks"] if check["instrument"] == own]
    checks = sorted(found, key=lambda check: check["at"])
    moments = [row.taken_at for row in loaded.readings] or [row.started_at for row in loaded.sweeps]
    middle = _middle(moments)
    before = [check["si"] for check in checks if check["at"] <= middle]
    after = [check["si"] for check in checks if check["at"] > middle]
    return (before[0] if before else None), (after[-1] if after else None)


def _middle(moments: list[Any]) -> float:
    return (min(moments).timestamp() + max(moments).timestamp()) / 2.0 * 1e6
