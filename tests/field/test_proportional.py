"""The tablet's proportional balancing: the service's plan for the same readings, on many drawn branches."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import numpy as np
import pytest
from playwright.sync_api import Page

from measurements.balancing.rounds import Figure, Move, stands, surveys
from measurements.balancing.steps import ALIKE
from measurements.calc.network import TRUNK, Damper, Network, Outlet, Reading, Round, Supply, SupplyKind
from measurements.calc.network_plan import make_plan
from measurements.calc.network_ratio import ratio_order
from measurements.calc.network_shares import shares
from measurements.calc.network_steps import live_target
from tests.field.modules import called, module_page
from tests.standards.records import record

pytestmark = pytest.mark.browser
START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    with module_page() as found:
        yield found


def drawn(seed: int) -> list[dict[str, Any]]:
    """A branch of 2 to 14 outlets; some without a damper, without flow, reversed or meant to be shut."""
    rng = np.random.default_rng(seed)
    rows = []
    for n in range(int(rng.integers(2, 15))):
        design = float(rng.choice([0.05, 0.08, 0.1, 0.12]))
        flow = round(design * float(rng.uniform(0.4, 1.6)), 4)
        damper = str(rng.choice(["open", "open", "open", "set", "none"]))
        odd = rng.uniform()
        if n and odd < 0.05:
            flow = 0.0
        elif n and odd < 0.1:
            flow = -flow
        elif n and odd < 0.15:
            design = 0.0
        rows.append({"tag": f"O{n}", "design": design, "flow": flow, "damper": damper})
    return rows


def by_service(rows: list[dict[str, Any]]) -> dict[str, Any]:
    network = Network(
        tuple(Outlet(r["tag"], TRUNK, r["design"], Damper(r["damper"])) for r in rows),
        (),
        Supply(SupplyKind.UNKNOWN),
    )
    survey = Round(tuple(Reading(r["tag"], r["flow"], 0.01 * abs(r["flow"])) for r in rows), (), ALIKE)
    plan, seen = make_plan(network, [survey]), shares(network, survey)
    against = {step.tag: step.against for step in ratio_order(network, survey)}
    relative = [one.relative.value for one in seen.outlets if one.relative is not None]
    return {
        "reference": dict(plan.references)[TRUNK],
        "level": plan.level.value,
        "lowest": min(relative),
        "highest": max(relative),
        "steps": [
            (s.tag, s.action.value, s.before.value, s.target.value, s.share, against.get(s.tag))
            for s in plan.steps
        ],
        "witness": [s.witness.expected.value if s.witness else None for s in plan.steps],
    }


def test_the_plan_is_the_services_on_two_hundred_branches(page: Page) -> None:
    cases = [drawn(seed) for seed in range(200)]
    found = called(page, "proportional", "plan", [[rows] for rows in cases])
    turned = watched = 0
    for rows, got in zip(cases, found, strict=True):
        wanted = by_service(rows)
        assert got["reference"] == wanted["reference"]
        for name in ("level", "lowest", "highest"):
            assert got[name] == pytest.approx(wanted[name], rel=1e-9)
        steps = [
            (s["tag"], s["action"], s["before"], s["target"], s["share"], s["against"]) for s in got["steps"]
        ]
        assert [s[:2] for s in steps] == [s[:2] for s in wanted["steps"]]
        assert [s[5] for s in steps if s[1] != "shut" and s[5]] == [
            s[5] for s in wanted["steps"] if s[1] != "shut" and s[5]
        ]
        for mine, theirs in zip(steps, wanted["steps"], strict=True):
            assert mine[2:4] == pytest.approx(theirs[2:4], rel=1e-9)
            assert mine[4] == (None if theirs[4] is None else pytest.approx(theirs[4], rel=1e-9))
        turned += len(steps)
        for step, expected in zip(got["steps"], wanted["witness"], strict=True):
            if expected is not None:
                assert step["watchAfter"] == pytest.approx(expected, rel=1e-9)
                watched += 1
    assert turned > 500
    assert watched > 100


def test_the_lowest_share_of_a_published_exercise_stays_open(page: Page) -> None:
    """tests/standards: `tol-ratio`, the proportional method's ratios of design and measured flows."""
    r = record("tol-ratio")
    pairs = zip(r.value("design"), r.value("measured"), strict=True)
    rows = [{"tag": str(n), "design": d, "flow": q, "damper": "open"} for n, (d, q) in enumerate(pairs)]
    (found,) = called(page, "proportional", "plan", [[rows]])
    assert found["reference"] == "2"
    assert "2" not in [step["tag"] for step in found["steps"]]
    assert all(step["action"] == "close" for step in found["steps"])


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([], "design flow"),
        ([{"tag": "a", "design": 0.0, "flow": 0.1, "damper": "open"}], "design flow"),
        ([{"tag": "a", "design": 0.1, "flow": 0.0, "damper": "open"}], "any flow"),
        ([{"tag": "a", "design": 0.1, "flow": -0.1, "damper": "open"}], "any flow"),
        ([{"tag": "a", "design": 0.1, "flow": None, "damper": "open"}], "any flow"),
    ],
)
def test_what_has_no_plan_says_why(page: Page, rows: list[dict[str, Any]], words: str) -> None:
    (found,) = called(page, "proportional", "plan", [[rows]])
    assert words in found["fault"]


SETTINGS = ["", "open", "Fully open", "100 %", "8 of 8", "8/8", "half open", "not open", "3 of 8", "3/8",
            "0 of 0", "2.5 turns", "no damper", "None", "closed", "5 of 4", "opened"]  # fmt: skip


def test_settings_are_read_as_the_service_reads_them(page: Page) -> None:
    found = called(page, "proportional", "stands", [[text] for text in SETTINGS])
    assert found == [stands(text).value for text in SETTINGS]


def test_surveys_are_the_services(page: Page) -> None:
    """Drawn courses of readings and turnings of up to five outlets."""
    points = [UUID(int=n + 1) for n in range(5)]
    for seed in range(60):
        rng = np.random.default_rng(seed)
        mine = points[: int(rng.integers(1, 6))]
        figures, moves = [], []
        for minute in range(int(rng.integers(1, 40))):
            at = START + timedelta(minutes=minute)
            if rng.uniform() < 0.04:
                moves.append(Move(UUID(int=99), at))
                continue
            value = None if rng.uniform() < 0.08 else 0.1
            point = mine[int(rng.integers(0, len(mine)))]
            moved = bool(rng.uniform() < 0.15)
            figures.append(Figure(UUID(int=minute + 1), point, at, "hood_reading", "", value, moved=moved))
        wanted = surveys(mine, figures, moves)
        got = page.evaluate(
            """async ([points, figures, moves]) => {
              const { surveys } = await import('/field/proportional.js');
              const found = surveys(points, figures, moves);
              return {
                complete: found.complete.map(
                  (one) => [...one.readings].map(([point, f]) => [point, f.at]).sort()),
                turned: [...found.turned].sort(), since: [...found.since.keys()].sort(),
              };
            }""",
            [
                [str(p) for p in mine],
                [
                    {"point": str(f.point), "at": f.at.timestamp(), "value": f.value, "moved": f.moved}
                    for f in figures
                ],
                [m.at.timestamp() for m in moves],
            ],
        )
        assert got["complete"] == [
            sorted([str(p), f.at.timestamp()] for p, f in one.readings.items()) for one in wanted.complete
        ]
        assert got["turned"] == sorted(map(str, wanted.turned))
        assert got["since"] == sorted(map(str, wanted.since))


def test_the_target_follows_a_surprise_as_the_service_has_it(page: Page) -> None:
    rows = [r for r in drawn(5) if r["design"] > 0.0 and r["flow"] > 0.0]
    network = Network(
        tuple(Outlet(r["tag"], TRUNK, r["design"]) for r in rows), (), Supply(SupplyKind.UNKNOWN)
    )
    survey = Round(tuple(Reading(r["tag"], r["flow"], 0.02 * r["flow"]) for r in rows), (), ALIKE)
    for step in make_plan(network, [survey]).steps:
        witness = step.witness
        plain = {
            "action": step.action.value,
            "before": step.before.value,
            "target": step.target.value,
            "gain": step.gain,
            "witness": None
            if witness is None
            else {
                "expected": witness.expected.value,
                "gain_before": witness.gain_before,
                "gain": witness.gain,
            },
        }
        before, other = 1.06 * step.before.value, 1.03 * (witness.expected.value if witness else 1.0)
        calls = [[plain, before, None], [plain, before, other], [plain, 0.0, None]]
        found = called(page, "proportional", "liveTarget", calls)
        assert found[0] == pytest.approx(live_target(step, before))
        assert found[1] == pytest.approx(live_target(step, before, other if witness else None))
        assert found[2] == step.target.value
