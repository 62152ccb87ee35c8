"""Layouts: symmetry, order, marks, what a rule cannot have, what a plane is worth."""

import math

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


@pytest.mark.parametrize(
    ("duct", "rule", "kwargs", "match"),
    [
        (ROUND, Rule.LOG_LINEAR, {"holes": 4}, "2 or 3 diameters"),
        (ROUND, Rule.LOG_LINEAR, {"points_per_hole": 5}, "even number"),
        (RECTANGULAR, Rule.LOG_LINEAR, {}, "round ducts"),
        (RECTANGULAR, Rule.LOG_TCHEBYCHEFF, {"holes": 2}, "at least 3"),
        (OVAL, Rule.LOG_TCHEBYCHEFF, {}, "equal areas"),
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
