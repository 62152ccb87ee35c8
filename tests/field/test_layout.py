"""Layouts worked out on the tablet, against the service's own."""

import math
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page

from measurements import calc
from measurements.calc.layout import advised_counts, check_probe, make_layout, plane_quality
from tests.field.modules import called, module_page

pytestmark = pytest.mark.browser
SHAPES = {"round": calc.Shape.ROUND, "rectangular": calc.Shape.RECTANGULAR, "oval": calc.Shape.FLAT_OVAL}
ROUND = [(d, None) for d in (0.1, 0.25, 0.254, 0.2541, 0.63, 1.25)]
RECTANGULAR = [(0.5, 0.4), (0.762, 0.7619), (0.9144, 0.9145), (1.6, 0.25), (0.3048, 2.4), (0.1524, 0.6096)]
OVAL = [(0.8, 0.3), (0.4, 0.4), (1.5, 0.25), (0.61, 0.6)]


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    with module_page() as found:
        yield found


def cases() -> Iterator[tuple[str, float, float | None, str]]:
    for shape, sizes, rules in (
        ("round", ROUND, ("log_linear", "log_tchebycheff", "equal_area")),
        ("rectangular", RECTANGULAR, ("log_tchebycheff", "equal_area")),
        ("oval", OVAL, ("equal_area",)),
    ):
        yield from ((shape, width, height, rule) for width, height in sizes for rule in rules)


def duct(shape: str, width: float, height: float | None, wall: float, lining: float) -> dict[str, Any]:
    sizes = {"shape": shape, "width": width, "wall": wall, "lining": lining}
    return sizes if height is None else {**sizes, "height": height}


def flat(layout: dict[str, Any]) -> list[float]:
    """All figures of the tablet's layout in one row."""
    holes = [v for hole in layout["holes"] for v in (hole["position"], hole["angle"], hole["mark"])]
    names = ("x", "y", "depth", "mark", "opposite")
    return holes + [point[name] for point in layout["depths"] for name in names] + [layout["reach"]]


def flat_of(layout: calc.Layout) -> list[float]:
    holes = [v for hole in layout.holes for v in (hole.position, hole.angle, hole.mark)]
    points = [v for p in layout.points for v in (p.x, p.y, p.depth, p.mark, p.opposite)]
    return [*holes, *points, layout.reach]


@pytest.mark.parametrize(("wall", "lining"), [(0.0, 0.0), (0.001, 0.025)])
def test_advised_layouts_agree_with_the_service(page: Page, wall: float, lining: float) -> None:
    asked = list(cases())
    found = called(
        page, "layout", "makeLayout", [[duct(c[0], c[1], c[2], wall, lining), c[3]] for c in asked]
    )
    for (shape, width, height, rule), one in zip(asked, found, strict=True):
        wanted = make_layout(calc.Duct(SHAPES[shape], width, height, wall, lining), calc.Rule(rule))
        case = f"{shape} {width} x {height} by {rule}"
        assert (one["lines"], one["points"]) == (len(wanted.holes), wanted.rows), case
        assert [p["label"] for p in one["depths"]] == [p.label for p in wanted.points], case
        assert [(p["line"], p["point"]) for p in one["depths"]] == [
            (p.hole + 1, p.row) for p in wanted.points
        ], case
        assert flat(one) == pytest.approx(flat_of(wanted), abs=1e-10), case


def test_any_number_of_lines_and_points_agrees_or_is_refused_alike(page: Page) -> None:
    asked = [
        (shape, size, rule, lines, points)
        for shape, size, rules in (
            ("round", (0.4, None), ("log_linear", "log_tchebycheff", "equal_area")),
            ("rectangular", (0.7, 0.45), ("log_tchebycheff", "equal_area", "log_linear")),
            ("oval", (0.7, 0.45), ("equal_area", "log_tchebycheff")),
        )
        for rule in rules
        for lines in (1, 2, 3, 7, 9)
        for points in (1, 2, 3, 4, 6, 8, 9, 10, 11, 12, 20)
    ]
    calls = [[duct(s, z[0], z[1], 0.001, 0.0), rule, lines, points] for s, z, rule, lines, points in asked]
    refused = 0
    for (shape, size, rule, lines, points), one in zip(
        asked, called(page, "layout", "makeLayout", calls), strict=True
    ):
        case = f"{shape} by {rule}, {lines} x {points}"
        try:
            wanted = make_layout(
                calc.Duct(SHAPES[shape], size[0], size[1], 0.001),
                calc.Rule(rule),
                holes=lines,
                points_per_hole=points,
            )
        except calc.CalcError:
            refused += 1
            assert "fault" in one, case
        else:
            assert "fault" not in one, f"{case}: {one}"
            assert flat(one) == pytest.approx(flat_of(wanted), abs=1e-10), case
    assert 0 < refused < len(asked)


def test_sizes_that_cannot_be_are_refused_with_the_field(page: Page) -> None:
    bad = [
        ({"shape": "round", "width": 0}, "diameter"),
        ({"shape": "rectangular", "width": 0.5}, "height"),
        ({"shape": "oval", "width": 0.3, "height": 0.5}, "width"),
        ({"shape": "round", "width": math.nan}, "diameter"),
        ({"shape": "round", "width": 0.5, "wall": -0.001}, "wall"),
    ]
    found = called(page, "layout", "makeDuct", [[one] for one, _ in bad])
    assert [one["field"] for one in found] == [field for _, field in bad]
    assert all(one["fault"] for one in found)


def test_the_quality_of_a_plane_agrees_with_the_service(page: Page) -> None:
    lengths = [(7.5, 3.0), (7.4, 3.0), (3.0, 1.0), (2.9, 1.0), (9.0, 0.9), (None, 3.0), (20.0, 20.0)]
    sizes: list[tuple[str, float, float | None]] = [
        ("round", 0.4, None),
        ("rectangular", 0.5, 0.4),
        ("oval", 0.8, 0.3),
    ]
    for shape, width, height in sizes:
        given = calc.Duct(SHAPES[shape], width, height)
        d = given.hydraulic_diameter
        metres = [[None if part is None else part * d for part in pair] for pair in lengths]
        plain = {"shape": shape, "width": width, "height": height or width}
        found = called(page, "layout", "planeQuality", [[plain, *pair] for pair in metres])
        for pair, one in zip(metres, found, strict=True):
            wanted = plane_quality(given, *pair)
            assert one["grade"] == wanted.grade.value, (shape, pair)
            assert one["diameter"] == pytest.approx(d, rel=1e-12)
            if pair[0] is not None:
                assert one["upstream"] == pytest.approx(wanted.upstream, rel=1e-12)


def test_whether_the_probe_reaches_agrees_with_the_service(page: Page) -> None:
    plain = duct("rectangular", 0.5, 0.9, 0.001, 0.0)
    script = """async ([duct, lengths]) => {
      const {makeLayout, checkProbe} = await import("/field/layout.js");
      return lengths.map((length) => checkProbe(makeLayout(duct, "log_tchebycheff"), length));
    }"""
    lengths = [0.3, 0.5, 0.846, 1.2]
    wanted = make_layout(calc.Duct(calc.Shape.RECTANGULAR, 0.5, 0.9, 0.001), calc.Rule.LOG_TCHEBYCHEFF)
    for length, one in zip(lengths, page.evaluate(script, [plain, lengths]), strict=True):
        checked = check_probe(wanted, length)
        assert (one["reaches"], one["bothSides"]) == (checked.reaches, checked.both_sides)
        assert one["unreachable"] == list(checked.unreachable)
        assert one["shortBy"] == pytest.approx(checked.short_by)


def test_advised_counts_need_a_rule_of_the_shape(page: Page) -> None:
    found = called(page, "layout", "advisedCounts", [[duct("rectangular", 0.5, 0.4, 0, 0), "log_linear"]])
    assert found[0]["field"] == "rule"
    with pytest.raises(calc.CalcError):
        advised_counts(calc.Duct(calc.Shape.RECTANGULAR, 0.5, 0.4), calc.Rule.LOG_LINEAR)
