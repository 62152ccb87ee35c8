"""Flow by a traverse with an anemometer, thermal or vane.

A thermal anemometer shows the velocity that air of its reference density would have for the same mass flow;
a vane shows the velocity itself. Sources: mass conservation (conversion, blockage), ANSI/ASHRAE 111 and
EN 12599 (method), JCGM 100:2008 H.5 (runs).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from .conditions import Air, AirState, resolve_air
from .distributions import Distribution
from .duct import AREA, Duct, Shape
from .errors import Refused, not_negative, positive
from .layout import Layout
from .method import (
    UNITS,
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
from .models import DensityFunction, Flow, Signal, line_model
from .places import Readings, Taken, take_each
from .plan import Sharing
from .positions import Rule
from .records import digest
from .remarks import distribution_share, implausible, plane_remarks, reading_remarks, run_remarks
from .trace import Formula
from .traverse import (
    PitotTraverse,
    Place,
    PointReading,
    _bias_effects,
    _bias_remarks,
    _check_places,
    _layout,
    _layout_remarks,
    _missing,
    _place_label,
    _placing,
    _placing_effects,
    _unsteady_effects,
    common_effects,
    common_values,
    point_plane,
)
from .uncertainty import Effect
from .variance import spread_of_runs
from .version import CALCULATION_VERSION

ANEMOMETER_PROBE = Estimate(1.0, 0.01)
"""Factor of an anemometer's probe, for what its certificate does not show: tilt and turn (practice)."""
BLOCKAGE_TOLD = 0.01
"""Share of the duct's area from which a head in it is worth a remark (practice)."""
BLOCKAGE_LIMIT = 0.10
"""Share of the area beyond which the correction is not believed (this project's choice)."""

ANEMOMETER_UNITS: Mapping[str, str] = {
    **UNITS,
    "head_area": "m2",
    "reference_density": "kg/m3",
    "effective_area": "m2",
    "sampling": "m/s",
}
"""Units of the inputs of the models that average velocities."""


@dataclass(frozen=True, slots=True)
class AnemometerTraverse:
    """Input of `anemometer_traverse`. Lengths m, density kg/m3.

    velocity: m/s as shown; places are (run, hole, row), all from 1. signal: VELOCITY (vane) or
    STANDARD_VELOCITY (thermal). rule, holes, rows: the layout (rule None: points of no stated layout).
    probe: factor of the probe. head_area: frontal area of what is inside the duct at the measuring plane
    and keeps air from flowing, m2. upstream, downstream: straight lengths at the plane. reference_density:
    that a thermal instrument's velocity refers to (None: standard_density). run_repeatability and
    integration_corrected: as `PitotTraverse`.
    """

    duct: Duct
    velocity: Readings
    signal: Signal
    air: Air
    rule: Rule | None = None
    holes: int | None = None
    rows: int | None = None
    probe: Estimate = ANEMOMETER_PROBE
    head_area: float = 0.0
    upstream: float | None = None
    downstream: float | None = None
    reference_density: float | None = None
    standard_density: float = 1.204
    allowances: Allowances = field(default_factory=Allowances)
    limits: Limits = field(default_factory=Limits)
    run_repeatability: Estimate | None = None
    integration_corrected: bool = False


@lru_cache(maxsize=64)
def anemometer_model(shape: Shape, density_of: DensityFunction, signal: Signal) -> Formula:
    """`line_model` of the readings, less what the head blocks.

    The velocity beside a head of area a in a duct of area A is that of the flow through A - a (continuity).
    blocking: 1 when the whole of a blocks, 0 when air runs through it freely.
    """
    area_of = AREA[shape]
    plain_model = line_model(shape, density_of, signal)

    def anemometer(
        velocity: Sequence[float],
        velocity_weight: Sequence[float],
        probe_factor: float,
        velocity_factor: float,
        blocking: float,
        head_area: float,
        dimension: Sequence[float],
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        reference_density: float,
        standard_density: float,
    ) -> Flow:
        plain = plain_model(
            velocity,
            velocity_weight,
            probe_factor,
            velocity_factor,
            dimension,
            temperature,
            barometer,
            static_pressure,
            humidity,
            density_factor,
            reference_density,
        )
        free = 1.0 - blocking * head_area / area_of(dimension)
        flow = plain.flow * free
        return Flow(flow, flow * plain.density / standard_density, plain.velocity * free, plain.density)

    return anemometer


def actual_velocity(shown: float, density: float, reference_density: float, signal: Signal) -> float:
    """Velocity of the air from what an anemometer shows, m/s; densities kg/m3.

    A thermal instrument shows mass flow per area over its reference density. Can be traced.
    """
    return shown * reference_density / density if signal is Signal.STANDARD_VELOCITY else shown


def anemometer_traverse(inputs: AnemometerTraverse) -> MethodResult:
    """Flow of a duct from velocities at the points of a traverse, one or more runs.

    The head's blockage is taken off by continuity and doubted from nothing to twice as much, because air
    passes through a vane's ring. Placing of points, the plane and runs are judged as in `pitot_traverse`.
    Errors: Refused (not finite, a signal that is no velocity, a place outside the layout, a mean below zero,
    a head of more than a tenth of the duct, air as `pitot_traverse`).
    """
    reference = check_velocities(
        inputs.velocity, inputs.signal, inputs.standard_density, inputs.reference_density
    )
    blocked = _blocked(inputs)
    air = resolve_air(inputs.air)
    taken = take_each(inputs.velocity, "velocity", "Velocity")
    pitot = _as_pitot(inputs, taken, air)
    layout = _layout(pitot)
    _check_places(pitot.readings, layout)
    places = places_of(inputs.velocity)
    spread = spread_of_runs(by_run(inputs.velocity, taken))
    pressures = [r.value for r in pitot.readings]
    plane = point_plane(inputs.duct, inputs.upstream, inputs.downstream, pressures)
    means = place_means(places, taken.values)
    missing = _missing(layout, means)
    placing = _placing(pitot, layout, means, spread, plane)
    effects = [
        *taken.effects,
        *below_range_effects(taken),
        *_unsteady_effects(pitot, spread),
        *_placing_effects(pitot, layout, plane, placing, missing),
        *_blocking_effects(inputs.head_area),
        *common_effects(inputs.probe, inputs.allowances, air),
    ]
    factor = placing.factor(inputs.integration_corrected)
    values: dict[str, float | Sequence[float]] = {
        "velocity": taken.values,
        "velocity_weight": place_weights(places),
        "blocking": 1.0,
        "head_area": inputs.head_area,
        "reference_density": reference,
        **common_values(inputs.duct, inputs.probe, air, inputs.standard_density),
        "velocity_factor": factor,
    }
    identity = digest("anemometer_traverse", inputs, CALCULATION_VERSION)
    model = anemometer_model(inputs.duct.shape, air.model.function, inputs.signal)
    effects += _bias_effects(pitot, placing, model, values, effects)
    found = solve(model, values, effects, identity, units=ANEMOMETER_UNITS, bounded=True)
    mean = not_reversed(found["velocity"].value)
    speed = inputs.probe.value * (1.0 - blocked)
    speed *= actual_velocity(1.0, air.density, reference, inputs.signal)
    run_velocities = [(n, factor * speed * m) for n, m in spread.means]
    names = [_place_label(layout, hole, row) for _, hole, row in inputs.velocity.places]
    remarks = [
        *air.remarks,
        *velocity_strength(taken, inputs.limits, names),
        *_distribution(taken, inputs.limits),
        *reading_remarks(
            taken.instrument, taken.corrected.outside_certificate, taken.corrected.outside_range, names
        ),
        *_blocking_remarks(blocked),
        *_layout_remarks(pitot, layout, places, missing),
        *_bias_remarks(pitot, placing),
        *plane_remarks(plane),
        *run_remarks(spread, inputs.limits),
        *implausible(mean, inputs.limits),
    ]
    return MethodResult(
        method="anemometer_traverse",
        measurand="flow",
        results=found,
        standard_density=inputs.standard_density,
        area=inputs.duct.area,
        points=_points(means, layout, speed, mean / factor),
        runs=tuple(RunFigure(n, v, v * inputs.duct.area) for n, v in run_velocities),
        remarks=tuple(remarks),
        verdict_allowed=True,
        density_model=air.model.name,
        digest=identity,
    )


def check_velocities(
    velocity: Readings, signal: Signal, standard_density: float, reference_density: float | None
) -> float:
    """The density that shown velocities refer to, after checking what all methods of velocities share."""
    positive("standard_density", standard_density)
    if signal is Signal.PRESSURE:
        raise Refused("signal", "must be a velocity, actual or standard", signal.value)
    if not velocity.values:
        raise Refused("velocity", "needs at least one reading")
    if not velocity.places:
        raise Refused("velocity.places", "are needed: run, line and point of every reading")
    if len(velocity.places) != len(velocity.values):
        raise Refused("velocity.places", "must be as many as the readings", len(velocity.places))
    for i, place in enumerate(velocity.places):
        if min(place) < 1:
            raise Refused(f"velocity.places[{i}]", "run, line and point are counted from 1", place)
    if reference_density is None:
        return standard_density
    return positive("reference_density", reference_density)


def not_reversed(mean: float) -> float:
    """The mean velocity, refused when the air flows the other way."""
    if mean < 0.0:
        raise Refused("velocity", "averages below zero: check the direction of the probe", mean)
    return mean


def places_of(velocity: Readings) -> dict[Place, list[int]]:
    """Indices of the readings at each (line, point), in order."""
    places: dict[Place, list[int]] = {}
    for i, (_, line, point) in enumerate(velocity.places):
        places.setdefault((line, point), []).append(i)
    return dict(sorted(places.items()))


def place_weights(places: Mapping[Place, Sequence[int]]) -> tuple[float, ...]:
    """Weight of each reading: places weigh equally, so do the readings at one place."""
    weight = {i: 1.0 / (len(places) * len(members)) for members in places.values() for i in members}
    return tuple(weight[i] for i in sorted(weight))


def place_means(places: Mapping[Place, Sequence[int]], values: Sequence[float]) -> dict[Place, float]:
    """Mean of the readings at each place."""
    return {p: math.fsum(values[i] for i in members) / len(members) for p, members in places.items()}


def by_run(velocity: Readings, taken: Taken) -> dict[int, dict[Place, float]]:
    """Corrected value at each place of each run (the mean where a place was read twice in a run)."""
    runs: dict[int, dict[Place, list[int]]] = {}
    for i, (run, line, point) in enumerate(velocity.places):
        runs.setdefault(run, {}).setdefault((line, point), []).append(i)
    return {run: place_means(places, taken.values) for run, places in sorted(runs.items())}


def below_range_effects(taken: Taken) -> list[Effect]:
    """Readings below the instrument's range: the air may move at anything from rest to the range's start.

    A vane that stands still does not show that the air does. This project's own: limits of a rectangular
    distribution, one error for all.
    """
    start = taken.instrument.low
    if start is None or all(v >= start for v in taken.values):
        return []
    u = tuple(max(start - v, v) / math.sqrt(3.0) if v < start else 0.0 for v in taken.values)
    name = "Velocity: below the range"
    return [Effect(name, taken.on, u, Sharing.COMMON, math.inf, Distribution.RECTANGULAR)]


def velocity_strength(taken: Taken, limits: Limits, labels: Sequence[str]) -> list[Remark]:
    """Velocities of few display steps, and reversed ones."""
    remarks = []
    resolution = taken.instrument.resolution
    near = [i for i, v in enumerate(taken.values) if abs(v) < limits.resolutions * resolution]
    if near:
        lowest = min(abs(taken.values[i]) for i in near)
        numbers = {"count": len(near), "resolution": resolution, "lowest": lowest}
        remarks.append(Remark(Code.NEAR_RESOLUTION, numbers, _named(near, labels)))
    reversed_ = [i for i, v in enumerate(taken.values) if v < 0.0]
    if reversed_:
        numbers = {"count": len(reversed_), "lowest": min(taken.values)}
        remarks.append(Remark(Code.REVERSED_FLOW, numbers, _named(reversed_, labels)))
    return remarks


def _named(indices: Sequence[int], labels: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(labels[i] for i in indices))


def _blocked(inputs: AnemometerTraverse) -> float:
    """Share of the duct's area that the head blocks."""
    share = not_negative("head_area", inputs.head_area) / inputs.duct.area
    if share > BLOCKAGE_LIMIT:
        raise Refused("head_area", "blocks more than a tenth of the duct: use a smaller probe", share)
    positive("probe", inputs.probe.value)
    return share


def _blocking_effects(head_area: float) -> list[Effect]:
    if head_area == 0.0:
        return []
    u, rectangular = 1.0 / math.sqrt(3.0), Distribution.RECTANGULAR
    return [Effect("Blockage by the head", "blocking", u, Sharing.COMMON, math.inf, rectangular)]


def _blocking_remarks(blocked: float) -> list[Remark]:
    if blocked <= BLOCKAGE_TOLD:
        return []
    return [Remark(Code.HEAD_BLOCKAGE, {"share": blocked, "limit": BLOCKAGE_TOLD})]


def _distribution(taken: Taken, limits: Limits) -> list[Remark]:
    """The rule for velocity pressures, on the squares that they are proportional to."""
    squares = [v * abs(v) for v in taken.values]
    share = distribution_share(squares)
    if len(squares) < 2 or (min(squares) >= 0.0 and share > limits.distribution_share):
        return []
    return [Remark(Code.BAD_DISTRIBUTION, {"share": share, "needed": limits.distribution_share})]


def _as_pitot(inputs: AnemometerTraverse, taken: Taken, air: AirState) -> PitotTraverse:
    """The same traverse as a pitot-static tube would have read it: layout and placing are judged alike."""
    readings = tuple(
        PointReading(hole, row, 0.5 * air.density * v * abs(v), run)
        for (run, hole, row), v in zip(inputs.velocity.places, taken.values, strict=True)
    )
    return PitotTraverse(
        inputs.duct,
        readings,
        inputs.velocity.instrument,
        inputs.air,
        inputs.rule,
        inputs.holes,
        inputs.rows,
        inputs.probe,
        upstream=inputs.upstream,
        downstream=inputs.downstream,
        standard_density=inputs.standard_density,
        allowances=inputs.allowances,
        limits=inputs.limits,
        run_repeatability=inputs.run_repeatability,
        integration_corrected=inputs.integration_corrected,
    )


def _points(
    means: Mapping[Place, float], layout: Layout | None, speed: float, mean: float
) -> tuple[PointVelocity, ...]:
    found = []
    for (hole, row), value in means.items():
        point = layout.points[(hole - 1) * layout.rows + row - 1] if layout else None
        x, y = (point.x, point.y) if point else (None, None)
        velocity = speed * value
        share = velocity / mean if mean else 0.0
        found.append(PointVelocity(_place_label(layout, hole, row), hole, row, x, y, value, velocity, share))
    return tuple(found)
