"""Row security alone, with the application's own filters off: no door tells one company of another."""

from collections.abc import Iterator
from uuid import UUID

import pytest

from tests.database import owner_connection
from tests.doors import unfiltered, walk
from tests.factories import FIRST, SECOND
from tests.soak.amounts import SEED, amount, tell
from tests.soak.probes import Prober, drawn, without_the_moment

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


OF_A_COMPANY = "01a21774-6e16-7f7c-ac58-115d20830d60"


@pytest.mark.parametrize(
    ("one", "two", "alike"),
    [
        ('nonce="aB3+/="', 'nonce="xY9+/="', True),
        ("urn:request:r-1", "urn:request:r-2", True),
        ("01a21774-6e16-7f7c-ac58-000000000001", "01a21774-6e16-7f7c-ac58-000000000002", True),
        (OF_A_COMPANY, "01a21774-6e16-7f7c-ac58-000000000002", False),
        (f"urn:request:{OF_A_COMPANY}", "urn:request:r-2", False),
        ("12 jobs", "13 jobs", False),
    ],
)
def test_P4_answers_are_compared_but_for_the_moment(one: str, two: str, *, alike: bool) -> None:
    asked, secrets = UUID(int=1), {OF_A_COMPANY.encode()}
    seen = [without_the_moment((200, {}, text.encode()), asked, secrets) for text in (one, two)]
    assert (seen[0] == seen[1]) is alike


def test_P4_a_header_that_only_one_answer_has_is_a_difference() -> None:
    asked: UUID = UUID(int=1)
    one, two = ({"ETag": '"1"'}, {})
    assert without_the_moment((404, one, b""), asked, set()) != without_the_moment(
        (404, two, b""), asked, set()
    )
