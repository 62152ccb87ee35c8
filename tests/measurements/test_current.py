"""Which session of a test point counts."""

from datetime import timedelta

import pytest

from jobs.tenancy.context import company
from measurements.current import current_sessions
from tests import factories
from tests.factories import World
from tests.measurements import batches, methods


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


def test_several_methods_find_one_flow_and_any_other_stands_for_itself(company_a: World) -> None:
    with company(company_a.id):
        world = methods.equip(company_a)
    posted = [one(world) for one in (methods.fan, methods.profile)]
    on = {"test_point": posted[0]["test_point"]}
    posted += [one | on for one in (methods.profile(world), batches.hood(world))]
    outcomes = batches.post(world, *posted)
    assert [one.outcome for one in outcomes] == ["stored"] * 4, outcomes
    with company(world.id):
        current = {one.id for one in current_sessions([world.job.id])}
    assert current == set(batches.ids(posted))


def test_each_job_has_its_own(company_a: World) -> None:
    with company(company_a.id):
        other = factories.job(company_a.site, company_a.system)
    mine, others = batches.hood(company_a), batches.hood(company_a, job=str(other.id))
    batches.post(company_a, mine, others)
    with company(company_a.id):
        for job, session in ((company_a.job, mine), (other, others)):
            [current] = current_sessions([job.id])
            assert current.id == batches.ids([session])[0]
        assert len(current_sessions([company_a.job.id, other.id])) == 2


def test_of_one_kind_the_newest_counts(company_a: World) -> None:
    earlier = (batches.now() - timedelta(minutes=11)).isoformat()
    new, old = batches.hood(company_a), batches.hood(company_a, started_at=earlier)
    batches.post(company_a, new, old)
    with company(company_a.id):
        [current] = current_sessions([company_a.job.id])
    assert current.id == batches.ids([new])[0]
