"""Sweeps along lines: what is entered, and how one sweep becomes the mean of a line.

The settling at the start of a series is told from the series itself unless it is given; samples weigh by the
time that they stand for, or, along a diameter when so chosen, by the area as well. These rules are this
project's own; the wall's power law is the one of positions.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import accumulate, pairwise
from statistics import median

from .air import compressibility
from .conditions import Air
from .duct import Duct
from .errors import Refused, all_finite, finite, positive
from .instrument import Instrument, correct
from .method import STANDARD_PROBE, Allowances, Estimate, Limits
from .models import Signal
from .positions import Rule
from .variance import SeriesA, series_type_a

PROFILE_DEGREE = 4
"""Degree of the polynomial that stands for the profile along a sweep."""
LATER = 0.25
"""Share of a series' time after which its level is taken for the search of settling."""
SETTLED_BY = 0.2
"""Settling that would take more than this share of the time is not cut: it may be the profile's own."""
STEP = 0.5
"""A start counts as unsettled when it lies further off the later range than this share of the later level."""
PRESSURE_CV = 0.20
"""Relative standard deviation of the pressure along a line where no series tells it. A sweep never touches
the walls: from 10 mm to 10 mm off them in a duct of 0.4 m a 1/7 profile has a root of the mean 0.5 % above
the mean root, as this figure gives; from wall to wall it would be 0.8 %, but what the gaps hide is taken off
by itself and must not count twice."""
GAP = 5.0
"""A pause of more than this many usual steps between samples is told."""


class Weighting(StrEnum):
    """What time a sample stands for."""

    STEP = "step"
    """The time since the sample before it, the first for a usual (median) step: means of a step, as loggers
    give them. In even steps all weigh alike."""
    TRAPEZOID = "trapezoid"
    """Half of the gap on either side: samples are moments, the first and the last at the sweep's ends."""
    HOLD = "hold"
    """Until the next sample, the last for a usual (median) step: the display holds its value."""


class AlongDiameter(StrEnum):
    """How a steady sweep along a diameter becomes the mean of the circle."""

    PROFILE = "profile"
    """The mean over time times what power-law profiles ask for, about 0.93."""
    AREA = "area"
    """Samples weigh by the ring that they cross as well; needs series and a steady hand from wall to wall."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """One sweep along a line (counted from 1) in a run (from 1).

    Either samples with their times (s, rising), or mean and duration (s). Samples and mean are in the unit
    of the traverse's signal: Pa or m/s.
    """

    line: int
    run: int = 1
    times: tuple[float, ...] = ()
    samples: tuple[float, ...] = ()
    mean: float | None = None
    duration: float | None = None


@dataclass(frozen=True, slots=True)
class SweptTraverse:
    """Input of `swept_traverse`. Lengths m, density kg/m3.

    lines: how many were planned. rule: how they are placed across the duct (None: not stated). settling: s
    cut off at the start of each series (None: found from the series, see `settled`). zero: what a manometer
    showed with no pressure (mean of the checks). pressure_cv: relative standard deviation of the pressure
    along a line, for averages of pressure. weighting: what time a sample stands for. along_diameter: round
    ducts only (None: by rings where every sweep has a series, else by the profile). wall_gap: m that the
    probe's axis stays from the wall at both ends of a sweep; the mean is corrected for it (None: not known,
    5 to 15 mm). integration_corrected: take off what lines and unknown gaps read high on power-law profiles
    (left in by default, and in the uncertainty).
    """

    duct: Duct
    lines: int
    sweeps: tuple[Sweep, ...]
    signal: Signal
    instrument: Instrument
    air: Air
    rule: Rule | None = Rule.EQUAL_AREA
    settling: float | None = None
    zero: float = 0.0
    pressure_cv: float = PRESSURE_CV
    probe: Estimate = STANDARD_PROBE
    upstream: float | None = None
    downstream: float | None = None
    standard_density: float = 1.204
    allowances: Allowances = field(default_factory=Allowances)
    limits: Limits = field(default_factory=Limits)
    weighting: Weighting = Weighting.STEP
    along_diameter: AlongDiameter | None = None
    wall_gap: float | None = None
    integration_corrected: bool = False

    @property
    def by_area(self) -> bool:
        """Whether samples weigh by the rings that they cross."""
        if self.duct.height is not None:
            return False
        if self.along_diameter is None:
            return all(s.samples for s in self.sweeps)
        return self.along_diameter is AlongDiameter.AREA


@dataclass(frozen=True, slots=True)
class Settled:
    """Where a series settles. first: index of the first sample kept; seconds: cut off before it.

    found: whether the series told it. unclear: it starts off its later range for longer than settling
    may take, so nothing was cut.
    """

    first: int = 0
    seconds: float = 0.0
    found: bool = False
    unclear: bool = False


@dataclass(frozen=True, slots=True)
class LineAverage:
    """One sweep, averaged: value is mean sqrt(2 p) or mean velocity; shown is the mean of what was shown.

    root_bias: fraction by which the root of the mean pressure lies above the mean root (0 for velocities,
    None without a series). area_ratio: mean by rings over mean by time (None without a series). pauses:
    longest pause in usual steps where it is more than `GAP`, else 0.
    """

    sweep: Sweep
    value: float
    shown: float
    duration: float
    spread: SeriesA | None
    settled: Settled
    u: dict[str, float]
    root_bias: float | None = None
    area_ratio: float | None = None
    pause: float = 0.0
    step: float = 0.0


def average_line(inputs: SweptTraverse, sweep: Sweep, name: str, static_pressure: float) -> LineAverage:
    """The mean of one sweep. static_pressure: absolute, Pa. Errors: Refused (see `swept_traverse`)."""
    if sweep.samples:
        return _average_series(inputs, sweep, name, static_pressure)
    if sweep.mean is None or sweep.duration is None:
        raise Refused(name, "needs samples with times, or mean and duration")
    if inputs.by_area:
        raise Refused(name, "needs a series of samples to weigh by area along a diameter")
    duration = positive(f"{name}.duration", sweep.duration)
    taken = _corrected(inputs, (finite(f"{name}.mean", sweep.mean),), (1.0,), name, static_pressure)
    value = taken.series[0]
    if inputs.signal is Signal.PRESSURE:
        value *= 1.0 - pressure_average_bias(inputs.pressure_cv)
    return LineAverage(sweep, value, taken.shown, duration, None, Settled(), taken.u)


@dataclass(frozen=True, slots=True)
class _Corrected:
    shown: float
    pressures: tuple[float, ...]
    series: tuple[float, ...]
    u: dict[str, float]


def _corrected(
    inputs: SweptTraverse,
    samples: Sequence[float],
    weights: Sequence[float],
    name: str,
    static_pressure: float,
) -> _Corrected:
    """Samples less zero, by the certificate, as velocities; what the instrument does to their mean."""
    net = tuple(v - inputs.zero for v in samples)
    shown = math.fsum(w * v for w, v in zip(weights, net, strict=True))
    if shown < 0.0:
        raise Refused(name, "averages below zero: check hoses and direction", shown)
    corrected = correct(inputs.instrument, net, name=name)
    pressure = inputs.signal is Signal.PRESSURE
    compressibility(max(*corrected.values, 0.0) if pressure else 0.0, static_pressure)
    change = _root if pressure else _same
    series = tuple(change(v) for v in corrected.values)
    u = {e.name: _line_u(change, corrected.values, e.u, weights) for e in corrected.effects}
    return _Corrected(shown, corrected.values, series, u)


def _average_series(inputs: SweptTraverse, sweep: Sweep, name: str, static_pressure: float) -> LineAverage:
    cut = settled(sweep, inputs.settling, name)
    times, samples = sweep.times[cut.first :], sweep.samples[cut.first :]
    by_time = time_weights(times, inputs.weighting)
    by_area = area_weights(by_time, moments=inputs.weighting is Weighting.TRAPEZOID)
    weights = by_area if inputs.by_area else by_time
    taken = _corrected(inputs, samples, weights, name, static_pressure)
    value, plain, rings = (_mean(w, taken.series) for w in (weights, by_time, by_area))
    root_bias = 0.0
    if inputs.signal is Signal.PRESSURE and value > 0.0:
        root_bias = _root(_mean(weights, taken.pressures)) / value - 1.0
    enough = len(samples) >= 10 + PROFILE_DEGREE
    spread = series_type_a(taken.series, PROFILE_DEGREE, weights) if enough else None
    steps = [b - a for a, b in pairwise(times)]
    usual = median(steps)
    longest = max(steps) / usual
    return LineAverage(
        sweep,
        value,
        taken.shown,
        _duration(times, usual, inputs.weighting),
        spread,
        cut,
        taken.u,
        root_bias,
        rings / plain if plain > 0.0 else None,
        longest if longest > GAP else 0.0,
        usual,
    )


def _duration(times: Sequence[float], usual: float, weighting: Weighting) -> float:
    """Time that all samples together stand for, s."""
    return times[-1] - times[0] + (0.0 if weighting is Weighting.TRAPEZOID else usual)


def _mean(weights: Sequence[float], values: Sequence[float]) -> float:
    return math.fsum(w * v for w, v in zip(weights, values, strict=True))


def settled(sweep: Sweep, settling: float | None, name: str = "sweep") -> Settled:
    """Where a series settles: after the time given, or as the series tells.

    Told by the series (first crossing of the later range): the range of the samples after the first quarter
    of the time, widened by three times their noise (from the median step between neighbours), is what the
    signal does once it has settled; the far wall's end lies in it. When the first sample lies outside that
    range by more than half of the later level, everything before the first sample inside it is cut, unless
    that is more than a fifth of the time: then nothing is, and it is told.
    Errors: Refused (times that do not rise or do not match, not finite, fewer than two samples left).
    """
    times, samples = sweep.times, sweep.samples
    if len(times) != len(samples):
        raise Refused(f"{name}.times", "must be as many as the samples", len(times))
    all_finite(f"{name}.times", times)
    all_finite(f"{name}.samples", samples)
    if any(b <= a for a, b in pairwise(times)):
        raise Refused(f"{name}.times", "must rise")
    found = _told_settling(times, samples) if settling is None else _given_settling(times, settling)
    if len(times) - found.first < 2:
        raise Refused(f"{name}.samples", "leave fewer than two after settling", len(times) - found.first)
    return found


def _given_settling(times: Sequence[float], settling: float) -> Settled:
    first = next((i for i, t in enumerate(times) if t - times[0] >= settling), len(times))
    return Settled(first, settling if first else 0.0)


def _told_settling(times: Sequence[float], samples: Sequence[float]) -> Settled:
    if len(samples) < 12:
        return Settled()
    whole = times[-1] - times[0]
    later = [v for t, v in zip(times, samples, strict=True) if t - times[0] > LATER * whole]
    noise = median([abs(b - a) for a, b in pairwise(later)]) / (0.6745 * math.sqrt(2.0))
    low, high = min(later) - 3.0 * noise, max(later) + 3.0 * noise
    level = abs(math.fsum(later) / len(later))
    if max(low - samples[0], samples[0] - high) <= STEP * level:
        return Settled()
    first = next(i for i, v in enumerate(samples) if low <= v <= high)
    seconds = times[first] - times[0]
    if seconds > SETTLED_BY * whole:
        return Settled(unclear=True)
    return Settled(first, seconds, found=True)


def time_weights(times: Sequence[float], weighting: Weighting = Weighting.STEP) -> tuple[float, ...]:
    """Share of the time that each sample stands for; together 1. times: two or more, rising."""
    steps = [b - a for a, b in pairwise(times)]
    if weighting is Weighting.TRAPEZOID:
        held = [0.5 * (a + b) for a, b in pairwise([0.0, *steps, 0.0])]
    else:
        usual = median(steps)
        held = [*steps, usual] if weighting is Weighting.HOLD else [usual, *steps]
    whole = math.fsum(held)
    return tuple(h / whole for h in held)


def area_weights(by_time: Sequence[float], *, moments: bool = False) -> tuple[float, ...]:
    """Share of the circle that each sample of a steady sweep along a diameter stands for; together 1.

    At the share t of the time the probe is at the radius |1 - 2 t| R, and a ring there is as large as that.
    Samples stand in the middle of their time; as moments the first and the last stand at the ends.
    """
    ends = list(accumulate(by_time, initial=0.0))
    middles = [0.5 * (a + b) for a, b in pairwise(ends)]
    if moments:
        middles[0], middles[-1] = 0.0, 1.0
    rings = [w * abs(1.0 - 2.0 * t) for t, w in zip(middles, by_time, strict=True)]
    total = math.fsum(rings)
    return tuple(r / total for r in rings) if total > 0.0 else tuple(by_time)


def pressure_average_bias(cv: float) -> float:
    """How much the root of a mean pressure reads above the mean root, as a fraction: about cv^2 / 8.

    cv: relative standard deviation of the pressure. Second-order expansion of the square root.
    """
    return cv * cv / 8.0


def _root(pressure: float) -> float:
    return math.sqrt(2.0 * max(pressure, 0.0))


def _same(value: float) -> float:
    return value


def _line_u(
    change: Callable[[float], float], values: Sequence[float], u: Sequence[float], weights: Sequence[float]
) -> float:
    """Standard uncertainty of a line's mean from one cause, alike for all its samples: by differences."""
    return math.fsum(
        w * 0.5 * (change(v + d) - change(v - d)) for v, d, w in zip(values, u, weights, strict=True)
    )
