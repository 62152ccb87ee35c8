"""Leakage of a duct section under pressure: the power law through the steps, the figure at the test pressure.

Q = C p^n is fitted by least squares on logarithms; the fit is part of the traced model, so that a manometer's
error common to all steps moves all of them together. Scatter about the line counts with N - 2 degrees of
freedom. Resolution is in that scatter once more: a little too cautious, never too little.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from .air import STANDARD_AIR_SI
from .conditions import Air, AirState, resolve_air
from .distributions import Distribution
from .errors import Refused, not_negative, positive
from .grouped import Lines, take_lines, turned
from .leakage_classes import (
    EXPONENT,
    PLAUSIBLE_EXPONENT,
    LeakageScheme,
    PowerLaw,
    allowed_leakage,
    fit_power_law,
    leakage_class,
    plausible_exponent,
)
from .leakage_models import assumed_model, fitted_model
from .method import OUTPUTS, UNITS, Code, Estimate, Limits, MethodResult, Part, PartFigure, Remark, solve
from .places import Readings
from .plan import Sharing
from .records import digest
from .uncertainty import Effect, Result
from .variance import type_a
from .version import CALCULATION_VERSION

EXPONENT_U = 0.087
"""Standard uncertainty of an exponent taken as 0.65: 0.5 to 0.8, rectangular (practice)."""
LEAST_R2 = 0.98
"""Below it a fit is remarked (ISO 9972, from memory)."""
FARTHEST = 3.0
"""A leakage is not stated beyond this ratio from the nearest pressure measured (this project's)."""
APART = 1.05
"""Pressures nearer than this ratio count as one (this project's)."""


@dataclass(frozen=True, slots=True)
class LeakageTest:
    """Input of `leakage_test`.

    duct_pressure: duct against room, Pa, line = step (all over or all under the room's pressure). leak_flow:
    m3/s shown at the same steps, line = step. surface_area: of the section's metal, m2. test_pressure: Pa,
    magnitude, where the leakage is stated. air: at the flow meter. required_class: "A" to "D", or CL as text.
    meter_density: kg/m3 for which the meter shows its flow (None: it shows the actual flow).
    reference_density: kg/m3 of the air to which the leakage is carried over, by (density / reference)^(1 - n)
    (ISO 9972; None: as found).
    """

    duct_pressure: Readings
    leak_flow: Readings
    surface_area: Estimate
    test_pressure: float
    air: Air
    scheme: LeakageScheme = LeakageScheme.EN
    required_class: str | None = None
    meter_density: float | None = None
    reference_density: float | None = 1.2
    standard_density: float = STANDARD_AIR_SI
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True, slots=True)
class _Steps:
    """The steps, as magnitudes. law: the fit, when three pressures or more allow one."""

    pressure: Lines
    flow: Lines
    pressures: tuple[float, ...]
    law: PowerLaw | None
    under: bool
    remarks: tuple[Remark, ...]


def leakage_test(inputs: LeakageTest) -> MethodResult:
    """Leakage of a duct section per surface at the test pressure, m3/(s m2), with its class.

    With three pressures or more C and n are fitted; with fewer n is 0.65 and its uncertainty grows with the
    distance to the test pressure. Errors: Refused for steps that do not match, pressures of both signs or
    zero, flows not above zero, a test pressure more than three times off the nearest step, an unknown class.
    """
    steps = _steps(inputs)
    target = positive("test_pressure", inputs.test_pressure)
    _check_reach(target, steps.pressures)
    positive("standard_density", inputs.standard_density)
    air = resolve_air(inputs.air)
    values = _values(inputs, steps, air, target)
    effects = [*_step_effects(steps), *_area_effects(inputs.surface_area), *air.effects]
    metered, referred = inputs.meter_density is not None, inputs.reference_density is not None
    if steps.law is None:
        function = assumed_model(air.model.function, metered, referred)
        values |= {"exponent": EXPONENT}
        effects.append(
            Effect("Exponent", "exponent", EXPONENT_U, Sharing.COMMON, math.inf, Distribution.RECTANGULAR)
        )
    else:
        function = fitted_model(air.model.function, metered, referred)
    identity = digest("leakage_test", inputs, CALCULATION_VERSION)
    results = solve(function, values, effects, identity, _OUTPUTS, units=_UNITS)
    factor = results["leakage_factor"].value
    allowed = None
    if inputs.required_class is not None:
        allowed = allowed_leakage(inputs.scheme, inputs.required_class, target)
    return MethodResult(
        method="leakage_test",
        measurand="leakage",
        results=results,
        digest=identity,
        remarks=(*air.remarks, *steps.remarks, *_remarks(inputs, steps, results, target)),
        limits=None if allowed is None else (None, allowed),
        parts=_parts(steps, results, inputs),
        classes={
            "leakage_class": leakage_class(inputs.scheme, factor),
            "duct_pressure": "under" if steps.under else "over",
            "exponent": "fitted" if steps.law else "assumed",
        },
        area=inputs.surface_area.value,
        density_model=air.model.name,
        standard_density=inputs.standard_density,
    )


_OUTPUTS = {
    "leakage": ("Leakage at the test pressure", "m3/s/m2"),
    "flow": ("Leak flow at the test pressure", "m3/s"),
    "standard_flow": ("Leak flow at standard density", "m3/s"),
    "coefficient": ("Leakage coefficient C", "m3/s/Pa^n"),
    "exponent": ("Leakage exponent n", "1"),
    "leakage_factor": ("Leakage over p^0.65", "m3/s/m2/Pa^0.65"),
    "density": OUTPUTS["density"],
}
_UNITS = {**UNITS, "flow": "m3/s", "surface_area": "m2", "exponent": "1", "scatter": "1"}


def _steps(inputs: LeakageTest) -> _Steps:
    readings, sign, mirrored = turned(inputs.duct_pressure)
    pressure = take_lines(readings, "duct_pressure", "Duct pressure")
    flow = take_lines(inputs.leak_flow, "leak_flow", "Leak flow", relative=True)
    if pressure.lines != flow.lines:
        raise Refused("leak_flow", "must have the same steps as the duct pressures", flow.lines)
    signed = [sign * p for p in pressure.values]
    under = all(p < 0.0 for p in signed)
    if not under and min(signed) <= 0.0:
        raise Refused("duct_pressure", "must be all above or all below zero", min(signed))
    for i, q in enumerate(flow.values):
        positive(f"leak_flow[{i}]", q)
    pressures = tuple(abs(p) for p in signed)
    law = fit_power_law(pressures, flow.values) if distinct_pressures(pressures) >= 3 else None
    remarks = (*pressure.taken.remarks, *mirrored, *flow.taken.remarks)
    return _Steps(pressure, flow, pressures, law, under, remarks)


def distinct_pressures(pressures: Sequence[float]) -> int:
    """How many pressures are really different: each more than 5 % above the one before."""
    count, last = 0, 0.0
    for p in sorted(pressures):
        if p > APART * last:
            count, last = count + 1, p
    return count


def _check_reach(target: float, pressures: Sequence[float]) -> None:
    if not min(pressures) / FARTHEST <= target <= max(pressures) * FARTHEST:
        reach = f"{min(pressures):g} to {max(pressures):g} Pa"
        raise Refused("test_pressure", f"lies too far from the pressures measured ({reach})", target)


def _values(
    inputs: LeakageTest, steps: _Steps, air: AirState, target: float
) -> dict[str, float | Sequence[float]]:
    meter, reference = inputs.meter_density, inputs.reference_density
    return {
        "pressure": steps.pressures,
        "flow": steps.flow.values,
        "scatter": (1.0,) * len(steps.pressures),
        "surface_area": positive("surface_area", inputs.surface_area.value),
        "test_pressure": target,
        "meter_density": 1.0 if meter is None else positive("meter_density", meter),
        "reference_density": 1.0 if reference is None else positive("reference_density", reference),
        **air.values,
        "standard_density": inputs.standard_density,
    }


def _step_effects(steps: _Steps) -> list[Effect]:
    found = []
    s, dof = _scatter(steps)
    for lines, on in ((steps.pressure, "pressure"), (steps.flow, "flow")):
        repeats = [lines.repeats] if lines.repeats and not dof else []
        found += [replace(e, on=on) for e in (*lines.effects, *repeats)]
    if dof:
        u = (s,) * len(steps.pressures)
        found.append(Effect("Scatter about the line", "scatter", u, Sharing.POOLED, dof, Distribution.T))
    return found


def _scatter(steps: _Steps) -> tuple[float, float]:
    """Relative scatter of one step about the line and its degrees of freedom.

    With the exponent taken as known it needs three steps: of two, what the exponent may do is all there is.
    """
    if steps.law is not None:
        return steps.law.line.s, steps.law.line.dof
    if len(steps.pressures) < 3:
        return 0.0, 0.0
    rest = [math.log(q) - EXPONENT * math.log(p) for p, q in _pairs(steps)]
    spread = type_a(rest)
    return spread.s, spread.dof


def _pairs(steps: _Steps) -> list[tuple[float, float]]:
    return list(zip(steps.pressures, steps.flow.values, strict=True))


def _area_effects(area: Estimate) -> list[Effect]:
    u = not_negative("surface_area.u", area.u)
    return [Effect("Surface area", "surface_area", u, Sharing.COMMON, area.dof)]


def _remarks(
    inputs: LeakageTest, steps: _Steps, results: Mapping[str, Result], target: float
) -> list[Remark]:
    remarks = []
    if inputs.duct_pressure.zero is None:
        remarks.append(Remark(Code.ZERO_NOT_CHECKED))
    low, high = min(steps.pressures), max(steps.pressures)
    if not 0.98 * low <= target <= 1.02 * high:
        numbers = {"pressure": target, "low": low, "high": high}
        remarks.append(Remark(Code.TEST_PRESSURE_OUTSIDE, numbers))
    if steps.law is None:
        numbers = {
            "exponent": EXPONENT,
            "u": EXPONENT_U,
            "pressures": float(distinct_pressures(steps.pressures)),
        }
        return [*remarks, Remark(Code.EXPONENT_ASSUMED, numbers)]
    exponent = results["exponent"]
    if not plausible_exponent(exponent.value):
        numbers = {"exponent": exponent.value, "U": exponent.U}
        numbers |= dict(zip(("low", "high"), PLAUSIBLE_EXPONENT, strict=True))
        remarks.append(Remark(Code.EXPONENT_IMPLAUSIBLE, numbers))
    if steps.law.r2 < LEAST_R2:
        remarks.append(Remark(Code.POOR_FIT, {"r2": steps.law.r2, "limit": LEAST_R2}))
    return remarks


def _parts(steps: _Steps, results: Mapping[str, Result], inputs: LeakageTest) -> tuple[Part, ...]:
    """Each step as shown by the meter; the line's figure is on the same footing."""
    coefficient, n = results["coefficient"].value, results["exponent"].value
    density = results["density"].value
    meter = 1.0 if inputs.meter_density is None else math.sqrt(inputs.meter_density / density)
    parts = []
    rows = zip(
        steps.flow.lines,
        steps.pressures,
        steps.pressure.u,
        steps.flow.values,
        steps.flow.u,
        strict=True,
    )
    for step, p, p_u, shown, q_u in rows:
        q, line = meter * shown, coefficient * math.pow(p, n)
        figures = (
            PartFigure("pressure", p, 2.0 * p_u, "Pa"),
            PartFigure("flow", q, 2.0 * meter * q_u, "m3/s"),
            PartFigure("fitted_flow", line, None, "m3/s"),
            PartFigure("deviation", q / line - 1.0, None, "1"),
            PartFigure("leakage", q / inputs.surface_area.value, None, "m3/s/m2"),
        )
        parts.append(Part(f"step {step}", figures))
    return tuple(parts)
