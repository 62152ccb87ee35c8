"""Traverse layouts: holes to drill, insertion depths to mark, and what the plane is worth."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from .duct import Duct, Shape
from .errors import Refused, finite, not_negative, positive
from .positions import Rule, round_fractions, side_fractions

INCH = 0.0254
PITCH = 6.0 * INCH
"""Largest distance between centres of equal areas, m (practice)."""
EXPONENTS = (5.0, 7.0, 10.0)
"""Powers 1/n of the wall-distance law that duct profiles are tried with (7 is the usual one)."""
FLAT = 20.0
"""Power 1/n of the flattest profile that is met where a profile has not developed: behind a disturbance the
layers at the walls begin anew (this project's own)."""
DEVELOPING = 15.0
"""Hydraulic diameters in which a profile develops (25 to 40: texts on pipe flow, from memory). Skew and swirl
of a disturbance die away in fewer, so that a good plane need not have a developed profile."""


class Provenance(StrEnum):
    """How a figure that no computation gives came here."""

    READ = "read"
    """Seen in the source, or in a copy or quotation of it."""
    MEMORY = "memory"
    """The source recalled, not seen."""
    PRACTICE = "practice"
    """A habit of the trade without a binding source."""
    OWN = "own"
    """This project's choice."""
    GIVEN = "given"
    """Entered by whoever uses it, with their source."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A place to drill. position: m along the drilled wall from its left inside edge (0 for a round duct).

    angle: degrees around a round duct, from the first hole. label: A, B, C ... mark: m along the outside,
    where the tape lies: from the outside left edge of a rectangle; around from the first hole of a round
    duct; from the middle of the flat face of a flat oval, over the curve, negative to the left.
    """

    label: str
    position: float
    angle: float
    mark: float


@dataclass(frozen=True, slots=True)
class Point:
    """A measuring point. All lengths m.

    hole: index of the hole from 0. row: from 1 at the near wall. x, y: place in the cross section (round:
    from the centre; others: from the left edge of the drilled wall). depth: from the near inside wall.
    mark: from the outside of the duct, where the probe is marked. opposite: the same from the far side, for
    a probe that is too short.
    """

    label: str
    hole: int
    row: int
    x: float
    y: float
    depth: float
    mark: float
    opposite: float


class Across(StrEnum):
    """What a number of lines or points goes by."""

    DIAMETER = "diameter"
    WIDTH = "width"
    DEPTH = "depth"
    PROFILE = "profile"
    """A poor profile, whatever the size."""


@dataclass(frozen=True, slots=True)
class Asked:
    """Why a rule asks for a number: the size it goes by and the limits of that step. Lengths m.

    asks: lines across that side, points on each diameter, or diameters (PROFILE). above, up_to: the limits of
    the rule's step that the size falls in (None: open).
    """

    across: Across
    size: float
    asks: int
    above: float | None
    up_to: float | None
    source: str
    provenance: Provenance


@dataclass(frozen=True, slots=True)
class Counts:
    """How many holes and points a rule asks for, and why. capped: the rule wanted more.

    why: the rule's steps that applied, as data. least: the fewest readings that a trade manual accepts in
    this section (see `fewest_points`).
    """

    holes: int
    points_per_hole: int
    source: str
    reason: str
    capped: bool = False
    rule: Rule = Rule.EQUAL_AREA
    why: tuple[Asked, ...] = ()
    least: int = 4


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


def advised_counts(duct: Duct, rule: Rule, *, poor_profile: bool = False) -> Counts:
    """How many holes and points the usual rules ask for in this duct.

    poor_profile: the plane is near a disturbance or a traverse showed an uneven profile; a round duct then
    has three diameters instead of two (ANSI/ASHRAE 111, from memory).
    """
    if duct.shape is Shape.ROUND:
        return _round_counts(duct, rule, poor_profile)
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
        rule=rule,
        why=(_tchebycheff_asked(Across.WIDTH, duct.width), _tchebycheff_asked(Across.DEPTH, duct.depth)),
        least=fewest_points(duct),
    )


def tchebycheff_lines(side: float) -> int:
    """Lines across a side of the given length in m: 5 below 30 in, 6 up to 36 in, 7 above (ASHRAE 111)."""
    inches = round(positive("side", side) / INCH, 9)
    return 5 if inches < 30.0 else 6 if inches <= 36.0 else 7


def _tchebycheff_asked(across: Across, side: float) -> Asked:
    lines = tchebycheff_lines(side)
    above, up_to = {5: (None, 30.0), 6: (30.0, 36.0), 7: (36.0, None)}[lines]
    return Asked(across, side, lines, _metres(above), _metres(up_to), "ANSI/ASHRAE 111", Provenance.READ)


def _metres(inches: float | None) -> float | None:
    return None if inches is None else inches * INCH


def equal_area_lines(side: float, pitch: float = PITCH) -> int:
    """Lines across a side so that centres are at most `pitch` apart: 4 to 8 (practice, 16 to 64 points)."""
    return min(max(_pitches(side, pitch), 4), 8)


def fewest_points(duct: Duct) -> int:
    """Fewest readings that a trade manual accepts: at most 6 in apart, two lines a side at least.

    Four in the smallest rectangle (a US balancing manual); elsewhere at least 16 are asked for, whatever the
    size, and `advised_counts` goes by that. Round: six on each of two diameters.
    """
    if duct.shape is Shape.ROUND:
        return 12
    return max(_pitches(duct.width), 2) * max(_pitches(duct.depth), 2)


def _pitches(side: float, pitch: float = PITCH) -> int:
    return math.ceil(round(positive("side", side) / positive("pitch", pitch), 9))


def _round_counts(duct: Duct, rule: Rule, poor_profile: bool) -> Counts:
    limit = 10.0 * INCH
    wide = duct.width > limit + 1e-9
    points, word = (10, "over") if wide else (6, "up to")
    sources = {Rule.EQUAL_AREA: ("practice", Provenance.PRACTICE)}
    source, provenance = sources.get(rule, ("ISO 3966, ANSI/ASHRAE 111", Provenance.READ))
    above, up_to = (limit, None) if wide else (None, limit)
    why = [Asked(Across.DIAMETER, duct.width, points, above, up_to, source, provenance)]
    reason = f"{word} 254 mm (10 in): {points} points on each of two diameters"
    if poor_profile:
        asked = Asked(Across.PROFILE, duct.width, 3, None, None, "ANSI/ASHRAE 111", Provenance.MEMORY)
        why.append(asked)
        reason = f"{word} 254 mm (10 in): {points} points on each of three diameters, for a poor profile"
    holes = 3 if poor_profile else 2
    return Counts(holes, points, source, reason, False, rule, tuple(why), fewest_points(duct))


def _equal_area_counts(duct: Duct) -> Counts:
    columns, rows = equal_area_lines(duct.width), equal_area_lines(duct.depth)
    capped = duct.width > 8.0 * PITCH + 1e-9 or duct.depth > 8.0 * PITCH + 1e-9
    reason = "centres of equal areas at most 152 mm (6 in) apart, 16 to 64 points"
    if capped:
        reason += "; the cap of 8 lines a side makes them wider apart here"
    return Counts(
        columns,
        rows,
        "practice (ANSI/ASHRAE 111 asks for at least 25 or 6 in pitch)",
        reason,
        capped,
        Rule.EQUAL_AREA,
        (_pitch_asked(Across.WIDTH, duct.width), _pitch_asked(Across.DEPTH, duct.depth)),
        fewest_points(duct),
    )


def _pitch_asked(across: Across, side: float) -> Asked:
    lines = equal_area_lines(side)
    above = None if lines == 4 else (lines - 1) * PITCH
    up_to = None if lines == 8 else lines * PITCH
    return Asked(across, side, lines, above, up_to, "practice", Provenance.PRACTICE)


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
    around = math.pi * (radius + duct.wall + duct.lining) / holes
    placed = tuple(Hole(_label(i), 0.0, 180.0 * i / holes, around * i) for i in range(holes))
    points = []
    for i, hole in enumerate(placed):
        angle = math.radians(90.0 - hole.angle)
        for row, f in enumerate(fractions, 1):
            along = radius - f * duct.width
            x, y = along * math.cos(angle), along * math.sin(angle)
            points.append(_point(hole, i, row, (x, y), (f * duct.width, duct.width), _skin(duct)))
    return placed, tuple(points)


def _place_rectangular(
    duct: Duct, rule: Rule, holes: int, rows: int
) -> tuple[tuple[Hole, ...], tuple[Point, ...]]:
    across, down = side_fractions(rule, holes), side_fractions(rule, rows)
    skin = _skin(duct)
    placed = tuple(Hole(_label(i), f * duct.width, 0.0, skin + f * duct.width) for i, f in enumerate(across))
    points = tuple(
        _point(hole, i, row, (hole.position, f * duct.depth), (f * duct.depth, duct.depth), skin)
        for i, hole in enumerate(placed)
        for row, f in enumerate(down, 1)
    )
    return placed, points


def _place_flat_oval(
    duct: Duct, rule: Rule, holes: int, rows: int
) -> tuple[tuple[Hole, ...], tuple[Point, ...]]:
    """Lines through the middles (by area) of strips of equal area, each chord cut into equal parts."""
    down = side_fractions(rule, rows)
    places = [_oval_line(duct, f) for f in side_fractions(Rule.EQUAL_AREA, holes)]
    placed = tuple(Hole(_label(i), x, 0.0, _oval_mark(duct, x)) for i, x in enumerate(places))
    points = []
    for i, hole in enumerate(placed):
        chord, skin = _oval_chord(duct, hole.position), _oval_skin(duct, hole.position)
        top = (duct.depth - chord) / 2.0
        for row, f in enumerate(down, 1):
            place = (hole.position, top + f * chord)
            points.append(_point(hole, i, row, place, (f * chord, chord), skin))
    return placed, tuple(points)


def _point(
    hole: Hole, index: int, row: int, place: tuple[float, float], line: tuple[float, float], skin: float
) -> Point:
    """line: the point's depth, and the length between the walls there. skin: what the probe passes first."""
    depth, length = line
    label = f"{hole.label}{row}"
    return Point(label, index, row, *place, depth, depth + skin, length - depth + skin)


def _skin(duct: Duct) -> float:
    return duct.wall + duct.lining


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


def _oval_offset(duct: Duct, x: float) -> float:
    """Distance of x from the nearer end's centre, towards the end; 0 over the flat part."""
    return max(duct.depth / 2.0 - min(x, duct.width - x), 0.0)


def _oval_skin(duct: Duct, x: float) -> float:
    """Wall and lining as the probe passes them, straight down at x: longer where the wall is curved."""
    r, offset = duct.depth / 2.0, _oval_offset(duct, x)
    outer = r + duct.wall + duct.lining
    return math.sqrt(outer * outer - offset * offset) - math.sqrt(max(r * r - offset * offset, 0.0))


def _oval_mark(duct: Duct, x: float) -> float:
    """Along the outside from the middle of the flat face to above x, over the curve; left is negative."""
    offset = _oval_offset(duct, x)
    if offset == 0.0:
        return x - duct.width / 2.0
    outer = duct.depth / 2.0 + duct.wall + duct.lining
    length = (duct.width - duct.depth) / 2.0 + outer * math.asin(offset / outer)
    return math.copysign(length, x - duct.width / 2.0)


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
    return max(pattern_biases(duct, points), key=abs)


def pattern_biases(
    duct: Duct, points: tuple[Point, ...], exponents: tuple[float, ...] = EXPONENTS
) -> tuple[float, ...]:
    """Error of the pattern's mean on power laws 1/n, as fractions in the order of exponents."""
    return tuple(_mean_at(duct, points, n) / _true_mean(duct, n) - 1.0 for n in exponents)


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
    """Whether a probe reaches every point. short_by: m missing, 0 when it reaches. unreachable: labels.

    usable: m of the probe that can enter. both_sides: whether it reaches every point when the far side is
    drilled too (marks: `Point.opposite`). near_wall: labels of points nearer to a wall than the probe is
    thick, where it blocks and meets the wall (only with a diameter).
    """

    reaches: bool
    short_by: float
    unreachable: tuple[str, ...]
    usable: float
    both_sides: bool
    near_wall: tuple[str, ...] = ()


def check_probe(
    layout: Layout, length: float, *, handle: float = 0.0, hose: float = 0.0, diameter: float | None = None
) -> ProbeCheck:
    """Compare a probe with the layout's marks. All m.

    length: from the tip's axis to the far end of the stem. handle: of it taken by handle or fitting; hose: by
    hose connections and their bend; both stay outside the duct. diameter: of the stem or head.
    Errors: Refused (lengths not finite or negative, nothing left of the probe).
    """
    usable = positive("probe length", length) - not_negative("handle", handle) - not_negative("hose", hose)
    positive("usable probe length", usable)
    missing = tuple(p.label for p in layout.points if p.mark > usable + 1e-12)
    both = all(min(p.mark, p.opposite) <= usable + 1e-12 for p in layout.points)
    near: tuple[str, ...] = ()
    if diameter is not None:
        thick = positive("probe diameter", diameter)
        near = tuple(p.label for p in layout.points if _from_wall(layout.duct, p) < thick - 1e-12)
    return ProbeCheck(not missing, max(layout.reach - usable, 0.0), missing, usable, both, near)


def _from_wall(duct: Duct, point: Point) -> float:
    """Distance of a point from the nearest wall, m."""
    if duct.shape is Shape.ROUND:
        return duct.width / 2.0 - math.hypot(point.x, point.y)
    if duct.shape is Shape.RECTANGULAR:
        return min(point.x, duct.width - point.x, point.y, duct.depth - point.y)
    r = duct.depth / 2.0
    centre = min(max(point.x, r), duct.width - r)
    return r - math.hypot(point.x - centre, point.y - r)


class PlaneGrade(StrEnum):
    """How good a measuring plane is by its distances from disturbances and its distribution."""

    GOOD = "good"
    FAIR = "fair"
    POOR = "poor"
    UNKNOWN = "unknown"


class SiteRule(StrEnum):
    """Whose straight lengths are wanted."""

    PRACTICE = "practice"
    PRACTICE_LONGER = "practice_longer"
    EPA_METHOD_1 = "epa_method_1"


@dataclass(frozen=True, slots=True)
class SiteLengths:
    """Straight lengths that a rule wants before (upstream) and after the plane, in hydraulic diameters.

    least_upstream, least_downstream: below them the plane is poor. smallest: hydraulic diameter in m that the
    rule is for at least (None: any).
    """

    rule: SiteRule
    upstream: float
    downstream: float
    least_upstream: float
    least_downstream: float
    source: str
    provenance: Provenance
    smallest: float | None = None

    def metres(self, duct: Duct) -> tuple[float, float, float, float]:
        """upstream, downstream, least_upstream, least_downstream in m for this duct."""
        d = duct.hydraulic_diameter
        return self.upstream * d, self.downstream * d, self.least_upstream * d, self.least_downstream * d


SITE_LENGTHS: dict[SiteRule, SiteLengths] = {
    SiteRule.PRACTICE: SiteLengths(
        SiteRule.PRACTICE, 7.5, 3.0, 3.0, 1.0, "common practice", Provenance.PRACTICE
    ),
    SiteRule.PRACTICE_LONGER: SiteLengths(
        SiteRule.PRACTICE_LONGER, 8.5, 3.0, 3.0, 1.0, "common practice, as also taught", Provenance.PRACTICE
    ),
    SiteRule.EPA_METHOD_1: SiteLengths(
        SiteRule.EPA_METHOD_1, 8.0, 2.0, 2.0, 0.5, "40 CFR 60 appendix A-1 method 1", Provenance.READ, 0.3
    ),
}
WANTED_UPSTREAM = SITE_LENGTHS[SiteRule.PRACTICE].upstream
WANTED_DOWNSTREAM = SITE_LENGTHS[SiteRule.PRACTICE].downstream


@dataclass(frozen=True, slots=True)
class PlaneStep:
    """With at least these straight lengths (hydraulic diameters) a plane costs `relative_u`."""

    upstream: float
    downstream: float
    relative_u: float


@dataclass(frozen=True, slots=True)
class PlaneFigures:
    """Standard uncertainties (fractions of the mean velocity) that planes cost, with where they come from.

    steps: a published table as its owner enters it, best first; the first step that the lengths meet holds.
    Without steps: `good` with both lengths, `bare` without any before the plane, `after` (in quadrature)
    without any after it, in proportion between. fading: hydraulic diameters before the plane in which what a
    disturbance adds to `good` halves, instead of in proportion. unknown: lengths not measured. uneven: added
    in quadrature when the distribution of the pressures is unacceptable.
    """

    source: str
    provenance: Provenance
    good: float = 0.01
    bare: float = 0.05
    after: float = 0.02
    unknown: float = 0.04
    uneven: float = 0.03
    steps: tuple[PlaneStep, ...] = ()
    fading: float | None = None

    def __post_init__(self) -> None:
        if self.fading is not None:
            positive("figures.fading", self.fading)
        for name in ("good", "bare", "after", "unknown", "uneven"):
            not_negative(f"figures.{name}", getattr(self, name))
        for i, step in enumerate(self.steps):
            not_negative(f"figures.steps[{i}].upstream", step.upstream)
            not_negative(f"figures.steps[{i}].downstream", step.downstream)
            not_negative(f"figures.steps[{i}].relative_u", step.relative_u)


OWN_FIGURES = PlaneFigures(
    "this project's choice, in the order of size of the method uncertainties of EN 16211 (from memory, low"
    " confidence)",
    Provenance.OWN,
)
"""Used unless a company gives the figures of its own standard."""


class PlaneReason(StrEnum):
    """Why a plane is not good."""

    NOT_MEASURED = "not_measured"
    SHORT_UPSTREAM = "short_upstream"
    SHORT_DOWNSTREAM = "short_downstream"
    VERY_SHORT_UPSTREAM = "very_short_upstream"
    VERY_SHORT_DOWNSTREAM = "very_short_downstream"
    TOO_SMALL = "too_small"
    UNEVEN = "uneven"
    NEGATIVE = "negative"


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane's quality. upstream, downstream: straight lengths in hydraulic diameters (None: not measured).

    relative_u: standard uncertainty of the mean velocity that the plane costs, as a fraction; source and
    provenance: of that figure. distribution: share of the pressures above a tenth of the largest (None: not
    known yet). wanted: the lengths it was judged by.
    """

    grade: PlaneGrade
    upstream: float | None
    downstream: float | None
    relative_u: float
    source: str
    provenance: Provenance
    wanted: SiteLengths
    reasons: tuple[PlaneReason, ...] = ()
    distribution: float | None = None

    @property
    def poor_profile(self) -> bool:
        """Whether a round duct should be traversed on three diameters."""
        return self.grade is PlaneGrade.POOR


def flattest_power(plane: Plane) -> float:
    """Power 1/n, a whole n, of the flattest profile that a plane may have.

    From FLAT at a disturbance to the flattest developed profile after DEVELOPING hydraulic diameters, in
    proportion to the length; FLAT where the length is not known or the pressures are uneven.
    """
    uneven = {PlaneReason.UNEVEN, PlaneReason.NEGATIVE}.intersection(plane.reasons)
    if plane.upstream is None or uneven:
        return FLAT
    share = min(plane.upstream / DEVELOPING, 1.0)
    return float(round(FLAT - (FLAT - EXPONENTS[-1]) * share))


def wall_powers(flattest: float) -> tuple[float, ...]:
    """Powers 1/n of the wall laws from rough walls to the flattest profile given."""
    return EXPONENTS if flattest <= EXPONENTS[-1] else (*EXPONENTS, flattest)


DISTRIBUTION_NEEDED = 0.75
"""More than this share of the pressures must exceed a tenth of the largest (AMCA 203, ANSI/ASHRAE 111)."""


def plane_quality(
    duct: Duct,
    upstream: float | None,
    downstream: float | None,
    *,
    distribution: float | None = None,
    negative: bool = False,
    needed: float = DISTRIBUTION_NEEDED,
    site: SiteRule = SiteRule.PRACTICE,
    figures: PlaneFigures = OWN_FIGURES,
) -> Plane:
    """Judge a plane by the straight lengths (m) before and after it, and by its pressures when read.

    Wanted by default: 7.5 hydraulic diameters before, 3 after (common practice). distribution: share of the
    pressures above a tenth of the largest (remarks.distribution_share), which must exceed `needed`; negative:
    whether any is below zero. A bad distribution makes a plane poor at any distance; a good one does not make
    up for short lengths, as swirl does not show in it. See `PlaneFigures` for the cost; the result says whose
    figure it is.
    Errors: Refused (negative lengths, a share outside 0 to 1, no step of the figures holds).
    """
    wanted = SITE_LENGTHS[site]
    uneven = _uneven_reasons(distribution, negative, needed)
    if upstream is None or downstream is None:
        before = after = None
        reasons = (PlaneReason.NOT_MEASURED, *uneven)
        u = figures.unknown
    else:
        before = not_negative("upstream", upstream) / duct.hydraulic_diameter
        after = not_negative("downstream", downstream) / duct.hydraulic_diameter
        reasons = (*_length_reasons(duct, before, after, wanted), *uneven)
        u = _plane_u(before, after, wanted, figures)
    if uneven:
        u = math.hypot(u, figures.uneven)
    grade = _grade(reasons)
    source, kind = figures.source, figures.provenance
    return Plane(grade, before, after, u, source, kind, wanted, reasons, distribution)


def _uneven_reasons(distribution: float | None, negative: bool, needed: float) -> tuple[PlaneReason, ...]:
    if distribution is not None and not 0.0 <= finite("distribution", distribution) <= 1.0:
        raise Refused("distribution", "is a share from 0 to 1", distribution)
    bad = distribution is not None and distribution <= needed
    checks = ((bad, PlaneReason.UNEVEN), (negative, PlaneReason.NEGATIVE))
    return tuple(reason for seen, reason in checks if seen)


def _length_reasons(duct: Duct, before: float, after: float, wanted: SiteLengths) -> tuple[PlaneReason, ...]:
    slack = 1e-9
    checks = (
        (before < wanted.upstream * (1.0 - slack), PlaneReason.SHORT_UPSTREAM),
        (after < wanted.downstream * (1.0 - slack), PlaneReason.SHORT_DOWNSTREAM),
        (before < wanted.least_upstream * (1.0 - slack), PlaneReason.VERY_SHORT_UPSTREAM),
        (after < wanted.least_downstream * (1.0 - slack), PlaneReason.VERY_SHORT_DOWNSTREAM),
        (duct.hydraulic_diameter < (wanted.smallest or 0.0) - slack, PlaneReason.TOO_SMALL),
    )
    return tuple(reason for short, reason in checks if short)


_POOR = {
    PlaneReason.VERY_SHORT_UPSTREAM,
    PlaneReason.VERY_SHORT_DOWNSTREAM,
    PlaneReason.UNEVEN,
    PlaneReason.NEGATIVE,
    PlaneReason.TOO_SMALL,
}


def _grade(reasons: tuple[PlaneReason, ...]) -> PlaneGrade:
    if _POOR.intersection(reasons):
        return PlaneGrade.POOR
    if PlaneReason.NOT_MEASURED in reasons:
        return PlaneGrade.UNKNOWN
    return PlaneGrade.FAIR if reasons else PlaneGrade.GOOD


def _plane_u(before: float, after: float, wanted: SiteLengths, figures: PlaneFigures) -> float:
    if figures.steps:
        for step in figures.steps:
            if before >= step.upstream and after >= step.downstream:
                return step.relative_u
        raise Refused("figures.steps", "have no step for these straight lengths", (before, after))
    lack_before = max(1.0 - before / wanted.upstream, 0.0)
    if figures.fading is not None:
        lack_before = 0.5 ** (before / figures.fading)
    lack_after = max(1.0 - after / wanted.downstream, 0.0)
    rise = (figures.bare - figures.good) * lack_before
    return math.hypot(figures.good + rise, figures.after * lack_after)
