"""The big keys: taps, a hardware keyboard and a screen reader do the same, and nothing is confirmed twice."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page

from tests.field.modules import complaints_of, module_page

pytestmark = pytest.mark.browser
MAKE = """async (entry) => {
  const {keypad} = await import("/field/keypad.js");
  const main = document.getElementById("main");
  main.replaceChildren();
  window.said = [];
  window.wait = null;
  window.pad = keypad({}, {...entry,
    onchange: (text, unit) => said.push(["change", text, unit]),
    onenter: (text, unit) => { said.push(["enter", text, unit]); return window.wait; }});
  main.append(window.pad);
  pad.focus();
}"""
PRESSURE = {"label": "Velocity pressure at A1", "quantity": "pressure", "unit": "Pa"}


@pytest.fixture(scope="module")
def loaded() -> Iterator[Page]:
    with module_page(viewport={"width": 800, "height": 1280}) as found:
        yield found


@pytest.fixture
def page(loaded: Page) -> Page:
    loaded.evaluate(MAKE, PRESSURE)
    return loaded


def said(page: Page, kind: str) -> list[Any]:
    found: list[Any] = page.evaluate("(kind) => said.filter((one) => one[0] === kind)", kind)
    return found


def tap(page: Page, *keys: str) -> None:
    for key in keys:
        page.click(f"[data-key='{key}']")


def test_taps_type_a_figure_and_go_on_with_its_digits(page: Page) -> None:
    tap(page, "1", "3", "point", "1", "0", "enter")
    assert said(page, "enter") == [["enter", "13.10", "Pa"]]
    assert [one[1] for one in said(page, "change")] == ["1", "13", "13.", "13.1", "13.10"]
    assert page.evaluate("document.activeElement.tagName") == "INPUT"  # a keyboard goes on where it was


def test_a_keyboard_does_the_same_with_a_comma_too(page: Page) -> None:
    page.keyboard.type("-12,5x")
    page.keyboard.press("Enter")
    assert said(page, "enter") == [["enter", "-12.5", "Pa"]]


def test_sign_delete_and_clear(page: Page) -> None:
    tap(page, "4", "2", "sign", "delete", "sign", "point", "point", "5")
    assert page.evaluate("pad.text") == "4.5"
    tap(page, "clear")
    assert page.evaluate("pad.text") == ""


def test_what_is_no_figure_is_said_and_not_confirmed(page: Page) -> None:
    tap(page, "enter")
    assert said(page, "enter") == []
    assert page.inner_text("[role=alert]") == "Nothing is entered yet."
    assert page.get_attribute("input", "aria-invalid") == "true"
    tap(page, "sign", "enter")
    assert said(page, "enter") == []
    tap(page, "7")
    assert page.inner_text("[role=alert]") == ""


def test_a_second_enter_waits_until_the_first_is_stored(page: Page) -> None:
    page.evaluate("() => { window.wait = new Promise((resolve) => { window.stored = resolve; }); }")
    page.keyboard.type("9")
    for _ in range(3):
        page.keyboard.press("Enter")
    tap(page, "enter")
    assert len(said(page, "enter")) == 1
    page.evaluate("async () => { stored(); await wait; await 0; }")
    page.keyboard.press("Enter")
    assert len(said(page, "enter")) == 2


def test_keys_that_come_while_a_figure_is_stored_are_for_the_next_one(page: Page) -> None:
    page.evaluate(
        """() => {
          let stored;
          window.release = () => stored();
          window.wait = new Promise((resolve) => { stored = resolve; }).then(() => pad.show({label: "Next"}));
        }"""
    )
    page.keyboard.type("500")
    page.keyboard.press("Enter")
    page.keyboard.type("4")
    tap(page, "0", "point")
    assert page.evaluate("pad.text") == "500"
    page.evaluate("async () => { release(); await wait; window.wait = null; await 0; await 0; }")
    assert page.evaluate("pad.text") == "40."
    page.keyboard.type("5")
    page.keyboard.press("Enter")
    assert [one[1] for one in said(page, "enter")] == ["500", "40.5"]


def test_keys_are_big_and_named_and_a_typed_digit_on_a_key_reaches_the_figure(page: Page) -> None:
    sizes = page.evaluate(
        "[...document.querySelectorAll('.key')].map((k) => Math.min(k.offsetWidth, k.offsetHeight))"
    )
    assert len(sizes) == 15
    assert min(sizes) >= 64
    assert page.get_by_role("button", name="Decimal point").count() == 1
    assert page.get_by_role("group", name="Velocity pressure at A1").count() == 1
    assert page.get_by_label("Velocity pressure at A1").count() >= 1
    page.get_by_role("button", name="Delete the last digit").focus()
    page.keyboard.type("3,2")
    assert page.evaluate("pad.text") == "3.2"


def test_a_unit_can_be_chosen_and_fractions_of_an_inch_are_added(page: Page) -> None:
    complaints = complaints_of(page)
    page.evaluate(MAKE, {"label": "Width", "quantity": "length", "unit": "mm", "units": ["mm", "[in_i]"]})
    assert page.locator(".keypad-fractions .key").count() == 0
    page.get_by_label("Unit").select_option("[in_i]")
    tap(page, "1", "2")
    page.get_by_role("button", name="Add 1/4 inch").click()
    page.get_by_role("button", name="Add 1/16 inch").click()
    tap(page, "enter")
    assert said(page, "enter") == [["enter", "12.3125", "[in_i]"]]
    assert complaints == []


def test_the_next_figure_is_asked_for_in_place(page: Page) -> None:
    page.keyboard.type("5")
    page.evaluate("pad.show({label: 'At A2', unit: 'Pa', quantity: 'pressure', value: '7.0', hint: '35 mm'})")
    assert page.evaluate("pad.text") == "7.0"
    assert page.inner_text(".keypad-hint") == "35 mm"
    assert page.get_by_role("group", name="At A2").count() == 1
