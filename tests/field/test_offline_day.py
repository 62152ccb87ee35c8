"""A day without network: a traverse, hoods, sweeps, a photo, a browser that is killed; then all at once."""

import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Playwright

from config.local.stack import Stack
from tests.field import tablet
from tests.field import test_measure as hands
from tests.field import test_photos as camera
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted

pytestmark = [pytest.mark.journey, pytest.mark.browser]
POINTS = [f"{line}{point}" for line in "ABCDE" for point in range(1, 6)]
KILLED_AT = 17
HOODS, A_HOOD = ("S-1", "S-2", "S-3", "S-1", "S-2"), 2
LINES = 5


@pytest.fixture(scope="module")
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.field.measure_seed")


def test_a_day_without_network_arrives_whole_and_once(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with tablet.profile(play, tmp_path) as browser:
        page = tablet.opened(browser, stack.base_url)
        tablet.pair(page, seed)
        page.locator(".rows a").first.wait_for()
        tablet.kept(page)
        browser.set_offline(True)
        traverse = traverse_begun(page, seed)
        readings(page, 1, POINTS[:KILLED_AT])
        hands.asked_for(page, f"at {POINTS[KILLED_AT]}")  # the next point shows when the last is on the disk
    with tablet.profile(play, tmp_path, offline=True) as browser:  # killed in the middle of a run
        page = tablet.opened(browser, stack.base_url, f"#/measure/{traverse}")
        complaints = complaints_of(page)
        readings(page, 1, POINTS[KILLED_AT:])
        page.get_by_role("button", name="Start run 2").click()
        readings(page, 2, POINTS)
        hands.step(page, "Zero after")
        hands.zero(page, "0.1")
        finish(page)
        hoods = [hood(page, seed, tag) for tag in HOODS]
        swept = sweeps(page, seed)
        camera.at(page, stack, seed, "S-1")
        camera.take(page, camera.camera())
        page.get_by_text("No network").wait_for()
        made = {traverse, swept, *hoods}
        assert {row["state"] for row in tablet.rows(page, "sessions")} == {"ready"}
        assert not made & set(arrived(stack, seed))
        browser.set_offline(False)
        page.get_by_text("All is sent").wait_for(timeout=120_000)
        assert not [one for one in complaints if "ERR_INTERNET" not in one]
    with tablet.profile(play, tmp_path) as browser:  # and once more with network: nothing comes twice
        page = tablet.opened(browser, stack.base_url)
        page.get_by_text("All is sent").wait_for()
        camera.until(lambda: camera.photos_of(stack, seed, "S-1"))
        page.wait_for_timeout(2000)
    assert sorted(arrived(stack, seed)) == sorted(made)
    whole = [hands.asked(stack, seed, f"sessions/{one}") for one in sorted(made)]
    assert sum(len(one["readings"]["value"]) for one in whole) == 2 * len(POINTS) + A_HOOD * len(HOODS)
    assert sum(len(one["sweeps"]) for one in whole) == LINES
    assert len(camera.photos_of(stack, seed, "S-1")) == 1  # though its page was killed, not left


def arrived(stack: Stack, seed: dict[str, Any]) -> list[str]:
    return [one["id"] for one in hands.asked(stack, seed, f"sessions?job={seed['job']}&limit=100")["items"]]


def traverse_begun(page: Page, seed: dict[str, Any]) -> str:
    session = hands.begin(page, seed, "MD-1", "Pitot traverse")
    hands.choose_tool(page, "Pressure", seed["serials"]["pressure"])
    hands.step(page, "Duct")
    hands.rectangular_duct(page)
    hands.step(page, "Air")
    hands.air(page)
    hands.asked_for(page, "Static pressure in the duct")
    hands.type_(page, "125")
    hands.step(page, "Zero")
    hands.zero(page, "0.1")
    hands.step(page, "Readings")
    return session


def readings(page: Page, run: int, places: list[str]) -> None:
    for place in places:
        hands.asked_for(page, f"at {place}")
        hands.type_(page, f"{12 + (POINTS.index(place) * 7 % 11) / 5 + run / 10:.1f}")


def finish(page: Page, *, lacking: bool = False) -> None:
    hands.step(page, "Result")
    page.get_by_role("button", name="Finish and send").click()
    if lacking:
        page.get_by_role("button", name="Finish without it").click()
    page.get_by_text("It waits to be sent").wait_for()


def hood(page: Page, seed: dict[str, Any], tag: str) -> str:
    session = hands.begin(page, seed, tag, "Flow hood reading")
    hands.again(page)
    hands.step(page, "Air")
    hands.air(page)
    hands.step(page, "Readings")
    for number in range(A_HOOD):
        hands.asked_for(page, f"reading {number + 1}")
        hands.type_(page, f"88.{number}")
    finish(page)
    return session


def sweeps(page: Page, seed: dict[str, Any]) -> str:
    session = hands.begin(page, seed, "MD-1", "Swept traverse")
    hands.choose_tool(page, "Pressure", seed["serials"]["pressure"])
    hands.step(page, "Duct")
    hands.rectangular_duct(page)
    hands.step(page, "Air")
    hands.air(page)
    hands.step(page, "Zero")
    hands.zero(page, "0.1")
    hands.step(page, "Sweeps")
    samples = "\n".join(f"{0.5 * n};{12 + n % 4 / 10:.1f}" for n in range(60))
    for line in "ABCDE":
        page.get_by_role("heading", name=f"Line {line} of {LINES}").wait_for()
        area = page.get_by_label("Samples, one a line")
        if not area.is_visible():
            page.get_by_text("Take the samples of a logger instead").click()
        area.fill(samples)
        page.get_by_role("button", name=re.compile("^Take the samples")).click()
    hands.step(page, "Zero after")
    hands.zero(page, "0.1")
    # quick hands: a series of half a minute, taken over at once, began before the zero was looked at
    finish(page, lacking=True)
    return session
