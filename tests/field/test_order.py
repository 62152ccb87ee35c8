"""What happens on a tablet in an order that nobody wishes for: each order is brought about on purpose."""

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from textwrap import indent
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, Playwright, expect, sync_playwright

from config.local.stack import Stack, local_stack
from tests.field import tablet
from tests.field.proxy import Between, between
from tests.field.test_handover import hand_over, signed_in, status
from tests.field.test_tablet import until
from tests.pages.browser import executable
from tests.pages.seeds import planted

pytestmark = [pytest.mark.journey, pytest.mark.browser]


@pytest.fixture(scope="module")
def stack() -> Iterator[Stack]:
    executable()
    with local_stack() as running:
        yield running


@pytest.fixture
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.field.seed")


@pytest.fixture(scope="module")
def play() -> Iterator[Playwright]:
    with sync_playwright() as found:
        yield found


@pytest.fixture
def browser(play: Playwright, tmp_path: Path) -> Iterator[BrowserContext]:
    with tablet.profile(play, tmp_path / "tablet") as found:
        yield found


@pytest.fixture
def wire(stack: Stack) -> Iterator[Between]:
    with between(stack.base_url) as found:
        yield found


def beside(stack: Stack, seed: dict[str, Any], code: str) -> "subprocess.Popen[str]":
    """Runs code of the service in a process of its own, for the company of the seed."""
    head = (
        "import sys, uuid, django; django.setup()\n"
        "from jobs.models import Job, Member\n"
        "from jobs.tenancy.context import company\n"
        "from tests import factories\n"
        f"with company(uuid.UUID('{seed['company']}')):\n"
    )
    command = [sys.executable, "-c", head + indent(code, "    ")]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, env=stack.environment, stdin=pipe, stdout=pipe, text=True)


@contextmanager
def job_held(stack: Stack, seed: dict[str, Any]) -> Iterator[None]:
    """Somebody holds the job's row, so that the service asks everybody else to come again."""
    code = "list(Job.objects.select_for_update())\nprint('held', flush=True)\nsys.stdin.read()"
    process = beside(stack, seed, code)
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    try:
        yield
    finally:
        process.communicate()


def agree(page: Page) -> None:
    page.get_by_role("button", name="Hand over for review").click()
    page.get_by_role("dialog").get_by_role("button", name="Hand over").click()


def handed(page: Page) -> None:
    expect(page.get_by_text("Handed over at")).to_be_visible(timeout=60_000)
    expect(page.get_by_role("button", name="Hand over for review")).to_have_count(0)


def setting(page: Page, key: str) -> Any:
    script = """async (key) => {
      const { openStore } = await import('/static/field/store.js');
      const store = await openStore();
      const found = await store.setting(key);
      store.base.close();
      return JSON.stringify(found ?? null);
    }"""
    return json.loads(page.evaluate(script, key))


@pytest.mark.parametrize("sessions", [1, 0])
def test_somebody_elses_lock_neither_refuses_a_session_nor_a_handing_over(
    browser: BrowserContext, stack: Stack, seed: dict[str, Any], sessions: int
) -> None:
    """The service answers 409 with Retry-After while others hold the job, as evaluation does under load."""
    page = signed_in(browser, stack, seed)
    browser.set_offline(True)
    made = [tablet.draft(page, seed, "S-1") for _ in range(sessions)]
    hand_over(page, seed)
    agree(page)
    page.locator("#held").wait_for()
    with job_held(stack, seed):
        path = "/field/batches" if sessions else "/submit"
        with page.expect_response(lambda one: one.url.endswith(path), timeout=60_000) as told:
            browser.set_offline(False)
        assert (told.value.status, told.value.header_value("Retry-After")) == (409, "1")
        page.wait_for_timeout(500)
        assert {row["state"] for row in tablet.rows(page, "sessions")} <= {"ready", "sent"}
        expect(page.locator("#held")).to_be_visible()
        expect(page.get_by_text("It was not handed over")).to_have_count(0)
    handed(page)
    assert status(stack, seed) == "submitted"
    assert [(row["id"], row["state"]) for row in tablet.rows(page, "sessions")] == [
        (one, "stored") for one in made
    ]


def test_what_the_service_knew_before_a_handing_over_does_not_undo_it_on_the_page(
    browser: BrowserContext, wire: Between, stack: Stack, seed: dict[str, Any]
) -> None:
    page = signed_in(browser, wire, seed)
    with wire.held(f"/jobs/{seed['job']}/state") as state:
        hand_over(page, seed)
        assert state.reached.wait(30), "the page asks how the job stands"
        agree(page)
        handed(page)
    page.get_by_text("As the service knew it at").wait_for()  # that answer is here now
    page.wait_for_timeout(500)
    handed(page)
    assert status(stack, seed) == "submitted"


def test_a_job_handed_over_while_another_is_on_its_way_is_not_forgotten(
    browser: BrowserContext, wire: Between, stack: Stack, seed: dict[str, Any]
) -> None:
    code = (
        "first = Job.objects.get()\n"
        "made = factories.job(first.site, *[one.system for one in first.job_systems.all()])\n"
        f"factories.assign(made, Member.objects.get(email='{seed['technician']}'))\n"
        "print(made.id)"
    )
    other = seed | {"job": beside(stack, seed, code).communicate()[0].strip()}
    page = signed_in(browser, wire, seed)
    with wire.held(f"/jobs/{seed['job']}/submit") as submitting:
        hand_over(page, seed)
        agree(page)
        assert submitting.reached.wait(30)
        hand_over(page, other)
        agree(page)
        page.locator("#held").wait_for()
    handed(page)
    assert [status(stack, one) for one in (seed, other)] == ["submitted"] * 2
    assert setting(page, "handovers") == {}


SLOW = """(() => {
  const real = setTimeout;
  setTimeout = (fn, ms, ...more) => real(fn, ms >= 4000 ? 1e8 : ms, ...more);
})()"""
"""No rhythm helps: what is not done when it is due is never done."""


def test_a_session_finished_while_another_is_on_its_way_is_sent_right_after(
    browser: BrowserContext, wire: Between, stack: Stack, seed: dict[str, Any]
) -> None:
    page = signed_in(browser, wire, seed)
    made = [tablet.draft(page, seed, tag) for tag in ("S-1", "S-2")]
    open_again(page, made[1])
    browser.add_init_script(SLOW)
    with wire.held("/field/batches") as sending:
        page.goto(f"{wire.base}/field/#/measure/{made[1]}")
        page.reload()
        tablet.started(page)
        assert sending.reached.wait(30)
        page.get_by_role("button", name="Finish").click()
        until(lambda: states(page)[made[1]] == "ready")
    assert until(lambda: set(states(page).values()) == {"stored"})


def states(page: Page) -> dict[str, str]:
    return {row["id"]: row["state"] for row in tablet.rows(page, "sessions")}


def open_again(page: Page, session: str) -> None:
    """The session as before its last tap: complete, not finished."""
    script = """async (id) => {
      const { openStore } = await import('/static/field/store.js');
      const store = await openStore();
      await store.change(id, (row) => { row.state = 'open'; row.view = { step: 'result' }; });
      store.base.close();
    }"""
    page.evaluate(script, session)


ROOM = """(() => {
  const real = navigator.storage.estimate.bind(navigator.storage);
  navigator.storage.estimate = async () => { window.looking = true; await window.gate; return real(); };
  window.shut = () => {
    window.looking = false;
    window.gate = new Promise((open) => { window.letGo = open; });
  };
})()"""
"""Holds a view of the day between its look at the sessions and its place on the page."""


def test_a_change_while_a_page_is_being_made_is_shown(
    browser: BrowserContext, stack: Stack, seed: dict[str, Any]
) -> None:
    browser.add_init_script(ROOM)
    page = signed_in(browser, stack, seed)
    browser.set_offline(True)
    made = tablet.draft(page, seed, "S-1")
    page.evaluate("(id) => { location.hash = `#/measure/${id}`; }", made)
    page.locator("body[data-view=measure]").wait_for(state="attached")
    page.evaluate("shut(); location.hash = '#/'")
    assert until(lambda: page.evaluate("window.looking"))
    browser.set_offline(False)
    assert until(lambda: (tablet.rows(page, "sessions")[0]["server"] or {}).get("evaluated"))
    page.evaluate("letGo()")
    page.get_by_role("heading", name="Today").wait_for()
    expect(page.get_by_role("heading", name="Not sent yet")).to_have_count(0, timeout=5_000)


REDRAWS = """(() => {
  const real = setTimeout;
  window.kept = [];
  setTimeout = (fn, ms, ...more) => (ms === 60 ? window.kept.push(fn) : real(fn, ms, ...more));
})()"""
"""Keeps the drawings that a change in the store asks for until the test lets them go."""


def test_a_session_that_was_opened_is_not_drawn_anew_for_a_change_before(
    browser: BrowserContext, stack: Stack, seed: dict[str, Any]
) -> None:
    page = signed_in(browser, stack, seed)
    browser.set_offline(True)
    made = [tablet.draft(page, seed, tag) for tag in ("S-1", "S-2")]
    open_again(page, made[1])
    browser.add_init_script(REDRAWS)
    page.goto(page.url.partition("#")[0] + "#/")
    page.reload()
    tablet.started(page)
    browser.set_offline(False)
    assert until(lambda: states(page)[made[0]] == "stored")
    assert page.evaluate("kept.length") > 0, "the day is to be drawn anew"
    page.locator(f"a[href='#/measure/{made[1]}']").click()
    page.locator("body[data-view=measure]").wait_for(state="attached")
    page.evaluate("document.querySelector('#main').firstElementChild.dataset.mine = 'yes'")
    page.evaluate("kept.splice(0).forEach((draw) => draw())")
    page.wait_for_timeout(1_000)
    expect(page.locator("#main > [data-mine=yes]")).to_have_count(1)


def test_two_tabs_both_show_what_one_of_them_sent(
    browser: BrowserContext, stack: Stack, seed: dict[str, Any]
) -> None:
    first = signed_in(browser, stack, seed)
    browser.set_offline(True)
    tablet.draft(first, seed, "S-1")
    browser.add_init_script(SLOW)
    second = browser.new_page()
    second.goto(f"{stack.base_url}/field/#/")
    first.reload()
    for page in (first, second):
        tablet.started(page)
        page.get_by_role("heading", name="Not sent yet").wait_for()
    browser.set_offline(False)
    for page in (first, second):
        expect(page.get_by_role("heading", name="Not sent yet")).to_have_count(0, timeout=30_000)
