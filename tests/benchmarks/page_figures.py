"""Figures of the field page: how soon it can be used, without network and with it, side by side in one run.

Run: python -m tests.benchmarks.page_figures. It starts a service and a headless Chromium; "ready" is
when the day's view stands and takes taps. Offline is a cold start of the browser from the tablet's own copy.
"""

import statistics
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, Playwright, sync_playwright

from config.local.stack import local_stack
from tests.benchmarks.own import own_services
from tests.field import tablet
from tests.pages.seeds import planted

STARTS = 9
READY = "performance.getEntriesByName('ready')[0].startTime"
SIZES = """performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation'))
  .reduce((sum, one) => sum + one.decodedBodySize, 0)"""


def main() -> None:
    own_services()
    with local_stack() as stack, sync_playwright() as play, tempfile.TemporaryDirectory() as folder:
        seed = planted(stack, "tests.field.seed")
        place = Path(folder)
        with tablet.profile(play, place) as browser:
            page = tablet.opened(browser, stack.base_url)
            tablet.pair(page, seed)
            tablet.kept(page)
            page.locator(".rows a").first.wait_for()
            print(f"figure: field page, all files = {page.evaluate(SIZES) / 1024:.0f} KB")
        online = starts(play, place, stack.base_url, offline=False)
        offline = starts(play, place, stack.base_url, offline=True)
        tell("with network", online)
        tell("without network", offline)
        print(f"figure: start without network / with = {middle(offline) / middle(online):.2f}")


def starts(play: Playwright, place: Path, base: str, *, offline: bool) -> list[float]:
    """Milliseconds to ready in fresh browsers on one profile."""
    found = []
    for _ in range(STARTS):
        with tablet.profile(play, place, offline=offline) as browser:
            found.append(ready(tablet.opened(browser, base)))
    return found


def ready(page: Page) -> float:
    value: Any = page.evaluate(READY)
    return float(value)


def middle(values: list[float]) -> float:
    return statistics.median(values)


def tell(words: str, values: list[float]) -> None:
    print(f"figure: field page ready {words}, median of {len(values)} = {middle(values):.0f} ms")
    print(f"figure: field page ready {words}, slowest = {max(values):.0f} ms")


if __name__ == "__main__":
    main()
