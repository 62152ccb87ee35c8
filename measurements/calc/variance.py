"""Type A evaluations: means, runs, and series whose values hang together.

Sources: JCGM 100:2008 4.2, H.5 (analysis of variance); Sokal (1997) and Wolff (Comput. Phys. Commun. 2004)
for the integral correlation time and its window (both from memory); Zieba (Metrologia 2010) for the effective
number of values.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from .errors import Refused, all_finite

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TypeA:
    """Mean, standard deviation of one value, standard uncertainty of the mean, degrees of freedom."""

    mean: float
    s: float
    u: float
    dof: float


def type_a(values: Sequence[float]) -> TypeA:
    """Mean of independent values, two or more (GUM 4.2): u = s / sqrt(n), n - 1 degrees of freedom."""
    if len(values) < 2:
        raise Refused("values", "need at least two", len(values))
    all_finite("values", values)
    n = len(values)
    mean = math.fsum(values) / n
    s = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n - 1))
    return TypeA(mean, s, s / math.sqrt(n), n - 1.0)


@dataclass(frozen=True, slots=True)
class SeriesA(TypeA):
    """Type A of a series whose neighbours are alike.

    effective: number of independent values that would tell as much. integral_time: sum of the correlations,
    in samples (1/2 for independent values). window: lags summed. closed: whether the window is wide enough
    for the integral time found; if not the series is too short to tell, and the figure is a lower estimate.
    """

    effective: float
    integral_time: float
    window: int
    closed: bool


WINDOW = 4.0
"""Width of the window in integral times: an exponential correlation loses exp(-4) of its sum beyond it."""
MOST_TAKEN = 0.75
"""Largest share of the variance at long times that a trend may have taken with it and still be put back."""


def series_type_a(
    values: Sequence[float], degree: int = 0, weights: Sequence[float] | None = None
) -> SeriesA:
    """Mean of a series sampled in (nearly) equal steps, whose neighbours are alike.

    A polynomial of `degree` is taken out first (the profile along a sweep is no fluctuation). The variance of
    the mean is s^2 times the sum of squared weights times 2 t, t the integral correlation time: the
    correlations are summed up to the first lag W with W >= 4 t(W) (Sokal 1997). What the trend takes with it
    is put back for every lag by the shape of the polynomials (Wolff 2004 has it for the mean alone). Degrees
    of freedom: n / (2 W + 1) - 1 - degree, at least 1, from the variance of that sum (Wolff 2004; from
    memory). Neighbours that alternate never count for more than independent values. weights: share of each
    value in the mean, together 1 (default: alike).
    Errors: Refused (fewer than 10 values more than the degree, not finite, weights that do not fit).
    """
    n = len(values)
    if n < 10 + degree:
        raise Refused("series", f"needs at least {10 + degree} samples", n)
    all_finite("series", values)
    shares = _shares(n, weights)
    mean = math.fsum(w * v for w, v in zip(shares, values, strict=True))
    rest = np.array(_detrended(values, degree))
    energy = float(rest @ rest)
    if energy <= 1e-28 * n * max(mean * mean, 1e-300):
        return SeriesA(mean, 0.0, 0.0, float(n - 1 - degree), float(n), 0.5, 0, True)
    long_time, window, closed = _long_time_variance(rest, _taken(n, degree))
    s = math.sqrt(energy / (n - 1 - degree))
    long_time = max(long_time, s * s)
    time = 0.5 * long_time / (s * s)
    u = math.sqrt(long_time * math.fsum(w * w for w in shares))
    dof = max(n / (2.0 * window + 1.0) - 1.0 - degree, 1.0)
    return SeriesA(mean, s, u, dof, n / (2.0 * time), time, window, closed)


def _shares(n: int, weights: Sequence[float] | None) -> Sequence[float]:
    if weights is None:
        return [1.0 / n] * n
    if len(weights) != n or min(weights) < 0.0 or abs(math.fsum(weights) - 1.0) > 1e-9:
        raise Refused("weights", "must be one for each value, not negative, together 1", len(weights))
    return weights


def _long_time_variance(rest: Array, taken: Array) -> tuple[float, int, bool]:
    """Variance that n values' mean has, times n; the window's width; whether it closed.

    As little as independent values have where the trend has taken too much: the caller takes no less.
    """
    n = len(rest)
    total = first = float(rest @ rest) / n
    gone = float(taken[0])
    best = (total, 0, False)
    for lag in range(1, len(taken)):
        total += 2.0 * float(rest[:-lag] @ rest[lag:]) / n
        gone += 2.0 * float(taken[lag])
        if gone > MOST_TAKEN:
            return best
        whole = max(total, 0.1 * first) / (1.0 - gone)
        closed = lag >= WINDOW * 0.5 * whole / (first / (1.0 - float(taken[0])))
        best = (whole, lag, closed)
        if closed:
            break
    return best


@lru_cache(maxsize=128)
def _taken(n: int, degree: int) -> Array:
    """For each lag, the share of the long-time variance that taking a polynomial out takes off."""
    basis = [q / math.sqrt(float(q @ q)) for q in _polynomials(n, degree)]
    lags = range(min(n // 2, 1000))
    return np.array([sum(float(q[: n - k] @ q[k:]) for q in basis) / n for k in lags])


def _polynomials(n: int, degree: int) -> list[Array]:
    """Polynomials orthogonal over the sample numbers, degree 0 to `degree` (Forsythe)."""
    x = 2.0 * np.arange(n) / (n - 1.0) - 1.0
    found = [np.ones(n)]
    before, norm_before = np.zeros(n), 1.0
    for _ in range(degree):
        now = found[-1]
        norm = float(now @ now)
        found.append((x - float((x * now) @ now) / norm) * now - norm / norm_before * before)
        before, norm_before = now, norm
    return found


def _detrended(values: Sequence[float], degree: int) -> list[float]:
    """Residuals of a least-squares polynomial."""
    rest = np.array(values, dtype=float)
    for q in _polynomials(len(values), degree):
        rest = rest - float(rest @ q) / float(q @ q) * q
    return [float(r) for r in rest]


@dataclass(frozen=True, slots=True)
class RunSpread:
    """How whole runs and single points differ. means: (run, mean) for each run.

    point_u: relative standard uncertainty of the grand mean from the scatter of points between runs.
    run_u: the same from what the runs' means differ beyond that. spread: range of the means over their mean.
    """

    means: tuple[tuple[int, float], ...]
    point_u: float = 0.0
    point_dof: float = 0.0
    run_u: float = 0.0
    run_dof: float = 0.0
    spread: float = 0.0


def spread_of_runs(runs: Mapping[int, Mapping[Any, float]]) -> RunSpread:
    """Two-way analysis of runs (value at each place): points, runs, and the rest (GUM H.5).

    Only places present in every run are compared; with one run there is nothing to compare.
    """
    means = tuple((n, math.fsum(v.values()) / len(v)) for n, v in runs.items())
    shared = set.intersection(*(set(v) for v in runs.values())) if runs else set()
    count, places = len(runs), len(shared)
    if count < 2 or not places:
        return RunSpread(means)
    order = sorted(shared)
    table = [[v[p] for p in order] for v in runs.values()]
    run_means = [math.fsum(row) / places for row in table]
    grand = math.fsum(run_means) / count
    if grand == 0.0:
        return RunSpread(means)
    place_means = [math.fsum(row[j] for row in table) / count for j in range(places)]
    rest = math.fsum(
        (row[j] - m - place_means[j] + grand) ** 2
        for row, m in zip(table, run_means, strict=True)
        for j in range(places)
    )
    point_dof = (count - 1) * (places - 1)
    point_square = rest / point_dof / places if point_dof else 0.0
    run_square = math.fsum((m - grand) ** 2 for m in run_means) / (count - 1)
    return RunSpread(
        means,
        math.sqrt(point_square / count) / abs(grand),
        float(point_dof),
        math.sqrt(max(run_square - point_square, 0.0) / count) / abs(grand),
        float(count - 1),
        (max(run_means) - min(run_means)) / abs(grand),
    )
