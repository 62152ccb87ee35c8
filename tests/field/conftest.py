"""Browsers for the tablets of a file, and one for its office."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Playwright, sync_playwright

from tests.pages.browser import ARGUMENTS, executable


@pytest.fixture(scope="module")
def play() -> Iterator[Playwright]:
    with sync_playwright() as found:
        yield found


@pytest.fixture(scope="module")
def office(play: Playwright) -> Iterator[Browser]:
    browser = play.chromium.launch(executable_path=executable(), args=ARGUMENTS)
    yield browser
    browser.close()
