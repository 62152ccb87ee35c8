"""Pictures of tests: titles that state the finding, marks in their right places, odd data break nothing."""

import itertools
import re
import time
from collections.abc import Callable
from math import exp, log
from xml.etree import ElementTree

import pytest
from msgspec import structs

from measurements.calc.leakage_classes import EN_COEFFICIENTS
from measurements.calc.sound_curves import CURVE_BANDS, CURVES
from reports import document as doc
from reports.document import Cell, Method, Plotted, Quantity, UnitSystem
from reports.render import charts
from reports.render.charts.axes import by_tens, even
from reports.render.figures import Figures
from tests.render import testworld

SI, IP = Figures(UnitSystem.SI), Figures(UnitSystem.IP)
SHEETS = {sheet.method: sheet for sheet in testworld.sheets()}
DRAWN = {
    Method.STATIC_PROFILE: 1,
    Method.FAN_TEST: 1,
    Method.PRESSURE_CHECK: 1,
    Method.LEAKAGE_TEST: 1,
    Method.MIXED_AIR: 1,
    Method.FACE_VELOCITY: 1,
    Method.HOOD_FACE: 1,
    Method.ROOM_PRESSURE: 2,
    Method.SOUND_LEVEL: 1,
    Method.PUMP_TEST: 1,
    Method.COIL_HEAT: 1,
}
SVG = "{http://www.w3.org/2000/svg}"


def table(sheet: doc.TestSheet, kind: str) -> Plotted:
    return next(t for t in sheet.plotted if t.kind == kind)


def drawn(sheet: doc.TestSheet, place: int = 0, figures: Figures = SI) -> str:
    return charts.pictures_of(sheet, figures)[place].svg


def title(svg: str) -> str:
    found = re.search("<title>(.*?)</title>", svg)
    assert found
    return found[1].replace("\u00a0", " ").replace("\u202f", " ")


def circles(svg: str, radius: str) -> list[tuple[float, float]]:
    found = re.findall(rf'<circle cx="([\d.]+)" cy="([\d.]+)" r="{radius}"', svg)
    return [(float(x), float(y)) for x, y in found]


def changed(sheet: doc.TestSheet, kind: str, change: Callable[[Cell, int], Cell]) -> doc.TestSheet:
    """The sheet with each cell of its tables of a kind ("" for all) changed; the column's number is told."""
    tables = tuple(
        structs.replace(
            t, cells=tuple(tuple(change(cell, k) for k, cell in enumerate(row)) for row in t.cells)
        )
        if kind in (t.kind, "")
        else t
        for t in sheet.plotted
    )
    return structs.replace(sheet, plotted=tables)


def test_each_test_has_its_pictures_and_the_rest_none() -> None:
    assert len(SHEETS) == 14
    for method, sheet in SHEETS.items():
        assert len(charts.pictures_of(sheet, SI)) == DRAWN.get(method, 0), method


def _whole(svg: str) -> None:
    root = ElementTree.fromstring(svg)
    assert root[0].tag == SVG + "title"
    assert root[0].text
    assert "nan" not in svg.partition("</title>")[2]
    assert "inf" not in svg.partition("</title>")[2]
    _, _, width, height = (float(v) for v in root.attrib["viewBox"].split())
    for element in root.iter():
        x, y = element.attrib.get("x"), element.attrib.get("y")
        if x is not None and y is not None:
            assert -0.05 <= float(x) <= width
            assert -0.05 <= float(y) <= height
    for data in re.findall(r' d="([^"]*)"', svg):
        for x, y in re.findall(r"[ML]([-\d.]+) ([-\d.]+)", data):
            assert -0.05 <= float(x) <= width
            assert -0.05 <= float(y) <= height


@pytest.mark.parametrize("figures", [SI, IP], ids=["SI", "IP"])
@pytest.mark.parametrize("method", DRAWN)
def test_pictures_are_whole_small_and_quick(method: Method, figures: Figures) -> None:
    sheet = SHEETS[method]
    for one in charts.pictures_of(sheet, figures):
        _whole(one.svg)
        assert len(one.svg.encode()) <= 6_000
        assert one.caption
    started = time.perf_counter()
    for _ in range(10):
        charts.pictures_of(sheet, figures)
    assert (time.perf_counter() - started) / 10 < 0.01


@pytest.mark.parametrize("method", DRAWN)
@pytest.mark.parametrize(
    "change",
    [
        lambda cell, _: Cell(),
        lambda cell, _: Cell(value=0.0, expanded=0.0),
        lambda cell, _: Cell(value=None if cell.value is None else 1e30 * cell.value, expanded=1e30),
        lambda cell, _: Cell(value=None if cell.value is None else 1e-9 * cell.value),
        lambda cell, _: Cell(value=None if cell.value is None else -cell.value, expanded=cell.expanded),
    ],
    ids=["empty", "nought", "huge", "tiny", "negative"],
)
def test_odd_figures_do_not_break_pictures(method: Method, change: Callable[[Cell, int], Cell]) -> None:
    numbers = (Quantity.NUMBER,)  # columns, rows and stations count; they stay as they are
    sheet = SHEETS[method]
    tables = tuple(
        structs.replace(
            t,
            cells=tuple(
                tuple(
                    cell if quantity in numbers else change(cell, k)
                    for k, (cell, quantity) in enumerate(zip(row, t.quantities, strict=True))
                )
                for row in t.cells
            ),
        )
        for t in sheet.plotted
    )
    for figures in (SI, IP):
        for one in charts.pictures_of(structs.replace(sheet, plotted=tables), figures):
            _whole(one.svg)


@pytest.mark.parametrize("method", DRAWN)
def test_one_row_and_no_rows(method: Method) -> None:
    sheet = SHEETS[method]
    short = tuple(
        structs.replace(t, labels=t.labels[:1], cells=t.cells[:1], words=t.words[:1]) for t in sheet.plotted
    )
    for one in charts.pictures_of(structs.replace(sheet, plotted=short), SI):
        _whole(one.svg)
    none = tuple(structs.replace(t, labels=(), cells=(), words=()) for t in sheet.plotted)
    assert charts.pictures_of(structs.replace(sheet, plotted=none), SI) == []


@pytest.mark.parametrize("method", DRAWN)
def test_texts_are_escaped(method: Method) -> None:
    sheet = SHEETS[method]
    bad = "</svg><script>&'\""
    tables = tuple(
        structs.replace(t, labels=(bad,) * len(t.labels), words=(bad,) * len(t.words)) for t in sheet.plotted
    )
    for one in charts.pictures_of(structs.replace(sheet, plotted=tables), SI):
        assert "<script" not in one.svg
        ElementTree.fromstring(one.svg)


# ---- air path --------------------------------------------------------------------------------------------


def test_stations_stand_where_their_pressure_is() -> None:
    sheet = SHEETS[Method.STATIC_PROFILE]
    svg, path = drawn(sheet), table(sheet, "air_path")
    before, after = path.names.index("before"), path.names.index("after")
    pressures = [row[before].value or 0.0 for row in path.cells] + [path.cells[-1][after].value or 0.0]
    dots = sorted(circles(svg, "2.1"))
    assert len(dots) == len(pressures) == 7
    slope = (dots[-1][1] - dots[0][1]) / (pressures[-1] - pressures[0])
    for (_, y), pressure in zip(dots, pressures, strict=True):
        assert y - dots[0][1] == pytest.approx(slope * (pressure - pressures[0]), abs=0.15)
    gaps = {round(b[0] - a[0], 0) for a, b in itertools.pairwise(dots)}
    assert len(gaps) == 1
    assert title(svg).startswith(
        "External static pressure 334.0 ± 6.3 Pa, limit 350.0 Pa. Drops in Pa: damper 14"
    )
    assert ">+688<" in svg


def test_a_station_that_was_not_read_leaves_a_gap() -> None:
    sheet = SHEETS[Method.STATIC_PROFILE]
    path = table(sheet, "air_path")
    less = structs.replace(
        path, labels=path.labels[:2] + path.labels[4:], cells=path.cells[:2] + path.cells[4:]
    )
    svg = drawn(structs.replace(sheet, plotted=(less, table(sheet, "external_static"))))
    _whole(svg)
    assert len(circles(svg, "2.1")) == 6


# ---- leakage ---------------------------------------------------------------------------------------------


def test_leak_steps_stand_on_logarithms() -> None:
    sheet = SHEETS[Method.LEAKAGE_TEST]
    svg, steps = drawn(sheet), table(sheet, "leak_steps")
    dots = circles(svg, "2.2")
    values = [(row[0].value or 0.0, row[1].value or 0.0) for row in steps.cells]
    for axis in (0, 1):
        span = (dots[-1][axis] - dots[0][axis]) / log(values[-1][axis] / values[0][axis])
        for dot, value in zip(dots, values, strict=True):
            assert dot[axis] - dots[0][axis] == pytest.approx(
                span * log(value[axis] / values[0][axis]), abs=0.15
            )
    assert "56 % of the limit of class B" in title(svg)


def test_limits_are_those_of_the_verdict() -> None:
    """Flow over the limit's flow at the test pressure is the leakage over its limit."""
    sheet = SHEETS[Method.LEAKAGE_TEST]
    assert sheet.result.high is not None
    at, classes = table(sheet, "leak_at").cells[0], table(sheet, "leak_classes")
    assert set(classes.labels) == set(EN_COEFFICIENTS)
    pressure, flow = at[0].value or 0.0, at[1].value or 0.0
    ends = [row for row, word in zip(classes.cells, classes.words, strict=True) if word == "asked for"]
    (p, q), (p2, q2) = [(row[0].value or 0.0, row[1].value or 0.0) for row in ends]
    assert log(q2 / q) / log(p2 / p) == pytest.approx(0.65)
    limit = q * (pressure / p) ** 0.65
    assert flow / limit == pytest.approx(sheet.result.value / sheet.result.high, rel=1e-9)


# ---- sound -----------------------------------------------------------------------------------------------


def test_the_band_that_governs_wears_the_ring() -> None:
    sheet = SHEETS[Method.SOUND_LEVEL]
    svg, bands = drawn(sheet), table(sheet, "bands")
    place = bands.words.index("governs")
    dots = circles(svg, "2.2")
    assert circles(svg, "5") == [dots[place]]
    assert bands.labels[place] == "500"
    assert [x for x, _ in dots] == sorted(x for x, _ in dots)
    levels = [row[0].value or 0.0 for row in bands.cells]
    slope = (dots[-1][1] - dots[0][1]) / (levels[-1] - levels[0])
    for (_, y), level in zip(dots, levels, strict=True):
        assert y - dots[0][1] == pytest.approx(slope * (level - levels[0]), abs=0.15)
    assert title(svg).startswith("NC 33, governed by 500 Hz. Levels in dB: 63 Hz 57.6")


def test_curves_are_the_published_ones() -> None:
    curves = table(SHEETS[Method.SOUND_LEVEL], "nc_curves")
    assert len(curves.names) == len(CURVE_BANDS)
    for label, row in zip(curves.labels, curves.cells, strict=True):
        assert tuple(cell.value for cell in row) == CURVES[int(label.removeprefix("NC "))]


# ---- curves ----------------------------------------------------------------------------------------------


def test_the_fan_curve_follows_the_fan_laws() -> None:
    sheet = SHEETS[Method.FAN_TEST]
    found = {fact.name: fact.value for fact in sheet.figures}
    ratio = found["Fan speed"] / 15.0
    rise = ratio**2 * found["Air density"] / 1.2
    points = table(sheet, "curve_points").cells
    expected = zip(testworld.test_fan_site.CURVE_FLOW, testworld.test_fan_site.CURVE_PRESSURE, strict=True)
    for row, (flow, pressure) in zip(points, expected, strict=True):
        assert row[0].value == pytest.approx(flow * ratio)
        assert row[1].value == pytest.approx(pressure * rise)


@pytest.mark.parametrize(("method", "rows"), [(Method.FAN_TEST, 1), (Method.PUMP_TEST, 2)])
def test_what_was_found_stands_on_the_scale_of_the_curve(method: Method, rows: int) -> None:
    sheet = SHEETS[method]
    svg, points, found = drawn(sheet), table(sheet, "curve_points").cells, table(sheet, "operation").cells
    rings, dots = circles(svg, "1.8"), circles(svg, "2.2")
    assert (len(rings), len(dots)) == (len(points), rows)
    for axis in (0, 1):
        first, last = points[0][axis].value or 0.0, points[-1][axis].value or 0.0
        slope = (rings[-1][axis] - rings[0][axis]) / (last - first)
        for dot, row in zip(dots, found, strict=True):
            value = row[axis].value or 0.0
            assert dot[axis] - rings[0][axis] == pytest.approx(slope * (value - first), abs=0.15)


def test_the_line_goes_through_the_maker_s_points() -> None:
    for method in (Method.FAN_TEST, Method.PUMP_TEST):
        line = [
            (row[0].value or 0.0, row[1].value or 0.0) for row in table(SHEETS[method], "curve_line").cells
        ]
        assert [q for q, _ in line] == sorted(q for q, _ in line)
        for row in table(SHEETS[method], "curve_points").cells:
            flow, height = row[0].value or 0.0, row[1].value or 0.0
            left = max(p for p in line if p[0] <= flow + 1e-12)
            right = min(p for p in line if p[0] >= flow - 1e-12)
            low, high = sorted((left[1], right[1]))
            assert low - 1e-9 <= height <= high + 1e-9


# ---- face ------------------------------------------------------------------------------------------------


def test_squares_are_darker_where_the_air_is_faster() -> None:
    sheet = SHEETS[Method.HOOD_FACE]
    svg = drawn(sheet)
    fills = re.findall(r'<path d="([^"]*)" fill="(#\w+)"', svg)
    shades = [int(fill[1:3], 16) for _, fill in fills]
    assert shades == sorted(shades, reverse=True)
    assert sum(d.count("M") for d, _ in fills) == 12
    off = re.search(r'<path d="M([\d.]+) ([\d.]+)h([\d.]+)[^"]*" class="c-mean"', svg)
    assert off
    lightest = re.match(r"M([\d.]+) ([\d.]+)", fills[0][0])
    assert lightest
    assert float(off[1]) - 2 == pytest.approx(float(lightest[1]), abs=0.15)
    assert "(column 2, row 2)" in title(svg)
    assert title(svg).endswith("mean 0.483 ± 0.078 m/s; 1 off the mean")


# ---- scales ----------------------------------------------------------------------------------------------


def test_a_negative_room_lies_left_of_nought() -> None:
    sheet = SHEETS[Method.ROOM_PRESSURE]
    svg = drawn(sheet)
    (dot,) = circles(svg, "2.6")
    nought = re.search(r'<path d="M([\d.]+) 6.0V[\d.]+" class="c-rule"', svg)
    limit = re.search(r'<path d="M([\d.]+) [\d.]+v16" class="c-mean"', svg)
    assert nought
    assert limit
    zero, edge = float(nought[1]), float(limit[1])
    assert dot[0] < edge < zero
    assert (zero - edge) / (zero - dot[0]) == pytest.approx(-2.5 / sheet.result.value, abs=0.01)
    assert "air flows into the room" in svg


def test_mixed_air_lies_between_as_its_share_says() -> None:
    sheet = SHEETS[Method.MIXED_AIR]
    back, mixed, out = (x for x, _ in circles(drawn(sheet), "2.6"))
    assert (back - mixed) / (back - out) == pytest.approx(sheet.result.value, abs=0.005)


def test_heats_are_bars_from_nought() -> None:
    sheet = SHEETS[Method.COIL_HEAT]
    svg, heats = drawn(sheet), table(sheet, "heats")
    widths = [float(w) for w in re.findall(r'<rect x="[\d.]+" y="[\d.]+" width="([\d.]+)"', svg)]
    values = [row[0].value or 0.0 for row in heats.cells]
    for width, value in zip(widths, values, strict=True):
        assert width / widths[0] == pytest.approx(value / values[0], abs=0.01)


def test_particles_fall_on_a_straight_line() -> None:
    sheet = SHEETS[Method.ROOM_PRESSURE]
    line = table(sheet, "decay_line").cells
    (t1, c1), (t2, c2) = [(row[0].value or 0.0, row[1].value or 0.0) for row in line]
    rate = next(fact for fact in sheet.figures if fact.name == "Recovery rate")
    assert c2 / c1 == pytest.approx(exp(-rate.value * (t2 - t1)))
    dots = circles(drawn(sheet, 1), "2.2")
    assert len(dots) == len(table(sheet, "decay").labels)
    assert [y for _, y in dots] == sorted(y for _, y in dots)
    assert "100:1 in 763 ± 18 s" in title(drawn(sheet, 1))


# ---- axes ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("low", "high"), [(1.0, 1.0), (3e-7, 4e5), (79.0, 375.0), (0.0, 0.0), (1e-30, 1e30)])
def test_a_logarithmic_axis_holds_its_values_with_a_few_ticks(low: float, high: float) -> None:
    axis = by_tens([low, high], 10.0, 110.0)
    assert len(axis.ticks) <= 9
    assert 10.0 <= axis.at(low) <= axis.at(high) <= 110.0
    places = [axis.at(tick) for tick in axis.ticks]
    assert places == sorted(places)


def test_an_even_axis_holds_nought_if_asked_and_nothing_leaves_it() -> None:
    axis = even([5.0, 9.0], 10.0, 110.0, nought=True)
    assert axis.at(0.0) == 10.0
    assert axis.at(float("nan")) == 10.0
    assert axis.at(1e300) == 110.0
    assert even([], 0.0, 1.0).at(0.0) >= 0.0


# ---- what the sheets carry -------------------------------------------------------------------------------


def test_differences_of_temperature_are_no_temperatures() -> None:
    facts = {fact.name: fact for fact in SHEETS[Method.COIL_HEAT].figures}
    rise = facts["Temperature rise of the air"]
    assert rise.quantity is Quantity.TEMPERATURE_DIFFERENCE
    assert rise.value == pytest.approx(-14.0)
    span = next(f for f in SHEETS[Method.MIXED_AIR].figures if f.name == "Outdoor less return air")
    assert span.value == pytest.approx(-26.9, abs=0.1)


def test_parts_in_units_of_their_own_stand_among_the_figures() -> None:
    sheet = SHEETS[Method.PUMP_TEST]
    assert sheet.parts is None
    facts = {fact.name: fact.quantity for fact in sheet.figures}
    assert facts["Suction pressure"] is Quantity.LIQUID_PRESSURE
    assert facts["Speed"] is Quantity.SPEED
    assert facts["Voltage"] is Quantity.VOLTAGE


def test_liquids_are_shown_in_units_of_liquids() -> None:
    sheet = SHEETS[Method.VALVE_FLOW]
    assert sheet.result.quantity is Quantity.LIQUID_FLOW
    shown = figures_of(sheet.result)
    assert shown == "5.14 ± 0.21 gal/min"
    wet = [row.quantity for row in sheet.budget if row.source.startswith("pressure drop")]
    assert set(wet) == {Quantity.LIQUID_PRESSURE}


def figures_of(result: doc.Result) -> str:
    found = IP.figure(result.quantity, doc.Measured(value=result.value, expanded=result.expanded))
    return str(found).replace("\u00a0", " ")


def test_plotted_tables_survive_the_snapshot() -> None:
    document = testworld.whole(UnitSystem.SI)
    again = doc.from_bytes(doc.to_bytes(document))
    assert again.systems[-1].tests == document.systems[-1].tests
    assert doc.to_bytes(again) == doc.to_bytes(document)
