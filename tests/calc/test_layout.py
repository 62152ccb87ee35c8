"""Layouts: symmetry, order, marks, what a rule cannot have, what a plane is worth."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import (
    Duct,
    PlaneGrade,
    Refused,
    Rule,
    Shape,
    advised_counts,
    check_probe,
    expected_work,
    lined_duct,
    make_layout,
    plane_quality,
    round_fractions,
    side_fractions,
)
from measurements.calc.layout import (
    OWN_FIGURES,
    Across,
    Asked,
    PlaneFigures,
    PlaneReason,
    PlaneStep,
    Provenance,
    SiteRule,
    fewest_points,
)
from measurements.calc.positions import chebyshev_nodes
from tests.calc.worlds import OVAL, RECTANGULAR, ROUND

counts = st.integers(1, 10).map(lambda n: 2 * n)


@given(st.sampled_from([Rule.LOG_LINEAR, Rule.EQUAL_AREA]), counts)
def test_points_on_a_diameter_are_mirrored_and_in_order(rule: Rule, n: int) -> None:
    found = round_fractions(rule, n)
    assert len(found) == n
    assert list(found) == sorted(found)
    assert found[0] > 0.0
    assert [1.0 - y for y in reversed(found)] == pytest.approx(list(found))


@given(st.integers(1, 40), st.floats(0.1, 3.0), st.floats(0.1, 3.0))
def test_equal_areas_are_exact_for_a_linear_profile(n: int, width: float, height: float) -> None:
    layout = make_layout(Duct(Shape.RECTANGULAR, width, height), Rule.EQUAL_AREA, holes=n, points_per_hole=4)
    mean = sum(2.0 + p.x / width - 0.5 * p.y / height for p in layout.points) / len(layout.points)
    assert mean == pytest.approx(2.0 + 0.5 - 0.25)


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 7, 9])
def test_chebyshev_nodes_integrate_powers_exactly(n: int) -> None:
    nodes = chebyshev_nodes(n)
    for power in range(n + 1):
        exact = 0.0 if power % 2 else 1.0 / (power + 1)
        assert sum(x**power for x in nodes) / n == pytest.approx(exact, abs=1e-12)


@pytest.mark.parametrize("n", [8, 10, 11])
def test_chebyshev_rules_that_do_not_exist_are_refused(n: int) -> None:
    with pytest.raises(Refused, match="no equal-weight Chebyshev rule"):
        chebyshev_nodes(n)


@pytest.mark.parametrize("n", [0, -1])
def test_no_points_have_no_nodes(n: int) -> None:
    with pytest.raises(Refused, match="need at least one") as caught:
        chebyshev_nodes(n)
    assert (caught.value.input, caught.value.value) == ("points", n)


@pytest.mark.parametrize(
    ("duct", "rule", "kwargs", "match"),
    [
        (ROUND, Rule.LOG_LINEAR, {"holes": 4}, "2 or 3 diameters"),
        (ROUND, Rule.LOG_LINEAR, {"points_per_hole": 5}, "even number"),
        (RECTANGULAR, Rule.LOG_LINEAR, {}, "round ducts"),
        (RECTANGULAR, Rule.LOG_TCHEBYCHEFF, {"holes": 2}, "at least 3"),
        (RECTANGULAR, Rule.LOG_LINEAR, {"holes": 5, "points_per_hole": 5}, "is for round ducts"),
        (OVAL, Rule.LOG_TCHEBYCHEFF, {}, "equal areas"),
        (OVAL, Rule.LOG_TCHEBYCHEFF, {"holes": 5, "points_per_hole": 5}, "traversed by equal areas"),
        (OVAL, Rule.LOG_LINEAR, {"holes": 5, "points_per_hole": 4}, "is for round ducts"),
        (RECTANGULAR, Rule.EQUAL_AREA, {"holes": 0}, "at least one"),
    ],
)
def test_what_a_rule_cannot_have(duct: Duct, rule: Rule, kwargs: dict[str, int], match: str) -> None:
    with pytest.raises(Refused, match=match):
        make_layout(duct, rule, **kwargs)


def test_marks_allow_for_wall_and_lining() -> None:
    layout = make_layout(RECTANGULAR, Rule.LOG_TCHEBYCHEFF, holes=5, points_per_hole=5)
    for p in layout.points:
        assert p.mark == pytest.approx(p.depth + 0.026)
    assert layout.reach == max(p.mark for p in layout.points)
    assert [p.label for p in layout.points[:6]] == ["A1", "A2", "A3", "A4", "A5", "B1"]


def test_round_points_lie_on_their_diameters() -> None:
    layout = make_layout(ROUND, Rule.LOG_LINEAR, holes=3, points_per_hole=6)
    assert [h.angle for h in layout.holes] == [0.0, 60.0, 120.0]
    for p in layout.points:
        radius = math.hypot(p.x, p.y)
        assert radius == pytest.approx(abs(0.5 * ROUND.width - p.depth))


def test_flat_oval_strips_have_equal_areas_and_points_lie_inside() -> None:
    layout = make_layout(OVAL, Rule.EQUAL_AREA, holes=5, points_per_hole=4)
    r = OVAL.depth / 2.0
    middle = [h.position for h in layout.holes]
    assert middle[2] == pytest.approx(OVAL.width / 2.0)
    assert middle[0] + middle[4] == pytest.approx(OVAL.width)
    for p in layout.points:
        centre = min(max(p.x, r), OVAL.width - r)
        assert math.hypot(p.x - centre, p.y - r) < r
    # equal strips: the area left of the first line is a tenth of the whole
    steps = 20_000
    width = middle[0] / steps
    left = sum(2.0 * math.sqrt(r * r - (r - (i + 0.5) * width) ** 2) * width for i in range(steps))
    assert left == pytest.approx(0.1 * OVAL.area, rel=1e-5)


def test_a_flat_oval_as_wide_as_high_is_a_circle() -> None:
    assert Duct(Shape.FLAT_OVAL, 0.3, 0.3).area == pytest.approx(Duct(Shape.ROUND, 0.3).area)


@pytest.mark.parametrize(
    ("build", "named"),
    [
        (lambda: Duct(Shape.ROUND, 0.3, 0.3), "duct.height"),
        (lambda: Duct(Shape.RECTANGULAR, 0.3), "duct.height"),
        (lambda: Duct(Shape.RECTANGULAR, -0.3, 0.2), "duct.width"),
        (lambda: Duct(Shape.FLAT_OVAL, 0.2, 0.3), "duct.width"),
        (lambda: Duct(Shape.ROUND, math.nan), "duct.width"),
        (lambda: Duct(Shape.ROUND, 0.3, wall=-0.001), "duct.wall"),
        (lambda: lined_duct(Shape.ROUND, (0.1,), lining=0.05), "outer"),
    ],
)
def test_ducts_that_cannot_be(build: object, named: str) -> None:
    with pytest.raises(Refused) as caught:
        build()  # type: ignore[operator]
    assert caught.value.input == named


def test_a_short_probe_is_told_where_it_fails() -> None:
    layout = make_layout(RECTANGULAR, Rule.LOG_TCHEBYCHEFF, holes=5, points_per_hole=5)
    found = check_probe(layout, 0.39)
    assert not found.reaches
    assert found.unreachable == ("A5", "B5", "C5", "D5", "E5")
    assert found.short_by == pytest.approx(layout.reach - 0.39)
    assert check_probe(layout, 0.5, handle=0.05).reaches


def test_counts_say_which_rule_asks_and_why() -> None:
    small = advised_counts(Duct(Shape.ROUND, 0.2), Rule.LOG_LINEAR)
    large = advised_counts(Duct(Shape.ROUND, 0.4), Rule.LOG_LINEAR)
    assert (small.points_per_hole, large.points_per_hole) == (6, 10)
    assert "ISO 3966" in small.source
    assert "diameters" in small.reason


def test_a_plane_costs_more_the_nearer_the_disturbance() -> None:
    lengths = [0.0, 0.5, 1.0, 2.0, 3.0, 4.0]
    u = [plane_quality(RECTANGULAR, up, 2.0).relative_u for up in lengths]
    assert u == sorted(u, reverse=True)
    assert plane_quality(RECTANGULAR, 3.6, 1.5).grade is PlaneGrade.GOOD
    assert plane_quality(RECTANGULAR, 0.2, 1.5).grade is PlaneGrade.POOR
    assert plane_quality(RECTANGULAR, None, 1.5).grade is PlaneGrade.UNKNOWN
    assert plane_quality(RECTANGULAR, 3.6, 1.5).relative_u == pytest.approx(0.01)


def test_work_before_the_first_reading() -> None:
    work = expected_work(ROUND, probe_length=0.2, upstream=3.0, downstream=1.0)
    assert work.layout.rule is Rule.LOG_LINEAR
    assert work.probe is not None
    assert not work.probe.reaches
    assert not work.fewer_than_advised
    assert expected_work(ROUND, points_per_hole=6).fewer_than_advised
    assert side_fractions(Rule.EQUAL_AREA, 1) == (0.5,)


def _mean_over_ring(law: Callable[[float], float], inner: float, outer: float) -> float:
    """Mean over a ring, edges as (r/R) squared, of a function of y/D: midpoint steps in area."""
    steps = 40_000
    squares = (inner + (outer - inner) * (i + 0.5) / steps for i in range(steps))
    return math.fsum(law(0.5 * (1.0 - math.sqrt(s))) for s in squares) / steps


@pytest.mark.parametrize("n", [2, 3, 5, 6, 7, 12])
def test_log_linear_zones_have_their_exact_means(n: int) -> None:
    """The construction itself (Winternitz and Fischl): in every zone of two points both laws have their
    exact mean, and an odd outermost point that of the logarithm; means found here by brute force.
    """
    near = round_fractions(Rule.LOG_LINEAR, 2 * n)[:n]
    outer = 1.0
    rest = list(near)
    if n % 2:
        first = rest.pop(0)
        outer = 1.0 - 1.0 / n
        assert math.log(first) == pytest.approx(_mean_over_ring(math.log, outer, 1.0), abs=2e-4)
    for i in range(0, len(rest), 2):
        inner = max(outer - 2.0 / n, 0.0)
        pair = rest[i : i + 2]
        assert sum(pair) / 2.0 == pytest.approx(_mean_over_ring(lambda y: y, inner, outer), abs=1e-7)
        logs = sum(map(math.log, pair)) / 2.0
        assert logs == pytest.approx(_mean_over_ring(math.log, inner, outer), abs=2e-4)
        outer = inner


@given(st.integers(2, 60), st.floats(-2.0, 2.0), st.floats(-2.0, 2.0), st.floats(-2.0, 2.0))
def test_an_even_log_linear_radius_is_exact_for_its_law(n: int, a: float, b: float, c: float) -> None:
    """v = a + b ln y + c y over the whole circle: mean of ln(y/D) is -3/2 - ln 2, of y/D is 1/6."""
    near = round_fractions(Rule.LOG_LINEAR, 4 * n)[: 2 * n]
    mean = math.fsum(a + b * math.log(y) + c * y for y in near) / (2 * n)
    assert mean == pytest.approx(a + b * (-1.5 - math.log(2.0)) + c / 6.0, abs=1e-9)


@pytest.mark.parametrize("lines", [3, 4, 5, 6, 7, 8, 9, 11])
def test_log_tchebycheff_lines_are_exact_for_their_law(lines: int) -> None:
    """The outer 1/n has the mean of ln y, the inside every power up to the degree of the nodes."""
    found = side_fractions(Rule.LOG_TCHEBYCHEFF, lines)
    assert math.log(found[0]) == pytest.approx(math.log(1.0 / lines) - 1.0)
    inside, half = found[1:-1], 0.5 - 1.0 / lines
    for power in range(lines - 1):
        exact = 0.0 if power % 2 else half**power / (power + 1)
        assert math.fsum((x - 0.5) ** power for x in inside) / (lines - 2) == pytest.approx(exact, abs=1e-13)


@pytest.mark.parametrize("lines", [10, 12])
def test_sides_without_a_tchebycheff_rule_are_refused(lines: int) -> None:
    with pytest.raises(Refused, match="no equal-weight Chebyshev rule"):
        side_fractions(Rule.LOG_TCHEBYCHEFF, lines)


def test_a_side_has_no_log_linear_points() -> None:
    with pytest.raises(Refused, match="choose log_tchebycheff or equal_area") as caught:
        side_fractions(Rule.LOG_LINEAR, 5)
    assert caught.value.input == "rule"


def test_holes_are_marked_on_the_outside() -> None:
    rectangle = make_layout(RECTANGULAR, Rule.EQUAL_AREA, holes=4, points_per_hole=4)
    assert [h.mark for h in rectangle.holes] == pytest.approx([h.position + 0.026 for h in rectangle.holes])
    pipe = make_layout(ROUND, Rule.LOG_LINEAR, holes=3, points_per_hole=6)
    sixth = math.pi * (ROUND.width + 2.0 * ROUND.wall) / 6.0
    assert [h.mark for h in pipe.holes] == pytest.approx([0.0, sixth, 2.0 * sixth])


def test_a_flat_oval_is_marked_over_its_curve() -> None:
    duct = Duct(Shape.FLAT_OVAL, 0.7, 0.3, wall=0.001, lining=0.024)
    layout = make_layout(duct, Rule.EQUAL_AREA, holes=7, points_per_hole=4)
    r, skin = 0.15, 0.025
    first = layout.holes[0]
    assert first.position < r  # over the curved end
    offset = r - first.position
    # the outer wall above the hole, walked in small steps from where the curve begins
    steps = 20_000
    xs = [offset * i / steps for i in range(steps + 1)]
    heights = [math.sqrt((r + skin) ** 2 - x * x) for x in xs]
    walked = sum(math.hypot(xs[i + 1] - xs[i], heights[i + 1] - heights[i]) for i in range(steps))
    assert first.mark == pytest.approx(-(0.2 + walked), rel=1e-6)
    assert layout.holes[-1].mark == pytest.approx(-first.mark)
    assert layout.holes[3].mark == pytest.approx(0.0, abs=1e-12)
    # outside of the metal to the first point, straight down
    top = r + heights[-1]
    for p in layout.points[:4]:
        assert p.mark == pytest.approx(top - (2.0 * r - p.y))
        assert p.opposite == pytest.approx(top - p.y)
    assert layout.points[0].mark - layout.points[0].depth > 1.1 * skin
    assert layout.points[12].mark - layout.points[12].depth == pytest.approx(skin)


@given(st.sampled_from([ROUND, RECTANGULAR, OVAL]), st.integers(2, 3), st.integers(2, 4))
def test_marks_from_both_sides_add_to_the_line_with_its_walls(duct: Duct, holes: int, half: int) -> None:
    layout = make_layout(duct, Rule.EQUAL_AREA, holes=holes, points_per_hole=2 * half)
    for p in layout.points:
        mirrored = layout.points[p.hole * layout.rows + layout.rows - p.row]
        assert p.opposite == pytest.approx(mirrored.mark)
        assert p.mark > p.depth - 1e-15


def test_handle_and_hose_stay_outside() -> None:
    layout = make_layout(RECTANGULAR, Rule.LOG_TCHEBYCHEFF, holes=5, points_per_hole=5)
    found = check_probe(layout, 0.45, handle=0.05, hose=0.03)
    assert found.usable == pytest.approx(0.37)
    assert found.short_by == pytest.approx(layout.reach - 0.37)
    assert found.both_sides
    assert not check_probe(layout, 0.2).both_sides
    with pytest.raises(Refused, match="usable probe length"):
        check_probe(layout, 0.2, handle=0.15, hose=0.06)


def test_points_nearer_to_a_wall_than_the_probe_is_thick() -> None:
    small = make_layout(Duct(Shape.ROUND, 0.1), Rule.LOG_LINEAR, holes=2, points_per_hole=6)
    assert check_probe(small, 0.3, diameter=0.008).near_wall == ("A1", "A6", "B1", "B6")
    assert check_probe(small, 0.3).near_wall == ()
    oval = make_layout(OVAL, Rule.EQUAL_AREA, holes=5, points_per_hole=4)
    assert check_probe(oval, 0.5, diameter=0.008).near_wall == ()
    assert "A1" in check_probe(oval, 0.5, diameter=0.05).near_wall
    # 0.6 m x 0.4 m: columns 50 mm from the sides, rows 40 mm from top and bottom
    grid = make_layout(RECTANGULAR, Rule.EQUAL_AREA, holes=6, points_per_hole=5)
    sides = {f"{hole}{row}" for hole in "AF" for row in range(1, 6)}
    ends = {f"{hole}{row}" for hole in "ABCDEF" for row in (1, 5)}
    assert check_probe(grid, 0.5, diameter=0.04).near_wall == ()
    assert set(check_probe(grid, 0.5, diameter=0.045).near_wall) == ends
    assert set(check_probe(grid, 0.5, diameter=0.055).near_wall) == sides | ends


@pytest.mark.parametrize(
    ("duct", "rule", "why"),
    [
        (
            Duct(Shape.ROUND, 0.2),
            Rule.LOG_LINEAR,
            [(Across.DIAMETER, 6, None, 0.254, Provenance.READ)],
        ),
        (
            Duct(Shape.ROUND, 0.4),
            Rule.EQUAL_AREA,
            [(Across.DIAMETER, 10, 0.254, None, Provenance.PRACTICE)],
        ),
        (
            Duct(Shape.RECTANGULAR, 0.85, 1.2),
            Rule.LOG_TCHEBYCHEFF,
            [
                (Across.WIDTH, 6, 0.762, 0.9144, Provenance.READ),
                (Across.DEPTH, 7, 0.9144, None, Provenance.READ),
            ],
        ),
        (
            Duct(Shape.FLAT_OVAL, 0.8, 0.3),
            Rule.EQUAL_AREA,
            [
                (Across.WIDTH, 6, 0.762, 0.9144, Provenance.PRACTICE),
                (Across.DEPTH, 4, None, 0.6096, Provenance.PRACTICE),
            ],
        ),
    ],
)
def test_why_a_rule_asks_is_told_as_data(
    duct: Duct, rule: Rule, why: list[tuple[Across, int, float | None, float | None, Provenance]]
) -> None:
    found = advised_counts(duct, rule)
    assert found.rule is rule
    assert len(found.why) == len(why)
    for asked, (across, asks, above, up_to, provenance) in zip(found.why, why, strict=True):
        assert isinstance(asked, Asked)
        assert (asked.across, asked.asks, asked.provenance) == (across, asks, provenance)
        assert asked.above == (None if above is None else pytest.approx(above))
        assert asked.up_to == (None if up_to is None else pytest.approx(up_to))
        assert (asked.above or 0.0) <= asked.size <= (asked.up_to or math.inf)


@given(st.floats(0.05, 3.0), st.floats(0.05, 3.0))
def test_advice_grows_with_the_section(width: float, height: float) -> None:
    duct, wider = Duct(Shape.RECTANGULAR, width, height), Duct(Shape.RECTANGULAR, 1.3 * width, height)
    for rule in (Rule.EQUAL_AREA, Rule.LOG_TCHEBYCHEFF):
        one, other = advised_counts(duct, rule), advised_counts(wider, rule)
        assert other.holes >= one.holes
        assert one.points_per_hole == other.points_per_hole
    assert 4 <= fewest_points(duct) <= fewest_points(wider)


def test_a_poor_profile_asks_for_three_diameters() -> None:
    found = advised_counts(ROUND, Rule.LOG_LINEAR, poor_profile=True)
    assert (found.holes, found.points_per_hole) == (3, 10)
    assert found.why[-1].across is Across.PROFILE
    assert "three diameters" in found.reason
    poor = expected_work(ROUND, upstream=0.2, downstream=0.2)
    assert len(poor.layout.holes) == 3
    assert not poor.fewer_than_advised
    two = expected_work(ROUND, holes=2, upstream=0.2, downstream=0.2)
    assert two.fewer_than_advised
    assert not two.fewer_than_least
    assert len(expected_work(ROUND, upstream=3.0, downstream=2.0).layout.holes) == 2


def test_an_uneven_distribution_makes_a_plane_poor_at_any_distance() -> None:
    good = plane_quality(RECTANGULAR, 3.6, 1.5)
    assert good.source == OWN_FIGURES.source
    assert good.provenance is Provenance.OWN
    uneven = plane_quality(RECTANGULAR, 3.6, 1.5, distribution=0.75)
    assert uneven.grade is PlaneGrade.POOR
    assert uneven.reasons == (PlaneReason.UNEVEN,)
    assert uneven.relative_u == pytest.approx(math.hypot(0.01, 0.03))
    assert plane_quality(RECTANGULAR, 3.6, 1.5, distribution=0.75, needed=0.7).grade is PlaneGrade.GOOD
    even = plane_quality(RECTANGULAR, 3.6, 1.5, distribution=0.96)
    assert even.grade is PlaneGrade.GOOD
    assert even.relative_u == good.relative_u
    assert plane_quality(RECTANGULAR, None, 1.5, negative=True).reasons == (
        PlaneReason.NOT_MEASURED,
        PlaneReason.NEGATIVE,
    )


def test_short_lengths_are_named() -> None:
    found = plane_quality(Duct(Shape.ROUND, 0.5), 1.0, 1.0)
    assert found.reasons == (
        PlaneReason.SHORT_UPSTREAM,
        PlaneReason.SHORT_DOWNSTREAM,
        PlaneReason.VERY_SHORT_UPSTREAM,
    )
    assert found.poor_profile
    longer = plane_quality(Duct(Shape.ROUND, 0.5), 4.0, 2.0, site=SiteRule.PRACTICE_LONGER)
    assert longer.reasons == (PlaneReason.SHORT_UPSTREAM,)
    assert longer.grade is PlaneGrade.FAIR
    assert plane_quality(Duct(Shape.ROUND, 0.5), 4.0, 2.0).grade is PlaneGrade.GOOD


def test_a_company_gives_the_figures_of_its_own_standard() -> None:
    table = PlaneFigures(
        "company's table",
        Provenance.GIVEN,
        steps=(PlaneStep(5.0, 2.0, 0.02), PlaneStep(2.0, 1.0, 0.05)),
    )
    duct = Duct(Shape.ROUND, 1.0)
    assert plane_quality(duct, 5.0, 2.0, figures=table).relative_u == 0.02
    assert plane_quality(duct, 4.9, 2.0, figures=table).relative_u == 0.05
    assert plane_quality(duct, 5.0, 2.0, figures=table).source == "company's table"
    with pytest.raises(Refused, match="no step for these straight lengths"):
        plane_quality(duct, 1.0, 1.0, figures=table)


@pytest.mark.parametrize(
    ("build", "named"),
    [
        (lambda: plane_quality(ROUND, -1.0, 1.0), "upstream"),
        (lambda: plane_quality(ROUND, 1.0, math.nan), "downstream"),
        (lambda: plane_quality(ROUND, 1.0, 1.0, distribution=1.2), "distribution"),
        (lambda: PlaneFigures("x", Provenance.GIVEN, good=-0.1), "figures.good"),
        (
            lambda: PlaneFigures("x", Provenance.GIVEN, steps=(PlaneStep(1.0, 1.0, -0.1),)),
            "figures.steps[0].relative_u",
        ),
        (lambda: check_probe(make_layout(ROUND, Rule.LOG_LINEAR), math.inf), "probe length"),
        (lambda: check_probe(make_layout(ROUND, Rule.LOG_LINEAR), 1.0, hose=-0.1), "hose"),
        (lambda: check_probe(make_layout(ROUND, Rule.LOG_LINEAR), 1.0, diameter=0.0), "probe diameter"),
    ],
)
def test_what_planes_and_probes_cannot_be(build: Callable[[], object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        build()
    assert caught.value.input == named
