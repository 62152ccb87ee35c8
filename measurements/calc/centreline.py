"""A screening figure from one place: the velocity at the duct's axis times 0.9 (practice)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from .conditions import Air, resolve_air
from .distributions import Distribution
from .duct import Duct
from .errors import Refused, not_negative, positive
from .instrument import Instrument
from .layout import PlaneFigures, Provenance, plane_quality
from .method import (
    STANDARD_PROBE,
    Allowances,
    Code,
    Estimate,
    Limits,
    MethodResult,
    PointVelocity,
    Remark,
    RunFigure,
    solve,
)
from .models import pitot_model
from .plan import Sharing
from .pressures import take_pressures
from .records import digest
from .remarks import pressure_remarks, reading_remarks, zero_remarks
from .traverse import PointReading, common_effects, common_values
from .uncertainty import Effect
from .variance import type_a
from .version import CALCULATION_VERSION

FACTOR = 0.9
"""Mean over axis velocity (practice; a 1/7-power profile in a round duct gives 0.817)."""
FACTOR_HALF_WIDTH = 0.1
AXIS_PLANE = PlaneFigures(
    "this project's own, from invented ducts: skewed flow and wakes move the axis most",
    Provenance.OWN,
    good=0.0,
    bare=0.22,
    after=0.02,
    unknown=0.08,
    uneven=0.0,
    fading=2.0,
)
"""What one place costs beyond the factor's own limits, by the straight lengths. Behind a bend or damper the
axis may lie in a wake or a jet: within some 11 % of the mean at two diameters (standard deviation), of which
half is left two diameters on, as of what two diameters' means hide (`swept.DIAMETER_PLANE`)."""


@dataclass(frozen=True, slots=True)
class CentrelineReading:
    """Input of `centreline_reading`: velocity pressures in Pa at the axis, one or more times.

    upstream, downstream: straight lengths at the plane, m (None: not measured).
    """

    duct: Duct
    pressures: tuple[float, ...]
    instrument: Instrument
    air: Air
    probe: Estimate = STANDARD_PROBE
    zero_before: float | None = None
    zero_after: float | None = None
    standard_density: float = 1.204
    allowances: Allowances = field(default_factory=Allowances)
    limits: Limits = field(default_factory=Limits)
    upstream: float | None = None
    downstream: float | None = None


def centreline_reading(inputs: CentrelineReading) -> MethodResult:
    """Flow as 0.9 x axis velocity x area, with +-0.1 on the factor. Screening only: never a verdict.

    Errors: Refused as `pitot_traverse`.
    """
    positive("standard_density", inputs.standard_density)
    positive("probe", inputs.probe.value)
    if not inputs.pressures:
        raise Refused("pressures", "need at least one")
    air = resolve_air(inputs.air)
    readings = [PointReading(1, 1, p, run) for run, p in enumerate(inputs.pressures, 1)]
    taken = take_pressures(readings, inputs.instrument, inputs.zero_before, inputs.zero_after, air.pressure)
    share = 1.0 / len(readings)
    plane = plane_quality(inputs.duct, inputs.upstream, inputs.downstream, figures=AXIS_PLANE)
    given = inputs.allowances.plane
    plane_u = FACTOR * (plane.relative_u if given is None else not_negative("plane", given))
    effects = [
        *taken.effects,
        Effect(
            "Mean over axis velocity",
            "velocity_factor",
            FACTOR_HALF_WIDTH / math.sqrt(3.0),
            Sharing.COMMON,
            math.inf,
            Distribution.RECTANGULAR,
        ),
        Effect("Measuring plane", "velocity_factor", plane_u, Sharing.COMMON),
        *_repeats(taken.roots),
        *common_effects(inputs.probe, inputs.allowances, air),
    ]
    values: dict[str, float | Sequence[float]] = {
        "pressure": tuple(taken.values[i] for i in taken.strong),
        "pressure_weight": (share,) * len(taken.strong),
        "root": tuple(taken.roots[i] for i in taken.weak),
        "root_weight": (share,) * len(taken.weak),
        **common_values(inputs.duct, inputs.probe, air, inputs.standard_density),
        "velocity_factor": FACTOR,
    }
    identity = digest("centreline_reading", inputs, CALCULATION_VERSION)
    model = pitot_model(inputs.duct.shape, air.model.function)
    found = solve(model, values, effects, identity)
    axis = found["velocity"].value / FACTOR
    labels = ["axis"] * len(readings)
    pressure = math.fsum(taken.values) * share
    speed = inputs.probe.value / math.sqrt(air.density)
    return MethodResult(
        method="centreline_reading",
        measurand="flow",
        results=found,
        standard_density=inputs.standard_density,
        area=inputs.duct.area,
        points=(PointVelocity("axis", 1, 1, None, None, pressure, axis, 1.0 / FACTOR),),
        runs=tuple(
            RunFigure(n, FACTOR * speed * r, FACTOR * speed * r * inputs.duct.area)
            for n, r in enumerate(taken.roots, 1)
        ),
        remarks=(
            Remark(Code.SCREENING_ONLY, {"factor": FACTOR}),
            *air.remarks,
            *pressure_remarks(taken, inputs.limits, found["velocity"].value, labels),
            *zero_remarks(inputs.zero_before, inputs.zero_after, taken, inputs.instrument, inputs.limits),
            *reading_remarks(inputs.instrument, taken.outside_certificate, taken.outside_range, labels),
        ),
        verdict_allowed=False,
        density_model=air.model.name,
        digest=identity,
    )


def _repeats(roots: tuple[float, ...]) -> list[Effect]:
    """Scatter of repeated readings, as a fraction of their mean (root of pressure)."""
    if len(roots) < 2 or not any(roots):
        return []
    spread = type_a(roots)
    u = FACTOR * spread.u / spread.mean
    return [Effect("Repeated readings", "velocity_factor", u, Sharing.COMMON, spread.dof, Distribution.T)]
