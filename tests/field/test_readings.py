"""What the tablet asks about at once, which point comes next, series of loggers, marks at true size."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page

from measurements.loading import QUANTITY_OF_USE
from measurements.methods import METHODS
from measurements.methods.described import described as described_method
from tests.field import described
from tests.field.modules import called, module_page

pytestmark = pytest.mark.browser
PITOT = described_method(METHODS["pitot_traverse"])
HOOD = described_method(METHODS["hood_reading"])
MANOMETER = described.tool("pressure")


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    with module_page() as found:
        yield found


def reading(n: int, value: str, run: int = 1, **more: Any) -> dict[str, Any]:
    usual = {"run": run, "line": n // 5 + 1, "point": n % 5 + 1, "quantity": "pressure", "value": value,
             "unit": "Pa", "taken_at": f"2026-03-02T09:{run}{n:01d}:00Z"}  # fmt: skip
    return usual | more


def doubts(page: Page, before: list[str], value: str, **more: Any) -> list[str]:
    """What is asked about when a velocity pressure is entered after others of the run."""
    rows = [reading(n, text) for n, text in enumerate(before)]
    at = {"run": 1, "line": len(before) // 5 + 1, "point": len(before) % 5 + 1}
    entry = {"body": {"readings": rows}, "kind": PITOT, "place": PITOT["places"][0], "at": at, "value": value,
             "unit": "Pa", "tool": MANOMETER}  # fmt: skip
    found: list[str] = called(page, "readings", "doubts", [[entry | more]])[0]
    return found


def test_a_slipped_point_is_asked_about_and_a_profile_is_not(page: Page) -> None:
    assert doubts(page, ["42.0"], "4.2") == ["4.2\u202fPa after 42.0\u202fPa."]
    assert doubts(page, ["4.2", "4.4", "4.1"], "41") == ["41\u202fPa after 4.1\u202fPa."]
    assert doubts(page, [], "4.2") == []
    assert doubts(page, ["12.0", "20.1", "24.0", "22.0"], "8.0") == []
    # after one low point at a wall the next one is high again: the middle of the run says that it is right
    assert doubts(page, ["9.5", "9.1", "9.0", "2.0"], "9.4") == []


def test_a_negative_pressure_and_one_outside_the_range_are_asked_about(page: Page) -> None:
    assert "hoses swapped" in doubts(page, ["-12.0"], "-12.4")[0]
    assert doubts(page, [], "2600") == [
        "2600\u202fPa is outside the range of SN-pressure: \u22122500\u202fPa to 2500\u202fPa."
    ]
    assert doubts(page, [], "2600", tool=None) == []


def test_a_second_run_is_held_to_the_first_at_the_same_point(page: Page) -> None:
    rows = [reading(n, text) for n, text in enumerate(["13.1", "40.0"])]
    entry = {"body": {"readings": rows}, "kind": PITOT, "place": PITOT["places"][0], "unit": "Pa",
             "tool": MANOMETER, "at": {"run": 2, "line": 1, "point": 1}}  # fmt: skip
    found = called(page, "readings", "doubts", [[entry | {"value": value}] for value in ("13.4", "31.1")])
    assert found == [[], ["31.1 here, 13.1 in the run before."]]


def test_a_hood_reading_far_from_the_one_before_is_asked_about(page: Page) -> None:
    rows = [reading(0, "88.5", quantity="flow", unit="L/s")]
    entry = {"body": {"readings": rows}, "kind": HOOD, "place": HOOD["places"][0], "unit": "L/s",
             "tool": None, "at": {"run": 2, "line": 1, "point": 1}}  # fmt: skip
    found = called(page, "readings", "doubts", [[entry | {"value": value}] for value in ("89.1", "891")])
    assert found == [[], ["891\u202fL/s after 88.5\u202fL/s."]]


def test_the_next_point_is_the_next_one_that_is_not_read(page: Page) -> None:
    script = """async ([rows, kind, at]) => {
      const {cellsOf, nextCell} = await import("/field/readings.js");
      return nextCell(cellsOf({lines: 2, points: 5}), {readings: rows}, at, kind);
    }"""
    rows = [reading(n, "12") for n in (0, 1, 2, 3, 5, 6, 7, 8, 9)]
    at = {"run": 1, "place": "velocity_pressure", "line": 1, "point": 2}
    assert page.evaluate(script, [rows, PITOT, at]) == {"line": 1, "point": 5}
    assert page.evaluate(script, [rows, PITOT, at | {"line": 2, "point": 5}]) == {"line": 1, "point": 5}
    assert page.evaluate(script, [[*rows, reading(4, "12")], PITOT, at]) is None


def test_a_mistyped_reading_is_replaced_and_keeps_its_moment(page: Page) -> None:
    script = """async ([body, reading, kind]) => {
      const {putReading} = await import("/field/session.js");
      putReading(body, reading, kind);
      return body.readings;
    }"""
    first, second = reading(0, "4.2"), reading(1, "42.0")
    mended = reading(0, "42.1", taken_at="2026-03-02T10:00:00Z", place="velocity_pressure")
    found = page.evaluate(script, [{"readings": [first, second]}, mended, PITOT])
    assert [one["value"] for one in found] == ["42.1", "42.0"]
    assert found[0]["taken_at"] == first["taken_at"]


def test_uses_show_what_the_service_says_they_show(page: Page) -> None:
    shows = page.evaluate("async () => (await import('/field/session.js')).SHOWS")
    assert shows == {use: quantity.value for use, quantity in QUANTITY_OF_USE.items()}


def test_series_keep_their_digits_and_say_where_they_are_wrong(page: Page) -> None:
    good = {
        "12.10\n12.9\n\n-0.5\n": {"samples": ["12.10", "12.9", "-0.5"], "duration": None},
        "time,value\n0,12.1\n0.5,12.2\n1.0,12.30": {"samples": ["12.1", "12.2", "12.30"], "duration": 1.5},
        "t;p\r\n0,0;12,10\r\n0,25;12,2\r\n": {"samples": ["12.10", "12.2"], "duration": 0.5},
        "09:30:00\t12.1\n09:30:01\t12.2\n09:30:02\t12.3": {
            "samples": ["12.1", "12.2", "12.3"],
            "duration": 3,
        },
        "time,value\n1,12\n2,13": {"samples": ["12", "13"], "duration": 2},
    }
    assert called(page, "sweep", "parseSeries", [[text] for text in good]) == list(good.values())
    bad = {
        "": "no sample",
        "12.1\nabc": "Line 2: “abc” is not a number.",
        "0 12.1\n0.5": "Line 2 has 1 figures",
        "0 12.1\n0.5 12.2\n0.5 12.3": "Line 3: the time does not rise.",
        "0 1.1\n1 1.2\n2 1.3\n5 1.4\n6 1.5": "Line 4 comes 3 s after the one before, most others 1 s",
        "1 2 3": "Line 1 has 3 figures",
        "12,5\n13,1": "one figure, or a time and a value?",
        "x 12.1\n1 12.2": "Line 1: “x” is not a time",
        "1e3\n2": "Line 1: “1e3” is not a number.",
        "\n".join(["1"] * 20_001): "20001 samples",
    }
    faults = called(page, "sweep", "parseSeries", [[text] for text in bad])
    for one, words in zip(faults, bad.values(), strict=True):
        assert words in one["fault"], one


def test_a_sweep_settles_then_moves_evenly_then_ends(page: Page) -> None:
    plan = {"settle": 5, "duration": 30, "beat": 1}
    found = called(page, "sweep", "phaseAt", [[second, plan] for second in (0, 4.9, 5, 20, 34.9, 35, 99)])
    assert [one["phase"] for one in found] == ["settle", "settle", "sweep", "sweep", "sweep", "done", "done"]
    assert found[3]["share"] == 0.5
    assert [one["beat"] for one in found[2:5]] == [0, 15, 29]


def test_marks_are_printed_in_millimetres_on_as_many_sheets_as_they_need(page: Page) -> None:
    script = """async ([duct, rule, system]) => {
      const {makeLayout} = await import("/field/layout.js");
      const {sheetsOf} = await import("/field/marks.js");
      const layout = makeLayout(duct, rule);
      return [sheetsOf(layout, system), layout.depths.filter((one) => one.line === 1).map((one) => one.mark)];
    }"""
    duct = {"shape": "rectangular", "width": 0.4, "height": 0.6, "wall": 0.001}
    sheets, marks = page.evaluate(script, [duct, "log_tchebycheff", "si"])
    assert [(one["from"], one["to"]) for one in sheets] == [(0, 220), (220, 440), (440, 660)]
    assert all(one["strips"][0]["holes"] == ["A", "B", "C", "D", "E"] for one in sheets)
    at = [mark["at"] for one in sheets for mark in one["strips"][0]["marks"]]
    assert at == pytest.approx([round(1000 * mark) for mark in marks])
    inches, marks = page.evaluate(script, [duct, "log_tchebycheff", "ip"])
    at = [mark["at"] for one in inches for mark in one["strips"][0]["marks"]]
    assert at == pytest.approx([1000 * mark for mark in marks], abs=25.4 / 32)
    assert inches[0]["strips"][0]["marks"][0]["text"].endswith("in")


def test_marks_of_an_oval_have_a_strip_for_each_depth(page: Page) -> None:
    script = """async () => {
      const {makeLayout} = await import("/field/layout.js");
      const {markColumns} = await import("/field/plane.js");
      return markColumns(makeLayout({shape: "oval", width: 0.8, height: 0.3}, "equal_area"));
    }"""
    holes = [one["holes"] for one in page.evaluate(script)]
    assert ["A", "F"] in holes  # the ends are shorter than the flat part
    assert sum(map(len, holes)) == 6


def test_printed_marks_measure_what_they_say(page: Page) -> None:
    described.put(page, described.session("pitot_traverse", "plane"))
    page.evaluate("""async () => {
      const {view} = await import("/field/marks.js");
      document.getElementById("main").replaceChildren(await view(context, "job", "point-plane"));
    }""")
    page.get_by_text("This line is 100 mm long").first.wait_for()
    lengths = page.evaluate("""() => [...document.querySelectorAll('.check-lines path')].slice(0, 2)
      .map((one) => one.getBoundingClientRect().width)""")
    assert lengths[0] == pytest.approx(100 * 96 / 25.4, abs=0.6)  # CSS: 96 px are an inch
    assert lengths[1] == pytest.approx(4 * 96, abs=0.6)
    pdf = page.pdf(format="A4", prefer_css_page_size=True)
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page/") >= 2


def test_instruments_of_a_use_come_with_the_state_of_their_certificates(page: Page) -> None:
    tools = [
        described.tool("water_pressure"), described.tool("pressure", id="lapsed", due="2026-03-01"),
        described.tool("pressure", id="none", due=None),
        described.tool("pressure", id="soon", due="2026-03-09"),
        described.tool("pressure", id="good"), described.tool("hood"),
    ]  # fmt: skip
    found = called(page, "instruments", "suiting", [[tools, "pressure", described.DAY]])[0]
    assert [one["id"] for one in found] == ["good", "soon", "none", "lapsed", "tool-water_pressure"]
    states = called(page, "instruments", "stateOf", [[tool, described.DAY] for tool in found[:4]])
    assert [one["state"] for one in states] == ["good", "soon", "none", "lapsed"]
    named = called(
        page, "instruments", "obvious", [[tools, ["pressure", "hood", "water_pressure"], described.DAY]]
    )
    assert named == [{"hood": "tool-hood", "water_pressure": "tool-water_pressure"}]
