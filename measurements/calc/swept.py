"""Flow by sweeping a probe along lines across a duct, one timed average or time series a line.

Samples weigh by the time that they stand for, lines by the area that they stand for. A line's mean is taken
of velocities; when only an average pressure is known its root reads high and is corrected, with the doubt
carried in the budget. Sources: ISO 3966 for area and density, JCGM 100:2008 4.2 and H.5 for what repeats
tell; the treatment of averaging pressure, of round sweeps and of gaps at the walls is this project's own,
worked out on power-law profiles.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from .conditions import AirState, resolve_air
from .distributions import Distribution
from .duct import Duct, Shape
from .errors import Refused, finite, not_negative, positive
from .instrument import correct
from .integration import left_in_u
from .layout import (
    EXPONENTS,
    Plane,
    PlaneFigures,
    PlaneGrade,
    PlaneStep,
    Provenance,
    flattest_power,
    make_layout,
    pattern_biases,
    plane_quality,
    wall_powers,
)
from .method import (
    Code,
    MethodResult,
    PointVelocity,
    Remark,
    RunFigure,
    solve,
)
from .models import Signal, line_model
from .plan import Sharing
from .positions import Rule, side_fractions
from .records import digest
from .remarks import implausible, plane_remarks, reading_remarks, run_remarks
from .sweeps import LineAverage, SweptTraverse, average_line, pressure_average_bias
from .trace import Formula
from .traverse import (
    INTEGRATION_FLOOR,
    INTEGRATION_UNKNOWN,
    MISSING_SPREAD,
    POINT_PLANE,
    common_effects,
    common_values,
    nearest_wall_bias,
    run_effects,
)
from .uncertainty import Effect, Values, propagate
from .variance import RunSpread, SeriesA, spread_of_runs
from .version import CALCULATION_VERSION

UNKNOWN_GAP = (0.005, 0.015)
"""m, least and largest gap between the probe's axis and a wall at a sweep's ends when it is not told
(practice: half of a head, and a hand)."""
LARGE_BIAS = 0.01
"""A bias of lines and gaps above this fraction is told and stands in the budget by itself."""
AREA_SWEEP_U = 0.0085
"""Standard uncertainty, as a fraction, of weighing a sweep along a diameter by rings: a hand that is a tenth
quicker in the middle than at the walls, or slower, errs by up to 1.5 % on power laws (rectangular)."""
DIAMETER_PLANE = PlaneFigures(
    "this project's own: turned and turbulent flow, and the unevenness that two means along diameters hide",
    Provenance.OWN,
    unknown=0.025,
    steps=(
        PlaneStep(7.5, 3.0, 0.005),
        PlaneStep(6.0, 1.0, 0.009),
        PlaneStep(5.0, 1.0, 0.012),
        PlaneStep(4.0, 1.0, 0.016),
        PlaneStep(3.0, 1.0, 0.02),
        PlaneStep(2.0, 0.5, 0.032),
        PlaneStep(1.0, 0.5, 0.045),
        PlaneStep(0.0, 0.0, 0.06),
    ),
)
"""Skewed flow and wakes move the means of two diameters and do not show in them. They die away along the
duct in proportion to what is left of them, so that a step's figure halves within some two diameters; a
straight line between a bare and a good plane would be too much at five diameters, too little at two."""
UNEVEN_CV = math.sqrt(0.5 * (1.0 + 2.0**2))
"""In a poor plane skew and wakes spread the pressure along a line by up to twice what walls do: half above
the mean on one side and half below on the other is a deviation of 0.4. How much the root reads high goes with
its square; the middle of both squares is taken (this project's own)."""
ALLOWANCE_DOF = 2.0
"""Degrees of freedom of the allowance for a single sweep, once in a traverse."""
CALM = 0.7
"""Share of the allowance for a single sweep that a good plane costs: turbulence of 3 to 8 % there, up to 14 %
behind disturbances (texts, from memory), within a flow that wanders alike (this project's own). In sweeps of
20 to 40 s that leaves seven tenths; turbulence alone would leave less, but the flow wanders in good planes
too."""
FINE = 60
"""Points that stand for a whole line when its place is judged on power laws."""
LINE_REPEAT = 0.10
"""Repeated sweeps of one line agree within this share of their mean (a repeated reading in each hole: a trade
manual)."""


def swept_traverse(inputs: SweptTraverse) -> MethodResult:
    """Flow of a duct from sweeps along lines. Lines weigh equally (each stands for an equal area).

    In a round duct a steady sweep along a diameter spends too long near the axis: its samples weigh by rings,
    or without series its mean is multiplied by what power-law profiles ask for, about 0.93
    (`round_sweep_factor`; remark ROUND_SWEEP). The probe's axis never touches the walls, so that a sweep
    reads high: it is corrected for a gap that is told. What an untold gap and the places of the lines read
    high stays in the figure and in its uncertainty, unless it is to be corrected (remark INTEGRATION_BIAS).
    Means without series cost what an average of pressure and an unseen fluctuation may hide (remark
    NO_TIME_SERIES names it).
    Errors: Refused (as `pitot_traverse`; times that do not rise; nothing left after
    settling; a negative mean).
    """
    made = prepare(inputs)
    kept, spread = made.kept, made.spread
    identity = digest("swept_traverse", inputs, CALCULATION_VERSION)
    found = solve(made.model, made.values, made.effects, identity, bounded=True)
    velocity = found["velocity"].value
    speed = velocity / _mean(kept) if _mean(kept) else 0.0
    return MethodResult(
        method="swept_traverse",
        measurand="flow",
        results=found,
        standard_density=inputs.standard_density,
        area=inputs.duct.area,
        points=_line_velocities(inputs, kept, speed, velocity),
        runs=tuple(RunFigure(n, speed * m, speed * m * inputs.duct.area) for n, m in spread.means),
        remarks=(
            *made.air.remarks,
            *_sweep_remarks(inputs, made),
            *plane_remarks(made.plane),
            *run_remarks(spread, inputs.limits),
            *implausible(velocity, inputs.limits),
        ),
        verdict_allowed=True,
        density_model=made.air.model.name,
        digest=identity,
    )


@dataclass(frozen=True, slots=True)
class Prepared:
    """A swept traverse averaged line by line, with its model, the values and the effects on them."""

    air: AirState
    kept: tuple[LineAverage, ...]
    spread: RunSpread
    plane: Plane
    missing: tuple[int, ...]
    lines: LinesPlacing
    model: Formula
    values: dict[str, float | Sequence[float]]
    effects: tuple[Effect, ...]


def prepare(inputs: SweptTraverse) -> Prepared:
    """Everything of `swept_traverse` before its sums. Errors: Refused, as there."""
    positive("standard_density", inputs.standard_density)
    air = resolve_air(inputs.air)
    _check(inputs)
    judged = replace(inputs, pressure_cv=line_cv(inputs))
    kept = tuple(average_line(judged, s, f"sweeps[{i}]", air.pressure) for i, s in enumerate(inputs.sweeps))
    runs: dict[int, dict[int, float]] = {}
    for one in kept:
        runs.setdefault(one.sweep.run, {})[one.sweep.line] = one.value
    spread = spread_of_runs(dict(sorted(runs.items())))
    plane = swept_plane(inputs)
    missing = tuple(n for n in range(1, inputs.lines + 1) if all(s.line != n for s in inputs.sweeps))
    factor, factor_u = told_factor(inputs)
    lines = lines_placing(inputs)
    if inputs.integration_corrected and lines.told:
        factor /= 1.0 + lines.bias
    given = inputs.allowances.plane
    plane_u = plane.relative_u if given is None else not_negative("plane", given)
    effects = [
        *_line_effects(kept),
        *_type_a_effects(inputs, kept, spread),
        *_factor_effects(inputs, kept, factor_u, lines),
        Effect("Measuring plane", "velocity_factor", plane_u, Sharing.COMMON),
        *_missing_effects(len(missing) / inputs.lines),
        *common_effects(inputs.probe, inputs.allowances, air),
    ]
    values = {**_values(kept), **common_values(inputs.duct, inputs.probe, air, inputs.standard_density)}
    model = line_model(inputs.duct.shape, air.model.function, inputs.signal)
    values["velocity_factor"] = factor
    scaled = _of_factor(effects, factor)
    scaled += _of_factor(_left_in(inputs, lines, model, values, scaled), factor)
    return Prepared(air, kept, spread, plane, missing, lines, model, values, scaled)


def swept_plane(inputs: SweptTraverse) -> Plane:
    """The plane of a swept traverse. Lines, and rings along diameters, see a profile's unevenness as points
    do (`POINT_PLANE`); means along two diameters hide it (`DIAMETER_PLANE`).
    """
    hidden = inputs.duct.shape is Shape.ROUND and not inputs.by_area
    figures = DIAMETER_PLANE if hidden else POINT_PLANE
    return plane_quality(inputs.duct, inputs.upstream, inputs.downstream, figures=figures)


def _of_factor(effects: Iterable[Effect], factor: float) -> tuple[Effect, ...]:
    """Effects on the velocity's factor are fractions of the velocity: of the factor as it stands."""
    return tuple(
        replace(e, u=factor * e.u) if e.on == "velocity_factor" and isinstance(e.u, float) else e
        for e in effects
    )


def _check(inputs: SweptTraverse) -> None:
    if inputs.lines < 1 or not inputs.sweeps:
        raise Refused("sweeps", "need at least one line and one sweep")
    finite("zero", inputs.zero)
    not_negative("settling", inputs.settling or 0.0)
    not_negative("pressure_cv", inputs.pressure_cv)
    positive("probe", inputs.probe.value)
    seen: set[tuple[int, int]] = set()
    for i, s in enumerate(inputs.sweeps):
        if not 1 <= s.line <= inputs.lines or s.run < 1:
            raise Refused(
                f"sweeps[{i}].line", f"must be 1 to {inputs.lines}, in a run from 1", (s.line, s.run)
            )
        if (s.line, s.run) in seen:
            raise Refused(f"sweeps[{i}]", "is a second sweep of this line in the same run", (s.line, s.run))
        seen.add((s.line, s.run))


def _mean(kept: Sequence[LineAverage]) -> float:
    return math.fsum(w * k.value for w, k in zip(_weights(kept), kept, strict=True))


def _weights(kept: Sequence[LineAverage]) -> tuple[float, ...]:
    lines = {k.sweep.line for k in kept}
    times = {n: sum(k.sweep.line == n for k in kept) for n in lines}
    return tuple(1.0 / (len(lines) * times[k.sweep.line]) for k in kept)


def _values(kept: Sequence[LineAverage]) -> dict[str, float | Sequence[float]]:
    return {"line": tuple(k.value for k in kept), "line_weight": _weights(kept)}


def _line_effects(kept: Sequence[LineAverage]) -> list[Effect]:
    """The instrument's effects on the lines' means; resolution is each line's own."""
    names = dict.fromkeys(name for k in kept for name in k.u)
    return [
        Effect(
            name,
            "line",
            tuple(k.u.get(name, 0.0) for k in kept),
            Sharing.INDEPENDENT if name == "Resolution" else Sharing.COMMON,
            distribution=Distribution.NORMAL
            if name == "Calibration certificate"
            else Distribution.RECTANGULAR,
        )
        for name in names
    ]


def _type_a_effects(inputs: SweptTraverse, kept: Sequence[LineAverage], spread: RunSpread) -> list[Effect]:
    """From repeats where there are any, else from the series, else an allowance."""
    if spread.run_dof > 0:
        return run_effects(spread)
    series = [k.spread for k in kept if k.spread is not None]
    allowed = single_sweep(inputs)
    if len(series) == len(kept):
        share = ALLOWANCE_DOF / len(kept)
        series = [_with_allowance(k.spread, allowed * k.value, share) for k in kept if k.spread is not None]
        u = tuple(s.u for s in series)
        dof = _pooled_dof(_weights(kept), series)
        return [Effect("Fluctuation", "line", u, Sharing.INDEPENDENT, dof, Distribution.T)]
    return [Effect("Fluctuation (allowance)", "line", tuple(allowed * k.value for k in kept))]


def single_sweep(inputs: SweptTraverse) -> float:
    """Fluctuation of a sweep that nothing tells, as a fraction: the allowance, in a good plane CALM of it."""
    calm = swept_plane(inputs).grade is PlaneGrade.GOOD
    return not_negative("single_sweep", inputs.allowances.single_sweep) * (CALM if calm else 1.0)


def _with_allowance(series: SeriesA, allowed: float, known: float) -> SeriesA:
    """A series' own fluctuation pooled with the allowance for a sweep that has none.

    A slow flow or a wake leaves a short series one or two degrees of freedom, and an interval several times
    wider than without any series: what is known of sweeps beforehand is known still. It counts as known
    within half of itself, two degrees of freedom (GUM G.4.2; this project's own), which all sweeps share as
    they share the allowance: known is one sweep's part.
    """
    dof = series.dof + known
    square = (series.dof * series.u**2 + known * allowed**2) / dof
    return replace(series, u=math.sqrt(square), dof=dof)


def _pooled_dof(weights: Sequence[float], series: Sequence[SeriesA]) -> float:
    """Degrees of freedom that, given to every line, leave the sum of GUM G.4.1 as the lines' own make it."""
    fourth = [(w * s.u) ** 4 for w, s in zip(weights, series, strict=True)]
    own = math.fsum(f / s.dof for f, s in zip(fourth, series, strict=True))
    return math.fsum(fourth) / own if own > 0.0 else min(s.dof for s in series)


@dataclass(frozen=True, slots=True)
class LinesPlacing:
    """What the mean of lines reads high by their places and by gaps at the walls that are not told.

    bias, u: fractions, u of the bias. told: whether it is large enough to be named.
    """

    bias: float
    u: float

    @property
    def told(self) -> bool:
        """Whether the bias is named and stands in the budget by itself."""
        return abs(self.bias) > LARGE_BIAS


def told_factor(inputs: SweptTraverse) -> tuple[float, float]:
    """Factor on the mean of lines for a diameter and a gap that is told; its relative uncertainty."""
    duct, gap = inputs.duct, inputs.wall_gap or 0.0
    if _along_diameters(inputs):
        _check_gap(duct.width, gap)
        factor, _ = round_sweep_factor(2.0 * gap / duct.width, flattest=_flattest(inputs))
        middle, u = round_sweep_factor(2.0 * _usual_gap(inputs) / duct.width, flattest=_flattest(inputs))
        return factor, u / middle
    factor, u = wall_gap_factor(duct.depth, gap, inputs.by_area)
    return factor, math.hypot(u / factor, _hand_u(inputs) if inputs.by_area else 0.0)


def _hand_u(inputs: SweptTraverse) -> float:
    """A hand's uneven speed: half of its square is a habit, half each sweep's own (this project's own)."""
    return AREA_SWEEP_U * math.sqrt(0.5 + 0.5 / len(inputs.sweeps))


def lines_placing(inputs: SweptTraverse) -> LinesPlacing:
    """By power laws: the middle is the bias, the half width counts as rectangular.

    Powers 1/5 to 1/10; where the flow has not had the length to develop they go on and the range is
    triangular (`point_placing` says why). Along diameters one power decides of the factor 0.93 and of the
    gaps, and one power makes both extreme: their common range stands with the factor ("Sweep along a
    diameter"), here only what is not known of the gaps. Lines of no stated rule: `INTEGRATION_UNKNOWN`. A
    given integration uncertainty stands alone.
    """
    given = inputs.allowances.integration
    if given is not None:
        return LinesPlacing(0.0, not_negative("integration", given))
    exponents = wall_powers(_flattest(inputs))
    places = _line_biases(inputs, exponents)
    floor = INTEGRATION_FLOOR if places else INTEGRATION_UNKNOWN
    gaps, gap_u = _untold_gaps(inputs, exponents)
    if _along_diameters(inputs):
        factor, _ = told_factor(inputs)
        share = 2.0 * _usual_gap(inputs) / inputs.duct.width
        middle, _ = round_sweep_factor(share, flattest=_flattest(inputs))
        return LinesPlacing(factor / middle - 1.0, math.hypot(gap_u, floor))
    found = [(1.0 + a) * (1.0 + b) - 1.0 for a, b in zip(places or [0.0] * len(gaps), gaps, strict=True)]
    corners = _corner_biases(inputs, exponents)
    found += [(1.0 + a) * (1.0 + b) - 1.0 for a, b in zip(corners, gaps[: len(corners)], strict=True)]
    own = (
        0.5
        * (max(found) - min(found))
        / _divisor(triangular=bool(corners) or _flattest(inputs) > EXPONENTS[-1])
    )
    return LinesPlacing(0.5 * (max(found) + min(found)), math.hypot(own, gap_u, floor))


def _along_diameters(inputs: SweptTraverse) -> bool:
    """Whether the lines' means are those of diameters."""
    return inputs.duct.shape is Shape.ROUND and not inputs.by_area


def _flattest(inputs: SweptTraverse) -> float:
    return flattest_power(swept_plane(inputs))


def _divisor(*, triangular: bool) -> float:
    return math.sqrt(6.0 if triangular else 3.0)


def _usual_gap(inputs: SweptTraverse) -> float:
    """m, the gap that was told, or the middle of those that are usual."""
    if inputs.wall_gap is not None:
        return inputs.wall_gap
    return 0.5 * sum(min(g, 0.1 * inputs.duct.depth) for g in UNKNOWN_GAP)


def _untold_gaps(inputs: SweptTraverse, exponents: Sequence[float]) -> tuple[list[float], float]:
    """How much gaps that are not told read high on each power law, and their doubt (rectangular).

    Of the doubt's square a tenth is the head's, the same at every wall (it decides of 1 to 2 mm of the 10);
    four tenths are habits, one at the wall with the hole and one at the other, where a hand stops for other
    reasons; half is each end's own, of which a line has two (this project's own). The doubt is that at the
    middle of the powers: what another power makes of a gap is in their range.
    """
    if inputs.wall_gap is not None:
        return [0.0] * len(exponents), 0.0
    length = inputs.duct.depth
    least, most = (_gap_biases(length, min(g, 0.1 * length), inputs.by_area, exponents) for g in UNKNOWN_GAP)
    gaps = [0.5 * (a + b) for a, b in zip(least, most, strict=True)]
    doubts = [0.5 * (b - a) for a, b in zip(least, most, strict=True)]
    half = 0.5 * (max(doubts) + min(doubts))
    return gaps, half * math.sqrt((0.1 + 0.4 / 2.0 + 0.25 / inputs.lines) / 3.0)


def _factor_effects(
    inputs: SweptTraverse, kept: Sequence[LineAverage], factor_u: float, lines: LinesPlacing
) -> list[Effect]:
    """Averaging, the sweep's own factor, and the places of lines, as fractions of the velocity."""
    small = 0.0 if lines.told else lines.bias
    sweep = "Sweep along a diameter" if inputs.duct.shape is Shape.ROUND else "Gaps at the walls"
    parts = [
        (sweep, factor_u),
        ("Averaging of pressure", _averaging_u(inputs, kept)),
        ("Number and placing of lines", math.hypot(lines.u, small)),
    ]
    common, rectangular = Sharing.COMMON, Distribution.RECTANGULAR
    return [Effect(name, "velocity_factor", u, common, math.inf, rectangular) for name, u in parts if u > 0.0]


def _left_in(
    inputs: SweptTraverse, lines: LinesPlacing, model: Formula, values: Values, others: Sequence[Effect]
) -> list[Effect]:
    """A large bias that stays in the figure (`left_in_u`)."""
    if not lines.told or inputs.integration_corrected:
        return []
    rest = propagate(model, values, others, name="", unit="", output="velocity", digest="")
    s = rest.u / rest.value if rest.value else 0.0
    name = "Bias of lines and gaps, left in"
    return [Effect(name, "velocity_factor", left_in_u(lines.bias, s), Sharing.COMMON)]


def line_cv(inputs: SweptTraverse) -> float:
    """Relative standard deviation of the pressure along a line where no series tells it, by the plane."""
    poor = swept_plane(inputs).grade is PlaneGrade.POOR
    return inputs.pressure_cv * (UNEVEN_CV if poor else 1.0)


def _averaging_u(inputs: SweptTraverse, kept: Sequence[LineAverage]) -> float:
    """Of an average of pressure where no series tells what the root does, as a fraction of the velocity.

    From nothing to twice what is taken off.
    """
    if inputs.signal is not Signal.PRESSURE or all(k.sweep.samples for k in kept):
        return 0.0
    return pressure_average_bias(line_cv(inputs)) / math.sqrt(3.0)


def round_sweep_factor(open_share: float = 0.0, *, flattest: float = EXPONENTS[-1]) -> tuple[float, float]:
    """Mean over a circle, over the mean along its diameter: value and standard uncertainty.

    For v = (1 - r/R)^(1/n) the mean along the diameter is n / (n + 1) and over the circle
    2 n^2 / ((n + 1)(2 n + 1)), so their ratio is 2 n / (2 n + 1): 0.909 for n = 5 (rough walls, low Reynolds
    numbers), 0.933 for 7, 0.952 for 10 (smooth, high). The middle is taken, its limits as rectangular: 0.931.
    Where the flow has not had the length to develop profiles are flatter: with n up to 20 (0.976, behind a
    disturbance) the middle is 0.943, and the limits are triangular, as rough walls and length must meet at
    either end (this project's own). It holds for a steady speed from wall to wall. open_share: share of the
    diameter that the sweep leaves open at both walls together. flattest: the largest n (`flattest_power`).
    """
    exponents = wall_powers(flattest)
    biases = _gap_biases(1.0, 0.5 * open_share, by_area=False, exponents=exponents)
    ratios = [2.0 * n / (2.0 * n + 1.0) / (1.0 + b) for n, b in zip(exponents, biases, strict=True)]
    half = 0.5 * (max(ratios) - min(ratios))
    return 0.5 * (max(ratios) + min(ratios)), half / _divisor(triangular=flattest > EXPONENTS[-1])


def wall_gap_factor(length: float, gap: float, by_area: bool = False) -> tuple[float, float]:
    """Factor on the mean of a sweep that leaves `gap` m open at either wall, and its standard uncertainty.

    length: m between the walls. On power laws 1/5 to 1/10 the mean reads high; the middle is corrected, the
    range counts as rectangular. Errors: Refused (negative, a quarter of the length).
    """
    _check_gap(length, gap)
    factors = [1.0 / (1.0 + b) for b in _gap_biases(length, gap, by_area)]
    return 0.5 * (max(factors) + min(factors)), 0.5 * (max(factors) - min(factors)) / math.sqrt(3.0)


def _check_gap(length: float, gap: float) -> None:
    if not_negative("wall_gap", gap) >= 0.25 * length:
        raise Refused("wall_gap", f"must be less than a quarter of the sweep's length of {length} m", gap)


def _gap_biases(
    length: float, gap: float, by_area: bool, exponents: Sequence[float] = EXPONENTS
) -> list[float]:
    """How much a sweep from `gap` to `length - gap` reads high, by power laws."""
    a = 2.0 * gap / length
    found = []
    for n in exponents:
        p = 1.0 + 1.0 / n
        if by_area:
            mean = ((1.0 - a**p) / p - (1.0 - a ** (p + 1.0)) / (p + 1.0)) * 2.0 / (1.0 - a) ** 2
            found.append(mean * (n + 1.0) * (2.0 * n + 1.0) / (2.0 * n * n) - 1.0)
        else:
            found.append((1.0 - a**p) / (1.0 - a) - 1.0)
    return found


def _line_biases(inputs: SweptTraverse, exponents: Sequence[float]) -> list[float] | None:
    """How much the lines' places read high on power laws; None: places not stated."""
    duct, rule = inputs.duct, inputs.rule
    if rule is None or (rule is not Rule.EQUAL_AREA and duct.shape is not Shape.RECTANGULAR):
        return None
    if duct.shape is Shape.ROUND:
        return [0.0] * len(exponents)
    if duct.shape is Shape.FLAT_OVAL:
        fine = make_layout(duct, rule, holes=inputs.lines, points_per_hole=FINE)
        return list(pattern_biases(duct, fine.points, tuple(exponents)))
    places = side_fractions(rule, inputs.lines)
    return [
        math.fsum((1.0 - abs(1.0 - 2.0 * x)) ** (1.0 / n) for x in places) / len(places) / (n / (n + 1.0))
        - 1.0
        for n in exponents
    ]


def _corner_biases(inputs: SweptTraverse, exponents: Sequence[float]) -> tuple[float, ...]:
    """The same in a rectangle whose corners are filled, where the nearest wall alone decides; else none.

    Between this and the product of both distances lie all rectangles, so that two extremes, of the power and
    of the corners, must meet at either end of the range: it is triangular, as for points.
    """
    if inputs.duct.shape is not Shape.RECTANGULAR or inputs.rule is not Rule.EQUAL_AREA:
        return ()
    return _filled_corners(inputs.duct, inputs.lines, tuple(exponents))


@lru_cache(maxsize=512)
def _filled_corners(duct: Duct, lines: int, exponents: tuple[float, ...]) -> tuple[float, ...]:
    fine = make_layout(duct, Rule.EQUAL_AREA, holes=lines, points_per_hole=FINE)
    along = make_layout(duct, Rule.EQUAL_AREA, holes=FINE, points_per_hole=FINE)
    found = []
    for n in exponents:
        read, whole = (nearest_wall_bias(layout, 1.0 / n) for layout in (fine, along))
        # the fine grid itself reads high both ways; along the lines that is half of it
        found.append((1.0 + read) / math.sqrt(1.0 + whole) - 1.0)
    return tuple(found)


def _missing_effects(share: float) -> list[Effect]:
    if share == 0.0:
        return []
    return [Effect("Missing lines", "velocity_factor", MISSING_SPREAD * share, Sharing.COMMON)]


def _line_velocities(
    inputs: SweptTraverse, kept: Sequence[LineAverage], speed: float, mean: float
) -> tuple[PointVelocity, ...]:
    places = _places(inputs)
    found = []
    for n in sorted({k.sweep.line for k in kept}):
        here = [k for k in kept if k.sweep.line == n]
        velocity = speed * math.fsum(k.value for k in here) / len(here)
        shown = math.fsum(k.shown for k in here) / len(here)
        share = velocity / mean if mean else 0.0
        found.append(PointVelocity(f"L{n}", n, 1, places.get(n), None, shown, velocity, share))
    return tuple(found)


def _places(inputs: SweptTraverse) -> dict[int, float]:
    """x of each line, m from the left inside edge; none for diameters or lines of no stated rule."""
    duct, rule = inputs.duct, inputs.rule
    if rule is None or duct.shape is Shape.ROUND or rule is Rule.LOG_LINEAR:
        return {}
    if duct.shape is Shape.FLAT_OVAL and rule is not Rule.EQUAL_AREA:
        return {}
    if duct.shape is Shape.RECTANGULAR:
        return {n: f * duct.width for n, f in enumerate(side_fractions(rule, inputs.lines), 1)}
    holes = make_layout(duct, rule, holes=inputs.lines, points_per_hole=FINE).holes
    return {n: hole.position for n, hole in enumerate(holes, 1)}


def _sweep_remarks(inputs: SweptTraverse, made: Prepared) -> list[Remark]:
    kept, missing, spread = made.kept, made.missing, made.spread
    remarks = _instrument_remarks(inputs, kept)
    if missing:
        numbers = {"missing": len(missing), "expected": inputs.lines}
        remarks.append(Remark(Code.LINES_MISSING, numbers, tuple(f"L{n}" for n in missing)))
    shortest, longest = min(k.duration for k in kept), max(k.duration for k in kept)
    if longest > inputs.limits.sweep_ratio * shortest:
        remarks.append(Remark(Code.SWEEPS_UNLIKE, {"shortest": shortest, "longest": longest}))
    remarks += _settling_remarks(inputs, kept)
    remarks += _series_remarks(inputs, kept, spread)
    remarks += _repeat_remarks(kept)
    if inputs.duct.shape is Shape.ROUND:
        remarks.append(_round_remark(inputs, kept))
    if made.lines.told:
        corrected = float(inputs.integration_corrected)
        bias = {"bias": made.lines.bias, "u": made.lines.u, "corrected": corrected}
        remarks.append(Remark(Code.INTEGRATION_BIAS, bias))
    return remarks


def _labels(kept: Iterable[LineAverage]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(f"L{k.sweep.line}" for k in kept))


def _settling_remarks(inputs: SweptTraverse, kept: Sequence[LineAverage]) -> list[Remark]:
    """Samples cut off by the time given, or as the series told; starts that told nothing clear."""
    remarks = []
    cut = [k for k in kept if k.settled.first]
    dropped = sum(k.settled.first for k in cut)
    if cut and inputs.settling is not None:
        numbers = {"dropped": dropped, "settling": inputs.settling}
        remarks.append(Remark(Code.SAMPLES_DROPPED, numbers))
    elif cut:
        numbers = {"dropped": dropped, "longest": max(k.settled.seconds for k in cut)}
        remarks.append(Remark(Code.SETTLING_FOUND, numbers, _labels(cut)))
    unclear = [k for k in kept if k.settled.unclear]
    if unclear:
        remarks.append(Remark(Code.SETTLING_UNCLEAR, {"sweeps": len(unclear)}, _labels(unclear)))
    return remarks


def _series_remarks(inputs: SweptTraverse, kept: Sequence[LineAverage], spread: RunSpread) -> list[Remark]:
    """What the series tell, and what sweeps without one cost."""
    remarks = []
    bare = [k for k in kept if not k.sweep.samples]
    if bare:
        single = 0.0 if spread.run_dof > 0 else single_sweep(inputs)
        unseen = single / math.sqrt(len(kept))
        numbers = {"lines": len(bare), "u": math.hypot(unseen, _averaging_u(inputs, kept))}
        remarks.append(Remark(Code.NO_TIME_SERIES, numbers))
    if bare and inputs.signal is Signal.PRESSURE:
        remarks.append(Remark(Code.AVERAGED_PRESSURE, {"bias": pressure_average_bias(line_cv(inputs))}))
    biases = [k.root_bias for k in kept if k.root_bias is not None]
    if biases and inputs.signal is Signal.PRESSURE:
        remarks.append(Remark(Code.ROOT_OF_MEAN_BIAS, {"bias": math.fsum(biases) / len(biases)}))
    paused = [k for k in kept if k.pause]
    if paused:
        longest = max(k.pause * k.step for k in paused)
        numbers = {"sweeps": len(paused), "longest": longest, "step": max(k.step for k in paused)}
        remarks.append(Remark(Code.SERIES_PAUSED, numbers, _labels(paused)))
    short = [k for k in kept if k.spread is not None and not k.spread.closed]
    if short and spread.run_dof == 0 and all(k.spread is not None for k in kept):
        numbers = {"sweeps": len(short), "shortest": min(k.duration for k in short)}
        remarks.append(Remark(Code.SERIES_SHORT, numbers, _labels(short)))
    return remarks


def _repeat_remarks(kept: Sequence[LineAverage]) -> list[Remark]:
    """Lines whose repeated sweeps differ by more than they may."""
    lines: dict[int, list[LineAverage]] = {}
    for k in kept:
        lines.setdefault(k.sweep.line, []).append(k)
    spreads = {n: _relative_range([k.value for k in sweeps]) for n, sweeps in sorted(lines.items())}
    far = [n for n, spread in spreads.items() if spread > LINE_REPEAT]
    if not far:
        return []
    numbers = {"spread": max(spreads.values()), "limit": LINE_REPEAT}
    return [Remark(Code.SWEEPS_DISAGREE, numbers, tuple(f"L{n}" for n in far))]


def _relative_range(values: Sequence[float]) -> float:
    mean = math.fsum(values) / len(values)
    return (max(values) - min(values)) / mean if mean > 0.0 else 0.0


def _round_remark(inputs: SweptTraverse, kept: Sequence[LineAverage]) -> Remark:
    """The factor used with its uncertainty; what the series' own rings ask for, where they are known."""
    factor, u = told_factor(inputs)
    numbers = {"factor": factor, "u": factor * u}
    ratios = [k.area_ratio for k in kept if k.area_ratio is not None]
    if len(ratios) == len(kept):
        numbers["by_rings"] = math.fsum(ratios) / len(ratios)
    return Remark(Code.ROUND_SWEEP, numbers)


def _instrument_remarks(inputs: SweptTraverse, kept: Sequence[LineAverage]) -> list[Remark]:
    """The means of the lines against certificate and range."""
    found = correct(inputs.instrument, [k.shown for k in kept], name="sweeps")
    labels = [f"L{k.sweep.line}" for k in kept]
    return reading_remarks(inputs.instrument, found.outside_certificate, found.outside_range, labels)
