"""A branch of six outlets balanced on a tablet without network in two rounds, then the fan sheet."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Page, Playwright

from config.local.stack import Stack
from tests.calc.duct_system import DuctSystem, random_system
from tests.field import tablet
from tests.field.balance_seed import DESIGNS
from tests.field.test_tablet import ask, until
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted

pytestmark = [pytest.mark.journey, pytest.mark.browser]


@pytest.fixture(scope="module")
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.field.balance_seed")


def branch() -> DuctSystem:
    """Six outlets on one duct, with the physics of an invented building and the seed's designs."""
    air = random_system(3)
    keep = [n for n, of in enumerate(air.branch_of) if of == "B5"]
    tags = list(DESIGNS)
    segments = [j for j in range(air.path.shape[1]) if air.path[keep, j].any()]
    number = {old: new for new, old in enumerate(segments)}
    designs = np.array([DESIGNS[tag] for tag in tags])
    total = float(designs.sum())
    return DuctSystem(
        tags, ["BD-1"] * 6, designs, air.path[np.ix_(keep, segments)], air.k[segments],
        [number.get(air.upstream[j], -1) for j in segments], air.takeoff[segments],
        air.terminal[keep] * (air.design[keep] / designs) ** 2, ["BD-1"], [0],
        (300.0, 40.0 / total, 130.0 / total**2), np.random.default_rng(7),
    )  # fmt: skip


def enter(page: Page, flow: float) -> None:
    """A figure on the keypad, in L/s, kept."""
    field = page.locator(".keypad-input")
    field.fill(f"{1000 * flow:.1f}")
    page.get_by_role("button", name="Keep this reading").click()


def next_tag(page: Page) -> str:
    return page.locator(".round-next h2 strong").inner_text()


def kept(page: Page) -> None:
    """Waits until the entry is closed and the next thing to do is shown."""
    page.locator(".round-enter").wait_for(state="detached")


def read_all(page: Page, air: DuctSystem, count: int, *, marked: bool = False) -> None:
    for _ in range(count):
        tag = next_tag(page)
        page.get_by_role("button", name="Enter the reading").click()
        if marked:
            setting = page.get_by_label("Damper stands at")
            if not setting.input_value():
                setting.fill("open")
            page.get_by_label("Marked on the damper").check()
        enter(page, air.read(tag))
        if marked:
            page.get_by_role("button", name="Not now").click()
        kept(page)


def turn_all(page: Page, air: DuctSystem, first: int) -> list[str]:
    """Every damper of the plan, with a look at the outlet that stays open before each; their tags."""
    turned: list[str] = []
    while page.get_by_role("button", name="Set and read").count():
        tag, stays = next_tag(page), page.get_by_text("stays open; the others").inner_text().split()[0]
        if turned:
            page.get_by_role("button", name=f"{stays} shows something else").click()
            page.locator(".keypad-input").fill(f"{1000 * air.read(stays):.1f}")
            page.get_by_role("button", name="Correct the targets").click()
            page.get_by_role("button", name="Set and read").wait_for()
        target = float(page.locator(".round-target").inner_text().split()[0])
        page.get_by_role("button", name="Set and read").click()
        page.get_by_role("button", name="Keep this reading").click()
        page.get_by_text("Nothing is entered yet").wait_for()
        air.set_outlet(tag, target / 1000.0)
        shown = air.read(tag)
        enter(page, shown)
        page.get_by_text("Tell where the damper stands now").wait_for()
        page.get_by_label("Damper stands at").fill(f"{first + len(turned)} of 9")
        enter(page, shown)
        kept(page)
        turned.append(tag)
    return turned


def begin(page: Page, seed: dict[str, Any]) -> None:
    page.goto(page.url.split("#")[0] + f"#/round/{seed['job']}/{seed['system']}")
    page.get_by_label("Air temperature").fill("21.4")
    page.get_by_role("button", name="Start the round").click()


def shares(air: DuctSystem) -> Any:
    flows = air.flows() / air.design
    return flows / (air.flows().sum() / air.design.sum())


def test_a_branch_is_balanced_without_network_in_two_rounds(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    air = branch()
    assert float(np.abs(shares(air) - 1.0).max()) > 0.1
    with tablet.profile(play, tmp_path / "one") as browser:
        page = tablet.opened(browser, stack.base_url)
        complaints = complaints_of(page)
        tablet.pair(page, seed)
        page.locator(".rows a").first.wait_for()
        tablet.kept(page)
        browser.set_offline(True)
        page.get_by_text("No network").wait_for()
        begin(page, seed)
        page.get_by_role("heading", name="Next: read").wait_for()
        read_all(page, air, 6)
        turned = turn_all(page, air, 1)
        assert len(turned) >= 3
        page.get_by_role("heading", name="Next: read again").wait_for()
        page.reload()  # nothing is lost when the page is
        tablet.started(page)
        left = page.get_by_text("outlets are left").inner_text()
        read_all(page, air, int(left.split()[0]), marked=True)
        page.get_by_role("heading", name="Equal:").wait_for()
        assert float(np.abs(shares(air) - 1.0).max()) < 0.05
        rows = tablet.rows(page, "sessions")
        assert len(rows) == 6 + len(turned) + int(left.split()[0])
        assert {row["state"] for row in rows} == {"ready"}
        browser.set_offline(False)
        page.get_by_text("All is sent").wait_for()
        assert not [one for one in complaints if "ERR_INTERNET_DISCONNECTED" not in one]
    path = f"field/jobs/{seed['job']}/systems/{seed['system']}/balance"
    found = until(lambda: evaluated(ask(stack, seed, path)), 60)
    (branch_of,) = found["branches"]
    assert branch_of["do"] == "equal"
    assert branch_of["surveys"] == 2
    points = {one["tag"]: one for one in found["points"] if one["kind"] == "outlet"}
    assert [one["turned"] for one in points[turned[0]]["rounds"]] == [False, True, False]
    assert sum(len(one["rounds"]) for one in points.values()) == len(rows)
    assert all(one["marked"] for one in points.values() if one["tag"] != turned[-1])


def test_a_reading_above_the_nameplate_says_stop_at_once_and_is_kept_as_read(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with tablet.profile(play, tmp_path / "two") as browser:
        page = tablet.opened(browser, stack.base_url)
        tablet.pair(page, seed, 1)
        page.locator(".rows a").first.wait_for()
        page.goto(f"{stack.base_url}/field/#/fan/{seed['job']}/{seed['points']['F-1']}")
        for label, value in PLATE.items():
            page.get_by_label(label).fill(value)
        page.get_by_role("button", name="Keep the nameplate").click()
        page.get_by_text("Never run the motor above its nameplate").wait_for()
        stop = page.get_by_text("Stop: a limit is passed")
        for label, value in READ.items():
            page.get_by_label(label).fill(value)
        assert stop.count() == 0
        page.get_by_label("Current, phase 2").fill("3.45")
        stop.wait_for()
        assert "above the limit of 3.2" in page.locator(".fan-stop").inner_text()
        tablet.holds(page, f"fan:{seed['job']}:{seed['points']['F-1']}", "current:2", "3.45")
        page.reload()  # what was typed is kept
        tablet.started(page)
        stop.wait_for()
        page.get_by_label("Speed of the fan", exact=True).fill("1501")
        assert "1501" in page.locator(".fan-stop").inner_text().replace("\u202f", "")
        page.get_by_label("Speed of the fan", exact=True).fill("1000")
        page.get_by_role("button", name="Finish the sheet").click()
        page.get_by_text("Test of").wait_for()
        # the tablet stays on until the service has it and has evaluated it
        path = f"field/jobs/{seed['job']}/systems/{seed['system']}/balance"
        fan = until(lambda: next((f for f in ask(stack, seed, path)["fans"] if f["tests"]), None), 120)
        assert fan
    assert fan["plate"]["nameplate_current"] == 3.2
    assert fan["plate"]["maximum_speed"] == pytest.approx(25.0)
    assert fan["found"]["current"]["value"] == pytest.approx((1.2 + 3.45 + 1.22) / 3, rel=0.01)


PLATE = {"Motor current": "3.2", "Motor power": "1.5", "Motor voltage": "400",
         "Maximum speed of the fan": "1500", "Service factor": "1.15"}  # fmt: skip
READ = {"Speed of the fan": "1000", "Current, phase 1": "1.20", "Current, phase 2": "1.25",
        "Current, phase 3": "1.22", "Static pressure before": "-40", "Static pressure after": "120",
        "Flow through the fan": "400", "Area of the duct": "0.12", "Air temperature": "21.4"}  # fmt: skip


def evaluated(found: dict[str, Any]) -> dict[str, Any] | None:
    outlets = [one for one in found["points"] if one["kind"] == "outlet"]
    read = [one for one in outlets if one["rounds"] and one["rounds"][-1]["outcome"] == "computed"]
    return found if len(read) == 6 else None
