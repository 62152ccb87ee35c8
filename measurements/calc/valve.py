"""Flow of a liquid through a balancing valve, from its pressure drop and its flow coefficient.

Q = K sqrt(dp / SG) for turbulent flow (IEC 60534-2-1, from memory), K in m3/s at 1 Pa and a specific gravity
of 1 (reference density 1000 kg/m3; the standard's water of 15 degC would give 0.05 % more). A maker finds
coefficients with water: in a thick fluid less flows than they say.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from .errors import Refused, all_finite, finite, not_negative, positive
from .glycol import LiquidFunction
from .method import Code, Estimate, MethodResult, Part, PartFigure, Remark, solve
from .places import Readings, Taken, take_mean
from .plan import Sharing
from .pressures import WEAK, weak_root_u
from .records import digest
from .trace import Formula, sqrt
from .uncertainty import Effect
from .version import CALCULATION_VERSION
from .water import Fluid, LiquidState, kinematic_viscosity, resolve_liquid

REFERENCE_DENSITY = 1000.0
"""kg/m3 of the water that a specific gravity of 1 means."""
OUTPUTS = {
    "flow": ("Flow", "m3/s"),
    "mass_flow": ("Mass flow", "kg/s"),
    "density": ("Fluid density", "kg/m3"),
}
UNITS = {
    "pressure": "Pa",
    "root": "Pa^0.5",
    "coefficient": "m3/s/Pa^0.5",
    "temperature": "K",
}
NOT_REPEATED = "Fluctuation not seen"


@dataclass(frozen=True, slots=True)
class ValveLimits:
    """From where a remark is made. Common practice, no source."""

    least_drop: float = 1000.0
    """Pa, below which the drop is lost in zero, hoses and resolution."""
    advised_drop: float = 3000.0
    """Pa, that a balancing valve should have at its flow."""
    resolutions: float = 10.0
    fluctuation: float = 0.05
    """Half the range of the pressures over their mean: the range of the flow."""
    kinematic_viscosity: float = 10e-6
    """m2/s, above which coefficients found with water no longer hold."""


@dataclass(frozen=True, slots=True)
class ValveFlow:
    """Input of `valve_flow`.

    pressure: drop over the valve, Pa, one or more readings. coefficient: m3/s at 1 Pa and specific gravity 1,
    from the maker's table at the setting, with its standard uncertainty. temperature: of the fluid, K (None:
    assumed). setting: of the hand wheel as read (turns or scale; for the record). viscosity_factor: the
    maker's correction of the coefficient for a thick fluid. single_reading_u: fluctuation of the flow, as a
    fraction, allowed for when there is one reading only.
    """

    pressure: Readings
    coefficient: Estimate
    temperature: Readings | None = None
    fluid: Fluid = field(default_factory=Fluid)
    setting: float | None = None
    viscosity_factor: Estimate | None = None
    single_reading_u: float = 0.02
    limits: ValveLimits = field(default_factory=ValveLimits)


class Flow(NamedTuple):
    """m3/s, kg/s, kg/m3."""

    flow: float
    mass_flow: float
    density: float


def liquid_flow(
    coefficient: float, pressure: float, density: float, reference_density: float = REFERENCE_DENSITY
) -> float:
    """Flow in m3/s: K sqrt(dp reference / density). coefficient: m3/s at 1 Pa, pressure Pa; can be traced."""
    return coefficient * sqrt(pressure * reference_density / density)


def flow_from_drop(design_flow: float, design_drop: float, drop: float, exponent: float = 0.5) -> float:
    """Flow through a coil or other fixed resistance from its pressure drop: Qd (dp / dpd)^exponent.

    Units of the drops cancel. Exponent 0.5 is common practice; coils lie between 0.5 and 0.57, and the design
    drop of a catalogue is the larger doubt. Errors: Refused for figures that are not positive.
    """
    if not 0.5 <= finite("exponent", exponent) <= 1.0:
        raise Refused("exponent", "must be from 0.5 (turbulent) to 1 (laminar)", exponent)
    ratio = not_negative("drop", drop) / positive("design_drop", design_drop)
    return float(positive("design_flow", design_flow) * ratio**exponent)


def coefficient_at(
    settings: Sequence[float],
    coefficients: Sequence[float],
    setting: float,
    setting_u: float = 0.0,
    relative_u: float = 0.0,
) -> Estimate:
    """A valve's coefficient at a setting, by straight lines between the rows of the maker's table.

    setting_u: standard uncertainty of the setting (its unit). relative_u: of the table's coefficients.
    Errors: Refused for a setting outside the table, and for a table that does not rise.
    """
    if len(settings) != len(coefficients) or len(settings) < 2:
        raise Refused("settings", "need as many coefficients, at least two", len(settings))
    all_finite("settings", settings)
    all_finite("coefficients", coefficients)
    if any(b <= a for a, b in pairwise(settings)):
        raise Refused("settings", "must rise from row to row", tuple(settings))
    for i, value in enumerate(coefficients):
        positive(f"coefficients[{i}]", value)
    if not settings[0] <= finite("setting", setting) <= settings[-1]:
        raise Refused("setting", f"lies outside the table, {settings[0]:g} to {settings[-1]:g}", setting)
    i = next(n for n, s in enumerate(settings[1:]) if setting <= s)
    slope = (coefficients[i + 1] - coefficients[i]) / (settings[i + 1] - settings[i])
    value = coefficients[i] + slope * (setting - settings[i])
    u = math.hypot(
        not_negative("relative_u", relative_u) * value, slope * not_negative("setting_u", setting_u)
    )
    return Estimate(value, u)


def valve_flow(inputs: ValveFlow) -> MethodResult:
    """Flow through a balancing valve. measurand: "flow" (m3/s); results also "mass_flow" and "density".

    All readings negative: the hoses are swapped (or the flow is backward), magnitudes are used and a remark
    is made. A mean drop that is not clear of its uncertainty counts by the root of its interval and the flow
    has a large but finite uncertainty. No verdict for a fluid too thick for the coefficient. parts: the flow
    of each reading. Errors: Refused (coefficient not positive, temperature outside the fluid's validity).
    """
    _check(inputs)
    pressure, swapped = _upright(inputs.pressure)
    taken = take_mean(pressure, "pressure", "pressure drop")
    state = resolve_liquid(inputs.fluid, inputs.temperature)
    factor = inputs.viscosity_factor or Estimate(1.0, 0.0)
    weak = taken.value < WEAK * taken.u or taken.value <= 0.0
    values = {
        "coefficient": inputs.coefficient.value,
        "viscosity_factor": factor.value,
        "flow_factor": 1.0,
        **state.values,
    }
    if weak:
        values["root"] = math.sqrt(max(taken.value, 0.0))
    else:
        values["pressure"] = taken.value
    identity = digest("valve_flow", inputs, CALCULATION_VERSION)
    model = valve_model(state.liquid.density, weak)
    effects = [*_signal_effects(inputs, taken, weak), *_given_effects(inputs, factor), *state.effects]
    found = solve(model, values, effects, identity, OUTPUTS, units=UNITS)
    thickness = kinematic_viscosity(inputs.fluid, state.temperature)
    viscous = thickness > inputs.limits.kinematic_viscosity
    return MethodResult(
        method="valve_flow",
        measurand="flow",
        results=found,
        digest=identity,
        remarks=(
            *swapped,
            *_drop_remarks(inputs, taken),
            *_viscosity_remarks(thickness, inputs.limits, viscous),
            *([] if inputs.setting is not None else [Remark(Code.SETTING_NOT_RECORDED)]),
            *taken.remarks,
            *state.remarks,
        ),
        verdict_allowed=not viscous or inputs.viscosity_factor is not None,
        parts=_parts(inputs, taken, state),
    )


@lru_cache(maxsize=32)
def valve_model(density_of: LiquidFunction, weak: bool) -> Formula:
    """The model, from the pressure drop or (weak) from its root."""

    def by_pressure(
        pressure: float,
        coefficient: float,
        viscosity_factor: float,
        flow_factor: float,
        temperature: float,
        share: float,
        density_factor: float,
    ) -> Flow:
        density = density_factor * density_of(temperature, share)
        flow = flow_factor * viscosity_factor * liquid_flow(coefficient, pressure, density)
        return Flow(flow, flow * density, density)

    def by_root(
        root: float,
        coefficient: float,
        viscosity_factor: float,
        flow_factor: float,
        temperature: float,
        share: float,
        density_factor: float,
    ) -> Flow:
        density = density_factor * density_of(temperature, share)
        flow = flow_factor * viscosity_factor * root * liquid_flow(coefficient, 1.0, density)
        return Flow(flow, flow * density, density)

    return by_root if weak else by_pressure


def _check(inputs: ValveFlow) -> None:
    positive("coefficient", inputs.coefficient.value)
    not_negative("coefficient.u", inputs.coefficient.u)
    not_negative("single_reading_u", inputs.single_reading_u)
    if inputs.setting is not None:
        not_negative("setting", inputs.setting)
    if inputs.viscosity_factor is not None:
        positive("viscosity_factor", inputs.viscosity_factor.value)


def _upright(pressure: Readings) -> tuple[Readings, list[Remark]]:
    """Readings with the high side positive, and what their signs say."""
    zero = pressure.zero or 0.0
    net = [v - zero for v in pressure.values]
    if net and all(v < 0.0 for v in net):
        turned = replace(
            pressure,
            values=tuple(-v for v in pressure.values),
            zero=None if pressure.zero is None else -pressure.zero,
        )
        numbers = {"count": len(net), "mean": math.fsum(net) / len(net)}
        return turned, [Remark(Code.SWAPPED_HOSES, numbers)]
    negative = [v for v in net if v < 0.0]
    if not negative:
        return pressure, []
    return pressure, [Remark(Code.NEGATIVE_READINGS, {"count": len(negative), "lowest": min(negative)})]


def _signal_effects(inputs: ValveFlow, taken: Taken, weak: bool) -> list[Effect]:
    effects = list(taken.effects)
    if weak:
        u = weak_root_u(taken.value, taken.u) / math.sqrt(2.0)
        effects = [Effect("Weak pressure drop", "root", u, Sharing.COMMON)]
    if len(taken.values) == 1:
        effects.append(Effect(NOT_REPEATED, "flow_factor", inputs.single_reading_u, Sharing.COMMON))
    return effects


def _given_effects(inputs: ValveFlow, factor: Estimate) -> list[Effect]:
    k = inputs.coefficient
    effects = [Effect("Flow coefficient", "coefficient", k.u, Sharing.COMMON, k.dof)]
    if inputs.viscosity_factor is not None:
        effects.append(
            Effect("Viscosity correction", "viscosity_factor", factor.u, Sharing.COMMON, factor.dof)
        )
    return effects


def _drop_remarks(inputs: ValveFlow, taken: Taken) -> list[Remark]:
    remarks, limits = [], inputs.limits
    if taken.value < limits.advised_drop:
        numbers = {"drop": taken.value, "advised": limits.advised_drop, "least": limits.least_drop}
        remarks.append(Remark(Code.LOW_DROP, numbers))
    resolution = inputs.pressure.instrument.resolution
    near = [abs(v) for v in taken.values if abs(v) < limits.resolutions * resolution]
    if near:
        numbers = {"count": len(near), "resolution": resolution, "lowest": min(near)}
        remarks.append(Remark(Code.NEAR_RESOLUTION, numbers))
    if len(taken.values) == 1:
        remarks.append(Remark(Code.SINGLE_RUN, {"runs": 1}))
    elif taken.value > 0.0:
        spread = 0.5 * (max(taken.values) - min(taken.values)) / taken.value
        if spread > limits.fluctuation:
            numbers = {"spread": spread, "limit": limits.fluctuation}
            remarks.append(Remark(Code.SIGNAL_FLUCTUATES, numbers))
    return remarks


def _viscosity_remarks(thickness: float, limits: ValveLimits, viscous: bool) -> list[Remark]:
    if not viscous:
        return []
    numbers = {"kinematic_viscosity": thickness, "limit": limits.kinematic_viscosity}
    return [Remark(Code.VISCOUS_FLUID, numbers)]


def _parts(inputs: ValveFlow, taken: Taken, state: LiquidState) -> tuple[Part, ...]:
    density = state.liquid.density(state.temperature, state.liquid.share)
    factor = inputs.viscosity_factor.value if inputs.viscosity_factor is not None else 1.0
    return tuple(
        Part(
            str(n),
            (
                PartFigure("pressure", v, None, "Pa"),
                PartFigure(
                    "flow",
                    factor * liquid_flow(inputs.coefficient.value, max(v, 0.0), density),
                    None,
                    "m3/s",
                ),
            ),
        )
        for n, v in enumerate(taken.values, 1)
    )
