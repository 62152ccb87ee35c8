"""How far the mean of a traverse's points lies from the mean of the section: from the profile itself.

A rule's equal weights are right for the profiles that it was made for. Here smooth profiles are fitted to the
velocities that were measured, integrated over the whole section and compared with the points' mean. Four
families stand beside each other, so that no single law of the wall decides: the power laws 1/5, 1/7 and 1/10
of the wall distance, each times a polynomial that can lean and bulge, and a logarithmic wall law with a
polynomial added. All are linear in their coefficients, so that a fitted profile's mean is a fixed set of
weights for a layout; these are kept, and a traverse costs a few sums.

Sources: ISO 3966 for numerical integration of a profile beside the arithmetical rules (from memory); Akaike
weights for families that fit about equally well (Burnham and Anderson 2002); JCGM 100:2008 G.4 for degrees of
freedom, F.2.4.5 for a bias that is not corrected. The choice of families and terms is this project's own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from .distributions import COVERAGE, normal_cdf
from .duct import Duct, Shape
from .errors import Refused, finite, not_negative
from .layout import EXPONENTS, Layout, make_layout
from .positions import Rule

Array = npt.NDArray[np.float64]
Place = tuple[int, int]

LEAST_POINTS = 6
"""Fewer points than this say nothing of the profile's shape."""
MOST_MISSING = 0.25
"""Share of a layout's points above which the rest no longer stand for the section."""
FLOOR = 0.002
"""Least standard uncertainty, as a fraction (practice)."""
FIT_FLOOR = 0.01
"""Added to the residuals (fraction of the mean, in quadrature) before families are weighed: velocities are
rarely known better, and no family is the truth. With it the estimates cover (tests of skewed profiles)."""
ONE_MORE = (len(EXPONENTS) + 2.0) / len(EXPONENTS)
"""(N + 1) / (N - 1) for N families: variance of one more profile, which the true one is, about their mean."""
ORDER = 20
"""Gauss points for each stretch of the section."""


class IntegrationSource(StrEnum):
    """Where an integration error comes from."""

    PUBLISHED = "published"
    """A published method uncertainty, given as an allowance."""
    PROFILE = "profile"
    """Computed from the measured profile."""
    LAYOUT = "layout"
    """From the layout alone, on power-law profiles."""
    SAMPLE = "sample"
    """From the scatter of the points, taken as a random sample of the section."""


class FitReason(StrEnum):
    """Why a profile was fitted, or was not."""

    FITTED = "fitted"
    GIVEN = "given"
    """No profile was asked: the figure was given."""
    TOO_FEW_POINTS = "too_few_points"
    MANY_MISSING = "many_missing"
    NOT_FORWARD = "not_forward"
    """A velocity is zero or negative: the air turns back or stands, no wall law holds."""


@dataclass(frozen=True, slots=True)
class FamilyBias:
    """Bias of the points' mean by one family of profiles. weight: by fit; all weights add to 1."""

    family: str
    bias: float
    weight: float
    residual: float


@dataclass(frozen=True, slots=True)
class RuleBias:
    """What a rule with other numbers of points would err by on the fitted profile, as a fraction."""

    rule: Rule
    holes: int
    points_per_hole: int
    bias: float


@dataclass(frozen=True, slots=True)
class IntegrationEstimate:
    """Integration error of a traverse's mean, as fractions of the mean.

    bias: mean of the points over the mean of the section, less 1. u: standard uncertainty of that bias, dof
    its degrees of freedom. source: how it was found; reason: why a profile was fitted or was not. residual:
    standard deviation of the points about the profile. covers_missing: whether points that were not read are
    accounted for. families, others: the parts, empty without a fit. free: degrees of freedom of the residuals
    (points less the profile's terms; 0 without a fit).
    """

    bias: float
    u: float
    dof: float
    source: IntegrationSource
    reason: FitReason
    points: int
    missing: int
    residual: float = 0.0
    covers_missing: bool = False
    families: tuple[FamilyBias, ...] = ()
    others: tuple[RuleBias, ...] = ()
    free: float = 0.0

    @property
    def u_uncorrected(self) -> float:
        """Standard uncertainty where the bias is left in the result (GUM F.2.4.5): both in quadrature."""
        return math.hypot(self.bias, self.u)


def integration_estimate(
    layout: Layout, velocities: Mapping[Place, float], *, fluctuation: float = 0.0
) -> IntegrationEstimate:
    """Integration error of the plain mean of a traverse's velocities.

    velocities: m/s (or any unit proportional to it) by (hole, row), counted from 1; places may be missing.
    fluctuation: standard uncertainty of one velocity from unsteadiness, in the same unit; it is taken off the
    residuals, so that what a budget counts elsewhere is not counted twice.

    The uncertainty joins: the spread of the families; what the residuals leave open, both for the points'
    mean (structure finer than the points) and for the bias; and in round ducts the harmonic around the
    axis that the diameters cannot tell from the mean, by a geometric fall of the harmonics seen. Without
    a fit: the largest bias of the layout on power laws over sqrt(3), and with a velocity at or below zero the
    scatter of the points over sqrt(n) (at least the layout's).
    Errors: Refused (no velocities, not finite, a place outside the layout, a negative fluctuation).
    """
    not_negative("fluctuation", fluctuation)
    order = _checked(layout, velocities)
    values = [velocities[p] for p in order]
    missing = len(layout.points) - len(values)
    if min(values) <= 0.0:
        return _sample_estimate(layout, values, missing)
    if len(values) < LEAST_POINTS:
        return _layout_estimate(layout, values, missing, FitReason.TOO_FEW_POINTS)
    if missing > MOST_MISSING * len(layout.points):
        return _layout_estimate(layout, values, missing, FitReason.MANY_MISSING)
    gaps = () if not missing else tuple(p for p in _places(layout) if p not in velocities)
    weights = _weights(layout.duct, layout.rule, len(layout.holes), layout.rows, gaps)
    return _fitted(layout, weights, values, missing, fluctuation)


def given_integration(u: float, points: int) -> IntegrationEstimate:
    """A published or agreed method uncertainty (fraction), in the same form; points: as many as were read."""
    source, reason = IntegrationSource.PUBLISHED, FitReason.GIVEN
    return IntegrationEstimate(0.0, not_negative("integration", u), math.inf, source, reason, points, 0)


def left_in_u(bias: float, s: float) -> float:
    """Standard uncertainty that a known bias left in a figure stands for, beside others of s (fractions).

    It is as large as makes an interval of +-2 times the whole hold the true value in 95.45 %, the figure
    being normal about the true value plus the bias. Never less than half the bias. This project's own.
    """
    size = abs(bias)
    low, high = size, size + 2.0 * s
    for _ in range(60):
        middle = 0.5 * (low + high)
        inside = normal_cdf((middle - size) / s) - normal_cdf((-middle - size) / s) if s > 0.0 else 1.0
        low, high = (middle, high) if inside < COVERAGE else (low, middle)
    return max(0.5 * size, math.sqrt(max(0.25 * high * high - s * s, 0.0)))


def _places(layout: Layout) -> list[Place]:
    return [(p.hole + 1, p.row) for p in layout.points]


def _checked(layout: Layout, velocities: Mapping[Place, float]) -> list[Place]:
    """Places with a velocity, in the layout's order."""
    if not velocities:
        raise Refused("velocities", "need at least one")
    for place, v in velocities.items():
        finite(f"velocities[{place}]", v)
    order = [p for p in _places(layout) if p in velocities]
    if len(order) != len(velocities):
        strange = sorted(set(velocities) - set(order))
        raise Refused("velocities", "has a place outside the layout", strange[0])
    return order


def _layout_estimate(
    layout: Layout, values: Sequence[float], missing: int, reason: FitReason
) -> IntegrationEstimate:
    u = max(abs(layout.integration_bias) / math.sqrt(3.0), FLOOR)
    return IntegrationEstimate(0.0, u, math.inf, IntegrationSource.LAYOUT, reason, len(values), missing)


def _sample_estimate(layout: Layout, values: Sequence[float], missing: int) -> IntegrationEstimate:
    """No wall law holds: the points are a random sample of the section (GUM 4.2)."""
    n = len(values)
    mean = math.fsum(values) / n
    plain = _layout_estimate(layout, values, missing, FitReason.NOT_FORWARD)
    if n < 2 or mean <= 0.0:
        return plain
    s = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n - 1)) / mean
    u, source = max(s / math.sqrt(n), plain.u), IntegrationSource.SAMPLE
    return IntegrationEstimate(0.0, u, n - 1.0, source, FitReason.NOT_FORWARD, n, missing, s)


@dataclass(frozen=True, slots=True)
class _Family:
    """One family on one layout, all rows over the measured points.

    section: weights whose sum of products is the fitted profile's mean. rest: rows that give the residuals.
    others: weights of the means that other rules would find on the fitted profile.
    """

    name: str
    section: tuple[float, ...]
    rest: tuple[tuple[float, ...], ...]
    others: tuple[tuple[float, ...], ...]
    terms: int
    gain: float
    """Root sum of squares of section weights less the plain mean's."""


@dataclass(frozen=True, slots=True)
class _Weights:
    """All families on one layout; harmonics: rows for the first and second harmonic around the axis."""

    families: tuple[_Family, ...]
    others: tuple[tuple[int, int], ...]
    harmonics: tuple[tuple[tuple[float, ...], tuple[float, ...]], ...]


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return sum([x * y for x, y in zip(a, b, strict=True)])


def _fitted(
    layout: Layout, weights: _Weights, values: Sequence[float], missing: int, fluctuation: float
) -> IntegrationEstimate:
    n = len(values)
    mean = math.fsum(values) / n
    families = [_family_bias(f, values, mean) for f in weights.families]
    scores = [
        -0.5 * n * math.log(r * r + FIT_FLOOR**2) - f.terms
        for f, (_, r) in zip(weights.families, families, strict=True)
    ]
    best = max(scores)
    shares = [math.exp(s - best) for s in scores]
    total = sum(shares)
    shares = [s / total for s in shares]
    bias = _dot(shares, [b for b, _ in families])
    spread = ONE_MORE * _dot(shares, [(b - bias) ** 2 for b, _ in families])
    residual = math.sqrt(_dot(shares, [r * r for _, r in families]))
    gain = _dot(shares, [f.gain**2 for f in weights.families])
    own = max(residual**2 - (fluctuation / mean) ** 2, 0.0)
    rest = own / n + residual**2 * gain
    alias = _alias(weights.harmonics, values, mean, 2 * len(layout.holes))
    u = max(math.sqrt(spread + rest + 0.5 * alias * alias), FLOOR)
    free = n - _dot(shares, [float(f.terms) for f in weights.families])
    dof = free * (u * u / rest) ** 2 if rest > 0.0 else math.inf
    found = tuple(
        FamilyBias(f.name, b, share, r)
        for f, (b, r), share in zip(weights.families, families, shares, strict=True)
    )
    return IntegrationEstimate(
        bias,
        u,
        dof,
        IntegrationSource.PROFILE,
        FitReason.FITTED,
        n,
        missing,
        residual,
        True,
        found,
        _others(layout.rule, weights, shares, values),
        free,
    )


def _family_bias(family: _Family, values: Sequence[float], mean: float) -> tuple[float, float]:
    """Bias of the plain mean, and standard deviation of the points about the profile over the mean."""
    section = _dot(family.section, values)
    free = len(values) - family.terms
    squares = sum([_dot(row, values) ** 2 for row in family.rest])
    return mean / section - 1.0, math.sqrt(squares / free) / mean


def _others(
    rule: Rule, weights: _Weights, shares: Sequence[float], values: Sequence[float]
) -> tuple[RuleBias, ...]:
    found = []
    for i, (holes, rows) in enumerate(weights.others):
        biases = [_dot(f.others[i], values) / _dot(f.section, values) - 1.0 for f in weights.families]
        found.append(RuleBias(rule, holes, rows, _dot(shares, biases)))
    return tuple(found)


def _alias(
    harmonics: Sequence[tuple[Sequence[float], Sequence[float]]],
    values: Sequence[float],
    mean: float,
    angles: int,
) -> float:
    """Amplitude, over the mean, of the harmonic that `angles` equal steps around the axis take for the mean.

    A smooth profile's harmonics fall like a geometric series; its ratio is taken from the first two.
    """
    if not harmonics:
        return 0.0
    first, second = (math.hypot(_dot(a, values), _dot(b, values)) / mean for a, b in harmonics)
    ratio = max(first, math.sqrt(second))
    return float(min(ratio, 1.0) ** angles)


@lru_cache(maxsize=512)
def _weights(duct: Duct, rule: Rule, holes: int, rows: int, gaps: tuple[Place, ...]) -> _Weights:
    layout = make_layout(duct, rule, holes=holes, points_per_hole=rows)
    kept = [p for p in layout.points if (p.hole + 1, p.row) not in gaps]
    at = np.array([p.x for p in kept]), np.array([p.y for p in kept])
    section = _section(duct)
    counts = _other_counts(duct, rule, holes, rows)
    patterns = [_points_of(make_layout(duct, rule, holes=h, points_per_hole=r)) for h, r in counts]
    families = []
    for name, wall, terms in _FAMILIES:
        build = _builder(duct, holes, rows, terms, wall, at)
        families.append(_family(name, build, at, section, patterns))
    return _Weights(tuple(families), counts, _harmonic_rows(duct, *at))


def _points_of(layout: Layout) -> tuple[Array, Array]:
    return np.array([p.x for p in layout.points]), np.array([p.y for p in layout.points])


def _other_counts(duct: Duct, rule: Rule, holes: int, rows: int) -> tuple[tuple[int, int], ...]:
    """Numbers of the next smaller and the next larger layout that the rule can have."""
    step = 2 if duct.shape is Shape.ROUND else 1
    found = []
    for sign in (-1, 1):
        h = holes if duct.shape is Shape.ROUND else holes + sign
        try:
            make_layout(duct, rule, holes=h, points_per_hole=rows + sign * step)
        except Refused:
            continue
        found.append((h, rows + sign * step))
    return tuple(found)


Terms = Callable[[Array, Array], Array]


def _family(
    name: str,
    build: Terms,
    at: tuple[Array, Array],
    section: tuple[Array, Array, Array],
    patterns: Sequence[tuple[Array, Array]],
) -> _Family:
    design = build(*at)
    n = design.shape[0]
    fit = np.linalg.pinv(design)
    x, y, area = section
    whole = (area @ build(x, y)) @ fit
    rest = np.eye(n) - design @ fit
    others = tuple(tuple((build(*p).mean(axis=0) @ fit).tolist()) for p in patterns)
    gain = float(np.sqrt(((whole - 1.0 / n) ** 2).sum()))
    rows = tuple(tuple(row) for row in rest.tolist())
    return _Family(name, tuple(whole.tolist()), rows, others, design.shape[1], gain)


Wall = Callable[[Duct, Array, Array], list[Array]]


def _builder(duct: Duct, holes: int, rows: int, shape: bool, wall: Wall, at: tuple[Array, Array]) -> Terms:
    """Terms of a family, as many as half of the points can carry and as the places can tell apart."""

    def terms(level: int) -> Terms:
        def build(x: Array, y: Array) -> Array:
            walls = wall(duct, x, y)
            smooth = _polynomial(duct, holes, rows, level, x, y)
            columns = [walls[0] * s for s in smooth] if shape else [*smooth, *walls]
            return np.stack(columns, axis=1)

        return build

    for level in range(4, 0, -1):
        built = terms(level)
        design = built(*at)
        count = design.shape[1]
        if 2 * count <= design.shape[0] and np.linalg.matrix_rank(design, tol=1e-6) == count:
            return built
    return terms(0)


def _polynomial(duct: Duct, holes: int, rows: int, level: int, x: Array, y: Array) -> list[Array]:
    """Smooth terms up to a level: total degree, in coordinates from -1 to 1 over the section."""
    if duct.shape is Shape.ROUND:
        return _round_terms(2.0 * x / duct.width, 2.0 * y / duct.width, holes, level)
    a, b = 2.0 * x / duct.width - 1.0, 2.0 * y / duct.depth - 1.0
    most_a, most_b = max(holes - 2, 0), max(rows - 2, 0)
    powers = [(i, t - i) for t in range(level + 1) for i in range(t + 1)]
    return [a**i * b**j for i, j in powers if i <= most_a and j <= most_b]


def _round_terms(a: Array, b: Array, holes: int, level: int) -> list[Array]:
    """Powers of the radius times the harmonics that 2 or 3 diameters can tell apart."""
    square = a * a + b * b
    second = [a * a - b * b] if holes == 2 else [a * a - b * b, 2.0 * a * b]
    steps = [[np.ones_like(a)], [a, b], [square, *second], [square * a, square * b], [square * square]]
    return [term for step in steps[: level + 1] for term in step]


def _distances(duct: Duct, x: Array, y: Array) -> list[Array]:
    """Distance to the wall over its largest value: one for each pair of walls of a rectangle, else one."""
    if duct.shape is Shape.ROUND:
        return [1.0 - 2.0 * np.hypot(x, y) / duct.width]
    if duct.shape is Shape.RECTANGULAR:
        return [1.0 - np.abs(1.0 - 2.0 * x / duct.width), 1.0 - np.abs(1.0 - 2.0 * y / duct.depth)]
    r = duct.depth / 2.0
    centre = np.clip(x, r, duct.width - r)
    return [1.0 - np.hypot(x - centre, y - r) / r]


def _power(n: float) -> Wall:
    def wall(duct: Duct, x: Array, y: Array) -> list[Array]:
        distances = _distances(duct, x, y)
        return [np.maximum(np.prod(distances, axis=0), 0.0) ** (1.0 / n)]

    return wall


def _logarithm(duct: Duct, x: Array, y: Array) -> list[Array]:
    return [np.log(np.maximum(d, 1e-300)) for d in _distances(duct, x, y)]


_FAMILIES: tuple[tuple[str, Wall, bool], ...] = (
    *((f"power 1/{n:g}", _power(n), True) for n in EXPONENTS),
    ("logarithmic", _logarithm, False),
)


def _harmonic_rows(duct: Duct, x: Array, y: Array) -> tuple[tuple[tuple[float, ...], tuple[float, ...]], ...]:
    """Rows giving the first and second harmonic around the axis (mean over the radii); round ducts only."""
    if duct.shape is not Shape.ROUND:
        return ()
    angle, scale = np.arctan2(y, x), 2.0 / len(x)
    return tuple(
        (tuple((scale * np.cos(k * angle)).tolist()), tuple((scale * np.sin(k * angle)).tolist()))
        for k in (1, 2)
    )


def _section(duct: Duct) -> tuple[Array, Array, Array]:
    """Points over the whole section with their shares of the area; dense at the walls."""
    if duct.shape is Shape.ROUND:
        x, y, area = _disc(duct.width / 2.0, 0.0, 2.0 * math.pi)
    elif duct.shape is Shape.RECTANGULAR:
        x, y, area = _grid(*_across(duct.width), *_across(duct.depth))
    else:
        x, y, area = _oval(duct)
    return x, y, area / area.sum()


def _gauss() -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights on 0 to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(ORDER)
    return 0.5 * (nodes + 1.0), 0.5 * weights


def _from_wall(length: float) -> tuple[Array, Array]:
    """Distances from a wall up to `length` and their weights; t^4 takes the steepness off the wall."""
    t, w = _gauss()
    return length * t**4, length * 4.0 * t**3 * w


def _across(side: float) -> tuple[Array, Array]:
    near, w = _from_wall(side / 2.0)
    return np.concatenate([near, side - near]), np.concatenate([w, w])


def _grid(x: Array, wx: Array, y: Array, wy: Array) -> tuple[Array, Array, Array]:
    xx, yy = np.meshgrid(x, y)
    return xx.ravel(), yy.ravel(), np.outer(wy, wx).ravel()


def _disc(radius: float, start: float, turn: float) -> tuple[Array, Array, Array]:
    """A disc or a sector of it, about its centre."""
    y, w = _from_wall(radius)
    r = radius - y
    if turn >= 2.0 * math.pi:
        angle, wa = np.arange(24) * (turn / 24.0), np.full(24, turn / 24.0)
    else:
        t, wt = _gauss()
        angle, wa = start + turn * t, turn * wt
    rr, aa = np.meshgrid(r, angle)
    return (rr * np.cos(aa)).ravel(), (rr * np.sin(aa)).ravel(), np.outer(wa, w * r).ravel()


def _oval(duct: Duct) -> tuple[Array, Array, Array]:
    r, flat = duct.depth / 2.0, duct.width - duct.depth
    left = _disc(r, 0.5 * math.pi, math.pi)
    right = _disc(r, -0.5 * math.pi, math.pi)
    parts = [(left[0] + r, left[1] + r, left[2]), (right[0] + r + flat, right[1] + r, right[2])]
    if flat > 0.0:
        t, w = _gauss()
        parts.append(_grid(r + flat * t, flat * w, *_across(duct.depth)))
    x, y, area = (np.concatenate(p) for p in zip(*parts, strict=True))
    return x, y, area
