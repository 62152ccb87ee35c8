"""Type A evaluations: means, runs, and series whose values hang together.

Sources: JCGM 100:2008 4.2, H.5 (analysis of variance); JCGM GUM-6:2020 and Zieba (Metrologia 2010) for
the effective number of values in an autocorrelated series.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .errors import Refused, all_finite


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


def series_type_a(values: Sequence[float], degree: int = 0) -> TypeA:
    """Mean of a series sampled in equal steps, whose neighbours are alike.

    A polynomial of `degree` is taken out first (the profile along a sweep is no fluctuation). The variance
    of the mean is s^2 / n_eff with n_eff = n / (1 + 2 sum (1 - k/n) r_k), summed up to the first r_k that is
    not above zero. Degrees of freedom: n_eff - 1 - degree, at least 1. Needs 10 values more than the degree.
    """
    n = len(values)
    if n < 10 + degree:
        raise Refused("series", f"needs at least {10 + degree} samples", n)
    all_finite("series", values)
    rest = _detrended(values, degree)
    energy = math.fsum(r * r for r in rest)
    mean = math.fsum(values) / n
    if energy <= 1e-28 * n * max(mean * mean, 1e-300):
        return TypeA(mean, 0.0, 0.0, float(n - 1 - degree))
    stretch = 1.0
    for lag in range(1, n // 2):
        r = math.fsum(a * b for a, b in zip(rest, rest[lag:], strict=False)) / energy
        if r <= 0.0:
            break
        stretch += 2.0 * (1.0 - lag / n) * r
    effective = n / stretch
    dof = max(effective - 1.0 - degree, 1.0)
    s = math.sqrt(energy / max(n - 1 - degree, 1))
    return TypeA(mean, s, s / math.sqrt(effective), dof)


def _detrended(values: Sequence[float], degree: int) -> list[float]:
    """Residuals of a least-squares polynomial, by orthogonal polynomials on the sample numbers (Forsythe)."""
    n = len(values)
    rest = list(values)
    x = [2.0 * i / (n - 1) - 1.0 for i in range(n)]
    before, now = [0.0] * n, [1.0] * n
    norm_before = 1.0
    for _ in range(degree + 1):
        norm = math.fsum(p * p for p in now)
        share = math.fsum(r * p for r, p in zip(rest, now, strict=True)) / norm
        rest = [r - share * p for r, p in zip(rest, now, strict=True)]
        a = math.fsum(v * p * p for v, p in zip(x, now, strict=True)) / norm
        b = norm / norm_before
        before, now = now, [(v - a) * p - b * q for v, p, q in zip(x, now, before, strict=True)]
        norm_before = norm
    return rest


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
