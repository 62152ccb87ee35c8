"""A tablet in a test: a browser profile of its own, paired with the company and signed in on."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, Page, Playwright

from tests.pages.browser import ARGUMENTS, executable

SIZE = {"width": 800, "height": 1200}


@contextmanager
def profile(play: Playwright, folder: Path, **options: Any) -> Iterator[BrowserContext]:
    """A browser that keeps what it knows in a folder, as a tablet does over a restart."""
    context = play.chromium.launch_persistent_context(
        str(folder),
        executable_path=executable(),
        args=ARGUMENTS,
        viewport=options.pop("size", SIZE),
        **options,
    )
    try:
        yield context
    finally:
        context.close()


def opened(context: BrowserContext, base: str, hash_: str = "#/") -> Page:
    """The field page, started."""
    page = context.pages[0] if context.pages else context.new_page()
    page.goto(f"{base}/field/{hash_}")
    started(page)
    return page


def started(page: Page) -> None:
    """Waits until the page's scripts run (its policy forbids waiting by a script's text)."""
    page.locator("html[data-ready=yes]").wait_for(state="attached")


def pair(page: Page, seed: dict[str, Any], tablet: int = 0, person: str = "technician") -> None:
    """Pairs the tablet with a code of the seed, and signs a person in."""
    page.get_by_label("Company").fill(seed["short"])
    page.get_by_label("Code").fill(seed["codes"][tablet])
    page.get_by_role("button", name="Pair this tablet").click()
    sign_in(page, seed, person)


def sign_in(page: Page, seed: dict[str, Any], person: str = "technician") -> None:
    page.get_by_label("E-mail").fill(seed[person])
    page.get_by_label("Password").fill(seed["password"])
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("heading", name="Today").wait_for()


def kept(page: Page) -> None:
    """Waits until the page's own worker holds it, so that it opens without network."""
    page.locator("html[data-kept=yes]").wait_for(state="attached")


def rows(page: Page, place: str) -> list[dict[str, Any]]:
    """What stands in a store of the tablet: sessions or photos, without their files."""
    script = """async (place) => {
      const { openStore } = await import('/static/field/store.js');
      const store = await openStore();
      const found = await store[place]();
      store.base.close();
      return found.map(({ blob, ...rest }) => rest);
    }"""
    found: list[dict[str, Any]] = page.evaluate(script, place)
    return found


def holds(page: Page, key: str, name: str, value: str) -> None:
    """Waits until a setting on the tablet's disk has that value under that name."""
    script = """async ([key, name, value]) => {
      const { openStore } = await import('/static/field/store.js');
      const store = await openStore();
      for (let turn = 0; turn < 600 && (await store.setting(key))?.[name] !== value; turn += 1) {
        await new Promise((wake) => setTimeout(wake, 50));
      }
      const found = await store.setting(key);
      store.base.close();
      return found?.[name];
    }"""
    found = page.evaluate(script, [key, name, value])
    assert found == value, f"{key}: {name} is {found}, not {value}"


def draft(page: Page, seed: dict[str, Any], tag: str, **more: Any) -> str:
    """Puts a finished hood session of three readings on the tablet, as its own pages do; returns its id."""
    script = """async ([job, point, more]) => {
      const { openStore } = await import('/static/field/store.js');
      const { stamp } = await import('/static/field/ids.js');
      const store = await openStore();
      const person = await store.setting('person');
      const made = await store.newSession({ job, point, method: 'hood_reading', person, more });
      await store.change(made.id, (row) => {
        row.body.readings = [1, 2, 3].map((n) => ({
          run: 1, line: 1, point: n, quantity: 'flow', unit: 'L/s',
          value: '88.' + n, taken_at: stamp(new Date()),
        }));
        row.state = 'ready';
        row.body.finished_at = stamp(new Date());
      });
      store.base.close();
      return made.id;
    }"""
    body = {
        "conditions": {
            "air_temperature": {"value": "21.4", "unit": "Cel"},
            "relative_humidity": {"value": "43", "unit": "%"},
            "barometric_pressure": {"value": "1002", "unit": "hPa"},
        },
        "instruments": {
            use: seed["instruments"][use]
            for use in ("hood", "temperature", "humidity", "barometer")
            if use in seed["instruments"]
        },
        **more,
    }
    made: str = page.evaluate(script, [seed["job"], seed["points"][tag], body])
    return made
