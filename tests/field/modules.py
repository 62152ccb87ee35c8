"""The field page's modules in a real Chromium, without a server: files are answered from the folders."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, Route

from tests.pages.browser import chromium, complaints_of

ROOT = Path(__file__).parents[2]
STATIC = ROOT / "measurements" / "static"
ORIGIN = "http://field.test"
SHELL = """<!doctype html><html lang="en"><meta charset="utf-8"><title>Modules</title>
<link rel="stylesheet" href="/flow/flow.css"><link rel="stylesheet" href="/field/field.css">
<link rel="stylesheet" href="/field/measure.css">
<script>
  window.gettext = (words) => words;
  window.ngettext = (one, many, count) => (count === 1 ? one : many);
  window.interpolate = (words, named) => words.replace(/%\\((\\w+)\\)s/g, (_, name) => String(named[name]));
</script><body class="field-page"><main id="main"></main>"""
TYPES = {".js": "text/javascript", ".css": "text/css"}


def answer(route: Route) -> None:
    """A file of the field page, of the pages' style, or the bare page that loads them."""
    path = route.request.url.removeprefix(ORIGIN).split("?")[0]
    if path == "/":
        route.fulfill(body=SHELL, content_type="text/html")
        return
    folders = (STATIC, ROOT / "jobs" / "static")
    found = next((f for f in (folder / path.lstrip("/") for folder in folders) if f.is_file()), None)
    if found is None:
        route.fulfill(status=404, body="")
    else:
        route.fulfill(body=found.read_text(), content_type=TYPES.get(found.suffix, "text/plain"))


@contextmanager
def module_page(**options: Any) -> Iterator[Page]:
    """A page on which modules can be imported, e.g. `import("/field/units.js")`."""
    with chromium() as browser:
        page = browser.new_page(**options)
        page.route(ORIGIN + "/**", answer)
        page.goto(ORIGIN + "/")
        yield page


def called(page: Page, module: str, function: str, calls: list[Any]) -> list[Any]:
    """What a function of a module answers to each list of arguments; a fault as {"fault": words}."""
    script = """async ([module, name, calls]) => {
      const found = await import(`/field/${module}.js`);
      return calls.map((args) => {
        try { return found[name](...args); }
        catch (error) { return {fault: error.message, field: error.field}; }
      });
    }"""
    answers: list[Any] = page.evaluate(script, [module, function, calls])
    return answers


__all__ = ["called", "complaints_of", "module_page"]
