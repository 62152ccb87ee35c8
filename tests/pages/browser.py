"""A headless Chromium for tests of pages, or a clear word that it is missing."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")
ARGUMENTS = [
    "--no-sandbox",
    "--headless=new",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
NO_BROWSER = "FLOWLEDGER_NO_BROWSER"


def executable() -> str:
    """Where Chromium is. Fails the test without one, unless the environment says that there is none."""
    found = next(filter(None, map(shutil.which, NAMES)), None)
    if found is None and os.environ.get(NO_BROWSER) == "1":
        pytest.skip(f"{NO_BROWSER}=1: this machine has no browser")
    if found is None:
        pytest.fail(
            f"No Chromium ({', '.join(NAMES)}) on the path. Install it (apt-get install chromium),"
            f" or set {NO_BROWSER}=1 to leave out the tests that need it."
        )
    return found


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser, closed at the end."""
    path = executable()
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


def complaints_of(page: Page) -> list[str]:
    """A list that fills with what the browser complains about: errors, blocked styles and scripts."""
    found: list[str] = []
    page.on("console", lambda message: found.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: found.append(str(error)))
    return found
