"""Which session of a test point counts."""

from datetime import timedelta

import pytest

from jobs.tenancy.context import company
from measurements.current import current_sessions
from tests.factories import World
from tests.measurements import batches


@pytest.mark.parametrize("screened_last", [True, False])
def test_what_may_carry_a_verdict_goes_before_a_screening_reading_however_new(
    company_a: World, screened_last: bool
) -> None:
    earlier = (batches.now() - timedelta(minutes=11)).isoformat()
    screening = batches.centreline(company_a, "MD-1", **({} if screened_last else {"started_at": earlier}))
    traverse = batches.traverse(company_a, "MD-1", **({"started_at": earlier} if screened_last else {}))
    for one in (screening, traverse):
        assert batches.post(company_a, one)[0].outcome == "stored"
        with company(company_a.id):
            [current] = current_sessions([company_a.job.id])
    assert current.id == batches.ids([traverse])[0]


def test_of_one_kind_the_newest_counts(company_a: World) -> None:
    earlier = (batches.now() - timedelta(minutes=11)).isoformat()
    new, old = batches.hood(company_a), batches.hood(company_a, started_at=earlier)
    batches.post(company_a, new, old)
    with company(company_a.id):
        [current] = current_sessions([company_a.job.id])
    assert current.id == batches.ids([new])[0]
