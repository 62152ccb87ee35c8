"""The database refuses what collides, also at once; moments are right over changes of the clocks."""

import importlib
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.apps import apps
from django.db import DatabaseError, IntegrityError, transaction
from psycopg.errors import ExclusionViolation

from jobs import dispatch, register, travel
from jobs.bookings import moment, release, spell_of
from jobs.errors import Conflict, DomainError, Forbidden, Invalid
from jobs.models import Company, Event, InstrumentAssignment, Job, PersonAssignment, Site
from jobs.tenancy import growth
from jobs.tenancy.context import company
from tests import factories
from tests.database import owner_connection
from tests.factories import World
from tests.races import at_once

pytestmark = pytest.mark.django_db
LONDON, SYDNEY = ZoneInfo("Europe/London"), ZoneInfo("Australia/Sydney")
SPRING = date(2026, 3, 29)
"""In Europe the clocks go from 01:00 to 02:00 UTC+1 (tz database)."""
AUTUMN = date(2026, 10, 25)


@pytest.fixture
def free(company_a: World) -> World:
    """The first company with nobody planned; the site is in London."""
    with company(company_a.id):
        dispatch.cancel_job(company_a.actor("owner"), company_a.job.id, seen=1, reason="Called off")
    return company_a


def job_on(world: World, first: date, days: int = 1, site: Site | None = None) -> Job:
    where = site or world.site
    system = factories.system(where, f"AHU-{Job.objects.count()}-{where.name}"[:40])
    return factories.job(where, system, starts_on=first, ends_on=first + timedelta(days=days - 1))


def put(world: World, job: Job, **spell: Any) -> PersonAssignment:
    return dispatch.assign_person(world.actor("dispatcher"), job.id, member_id=world.technician.id, **spell)


def test_a_day_holds_the_companys_hours_by_the_sites_clock(free: World) -> None:
    with company(free.id):
        for day, begins in ((SPRING - timedelta(days=1), 7), (SPRING, 6), (AUTUMN, 7)):
            row = put(free, job_on(free, day))
            assert row.starts_at == datetime(day.year, day.month, day.day, begins, tzinfo=UTC)
        Company.objects.update(day_starts=time(6), day_ends=time(14, 30))
        row = put(free, job_on(free, date(2026, 7, 6), 2))
        assert (row.starts_at, row.ends_at) == (
            datetime(2026, 7, 6, 5, tzinfo=UTC),
            datetime(2026, 7, 7, 13, 30, tzinfo=UTC),
        )


def test_a_time_that_the_clocks_skip_or_repeat_is_read_as_rfc_5545_says() -> None:
    """RFC 5545, 3.3.5, whose own example is the same in America/New_York."""
    assert moment(SPRING, time(1, 30), LONDON) == datetime(
        2026, 3, 29, 1, 30, tzinfo=UTC
    )  # 02:30 by the clock
    assert moment(AUTUMN, time(1, 30), LONDON) == datetime(
        2026, 10, 25, 0, 30, tzinfo=UTC
    )  # the first of two
    assert moment(AUTUMN, time(1, 30, fold=1), LONDON) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    new_york = ZoneInfo("America/New_York")
    assert moment(date(2007, 3, 11), time(2, 30), new_york) == datetime(2007, 3, 11, 7, 30, tzinfo=UTC)
    assert moment(date(2007, 11, 4), time(1, 30), new_york) == datetime(2007, 11, 4, 5, 30, tzinfo=UTC)


def test_two_half_days_fit_on_one_day_also_when_it_has_23_hours(free: World) -> None:
    with company(free.id):
        morning, noon = job_on(free, SPRING), job_on(free, SPRING)
        first = put(free, morning, to_time=time(12))
        second = put(free, noon, from_time=time(12))
        assert first.ends_at == second.starts_at == datetime(2026, 3, 29, 11, tzinfo=UTC)
        with pytest.raises(Conflict) as caught:
            put(free, noon, from_time=time(11, 59))
        assert caught.value.faults[0].pointer == "/member"
        assert (
            f"is on job {morning.number} from 2026-03-29 to 2026-03-29 12:00" in caught.value.faults[0].detail
        )
        assert PersonAssignment.objects.get(job=noon).from_time == time(12)


def test_a_night_over_the_change_is_as_long_as_it_is(free: World) -> None:
    with company(free.id):
        night = job_on(free, SPRING - timedelta(days=1), 2)
        row = put(free, night, from_time=time(22), to_time=time(5))
        assert row.ends_at - row.starts_at == timedelta(hours=6)
        with pytest.raises(Invalid) as caught:
            put(free, night, starts_on=SPRING, from_time=time(5), to_time=time(5))
        assert caught.value.faults[0].pointer == "/to_time"


def test_days_that_touch_in_zones_far_apart_collide_as_moments(free: World) -> None:
    with company(free.id):
        far = factories.site(free.customer, "Quay", time_zone="Australia/Sydney")
        put(free, job_on(free, date(2026, 7, 6)))  # to 16:00 UTC
        # 07:00 of the day after in Sydney is 21:00 UTC; 01:00 is 15:00 UTC.
        next_day = job_on(free, date(2026, 7, 7), site=far)
        put(free, next_day)
        with pytest.raises(Conflict):
            put(free, next_day, from_time=time(1))


def test_the_way_between_sites_counts_when_set(free: World) -> None:
    with company(free.id):
        actor = free.actor("dispatcher")
        other = factories.site(free.customer, "Annexe")
        here, there = job_on(free, SPRING), job_on(free, SPRING, site=other)
        put(free, here, to_time=time(12))
        put(free, there, from_time=time(12))
        dispatch.unassign_person(actor, there.id, free.technician.id)
        way = travel.set_minutes(actor, other.id, free.site.id, 40)
        with pytest.raises(Conflict, match="cannot be there in time") as caught:
            put(free, there, from_time=time(12, 30))
        assert "takes 40 min, and 30 are left" in caught.value.faults[0].detail
        put(free, there, from_time=time(12, 40))
        with pytest.raises(Conflict):
            put(free, here, to_time=time(12, 10))  # the other way round
        travel.forget(actor, way.id)
        put(free, here, to_time=time(12, 10))


@pytest.fixture
def spread(django_db_setup: None, settings: Any) -> Iterator[None]:
    """As where the tables are spread over nodes: no trigger looks at ways."""
    change = "ALTER TABLE jobs_personassignment {} TRIGGER person_travel"
    settings.DATABASE_SHARDING = growth.CITUS
    with owner_connection(autocommit=True) as owner:
        owner.execute(change.format("DISABLE"))
    yield
    with owner_connection(autocommit=True) as owner:
        owner.execute(change.format("ENABLE"))


@pytest.mark.django_db(transaction=True)
def test_where_no_trigger_looks_the_action_refuses_short_ways_also_at_once(spread: None) -> None:
    world = factories.make_world()
    with company(world.id):
        dispatch.cancel_job(world.actor("owner"), world.job.id, seen=1, reason="Free everything")
        sites = [factories.site(world.customer, f"Site {n}") for n in range(8)]
        jobs = [job_on(world, SPRING, site=site) for site in sites]
        Company.objects.update(travel_minutes=600)

    def book(number: int) -> str:
        with company(world.id):
            put(world, jobs[number], from_time=time(7 + number), to_time=time(7 + number, 30))
        return "stands"

    found = at_once(*[partial(book, number) for number in range(len(jobs))])
    outcomes = [one.detail if isinstance(one, Conflict) else one for one in found]
    assert outcomes.count("stands") == 1, outcomes
    assert sum("cannot be there in time" in one for one in outcomes) == len(jobs) - 1


def test_the_companys_usual_way_counts_where_a_pair_has_none_of_its_own(free: World) -> None:
    with company(free.id):
        Company.objects.update(travel_minutes=30)
        near = factories.site(free.customer, "Next door")
        here, there = job_on(free, SPRING), job_on(free, SPRING, site=near)
        put(free, here, to_time=time(12))
        with pytest.raises(Conflict):
            put(free, there, from_time=time(12, 29))
        travel.set_minutes(free.actor("dispatcher"), free.site.id, near.id, 5)
        put(free, there, from_time=time(12, 5))
        same_site = job_on(free, SPRING)
        dispatch.unassign_person(free.actor("owner"), there.id, free.technician.id)
        put(free, same_site, from_time=time(12))


def test_travel_is_set_by_planners_for_two_sites_of_the_company(free: World, company_b: World) -> None:
    with company(free.id):
        actor = free.actor("dispatcher")
        other = factories.site(free.customer, "Annexe")
        with pytest.raises(Forbidden):
            travel.set_minutes(free.actor("technician"), free.site.id, other.id, 5)
        for bad in ((free.site.id, free.site.id, 5), (free.site.id, company_b.site.id, 5),
                    (free.site.id, other.id, -1), (free.site.id, other.id, 1441)):  # fmt: skip
            with pytest.raises(Invalid):
                travel.set_minutes(actor, *bad)
        travel.set_minutes(actor, free.site.id, other.id, 5)
        travel.set_minutes(actor, other.id, free.site.id, 7)
        assert [row.minutes for row in travel.times(actor)] == [7]


def raw(world: World, job: Job, **fields: Any) -> PersonAssignment:
    """A row past every action: only the database can refuse it."""
    spell = vars(spell_of(job, Company.objects.get()))
    return PersonAssignment.objects.create(job=job, member=world.technician, **(spell | fields))


def test_the_database_itself_refuses_overlaps_and_short_ways(free: World) -> None:
    with company(free.id):
        other = factories.site(free.customer, "Annexe")
        travel.set_minutes(free.actor("owner"), free.site.id, other.id, 30)
        first, second, third = (job_on(free, SPRING), job_on(free, SPRING), job_on(free, SPRING, site=other))
        held = raw(free, first)
        for job, fields in (
            (second, {}),
            (second, {"starts_at": held.ends_at - timedelta(microseconds=1),
                      "ends_at": held.ends_at + timedelta(hours=1)}),
            (third, {"starts_at": held.ends_at + timedelta(minutes=29),
                     "ends_at": held.ends_at + timedelta(hours=2)}),
        ):  # fmt: skip
            with pytest.raises(IntegrityError) as caught, transaction.atomic():
                raw(free, job, **fields)
            assert isinstance(caught.value.__cause__, ExclusionViolation)
        free_row = raw(free, second, holds=False)
        with pytest.raises(IntegrityError), transaction.atomic():
            PersonAssignment.objects.filter(id=free_row.id).update(holds=True)
        raw(
            free,
            third,
            starts_at=held.ends_at + timedelta(minutes=30),
            ends_at=held.ends_at + timedelta(hours=2),
        )
        tool = free.instruments["hood"]
        spell = vars(spell_of(first, Company.objects.get()))
        InstrumentAssignment.objects.create(job=first, instrument=tool, **spell)
        with pytest.raises(IntegrityError), transaction.atomic():
            InstrumentAssignment.objects.create(job=second, instrument=tool, **spell)


def test_another_companys_bookings_are_in_nobodys_way(free: World, company_b: World) -> None:
    with company(free.id):
        raw(free, job_on(free, SPRING))
    with company(company_b.id):
        raw(company_b, job_on(company_b, SPRING))


def test_a_sites_new_time_zone_moves_what_is_planned_there(free: World) -> None:
    with company(free.id):
        one, two = job_on(free, SPRING), job_on(free, SPRING)
        put(free, one, to_time=time(12))
        put(free, two, from_time=time(12))
        site = Site.objects.get(id=free.site.id)
        register.change_site(
            free.actor("owner"), site.id, seen=site.version, changes={"time_zone": "America/New_York"}
        )
        rows = PersonAssignment.objects.order_by("starts_at").filter(holds=True)
        assert [row.starts_at.hour for row in rows] == [11, 16]


def test_an_approved_job_lets_go_and_one_opened_again_takes_nobody_back(free: World) -> None:
    with company(free.id):
        one, two = job_on(free, SPRING), job_on(free, SPRING)
        put(free, one)
        release(one)
        put(free, two)
        with pytest.raises(Conflict):
            put(free, one)


def test_a_place_is_handed_over_as_one_act(free: World) -> None:
    with company(free.id):
        actor, job, clash = free.actor("dispatcher"), job_on(free, SPRING), job_on(free, SPRING)
        put(free, job)
        dispatch.assign_person(actor, clash.id, member_id=free.supervisor.id)
        with pytest.raises(Conflict):
            dispatch.move_person(actor, job.id, free.technician.id, member_id=free.supervisor.id)
        assert [row.member_id for row in job.people.all()] == [free.technician.id]
        dispatch.unassign_person(actor, clash.id, free.supervisor.id)
        dispatch.move_person(actor, job.id, free.technician.id, member_id=free.supervisor.id)
        assert [row.member_id for row in job.people.all()] == [free.supervisor.id]
        verbs = list(Event.objects.filter(subject_id=job.id).order_by("id").values_list("verb", flat=True))
        assert verbs[-2:] == ["person.unassigned", "person.assigned"]


def test_what_was_planned_in_days_before_gets_its_moments(free: World) -> None:
    """The migration's own function, run on rows as the earlier release left them: days that touch in zones
    far apart overlap as moments, and the later booking does not hold then."""
    fill = importlib.import_module("jobs.migrations.0005_plan_moments").fill
    with company(free.id):
        far = factories.site(free.customer, "Quay", time_zone="Pacific/Kiritimati")
        west = factories.site(free.customer, "West", time_zone="Pacific/Honolulu")
        days = [(west, date(2026, 7, 6)), (far, date(2026, 7, 7)), (free.site, date(2026, 7, 9))]
        wrong = {"starts_at": datetime(2000, 1, 1, tzinfo=UTC), "ends_at": datetime(2000, 1, 2, tzinfo=UTC)}
        rows = [raw(free, job_on(free, day, site=site), holds=False, **wrong) for site, day in days]
        fill(apps, None)
        for row in rows:
            row.refresh_from_db()
        assert [row.holds for row in rows] == [True, False, True]
        assert rows[0].starts_at == datetime(2026, 7, 6, 17, tzinfo=UTC)
        assert rows[1].starts_at == datetime(2026, 7, 6, 17, tzinfo=UTC)
        assert rows[2].ends_at == datetime(2026, 7, 9, 16, tzinfo=UTC)


MANY = 50


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("how", ["action", "bare rows", "short ways"])
def test_of_fifty_bookings_at_once_one_stands(how: str) -> None:
    """By actions; by rows past every action and its locks; and at fifty sites, with gaps that only the
    trigger refuses."""
    world = factories.make_world()
    with company(world.id):
        dispatch.cancel_job(world.actor("owner"), world.job.id, seen=1, reason="Free everything")
        sites = [factories.site(world.customer, f"Site {n}") for n in range(MANY)]
        jobs = [job_on(world, SPRING, site=site if how != "action" else None) for site in sites]
        if how == "short ways":
            Company.objects.update(travel_minutes=600)

    def book(number: int) -> str:
        with company(world.id):
            if how == "action":
                put(world, jobs[number])
            elif how == "bare rows":
                raw(world, jobs[number])
            else:
                begins = datetime(2026, 3, 29, 6, tzinfo=UTC) + timedelta(minutes=10 * number)
                raw(world, jobs[number], starts_at=begins, ends_at=begins + timedelta(minutes=5))
        return "stands"

    def told(one: Any) -> str:
        if isinstance(one, DatabaseError):
            return type(one.__cause__).__name__
        return one.code if isinstance(one, DomainError) else str(one)

    found = at_once(*[partial(book, number) for number in range(MANY)], told=(DomainError, DatabaseError))
    refused = "conflict" if how == "action" else "ExclusionViolation"
    assert Counter(told(one) for one in found) == {"stands": 1, refused: MANY - 1}
    with company(world.id):
        assert PersonAssignment.objects.filter(holds=True).count() == 1
