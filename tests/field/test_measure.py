"""Sessions measured on a tablet in a real browser, sent to the service and evaluated by its worker."""

import json
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen

import pytest
from playwright.sync_api import Page, Playwright

from config.local.stack import Stack
from tests.field import tablet
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted

pytestmark = [pytest.mark.journey, pytest.mark.browser]
Seed = dict[str, Any]
codes = count()


@pytest.fixture(scope="module")
def seed(stack: Stack) -> Seed:
    return planted(stack, "tests.field.measure_seed")


@contextmanager
def paired(play: Playwright, stack: Stack, seed: Seed, folder: Path, **options: Any) -> Iterator[Page]:
    """A tablet with its technician signed in; what the page complains about fails the test."""
    with tablet.profile(play, folder, **options) as browser:
        browser.set_default_timeout(15_000)
        page = tablet.opened(browser, stack.base_url)
        complaints = complaints_of(page)
        tablet.pair(page, seed, next(codes))
        page.locator(".rows a").first.wait_for()
        yield page
        assert [one for one in complaints if "ERR_INTERNET" not in one] == []


def begin(page: Page, seed: Seed, tag: str, method: str) -> str:
    """Opens the point of the job and chooses the way to measure; returns the session's id."""
    page.goto(re.sub(r"#.*", f"#/job/{seed['job']}", page.url))
    page.locator(".rows .row", has=page.get_by_text(tag, exact=True)).first.click()
    page.get_by_role("dialog").get_by_role("button", name=re.compile(f": {method}$")).click()
    page.locator(".measure .steps").wait_for()
    return page.url.rpartition("/")[2]


def on(page: Page) -> None:
    page.locator(".step-next").click()


def step(page: Page, name: str) -> None:
    page.locator(".steps").get_by_role("button", name=re.compile(f"^{name}(?! after)")).click()
    page.get_by_role("heading", name=name, exact=True).wait_for()


def tap(page: Page, figure: str) -> None:
    """Taps a figure on the big keys and goes on."""
    names = {".": "point", "-": "sign"}
    for sign in figure[1:] + "-" if figure.startswith("-") else figure:
        page.locator(f".keypad [data-key='{names.get(sign, sign)}']").click()
    page.locator(".keypad [data-key=enter]").click()


def type_(page: Page, figure: str) -> None:
    """Types a figure on a hardware keyboard and goes on."""
    page.keyboard.press("Control+A")
    page.keyboard.type(figure)
    page.keyboard.press("Enter")


def correct(page: Page) -> None:
    """Takes a doubtful figure back; it stays on the keys to be corrected."""
    page.get_by_role("dialog").get_by_role("button", name="Correct it").click()
    page.get_by_role("dialog").wait_for(state="detached")


def asked_for(page: Page, words: str) -> None:
    """Waits until the keypad asks for this."""
    page.locator(".keypad-label", has_text=words).first.wait_for()


def choose_tool(page: Page, use: str, serial: str) -> None:
    page.get_by_label(use, exact=True).select_option(
        label=page.locator(f"option:has-text('{serial}')").first.inner_text()
    )


def row(page: Page, session: str) -> dict[str, Any]:
    """The session as the tablet keeps it."""
    return next(one for one in tablet.rows(page, "sessions") if one["id"] == session)


def asked(stack: Stack, seed: Seed, path: str) -> Any:
    head = {"Authorization": f"Bearer {seed['key']}", "Accept": "application/json"}
    with urlopen(Request(f"{stack.base_url}/api/v1/{path}", headers=head), timeout=30) as answer:
        return json.load(answer)


def until(check: Callable[[], Any], seconds: float = 60) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := check():
            return found
        time.sleep(0.3)
    pytest.fail("it did not come about in time")


def evaluated(stack: Stack, seed: Seed, session: str) -> dict[str, Any]:
    """The session as the service has it, once its worker has computed it."""

    def look() -> dict[str, Any] | None:
        items = asked(stack, seed, f"sessions?job={seed['job']}&limit=100")["items"]
        if session not in [one["id"] for one in items]:
            return None
        found: dict[str, Any] = asked(stack, seed, f"sessions/{session}")
        return found if found.get("result") else None

    found: dict[str, Any] = until(look)
    return found


def preview_of(page: Page, session: str, elevation: float = 120.0) -> float:
    """The flow that the tablet works out from the session, m³/s."""
    script = (
        """async ([body, place]) => (await import('/static/field/preview.js')).preview(body, place).flow"""
    )
    place = {"elevation": elevation, "standardDensity": 1.204, "probeFactor": 1.0}
    found: float = page.evaluate(script, [row(page, session)["body"], place])
    return found


def flow_of(found: dict[str, Any]) -> float:
    return float(found["result"]["value"])


def air(page: Page) -> None:
    asked_for(page, "Air temperature")
    for figure in ("21.4", "43", "1002.5"):
        type_(page, figure)


def rectangular_duct(page: Page) -> None:
    """The duct as found: 500 x 400 mm with a good run before and after."""
    page.get_by_role("button", name="Rectangular").click()
    asked_for(page, "Inside width")
    for figure in ("500", "400", "1"):
        type_(page, figure)
    page.get_by_role("button", name="Straight duct before the plane").click()
    asked_for(page, "Straight duct before")
    for figure in ("4.5", "1.8"):
        type_(page, figure)


def zero(page: Page, figure: str) -> None:
    asked_for(page, "Zero")
    type_(page, figure)


def test_a_pitot_traverse_from_caution_to_the_figure_of_the_service(
    stack: Stack, seed: Seed, play: Playwright, tmp_path: Path
) -> None:
    folder = tmp_path / "pitot"
    with paired(play, stack, seed, folder) as page:
        session = begin(page, seed, "MD-1", "Pitot traverse")
        assert page.get_by_text("Know what is behind the duct wall").count()
        page.get_by_label("Filters clean").check()
        page.get_by_label("Fan turning the right way").check()
        choose_tool(page, "Pressure", seed["serials"]["pressure"])
        assert page.get_by_text("In calibration until").count()
        on(page)
        rectangular_duct(page)
        page.get_by_text("Good plane: 10.1 diameters before and 4.0 after").wait_for()
        on(page)
        page.locator(".marks-table").last.get_by_text("372").wait_for()  # 371 and the wall of 1 mm
        on(page)
        air(page)
        asked_for(page, "Static pressure in the duct")
        type_(page, "125")
        on(page)
        zero(page, "0.1")
        on(page)
        figures = [f"{12 + (n * 7 % 11) / 5:.1f}" for n in range(25)]
        asked_for(page, "at A1")
        for n, figure in enumerate(figures[:12]):
            (tap if n % 2 else type_)(page, figure)
            asked_for(page, f"at {'ABCDE'[(n + 1) // 5]}{(n + 1) % 5 + 1}")
            assert len(row(page, session)["body"]["readings"]) == n + 1  # before the next point shows
        page.keyboard.type("4")  # half a figure, and the browser is killed
        until(lambda: row(page, session)["view"]["typed"] == "4")
        tablet.kept(page)
    with tablet.profile(play, folder, offline=True) as browser:
        browser.set_default_timeout(15_000)
        page = tablet.opened(browser, stack.base_url, f"#/measure/{session}")
        complaints = complaints_of(page)
        asked_for(page, "at C3")
        page.locator(".keypad-input:focus").wait_for()
        assert page.locator(".keypad-input").input_value() == "4"
        type_(page, "1.2")  # after 14 or so: asked about at once
        page.get_by_role("dialog").get_by_text("1.2 Pa after").wait_for()
        correct(page)
        assert len(row(page, session)["body"]["readings"]) == 12
        page.locator("[data-key=clear]").click()
        type_(page, "-12.4")
        page.get_by_role("dialog").get_by_text("are the hoses swapped?").wait_for()
        correct(page)
        page.locator("[data-key=clear]").click()
        for n, figure in enumerate(figures[12:], 12):
            type_(page, figure)
            if n < 24:
                asked_for(page, f"at {'ABCDE'[(n + 1) // 5]}{(n + 1) % 5 + 1}")
        page.get_by_role("button", name="Start run 2").click()
        asked_for(page, "at A1")
        for n, figure in enumerate(figures):
            asked_for(page, f"at {'ABCDE'[n // 5]}{n % 5 + 1}")
            page.locator(".keypad-input:focus").wait_for()
            type_(page, f"{float(figure) + 0.1:.1f}")
        page.get_by_text(re.compile("The runs agree within")).wait_for()
        page.get_by_role("button", name=re.compile("^A2: ")).click()  # mistyped: corrected in place
        asked_for(page, "at A2")
        type_(page, "13.5")
        on(page)
        zero(page, "0.2")
        page.get_by_text("The zero moved by 0.1").wait_for()
        on(page)
        page.get_by_text("Preview").first.wait_for()
        assert page.get_by_text("Nothing is missing.").count()
        flow = preview_of(page, session)
        shown = page.locator(".preview-figure strong").inner_text()
        assert float(shown.split("\u202f")[0]) == pytest.approx(flow * 1000, rel=5e-4)
        page.get_by_role("button", name="Finish and send").click()
        page.get_by_text("It waits to be sent").wait_for()
        body = row(page, session)["body"]
        assert "Looked at before measuring: filters clean; fan turning the right way." in body["note"]
        assert (body["plane"]["lines"], body["plane"]["points"]) == (5, 5)
        assert [one["value"] for one in body["readings"] if one["run"] == 1] == figures
        browser.set_offline(False)
        found = evaluated(stack, seed, session)
        assert flow_of(found) == pytest.approx(flow, rel=1e-6)
        page.get_by_text("computed by the service").wait_for(timeout=60_000)
        assert [one for one in complaints if "ERR_INTERNET" not in one] == []


def test_sweeps_by_the_metronome_and_from_a_logger(
    stack: Stack, seed: Seed, play: Playwright, tmp_path: Path
) -> None:
    with paired(play, stack, seed, tmp_path / "swept") as page:
        session = begin(page, seed, "MD-1", "Swept traverse")
        choose_tool(page, "Pressure", seed["serials"]["pressure"])
        again(page)
        step(page, "Duct")
        rectangular_duct(page)
        step(page, "Air")
        air(page)
        step(page, "Zero")
        zero(page, "0.1")
        page.clock.install()
        step(page, "Sweeps")
        page.locator(".keypad [data-key='9']").click()
        page.locator(".keypad [data-key=enter]").click()
        page.get_by_text("Sweep the line first.").wait_for()
        for line, mean in zip("ABCD", ("12.1", "13.0", "12.6", "12.9"), strict=True):
            page.get_by_role("heading", name=f"Line {line} of 5").wait_for()
            page.get_by_role("button", name="Start the sweep").click()
            page.get_by_text("Settling: hold still, 5").wait_for()
            page.clock.run_for(5_500)
            page.get_by_text("Move steadily").wait_for()
            place = float(page.locator(".sweep-line").get_attribute("value") or 0)
            page.clock.run_for(10_000)
            assert float(page.locator(".sweep-line").get_attribute("value") or 0) - place == pytest.approx(
                1 / 3, abs=0.05
            )
            page.clock.run_for(25_000)
            page.get_by_text("Swept for 30.0 s").wait_for()
            type_(page, mean)
        page.get_by_role("heading", name="Line E of 5").wait_for()
        page.get_by_text("Take the samples of a logger instead").click()
        area = page.get_by_label("Samples, one a line")
        area.fill("0.0;12,1\n0.5;12,9\n1.0;zzz")
        page.get_by_role("button", name="Take the samples for this line").click()
        page.get_by_text("Line 3: “zzz” is not a number.").wait_for()
        area.fill(
            "time;value\n"
            + "\n".join(f"{0.5 * n};{12 + n % 4 / 10:.1f}".replace(".", ",") for n in range(60))
        )
        page.get_by_role("button", name="Take the samples for this line").click()
        page.get_by_text("60 samples, mean").wait_for()
        page.clock.resume()
        step(page, "Zero after")
        zero(page, "0.1")
        step(page, "Result")
        page.get_by_text("No preview").wait_for()
        page.get_by_role("button", name="Finish and send").click()
        sweeps = row(page, session)["body"]["sweeps"]
        assert [one["duration"] for one in sweeps] == [{"value": "30.0", "unit": "s"}] * 4 + [
            {"value": "30", "unit": "s"}
        ] or [float(one["duration"]["value"]) for one in sweeps] == [30.0] * 5
        assert sweeps[4]["samples"][:3] == ["12.0", "12.1", "12.2"]
        found = evaluated(stack, seed, session)
        assert flow_of(found) == pytest.approx(0.92, rel=0.03)


def again(page: Page) -> None:
    """Where the point was measured before: this one stands beside it."""
    beside = page.get_by_role("button", name="It stands beside the earlier one")
    if beside.count():
        beside.click()


def test_a_hood_reading_with_its_damper_and_the_same_point_again(
    stack: Stack, seed: Seed, play: Playwright, tmp_path: Path
) -> None:
    with paired(play, stack, seed, tmp_path / "hood") as page:
        session = begin(page, seed, "S-1", "Flow hood reading")
        on(page)
        air(page)
        on(page)
        asked_for(page, "reading 1")
        tap(page, "88.5")
        asked_for(page, "reading 2")
        tap(page, "891")
        page.get_by_role("dialog").get_by_text("891").first.wait_for()
        correct(page)
        page.locator(".keypad [data-key=delete]").click()
        page.locator(".keypad [data-key=enter]").click()
        page.get_by_text("Preview: 88.75").wait_for()
        on(page)
        page.get_by_label("Where it stands").fill("4 of 9 notches")
        page.get_by_label("What was done to it before this reading").fill("opened by one notch")
        page.get_by_label("Its final position is marked").check()
        flow = preview_of(page, session)
        page.get_by_role("button", name="Finish and send").click()
        found = evaluated(stack, seed, session)
        assert flow_of(found) == pytest.approx(flow, rel=1e-6)
        assert row(page, session)["body"]["adjustment"] == {
            "setting": "4 of 9 notches", "marked": True, "done": "opened by one notch",
        }  # fmt: skip
        page.get_by_text("computed by the service").wait_for(timeout=60_000)
        assert page.get_by_role("button", name="Finish and send").count() == 0

        page.get_by_role("button", name="Measure this point again").click()
        page.get_by_role("heading", name="This point was measured before").wait_for()
        second = page.url.rpartition("/")[2]
        step(page, "Readings")
        for figure in ("90.2", "90.4"):
            type_(page, figure)
        page.locator(".step-next:focus").wait_for()
        for key in ("9", "0", ".", "3", "Enter"):  # a third one, though two were enough
            page.keyboard.press(key)
        until(lambda: len(row(page, second)["body"]["readings"]) == 3)
        step(page, "Air")
        air(page)
        step(page, "Result")
        page.get_by_text("Say why this point is measured again.").wait_for()
        page.get_by_role("button", name="Finish and send").click()
        page.get_by_role("button", name="Adjusted since then").click()
        step(page, "Result")
        page.get_by_role("button", name="Finish and send").click()
        evaluated(stack, seed, second)
        assert row(page, second)["body"]["supersedes"] == {
            "session": session,
            "reason": "Adjusted since then",
        }


def test_a_valve_by_the_described_form(stack: Stack, seed: Seed, play: Playwright, tmp_path: Path) -> None:
    with paired(play, stack, seed, tmp_path / "valve") as page:
        session = begin(page, seed, "BV-1", "Balancing valve reading")
        choose_tool(page, "Water pressure", seed["serials"]["water_pressure"])
        choose_tool(page, "Water temperature", seed["serials"]["water_temperature"])
        on(page)
        page.get_by_label("What flows").select_option("water")
        asked_for(page, "Flow coefficient at the setting")
        type_(page, "6.3")
        asked_for(page, "± U")
        type_(page, "0.3")
        asked_for(page, "Setting as read")
        type_(page, "2.5")
        step(page, "Zero")
        zero(page, "0.0")
        step(page, "Readings")
        for figure in ("12.1", "12.3", "12.2"):
            type_(page, figure)
        asked_for(page, "Temperature of the fluid")
        type_(page, "44.8")
        step(page, "Zero after")
        zero(page, "0.0")
        step(page, "Result")
        page.get_by_text("Nothing is missing.").wait_for()
        flow = preview_of(page, session)
        page.get_by_role("button", name="Finish and send").click()
        found = evaluated(stack, seed, session)
        assert flow_of(found) == pytest.approx(flow, rel=1e-6)
        told = row(page, session)["body"]["told"]
        assert told["coefficient"] == {"value": "6.3", "unit": "{Kv}", "expanded_uncertainty": "0.3"}
