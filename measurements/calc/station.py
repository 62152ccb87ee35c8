"""Flow by a device fixed in the duct or pipe: one with a factor, or one of ISO 5167.

The flow is that at the upstream tapping. With a device of ISO 5167 the coefficient and the Reynolds number
are first made to agree, the limits are checked, and the model is traced with two more turns of that
repeated substitution inside, so that how C follows the Reynolds number is part of every sensitivity.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum

from .air import STANDARD_AIR_SI
from .conditions import Air, AirState, resolve_air
from .devices import (
    SMALL_PIPE,
    Device,
    DeviceFlow,
    check_geometry,
    check_ratio,
    check_reynolds,
    coefficient_U,
    device_flow,
    expansibility_U,
)
from .errors import Refused, finite, not_negative, positive
from .method import OUTPUTS, UNITS, Code, Estimate, Limits, MethodResult, Part, PartFigure, Remark, solve
from .places import Readings, Taken, take_mean
from .plan import Sharing
from .records import digest
from .station_models import (
    FactorBasis,
    Fluid,
    factor_model,
    liquid_device_model,
    liquid_factor_model,
    primary_model,
    sutherland_viscosity,
)
from .trace import Formula
from .uncertainty import Effect, Result
from .version import CALCULATION_VERSION

VISCOSITY_U = 0.01
"""Relative standard uncertainty of Sutherland's viscosity for room air of any humidity (this project's)."""
PIPE_U = 0.002
THROAT_U = 0.00035
"""Relative standard uncertainties of a diameter within ISO 5167-1:2003 8.2.2 (0.4 % and 0.07 %, k = 2)."""
REDUCED_LENGTHS_U = 0.005
"""Added to C's expanded uncertainty for the shorter straight lengths (ISO 5167-2:2003 6.2.4)."""
MOST_LIQUID_PRESSURE = 250_000.0
"""Pa, the largest difference for which an orifice plate is covered (ISO 5167-2:2003 5.1.7)."""


class Lengths(StrEnum):
    """Straight pipe before and after a device of ISO 5167."""

    FULL = "full"
    """At least those that need no added uncertainty."""
    REDUCED = "reduced"
    """Between those and the shorter ones that add 0.5 % to the uncertainty of C."""
    SHORT = "short"
    """Shorter still: no published uncertainty, so no verdict."""
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class FlowStation:
    """Input of `flow_station`.

    pressure: difference over the device, Pa, repeats. device: its kind.
    factor, factor_basis, factor_density (kg/m3): of a device known by its factor (see `FactorBasis`).
    pipe_diameter, throat_diameter: inside, m, at working temperature; of a factor device the pipe is only
    for the velocity. pipe_diameter_u, throat_diameter_u: standard uncertainty, m (None: as ISO 5167-1 asks).
    lengths: of a device of ISO 5167. air: at the upstream tapping, needed for air; its static pressure is
    the duct's there. liquid_density (kg/m3), liquid_viscosity (Pa s): needed for water (the viscosity for
    ISO 5167 only), with their relative standard uncertainties. isentropic_exponent: of air.
    """

    pressure: Readings
    device: Device = Device.FACTOR
    fluid: Fluid = Fluid.AIR
    factor: Estimate | None = None
    factor_basis: FactorBasis = FactorBasis.OVER_DENSITY
    factor_density: float | None = None
    pipe_diameter: float | None = None
    throat_diameter: float | None = None
    pipe_diameter_u: float | None = None
    throat_diameter_u: float | None = None
    lengths: Lengths = Lengths.UNKNOWN
    air: Air | None = None
    isentropic_exponent: float = 1.4
    liquid_density: float | None = None
    liquid_viscosity: float | None = None
    liquid_density_u: float = 0.001
    liquid_viscosity_u: float = 0.02
    standard_density: float = STANDARD_AIR_SI
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True, slots=True)
class _Model:
    """What to propagate, and what was found on the way."""

    function: Formula
    values: dict[str, float]
    effects: list[Effect]
    remarks: list[Remark]
    found: DeviceFlow | None = None


def flow_station(inputs: FlowStation) -> MethodResult:
    """Flow through a fixed device, m3/s at the upstream tapping, with standard flow, density and velocity.

    Errors: Refused for a difference that is not above zero, inputs that the device needs and lacks, and
    outside the limits of ISO 5167 (diameters, beta, Reynolds number, p2/p1 below 0.75).
    """
    taken = take_mean(inputs.pressure, "pressure", "Pressure difference")
    if taken.value <= 0.0:
        raise Refused("pressure", "must be above zero: higher pressure to the positive port", taken.value)
    positive("standard_density", inputs.standard_density)
    air = _air(inputs)
    model = _factor(inputs, taken, air) if inputs.device is Device.FACTOR else _iso(inputs, taken, air)
    identity = digest("flow_station", inputs, CALCULATION_VERSION)
    units = _UNITS if inputs.factor_basis is FactorBasis.AT_FACTOR_DENSITY else {**_UNITS, "factor": "m2"}
    found = solve(model.function, model.values, model.effects, identity, _outputs(inputs), units=units)
    results = {n: r for n, r in found.items() if n not in _DEVICE_OUTPUTS}
    return MethodResult(
        method="flow_station",
        measurand="flow",
        results=results,
        digest=identity,
        remarks=(
            *taken.remarks,
            *(air.remarks if air else ()),
            *model.remarks,
            *_reading_remarks(inputs, taken),
        ),
        verdict_allowed=inputs.device is Device.FACTOR or inputs.lengths is not Lengths.SHORT,
        parts=_parts(found, model.values),
        density_model=air.model.name if air else "",
        standard_density=inputs.standard_density if air else None,
    )


_DEVICE_OUTPUTS = {
    "coefficient": ("Discharge coefficient", "1"),
    "expansibility": ("Expansibility", "1"),
    "reynolds": ("Reynolds number of the pipe", "1"),
}
_UNITS = {
    **UNITS,
    "factor": "m3/s/Pa^0.5",
    "factor_density": "kg/m3",
    "coefficient_factor": "1",
    "expansibility_factor": "1",
    "viscosity": "Pa s",
    "viscosity_factor": "1",
    "pipe_diameter": "m",
    "throat_diameter": "m",
    "density": "kg/m3",
}


def _outputs(inputs: FlowStation) -> dict[str, tuple[str, str]]:
    wanted = {"flow": OUTPUTS["flow"]}
    if inputs.fluid is Fluid.AIR:
        wanted["standard_flow"] = OUTPUTS["standard_flow"]
    if inputs.pipe_diameter is not None:
        wanted["velocity"] = ("Mean velocity in the pipe", "m/s")
    wanted["density"] = ("Density" if inputs.fluid is Fluid.WATER else OUTPUTS["density"][0], "kg/m3")
    wanted["mass_flow"] = ("Mass flow", "kg/s")
    return wanted if inputs.device is Device.FACTOR else {**wanted, **_DEVICE_OUTPUTS}


def _air(inputs: FlowStation) -> AirState | None:
    if inputs.fluid is Fluid.AIR:
        if inputs.air is None:
            raise Refused("air", "is needed for the density")
        return resolve_air(inputs.air)
    _given(inputs, "liquid_density")
    not_negative("liquid_density_u", inputs.liquid_density_u)
    not_negative("liquid_viscosity_u", inputs.liquid_viscosity_u)
    return None


def _given(inputs: FlowStation, name: str) -> float:
    value = getattr(inputs, name)
    if value is None:
        raise Refused(name, "is needed")
    return positive(name, value)


def _factor(inputs: FlowStation, taken: Taken, air: AirState | None) -> _Model:
    if inputs.factor is None:
        raise Refused("factor", "is needed for a device that has no published coefficient")
    K = positive("factor", inputs.factor.value)
    u = not_negative("factor.u", inputs.factor.u)
    stated = inputs.factor_basis is FactorBasis.AT_FACTOR_DENSITY
    values = {
        "pressure": taken.value,
        "factor": K,
        "factor_density": _given(inputs, "factor_density") if stated else 1.0,
        "pipe_diameter": _given(inputs, "pipe_diameter") if inputs.pipe_diameter is not None else 1.0,
    }
    effects = [
        *taken.effects,
        Effect("Device factor", "factor", u, Sharing.COMMON, inputs.factor.dof),
        *(_pipe_effects(inputs) if inputs.pipe_diameter is not None else []),
    ]
    remarks = [] if u > 0.0 else [Remark(Code.FACTOR_WITHOUT_UNCERTAINTY)]
    if air is None:
        more, its_effects = _liquid_density(inputs)
        return _Model(
            liquid_factor_model(inputs.factor_basis), {**values, **more}, [*effects, *its_effects], remarks
        )
    return _Model(
        factor_model(air.model.function, inputs.factor_basis),
        {**values, **air.values, "standard_density": inputs.standard_density},
        [*effects, *air.effects],
        remarks,
    )


def _iso(inputs: FlowStation, taken: Taken, air: AirState | None) -> _Model:
    device = inputs.device
    pipe, throat = _given(inputs, "pipe_diameter"), _given(inputs, "throat_diameter")
    beta = check_geometry(device, pipe, throat)
    if finite("isentropic_exponent", inputs.isentropic_exponent) <= 1.0:
        raise Refused("isentropic_exponent", "must be above 1", inputs.isentropic_exponent)
    if device.is_orifice and taken.value > MOST_LIQUID_PRESSURE:
        raise Refused("pressure", f"is above {MOST_LIQUID_PRESSURE:g} Pa", taken.value)
    if air is not None:
        check_ratio(taken.value / air.pressure)
    values = {
        "pressure": taken.value,
        "coefficient_factor": 1.0,
        "expansibility_factor": 1.0,
        "pipe_diameter": pipe,
        "throat_diameter": throat,
    }
    found = _settled(inputs, taken.value, pipe, throat, air)
    check_reynolds(device, beta, pipe, found.reynolds)
    values["coefficient_start"] = found.coefficient
    added = REDUCED_LENGTHS_U if inputs.lengths is Lengths.REDUCED else 0.0
    C_u = 0.5 * (coefficient_U(device, beta, pipe, found.reynolds) + added)
    effects = [
        *taken.effects,
        Effect("Discharge coefficient", "coefficient_factor", C_u, Sharing.COMMON),
        *_pipe_effects(inputs),
        _diameter_effect("Throat diameter", "throat_diameter", throat, inputs.throat_diameter_u, THROAT_U),
    ]
    remarks = [] if inputs.lengths is Lengths.FULL else [Remark(Code.DEVICE_LENGTHS, {"added_U": added})]
    small = pipe < SMALL_PIPE
    if air is None:
        more, its_effects = _liquid(inputs)
        function = liquid_device_model(device, small)
        return _Model(function, {**values, **more}, [*effects, *its_effects], remarks, found)
    ratio = taken.value / air.pressure
    epsilon_u = 0.5 * expansibility_U(device, beta, ratio, inputs.isentropic_exponent)
    effects += [
        Effect("Expansibility", "expansibility_factor", epsilon_u, Sharing.COMMON),
        Effect("Viscosity", "viscosity_factor", VISCOSITY_U, Sharing.COMMON),
        *air.effects,
    ]
    values |= {
        **air.values,
        "viscosity_factor": 1.0,
        "isentropic_exponent": inputs.isentropic_exponent,
        "standard_density": inputs.standard_density,
    }
    return _Model(primary_model(device, small, air.model.function), values, effects, remarks, found)


def _settled(
    inputs: FlowStation, pressure: float, pipe: float, throat: float, air: AirState | None
) -> DeviceFlow:
    if air is None:
        density, viscosity = _given(inputs, "liquid_density"), _given(inputs, "liquid_viscosity")
        return device_flow(inputs.device, pipe, throat, pressure, density, viscosity)
    return device_flow(
        inputs.device,
        pipe,
        throat,
        pressure,
        air.density,
        sutherland_viscosity(air.values["temperature"]),
        upstream=air.pressure,
        exponent=inputs.isentropic_exponent,
    )


def _liquid_density(inputs: FlowStation) -> tuple[dict[str, float], list[Effect]]:
    density = _given(inputs, "liquid_density")
    u = density * inputs.liquid_density_u
    return {"density": density}, [Effect("Liquid density", "density", u, Sharing.COMMON)]


def _liquid(inputs: FlowStation) -> tuple[dict[str, float], list[Effect]]:
    values, effects = _liquid_density(inputs)
    viscosity = _given(inputs, "liquid_viscosity")
    u = viscosity * inputs.liquid_viscosity_u
    return {**values, "viscosity": viscosity}, [
        *effects,
        Effect("Liquid viscosity", "viscosity", u, Sharing.COMMON),
    ]


def _pipe_effects(inputs: FlowStation) -> list[Effect]:
    pipe = _given(inputs, "pipe_diameter")
    return [_diameter_effect("Pipe diameter", "pipe_diameter", pipe, inputs.pipe_diameter_u, PIPE_U)]


def _diameter_effect(name: str, on: str, value: float, u: float | None, relative: float) -> Effect:
    known = value * relative if u is None else not_negative(f"{on}_u", u)
    return Effect(name, on, known, Sharing.COMMON)


def _parts(found: dict[str, Result], values: dict[str, float]) -> tuple[Part, ...]:
    if "coefficient" not in found:
        return ()
    figures = [PartFigure(n, found[n].value, found[n].U, "1") for n in _DEVICE_OUTPUTS]
    beta = values["throat_diameter"] / values["pipe_diameter"]
    return (Part("device", (*figures, PartFigure("beta", beta, None, "1"))),)


def _reading_remarks(inputs: FlowStation, taken: Taken) -> list[Remark]:
    remarks = []
    if inputs.pressure.zero is None:
        remarks.append(Remark(Code.ZERO_NOT_CHECKED))
    step = taken.instrument.resolution
    if (lowest := min(taken.values)) < inputs.limits.resolutions * step:
        near = sum(v < inputs.limits.resolutions * step for v in taken.values)
        remarks.append(Remark(Code.NEAR_RESOLUTION, {"count": near, "resolution": step, "lowest": lowest}))
    bias = _root_bias(taken.values)
    if bias > inputs.limits.compressibility:
        remarks.append(Remark(Code.ROOT_OF_MEAN_BIAS, {"bias": bias}))
    return remarks


def _root_bias(values: tuple[float, ...]) -> float:
    """Fraction that the root of the mean pressure reads above the mean of the roots."""
    mean = math.fsum(values) / len(values)
    roots = math.fsum(math.sqrt(max(v, 0.0)) for v in values) / len(values)
    return math.sqrt(mean) / roots - 1.0
