"""Traverse layouts: holes to drill, insertion depths to mark, and what the plane is worth."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from .duct import Duct, Shape
from .errors import Refused, not_negative, positive
from .positions import Rule, round_fractions, side_fractions

INCH = 0.0254
EXPONENTS = (5.0, 7.0, 10.0)
"""Powers 1/n of the wall-distance law that duct profiles are tried with (7 is the usual one)."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A place to drill. position: m along the drilled wall from its left inside edge (0 for a round duct).

    angle: degrees around a round duct, from the first hole. label: A, B, C ...
    """

    label: str
    position: float
    angle: float = 0.0


@dataclass(frozen=True, slots=True)
class Point:
    """A measuring point. All lengths m.

    hole: index of the hole from 0. row: from 1 at the near wall. x, y: place in the cross section (round:
    from the centre; others: from the left edge of the drilled wall). depth: from the near inside wall.
    mark: from the outside of the duct, where the probe is marked.
    """

    label: str
    hole: int
    row: int
    x: float
    y: float
    depth: float
    mark: float


@dataclass(frozen=True, slots=True)
class Counts:
    """How many holes and points a rule asks for, and why. capped: the rule wanted more."""

    holes: int
    points_per_hole: int
    source: str
    reason: str
    capped: bool = False


@dataclass(frozen=True, slots=True)
class Layout:
    """A traverse laid out; points are ordered by hole, then by depth, all of equal weight."""

    duct: Duct
    rule: Rule
    holes: tuple[Hole, ...]
    points: tuple[Point, ...]
    integration_bias: float
    """Largest error of the mean on developed profiles (power law), as a fraction: see `pattern_bias`."""

    @property
    def rows(self) -> int:
        """Points per hole."""
        return len(self.points) // len(self.holes)

    @property
    def reach(self) -> float:
        """Longest mark, m: the probe must be at least this long."""
        return max(p.mark for p in self.points)


@lru_cache(maxsize=1024)
def make_layout(
    duct: Duct, rule: Rule, *, holes: int | None = None, points_per_hole: int | None = None
) -> Layout:
    """Lay out a traverse. Numbers not given are those that `advised_counts` advises.

    Round: 2 or 3 diameters (holes), an even number of points on each. Rectangular: holes along the width.
    Flat oval: equal areas only. Errors: Refused, naming the number that the rule cannot have.
    """
    advised = advised_counts(duct, rule)
    columns = advised.holes if holes is None else holes
    rows = advised.points_per_hole if points_per_hole is None else points_per_hole
    placed, points = _PLACE[duct.shape](duct, rule, columns, rows)
    return Layout(duct, rule, placed, points, pattern_bias(duct, points))


def advised_counts(duct: Duct, rule: Rule) -> Counts:
    """How many holes and points the usual rules ask for in this duct."""
    if duct.shape is Shape.ROUND:
        return _round_counts(duct, rule)
    if rule is Rule.LOG_LINEAR:
        raise Refused(
            "rule", "log-linear is for round ducts; choose log_tchebycheff or equal_area", rule.value
        )
    if rule is Rule.EQUAL_AREA:
        return _equal_area_counts(duct)
    if duct.shape is Shape.FLAT_OVAL:
        raise Refused("rule", "a flat oval duct is traversed by equal areas", rule.value)
    return Counts(
        tchebycheff_lines(duct.width),
        tchebycheff_lines(duct.depth),
        "ANSI/ASHRAE 111",
        "log-Tchebycheff: 5 lines below 762 mm (30 in), 6 up to 914 mm (36 in), 7 above; at least 25 points",
    )


def tchebycheff_lines(side: float) -> int:
    """Lines across a side of the given length in m: 5 below 30 in, 6 up to 36 in, 7 above (ASHRAE 111)."""
    inches = round(positive("side", side) / INCH, 9)
    return 5 if inches < 30.0 else 6 if inches <= 36.0 else 7


def equal_area_lines(side: float, pitch: float = 6.0 * INCH) -> int:
    """Lines across a side so that centres are at most `pitch` apart: 4 to 8 (practice, 16 to 64 points)."""
    return min(max(math.ceil(round(positive("side", side) / pitch, 9)), 4), 8)


def _round_counts(duct: Duct, rule: Rule) -> Counts:
    wide = duct.width > 10.0 * INCH + 1e-9
    if rule is Rule.EQUAL_AREA:
        points, why = (10, "over") if wide else (6, "up to")
        return Counts(
            2, points, "practice", f"{why} 254 mm (10 in): {points} points on each of two diameters"
        )
    points = 10 if wide else 6
    return Counts(2, points, "ISO 3966, ANSI/ASHRAE 111", f"two diameters of {points} points")


def _equal_area_counts(duct: Duct) -> Counts:
    pitch = 6.0 * INCH
    columns, rows = equal_area_lines(duct.width), equal_area_lines(duct.depth)
    capped = duct.width > 8.0 * pitch + 1e-9 or duct.depth > 8.0 * pitch + 1e-9
    reason = "centres of equal areas at most 152 mm (6 in) apart, 16 to 64 points"
    if capped:
        reason += "; the cap of 8 lines a side makes them wider apart here"
    return Counts(
        columns, rows, "practice (ANSI/ASHRAE 111 asks for at least 25 or 6 in pitch)", reason, capped
    )


def _label(index: int) -> str:
    """A, B, ... Z, AA, AB ..."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _place_round(duct: Duct, rule: Rule, holes: int, rows: int) -> tuple[tuple[Hole, ...], tuple[Point, ...]]:
    if holes not in (2, 3):
        raise Refused("holes", "a round duct is traversed on 2 or 3 diameters", holes)
    fractions, radius = round_fractions(rule, rows), duct.width / 2.0
    placed = tuple(Hole(_label(i), 0.0, 180.0 * i / holes) for i in range(holes))
    points = []
    for i, hole in enumerate(placed):
        angle = math.radians(90.0 - hole.angle)
        for row, f in enumerate(fractions, 1):
            along = radius - f * duct.width
            x, y = along * math.cos(angle), along * math.sin(angle)
            points.append(_point(duct, hole, i, row, (x, y, f * duct.width)))
    return placed, tuple(points)


def _place_rectangular(
    duct: Duct, rule: Rule, holes: int, rows: int
) -> tuple[tuple[Hole, ...], tuple[Point, ...]]:
    across, down = side_fractions(rule, holes), side_fractions(rule, rows)
    placed = tuple(Hole(_label(i), f * duct.width) for i, f in enumerate(across))
    points = tuple(
        _point(duct, hole, i, row, (hole.position, f * duct.depth, f * duct.depth))
        for i, hole in enumerate(placed)
        for row, f in enumerate(down, 1)
    )
    return placed, points


def _place_flat_oval(
    duct: Duct, rule: Rule, holes: int, rows: int
) -> tuple[tuple[Hole, ...], tuple[Point, ...]]:
    """Lines through the middles (by area) of strips of equal area, each chord cut into equal parts."""
    if rule is not Rule.EQUAL_AREA:
        raise Refused("rule", "a flat oval duct is traversed by equal areas", rule.value)
    down = side_fractions(rule, rows)
    placed = tuple(
        Hole(_label(i), _oval_line(duct, f)) for i, f in enumerate(side_fractions(Rule.EQUAL_AREA, holes))
    )
    points = []
    for i, hole in enumerate(placed):
        chord = _oval_chord(duct, hole.position)
        top = (duct.depth - chord) / 2.0
        for row, f in enumerate(down, 1):
            points.append(_point(duct, hole, i, row, (hole.position, top + f * chord, f * chord)))
    return placed, tuple(points)


def _point(duct: Duct, hole: Hole, index: int, row: int, place: tuple[float, float, float]) -> Point:
    x, y, depth = place
    return Point(f"{hole.label}{row}", index, row, x, y, depth, depth + duct.wall + duct.lining)


_PLACE: dict[Shape, Callable[[Duct, Rule, int, int], tuple[tuple[Hole, ...], tuple[Point, ...]]]] = {
    Shape.ROUND: _place_round,
    Shape.RECTANGULAR: _place_rectangular,
    Shape.FLAT_OVAL: _place_flat_oval,
}


def _oval_chord(duct: Duct, x: float) -> float:
    """Inside height of a flat oval at x from its left end."""
    r = duct.depth / 2.0
    end = min(x, duct.width - x)
    return duct.depth if end >= r else 2.0 * math.sqrt(max(r * r - (r - end) ** 2, 0.0))


def _oval_line(duct: Duct, share: float) -> float:
    """x that leaves `share` of a flat oval's area on its left."""
    r, target = duct.depth / 2.0, share * duct.area

    def left(x: float) -> float:
        end = min(x, r)
        half = r * r * math.acos((r - end) / r) - (r - end) * math.sqrt(max(2.0 * r * end - end * end, 0.0))
        if x <= r:
            return half
        if x <= duct.width - r:
            return half + (x - r) * duct.depth
        return duct.area - left(duct.width - x)

    low, high = 0.0, duct.width
    for _ in range(100):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if left(middle) < target else (low, middle)
    return 0.5 * (low + high)


def pattern_bias(duct: Duct, points: tuple[Point, ...]) -> float:
    """Largest error of the pattern's mean on profiles v = (distance to the wall)^(1/n), n of EXPONENTS.

    A signed fraction of the true mean: what the rule itself does wrong in a fully developed flow. In a
    rectangle the profile is the product of both directions.
    """
    errors = [_mean_at(duct, points, n) / _true_mean(duct, n) - 1.0 for n in EXPONENTS]
    return max(errors, key=abs)


def _mean_at(duct: Duct, points: tuple[Point, ...], n: float) -> float:
    return math.fsum(profile(duct, p.x, p.y, n) for p in points) / len(points)


def profile(duct: Duct, x: float, y: float, n: float = 7.0) -> float:
    """Velocity over its maximum at a place of the cross section (coordinates as `Point`) by the power law."""
    if duct.shape is Shape.ROUND:
        return float(max(1.0 - 2.0 * math.hypot(x, y) / duct.width, 0.0) ** (1.0 / n))
    if duct.shape is Shape.RECTANGULAR:
        across = max(1.0 - abs(1.0 - 2.0 * x / duct.width), 0.0)
        return float((across * max(1.0 - abs(1.0 - 2.0 * y / duct.depth), 0.0)) ** (1.0 / n))
    r = duct.depth / 2.0
    centre = min(max(x, r), duct.width - r)
    return float(max(1.0 - math.hypot(x - centre, y - r) / r, 0.0) ** (1.0 / n))


def _true_mean(duct: Duct, n: float) -> float:
    circle, strip = 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0)), n / (n + 1.0)
    if duct.shape is Shape.ROUND:
        return circle
    if duct.shape is Shape.RECTANGULAR:
        return strip * strip
    ends = math.pi / 4.0 * duct.depth**2
    return (ends * circle + (duct.area - ends) * strip) / duct.area


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """Whether a probe reaches every point. short_by: m missing, 0 when it reaches. unreachable: labels."""

    reaches: bool
    short_by: float
    unreachable: tuple[str, ...]


def check_probe(layout: Layout, length: float, *, handle: float = 0.0) -> ProbeCheck:
    """Compare a probe's usable length (m, less what the handle or fitting takes) with the layout's marks."""
    usable = positive("probe length", length) - not_negative("handle", handle)
    missing = tuple(p.label for p in layout.points if p.mark > usable + 1e-12)
    return ProbeCheck(not missing, max(layout.reach - usable, 0.0), missing)


class PlaneGrade(StrEnum):
    """How good a measuring plane is by its distances from disturbances."""

    GOOD = "good"
    FAIR = "fair"
    POOR = "poor"
    UNKNOWN = "unknown"


WANTED_UPSTREAM, WANTED_DOWNSTREAM = 7.5, 3.0


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane's quality. upstream, downstream: straight lengths in hydraulic diameters (None: not measured).

    relative_u: standard uncertainty of the mean velocity that the plane costs, as a fraction.
    """

    grade: PlaneGrade
    upstream: float | None
    downstream: float | None
    relative_u: float


def plane_quality(duct: Duct, upstream: float | None, downstream: float | None) -> Plane:
    """Judge a plane by the straight lengths (m) before and after it.

    Wanted: 7.5 hydraulic diameters before, 3 after (common practice). The uncertainty grows from 1 % with
    both to 5 % without any straight length before the plane, and by up to 2 % (in quadrature) without any
    after; 4 % when not measured. These figures are this project's choice, in the order of size of the
    method uncertainties of EN 16211 (from memory); give your own where you know better.
    """
    if upstream is None or downstream is None:
        return Plane(PlaneGrade.UNKNOWN, None, None, 0.04)
    before = not_negative("upstream", upstream) / duct.hydraulic_diameter
    after = not_negative("downstream", downstream) / duct.hydraulic_diameter
    lack_before = max(1.0 - before / WANTED_UPSTREAM, 0.0)
    lack_after = max(1.0 - after / WANTED_DOWNSTREAM, 0.0)
    u = math.hypot(0.01 + 0.04 * lack_before, 0.02 * lack_after)
    good = lack_before <= 1e-9 and lack_after <= 1e-9
    poor = before < 3.0 or after < 1.0
    return Plane(PlaneGrade.GOOD if good else PlaneGrade.POOR if poor else PlaneGrade.FAIR, before, after, u)
