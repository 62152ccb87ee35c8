"""The field page on a tablet: paired, signed in, without network, restarted, removed, its disk full."""

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen

import pytest
from playwright.sync_api import Browser, Playwright, sync_playwright

from config.local.stack import Stack, local_stack
from tests.field import tablet
from tests.pages.browser import ARGUMENTS, complaints_of, executable
from tests.pages.seeds import planted

pytestmark = [pytest.mark.journey, pytest.mark.browser]


@pytest.fixture(scope="module")
def stack() -> Iterator[Stack]:
    executable()
    with local_stack() as running:
        yield running


@pytest.fixture(scope="module")
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.field.seed")


@pytest.fixture(scope="module")
def play() -> Iterator[Playwright]:
    with sync_playwright() as found:
        yield found


@pytest.fixture(scope="module")
def office(play: Playwright) -> Iterator[Browser]:
    browser = play.chromium.launch(executable_path=executable(), args=ARGUMENTS)
    yield browser
    browser.close()


def ask(stack: Stack, seed: dict[str, Any], path: str) -> Any:
    head = {"Authorization": f"Bearer {seed['key']}", "Accept": "application/json"}
    with urlopen(Request(f"{stack.base_url}/api/v1/{path}", headers=head), timeout=30) as answer:
        return json.load(answer)


def stored(stack: Stack, seed: dict[str, Any]) -> list[str]:
    found = ask(stack, seed, f"sessions?job={seed['job']}&limit=100")["items"]
    return [one["id"] for one in found]


def until(check: Any, seconds: float = 40) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := check():
            return found
        time.sleep(0.3)
    return check()


def test_a_tablet_is_paired_kept_offline_killed_and_sends_everything_once(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with tablet.profile(play, tmp_path / "one") as browser:
        page = tablet.opened(browser, stack.base_url)
        complaints = complaints_of(page)
        tablet.pair(page, seed)
        page.locator(".rows a").first.wait_for()
        tablet.kept(page)
        browser.set_offline(True)
        page.get_by_text("No network").wait_for()
        made = [tablet.draft(page, seed, tag) for tag in ("S-1", "S-2")]
        page.reload()
        tablet.started(page)
        page.get_by_text("2 wait to be sent").wait_for()
        assert not [one for one in complaints if "ERR_INTERNET_DISCONNECTED" not in one]
    with tablet.profile(play, tmp_path / "one", offline=True) as browser:  # killed, and without network
        page = tablet.opened(browser, stack.base_url)
        page.get_by_role("heading", name="Today").wait_for()
        assert {row["id"] for row in tablet.rows(page, "sessions")} == set(made)
        assert not set(made) & set(stored(stack, seed))
        browser.set_offline(False)
        page.get_by_text("All is sent").wait_for()
        assert sorted(one for one in stored(stack, seed) if one in made) == sorted(made)
        states = until(lambda: {row["state"] for row in tablet.rows(page, "sessions") if row["server"]})
        assert states == {"stored"}


def test_a_removed_tablet_shows_nothing_keeps_what_waits_and_sends_it_when_paired_again(
    stack: Stack, seed: dict[str, Any], play: Playwright, office: Browser, tmp_path: Path
) -> None:
    with tablet.profile(play, tmp_path / "two") as browser:
        page = tablet.opened(browser, stack.base_url)
        tablet.pair(page, seed, 1)
        tablet.kept(page)
        browser.set_offline(True)
        made = tablet.draft(page, seed, "S-3")
        revoke(office, stack.base_url, seed, "Tablet 2")
        browser.set_offline(False)
        page.get_by_role("heading", name="Sign in").wait_for()
        assert page.get_by_text("1 waits to be sent").count()
        assert "S-3" not in page.inner_text("main")
        page.get_by_label("E-mail").fill(seed["technician"])
        page.get_by_label("Password").fill(seed["password"])
        page.get_by_role("button", name="Sign in").click()
        page.get_by_text("this tablet was removed").wait_for()
        page.get_by_role("button", name="Pair it again").click()
        tablet.pair(page, seed, 2)
        page.get_by_text("All is sent").wait_for()
        assert made in stored(stack, seed)


def revoke(browser: Browser, base: str, seed: dict[str, Any], name: str) -> None:
    """As the office does: the owner removes the tablet."""
    page = browser.new_page()
    page.goto(f"{base}/signin?next=/company/tablets")
    page.get_by_label("E-mail").fill(seed["owner"])
    page.get_by_label("Password").fill(seed["password"])
    page.get_by_role("button", name="Sign in").click()
    page.get_by_label(f"Remove {name}").click()
    page.locator("tr", has_text=name).get_by_role("button", name="Remove now").click()
    page.get_by_text("removed").first.wait_for()
    page.close()
