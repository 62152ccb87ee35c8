"""A dispatcher's week in a real browser, over the weekend on which the clocks change.

By keyboard, by drag, by forms; refusals in words; what the tablet and a calendar get of it; how it looks.
"""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import icalendar
import pytest
from axe_core_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Browser, BrowserContext, Page, expect

from config.local.stack import Stack
from tests.pages.browser import complaints_of
from tests.pages.plan_seed import SUNDAY
from tests.pages.seeds import planted
from tests.pages.test_journey import PALE
from tests.pages.test_recall_journey import sign_in

pytestmark = [pytest.mark.journey, pytest.mark.browser]
WEEK = "/plan?week=2027-W12&by=people"
TOOLS = "/plan?week=2027-W12&by=instruments"


@pytest.fixture
def seed(stack: Stack) -> dict[str, Any]:
    """A company of its own for each test."""
    return planted(stack, "tests.pages.plan_seed")


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    made = browser.new_context(viewport={"width": 1280, "height": 900})
    yield made
    made.close()


def asked(stack: Stack, token: str, path: str, tag: str = "") -> tuple[int, str, Any]:
    """Status, ETag and JSON of an answer of the API."""
    headers = {"Authorization": f"Bearer {token}"} | ({"If-None-Match": tag} if tag else {})
    try:
        with urlopen(Request(f"{stack.base_url}/api/v1{path}", headers=headers), timeout=20) as answer:
            return answer.status, answer.headers["ETag"] or "", json.loads(answer.read())
    except HTTPError as error:
        return error.code, "", None


def people_of(stack: Stack, seed: dict[str, Any], job: str) -> dict[str, tuple[str, str]]:
    """First and last day of each member on a job."""
    found = asked(stack, seed["key"], f"/jobs/{job}")[2]
    return {one["member"]: (one["starts_on"], one["ends_on"]) for one in found["people"]}


def settled(page: Page) -> None:
    """Waits for the answer of the server in the panel."""
    expect(page.locator("#panel[open] .place")).to_be_visible()


def bar(page: Page, job: str, was: str = "") -> Any:
    return page.locator(f'a.bar[data-job="{job}"]' + (f'[data-was="{was}"]' if was else "")).first


def test_a_weekend_with_23_hours_is_planned_by_keyboard(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = context.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, seed["dispatcher"], WEEK)
    tag = asked(stack, seed["key"], f"/plan?from={SUNDAY}&days=7")[1]
    # Saturday and Sunday become Friday and Saturday; Enter asks, and Enter again does it.
    bar(page, seed["weekend"], seed["technician_id"]).focus()
    page.keyboard.press("ArrowLeft")
    assert "2027-03-26 to 2027-03-27. Enter asks" in page.inner_text("#said")
    assert page.locator("td.target").count() == 2
    page.keyboard.press("Escape")
    assert page.locator("td.target").count() == 0
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Enter")
    settled(page)
    assert "nothing speaks against it" in page.inner_text("#verdict")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "is on job" in page.inner_text(".notices")
    assert people_of(stack, seed, seed["weekend"])[seed["technician_id"]] == ("2027-03-26", "2027-03-27")

    # Back to Sunday, and two rows down, where the focus still is: Bela is free, Corin is not.
    assert page.evaluate("document.activeElement.dataset.job") == seed["weekend"]
    for key in ("ArrowRight", "ArrowDown", "ArrowDown", "Enter"):
        page.keyboard.press(key)
    settled(page)
    told = page.inner_text("#verdict")
    assert "Corin Vale" in told
    assert "would be refused" in told
    assert "2027-03-28 to 2027-03-28 12:00" in told
    page.keyboard.press("Enter")
    expect(page.locator("#panel .error").first).to_contain_text("is on job")
    assert seed["supervisor_id"] not in people_of(stack, seed, seed["weekend"])
    page.keyboard.press("Escape")
    assert not page.locator("#panel").is_visible()
    bar(page, seed["weekend"], seed["technician_id"]).focus()
    for key in ("ArrowRight", "ArrowDown", "Enter"):
        page.keyboard.press(key)
    settled(page)
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert people_of(stack, seed, seed["weekend"]) == {seed["second_id"]: ("2027-03-27", "2027-03-28")}
    # 07:00 on Saturday is 07:00 UTC, 17:00 on Sunday is 16:00 UTC.
    found = asked(stack, seed["key"], f"/jobs/{seed['weekend']}")[2]["people"][0]
    assert (found["starts_at"], found["ends_at"]) == ("2027-03-27T07:00:00Z", "2027-03-28T16:00:00Z")
    assert asked(stack, seed["key"], f"/plan?from={SUNDAY}&days=7")[1] != tag
    # The browser itself says 409 of the plan that was refused; nothing else may be complained about.
    assert [one for one in complaints if "409" not in one] == []


def test_a_job_that_waits_is_dragged_to_somebody_and_moved_by_drag(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = context.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, seed["dispatcher"], WEEK)
    row = page.locator(f'tr[data-who="{seed["technician_id"]}"]')
    bar(page, seed["waits"]).drag_to(row.locator('td[data-day="2027-03-24"]'))
    settled(page)
    assert "Asta Brook" in page.inner_text("#verdict")
    with page.expect_navigation():
        page.get_by_role("button", name="Assign").click()
    assert people_of(stack, seed, seed["waits"]) == {seed["technician_id"]: ("2027-03-24", "2027-03-26")}
    # Drawn by its second day to one day later it leaves the job's window: refused in words.
    piece = page.locator(f'tr[data-who="{seed["technician_id"]}"] td[data-day="2027-03-25"] .bar')
    piece.drag_to(row.locator('td[data-day="2027-03-26"]'))
    settled(page)
    assert "the job runs from 2027-03-24 to 2027-03-26" in page.inner_text("#panel")
    page.get_by_role("link", name="Leave it").click()
    other = page.locator(f'tr[data-who="{seed["second_id"]}"]')
    piece.drag_to(other.locator('td[data-day="2027-03-25"]'))
    settled(page)
    assert "would be refused" in page.inner_text("#verdict")  # Bela is on another job on the first day
    page.fill("#panel #id_starts_on", "2027-03-25")
    page.get_by_role("button", name="See what speaks against it").click()
    expect(page.locator("#verdict")).to_contain_text("nothing speaks against it")
    with page.expect_navigation():
        page.get_by_role("button", name="Move").click()
    assert people_of(stack, seed, seed["waits"]) == {seed["second_id"]: ("2027-03-25", "2027-03-26")}
    bar(page, seed["waits"], seed["second_id"]).click()
    settled(page)
    with page.expect_navigation():
        page.get_by_role("button", name="Take Bela Marsh off this job").click()
    assert people_of(stack, seed, seed["waits"]) == {}
    assert complaints == []


def test_without_script_a_job_is_planned_and_staffed(
    stack: Stack, browser: Browser, seed: dict[str, Any]
) -> None:
    page = browser.new_context(java_script_enabled=False).new_page()
    page.goto(f"{stack.base_url}{WEEK}")
    page.fill("input[type=email]", seed["dispatcher"])
    page.fill("input[type=password]", "a long enough password")
    page.locator("main button").first.click()
    page.get_by_role("link", name="Plan a job").click()
    page.select_option("#site", seed["school"])
    page.get_by_role("button", name="Go on").click()
    page.fill("#id_title", "Sound in the hall")
    page.check("text=AHU-2")
    page.fill("#id_starts_on", "2027-03-28")
    page.fill("#id_ends_on", "2027-03-28")
    page.get_by_role("button", name="Plan this job").click()
    assert "is planned. Give it people next." in page.inner_text("main")
    page.select_option("#id_who", seed["technician_id"])
    page.get_by_role("button", name="See what speaks against it").click()
    assert "would be refused" in page.inner_text("#verdict")
    page.select_option("#id_who", seed["second_id"])
    page.fill("#id_from_time", "13:00")
    page.get_by_role("button", name="Assign").click()
    assert "Bela Marsh is on job" in page.inner_text(".notices")


def test_somebody_elses_change_is_noticed(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page, other = context.new_page(), context.new_page()
    page.clock.install()
    sign_in(page, stack, seed["dispatcher"], WEEK)
    page.clock.run_for(21_000)
    expect(page.locator("#changed")).to_be_hidden()
    other.goto(f"{stack.base_url}/plan/place?job={seed['waits']}&by=people&who={seed['technician_id']}")
    other.get_by_role("button", name="Assign").click()
    assert "is on job" in other.inner_text(".notices")
    page.clock.run_for(21_000)
    expect(page.locator("#changed")).to_be_visible()
    page.get_by_role("link", name="Show it as it is now").click()
    expect(bar(page, seed["waits"], seed["technician_id"])).to_be_visible()


def test_typing_filters_the_rows_and_keeps_the_address(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = context.new_page()
    sign_in(page, stack, seed["dispatcher"], WEEK)
    page.fill("#q", "bela")
    rows = page.locator("#board tbody tr:visible")
    assert rows.count() == 1
    assert "q=bela" in page.url
    page.reload()
    assert rows.count() == 1
    assert "Bela Marsh" in rows.first.inner_text()


def test_the_tablet_and_the_calendar_get_what_was_planned(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = context.new_page()
    sign_in(page, stack, seed["technician"], "/calendar")
    page.get_by_role("button", name="Make an address").click()
    address = page.inner_text("code.secret")

    def events() -> dict[str, Any]:
        with urlopen(address, timeout=20) as answer:
            found = icalendar.Calendar.from_ical(answer.read()).walk("VEVENT")
        return {str(one["UID"]).split(".")[0]: one for one in found}

    before = events()[seed["weekend"]]
    assert before.decoded("dtstart") == datetime(2027, 3, 27, 7, tzinfo=UTC)
    assert before.decoded("dtend") == datetime(2027, 3, 28, 16, tzinfo=UTC)
    status, tag, _ = asked(stack, seed["token"], "/field/worklist")
    assert (status, asked(stack, seed["token"], "/field/worklist", tag)[0]) == (200, 304)

    desk = context.browser.new_context().new_page()  # type: ignore[union-attr]
    sign_in(desk, stack, seed["dispatcher"], WEEK)
    bar(desk, seed["weekend"], seed["technician_id"]).click()
    settled(desk)
    desk.fill("#panel #id_ends_on", "2027-03-28")
    desk.fill("#panel #id_to_time", "12:00")
    with desk.expect_navigation():
        desk.get_by_role("button", name="Move").click()
    after = events()[seed["weekend"]]
    assert after.decoded("dtend") == datetime(2027, 3, 28, 11, tzinfo=UTC)
    assert after["SEQUENCE"] > before["SEQUENCE"]


PAGES = (WEEK, TOOLS, "/plan?month=2027-03&by=people", "/plan/travel", "/plan/calendars", "/jobs/new")


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 800])
def test_no_page_is_wider_than_the_screen_or_hard_to_read_or_use(
    stack: Stack, browser: Browser, seed: dict[str, Any], width: int, mode: str
) -> None:
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=mode)
    page = context.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, seed["dispatcher"], WEEK)
    places = (
        f"/plan/place?job={seed['waits']}&by=instruments",
        f"/jobs/{seed['morning']}/change",
        f"/jobs/{seed['morning']}/cancel",
        f"/jobs/new?site={seed['school']}",
    )
    for address in (*PAGES, *places):
        page.goto(f"{stack.base_url}{address}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, address
        assert page.evaluate(PALE) == [], address
        found = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]})
        bad = [one for one in found["violations"] if one["impact"] in ("serious", "critical")]
        assert bad == [], (address, [(one["id"], one["nodes"][0]["html"]) for one in bad])
    assert complaints == []
