"""Row security alone, with the application's own filters off: no door tells one company of another."""

from collections.abc import Iterator

import pytest

from tests.database import owner_connection
from tests.doors import unfiltered, walk
from tests.factories import FIRST, SECOND
from tests.soak.amounts import SEED, amount, tell
from tests.soak.probes import Prober, drawn

SHORT, LONG = 250, 6_000


def prober(monkeypatch: pytest.MonkeyPatch) -> Prober:
    theirs, ours = walk.full_world(FIRST), walk.full_world(SECOND)
    made = Prober(theirs, ours)
    unfiltered.patch(monkeypatch)
    return made


@pytest.mark.django_db
def test_P4_with_all_filters_off_no_probe_finds_another_company(monkeypatch: pytest.MonkeyPatch) -> None:
    asking = prober(monkeypatch)
    every = asking.all()
    found = asking.run(drawn(every, amount(SHORT, LONG), SEED))
    tell("probes of another company", found.probes, f"of {len(every)} at {len(found.doors)} doors")
    tell("leaks", len(found.leaks))
    tell("answers by status", found.answers)
    assert not found.leaks, "\n".join(found.leaks[:40])
    assert not found.failures, found.failures[:20]


DEFECTS = {
    "policy that lets all through": (
        "ALTER POLICY tenant ON jobs_customer USING (true) WITH CHECK (true)",
        "ALTER POLICY tenant ON jobs_customer USING (company_id = (select app_company()))"
        " WITH CHECK (company_id = (select app_company()))",
    ),
    "row security switched off": (
        "ALTER TABLE jobs_customer DISABLE ROW LEVEL SECURITY",
        "ALTER TABLE jobs_customer ENABLE ROW LEVEL SECURITY",
    ),
}


@pytest.fixture(params=DEFECTS)
def defect(request: pytest.FixtureRequest, django_db_setup: None) -> Iterator[str]:
    """One fault in the catalogue, for the length of a test; set before its transaction, mended after it."""
    plant, mend = DEFECTS[request.param]
    with owner_connection(autocommit=True) as owner:
        owner.execute(plant)
    yield request.param
    with owner_connection(autocommit=True) as owner:
        owner.execute(mend)


def test_P4_one_policy_less_and_the_probes_find_it(
    defect: str, db: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    asking = prober(monkeypatch)
    chosen = [
        one for one in asking.all() if "customer" in one.door and one.kind in ("customer_id", "jobs.Customer")
    ]
    found = asking.run(drawn(chosen, 30, SEED))
    assert found.leaks, defect
