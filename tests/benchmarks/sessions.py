"""Invented sessions: ducts of `ducts` measured by every traverse method, as a tablet would send them.

Each method draws what a technician, a tube or probe, a display and the flow itself do, builds the inputs that
the house would build, and computes them. Reasons stand beside the ranges, as in `ducts`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from measurements.calc import (
    Air,
    CentrelineReading,
    Duct,
    PitotTraverse,
    PointReading,
    Rule,
    Shape,
    Signal,
    Sweep,
    SweptTraverse,
    centreline_reading,
    make_layout,
    pitot_traverse,
    swept_traverse,
)
from measurements.calc.anemometer import AnemometerTraverse, anemometer_traverse
from measurements.calc.layout import Layout
from measurements.calc.method import Estimate, MethodResult
from measurements.calc.places import Readings
from measurements.calc.traverse import pooled_repeatability

from . import ducts
from .ducts import Array, Field, Generator, Meter, PlaneClass, Unsteady, Weather


@dataclass(frozen=True)
class Setting:
    """S sessions at one duct: what is true and what is known. speed, area: (S, 1); flow: (S,)."""

    duct: Duct
    field: Field
    unsteady: Unsteady
    weather: Weather
    air: tuple[Air, ...]
    meter: Meter
    scale: Array
    flow: Array
    tube_factor: Array
    tube_turn: Array
    skewed_angle: Array


@dataclass(frozen=True)
class Cell:
    """One row of the table: a method with its choices, in one class of plane.

    pooled: repeatability of runs is taken from the other planes of the job as well. corrected: the known
    bias of the places is taken off, as the house does by default. screening: a rough figure that carries no
    verdict. series: sweeps have a time series. signal, kinds: of the instrument. speeds: m/s.
    """

    method: str
    plane: PlaneClass
    shape: Shape
    rule: Rule
    runs: int
    measure: Callable[[Generator, Cell, Setting], list[MethodResult]]
    pooled: bool = False
    corrected: bool = True
    series: bool = False
    signal: Signal = Signal.PRESSURE
    kinds: tuple[ducts.Kind, ...] = ducts.MANOMETERS
    speeds: tuple[float, float] = (4.0, 14.0)
    screening: bool = False

    @property
    def name(self) -> str:
        """Method and class."""
        return f"{self.method}, {self.plane.value}"

    @property
    def compared(self) -> bool:
        """A row for comparison only: the known bias stays in, which the house does when it is told to."""
        return not self.corrected


PLANES_A_JOB = 9


def draw_setting(draw: Generator, cell: Cell, duct: Duct, size: int) -> Setting:
    """Flows, air, instrument and tube of S sessions at one duct.

    Speed 4 to 14 m/s for pitot-static tubes, 2 to 10 for anemometers: where they are used. Standard tube:
    factor 1.00 with the 0.5 % that the register states. It is turned out of the duct's axis by some 3
    degrees, the same way all along, and 1.5 more from point to point (practice); its pressure then changes by
    -2 to +1 % at 10 degrees and with the square of the angle (shapes of ISO 3966, from memory). The tape:
    0.7 mm that all sides share and 0.7 mm of each side's own (practice).
    """
    low, high = cell.speeds
    speed = np.exp(draw.uniform(math.log(low), math.log(high), size))[:, None]
    field = ducts.draw_field(draw, duct, cell.plane, speed)
    jobs = -(-size // PLANES_A_JOB) if cell.pooled else size
    unsteady = ducts.draw_unsteady(draw, cell.plane, jobs)
    if cell.pooled:
        unsteady = Unsteady(*(np.repeat(getattr(unsteady, n), PLANES_A_JOB, 0)[:size] for n in UNSTEADY))
    weather = ducts.draw_weather(draw, size)
    kind = cell.kinds[ducts.DUCTS[duct.shape].index(duct) % len(cell.kinds)]
    pressure = cell.signal is Signal.PRESSURE
    meter = ducts.draw_meters(draw, kind, size, 1.0 if pressure else 5.0, zeroed=pressure)
    off = 0.0007 * draw.standard_normal((size, 1)) + 0.0007 * draw.standard_normal((size, 2))
    sides = np.array(duct.dimensions)[None, :] - off[:, : len(duct.dimensions)]
    area = np.array([replace(duct, width=w, height=h[0] if h else None).area for w, *h in sides.tolist()])
    return Setting(
        duct,
        field,
        unsteady,
        weather,
        tuple(Air(**row) for row in weather.noted),  # type: ignore[arg-type]
        meter,
        speed / field.mean(ducts.area_grid(duct)),
        speed[:, 0] * area,
        1.0 + 0.005 * draw.standard_normal((size, 1)),
        draw.uniform(-0.02, 0.01, (size, 1)),
        np.radians(3.0) * np.abs(draw.standard_normal((size, 1))),
    )


UNSTEADY = ("intensity", "time_scale", "wander", "wander_time")


def pressure_at(draw: Generator, s: Setting, x: Array, y: Array, whole: Array, local: Array) -> Array:
    """Velocity pressure that a tube gives at places (S, P).

    whole: relative departure of the whole flow; local: standard normal of the turbulence, averaged (its size
    as a share of one moment's times a unit normal). A tube in a turned flow feels all of its velocity; an
    average of pressure holds the turbulence too.
    """
    axial = s.scale * s.field.pattern(x, y)
    slow = np.clip(axial / (s.scale * s.field.mean(ducts.area_grid(s.duct))), 0.1, None)
    intensity = np.minimum(s.unsteady.intensity / np.sqrt(slow), 0.4)
    flow_angle = s.field.angle(x, y)
    held = s.skewed_angle + np.radians(1.5) * draw.standard_normal(x.shape)
    turned = np.hypot(flow_angle, held) / np.radians(10.0)
    speed = axial / np.cos(flow_angle) / s.tube_factor
    moving = (1.0 + whole + intensity * local) ** 2 + intensity**2
    return np.asarray(0.5 * s.weather.density[:, None] * speed**2 * moving * (1.0 + s.tube_turn * turned**2))


def zero_path(draw: Generator, s: Setting, count: int) -> Array:
    """Zero of the manometer at `count` times and at both ends, (S, count + 2), Pa.

    Set to zero within one display step; wanders as a random walk by 0.2 Pa in a session (practice).
    """
    size = len(s.flow)
    steps = draw.standard_normal((size, count + 1)) * 0.2 / math.sqrt(count + 1)
    start = draw.uniform(-0.1, 0.1, (size, 1))
    return np.concatenate([start, start + np.cumsum(steps, axis=1)], axis=1)


def shown(s: Setting, true: Array, zero: Array | float) -> Array:
    """What the display says."""
    step = s.meter.known[0].resolution
    return np.round((s.meter.shows(true) + zero) / step) * step


@dataclass(frozen=True)
class Visits:
    """How points are read, (S, runs x points): places, the whole flow's departure, averaged turbulence."""

    x: Array
    y: Array
    whole: Array
    local: Array


def visit_points(draw: Generator, cell: Cell, s: Setting, layout: Layout) -> Visits:
    """A traverse point by point: 3 to 8 s of averaging at a point, a point each 8 to 15 s, 1 to 5 minutes
    between runs. Depths are off by 2 mm, holes by 3 mm (standard deviations; practice).
    """
    size = len(s.flow)
    points = layout.points
    places, count = len(points), len(points) * cell.runs
    at_x, at_y = np.array([p.x for p in points]), np.array([p.y for p in points])
    hole = np.array([p.hole for p in points])
    corner = (0.0, 0.0) if s.duct.shape is Shape.ROUND else (s.duct.width / 2.0, s.duct.depth / 2.0)
    depth = 0.002 * draw.standard_normal((size, count))
    if s.duct.shape is Shape.ROUND:
        turn = np.radians(90.0 - np.array([h.angle for h in layout.holes]))[hole]
        dx, dy = (np.tile(f(turn), cell.runs)[None, :] * depth for f in (np.cos, np.sin))
    else:
        dx = np.tile((0.003 * draw.standard_normal((size, len(layout.holes))))[:, hole], (1, cell.runs))
        dy = depth
    x = np.tile(at_x - corner[0], cell.runs)[None, :] + dx
    y = np.tile(at_y - corner[1], cell.runs)[None, :] + dy
    window, pace = draw.uniform(3.0, 8.0, (size, 1)), draw.uniform(8.0, 15.0, (size, 1))
    gaps = np.tile(pace, (1, count))
    gaps[:, places::places] += draw.uniform(60.0, 300.0, (size, cell.runs - 1))
    whole = s.unsteady.wander * ducts.correlated(draw, gaps / s.unsteady.wander_time)
    local = ducts.averaged_share(s.unsteady.time_scale, window) * draw.standard_normal((size, count))
    return Visits(x, y, whole, local)


def pitot(draw: Generator, cell: Cell, s: Setting) -> list[MethodResult]:
    """A traverse with a pitot-static tube."""
    layout = make_layout(s.duct, cell.rule)
    seen_at = visit_points(draw, cell, s, layout)
    count = seen_at.x.shape[1]
    zero = zero_path(draw, s, count)
    seen = shown(s, pressure_at(draw, s, seen_at.x, seen_at.y, seen_at.whole, seen_at.local), zero[:, 1:-1])
    ends = shown(s, np.zeros((len(s.flow), 2)), zero[:, [0, -1]])
    inputs = []
    for i, rows in enumerate(seen.tolist()):
        readings = tuple(
            PointReading(hole, row, value, run)
            for (run, hole, row), value in zip(_every_place(cell, layout), rows, strict=True)
        )
        inputs.append(
            PitotTraverse(
                s.duct,
                readings,
                s.meter.known[i],
                s.air[i],
                cell.rule,
                zero_before=float(ends[i, 0]),
                zero_after=float(ends[i, 1]),
                upstream=float(s.field.upstream[i, 0]),
                downstream=float(s.field.downstream[i, 0]),
                integration_corrected=cell.corrected,
            )
        )
    found = [pitot_traverse(one) for one in inputs]
    if not cell.pooled:
        return found
    return [
        pitot_traverse(replace(one, run_repeatability=_of_other_planes(found, i)))
        for i, one in enumerate(inputs)
    ]


def _every_place(cell: Cell, layout: Layout) -> list[tuple[int, int, int]]:
    return [(run, p.hole + 1, p.row) for run in range(1, cell.runs + 1) for p in layout.points]


def _of_other_planes(found: Sequence[MethodResult], own: int) -> Estimate | None:
    """What the runs of the job's other planes say of repeatability."""
    first = own - own % PLANES_A_JOB
    others = [found[i] for i in range(first, min(first + PLANES_A_JOB, len(found))) if i != own]
    return pooled_repeatability([[run.flow for run in one.runs] for one in others])


def anemometer(draw: Generator, cell: Cell, s: Setting) -> list[MethodResult]:
    """A traverse with a vane or a thermal anemometer.

    A vane turns with the axial part of the flow (cosine), a thermal probe feels all of it. A hand holds
    either within some 4 degrees of the axis; how the probe is turned about its stem moves the reading by
    0.7 % (practice). A vane's head and stem of 8 cm2 let some air through and block 30 to 120 % of that.
    """
    layout, size = make_layout(s.duct, cell.rule), len(s.flow)
    seen_at = visit_points(draw, cell, s, layout)
    axial = s.scale * s.field.pattern(seen_at.x, seen_at.y)
    slow = np.clip(axial / (s.scale * s.field.mean(ducts.area_grid(s.duct))), 0.1, None)
    intensity = np.minimum(s.unsteady.intensity / np.sqrt(slow), 0.4)
    moving = 1.0 + seen_at.whole + intensity * seen_at.local
    angle = s.field.angle(seen_at.x, seen_at.y)
    held = np.radians(4.0) * draw.standard_normal((size, 1))
    vane = cell.signal is Signal.VELOCITY
    head = HEAD if vane else 0.0
    felt = axial * moving * (np.cos(held) if vane else 1.0 / np.cos(angle))
    felt = felt * (1.0 + 0.007 * draw.standard_normal((size, 1)))
    felt = felt / (1.0 - draw.uniform(0.3, 1.2, (size, 1)) * head / s.duct.area)
    if not vane:
        felt = felt * s.weather.density[:, None] / 1.204
    seen = shown(s, felt, 0.0)
    places = tuple(_every_place(cell, layout))
    return [
        anemometer_traverse(
            AnemometerTraverse(
                s.duct,
                Readings(tuple(rows), s.meter.known[i], "anemometer", places),
                cell.signal,
                s.air[i],
                cell.rule,
                head_area=head,
                upstream=float(s.field.upstream[i, 0]),
                downstream=float(s.field.downstream[i, 0]),
                integration_corrected=cell.corrected,
            )
        )
        for i, rows in enumerate(seen.tolist())
    ]


HEAD = 8e-4
"""m2 of a small vane's head and stem."""


def centreline(draw: Generator, cell: Cell, s: Setting) -> list[MethodResult]:
    """Readings at the axis one after the other, found within 1 cm (practice)."""
    size, count = len(s.flow), cell.runs
    x, y = (np.repeat(0.01 * draw.standard_normal((size, 1)), count, axis=1) for _ in range(2))
    gaps = np.repeat(draw.uniform(8.0, 15.0, (size, 1)), count, axis=1)
    whole = s.unsteady.wander * ducts.correlated(draw, gaps / s.unsteady.wander_time)
    window = draw.uniform(3.0, 8.0, (size, 1))
    local = ducts.averaged_share(s.unsteady.time_scale, window) * draw.standard_normal((size, count))
    zero = zero_path(draw, s, count)
    seen = shown(s, pressure_at(draw, s, x, y, whole, local), zero[:, 1:-1])
    ends = shown(s, np.zeros((size, 2)), zero[:, [0, -1]])
    return [
        centreline_reading(
            CentrelineReading(
                s.duct,
                tuple(rows),
                s.meter.known[i],
                s.air[i],
                zero_before=float(ends[i, 0]),
                zero_after=float(ends[i, 1]),
                upstream=float(s.field.upstream[i, 0]),
                downstream=float(s.field.downstream[i, 0]),
            )
        )
        for i, rows in enumerate(seen.tolist())
    ]


SAMPLES = 60


def swept(draw: Generator, cell: Cell, s: Setting) -> list[MethodResult]:
    """Steady sweeps of 20 to 40 s, ends 5 to 15 mm off the walls, speed uneven by some 10 % (practice).

    One hand makes all of them: half of its unevenness is a habit, and half of the ends' places are, a tenth
    by the probe's head and four tenths alike at all near walls and at all far ones (this project's own).
    """
    size = len(s.flow)
    turn = np.array([0.5, 0.0]) * np.pi
    if s.duct.shape is Shape.ROUND:
        lines, fixed = 2, np.zeros(2)
    else:
        layout = make_layout(s.duct, cell.rule)
        lines, fixed = len(layout.holes), np.array([h.position for h in layout.holes]) - s.duct.width / 2.0
    count = lines * cell.runs
    duration = draw.uniform(20.0, 40.0, (size, 1))
    step = duration / SAMPLES
    part = (np.arange(SAMPLES) + 0.5) / SAMPLES
    uneven = 0.1 * with_habits(draw, (size, count, 1), (0.5, (size, 1, 1)))
    along = part + uneven * np.sin(2.0 * np.pi * part) / (2.0 * np.pi)
    ends = with_habits(draw, (size, count, 2), (0.1, (size, 1, 1)), (0.4, (size, 1, 2)))
    gap = 0.005 + 0.01 * ducts.normal_cdf(ends)
    chord = np.tile(_chords(s.duct, fixed), cell.runs)[None, :, None]
    inside = chord - gap.sum(axis=2, keepdims=True)
    y = (gap[:, :, :1] + inside * along - chord / 2.0).reshape(size, -1)
    if s.duct.shape is Shape.ROUND:
        angle = np.repeat(np.tile(turn, cell.runs), SAMPLES)
        x, y = y * np.cos(angle), y * np.sin(angle)
    else:
        off = np.tile(0.003 * draw.standard_normal((size, lines)), (1, cell.runs))
        x = np.repeat(np.tile(fixed, cell.runs)[None, :] + off, SAMPLES, axis=1)
    gaps = np.repeat(step, count * SAMPLES, axis=1)
    gaps[:, SAMPLES::SAMPLES] += draw.uniform(8.0, 20.0, (size, 1))
    whole = s.unsteady.wander * ducts.correlated(draw, gaps / s.unsteady.wander_time)
    noise = ducts.correlated(draw, gaps / s.unsteady.time_scale)
    local = ducts.averaged_share(s.unsteady.time_scale, step) * noise
    zero = zero_path(draw, s, count * SAMPLES)
    seen = shown(s, pressure_at(draw, s, x, y, whole, local), zero[:, 1:-1]).reshape(size, count, SAMPLES)
    off_zero = shown(s, np.zeros((size, 2)), zero[:, [0, -1]]).mean(axis=1)
    inputs = []
    for i in range(size):
        times = tuple((float(step[i, 0]) * np.arange(1, SAMPLES + 1)).tolist())
        inputs.append(
            SweptTraverse(
                s.duct,
                lines,
                tuple(_sweep(cell, n % lines + 1, n // lines + 1, times, seen[i, n]) for n in range(count)),
                Signal.PRESSURE,
                s.meter.known[i],
                s.air[i],
                cell.rule,
                zero=float(off_zero[i]),
                upstream=float(s.field.upstream[i, 0]),
                downstream=float(s.field.downstream[i, 0]),
                integration_corrected=cell.corrected,
            )
        )
    return [swept_traverse(one) for one in inputs]


def with_habits(draw: Generator, each: tuple[int, ...], *habits: tuple[float, tuple[int, ...]]) -> Array:
    """Standard normals (each), of which habits hold some shares of the variance in common.

    A hand does alike what it does again: habits are (share, shape), the shape 1 where they are common.
    """
    own = 1.0 - sum(share for share, _ in habits)
    parts = [math.sqrt(share) * draw.standard_normal(shape) for share, shape in (*habits, (own, each))]
    return np.asarray(sum(parts))


def _chords(duct: Duct, x: Array) -> Array:
    """m between the walls along lines at x from the middle; shorter in the curved ends of a flat oval."""
    if duct.shape is not Shape.FLAT_OVAL:
        return np.full(len(x), duct.depth)
    radius = duct.depth / 2.0
    beyond = np.maximum(np.abs(x) - (duct.width / 2.0 - radius), 0.0)
    return np.asarray(2.0 * np.sqrt(radius * radius - beyond * beyond))


def _sweep(cell: Cell, line: int, run: int, times: tuple[float, ...], samples: Array) -> Sweep:
    if cell.series:
        return Sweep(line, run, times, tuple(samples.tolist()))
    return Sweep(line, run, mean=float(samples.mean()), duration=times[-1])


SLOW = (2.0, 10.0)
PLAIN = "plain mean (setting off)"
"""A row for comparison: places' known bias left in the figure, as published rules have it. Not a goal."""


def cells() -> list[Cell]:
    """Every row of the table: the house's default first (known bias of places taken off), then the rest."""
    return [cell for plane in PlaneClass for cell in (*_pitot_cells(plane), *_other_cells(plane))]


def _pitot_cells(plane: PlaneClass) -> list[Cell]:
    rect, circle, oval = Shape.RECTANGULAR, Shape.ROUND, Shape.FLAT_OVAL
    log_t, log_l, equal = Rule.LOG_TCHEBYCHEFF, Rule.LOG_LINEAR, Rule.EQUAL_AREA
    many = [
        ("rectangular, log-Tchebycheff", rect, log_t),
        ("rectangular, equal area", rect, equal),
        ("round, log-linear", circle, log_l),
        ("round, log-Tchebycheff", circle, log_t),
        ("round, equal area", circle, equal),
        ("flat oval, equal area", oval, equal),
    ]
    found = [Cell(f"pitot, {name}, 2 runs", plane, shape, rule, 2, pitot) for name, shape, rule in many]
    found += [Cell(f"pitot, {name}, 1 run", plane, shape, rule, 1, pitot) for name, shape, rule in many[:3]]
    found += [
        Cell(f"pitot, {name}, 2 runs, pooled over the job", plane, shape, rule, 2, pitot, pooled=True)
        for name, shape, rule in (many[0], many[1], many[2])
    ]
    name, shape, rule = many[1]
    found.append(Cell(f"pitot, {name}, 2 runs, {PLAIN}", plane, shape, rule, 2, pitot, corrected=False))
    name = "axis, round, 3 readings (screening)"
    return [*found, Cell(name, plane, circle, log_l, 3, centreline, screening=True)]


def _other_cells(plane: PlaneClass) -> list[Cell]:
    rect, circle, oval, equal = Shape.RECTANGULAR, Shape.ROUND, Shape.FLAT_OVAL, Rule.EQUAL_AREA
    vane = partial(Cell, measure=anemometer, signal=Signal.VELOCITY, kinds=ducts.VANES, speeds=SLOW)
    thermal = partial(vane, signal=Signal.STANDARD_VELOCITY, kinds=ducts.THERMALS)
    sweeps = partial(Cell, plane=plane, rule=equal, measure=swept)
    return [
        vane("vane, rectangular, log-Tchebycheff, 2 runs", plane, rect, Rule.LOG_TCHEBYCHEFF, 2),
        vane("vane, rectangular, equal area, 2 runs", plane, rect, equal, 2),
        thermal("thermal, round, log-linear, 2 runs", plane, circle, Rule.LOG_LINEAR, 2),
        sweeps("swept, rectangular, series, 1 run", shape=rect, runs=1, series=True),
        sweeps("swept, rectangular, means, 2 runs", shape=rect, runs=2),
        sweeps("swept, rectangular, means, 1 run", shape=rect, runs=1),
        sweeps("swept, flat oval, series, 1 run", shape=oval, runs=1, series=True),
        sweeps("swept, flat oval, means, 2 runs", shape=oval, runs=2),
        sweeps("swept, round, series, 1 run", shape=circle, runs=1, series=True),
        sweeps("swept, round, means, 2 runs", shape=circle, runs=2),
        sweeps(
            f"swept, rectangular, series, 1 run, {PLAIN}", shape=rect, runs=1, series=True, corrected=False
        ),
        sweeps(f"swept, round, series, 1 run, {PLAIN}", shape=circle, runs=1, series=True, corrected=False),
    ]
