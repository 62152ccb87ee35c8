"""Flow through a grille or filter from velocities over its face and an effective area.

The effective area is not the opening: it is the area that makes the maker's (or our own) way of reading
the face agree with the true flow, so it belongs to that way of reading and that kind of instrument.
Sources: ANSI/ASHRAE 111 (method), JCGM 100:2008 4.2 (sampling) and H.5 (runs).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache

from .anemometer import (
    ANEMOMETER_PROBE,
    ANEMOMETER_UNITS,
    actual_velocity,
    below_range_effects,
    by_run,
    check_velocities,
    not_reversed,
    place_means,
    place_weights,
    places_of,
    velocity_strength,
)
from .conditions import Air, AirState, resolve_air
from .distributions import Distribution
from .errors import not_negative, positive
from .method import Allowances, Code, Estimate, Limits, MethodResult, PointVelocity, Remark, RunFigure, solve
from .models import DensityFunction, Flow, Signal, dot
from .places import Readings, take_each
from .plan import Sharing
from .records import digest
from .remarks import implausible, reading_remarks, run_remarks
from .trace import Formula
from .traverse import Place, fluctuation_effects, repeatability_effects
from .uncertainty import Effect
from .variance import RunSpread, spread_of_runs, type_a
from .version import CALCULATION_VERSION

FEWEST_PLACES = 4
"""One in each quarter of a face is the least that shows how even it is (practice)."""
SINGLE_PLACE_U = 0.25
"""Relative standard uncertainty of a face's mean known from one place alone (practice)."""
GROSS_HALF_WIDTH = 0.3
"""How far the effective area may lie from the gross area of a grille, as a fraction (practice)."""
UNEVEN = 0.2
"""Standard deviation over the mean from which a face is told to be uneven (practice)."""


class AreaSource(StrEnum):
    """Where an effective area comes from."""

    MAKER = "maker"
    """The maker's data, for the maker's way of reading; also the whole area of an open filter face."""
    TRAVERSE = "traverse"
    """Found by a traverse of the same type of outlet (`effective_area_of`)."""
    GROSS = "gross"
    """The grille's outside or core size without a factor: screening only."""


@dataclass(frozen=True, slots=True)
class FaceVelocity:
    """Input of `face_velocity`. Density kg/m3.

    velocity: m/s as shown; places are (run, line, point), all from 1, spread evenly over the face.
    effective_area: m2. placing: relative standard uncertainty from how far from the face and how square to
    it the probe is held (practice). Others as `AnemometerTraverse`.
    """

    velocity: Readings
    effective_area: Estimate
    area_source: AreaSource
    signal: Signal
    air: Air
    probe: Estimate = ANEMOMETER_PROBE
    placing: float = 0.02
    reference_density: float | None = None
    standard_density: float = 1.204
    allowances: Allowances = field(default_factory=Allowances)
    limits: Limits = field(default_factory=Limits)


def effective_area_of(traverse: Estimate, face: Estimate) -> Estimate:
    """Effective area in m2 of a type of outlet: flow by traverse (m3/s) over mean face velocity (m/s).

    Relative uncertainties in quadrature (independent, also where one instrument served both: its errors
    would cancel in part, which is not counted on); degrees of freedom are taken as the fewer.
    Errors: Refused (zero, negative or not finite).
    """
    flow, velocity = positive("traverse", traverse.value), positive("face", face.value)
    relative = math.hypot(
        not_negative("traverse.u", traverse.u) / flow, not_negative("face.u", face.u) / velocity
    )
    return Estimate(flow / velocity, flow / velocity * relative, min(traverse.dof, face.dof))


@lru_cache(maxsize=64)
def face_model(density_of: DensityFunction, signal: Signal) -> Formula:
    """Mean of the velocities shown, at actual density, times the effective area.

    sampling: 0 m/s (as shown), with the uncertainty of having read the face at some places only.
    """

    def face(
        velocity: Sequence[float],
        velocity_weight: Sequence[float],
        sampling: float,
        probe_factor: float,
        velocity_factor: float,
        effective_area: float,
        area_factor: float,
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        reference_density: float,
        standard_density: float,
    ) -> Flow:
        density = density_factor * density_of(temperature, barometer + static_pressure, humidity)
        shown = velocity_factor * probe_factor * (dot(velocity_weight, velocity) + sampling)
        mean = actual_velocity(shown, density, reference_density, signal)
        flow = mean * effective_area * area_factor
        return Flow(flow, flow * density / standard_density, mean, density)

    return face


def face_velocity(inputs: FaceVelocity) -> MethodResult:
    """Flow through a face: mean velocity over its places, which weigh equally, times the effective area.

    What the places differ by is no repeatability. The places are a sample of an uneven face, so the mean
    carries s / sqrt(n) of their scatter as a sampling error: evenly spread places do no worse than places
    drawn at random. `allowances.integration` (a fraction), when given, stands instead. That scatter holds
    the fluctuation of the single readings too; only what whole runs differ by beyond it is added (H.5).
    With `AreaSource.GROSS` the figure is for screening and may carry no verdict.
    Errors: Refused (not finite, a signal that is no velocity, no places, a mean below zero, area not above
    zero, air as `pitot_traverse`).
    """
    reference = check_velocities(
        inputs.velocity, inputs.signal, inputs.standard_density, inputs.reference_density
    )
    area = positive("effective_area", inputs.effective_area.value)
    air = resolve_air(inputs.air)
    taken = take_each(inputs.velocity, "velocity", "Velocity")
    places = places_of(inputs.velocity)
    means = place_means(places, taken.values)
    spread = spread_of_runs(by_run(inputs.velocity, taken))
    gross = inputs.area_source is AreaSource.GROSS
    values: dict[str, float | Sequence[float]] = {
        "velocity": taken.values,
        "velocity_weight": place_weights(places),
        "sampling": 0.0,
        "probe_factor": positive("probe", inputs.probe.value),
        "velocity_factor": 1.0,
        "effective_area": area,
        "area_factor": 1.0,
        "reference_density": reference,
        "standard_density": inputs.standard_density,
        **air.values,
    }
    effects = [
        *taken.effects,
        *below_range_effects(taken),
        *_sampling_effects(inputs, means, spread),
        *whole_run_effects(spread, inputs.allowances),
        *velocity_effects(inputs.probe, inputs.placing, air),
        *_area_effects(inputs.effective_area, gross),
    ]
    identity = digest("face_velocity", inputs, CALCULATION_VERSION)
    model = face_model(air.model.function, inputs.signal)
    found = solve(model, values, effects, identity, units=ANEMOMETER_UNITS)
    mean = not_reversed(found["velocity"].value)
    speed = inputs.probe.value * actual_velocity(1.0, air.density, reference, inputs.signal)
    names = [place_label(line, point) for _, line, point in inputs.velocity.places]
    remarks = [
        *([Remark(Code.SCREENING_ONLY, {"factor": 1.0})] if gross else []),
        *air.remarks,
        *velocity_strength(taken, inputs.limits, names),
        *reading_remarks(
            taken.instrument, taken.corrected.outside_certificate, taken.corrected.outside_range, names
        ),
        *_face_remarks(means),
        *run_remarks(spread, inputs.limits),
        *implausible(mean, inputs.limits),
    ]
    return MethodResult(
        method="face_velocity",
        measurand="flow",
        results=found,
        standard_density=inputs.standard_density,
        area=area,
        points=face_points(means, speed, mean),
        runs=tuple(RunFigure(n, speed * m, speed * m * area) for n, m in spread.means),
        remarks=tuple(remarks),
        verdict_allowed=not gross,
        density_model=air.model.name,
        digest=identity,
    )


def velocity_effects(probe: Estimate, placing: float, air: AirState) -> list[Effect]:
    """What all readings over a face share: the probe, how it is held, density."""
    u, common = not_negative("probe.u", probe.u), Sharing.COMMON
    return [
        Effect("Probe factor", "probe_factor", u, common, probe.dof),
        Effect("Placing of the probe", "velocity_factor", not_negative("placing", placing), common),
        *air.effects,
    ]


def place_label(line: int, point: int) -> str:
    """A place of a grid, as "line.point"."""
    return f"{line}.{point}"


def face_points(
    means: Mapping[Place, float],
    speed: float,
    mean: float,
    where: Mapping[Place, tuple[float, float]] | None = None,
) -> tuple[PointVelocity, ...]:
    """Velocities by place; speed: actual velocity over what was shown. where: x and y of each place, m."""
    found = []
    for (line, point), shown in means.items():
        x, y = where[line, point] if where else (None, None)
        velocity = speed * shown
        share = velocity / mean if mean else 0.0
        found.append(PointVelocity(place_label(line, point), line, point, x, y, shown, velocity, share))
    return tuple(found)


def whole_run_effects(spread: RunSpread, allowances: Allowances) -> list[Effect]:
    """What whole runs differ by beyond their points' fluctuation, or the allowance for a single one."""
    found = repeatability_effects(spread)
    if found:
        return found
    u = not_negative("single_run", allowances.single_run)
    return [Effect("Single run (allowance)", "velocity_factor", u, Sharing.COMMON)]


def _sampling_effects(inputs: FaceVelocity, means: Mapping[Place, float], spread: RunSpread) -> list[Effect]:
    """Scatter over the face holds the points' fluctuation; where it is not taken, that is added."""
    name, common = "Sampling of the face", Sharing.COMMON
    given = inputs.allowances.integration
    if given is None and len(means) > 1:
        over = type_a(list(means.values()))
        return [Effect(name, "sampling", over.u, common, over.dof, Distribution.T)]
    u = SINGLE_PLACE_U if given is None else not_negative("integration", given)
    return [Effect(name, "velocity_factor", u, common), *fluctuation_effects(spread)]


def _area_effects(area: Estimate, gross: bool) -> list[Effect]:
    u, common = not_negative("effective_area.u", area.u), Sharing.COMMON
    effects = [Effect("Effective area", "effective_area", u, common, area.dof)]
    if gross:
        u = GROSS_HALF_WIDTH / math.sqrt(3.0)
        rectangular = Distribution.RECTANGULAR
        effects.append(
            Effect("Gross area taken as effective", "area_factor", u, common, math.inf, rectangular)
        )
    return effects


def _face_remarks(means: Mapping[Place, float]) -> list[Remark]:
    remarks = []
    if len(means) < FEWEST_PLACES:
        remarks.append(Remark(Code.TOO_FEW_POINTS, {"points": len(means), "advised": FEWEST_PLACES}))
    if len(means) > 1:
        over = type_a(list(means.values()))
        if over.mean > 0.0 and over.s / over.mean > UNEVEN:
            remarks.append(Remark(Code.FACE_UNEVEN, {"spread": over.s / over.mean, "limit": UNEVEN}))
    return remarks
