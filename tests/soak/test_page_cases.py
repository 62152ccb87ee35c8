"""No form of a page, however it is filled in, makes the service fail or tell of its inside."""

import pytest

from tests.doors import walk
from tests.factories import FIRST
from tests.soak import page_cases
from tests.soak.amounts import LONG, SEED, amount, tell

CASES = 5_000


@pytest.mark.django_db
def test_P19_no_form_of_a_page_fails() -> None:
    found = page_cases.run(walk.full_world(FIRST), amount(60, CASES), SEED, part=1.0 if LONG else 0.2)
    tell("forms of pages", found.forms, "shown to some role")
    tell("forms sent", found.cases)
    tell("forms answered 5xx or telling of the inside", len(found.wrong))
    tell("forms by status", dict(sorted(found.statuses.items())))
    assert found.forms > (100 if LONG else 10)  # else no page was read
    assert not found.wrong, "\n".join(found.wrong[:10])
