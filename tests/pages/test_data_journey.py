"""The owner takes the company's data home in a real browser, asks for its removal and takes that back."""

import hashlib
import os
import time
import zipfile
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from config.local.stack import Stack
from tests.factories import PASSWORD
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted
from tests.pages.test_journey import PALE, press, reach, write

pytestmark = [pytest.mark.journey, pytest.mark.browser]
PICTURES = os.environ.get("FLOWLEDGER_PICTURES", "")


@pytest.fixture(scope="module")
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.pages.data_seed")


def look(page: Page, width: int, name: str) -> None:
    """Fits and can be read in light and dark; kept as a picture when asked for."""
    for mode in ("light", "dark"):
        page.emulate_media(color_scheme=mode)  # type: ignore[arg-type]
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name
        ends = time.monotonic() + 10
        while (
            pale := page.evaluate(PALE)
        ) and time.monotonic() < ends:  # colours pass over from mode to mode
            time.sleep(0.1)
        assert pale == [], name
        if PICTURES:
            page.screenshot(path=f"{PICTURES}/{name}_{width}_{mode}.png", full_page=True)
    page.emulate_media(color_scheme="light")


@pytest.mark.parametrize("width", [1280, 800])
def test_an_owner_exports_asks_for_removal_and_takes_it_back(
    stack: Stack, browser: Browser, seed: dict[str, Any], width: int, tmp_path: Path
) -> None:
    page = browser.new_context(viewport={"width": width, "height": 800}).new_page()
    complaints = complaints_of(page)
    page.goto(stack.base_url + "/company/data")
    write(page, "E-mail", seed["owner"])
    write(page, "Password", PASSWORD)
    press(page, "Sign in")
    look(page, width, "data_before")
    press(page, "Export everything")
    file = fetched(page, stack, tmp_path)
    shown = page.locator("tbody tr:first-child .digest").inner_text()
    with zipfile.ZipFile(file) as archive:
        assert hashlib.sha256(archive.read("manifest.json")).hexdigest() == shown
        assert archive.testzip() is None
    look(page, width, "data")
    removal_asked(page, stack, width, seed["company"])
    press(page, "Take the removal back")
    assert "nothing is removed" in page.inner_text("main, .messages, body")
    page.goto(f"{stack.base_url}/sites/{seed['site']}")
    look(page, width, "site_model")
    with page.expect_download() as saved:
        page.click("text=Brick 1.4 (Turtle)")
    assert "brickschema.org" in Path(saved.value.path()).read_text()
    page.goto(f"{stack.base_url}/company/people/{seed['gone']}")
    look(page, width, "forget")
    assert [one for one in complaints if "422" not in one] == []  # the name that was not the company's


def fetched(page: Page, stack: Stack, folder: Path) -> Path:
    """The newest export, once the worker has made it."""
    ends = time.monotonic() + 90
    first = page.locator("tbody tr:first-child")
    while first.locator("a[download]").count() == 0:
        assert time.monotonic() < ends, page.inner_text("main")
        time.sleep(0.5)
        page.goto(stack.base_url + "/company/data")
    with page.expect_download() as saved:
        first.locator("a[download]").click()
    path = folder / "company.zip"
    saved.value.save_as(path)
    return path


def removal_asked(page: Page, stack: Stack, width: int, name: str) -> None:
    """In two steps; with another name it is refused at the field."""
    ends = time.monotonic() + 60
    while True:  # the fetch has its number a moment later
        page.goto(stack.base_url + "/company/data/remove")
        if page.locator("input[name=name]").count():
            break
        assert time.monotonic() < ends, page.inner_text("main")
        time.sleep(0.5)
    look(page, width, "remove")
    write(page, "The company's name", name.lower())
    press(page, "Ask for the removal")
    assert "This is not the company's name." in page.inner_text("main")
    page.fill("input[name=name]", "")
    reach(page, "The company's name")
    page.keyboard.type(name)
    press(page, "Ask for the removal")
    assert "After" in page.inner_text("main")
    look(page, width, "removal_asked")
