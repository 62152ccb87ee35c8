"""Flow by a pitot-static traverse, and the screening figure from one reading at the axis.

Sources: ISO 3966 and ANSI/ASHRAE 111 (method), JCGM 100:2008 (uncertainty, H.5 for runs), AMCA 203
(distribution). What is common to all points (calibration, zero, density, area) stays common.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from .conditions import Air, AirState, resolve_air
from .duct import Duct, Shape
from .errors import Refused, all_finite, finite, not_negative, positive
from .instrument import Instrument
from .integration import IntegrationSource, integration_estimate, left_in_u
from .layout import (
    EXPONENTS,
    Layout,
    Plane,
    PlaneFigures,
    Provenance,
    flattest_power,
    make_layout,
    pattern_biases,
    plane_quality,
    wall_powers,
)
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
from .remarks import (
    distribution_share,
    plane_remarks,
    pressure_remarks,
    reading_remarks,
    run_remarks,
    zero_remarks,
)
from .trace import Formula
from .uncertainty import Effect, Values, propagate
from .variance import RunSpread, spread_of_runs
from .version import CALCULATION_VERSION

INTEGRATION_FLOOR = 0.002
"""Least standard uncertainty of a layout's mean, as a fraction (practice)."""
UNSEEN = {Shape.RECTANGULAR: 0.7, Shape.FLAT_OVAL: 0.35}
"""How much the structure of a profile between the points weighs against what its points show (this project's
own). Computed for structure without a preferred place that hangs together over an eighth to a third of the
duct (`tests/calc/test_traverse.py` does it again): 0.25 to 0.9 for a grid crowded to the walls, 0.2 to 0.4
in a flat oval. Each figure lies in the upper part of its range, not beyond."""
UNSEEN_EVEN = 0.28
"""The same for a grid of equal areas in a rectangle: computed 0.1 to 0.3. It is the midpoint rule in both
directions, and misses less than one crowded to the walls."""
UNSEEN_ROUND = {2: 0.2, 3: 0.1}
"""The same for each point on a diameter, by the number of diameters: computed 0.15 to 0.28 and 0.05 to 0.14.
More points on the same diameters see the same structure again and nothing of what lies between them."""
POINT_PLANE = PlaneFigures(
    "this project's own: what turned and turbulent flow does to a tube; unevenness shows in the readings",
    Provenance.OWN,
    good=0.0018,
    bare=0.019,
    after=0.005,
    unknown=0.014,
    uneven=0.03,
    fading=2.5,
)
"""What a plane costs beyond the unevenness that a traverse itself sees: swirl makes a tube read the whole
velocity instead of its axial part (1 / cos - 1: 0.4 % at 5 degrees, 1.5 % at 10), of which a standard tube
that is turned itself gives up about a sixth (ISO 3966, from memory); turbulence of 5 to 10 % adds 0.1 to
0.5 %. Both are one-sided and not corrected; their root mean square counts (GUM F.2.4.5). Both go with the
square of something that falls in proportion to what is left of it: angles behind a bend halve within 3 to 6
diameters (texts, from memory), their squares in half of that. A straight line from a bare plane to a good one
is too much at two diameters and too little at seven. What is left far from any disturbance is turbulence of
3 to 6 % (0.05 to 0.2 %) and swirl of one or two degrees."""
ONE_SIDED = 0.8
"""Mean over root mean square of what swirl and turbulence add: of one sign, from nearly nothing to twice the
mean (this project's own; 0.87 if all sizes were alike)."""
UNSTEADY = 0.03
"""What turbulence and the placing of the tip move one reading by, as a fraction of its velocity, where no
second run tells it: 5 to 10 % of turbulence, averaged for some seconds (this project's own)."""
LEFT_IN = "Bias of equal weights, left in"
"""The effect of a told bias that stays in the figure."""
LARGE_BIAS = 0.01
"""A rule's own bias above this fraction is told and stands in the budget by itself (this project's own)."""
INTEGRATION_UNKNOWN = 0.02
"""Standard uncertainty of the placing when the points follow no stated layout (practice)."""
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
    lengths at the plane. run_repeatability: relative standard deviation of one run's mean (u, dof; its value
    counts for nothing) from other planes of the job (`pooled_repeatability`); joined with what this plane's
    own runs show. integration_corrected: take the rule's own bias, where it is above 1 %, off the mean
    (equal areas read some 3 % high in a rectangle) instead of leaving it in with a wider interval, as
    published rules do.
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
    run_repeatability: Estimate | None = None
    integration_corrected: bool = False


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
    plane = point_plane(inputs.duct, inputs.upstream, inputs.downstream, taken.values)
    placing = _placing(inputs, layout, _place_roots(places, taken), spread, plane)
    missing = _missing(layout, places)
    effects = [
        *_reading_effects(inputs, taken, spread),
        *_unsteady_effects(inputs, spread),
        *_placing_effects(inputs, layout, plane, placing, missing),
        Effect("Compressibility", "velocity_factor", taken.compressibility / math.sqrt(3.0), Sharing.COMMON),
        *common_effects(inputs.probe, inputs.allowances, air),
    ]
    factor = placing.factor(inputs.integration_corrected)
    identity = digest("pitot_traverse", inputs, CALCULATION_VERSION)
    model = pitot_model(inputs.duct.shape, air.model.function)
    values = {
        **_pressure_values(places, taken),
        **common_values(inputs.duct, inputs.probe, air, inputs.standard_density),
        "velocity_factor": factor,
    }
    effects += _bias_effects(inputs, placing, model, values, effects)
    found = solve(model, values, effects, identity, bounded=True)
    speed = inputs.probe.value / math.sqrt(air.density)
    mean = found["velocity"].value / factor
    points = _points(places, layout, taken, speed, mean)
    labels = [_place_label(layout, r.hole, r.row) for r in inputs.readings]
    remarks = [
        *air.remarks,
        *pressure_remarks(taken, inputs.limits, found["velocity"].value, labels),
        *zero_remarks(inputs.zero_before, inputs.zero_after, taken, inputs.instrument, inputs.limits),
        *reading_remarks(inputs.instrument, taken.outside_certificate, taken.outside_range, labels),
        *_layout_remarks(inputs, layout, places, missing),
        *_bias_remarks(inputs, placing),
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
        runs=tuple(_run_figure(inputs, n, factor * speed * m) for n, m in spread.means),
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


def _reading_effects(inputs: PitotTraverse, taken: Pressures, spread: RunSpread) -> list[Effect]:
    """The readings' own effects; what repeats show is not counted again from the scatter of the display."""
    repeated = spread.point_dof > 0 or inputs.run_repeatability is not None
    return [e for e in taken.effects if not (repeated and e.name == FLUCTUATION)]


def run_effects(spread: RunSpread) -> list[Effect]:
    """Fluctuation pooled over the points, and what whole runs differ by beyond it (GUM H.5)."""
    return [*fluctuation_effects(spread), *repeatability_effects(spread)]


def fluctuation_effects(spread: RunSpread) -> list[Effect]:
    """Fluctuation pooled over the points, where runs show it."""
    u, dof, common = spread.point_u, spread.point_dof, Sharing.COMMON
    return [Effect("Fluctuation between runs", "velocity_factor", u, common, dof)] if dof > 0 else []


def repeatability_effects(spread: RunSpread) -> list[Effect]:
    """What whole runs differ by beyond their points, where there are several."""
    u, dof, common = spread.run_u, spread.run_dof, Sharing.COMMON
    return [Effect("Repeatability of runs", "velocity_factor", u, common, dof)] if dof > 0 else []


def pooled_repeatability(runs: Sequence[Sequence[float]]) -> Estimate | None:
    """Relative standard deviation of one run's mean, pooled over planes; its degrees of freedom.

    runs: for each plane the means or flows of its runs. Planes with one run tell nothing; None without any
    other. Errors: Refused (not finite, a plane whose runs' mean is not above zero).
    """
    square, dof = 0.0, 0
    for i, means in enumerate(runs):
        if len(means) < 2:
            continue
        all_finite(f"runs[{i}]", means)
        mean = positive(f"runs[{i}]", math.fsum(means) / len(means))
        square += math.fsum((m / mean - 1.0) ** 2 for m in means)
        dof += len(means) - 1
    return Estimate(1.0, math.sqrt(square / dof), float(dof)) if dof else None


def pooled_run_effect(spread: RunSpread, others: Estimate) -> Effect:
    """Repeatability of runs from other planes and this one's own runs, each by its degrees of freedom.

    What repeats is the mean of a run, with whatever moves it: fluctuation of the points is in it.
    """
    u, dof = not_negative("run_repeatability.u", others.u), positive("run_repeatability.dof", others.dof)
    means = [m for _, m in spread.means]
    own = pooled_repeatability([means]) if math.fsum(means) > 0.0 else None
    if own is not None and math.isfinite(dof):
        u = math.sqrt((dof * u * u + own.dof * own.u * own.u) / (dof + own.dof))
        dof += own.dof
    name, share = "Repeatability of runs, pooled", u / math.sqrt(max(len(means), 1))
    return Effect(name, "velocity_factor", share, Sharing.COMMON, dof)


def _unsteady_effects(inputs: PitotTraverse, spread: RunSpread) -> list[Effect]:
    """What the flow did around its mean: from the job's planes, from this plane's runs, or an allowance."""
    if inputs.run_repeatability is not None:
        return [pooled_run_effect(spread, inputs.run_repeatability)]
    if spread.run_dof > 0:
        return run_effects(spread)
    u = not_negative("single_run", inputs.allowances.single_run)
    return [Effect("Single run (allowance)", "velocity_factor", u, Sharing.COMMON)]


def point_plane(
    duct: Duct, upstream: float | None, downstream: float | None, pressures: Sequence[float]
) -> Plane:
    """The plane of a traverse by points, judged with its readings (`POINT_PLANE`)."""
    share = distribution_share(pressures) if len(pressures) > 1 else None
    return plane_quality(duct, upstream, downstream, distribution=share, figures=POINT_PLANE)


@dataclass(frozen=True, slots=True)
class Unsteady:
    """What moves one reading of a velocity: u as a fraction of their mean, its degrees of freedom.

    counted: whether a budget counts it elsewhere (repeats or scatter told it), or nothing but the points'
    residuals tells it.
    """

    u: float
    dof: float = math.inf
    counted: bool = True

    def parts(self, residual: float, free: float) -> tuple[float, float]:
        """Squares of chance (that nothing else counts) and of structure in a squared residual.

        free: degrees of freedom of the residual. A difference of two estimates that is cut off at nothing is
        too large on average; structure is what lies more than the difference's standard error beyond.
        """
        explained = self.u**2
        if self.counted:
            explained *= 1.0 + math.sqrt(2.0 / free + 2.0 / self.dof)
        structure = max(residual - explained, 0.0)
        return (0.0 if self.counted else residual - structure), structure


STEADY = Unsteady(0.0)


@dataclass(frozen=True, slots=True)
class Placing:
    """What the points' mean errs by: bias, standard uncertainty of it (fractions), degrees of freedom."""

    bias: float
    u: float
    dof: float

    @property
    def told(self) -> bool:
        """Whether the bias is large enough to be named."""
        return abs(self.bias) > LARGE_BIAS

    def factor(self, corrected: bool) -> float:
        """What the points' mean is multiplied by. Only a bias that is told is taken off.

        Rules made for wall laws (log-Tchebycheff, log-linear) err by less, now high, now low: the middle of
        such a range is not known better than zero, and their plain mean stands.
        """
        return 1.0 / (1.0 + self.bias) if corrected and self.told else 1.0

    def u_beside(self, plane: float = 0.0) -> float:
        """Standard uncertainty of its row in a budget: with the bias, where that is too small to be told."""
        return self.u if self.told else self.u_uncorrected(plane)

    def u_uncorrected(self, plane: float = 0.0) -> float:
        """Standard uncertainty where a small bias is left in the result, as the rules' plain mean does.

        plane: root mean square of what the plane adds, of one sign: its mean adds to a bias of the same sign,
        and the square of a sum is more than the sum of squares (GUM F.2.4.5).
        """
        both = 2.0 * max(self.bias, 0.0) * ONE_SIDED * plane
        return math.sqrt(self.bias**2 + self.u**2 + both)


def _placing_effects(
    inputs: PitotTraverse, layout: Layout | None, plane: Plane, placing: Placing, missing: Sequence[str]
) -> list[Effect]:
    common, given = Sharing.COMMON, inputs.allowances.plane
    plane_u = plane.relative_u if given is None else not_negative("plane", given)
    u = placing.u_beside(plane_u if given is None else 0.0)
    effects = [
        Effect("Number and placing of points", "velocity_factor", u, common, placing.dof),
        Effect("Measuring plane", "velocity_factor", plane_u, common),
    ]
    if missing and layout:
        u = MISSING_SPREAD * len(missing) / len(layout.points)
        effects.append(Effect("Missing points", "velocity_factor", u, common))
    return effects


def _bias_effects(
    inputs: PitotTraverse, placing: Placing, model: Formula, values: Values, others: Sequence[Effect]
) -> list[Effect]:
    """A large bias that is left in the figure, as what keeps the interval true (`left_in_u`)."""
    if not placing.told or inputs.integration_corrected:
        return []
    rest = propagate(model, values, others, name="", unit="", output="velocity", digest="")
    s = rest.u / rest.value if rest.value else 0.0
    u = left_in_u(placing.bias, s)
    return [Effect(LEFT_IN, "velocity_factor", u, Sharing.COMMON)]


def _bias_remarks(inputs: PitotTraverse, placing: Placing) -> list[Remark]:
    if not placing.told:
        return []
    numbers = {"bias": placing.bias, "u": placing.u, "corrected": float(inputs.integration_corrected)}
    return [Remark(Code.INTEGRATION_BIAS, numbers)]


def point_placing(
    layout: Layout,
    velocities: Mapping[Place, float],
    unsteady: Unsteady = STEADY,
    *,
    flattest: float = EXPONENTS[-1],
) -> Placing:
    """Integration error of the plain mean of a traverse: the rule's own, and what structure adds.

    velocities: by (hole, row) in any unit proportional to them. unsteady: what moves one of them from reading
    to reading. flattest: power 1/n of the flattest profile to reckon with (`flattest_power`).

    The rule's own error lies within what it errs by on wall laws with powers from 1/5 to 1/10 (in a rectangle
    both of the product of the distances and of the nearest wall): the middle is the bias; the half width
    counts as rectangular, in a rectangle as triangular, as two extremes must meet there (GUM 4.3.9).
    Where the flow has not had the length to develop, profiles are flatter and the powers go on: what a rule
    for developed profiles would take off is too much there. It is triangular in every shape then, as rough
    walls and length (or smooth walls and none) must meet at either end.
    Structure shows in how far the points lie from a smooth profile (`integration_estimate`); what n points
    miss of it is as large as n points miss by chance, times UNSEEN. The smooth profile's own mean is not
    used: near walls it is extrapolated, and in skewed flows it errs by more than the plain mean does. Without
    a smooth profile the estimate's own uncertainty stands for structure.
    The residuals of readings hold unsteadiness too. As far as that explains them it is no structure: it goes
    into the mean of n points as chance does, once, here or where it is counted.
    """
    rule = rule_placing(layout, flattest)
    bias, own = rule.bias, rule.u
    found = integration_estimate(layout, velocities)
    if found.source is not IntegrationSource.PROFILE:
        return Placing(bias, math.hypot(own, found.u), found.dof)
    free = max(found.points - PROFILE_TERMS, 1.0)
    chance, structure = unsteady.parts(found.residual**2, free)
    square = (structure * _unseen(layout) ** 2 + chance) / found.points
    u = math.sqrt(own * own + square)
    return Placing(bias, u, free * (u * u / square) ** 2 if square else math.inf)


def rule_placing(layout: Layout, flattest: float = EXPONENTS[-1]) -> Placing:
    """The rule's own error on wall laws, as `point_placing` says, before any reading."""
    low, high = _pattern_range(layout, flattest)
    triangular = layout.duct.shape is Shape.RECTANGULAR or flattest > EXPONENTS[-1]
    half = 0.5 * (high - low) / math.sqrt(6.0 if triangular else 3.0)
    return Placing(0.5 * (low + high), max(INTEGRATION_FLOOR, half), math.inf)


PROFILE_TERMS = 9.0
"""About as many coefficients as a smooth profile takes from the points."""


@lru_cache(maxsize=1024)
def _pattern_range(layout: Layout, flattest: float) -> tuple[float, float]:
    """Least and largest bias of the points' mean on wall laws."""
    exponents = wall_powers(flattest)
    biases = [*pattern_biases(layout.duct, layout.points, exponents)]
    if layout.duct.shape is Shape.RECTANGULAR:
        biases += [nearest_wall_bias(layout, 1.0 / n) for n in exponents]
    return min(biases), max(biases)


def _unseen(layout: Layout) -> float:
    if layout.duct.shape is Shape.ROUND:
        return UNSEEN_ROUND[len(layout.holes)] * layout.rows
    even = layout.duct.shape is Shape.RECTANGULAR and layout.rule is Rule.EQUAL_AREA
    return UNSEEN_EVEN if even else UNSEEN[layout.duct.shape]


def nearest_wall_bias(layout: Layout, power: float) -> float:
    """Bias on v = (distance to the nearest wall)^power of a rectangle."""
    a, b = layout.duct.width / 2.0, layout.duct.depth / 2.0
    short, long = min(a, b), max(a, b)
    near = [min(a - abs(p.x - a), b - abs(p.y - b)) / short for p in layout.points]
    true = ((short + long) / (power + 1.0) - 2.0 * short / (power + 2.0)) / long
    return math.fsum(d**power for d in near) / len(near) / true - 1.0


def _placing(
    inputs: PitotTraverse,
    layout: Layout | None,
    roots: Mapping[Place, float],
    spread: RunSpread,
    plane: Plane,
) -> Placing:
    if inputs.allowances.integration is not None:
        return Placing(0.0, not_negative("integration", inputs.allowances.integration), math.inf)
    if layout is None:
        return Placing(0.0, INTEGRATION_UNKNOWN, math.inf)
    return point_placing(layout, roots, _unsteady(inputs, roots, spread), flattest=flattest_power(plane))


def _unsteady(inputs: PitotTraverse, roots: Mapping[Place, float], spread: RunSpread) -> Unsteady:
    if spread.point_dof > 0:
        return Unsteady(spread.point_u * math.sqrt(len(roots)), spread.point_dof)
    scatter = _scatter(inputs, roots)
    return Unsteady(scatter) if scatter else Unsteady(UNSTEADY, counted=inputs.run_repeatability is not None)


def _scatter(inputs: PitotTraverse, roots: Mapping[Place, float]) -> float:
    """Root mean square of what the display's scatter leaves in the points' velocities, over their mean."""
    square = 0.0
    for r in inputs.readings:
        root = roots[(r.hole, r.row)]
        if r.scatter and root > 0.0:
            square += (r.scatter / math.sqrt(max(r.samples, 1)) / root) ** 2
    mean = math.fsum(roots.values()) / len(roots)
    return math.sqrt(square / len(inputs.readings)) / mean if mean > 0.0 else 0.0


def _run_figure(inputs: PitotTraverse, run: int, velocity: float) -> RunFigure:
    return RunFigure(run, velocity, velocity * inputs.duct.area)


def _place_roots(places: Mapping[Place, Sequence[int]], taken: Pressures) -> dict[Place, float]:
    return {p: math.fsum(taken.roots[i] for i in members) / len(members) for p, members in places.items()}


def _missing(layout: Layout | None, places: Container[Place]) -> tuple[str, ...]:
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
