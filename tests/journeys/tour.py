"""Takes the pictures of the README's tour from a running service with the demo world.

Run: python -m tests.journeys.tour [FOLDER]. It starts a service, plays the demo, opens pages at the
desk (1280 px) and on the tablet (800 px) in headless Chromium.
"""

import re
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from config.local.demo import scenario
from config.local.stack import Stack, local_stack
from tests.benchmarks.own import ROOT, own_services
from tests.field import tablet
from tests.field import test_measure as hands
from tests.pages.browser import ARGUMENTS, executable

PICTURES = ROOT / "config" / "pictures"
DESK, TABLET = {"width": 1280, "height": 860}, {"width": 800, "height": 1100}


def main() -> None:
    own_services()
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else PICTURES
    folder.mkdir(parents=True, exist_ok=True)
    with local_stack() as stack, sync_playwright() as play, tempfile.TemporaryDirectory() as place:
        said = seeded(stack, Path(place) / "demo")
        company, code = re.search(r"company (\S+), code (\S+)", said).groups()  # type: ignore[union-attr]
        with play.chromium.launch(executable_path=executable(), args=ARGUMENTS) as browser:
            desk(browser, stack.base_url, folder)
        with tablet.profile(play, Path(place) / "tablet", size=TABLET) as profile:
            page = tablet.opened(profile, stack.base_url)
            seed = {"short": company, "codes": [code], "password": scenario.PASSWORD}
            tablet.pair(page, seed | {"technician": scenario.TECHNICIAN.email})
            field(page, folder)


def seeded(stack: Stack, out: Path) -> str:
    """Plays the demo; returns what it said."""
    command = [sys.executable, "-m", "config.local.demo", "--seed", "--out", str(out)]
    made = subprocess.run(command, env=stack.for_command(), capture_output=True, text=True, check=False)
    if made.returncode:
        raise SystemExit(made.stdout[-3000:] + made.stderr[-3000:])
    return made.stdout


def signed_in(browser: Browser, base: str, email: str) -> Page:
    page = browser.new_context(viewport=DESK).new_page()  # type: ignore[arg-type]
    page.goto(f"{base}/signin")
    page.get_by_label("E-mail").fill(email)
    page.get_by_label("Password").fill(scenario.PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{base}/")
    return page


def desk(browser: Browser, base: str, folder: Path) -> None:
    """Plan, job, review."""
    page = signed_in(browser, base, scenario.DISPATCHER.email)
    take(page, f"{base}/plan", folder / "plan.png")
    page.goto(f"{base}/jobs")
    page.get_by_role("link", name="Check of the reading rooms").first.click()
    take(page, "", folder / "job.png")
    page = signed_in(browser, base, scenario.SUPERVISOR.email)
    page.goto(f"{base}/review")
    page.locator("main a[href*='/review']").first.click()
    take(page, "", folder / "review.png")


def field(page: Page, folder: Path) -> None:
    """The day, a session, the round."""
    page.locator(".rows a").first.wait_for()
    take(page, "", folder / "day.png")
    page.get_by_role("link", name="second season").click()
    page.locator(".rows button").first.wait_for()
    page.locator(".rows .row", has=page.get_by_text("MD-1", exact=True)).first.click()
    page.get_by_role("dialog").get_by_role("button", name=re.compile(": Pitot traverse$")).click()
    page.get_by_role("heading", name="Ready", exact=True).wait_for()
    page.wait_for_timeout(800)
    page.locator(".steps").get_by_role("button", name=re.compile("^Duct")).click()
    hands.rectangular_duct(page)
    page.locator(".steps").get_by_role("button", name=re.compile("^Readings")).click()
    page.locator(".keypad").wait_for()
    for figure in ("12.4", "13.1", "13.6", "12.9"):
        hands.type_(page, figure)
        page.wait_for_timeout(300)
    take(page, "", folder / "measure.png")
    page.get_by_role("link", name="Back").click()
    page.get_by_role("link", name="Balance").first.click()
    page.wait_for_timeout(1500)
    take(page, "", folder / "round.png")


def take(page: Page, address: str, file: Path) -> None:
    if address:
        page.goto(address)
    page.wait_for_load_state("networkidle")
    page.evaluate("document.fonts.ready.then(() => true)")
    page.screenshot(path=file)
    print(file)


if __name__ == "__main__":
    main()
