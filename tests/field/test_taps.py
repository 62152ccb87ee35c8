"""A tap is not lost when its button is drawn anew while the finger is on it, nor counted twice."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page

from tests.field.modules import module_page

pytestmark = pytest.mark.browser
MAKE = """async () => {
  const {keepTaps} = await import("/field/taps.js");
  const {h, replace} = await import("/field/dom.js");
  keepTaps();
  const main = document.getElementById("main");
  window.taken = [];
  window.draw = (words, options) => replace(main,
    h("button", {type: "button", class: "button big", onclick: () => taken.push(words), ...options}, words));
}"""


@pytest.fixture(scope="module")
def loaded() -> Iterator[Page]:
    with module_page(viewport={"width": 800, "height": 1280}) as found:
        found.evaluate(MAKE)
        yield found


def pressed(page: Page, then: str) -> list[str]:
    """What was taken when the button "Next" is pressed, `then` is done, and the finger leaves it."""
    page.evaluate("() => { taken.length = 0; draw('Next'); }")
    box = page.get_by_role("button").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.evaluate(then)
    page.mouse.up()
    page.wait_for_timeout(50)
    taken: list[str] = page.evaluate("taken")
    return taken


def test_a_tap_counts_once_whether_or_not_the_button_was_drawn_anew(loaded: Page) -> None:
    assert pressed(loaded, "() => {}") == ["Next"]
    assert pressed(loaded, "() => draw('Next')") == ["Next"]
    assert pressed(loaded, "() => { draw('Next'); draw('Next'); }") == ["Next"]


def test_another_button_in_that_place_is_not_pressed(loaded: Page) -> None:
    assert pressed(loaded, "() => draw('Finish')") == []
    assert pressed(loaded, "() => draw('Next', {disabled: true})") == []


def test_a_finger_that_went_elsewhere_presses_nothing(loaded: Page) -> None:
    loaded.evaluate("() => { taken.length = 0; draw('Next'); }")
    box = loaded.get_by_role("button").bounding_box()
    assert box is not None
    loaded.mouse.move(box["x"] + 5, box["y"] + 5)
    loaded.mouse.down()
    loaded.evaluate("() => draw('Next')")
    loaded.mouse.move(box["x"] + 5, box["y"] + box["height"] + 200)
    loaded.mouse.up()
    assert loaded.evaluate("taken") == []
