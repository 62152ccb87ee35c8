"""Coming in with a second factor, what the owner sees of it, other systems; on the page and on a tablet."""

import base64
import time
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from config.local.stack import Stack
from jobs.factor import totp
from tests.factories import PASSWORD
from tests.field import tablet
from tests.pages.browser import chromium, complaints_of
from tests.pages.seeds import planted
from tests.pages.test_data_journey import PICTURES, look
from tests.pages.test_recall_journey import sign_in
from tests.pages.test_webhooks_journey import serious

pytestmark = [pytest.mark.journey, pytest.mark.browser]


@pytest.fixture
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.pages.access_seed")


@pytest.mark.parametrize("width", [1280, 800])
def test_an_owner_sets_up_a_second_factor_and_sees_who_came_in(
    stack: Stack, seed: dict[str, Any], width: int
) -> None:
    with chromium() as browser:
        page = browser.new_context(viewport={"width": width, "height": 800}).new_page()
        complaints = complaints_of(page)
        sign_in(page, stack, seed["owner"], "/me/second-factor")
        codes = set_up(page, width)
        ended_elsewhere(page, browser, stack, seed, codes, width)
        page.goto(stack.base_url + "/company/access")
        expect(page.get_by_text("set up a second factor").first).to_be_visible()
        fine(page, width, "access")
        connected(page, stack, width)
        again(page, stack, codes, width)
        page.goto(stack.base_url + "/me/second-factor")
        page.get_by_label("Your password").fill(PASSWORD)
        page.get_by_label("Code", exact=True).fill(codes[3])
        page.get_by_role("button", name="Take the second factor off").click()
        expect(page.get_by_text("The second factor is off")).to_be_visible()
        assert [one for one in complaints if "422" not in one] == []


def fine(page: Page, width: int, name: str) -> None:
    assert serious(page) == [], name  # before colours pass over from mode to mode
    look(page, width, name)


def set_up(page: Page, width: int) -> list[str]:
    """By the secret as text, as a program for codes would read it. Returns the recovery codes."""
    fine(page, width, "factor_new")
    secret = base64.b32decode(page.locator("#secret").inner_text().replace(" ", ""))
    page.get_by_label("Code").fill("000000")
    page.get_by_role("button", name="Turn it on").click()
    expect(page.get_by_text("This code is wrong").first).to_be_visible()
    page.get_by_label("Code").fill(totp(secret).generate(int(time.time())).decode())
    page.get_by_role("button", name="Turn it on").click()
    expect(page.locator("#codes li")).to_have_count(10)
    codes = page.locator("#codes li").all_inner_texts()
    fine(page, width, "factor_codes")
    page.get_by_role("link", name="I have kept them").click()
    page.goto(page.url.rstrip("/") + "/me/second-factor")
    fine(page, width, "factor_on")
    return codes


def ended_elsewhere(
    page: Page, browser: Browser, stack: Stack, seed: dict[str, Any], codes: list[str], width: int
) -> None:
    """Signed in with a code on a second browser, which the first then ends."""
    other = browser.new_context(viewport={"width": width, "height": 800}).new_page()
    sign_in(other, stack, seed["owner"], "/me/sign-ins")
    expect(other.get_by_role("heading", name="Enter the code")).to_be_visible()
    other.get_by_label("Code").fill("00")
    other.get_by_role("button", name="Sign in").click()
    expect(other.get_by_text("This code is wrong").first).to_be_visible()
    fine(other, width, "signin_code")
    other.get_by_label("Code").fill(codes[0])
    other.get_by_role("button", name="Sign in").click()
    expect(other.get_by_role("heading", name="Where you are signed in")).to_be_visible()
    page.goto(stack.base_url + "/me/sign-ins")
    fine(page, width, "signins")
    page.get_by_role("button", name="End the sign-in").first.click()
    expect(page.get_by_text("That sign-in is ended.")).to_be_visible()
    other.goto(stack.base_url + "/jobs")
    expect(other.get_by_role("heading", name="Sign in")).to_be_visible()


def connected(page: Page, stack: Stack, width: int) -> None:
    """A system with somebody who answers for it, and its first key."""
    name = f"Portal at {width}"
    page.goto(stack.base_url + "/company/keys")
    page.get_by_role("link", name="Connect a system").click()
    page.get_by_label("Name of the system").fill(name)
    page.get_by_label("E-mail of who answers").fill("nobody")
    page.get_by_role("button", name="Connect the system").click()
    expect(page.get_by_text("This is not an e-mail address").first).to_be_visible()
    fine(page, width, "system_new")
    page.get_by_label("E-mail of who answers").fill("it@portal.example")
    page.get_by_label("What it does").fill("Shows issued reports to the owner of the building.")
    page.get_by_role("button", name="Connect the system").click()
    page.get_by_label("System", exact=True).select_option(label=name)
    page.get_by_label("What is it for").fill("Nightly fetch")
    page.get_by_label("Read", exact=False).first.check()
    page.get_by_role("button", name="Make the key").click()
    secret = page.locator("#secret").inner_text()
    answer = page.request.get(stack.base_url + "/api/v1/jobs", headers={"Authorization": f"Bearer {secret}"})
    assert answer.status == 200
    page.reload()
    fine(page, width, "keys")
    page.get_by_role("link", name=name).click()
    expect(page.get_by_text("Nightly fetch")).to_be_visible()
    fine(page, width, "system")


def again(page: Page, stack: Stack, codes: list[str], width: int) -> None:
    """Asked once more who sits there, and back to where that was asked."""
    page.goto(stack.base_url + "/signin/again?next=/company/data")
    page.get_by_label("Your password").fill("not it")
    page.get_by_label("Code").fill(codes[1])
    page.get_by_role("button", name="Sign in again").click()
    expect(page.get_by_text("This is not your password.").first).to_be_visible()
    fine(page, width, "signin_again")
    page.get_by_label("Your password").fill(PASSWORD)
    page.get_by_label("Code").fill(codes[2])
    page.get_by_role("button", name="Sign in again").click()
    expect(page.get_by_text("For ten minutes you are not asked again")).to_be_visible()
    assert page.url == stack.base_url + "/company/data"
    fine(page, width, "data_proven")
    page.goto(stack.base_url + "/company/webhooks")
    fine(page, width, "webhooks")


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_who_has_a_second_factor_signs_in_on_a_tablet(
    stack: Stack, seed: dict[str, Any], tmp_path: Path, mode: str
) -> None:
    with sync_playwright() as play, tablet.profile(play, tmp_path, color_scheme=mode) as browser:
        page = tablet.opened(browser, stack.base_url)
        complaints = complaints_of(page)
        page.get_by_label("Company").fill(seed["short"])
        page.get_by_label("Code").fill(seed["pairing"])
        page.get_by_role("button", name="Pair this tablet").click()
        page.get_by_label("E-mail").fill(seed["technician"])
        page.get_by_label("Password").fill(seed["password"])
        expect(page.get_by_label("Code")).to_be_hidden()
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_label("Code")).to_be_focused()
        page.keyboard.type("000000")
        page.keyboard.press("Enter")
        expect(page.get_by_text("This code is wrong").first).to_be_visible()
        assert serious(page) == []
        assert page.get_by_label("Code").bounding_box()["height"] >= 48  # type: ignore[index]
        if PICTURES:
            page.screenshot(path=f"{PICTURES}/tablet_code_{mode}.png")
        page.get_by_label("Code").fill(seed["recovery"])
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("heading", name="Today")).to_be_visible()
        assert [one for one in complaints if "422" not in one and "403" not in one] == []
