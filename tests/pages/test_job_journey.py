"""A job's page in a real browser while a session arrives over HTTP and the worker evaluates it.

What changes by itself, what stays open, what is said when the connection is lost, and that a hidden page asks
nothing.
"""

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from config.local.demo.client import Client
from config.local.stack import Stack
from tests.measurements import batches
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted
from tests.pages.test_journey import PALE
from tests.pages.test_recall_journey import sign_in

pytestmark = [pytest.mark.journey, pytest.mark.browser]
SOON = 30_000


@pytest.fixture(scope="module")
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.pages.job_seed")


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    made = browser.new_context(viewport={"width": 1280, "height": 900})
    yield made
    made.close()


def opened(context: BrowserContext, stack: Stack, seed: dict[str, Any], role: str = "supervisor") -> Page:
    page = context.new_page()
    sign_in(page, stack, seed[role], f"/jobs/{seed['job']}")
    page.wait_for_selector("#now")
    return page


def post(stack: Stack, seed: dict[str, Any], tag: str, flow: str, **changes: Any) -> str:
    """A reading as the tablet posts it; the session's id."""
    place = SimpleNamespace(
        job=SimpleNamespace(id=seed["job"]),
        points={name: SimpleNamespace(id=one) for name, one in seed["points"].items()},
        instruments={use: SimpleNamespace(id=one) for use, one in seed["instruments"].items()},
    )
    sent = batches.hood(place, tag, flow, **changes)  # type: ignore[arg-type]
    tablet = Client(stack.base_url, token=seed["tablet"])
    answer = tablet.send("POST", "/api/v1/field/batches", batches.body(sent), headers={}, key=sent["id"])
    assert answer.status == 200, answer.body
    return str(sent["id"])


def state_of(page: Page, seed: dict[str, Any], tag: str) -> str:
    return str(page.get_attribute(f"#p-{seed['points'][tag]}", "data-state"))


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 800])
def test_the_page_fits_and_can_be_read(
    stack: Stack, browser: Browser, seed: dict[str, Any], width: int, mode: str
) -> None:
    made = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=mode)
    page = opened(made, stack, seed)
    complaints = complaints_of(page)
    page.reload()
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(PALE) == []
    assert complaints == []
    made.close()


def test_a_session_that_arrives_shows_by_itself(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = opened(context, stack, seed)
    complaints = complaints_of(page)
    before = page.inner_text("#stands")
    first, watched = seed["points"]["E-2"], seed["points"]["E-5"]
    page.click(f"#p-{first} summary")
    page.focus(f"#p-{watched} summary")
    assert state_of(page, seed, "E-5") == "to_do"
    made = post(stack, seed, "E-5", "89.5")
    page.wait_for_selector(f"#p-{watched}[data-state=done]", timeout=SOON)
    assert page.inner_text("#stands") != before
    assert page.get_attribute(f"#p-{first}", "open") is not None  # what was open stays open
    assert page.evaluate("document.activeElement.parentElement.id") == f"p-{watched}"  # so does the focus
    page.keyboard.press("Enter")
    line = page.locator(f"#p-{watched} .ledger .line")
    assert "L/s" in line.inner_text()
    post(stack, seed, "E-4", "90.3")  # and it goes on following
    page.wait_for_selector(f"#p-{seed['points']['E-4']}[data-state=done]", timeout=SOON)
    assert line.get_by_role("link", name="Evidence").get_attribute("href") == f"/sessions/{made}"
    assert complaints == []


def test_what_is_missing_leads_to_its_point(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = opened(context, stack, seed)
    point = page.locator(f"#p-{seed['points']['E-1']}")
    assert point.get_attribute("open") is None
    page.get_by_role("link", name="E-1", exact=True).click()
    assert point.get_attribute("open") is not None


def test_a_request_that_is_met_goes_away(stack: Stack, context: BrowserContext, seed: dict[str, Any]) -> None:
    page = opened(context, stack, seed)
    assert state_of(page, seed, "S-3") == "remeasure"
    assert "To be measured again" in page.inner_text("#now")
    again = {"session": seed["sessions"]["S-3"], "reason": "The damper was opened."}
    post(stack, seed, "S-3", "90.2", supersedes=again)
    page.wait_for_selector(f"#p-{seed['points']['S-3']}:not([data-state=remeasure])", timeout=SOON)
    page.wait_for_function(
        "!document.getElementById('now').innerText.includes('To be measured again')", timeout=SOON
    )


def test_a_lost_connection_is_told_and_made_up_for(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = opened(context, stack, seed)
    assert page.is_hidden("#stale")
    context.set_offline(True)
    page.wait_for_selector("#stale:not([hidden])", timeout=SOON)
    assert ":" in page.inner_text("#stale-since")
    watched = seed["points"]["E-6"]
    post(stack, seed, "E-6", "89.9")
    assert state_of(page, seed, "E-6") == "to_do"
    context.set_offline(False)
    page.wait_for_selector(f"#p-{watched}[data-state=done]", timeout=SOON)
    assert page.is_hidden("#stale")


def test_a_server_that_fails_is_told_and_asked_again(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = opened(context, stack, seed)
    page.route("**/now?*", lambda route: route.fulfill(status=503, body="<p>no</p>"))
    page.wait_for_selector("#stale:not([hidden])", timeout=SOON)
    assert page.locator("#now .points").count() > 0  # what was shown stays
    page.unroute("**/now?*")
    page.wait_for_selector("#stale", state="hidden", timeout=SOON)


def test_who_was_signed_out_is_told_and_sees_no_other_page_inside(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = opened(context, stack, seed)
    context.clear_cookies()
    page.wait_for_selector("#signed-out:not([hidden])", timeout=SOON)
    assert page.locator("input[type=password]").count() == 0
    assert page.locator("#now .points").count() > 0
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.wait_for_timeout(9_000)
    assert asked == []


def test_a_hidden_page_asks_nothing_until_it_is_seen_again(
    stack: Stack, context: BrowserContext, seed: dict[str, Any]
) -> None:
    page = opened(context, stack, seed)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    hide = """state => {
      Object.defineProperty(document, 'visibilityState', {value: state, configurable: true});
      document.dispatchEvent(new Event('visibilitychange')); }"""
    page.wait_for_timeout(6_000)
    assert asked, "a page that is looked at asks"
    page.evaluate(hide, "hidden")
    page.wait_for_timeout(500)
    asked.clear()
    page.wait_for_timeout(9_000)
    assert asked == []
    page.evaluate(hide, "visible")
    page.wait_for_timeout(1_000)
    assert len(asked) == 1


def test_without_script_the_page_tells_the_same(stack: Stack, browser: Browser, seed: dict[str, Any]) -> None:
    made = browser.new_context(java_script_enabled=False)
    page = opened(made, stack, seed, "technician")
    assert "points done" in page.inner_text("#stands")
    page.click(f"#p-{seed['points']['E-1']} summary")
    assert page.locator(f"#p-{seed['points']['E-1']} .line").is_visible()
    made.close()
