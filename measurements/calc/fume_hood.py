"""Velocities over the open face of a fume hood: mean, lowest, highest, spread, and the flow drawn in.

Face velocity says how much air a hood draws and how evenly. It says nothing about whether the hood holds
back what is released in it: that takes a containment test. No result here may be read as "safe".
Source: the thinking of ANSI/ASHRAE 110 (from memory): equal squares of at most 1 ft2, readings at their
centres averaged over time, the mean and the extremes reported. Which velocity is wanted is the contract's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

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
from .conditions import Air, resolve_air
from .distributions import Distribution
from .errors import Refused, all_finite, not_negative, positive
from .face import face_points, place_label, velocity_effects, whole_run_effects
from .method import (
    OUTPUTS,
    Allowances,
    Code,
    Estimate,
    Limits,
    MethodResult,
    Part,
    PartFigure,
    PointVelocity,
    Remark,
    RunFigure,
    solve,
)
from .models import DensityFunction, Signal, dot
from .places import Readings, take_each
from .plan import Sharing
from .records import digest
from .remarks import implausible, reading_remarks, run_remarks
from .trace import Formula
from .traverse import MISSING_SPREAD, Place
from .uncertainty import Effect, Result
from .variance import RunSpread, spread_of_runs, type_a
from .version import CALCULATION_VERSION

GRID_SIDE = 0.3048
"""Longest side of a square of the grid, m: 1 ft, so that no square is above 1 ft2 (ANSI/ASHRAE 110)."""
OFF_MEAN = "off_mean"
"""Word of a part whose velocity is further off the mean than it may."""

HOOD_FACE_OUTPUTS = {
    "velocity": ("Mean face velocity", "m/s"),
    "lowest": ("Lowest velocity of the grid", "m/s"),
    "highest": ("Highest velocity of the grid", "m/s"),
    "spread": ("Highest less lowest velocity", "m/s"),
    **{name: OUTPUTS[name] for name in ("flow", "standard_flow", "density")},
}
"""Names and units of what `hood_face` gives."""
POINT_OUTPUT = {"highest": ("Velocity at a point of the grid", "m/s")}


@dataclass(frozen=True, slots=True)
class HoodFace:
    """Input of `hood_face`. Lengths m, velocities m/s, density kg/m3.

    velocity: as shown; places are (run, line, point), all from 1: line is the column from the left, point
    the row from the top of the opening, run the repeat in time. width, height: of the opening, the sash as
    it is set for the test. lowest_allowed, highest_allowed: of the mean, from the contract. columns, rows:
    of the grid planned (None: the largest that was read). point_tolerance: how far a point may lie from the
    mean, as a fraction (practice). placing: as `FaceVelocity`. Others as `AnemometerTraverse`.
    """

    velocity: Readings
    width: float
    height: float
    signal: Signal
    air: Air
    lowest_allowed: float | None = None
    highest_allowed: float | None = None
    columns: int | None = None
    rows: int | None = None
    point_tolerance: float = 0.2
    probe: Estimate = ANEMOMETER_PROBE
    placing: float = 0.02
    reference_density: float | None = None
    standard_density: float = 1.204
    allowances: Allowances = field(default_factory=Allowances)
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True, slots=True)
class FaceStatistics:
    """How velocities lie over a face, m/s. s: standard deviation (n - 1; 0 for one place)."""

    mean: float
    s: float
    lowest: float
    highest: float

    @property
    def relative_s(self) -> float:
        """s over the mean; infinite at a mean of zero."""
        return self.s / abs(self.mean) if self.mean else math.inf

    @property
    def largest_deviation(self) -> float:
        """Distance of the extreme furthest from the mean, over the mean; infinite at a mean of zero."""
        furthest = max(self.highest - self.mean, self.mean - self.lowest)
        return furthest / abs(self.mean) if self.mean else math.inf

    def within(self, fraction: float) -> bool:
        """Whether every place lies within this fraction of the mean."""
        return self.largest_deviation <= fraction * (1.0 + 1e-12)


class HoodFlow(NamedTuple):
    """Outputs of the model: m/s (mean, lowest, highest, their difference), m3/s, m3/s, kg/m3."""

    velocity: float
    lowest: float
    highest: float
    spread: float
    flow: float
    standard_flow: float
    density: float


def face_statistics(velocities: Sequence[float]) -> FaceStatistics:
    """Statistics of one velocity a place. Errors: Refused (none, not finite)."""
    if not velocities:
        raise Refused("velocities", "need at least one")
    all_finite("velocities", velocities)
    s = type_a(velocities).s if len(velocities) > 1 else 0.0
    mean = math.fsum(velocities) / len(velocities)
    return FaceStatistics(mean, s, min(velocities), max(velocities))


@lru_cache(maxsize=64)
def hood_face_model(density_of: DensityFunction, signal: Signal) -> Formula:
    """Mean of the grid, the readings of two chosen points, and mean times opening.

    The weights choose: equal over all places for the mean, over one place for an extreme. grid_factor: 1,
    for squares not read (mean and flow). sampling: 0 m/s, for what lies between the points (flow).
    """

    def hood_face(
        velocity: Sequence[float],
        velocity_weight: Sequence[float],
        lowest_weight: Sequence[float],
        highest_weight: Sequence[float],
        grid_factor: float,
        sampling: float,
        probe_factor: float,
        velocity_factor: float,
        dimension: Sequence[float],
        temperature: float,
        barometer: float,
        static_pressure: float,
        humidity: float,
        density_factor: float,
        reference_density: float,
        standard_density: float,
    ) -> HoodFlow:
        density = density_factor * density_of(temperature, barometer + static_pressure, humidity)
        factor = velocity_factor * probe_factor
        mean, lowest, highest = [
            actual_velocity(factor * dot(weight, velocity), density, reference_density, signal)
            for weight in (velocity_weight, lowest_weight, highest_weight)
        ]
        mean = mean * grid_factor
        flow = (mean + sampling) * dimension[0] * dimension[1]
        return HoodFlow(
            mean, lowest, highest, highest - lowest, flow, flow * density / standard_density, density
        )

    return hood_face


def hood_face(inputs: HoodFace) -> MethodResult:
    """Face velocity of a fume hood: mean of the grid (the measurand), extremes, and the flow.

    The mean is that of the grid by definition, so only the flow carries s / sqrt(n) of the points' scatter
    for what lies between them (see `face_velocity`; `allowances.integration` stands instead when given).
    Repeats in time give each point's fluctuation, pooled over the points, and what whole runs differ by
    beyond it (GUM H.5). The extremes are those of time averages; the lowest of many scattered readings lies
    a little low, the highest a little high. The result never says that a hood is safe.
    Errors: Refused (as `face_velocity`; opening not above zero; one point only, a place outside the grid
    or twice in a run;
    limits that contradict each other).
    """
    reference = check_velocities(
        inputs.velocity, inputs.signal, inputs.standard_density, inputs.reference_density
    )
    columns, rows = _grid(inputs)
    limits = _limits(inputs)
    air = resolve_air(inputs.air)
    taken = take_each(inputs.velocity, "velocity", "Velocity")
    places = places_of(inputs.velocity)
    means = place_means(places, taken.values)
    runs = by_run(inputs.velocity, taken)
    spread = spread_of_runs(runs)
    speed = inputs.probe.value * actual_velocity(1.0, air.density, reference, inputs.signal)
    missing = [p for p in _squares(columns, rows) if p not in means]
    lowest, highest = _extremes(means)
    values: dict[str, float | Sequence[float]] = {
        "velocity": taken.values,
        "velocity_weight": place_weights(places),
        "lowest_weight": _one_place(places, lowest),
        "highest_weight": _one_place(places, highest),
        "grid_factor": 1.0,
        "sampling": 0.0,
        "probe_factor": inputs.probe.value,
        "velocity_factor": 1.0,
        "dimension": (inputs.width, inputs.height),
        "reference_density": reference,
        "standard_density": inputs.standard_density,
        **air.values,
    }
    dimension_u = not_negative("dimension", inputs.allowances.dimension)
    effects = [
        *taken.effects,
        *below_range_effects(taken),
        *_fluctuation_effects(runs, spread, len(taken.values)),
        *whole_run_effects(spread, inputs.allowances),
        *_sampling_effects(inputs, [speed * v for v in means.values()]),
        *_missing_effects(len(missing), columns * rows),
        *velocity_effects(inputs.probe, inputs.placing, air),
        Effect("Dimensions", "dimension", dimension_u, Sharing.COMMON),
    ]
    identity = digest("hood_face", inputs, CALCULATION_VERSION)
    model = hood_face_model(air.model.function, inputs.signal)
    found = solve(model, values, effects, identity, HOOD_FACE_OUTPUTS, units=ANEMOMETER_UNITS)
    mean = not_reversed(found["velocity"].value)
    points = face_points(means, speed, mean, _centres(inputs, columns, rows))
    off = _off_mean(points, inputs.point_tolerance)
    at_points = [
        solve(
            model,
            {**values, "highest_weight": _one_place(places, place)},
            effects,
            identity,
            POINT_OUTPUT,
            units=ANEMOMETER_UNITS,
        )["highest"]
        for place in means
    ]
    names = [place_label(line, point) for _, line, point in inputs.velocity.places]
    remarks = [
        Remark(Code.CONTAINMENT_NOT_TESTED),
        *air.remarks,
        *velocity_strength(taken, inputs.limits, names),
        *reading_remarks(
            taken.instrument, taken.corrected.outside_certificate, taken.corrected.outside_range, names
        ),
        *_grid_remarks(inputs, columns, rows, missing),
        *_off_remarks(off, inputs.point_tolerance),
        *run_remarks(spread, inputs.limits),
        *implausible(mean, inputs.limits),
    ]
    return MethodResult(
        method="hood_face",
        measurand="velocity",
        results=found,
        standard_density=inputs.standard_density,
        area=inputs.width * inputs.height,
        points=points,
        parts=_parts(points, at_points, off),
        runs=tuple(
            RunFigure(n, speed * m, speed * m * inputs.width * inputs.height) for n, m in spread.means
        ),
        remarks=tuple(remarks),
        verdict_allowed=True,
        limits=limits,
        density_model=air.model.name,
        digest=identity,
    )


def _grid(inputs: HoodFace) -> tuple[int, int]:
    """Columns and rows, after checking the opening and that every reading lies in the grid, once a run."""
    positive("width", inputs.width)
    positive("height", inputs.height)
    positive("probe", inputs.probe.value)
    positive("point_tolerance", inputs.point_tolerance)
    seen = inputs.velocity.places
    columns = max(line for _, line, _ in seen) if inputs.columns is None else inputs.columns
    rows = max(point for _, _, point in seen) if inputs.rows is None else inputs.rows
    if len({place[1:] for place in seen}) < 2:
        raise Refused("velocity.places", "need two points of the grid or more", len(seen))
    for i, place in enumerate(seen):
        if place[1] > columns or place[2] > rows:
            raise Refused(f"velocity.places[{i}]", f"lies outside the grid of {columns} by {rows}", place)
        if place in seen[:i]:
            raise Refused(f"velocity.places[{i}]", "is read twice in one run", place)
    return columns, rows


def _limits(inputs: HoodFace) -> tuple[float | None, float | None] | None:
    low, high = inputs.lowest_allowed, inputs.highest_allowed
    if low is not None:
        not_negative("lowest_allowed", low)
    if high is not None:
        positive("highest_allowed", high)
    if low is not None and high is not None and low > high:
        raise Refused("lowest_allowed", "lies above the highest allowed", low)
    return None if low is None and high is None else (low, high)


def _squares(columns: int, rows: int) -> list[Place]:
    return [(line, point) for line in range(1, columns + 1) for point in range(1, rows + 1)]


def _centres(inputs: HoodFace, columns: int, rows: int) -> dict[Place, tuple[float, float]]:
    """x from the left and y from the top of every square's centre, m."""
    return {
        (line, point): ((line - 0.5) * inputs.width / columns, (point - 0.5) * inputs.height / rows)
        for line, point in _squares(columns, rows)
    }


def _extremes(means: Mapping[Place, float]) -> tuple[Place, Place]:
    """Places of the lowest and the highest mean: two different ones where all are alike."""
    order = sorted(means, key=lambda place: means[place])
    return order[0], order[-1]


def _one_place(places: Mapping[Place, Sequence[int]], place: Place) -> tuple[float, ...]:
    """Weights that give the mean of the readings at one place."""
    count = sum(map(len, places.values()))
    members = places[place]
    return tuple(1.0 / len(members) if i in members else 0.0 for i in range(count))


def _fluctuation_effects(
    runs: Mapping[int, Mapping[Place, float]], spread: RunSpread, count: int
) -> list[Effect]:
    """Fluctuation of each reading, pooled over the points."""
    if spread.point_dof == 0.0:
        return []
    shared = set.intersection(*(set(v) for v in runs.values()))
    grand = math.fsum(v[p] for v in runs.values() for p in shared) / (len(runs) * len(shared))
    s = spread.point_u * abs(grand) * math.sqrt(len(runs) * len(shared))
    name, pooled = "Fluctuation between runs", Sharing.POOLED
    return [Effect(name, "velocity", (s,) * count, pooled, spread.point_dof, Distribution.T)]


def _sampling_effects(inputs: HoodFace, velocities: Sequence[float]) -> list[Effect]:
    name, common = "Sampling of the face", Sharing.COMMON
    given = inputs.allowances.integration
    mean = math.fsum(velocities) / len(velocities)
    if given is not None:
        return [Effect(name, "sampling", not_negative("integration", given) * abs(mean), common)]
    over = type_a(velocities)
    return [Effect(name, "sampling", over.u, common, over.dof, Distribution.T)]


def _missing_effects(missing: int, expected: int) -> list[Effect]:
    if not missing:
        return []
    return [Effect("Missing points", "grid_factor", MISSING_SPREAD * missing / expected, Sharing.COMMON)]


def _off_mean(points: Sequence[PointVelocity], tolerance: float) -> dict[str, float]:
    """How far each point lies off the mean, as a fraction, of those further off than they may."""
    if not any(p.share for p in points):
        return {}
    off = {p.label: abs(p.share - 1.0) for p in points}
    return {label: size for label, size in off.items() if size > tolerance * (1.0 + 1e-12)}


def _off_remarks(off: Mapping[str, float], tolerance: float) -> list[Remark]:
    if not off:
        return []
    numbers = {"count": len(off), "largest": max(off.values()), "limit": tolerance}
    return [Remark(Code.FACE_POINTS_OFF, numbers, tuple(off))]


def _grid_remarks(inputs: HoodFace, columns: int, rows: int, missing: Sequence[Place]) -> list[Remark]:
    remarks = []
    width, height = inputs.width / columns, inputs.height / rows
    if max(width, height) > GRID_SIDE * (1.0 + 1e-9):
        remarks.append(Remark(Code.GRID_COARSE, {"width": width, "height": height, "limit": GRID_SIDE}))
    if missing:
        numbers = {"missing": len(missing), "expected": columns * rows}
        remarks.append(Remark(Code.POINTS_MISSING, numbers, tuple(place_label(*p) for p in missing)))
    return remarks


def _parts(
    points: Sequence[PointVelocity], at_points: Sequence[Result], off: Mapping[str, float]
) -> tuple[Part, ...]:
    return tuple(
        Part(
            p.label,
            (PartFigure("velocity", p.velocity, r.U, "m/s"), PartFigure("share", p.share, None, "1")),
            OFF_MEAN if p.label in off else "",
        )
        for p, r in zip(points, at_points, strict=True)
    )
