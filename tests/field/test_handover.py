"""Handing a job over from a tablet: what is missing, held while anything is unsent, left for later."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, Playwright, Request

from config.local.stack import Stack
from tests.field import tablet
from tests.field.proxy import Between
from tests.field.test_tablet import ask, until
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted
from tests.pages.test_journey import PALE

pytestmark = [pytest.mark.journey, pytest.mark.browser]


@pytest.fixture
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.field.seed")


@pytest.fixture
def browser(play: Playwright, tmp_path: Path) -> Iterator[BrowserContext]:
    with tablet.profile(play, tmp_path / "tablet") as found:
        yield found


def signed_in(browser: BrowserContext, service: Stack | Between, seed: dict[str, Any]) -> Page:
    page = tablet.opened(browser, service.base_url)
    tablet.pair(page, seed)
    page.locator(".rows a").first.wait_for()
    tablet.kept(page)
    return page


def hand_over(page: Page, seed: dict[str, Any]) -> None:
    page.goto(page.url.partition("#")[0] + f"#/handover/{seed['job']}")
    page.get_by_role("button", name="Hand over for review").wait_for()


def status(stack: Stack, seed: dict[str, Any]) -> str:
    return str(ask(stack, seed, f"jobs/{seed['job']}")["status"])


def section(page: Page, heading: str) -> str:
    return page.locator("section", has=page.get_by_role("heading", name=heading, exact=True)).inner_text()


def test_handing_over_is_held_until_all_is_sent_and_then_happens_once(
    browser: BrowserContext, stack: Stack, seed: dict[str, Any]
) -> None:
    page = signed_in(browser, stack, seed)
    complaints = complaints_of(page)
    browser.set_offline(True)
    made = [tablet.draft(page, seed, tag) for tag in ("S-1", "S-2")]
    hand_over(page, seed)
    assert "S-1" in section(page, "Still on this tablet")
    missing = section(page, "Missing")
    assert "BD-1" in missing
    assert "S-3" in missing
    assert "S-1" not in missing  # it is measured, though nobody but the tablet knows
    page.get_by_role("button", name="Hand over for review").click()
    question = page.get_by_role("dialog")
    assert "3 points are not measured." in question.inner_text()
    assert "2 sessions are still on this tablet. What waits is sent first" in question.inner_text()
    question.get_by_role("button", name="Hand over").click()
    held = page.locator("#held")
    held.wait_for()
    assert (
        "Handing over is held: 2 sessions are still on this tablet. There is no network." in held.inner_text()
    )
    assert status(stack, seed) == "open"

    page.reload()  # it is remembered
    tablet.started(page)
    page.locator("#held").wait_for()
    asked: list[Request] = []
    page.on("request", lambda one: asked.append(one) if one.url.endswith("/submit") else None)
    browser.set_offline(False)
    page.get_by_text("Handed over at").wait_for(timeout=60_000)
    assert status(stack, seed) == "submitted"
    assert len(asked) == 1
    kept = {row["id"]: row["state"] for row in tablet.rows(page, "sessions")}
    assert kept == dict.fromkeys(made, "stored")
    sessions = ask(stack, seed, f"sessions?job={seed['job']}&limit=100")["items"]
    assert {one["id"] for one in sessions} == set(made)
    page.get_by_role("button", name="Hand over for review").wait_for(state="detached")
    assert [one for one in complaints if "ERR_INTERNET_DISCONNECTED" not in one] == []


def test_it_can_be_called_off_while_it_is_held(
    browser: BrowserContext, stack: Stack, seed: dict[str, Any]
) -> None:
    page = signed_in(browser, stack, seed)
    browser.set_offline(True)
    tablet.draft(page, seed, "S-1")
    hand_over(page, seed)
    page.get_by_role("button", name="Hand over for review").click()
    page.get_by_role("dialog").get_by_role("button", name="Hand over").click()
    page.get_by_role("button", name="Do not hand over").click()
    page.get_by_role("button", name="Hand over for review").wait_for()
    browser.set_offline(False)
    page.get_by_text("All is sent").wait_for()
    page.wait_for_timeout(3_000)
    assert status(stack, seed) == "open"


def test_a_refused_session_is_told_with_its_place_and_does_not_hold(
    browser: BrowserContext, stack: Stack, seed: dict[str, Any]
) -> None:
    page = signed_in(browser, stack, seed)
    bad = {"conditions": {"air_temperature": {"value": "warm", "unit": "Cel"}}}
    made = tablet.draft(page, seed, "S-2", **bad)
    page.reload()
    tablet.started(page)
    until(lambda: [row for row in tablet.rows(page, "sessions") if row["state"] == "refused"])
    hand_over(page, seed)
    link = page.locator(f"a[href='#/measure/{made}']")
    link.wait_for()
    assert "waits to be sent" not in link.inner_text()
    page.get_by_role("button", name="Hand over for review").click()
    assert "1 session was refused and is not handed over." in page.get_by_role("dialog").inner_text()
    page.get_by_role("dialog").get_by_role("button", name="Hand over").click()
    page.get_by_text("Handed over at").wait_for(timeout=60_000)
    assert [row["state"] for row in tablet.rows(page, "sessions")] == ["refused"]  # and it is kept


def test_a_point_is_left_for_later_with_a_reason_even_without_network(
    browser: BrowserContext, stack: Stack, seed: dict[str, Any]
) -> None:
    page = signed_in(browser, stack, seed)
    browser.set_offline(True)
    hand_over(page, seed)
    page.get_by_role("button", name="Leave S-3 for later").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("It waits for").select_option("access")
    dialog.get_by_label("Reason, printed in the report").fill("locked")
    dialog.get_by_role("button", name="Leave it for later").click()
    page.get_by_text("Say why in 10 characters or more.").wait_for()
    dialog = page.get_by_role("dialog")
    assert dialog.get_by_label("Reason, printed in the report").input_value() == "locked"
    dialog.get_by_label("Reason, printed in the report").fill("The room was locked <b>all</b> day.")
    dialog.get_by_role("button", name="Leave it for later").click()
    later = page.locator("section", has=page.get_by_role("heading", name="Missing", exact=True))
    later.get_by_text("Access or plant ready: The room was locked <b>all</b> day.").wait_for()
    assert "waits to be sent" in later.inner_text()
    assert page.get_by_role("button", name="Leave S-3 for later").count() == 0
    browser.set_offline(False)

    def arrived() -> Any:
        return ask(stack, seed, f"jobs/{seed['job']}/deferrals")["items"]

    (row,) = until(arrived)
    assert (row["tag"], row["season"], row["reason"]) == (
        "S-3",
        "access",
        "The room was locked <b>all</b> day.",
    )
    until(lambda: "waits to be sent" not in later.inner_text())
    assert "waits to be sent" not in later.inner_text()


def test_a_job_that_is_handed_over_already_says_so(
    browser: BrowserContext, stack: Stack, seed: dict[str, Any]
) -> None:
    page = signed_in(browser, stack, seed)
    browser.set_offline(True)
    hand_over(page, seed)
    page.get_by_role("button", name="Hand over for review").click()
    page.get_by_role("dialog").get_by_role("button", name="Hand over").click()
    page.locator("#held").wait_for()
    planted_handover(stack, seed)  # a colleague does it meanwhile
    browser.set_offline(False)
    page.get_by_text("It was not handed over:").or_(page.get_by_text("This job is handed over.")).wait_for(
        timeout=60_000
    )
    assert status(stack, seed) == "submitted"


def planted_handover(stack: Stack, seed: dict[str, Any]) -> None:
    code = (
        "import django; django.setup()\n"
        "from jobs.tenancy.context import company\n"
        "from jobs.models import Job, JobStatus\n"
        "from uuid import UUID\n"
        f"with company(UUID('{seed['company']}')):\n"
        "    Job.objects.update(status=JobStatus.SUBMITTED, version=9)\n"
    )
    subprocess.run([sys.executable, "-c", code], env=stack.environment, check=True)


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 800])
def test_the_page_fits_and_can_be_read(
    play: Playwright, stack: Stack, seed: dict[str, Any], tmp_path: Path, width: int, mode: str
) -> None:
    size = {"width": width, "height": 1000}
    with tablet.profile(play, tmp_path / "t", size=size, color_scheme=mode) as browser:
        page = signed_in(browser, stack, seed)
        browser.set_offline(True)
        tablet.draft(page, seed, "S-1")
        hand_over(page, seed)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(PALE) == []
        small = page.evaluate(
            """[...document.querySelectorAll('main a, main button')]
              .filter(one => one.getClientRects().length && one.getBoundingClientRect().height < 48)
              .map(one => one.textContent)"""
        )
        assert small == []
