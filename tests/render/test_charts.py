"""Pictures: titles that state the finding, escaped texts, drawn to scale, small and quick."""

import itertools
import re
import time
from collections.abc import Callable
from xml.etree import ElementTree

import msgspec
import pytest

from reports.document import Disturbance, Result, Tolerance, TraverseSheet, UnitSystem, Verdict
from reports.render import charts
from reports.render.charts.base import LEVELS, level, on_dark, shade, spread
from reports.render.charts.profile import scale_of
from reports.render.figures import Figures
from tests.render.sample import sample

SI = Figures(UnitSystem.SI)
DOCUMENT = sample()
RECTANGULAR, ROUND = DOCUMENT.systems[0].sheets
SWEPT = DOCUMENT.systems[1].sheets[0]
OUTLETS = DOCUMENT.systems[0].outlets
SVG = "{http://www.w3.org/2000/svg}"


def _of(sheet: TraverseSheet) -> list[Callable[[], str]]:
    return [
        lambda: charts.section_drawing(sheet, SI),
        lambda: charts.velocity_map(sheet, sheet.runs[0], SI),
        lambda: charts.profile(sheet, sheet.runs[0], SI),
    ]


ERRORS = [
    charts.ErrorPoint(2.0, 0.1, 0.4, 0.11, outside=False),
    charts.ErrorPoint(40.0, 1.8, 0.4, 0.3, outside=True),
    charts.ErrorPoint(90.0, 4.05, 0.4, 0.57, outside=True),
    charts.ErrorPoint(120.0, -0.2, 0.4, None, outside=False),
]
STANDS = [
    charts.Stand("AHU-1", done=12, measured=2, flagged=3, remeasure=1, to_do=6, judged=15, within=13),
    charts.Stand("AHU-2 <supply>", deferred=2, to_do=14),
    charts.Stand("EF-3", done=8, judged=8, within=8),
]
PICTURES = [
    lambda: charts.standing(STANDS),
    lambda: charts.standing(STANDS[1:2]),
    lambda: charts.calibration_errors(ERRORS, "Pa", "At 90 Pa it showed 4.05 Pa too much"),
    lambda: charts.calibration_errors(ERRORS[:1], "", "One point"),
    *_of(RECTANGULAR),
    *_of(ROUND),
    *_of(SWEPT),
    lambda: charts.interval_plot(OUTLETS),
    lambda: charts.budget_bars(RECTANGULAR.budget),
    lambda: charts.verdict_mark(RECTANGULAR.result),
    lambda: charts.verdict_band(RECTANGULAR.result),
]


@pytest.mark.parametrize("draw", PICTURES)
def test_picture_is_whole_and_small(draw: Callable[[], str]) -> None:
    svg = draw()
    root = ElementTree.fromstring(svg)
    assert root[0].tag == SVG + "title"
    assert root[0].text
    assert len(svg.encode()) <= 6_000
    _, _, width, height = (float(v) for v in root.attrib["viewBox"].split())
    for text in root.iter(SVG + "text"):
        assert 0 <= float(text.attrib["x"]) <= width
        assert 0 <= float(text.attrib["y"]) <= height
    assert "nan" not in svg
    started = time.perf_counter()
    for _ in range(20):
        draw()
    assert (time.perf_counter() - started) / 20 < 0.005


def title(svg: str) -> str:
    found = re.search("<title>(.*?)</title>", svg)
    assert found
    return found[1]


def test_titles_state_the_finding() -> None:
    assert title(charts.interval_plot(OUTLETS)) == (
        "13 of 14 outlets pass or pass conditionally; worst S14 at 81 % of design"
    )
    assert title(charts.velocity_map(RECTANGULAR, RECTANGULAR.runs[0], SI)).startswith("Velocities from 4.")
    assert "800 by 500 mm" in title(charts.section_drawing(RECTANGULAR, SI))
    assert "Number and place of points gives 48 %" in title(charts.budget_bars(RECTANGULAR.budget))
    assert title(charts.verdict_mark(OUTLETS[-1].final)).startswith("Fail: 81.0")


def test_where_a_job_stands_is_told_in_parts_to_scale() -> None:
    svg = charts.standing([charts.Stand("A", done=3, flagged=1, judged=4, within=3), charts.Stand("Empty")])
    assert title(svg) == "3 of 4 points done: 1 flagged; 3 of 4 judged values within tolerance"
    assert "Empty" not in svg  # nothing to show of it
    done, flagged = re.findall(r"M([\d.]+) 22.0h([\d.]+)v12h", svg)[-2:]
    assert float(done[1]) == pytest.approx(3 * float(flagged[1]), abs=0.2)
    assert float(flagged[0]) == pytest.approx(float(done[0]) + float(done[1]), abs=0.2)
    assert title(charts.standing(STANDS[1:2])) == "0 of 16 points done: 2 deferred, 14 to do"
    assert "none judged yet" in charts.standing(STANDS[1:2])
    assert charts.standing([]) == ""
    many = charts.standing([charts.Stand(f"S-{n}", done=1, to_do=1) for n in range(200)])
    assert ">177 more<" in many
    assert "200 of 400 points done" in title(many)


def test_points_stand_to_scale() -> None:
    svg = charts.section_drawing(RECTANGULAR, SI)
    dots = re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)" r="1.9"/>', svg)
    assert len(dots) == 25
    xs = sorted({float(x) for x, _ in dots})
    offsets = [line.offset or 0.0 for line in RECTANGULAR.lines]
    ratio = (xs[-1] - xs[0]) / (offsets[-1] - offsets[0])
    for x, offset in zip(xs, offsets, strict=True):
        assert x - xs[0] == pytest.approx((offset - offsets[0]) * ratio, abs=0.15)


@pytest.mark.parametrize(
    ("share", "verdict"),
    [(1.0, Verdict.PASS), (1.13, Verdict.CONDITIONAL_FAIL), (1.4, Verdict.FAIL), (0.0, Verdict.FAIL)],
)
def test_mark_is_the_interval_to_scale(share: float, verdict: Verdict) -> None:
    result = Result(
        value=share,
        share=share,
        share_expanded=0.05,
        tolerance=Tolerance(lower=-0.1, upper=0.1),
        verdict=verdict,
    )
    svg = charts.verdict_mark(result)
    bars = re.findall(r'<rect x="([\d.]+)" y="[\d.]+" width="([\d.]+)"', svg)
    (band_x, band_w), (bar_x, bar_w) = [(float(x), float(w)) for x, w in bars]
    inside = band_x <= bar_x and bar_x + bar_w <= band_x + band_w
    assert inside is (verdict is Verdict.PASS)


def test_texts_are_escaped() -> None:
    bad = Disturbance(side="before", what="<b>&'\"", distance=1.0, diameters=2.0)
    sheet = msgspec.structs.replace(RECTANGULAR, disturbances=(bad,))
    assert "<b>" not in charts.section_drawing(sheet, SI)
    rows = [msgspec.structs.replace(OUTLETS[0], tag="</svg><script>")]
    assert "<script>" not in charts.interval_plot(rows)


def test_flat_results_do_not_break_pictures() -> None:
    run = RECTANGULAR.runs[0]
    still = tuple(msgspec.structs.replace(r, velocity=0.0, pressure=0.0) for r in run.readings)
    calm = msgspec.structs.replace(run, readings=still, mean=0.0)
    for svg in (charts.velocity_map(RECTANGULAR, calm, SI), charts.profile(RECTANGULAR, calm, SI)):
        ElementTree.fromstring(svg)
    ElementTree.fromstring(charts.verdict_band(Result(value=1.0)))
    ElementTree.fromstring(charts.verdict_mark(Result(value=1.0)))
    ElementTree.fromstring(charts.interval_plot([]))
    assert "No budget" in charts.budget_bars([])


def test_other_shapes() -> None:
    oval = msgspec.structs.replace(RECTANGULAR.section, shape="flat_oval")
    sheet = msgspec.structs.replace(RECTANGULAR, section=oval)
    assert title(charts.section_drawing(sheet, SI)).startswith("Flat oval duct")
    lines = tuple(
        msgspec.structs.replace(n, angle=a) for n, a in zip(ROUND.lines, (45.0, 135.0), strict=True)
    )
    turned = msgspec.structs.replace(ROUND, lines=lines)
    for draw in _of(turned):
        ElementTree.fromstring(draw())
    sweeps = tuple(
        msgspec.structs.replace(s, line=n) for s, n in zip(SWEPT.runs[0].sweeps, "AB", strict=False)
    )
    around = msgspec.structs.replace(
        ROUND, points=(), runs=(msgspec.structs.replace(SWEPT.runs[0], sweeps=sweeps),)
    )
    for draw in _of(around):
        ElementTree.fromstring(draw())


def test_numbers_on_shades_can_be_read() -> None:
    """WCAG contrast of the number on every shade."""

    def light(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    lights = []
    for k in range(LEVELS + 1):
        ink = "#ffffff" if on_dark(k) else "#000000"
        low, high = sorted((light(shade(k)), light(ink)))
        assert (high + 0.05) / (low + 0.05) >= 4.5
        lights.append(light(shade(k)))
    assert lights == sorted(lights, reverse=True)
    assert level(5.0, 5.0, 5.0) == LEVELS // 2


def test_labels_are_pushed_apart() -> None:
    places = spread([0.0, 1.0, 2.0, 50.0], 8.0)
    assert [b - a >= 7.99 for a, b in itertools.pairwise(places)] == [True] * 3
    assert places[3] == 50.0


@pytest.mark.parametrize(("low", "high"), [(4.6, 6.0), (0.0, 0.0), (5.0, 5.0), (950.0, 1240.0), (1e-4, 2e-4)])
def test_axis_holds_its_values(low: float, high: float) -> None:
    bottom, top, step = scale_of(low, high)
    assert bottom <= low
    assert top >= high - 1e-12
    assert 1 <= round((top - bottom) / step) <= 8


def test_errors_of_a_calibration_are_drawn_to_scale_with_a_gap_where_nothing_is_promised() -> None:
    svg = charts.calibration_errors(ERRORS, "Pa", "<b>too much & more</b>")
    root = ElementTree.fromstring(svg)
    assert root[0].text == "<b>too much & more</b>"
    squares = [e for e in root.iter(SVG + "rect") if e.attrib["width"] == "7"]
    dots = list(root.iter(SVG + "circle"))
    assert (len(squares), len(dots)) == (2, 2)
    heights = [float(e.attrib["y"]) + 3.5 for e in squares] + [float(e.attrib["cy"]) for e in dots]
    drawn = dict(zip((1.8, 4.05, 0.1, -0.2), heights, strict=True))
    per_unit = (drawn[-0.2] - drawn[4.05]) / 4.25
    for error, height in drawn.items():
        assert height == pytest.approx(drawn[-0.2] - (error + 0.2) * per_unit, abs=0.11)
    band = next(e for e in root.iter(SVG + "path") if "c-band" in e.attrib["class"])
    assert len(re.findall(r"[ML]", band.attrib["d"])) == 6  # three points with a promise, there and back
