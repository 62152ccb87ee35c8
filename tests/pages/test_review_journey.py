"""A review in a real browser, by keyboard: answer, send back, many at once, approve; and how it looks."""

from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page

from config.local.stack import Stack
from tests.factories import PASSWORD
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted
from tests.pages.test_journey import PALE
from tests.pages.test_recall_journey import sign_in

pytestmark = [pytest.mark.journey, pytest.mark.browser]
REASON = "Looked at on site; it stays as it is."


@pytest.fixture(scope="module")
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.pages.review_seed")


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 800])
def test_no_page_is_wider_than_the_screen_or_hard_to_read(
    stack: Stack, browser: Browser, seed: dict[str, Any], width: int, mode: str
) -> None:
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=mode)
    page = context.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, seed["supervisor"], "/review")
    for address in (
        "/review",
        f"/review/{seed['job']}",
        "/company/rules/flags",
        "/company/rules/flags/low_velocity",
    ):
        page.goto(f"{stack.base_url}{address}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, address
        assert page.evaluate(PALE) == [], address
    assert complaints == []


def focused(page: Page) -> str:
    return str(page.evaluate("document.activeElement.id"))


def test_a_supervisor_reviews_by_keyboard_alone(stack: Stack, browser: Browser, seed: dict[str, Any]) -> None:
    page = browser.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, seed["supervisor"], f"/review/{seed['job']}")
    flags = page.locator("[data-flag]").evaluate_all("all => all.map(one => one.id)")
    assert len(flags) > 3
    page.keyboard.press("j")
    assert focused(page) == flags[0]
    page.keyboard.press("j")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("k")
    assert focused(page) == flags[1]
    page.keyboard.press("?")
    assert page.get_attribute("#keys", "open") is not None
    page.keyboard.press("j")
    page.keyboard.press("a")
    page.keyboard.type("just a reason, ask engineer ?jk")  # letters in a field are letters
    assert page.evaluate("document.activeElement.value") == "just a reason, ask engineer ?jk"
    page.keyboard.press("Escape")
    assert focused(page) == flags[0]
    page.keyboard.press("a")
    with page.expect_navigation():
        page.keyboard.press("Control+Enter")
    assert ": accepted." in page.inner_text("main")
    assert focused(page) == flags[1]
    assert flags[0] not in page.locator("[data-flag]").evaluate_all("all => all.map(one => one.id)")

    page.keyboard.press("r")
    page.keyboard.type("The damper was shut; measure again.")
    with page.expect_navigation():
        page.keyboard.press("Control+Enter")
    assert "sent back for re-measurement." in page.inner_text("main")
    assert complaints == []


def test_keys_can_be_turned_off(stack: Stack, browser: Browser, seed: dict[str, Any]) -> None:
    page = browser.new_page()
    sign_in(page, stack, seed["supervisor"], f"/review/{seed['job']}")
    page.keyboard.press("?")
    page.get_by_role("button", name="Turn the keys off").click()
    page.reload()
    page.keyboard.press("j")
    assert not focused(page).startswith("flag-")


def sent(page: Page, button: Locator) -> None:
    """Presses a button and waits for the page that comes; nothing on it is refused."""
    with page.expect_navigation():
        button.click(timeout=10_000)
    assert page.locator("#refused").all_inner_texts() == []


def test_without_script_all_is_answered_and_approved(stack: Stack, browser: Browser) -> None:
    seed = planted(stack, "tests.pages.review_seed")  # what is sent back by another test cannot be approved
    page = browser.new_context(java_script_enabled=False).new_page()
    page.goto(f"{stack.base_url}/review/{seed['job']}")
    page.fill("input[type=email]", seed["supervisor"])
    page.fill("input[type=password]", PASSWORD)
    sent(page, page.locator("main button").first)
    while page.locator("details.together").count():
        many = page.locator("details.together").first
        many.locator("summary").click()
        many.locator("textarea").fill(REASON)
        sent(page, many.get_by_role("button", name="Accept all with this reason"))
    for left in range(page.locator("[data-flag]").count(), 0, -1):
        assert page.locator("[data-flag]").count() == left
        form = page.locator("[data-flag] form").first
        form.locator("textarea").fill(REASON)
        sent(page, form.get_by_role("button", name="Accept with this reason"))
    assert page.locator("[data-flag]").count() == 0
    assert page.get_by_role("heading", name="Answered").count() == 1
    sent(page, page.get_by_role("button", name="Approve as revision 1"))
    assert page.get_by_role("table", name="Revisions").get_by_role("rowheader", name="1").count() == 1
