"""Sweeps along lines: what is entered, and how one sweep becomes the mean of a line."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from .air import compressibility
from .conditions import Air
from .duct import Duct
from .errors import Refused, all_finite, finite, positive
from .instrument import Instrument, correct
from .method import STANDARD_PROBE, Allowances, Estimate, Limits
from .models import Signal
from .positions import Rule
from .variance import TypeA, series_type_a

PROFILE_DEGREE = 4
"""Degree of the polynomial that stands for the profile along a sweep."""


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
    cut off at the start of each series. zero: what a manometer showed with no pressure (mean of the checks).
    pressure_cv: relative standard deviation of the pressure along a line, for averages of pressure.
    """

    duct: Duct
    lines: int
    sweeps: tuple[Sweep, ...]
    signal: Signal
    instrument: Instrument
    air: Air
    rule: Rule | None = Rule.EQUAL_AREA
    settling: float = 0.0
    zero: float = 0.0
    pressure_cv: float = 0.3
    probe: Estimate = STANDARD_PROBE
    upstream: float | None = None
    downstream: float | None = None
    standard_density: float = 1.204
    allowances: Allowances = field(default_factory=Allowances)
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True, slots=True)
class LineAverage:
    """One sweep, averaged: value is mean sqrt(2 p) or mean velocity; shown is the mean of what was shown."""

    sweep: Sweep
    value: float
    shown: float
    duration: float
    spread: TypeA | None
    dropped: int
    u: dict[str, float]


def average_line(inputs: SweptTraverse, sweep: Sweep, name: str, static_pressure: float) -> LineAverage:
    """The mean of one sweep. static_pressure: absolute, Pa. Errors: Refused (see `swept_traverse`)."""
    if sweep.samples:
        times, samples, dropped = _settled(sweep, inputs.settling, name)
        weights = time_weights(times)
        duration = times[-1] - times[0]
    else:
        if sweep.mean is None or sweep.duration is None:
            raise Refused(name, "needs samples with times, or mean and duration")
        samples, weights, dropped = (finite(f"{name}.mean", sweep.mean),), (1.0,), 0
        duration = positive(f"{name}.duration", sweep.duration)
    net = tuple(v - inputs.zero for v in samples)
    shown = math.fsum(w * v for w, v in zip(weights, net, strict=True))
    if shown < 0.0:
        raise Refused(name, "averages below zero: check hoses and direction", shown)
    corrected = correct(inputs.instrument, net, name=name)
    compressibility(max(*corrected.values, 0.0) if inputs.signal is Signal.PRESSURE else 0.0, static_pressure)
    change = _root if inputs.signal is Signal.PRESSURE else _same
    series = tuple(change(v) for v in corrected.values)
    value = math.fsum(w * v for w, v in zip(weights, series, strict=True))
    if not sweep.samples and inputs.signal is Signal.PRESSURE:
        value *= 1.0 - pressure_average_bias(inputs.pressure_cv)
    u = {e.name: _line_u(change, corrected.values, e.u, weights) for e in corrected.effects}
    enough = len(series) >= 10 + PROFILE_DEGREE
    spread = series_type_a(series, PROFILE_DEGREE) if enough else None
    return LineAverage(sweep, value, shown, duration, spread, dropped, u)


def _settled(sweep: Sweep, settling: float, name: str) -> tuple[tuple[float, ...], tuple[float, ...], int]:
    if len(sweep.times) != len(sweep.samples):
        raise Refused(f"{name}.times", "must be as many as the samples", len(sweep.times))
    all_finite(f"{name}.times", sweep.times)
    all_finite(f"{name}.samples", sweep.samples)
    if any(b <= a for a, b in pairwise(sweep.times)):
        raise Refused(f"{name}.times", "must rise")
    first = next((i for i, t in enumerate(sweep.times) if t - sweep.times[0] >= settling), len(sweep.times))
    if len(sweep.times) - first < 2:
        raise Refused(f"{name}.samples", "leave fewer than two after settling", len(sweep.times) - first)
    return sweep.times[first:], sweep.samples[first:], first


def time_weights(times: Sequence[float]) -> tuple[float, ...]:
    """Share of the time that each sample stands for (trapezoids): half of the gaps on its two sides."""
    whole = times[-1] - times[0]
    last = len(times) - 1
    return tuple(0.5 * (times[min(i + 1, last)] - times[max(i - 1, 0)]) / whole for i in range(len(times)))


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
