"""Whatever is sent in whatever order: no reading is lost, doubled or changed, and nothing fails."""

from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis.stateful import run_state_machine_as_test

from jobs.tenancy.context import company
from tests.factories import World
from tests.reports import scene
from tests.soak.amounts import LONG, SEED, amount, tell
from tests.soak.life import Life

SHORT, LONGEST = 3, 2_000


@pytest.fixture
def prepared(company_a: World) -> World:
    with company(company_a.id):
        scene.fine_tools(company_a)
    scene.whole(company_a)
    return company_a


def test_P19_the_life_of_a_job_in_any_order(prepared: World) -> None:
    tally: dict[str, int] = {}
    told: Any = type("Told", (Life,), {"world": prepared, "tally": tally})
    shrink = () if LONG else (Phase.shrink,)
    run_state_machine_as_test(
        seed(SEED)(told),
        settings=settings(
            max_examples=amount(SHORT, LONGEST), stateful_step_count=30 if LONG else 20, deadline=None,
            phases=[Phase.generate, *shrink], suppress_health_check=list(HealthCheck), database=None,
            derandomize=False, print_blob=True,
        ),
    )  # fmt: skip
    tell("sequences", tally["sequences"], f"of {tally.get('steps', 0)} requests")
    for name in ("approvals", "reports", "booked", "taken off", "bookings refused"):
        tell(f"{name} in them", tally.get(name, 0))
    if LONG:
        assert tally.get("approvals", 0) >= tally["sequences"] // 20
    assert tally["sequences"] >= amount(SHORT, LONGEST)
