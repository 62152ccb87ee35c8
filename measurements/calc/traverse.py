"""Flow by a pitot-static traverse, and the screening figure from one reading at the axis.

Sources: ISO 3966 and ANSI/ASHRAE 111 (method), JCGM 100:2008 (uncertainty, H.5 for runs), AMCA 203
(distribution). What is common to all points (calibration, zero, density, area) stays common.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from .conditions import Air, AirState, resolve_air
from .distributions import Distribution
from .duct import Duct
from .errors import Refused, finite, not_negative, positive
from .instrument import Instrument
from .layout import Layout, Plane, make_layout, plane_quality
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
from .positions import Rule
from .pressures import FLUCTUATION, Pressures, take_pressures
from .records import digest
from .remarks import plane_remarks, pressure_remarks, reading_remarks, run_remarks, zero_remarks
from .uncertainty import Effect
from .variance import RunSpread, spread_of_runs
from .version import CALCULATION_VERSION

INTEGRATION_FLOOR = 0.002
"""Least standard uncertainty of a layout's mean, as a fraction (practice)."""
INTEGRATION_UNKNOWN = 0.02
"""The same when the points follow no stated layout (practice)."""
MISSING_SPREAD = 0.25
"""How far the velocities of points that were not read may lie from the mean, as a fraction (practice)."""


@dataclass(frozen=True, slots=True)
class PointReading:
    """Velocity pressure in Pa at a point. hole, row: from 1. run: from 1.

    scatter: standard deviation of the display while it was read; samples: how many values it comes from
    (1: judged by eye, 5 degrees of freedom, GUM G.4.2).
    """

    hole: int
    row: int
    value: float
    run: int = 1
    scatter: float | None = None
    samples: int = 1


@dataclass(frozen=True, slots=True)
class PitotTraverse:
    """Input of `pitot_traverse`. Lengths m, pressures Pa, density kg/m3.

    rule, holes, rows: the layout (rule None: points of no stated layout). probe: factor K of the tube.
    zero_before, zero_after: what the manometer showed with no pressure. upstream, downstream: straight
    lengths at the plane.
    """

    duct: Duct
    readings: tuple[PointReading, ...]
    instrument: Instrument
    air: Air
    rule: Rule | None = None
    holes: int | None = None
    rows: int | None = None
    probe: Estimate = STANDARD_PROBE
    zero_before: float | None = None
    zero_after: float | None = None
    upstream: float | None = None
    downstream: float | None = None
    standard_density: float = 1.204
    allowances: Allowances = field(default_factory=Allowances)
    limits: Limits = field(default_factory=Limits)


def pitot_traverse(inputs: PitotTraverse) -> MethodResult:
    """Flow of a duct from velocity pressures at the points of a traverse, one or more runs.

    Weak readings (below three times their uncertainty, zero or negative) count as sqrt(2 max(p, 0)) with an
    uncertainty taken from the interval around them. When every reading is negative the hoses were swapped:
    the figure is then computed from magnitudes, says so, and may carry no verdict.
    Errors: Refused (not finite, below 0 K, negative absolute pressure, sonic, place outside the layout).
    """
    positive("standard_density", inputs.standard_density)
    positive("probe", inputs.probe.value)
    air = resolve_air(inputs.air)
    layout = _layout(inputs)
    _check_places(inputs.readings, layout)
    taken = take_pressures(
        inputs.readings, inputs.instrument, inputs.zero_before, inputs.zero_after, air.pressure
    )
    places = _by_place(inputs.readings, taken)
    spread = spread_of_runs(_roots_by_run(inputs.readings, taken))
    plane = plane_quality(inputs.duct, inputs.upstream, inputs.downstream)
    missing = _missing(layout, places)
    effects = [
        *_reading_effects(taken, spread),
        *run_effects(spread),
        *_placing_effects(inputs, layout, plane, places, missing),
        Effect("Compressibility", "velocity_factor", taken.compressibility / math.sqrt(3.0), Sharing.COMMON),
        *common_effects(inputs.probe, inputs.allowances, air),
    ]
    identity = digest("pitot_traverse", inputs, CALCULATION_VERSION)
    found = solve(
        pitot_model(inputs.duct.shape, air.model.function),
        {
            **_pressure_values(places, taken),
            **common_values(inputs.duct, inputs.probe, air, inputs.standard_density),
        },
        effects,
        identity,
    )
    speed = inputs.probe.value / math.sqrt(air.density)
    points = _points(places, layout, taken, speed, found["velocity"].value)
    labels = [_place_label(layout, r.hole, r.row) for r in inputs.readings]
    remarks = [
        *air.remarks,
        *pressure_remarks(taken, inputs.limits, found["velocity"].value, labels),
        *zero_remarks(inputs.zero_before, inputs.zero_after, taken, inputs.instrument, inputs.limits),
        *reading_remarks(inputs.instrument, taken.outside_certificate, taken.outside_range, labels),
        *_layout_remarks(inputs, layout, places, missing),
        *plane_remarks(plane),
        *run_remarks(spread, inputs.limits),
    ]
    return MethodResult(
        method="pitot_traverse",
        measurand="flow",
        results=found,
        standard_density=inputs.standard_density,
        area=inputs.duct.area,
        points=points,
        runs=tuple(RunFigure(n, speed * m, speed * m * inputs.duct.area) for n, m in spread.means),
        remarks=tuple(remarks),
        verdict_allowed=not taken.swapped,
        density_model=air.model.name,
        digest=identity,
    )


def common_values(
    duct: Duct, probe: Estimate, air: AirState, standard_density: float
) -> dict[str, float | Sequence[float]]:
    """Values of the inputs that every traverse model has."""
    return {
        "probe_factor": probe.value,
        "velocity_factor": 1.0,
        "dimension": duct.dimensions,
        "standard_density": standard_density,
        **air.values,
    }


def common_effects(probe: Estimate, allowances: Allowances, air: AirState) -> list[Effect]:
    """Effects that every traverse has: probe, alignment, dimensions, density."""
    return [
        Effect("Probe factor", "probe_factor", not_negative("probe.u", probe.u), Sharing.COMMON, probe.dof),
        Effect(
            "Alignment", "velocity_factor", not_negative("alignment", allowances.alignment), Sharing.COMMON
        ),
        Effect("Dimensions", "dimension", not_negative("dimension", allowances.dimension), Sharing.COMMON),
        *air.effects,
    ]


Place = tuple[int, int]


def _layout(inputs: PitotTraverse) -> Layout | None:
    if inputs.rule is None:
        return None
    return make_layout(inputs.duct, inputs.rule, holes=inputs.holes, points_per_hole=inputs.rows)


def _check_places(readings: Sequence[PointReading], layout: Layout | None) -> None:
    if not readings:
        raise Refused("readings", "need at least one")
    for i, r in enumerate(readings):
        if r.hole < 1 or r.row < 1 or r.run < 1:
            raise Refused(f"readings[{i}]", "hole, row and run are counted from 1", (r.hole, r.row, r.run))
        if layout and (r.hole > len(layout.holes) or r.row > layout.rows):
            size = f"{len(layout.holes)} holes of {layout.rows} points"
            raise Refused(f"readings[{i}]", f"lies outside the layout of {size}", (r.hole, r.row))


def _by_place(readings: Sequence[PointReading], taken: Pressures) -> dict[Place, list[int]]:
    """Indices of the readings at each place (several runs, or taken twice), by hole and row."""
    places: dict[Place, list[int]] = {}
    for i, r in enumerate(readings):
        places.setdefault((r.hole, r.row), []).append(i)
    return dict(sorted(places.items()))


def _roots_by_run(readings: Sequence[PointReading], taken: Pressures) -> dict[int, dict[Place, float]]:
    runs: dict[int, dict[Place, list[float]]] = {}
    for r, root in zip(readings, taken.roots, strict=True):
        runs.setdefault(r.run, {}).setdefault((r.hole, r.row), []).append(root)
    return {n: {p: math.fsum(v) / len(v) for p, v in places.items()} for n, places in sorted(runs.items())}


def _pressure_values(places: dict[Place, list[int]], taken: Pressures) -> dict[str, float | Sequence[float]]:
    """Every reading with its weight: places weigh equally, so do the readings at one place."""
    weight = {i: 1.0 / (len(places) * len(members)) for members in places.values() for i in members}
    return {
        "pressure": tuple(taken.values[i] for i in taken.strong),
        "pressure_weight": tuple(weight[i] for i in taken.strong),
        "root": tuple(taken.roots[i] for i in taken.weak),
        "root_weight": tuple(weight[i] for i in taken.weak),
    }


def _reading_effects(taken: Pressures, spread: RunSpread) -> list[Effect]:
    """The readings' own effects; what repeats show is not counted again from the scatter of the display."""
    return [e for e in taken.effects if e.name != FLUCTUATION or spread.point_dof == 0]


def run_effects(spread: RunSpread) -> list[Effect]:
    """Fluctuation pooled over the points, and what whole runs differ by beyond it (GUM H.5)."""
    effects = []
    if spread.point_dof > 0:
        u, dof = spread.point_u, spread.point_dof
        effects.append(Effect("Fluctuation between runs", "velocity_factor", u, Sharing.COMMON, dof))
    if spread.run_dof > 0:
        u, dof = spread.run_u, spread.run_dof
        effects.append(Effect("Repeatability of runs", "velocity_factor", u, Sharing.COMMON, dof))
    return effects


def _placing_effects(
    inputs: PitotTraverse,
    layout: Layout | None,
    plane: Plane,
    places: dict[Place, list[int]],
    missing: Sequence[str],
) -> list[Effect]:
    rectangular, common = Distribution.RECTANGULAR, Sharing.COMMON
    given = inputs.allowances.integration
    integration = _integration(layout) if given is None else not_negative("integration", given)
    plane_u = plane.relative_u if inputs.allowances.plane is None else inputs.allowances.plane
    effects = [
        Effect("Number and placing of points", "velocity_factor", integration, common, math.inf, rectangular),
        Effect("Measuring plane", "velocity_factor", not_negative("plane", plane_u), common),
    ]
    if missing and layout:
        u = MISSING_SPREAD * len(missing) / len(layout.points)
        effects.append(Effect("Missing points", "velocity_factor", u, common))
    return effects


def _integration(layout: Layout | None) -> float:
    if layout is None:
        return INTEGRATION_UNKNOWN
    return max(abs(layout.integration_bias) / math.sqrt(3.0), INTEGRATION_FLOOR)


def _missing(layout: Layout | None, places: dict[Place, list[int]]) -> tuple[str, ...]:
    if layout is None:
        return ()
    return tuple(p.label for p in layout.points if (p.hole + 1, p.row) not in places)


def _layout_remarks(
    inputs: PitotTraverse, layout: Layout | None, places: dict[Place, list[int]], missing: Sequence[str]
) -> list[Remark]:
    if layout is None:
        return [Remark(Code.NO_LAYOUT, {"points": len(places)})]
    remarks = []
    if missing:
        numbers = {"missing": len(missing), "expected": len(layout.points)}
        remarks.append(Remark(Code.POINTS_MISSING, numbers, tuple(missing)))
    counted = Counter((r.hole, r.row, r.run) for r in inputs.readings)
    doubled = [_place_label(layout, h, row) for (h, row, _), n in counted.items() if n > 1]
    if doubled:
        remarks.append(Remark(Code.POINTS_DOUBLED, {"doubled": len(doubled)}, tuple(doubled)))
    advised = make_layout(inputs.duct, layout.rule)
    if len(layout.points) < len(advised.points):
        numbers = {"points": len(layout.points), "advised": len(advised.points)}
        remarks.append(Remark(Code.TOO_FEW_POINTS, numbers))
    return remarks


def _place_label(layout: Layout | None, hole: int, row: int) -> str:
    if layout is None:
        return f"{hole}.{row}"
    return layout.points[(hole - 1) * layout.rows + row - 1].label


def _points(
    places: dict[Place, list[int]], layout: Layout | None, taken: Pressures, speed: float, mean: float
) -> tuple[PointVelocity, ...]:
    found = []
    for (hole, row), members in places.items():
        value = math.fsum(taken.values[i] for i in members) / len(members)
        velocity = speed * math.fsum(taken.roots[i] for i in members) / len(members)
        point = layout.points[(hole - 1) * layout.rows + row - 1] if layout else None
        label = _place_label(layout, hole, row)
        x, y = (point.x, point.y) if point else (None, None)
        share = velocity / mean if mean else 0.0
        found.append(PointVelocity(label, hole, row, x, y, finite("value", value), velocity, share))
    return tuple(found)
