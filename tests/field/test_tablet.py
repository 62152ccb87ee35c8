"""The field page on a tablet: paired, signed in, without network, restarted, removed, its disk full."""

import json
import time
from email.utils import formatdate
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen

import pytest
from axe_core_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Browser, Page, Playwright

from config.local.stack import Stack
from tests.field import tablet
from tests.field.proxy import between
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted

pytestmark = [pytest.mark.journey, pytest.mark.browser]


@pytest.fixture(scope="module")
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.field.seed")


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


def test_an_answer_lost_on_the_way_doubles_nothing(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with between(stack.base_url) as wire, tablet.profile(play, tmp_path / "three") as browser:
        page = tablet.opened(browser, wire.base)
        tablet.pair(page, seed, 3)
        wire.lose = 2
        made = tablet.draft(page, seed, "S-1")
        assert until(lambda: wire.lost == 2, 60), (
            "the service acted twice, and twice the tablet heard nothing"
        )
        assert until(lambda: not waiting(page), 60)
        assert stored(stack, seed).count(made) == 1
        assert next(row for row in tablet.rows(page, "sessions") if row["id"] == made)["outcome"] == (
            "already_stored"
        )


def waiting(page: Page) -> list[str]:
    return [row["id"] for row in tablet.rows(page, "sessions") if row["state"] in {"ready", "sent"}]


def test_a_newer_page_in_the_middle_of_a_job_waits_until_it_is_wanted(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with between(stack.base_url) as wire, tablet.profile(play, tmp_path / "four") as browser:
        page = tablet.opened(browser, wire.base)
        tablet.pair(page, seed, 4)
        tablet.kept(page)
        page.reload()  # as at the second start: the worker serves the page
        tablet.started(page)
        browser.set_offline(True)
        made = tablet.draft(page, seed, "S-2")
        browser.set_offline(False)
        wire.newer = "\n// a later version"
        page.evaluate("navigator.serviceWorker.getRegistration('/field/').then((one) => one.update())")
        page.get_by_role("button", name="Use it now").wait_for()
        with page.expect_navigation():
            page.get_by_role("button", name="Use it now").click()
        tablet.started(page)
        assert made in {row["id"] for row in tablet.rows(page, "sessions")}
        assert until(lambda: not waiting(page), 60)
        assert stored(stack, seed).count(made) == 1


def test_a_wrong_clock_is_told(stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path) -> None:
    with between(stack.base_url) as wire, tablet.profile(play, tmp_path / "five") as browser:
        wire.skew = formatdate(time.time() - 3600, usegmt=True)
        page = tablet.opened(browser, wire.base)
        tablet.pair(page, seed, 5)
        page.get_by_text("clock is 60 min off").wait_for()


def test_a_full_disk_is_told_and_what_was_entered_stays(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with tablet.profile(play, tmp_path / "six") as browser:
        page = tablet.opened(browser, stack.base_url)
        tablet.pair(page, seed, 6)
        tablet.kept(page)
        browser.set_offline(True)
        made = tablet.draft(page, seed, "S-3")
    # the browser reckons what is free once: so from its start
    with tablet.profile(play, tmp_path / "six", offline=True) as browser:
        wire = browser.new_cdp_session(browser.pages[0])
        wire.send("Storage.overrideQuotaForOrigin", {"origin": stack.base_url, "quotaSize": 1})
        page = tablet.opened(browser, stack.base_url)
        told = page.evaluate(
            """async (id) => {
              const noise = () => Array.from({ length: 400 }, () => Array.from(
                crypto.getRandomValues(new Uint16Array(30_000)), (code) => String.fromCharCode(code % 55_000),
              ).join('')).join('');
              const { openStore, StorageFull } = await import('/static/field/store.js');
              const store = await openStore();
              try { await store.change(id, (row) => { row.body.note = noise(); }); }
              catch (error) { return error instanceof StorageFull ? error.message : `${error}`; }
              finally { store.base.close(); }
              return 'it was written';
            }""",
            made,
        )
        assert "no room left" in told, told
        kept = next(row for row in tablet.rows(page, "sessions") if row["id"] == made)
        assert (kept["state"], len(kept["body"]["readings"]), kept["body"]["note"]) == ("ready", 3, "")
    with tablet.profile(play, tmp_path / "six") as browser:
        tablet.opened(browser, stack.base_url)
        assert until(lambda: stored(stack, seed).count(made) == 1)


def test_two_tablets_on_one_job_both_send_and_see_what_the_other_did(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with (
        tablet.profile(play, tmp_path / "seven") as one,
        tablet.profile(play, tmp_path / "eight") as two,
    ):
        first, second = tablet.opened(one, stack.base_url), tablet.opened(two, stack.base_url)
        tablet.pair(first, seed, 7)
        tablet.pair(second, seed, 8, person="supervisor")
        for browser in (one, two):
            browser.set_offline(True)
        made = [tablet.draft(first, seed, "S-1"), tablet.draft(second, seed, "S-1")]
        for browser in (one, two):
            browser.set_offline(False)
        assert until(lambda: not waiting(first) and not waiting(second), 60)
        assert all(stored(stack, seed).count(one) == 1 for one in made)


def test_axe_finds_nothing_serious(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with tablet.profile(play, tmp_path / "nine") as browser:
        page = tablet.opened(browser, stack.base_url)
        found = in_both_modes(page)
        tablet.pair(page, seed, 9)
        page.locator(".rows a").first.wait_for()
        found += in_both_modes(page)
        page.locator(".rows a").last.click()
        page.locator(".rows button").first.wait_for()
        found += in_both_modes(page)
        page.locator(".rows button").first.click()
        page.get_by_role("dialog").wait_for()
        assert not found + in_both_modes(page)


def in_both_modes(page: Page) -> list[str]:
    found = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        page.wait_for_timeout(300)  # colours follow a moment later
        found += serious(page)
    return found


def serious(page: Page) -> list[str]:
    """What axe-core calls serious or critical on the page as it is."""
    answer = Axe().run(page)
    return [
        f"{one['id']}: {node['html'][:120]} {node['failureSummary'][:300]}"
        for one in answer["violations"]
        if one["impact"] in {"serious", "critical"}
        for node in one["nodes"]
    ]
