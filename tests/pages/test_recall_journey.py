"""A recall in a real browser: from the list to the decision, and what a stranger reads before and after."""

from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from config.local.stack import Stack
from tests.factories import PASSWORD
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted
from tests.pages.test_journey import PALE, mark, press, reach, write

pytestmark = [pytest.mark.journey, pytest.mark.browser]
REASON = "Looked at with the customer; the figure stands."


@pytest.fixture(scope="module")
def seed(stack: Stack) -> dict[str, Any]:
    """An issued report, and the certificate that came after it; its case is opened by the stack's worker."""
    return planted(stack, "tests.pages.recall_seed")


def sign_in(page: Page, stack: Stack, email: str, address: str) -> None:
    page.goto(stack.base_url + address)
    write(page, "E-mail", email)
    write(page, "Password", PASSWORD)
    press(page, "Sign in")


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 800])
def test_no_page_is_wider_than_the_screen_or_hard_to_read(
    stack: Stack, browser: Browser, seed: dict[str, Any], width: int, mode: str
) -> None:
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=mode)
    page = context.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, seed["supervisor"], "/recalls")
    case = page.get_attribute("tbody th a", "href")
    for address in ("/recalls", case, seed["check"]):
        page.goto(f"{stack.base_url}{address}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, address
        assert page.evaluate(PALE) == [], address
    page.goto(f"{stack.base_url}{case}")
    told = page.locator("figure.errors svg title").text_content() or ""
    assert told.startswith("At 90 Pa it showed 4.05 Pa too much")
    assert complaints == []


def test_a_supervisor_decides_by_keyboard_and_the_notice_ends(
    stack: Stack, browser: Browser, seed: dict[str, Any]
) -> None:
    stranger = browser.new_page()
    stranger.goto(stack.base_url + seed["check"])
    assert "It is under recall since" in stranger.inner_text("main")
    assert seed["serial"] not in stranger.content()

    page = browser.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, seed["supervisor"], "/instruments")
    press(page, "Recalls")
    press(page, "Manometer")
    assert seed["serial"] in page.inner_text("h1")
    rows = page.locator("table.recall tbody tr")
    first, count = rows.first.inner_text(), rows.count()
    assert "verdict changed" in first
    assert "7 to decide" in page.inner_text(".actions")
    assert count == 7

    mark(page, rows.first.locator("input").get_attribute("aria-label") or "")
    decide(page, "Measure again")
    assert "Decided on 1 session." in page.inner_text("main")
    assert "6 to decide" in page.inner_text(".actions")
    decide(page, "No effect", everything=True)
    assert "Decided on 6 sessions." in page.inner_text("main")
    assert "Decided" in page.inner_text(".actions")
    stranger.reload()
    assert "Ask who issued it" in stranger.inner_text("main")

    mark(page, page.locator("table.recall tbody input").first.get_attribute("aria-label") or "")
    decide(page, "No effect")
    stranger.reload()
    assert "under recall" not in stranger.inner_text("main")
    assert complaints == []


def decide(page: Page, label: str, *, everything: bool = False) -> None:
    """Fills in the form below the sessions and sends it, by keyboard."""
    if everything:
        reach(page, "Those marked above", presses=80)
        while "not decided" not in focused(page) or "verdict stays" in focused(page):
            page.keyboard.press("ArrowDown")
    reach(page, "Reason, kept with each", presses=80)
    page.keyboard.type(REASON)
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    while label not in focused(page):
        page.keyboard.press("ArrowDown")
    press(page, "Decide")


def focused(page: Page) -> str:
    """The words of the choice that has the focus."""
    return str(page.evaluate("document.activeElement.labels[0].innerText"))
