"""Flow by sweeping a probe along lines across a duct, one timed average or time series a line.

Samples weigh by the time that they stand for, lines by the area that they stand for. A line's mean is taken
of velocities; when only an average pressure is known its root reads high and is corrected, with the doubt
carried in the budget. Sources: ISO 3966 for area and density, JCGM 100:2008 4.2 and H.5 for what repeats
tell; the treatment of averaging pressure and of round sweeps is this project's own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from .conditions import resolve_air
from .distributions import Distribution
from .duct import Shape
from .errors import Refused, finite, not_negative, positive
from .instrument import correct
from .layout import EXPONENTS, plane_quality
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
from .traverse import (
    INTEGRATION_FLOOR,
    INTEGRATION_UNKNOWN,
    MISSING_SPREAD,
    common_effects,
    common_values,
    run_effects,
)
from .uncertainty import Effect
from .variance import RunSpread, spread_of_runs
from .version import CALCULATION_VERSION

WALL_GAP_U = 0.005
"""The ends of a sweep never touch the walls: standard uncertainty as a fraction (practice)."""


def swept_traverse(inputs: SweptTraverse) -> MethodResult:
    """Flow of a duct from sweeps along lines. Lines weigh equally (each stands for an equal area).

    In a round duct a steady sweep along a diameter spends too long near the axis; its mean is multiplied by
    what power-law profiles ask for, about 0.93 (remark ROUND_SWEEP).
    Errors: Refused (as `pitot_traverse`; times that do not rise; nothing left after
    settling; a negative mean).
    """
    positive("standard_density", inputs.standard_density)
    air = resolve_air(inputs.air)
    _check(inputs)
    kept = [average_line(inputs, s, f"sweeps[{i}]", air.pressure) for i, s in enumerate(inputs.sweeps)]
    runs: dict[int, dict[int, float]] = {}
    for one in kept:
        runs.setdefault(one.sweep.run, {})[one.sweep.line] = one.value
    spread = spread_of_runs(dict(sorted(runs.items())))
    plane = plane_quality(inputs.duct, inputs.upstream, inputs.downstream)
    missing = [n for n in range(1, inputs.lines + 1) if all(s.line != n for s in inputs.sweeps)]
    factor, factor_effects = _factor(inputs, kept)
    values = _values(kept)
    given = inputs.allowances.plane
    plane_u = plane.relative_u if given is None else not_negative("plane", given)
    effects = [
        *_line_effects(kept),
        *_type_a_effects(inputs, kept, spread),
        *factor_effects,
        Effect("Measuring plane", "velocity_factor", factor * plane_u, Sharing.COMMON),
        *_missing_effects(factor * len(missing) / inputs.lines),
        *common_effects(inputs.probe, inputs.allowances, air),
    ]
    identity = digest("swept_traverse", inputs, CALCULATION_VERSION)
    common = common_values(inputs.duct, inputs.probe, air, inputs.standard_density)
    found = solve(
        line_model(inputs.duct.shape, air.model.function, inputs.signal),
        {**values, **common, "velocity_factor": factor},
        effects,
        identity,
    )
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
            *air.remarks,
            *_sweep_remarks(inputs, kept, missing, factor),
            *plane_remarks(plane),
            *run_remarks(spread, inputs.limits),
            *implausible(velocity, inputs.limits),
        ),
        verdict_allowed=True,
        density_model=air.model.name,
        digest=identity,
    )


def _check(inputs: SweptTraverse) -> None:
    if inputs.lines < 1 or not inputs.sweeps:
        raise Refused("sweeps", "need at least one line and one sweep")
    finite("zero", inputs.zero)
    not_negative("settling", inputs.settling)
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
    if len(series) == len(kept):
        u = tuple(s.u for s in series)
        dof = min(s.dof for s in series)
        return [Effect("Fluctuation", "line", u, Sharing.INDEPENDENT, dof, Distribution.T)]
    u_single = not_negative("single_sweep", inputs.allowances.single_sweep)
    return [Effect("Fluctuation (allowance)", "velocity_factor", u_single, Sharing.COMMON)]


def _factor(inputs: SweptTraverse, kept: Sequence[LineAverage]) -> tuple[float, list[Effect]]:
    """The factor on the mean of lines, and the effects of averaging, shape of sweep, and lines."""
    common, rectangular = Sharing.COMMON, Distribution.RECTANGULAR
    factor, effects = 1.0, []
    if inputs.duct.shape is Shape.ROUND:
        factor, u = round_sweep_factor()
        effects.append(Effect("Sweep along a diameter", "velocity_factor", u, common, math.inf, rectangular))
    if inputs.signal is Signal.PRESSURE and any(not k.sweep.samples for k in kept):
        u = factor * pressure_average_bias(inputs.pressure_cv) / math.sqrt(3.0)
        effects.append(Effect("Averaging of pressure", "velocity_factor", u, common, math.inf, rectangular))
    given = inputs.allowances.integration
    u = _integration(inputs) if given is None else not_negative("integration", given)
    effects.append(
        Effect("Number and placing of lines", "velocity_factor", factor * u, common, math.inf, rectangular)
    )
    return factor, effects


def round_sweep_factor() -> tuple[float, float]:
    """Area mean over diameter mean of power-law profiles (1/5 to 1/10): middle, standard uncertainty."""
    ratios = [2.0 * n / (2.0 * n + 1.0) for n in EXPONENTS]
    return 0.5 * (max(ratios) + min(ratios)), 0.5 * (max(ratios) - min(ratios)) / math.sqrt(3.0)


def _integration(inputs: SweptTraverse) -> float:
    """From the bias of the lines' places on power-law profiles across the duct, and the gaps at the walls."""
    if inputs.rule is None or (
        inputs.rule is not Rule.EQUAL_AREA and inputs.duct.shape is not Shape.RECTANGULAR
    ):
        return INTEGRATION_UNKNOWN
    if inputs.duct.shape is Shape.ROUND:
        return math.hypot(INTEGRATION_FLOOR, WALL_GAP_U)
    places = side_fractions(inputs.rule, inputs.lines)
    biases = [
        math.fsum((1.0 - abs(1.0 - 2.0 * x)) ** (1.0 / n) for x in places) / len(places) / (n / (n + 1.0))
        - 1.0
        for n in EXPONENTS
    ]
    return math.hypot(max(max(map(abs, biases)) / math.sqrt(3.0), INTEGRATION_FLOOR), WALL_GAP_U)


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
    if inputs.rule is None or inputs.duct.shape is not Shape.RECTANGULAR or inputs.rule is Rule.LOG_LINEAR:
        return {}
    fractions = side_fractions(inputs.rule, inputs.lines)
    return {n: f * inputs.duct.width for n, f in enumerate(fractions, 1)}


def _sweep_remarks(
    inputs: SweptTraverse, kept: Sequence[LineAverage], missing: Sequence[int], factor: float
) -> list[Remark]:
    remarks = _instrument_remarks(inputs, kept)
    if missing:
        numbers = {"missing": len(missing), "expected": inputs.lines}
        remarks.append(Remark(Code.LINES_MISSING, numbers, tuple(f"L{n}" for n in missing)))
    shortest, longest = min(k.duration for k in kept), max(k.duration for k in kept)
    if longest > inputs.limits.sweep_ratio * shortest:
        remarks.append(Remark(Code.SWEEPS_UNLIKE, {"shortest": shortest, "longest": longest}))
    dropped = sum(k.dropped for k in kept)
    if dropped:
        remarks.append(Remark(Code.SAMPLES_DROPPED, {"dropped": dropped, "settling": inputs.settling}))
    bare = [k for k in kept if not k.sweep.samples]
    if bare:
        remarks.append(Remark(Code.NO_TIME_SERIES, {"lines": len(bare)}))
    if bare and inputs.signal is Signal.PRESSURE:
        remarks.append(Remark(Code.AVERAGED_PRESSURE, {"bias": pressure_average_bias(inputs.pressure_cv)}))
    if inputs.duct.shape is Shape.ROUND:
        remarks.append(Remark(Code.ROUND_SWEEP, {"factor": factor, "u": round_sweep_factor()[1]}))
    return remarks


def _instrument_remarks(inputs: SweptTraverse, kept: Sequence[LineAverage]) -> list[Remark]:
    """The means of the lines against certificate and range."""
    found = correct(inputs.instrument, [k.shown for k in kept], name="sweeps")
    labels = [f"L{k.sweep.line}" for k in kept]
    return reading_remarks(inputs.instrument, found.outside_certificate, found.outside_range, labels)
