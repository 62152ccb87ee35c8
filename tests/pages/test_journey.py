"""An owner's first morning in a real browser, by keyboard alone, against the whole running service."""

import re
import subprocess
import sys
import time
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest
from playwright.sync_api import Browser, Page

from config.local.stack import Stack
from tests.jobs import dcc
from tests.pages.browser import complaints_of

pytestmark = [pytest.mark.journey, pytest.mark.browser]
EMAIL, PASSWORD = "owner@example.org", "quite a long sentence"
WIDTHS, MODES = (1280, 800), ("light", "dark")


@pytest.fixture(scope="module")
def owner(stack: Stack, browser: Browser) -> str:
    """The owner of a new company, who chose a password where the operator's command said."""
    command = [sys.executable, "manage.py", "create_company", "Northgate Air Balance"]
    command += ["--owner-email", EMAIL, "--owner-name", "Anneke Holt"]
    made = subprocess.run(command, env=stack.environment, capture_output=True, text=True, check=True)
    page = browser.new_page()
    page.goto(made.stdout.split()[-1])
    write(page, "New password", PASSWORD)
    press(page, "Set the password")
    assert "The new password holds." in page.inner_text("main")
    return EMAIL


def reach(page: Page, words: str, presses: int = 40) -> None:
    """Goes on by the tab key until what has the focus shows or bears these words."""
    for _ in range(presses):
        page.keyboard.press("Tab")
        named = page.evaluate(
            """() => { const e = document.activeElement;
                const label = e.labels && e.labels.length ? e.labels[0].innerText : '';
                return e.getAttribute('aria-label') || label || e.innerText || ''; }"""
        )
        if str(named).strip().startswith(words):
            assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
            return
    pytest.fail(f"the tab key never came to {words!r} on {page.url}")


def press(page: Page, words: str) -> None:
    """Reaches a link or button and presses it; waits for the page behind it."""
    reach(page, words)
    with page.expect_navigation():
        page.keyboard.press("Enter")


def write(page: Page, label: str, text: str) -> None:
    reach(page, label)
    page.keyboard.type(text)


def mark(page: Page, label: str) -> None:
    reach(page, label)
    page.keyboard.press("Space")


def sign_in(page: Page, stack: Stack, email: str) -> None:
    page.goto(stack.base_url + "/company")
    write(page, "E-mail", email)
    write(page, "Password", PASSWORD)
    press(page, "Sign in")


def mailed_link(stack: Stack, to: str, seconds: float = 30) -> str:
    """The link of the mail that the worker sent to somebody."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        for mail in Path(stack.environment["VAR_ROOT"], "mail").glob("*"):
            text = mail.read_text().replace("=\n", "")
            link = re.search(r"http://\S+/invitation/\S+", text)
            if f"To: {to}" in text and link:
                return link[0]
        time.sleep(0.2)
    pytest.fail(f"no mail to {to} within {seconds:g} s")


def status_of(address: str, key: str) -> int:
    try:
        with urlopen(Request(address, headers={"Authorization": f"Bearer {key}"}), timeout=10) as answer:
            return int(answer.status)
    except HTTPError as error:
        return error.code


def test_an_owner_sets_up_by_keyboard_and_the_invited_person_comes(
    stack: Stack, browser: Browser, owner: str
) -> None:
    page = browser.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, owner)
    assert page.url.endswith("/company")
    press(page, "Invite somebody")
    write(page, "Name", "Tomas Reed")
    write(page, "E-mail", "tomas@example.org")
    mark(page, "Technician")
    press(page, "Send the invitation")
    assert "on its way to tomas@example.org" in page.inner_text("main")

    press(page, "Integration keys")
    write(page, "What is it for", "Weekly export")
    mark(page, "Read")
    press(page, "Make the key")
    key = page.inner_text("#secret")
    assert status_of(stack.base_url + "/api/v1/jobs", key) == 200
    page.reload()
    assert key not in page.content()
    reach(page, "Revoke the key Weekly export")
    page.keyboard.press("Enter")
    press(page, "Revoke now")
    assert status_of(stack.base_url + "/api/v1/jobs", key) == 401
    assert complaints == []

    other = browser.new_page()
    complaints = complaints_of(other)
    other.goto(mailed_link(stack, "tomas@example.org"))
    write(other, "New password", "another long sentence")
    press(other, "Join")
    assert "Welcome." in other.inner_text("main")
    assert "Company" not in other.inner_text("nav")
    assert complaints == []


def test_an_instrument_and_its_certificates_are_entered_by_keyboard(
    stack: Stack, browser: Browser, owner: str, tmp_path: Path
) -> None:
    page = browser.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, owner)
    page.goto(stack.base_url + "/instruments")
    press(page, "Add an instrument")
    for label, text in (("Name", "Digital manometer"), ("Serial number", "M-2041"), ("Kind", "Manom")):
        write(page, label, text)
    for label, text in (
        ("Quantity and unit, line 1", "Pa, pressure"), ("From, line 1", "0"),
        ("To, line 1", "2500"), ("Resolution, line 1", "0.1"),
    ):  # fmt: skip
        write(page, label, text)
    press(page, "Add the instrument")
    assert "Enter its certificate next." in page.inner_text("main")
    write(page, "Certificate number", "C-1")
    write(page, "Laboratory", "Vale Calibration Laboratory")
    write(page, "Calibrated on", "02032025")
    write(page, "Due on", "02032026")
    for label, text in (
        ("Reference, line 1", "100.0"), ("As left, line 1", "100.2"),
        ("Expanded uncertainty, line 1", "0.5"),
    ):  # fmt: skip
        write(page, label, text)
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "Certificate C-1 of Digital manometer M-2041 is entered." in page.inner_text("main")
    assert page.url.rpartition("/")[0].endswith("/certificates")

    file = tmp_path / "c.xml"
    file.write_bytes(dcc.certificate())
    page.goto(stack.base_url + "/instruments")
    reach(page, "Enter certificates")
    page.keyboard.press("Enter")
    press(page, "Digital certificate (DCC)")
    reach(page, "Digital certificate")
    page.set_input_files("[name=file]", file)
    press(page, "Read the certificate")
    assert "Nothing is entered yet." in page.inner_text("main")
    assert page.input_value("[name=due_on]") == "2027-02-03"  # the interval of the one before
    assert page.input_value("[name=points-2-as_left]") == "2000.4"
    assert page.evaluate("document.documentElement.scrollWidth") <= 1280
    assert complaints == []


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("width", WIDTHS)
def test_no_page_is_wider_than_the_screen_or_hard_to_read(
    stack: Stack, browser: Browser, owner: str, width: int, mode: str
) -> None:
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=mode)
    page = context.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, owner)
    for address in ("/", "/jobs", "/instruments", "/company", "/company/invite", "/company/keys",
                    "/company/tablets", "/company/rules", "/companies", "/problems",
                    "/instruments/new", "/certificates/digital", "/certificates/table"):  # fmt: skip
        page.goto(stack.base_url + address)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, address
        assert page.evaluate(PALE) == [], address
        assert page.evaluate("document.fonts.check('16px \"IBM Plex Sans\"')"), address
    assert complaints == []


# Texts whose contrast with the ground behind them is below 4.5 to 1 (WCAG 2.2, 1.4.3).
PALE = """() => {
  const parts = c => (c.match(/[\\d.]+/g) || []).map(Number);
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = e => { for (; e; e = e.parentElement) {
    const c = parts(getComputedStyle(e).backgroundColor); if (c.length === 3 || c[3] > 0) return c; }
    return [255, 255, 255]; };
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
  while (texts.nextNode()) {
    const e = texts.currentNode.parentElement, text = texts.currentNode.data.trim();
    if (!text || !e.getClientRects().length || ['SCRIPT', 'STYLE', 'OPTION'].includes(e.tagName)) continue;
    const [a, b] = [light(parts(getComputedStyle(e).color)), light(ground(e))].sort((x, y) => y - x);
    if ((a + 0.05) / (b + 0.05) < 4.5) found.push(text);
  }
  return found; }"""
