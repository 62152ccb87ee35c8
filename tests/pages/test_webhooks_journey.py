"""An owner connects another system in a real browser: secret, sample, what came of it, how it looks."""

import json
import subprocess
import sys
from typing import Any

import pytest
from axe_core_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Browser, Page, expect

from config.local.stack import Stack
from tests.pages.browser import complaints_of
from tests.pages.test_recall_journey import sign_in
from tests.webhooks.receivers import receiver

pytestmark = [pytest.mark.journey, pytest.mark.browser]
SOON = 40_000


@pytest.fixture(scope="module")
def owner(stack: Stack) -> str:
    """Their e-mail, in a company of their own."""
    command = [sys.executable, "-m", "tests.journeys.seed", "Connected"]
    done = subprocess.run(command, env=stack.environment, capture_output=True, text=True, check=True)
    return str(json.loads(done.stdout.splitlines()[-1])["Connected"]["owner"])


def serious(page: Page) -> list[Any]:
    found = Axe().run(page)["violations"]
    return [
        (one["id"], one["nodes"][0]["target"]) for one in found if one["impact"] in ("serious", "critical")
    ]


def sideways(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth > window.innerWidth"))


@pytest.mark.parametrize(("width", "mode"), [(1280, "light"), (800, "dark")])
def test_an_owner_connects_a_system_and_sees_that_it_answers(
    stack: Stack, browser: Browser, owner: str, width: int, mode: str
) -> None:
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=mode)  # type: ignore[arg-type]
    page = context.new_page()
    complaints = complaints_of(page)
    with receiver(lambda got: 204 if b"sample" in got.body else (500, {})) as there:
        sign_in(page, stack, owner, "/company/webhooks")
        page.get_by_label("Address").fill("https://127.0.0.1/")
        page.get_by_role("button", name="Add the webhook").click()
        expect(page.locator("#id_url_error")).to_contain_text("not a number")
        page.get_by_label("Address").fill(there.url)
        page.get_by_text("Only some kinds of event").click()
        page.get_by_label("webhook.changed").check()
        page.get_by_role("button", name="Add the webhook").click()
        secret = page.locator("#secret").inner_text()
        assert secret.startswith("whsec_")
        assert serious(page) == []
        page.reload()
        expect(page.locator("#secret")).to_have_count(0)
        page.get_by_role("link", name=there.url).click()
        page.get_by_role("button", name="Send a sample").click()
        expect(page.get_by_text("The sample is on its way")).to_be_visible()
        wait_for(page, "Delivered")
        there.got[-1].verify(secret)
        page.get_by_label("What is it for").fill("Portal")
        page.get_by_role("button", name="Save the changes").click()
        wait_for(page, "The receiver failed")
        page.reload()  # it reads the webhook before its attempts, and both may change between
        expect(page.locator("#now ~ .facts")).to_contain_text("failing since")
        assert serious(page) == []
        assert not sideways(page)
        page.get_by_text("Remove the webhook").click()
        page.get_by_role("button", name="Remove now").click()
        expect(page.get_by_text("The webhook is removed")).to_be_visible()
    context.close()
    assert [one for one in complaints if "422" not in one] == []


def wait_for(page: Page, text: str) -> None:
    """Reloads until the log of tries says it."""
    for _ in range(40):
        if page.locator("#tries ~ div").filter(has_text=text).count():
            return
        page.wait_for_timeout(1000)
        page.reload()
    pytest.fail(f"the log never said '{text}'")
