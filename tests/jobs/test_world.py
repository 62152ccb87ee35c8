"""The world that other tests stand on is itself valid."""

import pytest

from jobs.access import Action, may
from jobs.models import Job
from jobs.numbers import next_number
from jobs.tenancy.context import company
from tests.factories import FIRST, SECOND, make_world

pytestmark = pytest.mark.django_db


def test_two_companies_have_their_own_world() -> None:
    worlds = [make_world(FIRST), make_world(SECOND)]
    for world in worlds:
        with company(world.id):
            assert [job.id for job in Job.objects.all()] == [world.job.id]
            assert world.job.number == 1
            assert may(world.actor("dispatcher"), Action.PLAN)
            assert not may(world.actor("technician"), Action.PLAN)


def test_numbers_count_up_by_series_and_company() -> None:
    worlds = [make_world(FIRST), make_world(SECOND)]
    for world in worlds:
        with company(world.id):
            assert [next_number("job"), next_number("job")] == [2, 3]
            assert next_number("report") == 1
