"""Every method can be measured from its description: its screens show, fit gloves, and are legible."""

from collections.abc import Iterator
from typing import Any

import pytest
from axe_core_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Page

from measurements.methods import METHODS
from tests.field import described
from tests.field.modules import complaints_of, module_page
from tests.pages.test_journey import PALE

pytestmark = pytest.mark.browser
PLANE = {
    "shape": "rectangular", "width": {"value": "500", "unit": "mm"}, "height": {"value": "400", "unit": "mm"},
    "rule": "log_tchebycheff", "upstream": {"value": "4.5", "unit": "m"},
    "downstream": {"value": "0.8", "unit": "m"},
}  # fmt: skip
SMALL = """() => [...document.querySelectorAll("main button, main select, main input, main a, main summary")]
  .filter((one) => one.getClientRects().length && one.type !== "checkbox")
  .filter((one) => one.offsetHeight < 48).map((one) => one.outerHTML.slice(0, 90))"""
UNNAMED = """() => [...document.querySelectorAll("main button, main select, main input, main textarea")]
  .filter((one) => one.getClientRects().length && !(one.labels?.length || one.getAttribute("aria-label")
    || one.textContent.trim())).map((one) => one.outerHTML.slice(0, 90))"""


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    with module_page(viewport={"width": 800, "height": 1200}) as found:
        yield found


def row(method: str, **body: Any) -> dict[str, Any]:
    kind = METHODS[method]
    plane = {"plane": PLANE} if kind.plane else {}
    return described.session(method, kind.points[0].value, **(plane | body))


@pytest.mark.parametrize("method", METHODS)
def test_every_step_of_every_method_shows(page: Page, method: str) -> None:
    complaints = complaints_of(page)
    for units, mode in (("si", "light"), ("ip", "dark")):
        page.emulate_media(color_scheme=mode)  # type: ignore[arg-type]
        described.put(page, row(method), units=units)
        described.show(page)
        steps = page.locator(".steps li").count()
        assert steps >= 3
        for n in range(steps):
            page.locator(".steps button").nth(n).click()
            name = page.locator(".steps [aria-current] .step-name").inner_text()
            page.get_by_role("heading", name=name, exact=True).wait_for()
            assert page.evaluate("document.documentElement.scrollWidth") <= 800, name
            assert page.evaluate(SMALL) == [], name
            assert page.evaluate(UNNAMED) == [], name
            assert page.evaluate(PALE.replace("< 4.5", "< 7")) == [], name
        found = Axe().run(page)["violations"]
        assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
    assert [one for one in complaints if "404" not in one] == []


def test_nothing_that_is_missing_is_sent_without_being_told(page: Page) -> None:
    described.put(page, row("fan_test"))
    described.show(page, "result")
    lacks = page.locator(".lacks li").all_inner_texts()
    assert any("Enter the air temperature." in one for one in lacks)
    assert any("Nothing is read yet." in one for one in lacks)
    page.get_by_role("button", name="Finish and send").click()
    page.get_by_role("heading", name="Ready").or_(page.get_by_role("heading", name="Air")).wait_for()
    assert described.kept(page)["state"] == "open"


def test_points_that_were_not_read_and_zeros_may_lack_but_only_knowingly(page: Page) -> None:
    reading = {"run": 1, "line": 1, "point": 1, "quantity": "pressure", "value": "12.0", "unit": "Pa"}
    body = {
        "readings": [reading | {"taken_at": "2026-03-02T09:00:00Z"}],
        "conditions": {"air_temperature": {"value": "21", "unit": "Cel"}},
        "instruments": {"pressure": "tool-pressure"},
    }
    described.put(page, row("pitot_traverse", **body))
    described.show(page, "result")
    page.get_by_text("Run 1 lacks 24 points: A2, A3, A4, A5, B1, B2 …").first.wait_for()
    page.get_by_role("button", name="Finish and send").click()
    page.get_by_role("dialog").get_by_role("button", name="Go back to it").click()
    assert described.kept(page)["state"] == "open"
    page.get_by_role("button", name="Finish and send").click()
    page.get_by_role("dialog").get_by_text("The zero after the readings was not looked at.").wait_for()
    page.get_by_role("dialog").get_by_role("button", name="Finish without it").click()
    page.get_by_text("It waits to be sent").wait_for()
    assert (
        described.kept(page)["body"]["plane"] | {"lines": 5, "points": 5}
        == described.kept(page)["body"]["plane"]
    )


def test_too_few_readings_of_a_place_are_never_sent(page: Page) -> None:
    reading = {"run": 1, "line": 1, "point": 1, "quantity": "velocity", "value": "0.5", "unit": "m/s"}
    told = {
        "width": {"value": "1200", "unit": "mm"},
        "height": {"value": "450", "unit": "mm"},
        "signal": "velocity",
    }
    body = {
        "readings": [reading | {"taken_at": "2026-03-02T09:00:00Z"}], "told": told,
        "conditions": {"air_temperature": {"value": "21", "unit": "Cel"}},
        "instruments": {"velocity": "tool-velocity"},
    }  # fmt: skip
    described.put(page, row("hood_face", **body))
    described.show(page, "result")
    page.get_by_text("Velocity in the opening needs 2 readings.").wait_for()
    page.get_by_role("button", name="Finish and send").click()
    page.get_by_role("heading", name="Readings").wait_for()
    assert described.kept(page)["state"] == "open"


def test_an_instrument_out_of_calibration_is_said_before_measuring(page: Page) -> None:
    work = described.worklist()
    work["jobs"][0]["instruments"] = [described.tool("pressure", due="2026-02-01")]
    described.put(page, row("pitot_traverse"), work=work)
    described.show(page, "ready")
    page.get_by_text("Out of calibration: C-1 ended on 2026-02-01").wait_for()
    page.get_by_text("What it shows will be flagged.").wait_for()


def test_a_reading_that_could_not_be_kept_is_not_shown_as_kept(page: Page) -> None:
    described.put(page, row("hood_reading"))
    described.show(page, "readings")
    page.evaluate(
        """() => {
          const {change} = context.store;
          context.store.change = () => Promise.reject(new Error("no room"));
          window.mend = () => { context.store.change = change; };
          addEventListener("unhandledrejection", (event) => event.preventDefault());
        }"""
    )
    page.locator(".keypad-input").focus()
    page.keyboard.type("88.5")
    page.keyboard.press("Enter")
    page.get_by_text("still to read").wait_for()
    assert page.locator(".chips").count() == 0
    page.evaluate("mend()")
    page.locator(".keypad-input").focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("88.5")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Reading 1: 88.5").wait_for()
    assert [one["value"] for one in described.kept(page)["body"]["readings"]] == ["88.5"]


def test_a_point_that_the_supervisor_wants_again_says_why(page: Page) -> None:
    work = described.worklist()
    asked = {"test_point": "point-outlet", "session": "old", "reason": "The damper was shut."}
    work["jobs"][0]["remeasure"] = [asked]
    described.put(page, row("hood_reading"), work=work)
    described.show(page, "ready")
    page.get_by_text("Asked for by the supervisor: The damper was shut.").wait_for()
    wanted = {"session": "old", "reason": "The damper was shut."}
    assert described.kept(page)["body"]["supersedes"] == wanted


def test_what_was_measured_another_way_stands_beside_unless_one_says_otherwise(page: Page) -> None:
    earlier = row("face_velocity") | {"id": "earlier", "state": "stored"}
    again = row("hood_reading", supersedes={"session": "earlier", "reason": ""})
    described.put(page, again, earlier)
    described.show(page, "ready")
    page.get_by_role("heading", name="This point was measured before").wait_for()
    assert described.kept(page)["body"]["supersedes"] is None
    page.get_by_role("button", name="It takes the earlier one's place").click()
    page.get_by_role("button", name="Conditions were not steady").click()
    wanted = {"session": "earlier", "reason": "Conditions were not steady"}
    assert described.kept(page)["body"]["supersedes"] == wanted


def test_the_same_measured_again_must_say_why(page: Page) -> None:
    earlier = row("hood_reading") | {"id": "earlier", "state": "stored"}
    described.put(page, row("hood_reading"), earlier)
    described.show(page, "result")
    page.get_by_text("Say why this point is measured again.").wait_for()
    assert described.kept(page)["body"]["supersedes"]["session"] == "earlier"


def test_what_was_looked_at_first_goes_into_the_note(page: Page) -> None:
    described.put(page, row("hood_reading"))
    described.show(page, "ready")
    page.get_by_label("Doors and windows as in use").check()
    page.get_by_label("Filters clean").check()
    page.get_by_role("button", name="Result").first.click()
    page.get_by_label("Note to this session").fill("Diffuser bent.")
    assert described.kept(page)["body"]["note"] == (
        "Diffuser bent.\nLooked at before measuring: filters clean; doors and windows as in use."
    )


def test_an_uncertainty_needs_its_figure_first(page: Page) -> None:
    described.put(page, row("valve_flow"))
    described.show(page, "told")
    page.get_by_role("button", name="± U (k = 2) of the figure above").first.click()
    page.locator(".keypad-input:focus").wait_for()
    page.keyboard.type("0.3")
    page.keyboard.press("Enter")
    page.get_by_role("alert").get_by_text("Enter this first: Flow coefficient").wait_for()


def test_a_refused_session_says_why_and_can_be_mended(page: Page) -> None:
    refused = row("pitot_traverse")
    refused |= {
        "state": "refused",
        "errors": [{"pointer": "/sessions/0/plane/width", "detail": "No duct's size."}],
    }
    described.put(page, refused)
    described.show(page)
    page.get_by_text("No duct's size.").wait_for()
    page.get_by_role("button", name="Go to: Duct").first.click()
    page.get_by_role("heading", name="Duct").wait_for()


def test_a_sent_session_is_looked_at_and_not_changed(page: Page) -> None:
    sent = row("pitot_traverse") | {"state": "stored"}
    result = {
        "value": 0.9044,
        "expanded_uncertainty": 0.0311,
        "unit": "m3/s",
        "share": 1.005,
        "verdict": "pass",
    }
    sent["server"] = {"evaluated": True, "result": result, "flags": [
        {"severity": "warning", "seen": "Few straight diameters.", "advice": "Measure elsewhere."},
    ]}  # fmt: skip
    described.put(page, sent)
    described.show(page)
    line = page.locator(".result-line").inner_text()
    assert "904" in line
    assert "± 31" in line
    assert "L/s" in line
    assert "Pass" in line
    page.get_by_text("Few straight diameters.").wait_for()
    assert page.locator(".step-next, .keypad").count() == 0


def test_a_step_that_an_answer_makes_whole_is_marked_done(page: Page) -> None:
    described.put(page, row("hood_reading"))
    described.show(page, "air")
    assert "open" not in page.locator(".steps li").nth(0).inner_text()
    page.keyboard.press("Tab")
    page.locator(".keypad-input").focus()
    page.keyboard.type("21.4")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Result").first.click()
    assert "done" in page.locator(".steps li").nth(1).inner_text()
    assert described.kept(page)["body"]["conditions"] == {"air_temperature": {"value": "21.4", "unit": "Cel"}}
