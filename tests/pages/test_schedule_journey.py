"""A dispatcher's first schedule in a real browser, by keyboard alone: from no customer to a revision."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from axe_core_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Browser, Page

from config.local.stack import Stack
from tests.jobs.sheets import csv_of, xlsx_of
from tests.pages.browser import complaints_of
from tests.pages.test_journey import PALE, PASSWORD, press, reach, write

pytestmark = [pytest.mark.journey, pytest.mark.browser]
EMAIL = "dispatch@example.org"
HEADS = ["Mark", "Area served", "Neck size", "CFM", "Unit"]
HALL, FOYER, DESK = (
    ["S-1", "Hall", '10"x8"', 200, "7"],
    ["S-2", "Foyer", '8" dia', 150, "7"],
    ["S-3", "Desk", "", 90, "7"],
)
GOOD = [HALL, FOYER, DESK]
BAD = [HALL, ["S-2", "Foyer", "8", 150, "7"], ["S-1", "Desk", "", 90, "7"]]


@pytest.fixture(scope="module")
def owner(stack: Stack, browser: Browser) -> str:
    """The owner of a new, empty company."""
    command = [sys.executable, "manage.py", "create_company", "Harbour Testing"]
    command += ["--owner-email", EMAIL, "--owner-name", "Mara Lind"]
    made = subprocess.run(command, env=stack.environment, capture_output=True, text=True, check=True)
    page = browser.new_page()
    page.goto(made.stdout.split()[-1])
    write(page, "New password", PASSWORD)
    press(page, "Set the password")
    return EMAIL


def sign_in(page: Page, stack: Stack, email: str, address: str) -> None:
    page.goto(stack.base_url + address)
    write(page, "E-mail", email)
    write(page, "Password", PASSWORD)
    press(page, "Sign in")


def choose(page: Page, file: Path, data: bytes, button: str) -> None:
    """Chooses a file, which no browser lets a program do by keys, and sends it by keyboard."""
    file.write_bytes(data)
    reach(page, "Design schedule", 80)
    page.set_input_files("[name=file]", file)
    press(page, button)


def pick(page: Page, label: str, words: str) -> None:
    """Types into a field far down, or takes a choice of a select by how it begins."""
    reach(page, label, 80)
    page.keyboard.type(words)


def send(page: Page, button: str) -> None:
    reach(page, button, 80)
    with page.expect_navigation():
        page.keyboard.press("Enter")


def serious(page: Page) -> list[str]:
    """What axe-core calls serious or critical on the page as it is."""
    found: dict[str, Any] = Axe().run(page)
    return [
        f"{one['id']}: {node['html'][:120]} {node['failureSummary'][:300]}"
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


def test_a_dispatcher_goes_from_nothing_to_a_revised_schedule_by_keyboard(
    stack: Stack, browser: Browser, owner: str, tmp_path: Path
) -> None:
    page = browser.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, owner, "/customers")
    assert "There are no customers yet." in page.inner_text("main")
    press(page, "Add a customer")
    write(page, "Name of the customer", "Town of Elmbridge")
    press(page, "Add the customer")
    write(page, "Name of the site", "Swimming baths")
    press(page, "Add the site")
    assert "Import its design schedule next." in page.inner_text("main")
    press(page, "Import a design schedule")

    file = tmp_path / "outlets.csv"
    choose(page, file, csv_of(BAD, HEADS), "Read the file")
    assert page.input_value("[name=is-A]") == "tag"
    assert page.input_value("[name=unit-D]") == "[cft_i]/min"
    assert "Still missing: tag of the system; kind of point" in page.inner_text("main")
    send(page, "Look at the rows")
    assert page.url.endswith("/columns")
    pick(page, "Tag of the system", "AHU-3")
    pick(page, "Kind of point", "Outlet")
    pick(page, "Unit of column C", "in")
    send(page, "Look at the rows")

    assert "2 rows have problems" in page.inner_text("main")
    wrong = page.locator(".wrong")
    assert [text.split("\n")[0] for text in wrong.all_inner_texts()] == ["8", "S-1"]
    assert "'8' may be a diameter or a side" in wrong.nth(0).inner_text()
    assert page.locator("[name=plan]").count() == 0
    choose(page, file, csv_of(GOOD, HEADS), "Read the mended file")
    assert "Nothing is imported yet." in page.inner_text("main")
    send(page, "Import 3 rows")
    assert "Schedule imported" in page.inner_text("main")
    page.go_back()
    page.reload()
    assert "Schedule imported" in page.inner_text("main")
    press(page, "To Swimming baths")
    assert "1 system, 3 test points" in page.inner_text("main")

    press(page, "Import a revised schedule")
    revised = [HALL, [*FOYER[:3], 175, "7"], DESK, ["S-4", "Bar", "", 60, "7"]]
    choose(page, tmp_path / "revised.xlsx", xlsx_of(revised, HEADS), "Read the file")
    assert "as last time for this customer" in page.inner_text("main")
    pick(page, "Tag of the system", "AHU-3")
    pick(page, "Kind of point", "Outlet")
    send(page, "Look at the rows")
    rows = page.locator(".would tbody tr")
    words = [text.split()[1] for text in rows.all_inner_texts()]
    assert words == ["Changes", "New", "Unchanged", "Unchanged"]
    assert rows.nth(0).locator("del").inner_text() == "150 ft³/min"
    assert rows.nth(0).locator("ins").inner_text() == "175 ft³/min"
    send(page, "Import 4 rows")
    press(page, "To Swimming baths")
    assert "175 ft³/min" in page.inner_text("main")
    assert [one for one in complaints if "422" not in one] == []  # a refused form answers so


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 800])
def test_no_page_is_wider_than_the_screen_or_hard_to_read(
    stack: Stack, browser: Browser, owner: str, tmp_path: Path, width: int, mode: str
) -> None:
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=mode)
    page = context.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, owner, "/customers")

    def look() -> None:
        assert page.evaluate("document.documentElement.scrollWidth") <= width, page.url
        assert page.evaluate(PALE) == [], page.url
        assert serious(page) == [], page.url

    def follow(what: str) -> None:
        with page.expect_navigation():  # else it may look while the next page has nothing yet
            page.click(what)

    for address in ("/customers", "/customers/new"):
        page.goto(stack.base_url + address)
        look()
    page.fill("[name=name]", f"Customer {mode} {width}")
    follow("main .buttons .button")
    look()
    page.fill("[name=name]", "Hall")
    follow("main .buttons .button")
    look()
    follow("text=Import a design schedule")
    look()
    file = tmp_path / "outlets.csv"
    for rows in (BAD, GOOD):
        file.write_bytes(csv_of(rows, HEADS))
        page.set_input_files("[name=file]", file)
        follow("main form .buttons .button")
        if page.url.endswith("/columns"):
            look()
            page.fill("[name=all-system]", "AHU-3")
            page.select_option("[name=all-kind]", "outlet")
            follow("main form > .buttons .button")
        look()
    follow("main form .buttons .button")
    look()
    assert complaints == []
