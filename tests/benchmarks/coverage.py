"""Do the intervals hold the true flow? Invented ducts, measured by every traverse method, counted.

Run: python -m tests.benchmarks.coverage [--sessions N] [--quick] [--processes N] [--out FILE]. Every session
is drawn from `ducts` and computed by `measurements.calc` from the inputs that the house would build. Printed
for each method and class of plane: the share of 95.45 % intervals that hold the true flow, its sampling
error, and how wide the intervals are against the errors: mean U over the 95.45 % quantile of |error|.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from measurements.calc import (
    Air,
    Duct,
    PitotTraverse,
    PointReading,
    Rule,
    Shape,
    Signal,
    Sweep,
    SweptTraverse,
    make_layout,
    pitot_traverse,
    swept_traverse,
)
from measurements.calc.distributions import COVERAGE
from measurements.calc.method import MethodResult

from . import ducts
from .ducts import Array, Field, Generator, Meter, PlaneClass, Unsteady, Weather

SEED = 20_200
GOOD_SHARE = (0.945, 0.97)
WIDEST = 1.3
MANY_DOF = 10.0


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

    pooled: repeatability of runs is taken from the other planes of the job as well.
    """

    method: str
    plane: PlaneClass
    shape: Shape
    rule: Rule
    runs: int
    measure: Callable[[Generator, Cell, Setting], list[MethodResult]]
    pooled: bool = False
    series: bool = False

    @property
    def name(self) -> str:
        """Method and class."""
        return f"{self.method}, {self.plane.value}"


PLANES_A_JOB = 9


def draw_setting(draw: Generator, cell: Cell, duct: Duct, size: int) -> Setting:
    """Flows, air, instrument and tube of S sessions at one duct.

    Speed 4 to 14 m/s: where a pitot-static tube is used. Standard tube: factor 1.00 with the 0.5 % that the
    register states. It is turned out of the duct's axis by some 3 degrees, the same way all along, and 1.5
    more from point to point (practice); its pressure then changes by -2 to +1 % at 10 degrees and with the
    square of the angle (shapes of ISO 3966, from memory). The tape: 0.7 mm that all sides share and 0.7 mm of
    each side's own (practice).
    """
    speed = np.exp(draw.uniform(math.log(4.0), math.log(14.0), size))[:, None]
    field = ducts.draw_field(draw, duct, cell.plane, speed)
    jobs = -(-size // PLANES_A_JOB) if cell.pooled else size
    unsteady = ducts.draw_unsteady(draw, cell.plane, jobs)
    if cell.pooled:
        unsteady = Unsteady(*(np.repeat(getattr(unsteady, n), PLANES_A_JOB, 0)[:size] for n in UNSTEADY))
    weather = ducts.draw_weather(draw, size)
    kind = ducts.MANOMETERS[int(draw.integers(0, len(ducts.MANOMETERS)))]
    meter = ducts.draw_meters(draw, kind, size, 1.0, zeroed=True)
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


def shown(s: Setting, pressure: Array, zero: Array) -> Array:
    """What the display says."""
    step = s.meter.known[0].resolution
    return np.round((s.meter.shows(pressure) + zero) / step) * step


def pitot(draw: Generator, cell: Cell, s: Setting) -> list[MethodResult]:
    """A traverse point by point: 3 to 8 s of averaging at a point, a point each 8 to 15 s, 1 to 5 minutes
    between runs. Depths are off by 2 mm, holes by 3 mm (standard deviations; practice).
    """
    size, layout = len(s.flow), make_layout(s.duct, cell.rule)
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
    zero = zero_path(draw, s, count)
    seen = shown(s, pressure_at(draw, s, x, y, whole, local), zero[:, 1:-1])
    ends = shown(s, np.zeros((size, 2)), zero[:, [0, -1]])
    inputs = []
    for i in range(size):
        rows = seen[i].tolist()
        readings = tuple(
            PointReading(p.hole + 1, p.row, rows[run * places + n], run + 1)
            for run in range(cell.runs)
            for n, p in enumerate(points)
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
            )
        )
    return [pitot_traverse(one) for one in inputs]


SAMPLES = 60


def swept(draw: Generator, cell: Cell, s: Setting) -> list[MethodResult]:
    """Steady sweeps of 20 to 40 s, ends 5 to 15 mm off the walls, speed uneven by some 10 % (practice)."""
    size = len(s.flow)
    if s.duct.shape is Shape.ROUND:
        lines, turn = 2, np.array([0.5, 0.0]) * np.pi
        fixed = np.zeros(2)
    else:
        layout = make_layout(s.duct, cell.rule)
        lines, fixed = len(layout.holes), np.array([h.position for h in layout.holes]) - s.duct.width / 2.0
    count = lines * cell.runs
    duration = draw.uniform(20.0, 40.0, (size, 1))
    step = duration / SAMPLES
    part = (np.arange(SAMPLES) + 0.5) / SAMPLES
    uneven = 0.1 * draw.standard_normal((size, count, 1))
    along = part + uneven * np.sin(2.0 * np.pi * part) / (2.0 * np.pi)
    gap = draw.uniform(0.005, 0.015, (size, count, 2))
    inside = s.duct.depth - gap.sum(axis=2, keepdims=True)
    y = (gap[:, :, :1] + inside * along - s.duct.depth / 2.0).reshape(size, -1)
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
            )
        )
    return [swept_traverse(one) for one in inputs]


def _sweep(cell: Cell, line: int, run: int, times: tuple[float, ...], samples: Array) -> Sweep:
    if cell.series:
        return Sweep(line, run, times, tuple(samples.tolist()))
    return Sweep(line, run, mean=float(samples.mean()), duration=times[-1])


def cells() -> list[Cell]:
    """Every row of the table."""
    rect, circle, oval = Shape.RECTANGULAR, Shape.ROUND, Shape.FLAT_OVAL
    found = []
    for plane in PlaneClass:
        found += [
            Cell("pitot, rectangular, log-Tchebycheff, 2 runs", plane, rect, Rule.LOG_TCHEBYCHEFF, 2, pitot),
            Cell("pitot, rectangular, log-Tchebycheff, 1 run", plane, rect, Rule.LOG_TCHEBYCHEFF, 1, pitot),
            Cell("pitot, rectangular, equal area, 2 runs", plane, rect, Rule.EQUAL_AREA, 2, pitot),
            Cell("pitot, round, log-linear, 2 runs", plane, circle, Rule.LOG_LINEAR, 2, pitot),
            Cell("pitot, round, log-Tchebycheff, 2 runs", plane, circle, Rule.LOG_TCHEBYCHEFF, 2, pitot),
            Cell("pitot, round, equal area, 2 runs", plane, circle, Rule.EQUAL_AREA, 2, pitot),
            Cell("pitot, flat oval, equal area, 2 runs", plane, oval, Rule.EQUAL_AREA, 2, pitot),
            Cell("swept, rectangular, series, 1 run", plane, rect, Rule.EQUAL_AREA, 1, swept, series=True),
            Cell("swept, rectangular, means, 2 runs", plane, rect, Rule.EQUAL_AREA, 2, swept),
            Cell("swept, rectangular, means, 1 run", plane, rect, Rule.EQUAL_AREA, 1, swept),
            Cell("swept, round, series, 1 run", plane, circle, Rule.EQUAL_AREA, 1, swept, series=True),
            Cell("swept, round, means, 2 runs", plane, circle, Rule.EQUAL_AREA, 2, swept),
        ]
    return found


@dataclass(frozen=True)
class Outcome:
    """What S sessions gave: relative error, relative U, degrees of freedom, each (S,)."""

    error: Array
    U: Array
    dof: Array


def measure(cell: Cell, index: int, duct_index: int, size: int, seed: int = SEED) -> Outcome:
    """Draw and compute the sessions of a cell at one of its ducts."""
    draw = np.random.default_rng([seed, index, duct_index])
    setting = draw_setting(draw, cell, ducts.DUCTS[cell.shape][duct_index], size)
    results = cell.measure(draw, cell, setting)
    value = np.array([r.flow.value for r in results])
    return Outcome(
        value / setting.flow - 1.0,
        np.array([r.flow.U for r in results]) / setting.flow,
        np.array([r.flow.dof for r in results]),
    )


@dataclass(frozen=True)
class Figure:
    """One row: share of intervals that hold the truth, its sampling error, widths and degrees of freedom."""

    cell: Cell
    sessions: int
    share: float
    sampling: float
    bias: float
    needed: float
    mean_u: float
    dof: float

    @property
    def width(self) -> float:
        """Mean U over what the errors need."""
        return self.mean_u / self.needed


def figure_of(cell: Cell, outcomes: Sequence[Outcome]) -> Figure:
    """The row of a cell from its ducts."""
    error, U, dof = (np.concatenate([getattr(o, n) for o in outcomes]) for n in ("error", "U", "dof"))
    share = float((np.abs(error) <= U).mean())
    sampling = math.sqrt(max(share * (1.0 - share), 1.0 / len(error)) / len(error))
    needed = float(np.quantile(np.abs(error), COVERAGE))
    return Figure(
        cell, len(error), share, sampling, float(error.mean()), needed, float(U.mean()), float(np.median(dof))
    )
