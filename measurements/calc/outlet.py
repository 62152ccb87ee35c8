"""Flow at an outlet by a capture hood."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from .conditions import Air, resolve_air
from .distributions import Distribution
from .errors import Refused, not_negative, positive
from .instrument import Instrument, correct
from .method import HOOD_OUTPUTS, Allowances, Code, Estimate, Limits, MethodResult, Remark, RunFigure, solve
from .models import HoodSignal, hood_model
from .plan import Sharing
from .records import digest
from .remarks import reading_remarks
from .uncertainty import Effect
from .variance import type_a
from .version import CALCULATION_VERSION


@dataclass(frozen=True, slots=True)
class HoodReading:
    """Input of `hood_reading`. flows: m3/s as shown, one for each placing of the hood, as magnitudes.

    signal: what the hood shows. factor: for this type of outlet, found by a traverse of such an outlet
    (None: taken as 1 with `allowances.hood_factor`). The instrument's values are in m3/s.
    """

    flows: tuple[float, ...]
    instrument: Instrument
    air: Air
    signal: HoodSignal = HoodSignal.ACTUAL
    factor: Estimate | None = None
    standard_density: float = 1.204
    allowances: Allowances = field(default_factory=Allowances)
    limits: Limits = field(default_factory=Limits)


def hood_factor(traverse: Estimate, hood: Estimate) -> Estimate:
    """Factor of a hood for an outlet type: flow by traverse over flow shown at the same outlet.

    Relative uncertainties in quadrature (independent); degrees of freedom are taken as the fewer.
    """
    positive("hood", hood.value)
    factor = positive("traverse", traverse.value) / hood.value
    u = factor * math.hypot(traverse.u / traverse.value, hood.u / hood.value)
    return Estimate(factor, u, min(traverse.dof, hood.dof))


def hood_reading(inputs: HoodReading) -> MethodResult:
    """Flow at an outlet: mean of the readings, times the outlet's factor, at actual and standard density.

    Errors: Refused for readings that are not finite or negative, and for air as `pitot_traverse`.
    """
    positive("standard_density", inputs.standard_density)
    if not inputs.flows:
        raise Refused("flows", "need at least one")
    for i, flow in enumerate(inputs.flows):
        not_negative(f"flows[{i}]", flow)
    air = resolve_air(inputs.air)
    corrected = correct(inputs.instrument, inputs.flows, name="flows")
    mean = math.fsum(corrected.values) / len(corrected.values)
    factor, assumed = _factor(inputs)
    effects = [
        *_instrument_effects(inputs, mean),
        *_repeats(corrected.values),
        Effect("Hood factor", "hood_factor", not_negative("factor.u", factor.u), Sharing.COMMON, factor.dof),
        Effect("Placing and seal", "placement_factor", inputs.allowances.hood_placement, Sharing.COMMON),
        *air.effects,
    ]
    values = {
        "indicated": mean,
        "hood_factor": positive("factor", factor.value),
        "placement_factor": 1.0,
        "standard_density": inputs.standard_density,
        **air.values,
    }
    identity = digest("hood_reading", inputs, CALCULATION_VERSION)
    model = hood_model(air.model.function, inputs.signal)
    found = solve(model, values, effects, identity, HOOD_OUTPUTS)
    gain = found["flow"].value / mean if mean else 0.0
    labels = [str(n) for n in range(1, len(inputs.flows) + 1)]
    return MethodResult(
        method="hood_reading",
        measurand="flow",
        results=found,
        standard_density=inputs.standard_density,
        runs=tuple(RunFigure(n, None, gain * v) for n, v in enumerate(corrected.values, 1)),
        remarks=(
            *assumed,
            *air.remarks,
            *_hood_remarks(inputs, corrected.values, mean),
            *reading_remarks(
                inputs.instrument, corrected.outside_certificate, corrected.outside_range, labels
            ),
        ),
        verdict_allowed=True,
        density_model=air.model.name,
        digest=identity,
    )


def _factor(inputs: HoodReading) -> tuple[Estimate, list[Remark]]:
    if inputs.factor is not None:
        return inputs.factor, []
    u = not_negative("hood_factor", inputs.allowances.hood_factor)
    return Estimate(1.0, u), [Remark(Code.HOOD_FACTOR_ASSUMED, {"u": u})]


def _instrument_effects(inputs: HoodReading, mean: float) -> list[Effect]:
    """The instrument's effects on the mean: all readings are alike, resolution averages down."""
    found = correct(inputs.instrument, inputs.flows, name="flows")
    effects = []
    for e in found.effects:
        count = len(e.u)
        common = e.sharing is Sharing.COMMON
        u = math.fsum(e.u) / count if common else math.sqrt(math.fsum(v * v for v in e.u)) / count
        effects.append(Effect(e.name, "indicated", u, Sharing.COMMON, e.dof, e.distribution))
    return effects


def _repeats(values: tuple[float, ...]) -> list[Effect]:
    if len(values) < 2:
        return []
    spread = type_a(values)
    return [Effect("Repeated readings", "indicated", spread.u, Sharing.COMMON, spread.dof, Distribution.T)]


def _hood_remarks(inputs: HoodReading, values: tuple[float, ...], mean: float) -> list[Remark]:
    remarks = []
    limits, resolution = inputs.limits, inputs.instrument.resolution
    if mean < limits.resolutions * resolution:
        numbers = {"count": len(values), "resolution": resolution, "lowest": min(values)}
        remarks.append(Remark(Code.NEAR_RESOLUTION, numbers))
    if len(values) > 1 and mean > 0.0:
        spread = (max(values) - min(values)) / mean
        if spread > limits.runs_spread:
            remarks.append(Remark(Code.RUNS_DISAGREE, {"spread": spread, "limit": limits.runs_spread}))
    if limits.hood_high_flow is not None and mean > limits.hood_high_flow:
        remarks.append(Remark(Code.BACK_PRESSURE, {"flow": mean, "limit": limits.hood_high_flow}))
    return remarks
