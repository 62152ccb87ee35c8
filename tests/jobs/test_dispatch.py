"""Planning: no double booking, not even by two at once; certificates and ranges are looked at."""

import threading
from datetime import date, timedelta
from functools import partial
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from jobs.dispatch import (
    assign_instrument,
    assign_person,
    cancel_job,
    change_job,
    move_instrument,
    move_person,
    plan_job,
    unassign_instrument,
    unassign_person,
)
from jobs.errors import Conflict, Forbidden, Invalid, NotFound, PreconditionFailed
from jobs.models import (
    Company,
    Event,
    InstrumentAssignment,
    InstrumentKind,
    Job,
    Lapse,
    PersonAssignment,
    Quantity,
    Role,
)
from jobs.readiness import State, readiness
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World
from tests.races import at_once, wait_until_blocked

pytestmark = pytest.mark.django_db


def plan(world: World, **fields: Any) -> Job:
    values = {"title": "Second job", "site_id": world.site.id, "system_ids": [world.system.id]}
    days = {"starts_on": world.job.starts_on, "ends_on": world.job.ends_on}
    return plan_job(world.actor("dispatcher"), **(values | days | fields))


def test_a_job_gets_the_next_number_its_systems_and_an_event(company_a: World) -> None:
    with company(company_a.id):
        job = plan(company_a)
        assert (job.number, job.status) == (2, "open")
        assert [one.system_id for one in job.job_systems.all()] == [company_a.system.id]
        assert Event.objects.get(subject_id=job.id).verb == "job.planned"
        assert plan(company_a).number == 3


def test_a_plan_that_fails_takes_no_number(company_a: World, company_b: World) -> None:
    with company(company_a.id):
        for bad in (
            {"system_ids": []},
            {"system_ids": [company_b.system.id]},
            {"site_id": company_b.site.id},
            {"ends_on": company_a.job.starts_on - timedelta(days=1)},
            {"ends_on": date(2099, 1, 1)},
            {"title": ""},
            {"tolerance_below": 7.0},
        ):
            with pytest.raises(Invalid):
                plan(company_a, **bad)
        assert plan(company_a).number == 2


@pytest.mark.parametrize(
    ("below", "above", "places"),
    [
        (0.0, 0.0, ["/tolerance_above"]),
        (0.0, -0.1, ["/tolerance_above"]),
        (-0.1, 0.0, ["/tolerance_below"]),
        (1.1, 1.1, ["/tolerance_below", "/tolerance_above"]),
        (0.0, 1.0, []),
        (1.0, 0.0, []),
    ],
)
def test_a_tolerance_is_a_share_and_not_nothing(
    company_a: World, below: float, above: float, places: list[str]
) -> None:
    with company(company_a.id):
        if not places:
            assert plan(company_a, tolerance_below=below, tolerance_above=above)
            return
        with pytest.raises(Invalid) as refused:
            plan(company_a, tolerance_below=below, tolerance_above=above)
    assert [one.pointer for one in refused.value.faults] == places


def test_only_planners_plan_and_only_in_their_company(company_a: World, company_b: World) -> None:
    with company(company_a.id):
        for role in ("technician", "supervisor"):
            with pytest.raises(Forbidden):
                cancel_job(company_a.actor(role), company_a.job.id, seen=1, reason="x")
            with pytest.raises(Forbidden):
                assign_person(company_a.actor(role), company_a.job.id, member_id=company_a.technician.id)
        with pytest.raises(NotFound):
            assign_person(company_a.actor("owner"), company_b.job.id, member_id=company_a.technician.id)
        with pytest.raises(Invalid):
            assign_person(company_a.actor("owner"), company_a.job.id, member_id=company_b.technician.id)


def test_a_person_is_on_one_job_a_day(company_a: World) -> None:
    with company(company_a.id):
        job, actor = plan(company_a), company_a.actor("dispatcher")
        with pytest.raises(Conflict) as caught:
            assign_person(actor, job.id, member_id=company_a.technician.id)
        assert "is on job 1 from" in caught.value.faults[0].detail
        later = company_a.job.ends_on + timedelta(days=1)
        job = change_job(actor, job.id, seen=1, changes={"ends_on": later})
        assign_person(actor, job.id, member_id=company_a.technician.id, starts_on=later)
        with pytest.raises(Conflict):
            assign_person(
                actor, job.id, member_id=company_a.technician.id, starts_on=later - timedelta(days=1)
            )
        assert PersonAssignment.objects.get(job=job).starts_on == later


def test_a_cancelled_job_frees_its_people_and_instruments(company_a: World) -> None:
    with company(company_a.id):
        job, actor = plan(company_a), company_a.actor("dispatcher")
        cancel_job(actor, company_a.job.id, seen=1, reason="Customer called it off")
        assign_person(actor, job.id, member_id=company_a.technician.id)
        assign_instrument(actor, job.id, instrument_id=company_a.instruments["hood"].id)
        with pytest.raises(Conflict, match="only an open job"):
            cancel_job(actor, company_a.job.id, seen=2, reason="again")


@pytest.mark.parametrize("reason", ["", " \n"])
def test_a_job_is_not_cancelled_without_a_reason(company_a: World, reason: str) -> None:
    with company(company_a.id):
        with pytest.raises(Invalid) as refused:
            cancel_job(company_a.actor("dispatcher"), company_a.job.id, seen=1, reason=reason)
        assert Job.objects.get(id=company_a.job.id).status == "open"
    assert [one.pointer for one in refused.value.faults] == ["/reason"]


def test_who_may_not_measure_is_not_assigned(company_a: World) -> None:
    with company(company_a.id):
        with pytest.raises(Invalid, match="may not measure"):
            assign_person(company_a.actor("owner"), company_a.job.id, member_id=company_a.dispatcher.id)
        left = factories.make_member(company_a.id, Role.TECHNICIAN)
        left.active = False
        left.save()
        with pytest.raises(Invalid, match="may not measure"):
            assign_person(company_a.actor("owner"), company_a.job.id, member_id=left.id)


def test_days_lie_in_the_window_and_the_window_holds_the_days(company_a: World) -> None:
    with company(company_a.id):
        job, actor = company_a.job, company_a.actor("dispatcher")
        before = job.starts_on - timedelta(days=1)
        for days in (
            {"starts_on": before},
            {"ends_on": before},
            {"ends_on": job.ends_on + timedelta(days=1)},
        ):
            with pytest.raises(Invalid, match="do not fit"):
                assign_person(actor, job.id, member_id=company_a.technician.id, **days)
        with pytest.raises(Invalid) as caught:
            change_job(actor, job.id, seen=1, changes={"ends_on": job.ends_on - timedelta(days=1)})
        assert "is assigned from" in caught.value.faults[0].detail


def test_a_change_needs_the_version_that_was_seen(company_a: World) -> None:
    with company(company_a.id):
        actor = company_a.actor("dispatcher")
        changed = change_job(actor, company_a.job.id, seen=1, changes={"title": "New title"})
        assert (changed.version, changed.title) == (2, "New title")
        with pytest.raises(PreconditionFailed):
            change_job(actor, company_a.job.id, seen=1, changes={"title": "Other"})
        same = change_job(actor, company_a.job.id, seen=2, changes={"title": "New title"})
        assert same.version == 2


def test_systems_come_off_only_while_nobody_is_assigned(company_a: World) -> None:
    with company(company_a.id):
        actor, other = company_a.actor("dispatcher"), factories.system(company_a.site, "AHU-2")
        both = [company_a.system.id, other.id]
        job = change_job(actor, company_a.job.id, seen=1, changes={}, system_ids=both)
        assert job.version == 2
        with pytest.raises(Conflict, match="nobody is assigned"):
            change_job(actor, job.id, seen=2, changes={}, system_ids=[other.id])
        unassign_person(actor, job.id, company_a.technician.id)
        change_job(actor, job.id, seen=3, changes={}, system_ids=[other.id])
        assert [one.system_id for one in job.job_systems.all()] == [other.id]


def test_an_instrument_is_on_one_job_a_day(company_a: World) -> None:
    with company(company_a.id):
        job, actor, hood = plan(company_a), company_a.actor("dispatcher"), company_a.instruments["hood"]
        with pytest.raises(Conflict, match="on another job"):
            assign_instrument(actor, job.id, instrument_id=hood.id)
        unassign_instrument(actor, company_a.job.id, hood.id)
        assign_instrument(actor, job.id, instrument_id=hood.id)
        with pytest.raises(NotFound):
            unassign_instrument(actor, company_a.job.id, hood.id)
        verbs = [event.verb for event in Event.objects.order_by("id")]
        assert verbs == ["job.planned", "instrument.unassigned", "instrument.assigned"]


def test_a_place_moved_to_who_has_it_changes_days_only(company_a: World) -> None:
    with company(company_a.id):
        job, actor = company_a.job, company_a.actor("dispatcher")
        member, tool = company_a.technician.id, company_a.instruments["hood"].id
        last = job.ends_on - timedelta(days=1)
        assert move_person(actor, job.id, member, member_id=member, ends_on=last).ends_on == last
        assert move_instrument(actor, job.id, tool, instrument_id=tool, ends_on=last).ends_on == last
        assert job.people.count() == 1
        verbs = {event.verb for event in Event.objects.all()}
        assert verbs == {"person.assigned", "instrument.assigned"}


def test_a_place_moves_to_another_only_at_the_version_that_was_seen(company_a: World) -> None:
    with company(company_a.id):
        job, actor = company_a.job, company_a.actor("dispatcher")
        was, other = company_a.instruments["hood"], lapsing_hood(company_a, 400)
        with pytest.raises(PreconditionFailed):
            move_instrument(actor, job.id, was.id, instrument_id=other.id, seen=job.version + 1)
        move_instrument(actor, job.id, was.id, instrument_id=other.id, seen=job.version)
        held = set(job.instruments.values_list("instrument_id", flat=True))
    assert other.id in held
    assert was.id not in held


def lapsing_hood(world: World, days: int = 32) -> Any:
    """A hood whose certificate of 30 days ago ends in two days unless told otherwise."""
    hood = factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005))
    factories.certificate(hood, days=days)
    return hood


def test_a_certificate_that_ends_before_the_last_day_is_refused_or_warned_of(company_a: World) -> None:
    with company(company_a.id):
        actor, hood, first = company_a.actor("dispatcher"), lapsing_hood(company_a), company_a.job.starts_on
        held = hood.certificates.get()
        said = (
            f"Certificate {held.number} for flow ends on {held.due_on}, "
            f"before the last day, {company_a.job.ends_on}."
        )
        with pytest.raises(Conflict) as caught:
            assign_instrument(actor, company_a.job.id, instrument_id=hood.id)
        assert [fault.detail for fault in caught.value.faults] == [said]
        short = assign_instrument(
            actor, company_a.job.id, instrument_id=hood.id, ends_on=first + timedelta(days=2)
        )
        assert short.warnings == []
        Company.objects.update(calibration_lapse=Lapse.WARN)
        row = assign_instrument(actor, company_a.job.id, instrument_id=hood.id)
        assert row.warnings == [said]
        assert InstrumentAssignment.objects.filter(instrument=hood).count() == 1


def test_no_certificate_is_refused(company_a: World) -> None:
    with company(company_a.id):
        bare = factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005))
        with pytest.raises(Conflict) as caught:
            assign_instrument(company_a.actor("owner"), company_a.job.id, instrument_id=bare.id)
        assert "no certificate for flow" in caught.value.faults[0].detail


def test_ranges_are_held_against_what_design_asks_for(company_a: World) -> None:
    with company(company_a.id):
        actor, job = company_a.actor("owner"), company_a.job
        # 0.9 m3/s through 0.2 m2 is 4.5 m/s, 12 Pa; 0.27 through 0.0491 is 5.5 m/s, 18 Pa.
        fine = factories.instrument(InstrumentKind.MANOMETER, (Quantity.PRESSURE, 0.0, 15.0, 0.01))
        factories.certificate(fine)
        row = assign_instrument(actor, job.id, instrument_id=fine.id)
        assert row.warnings == [
            "Its pressure range does not hold what design asks for at BD-1: about 18.2 Pa."
        ]
        coarse = factories.instrument(InstrumentKind.MANOMETER, (Quantity.PRESSURE, 0.0, 5000.0, 10.0))
        factories.certificate(coarse)
        assert "coarse" in assign_instrument(actor, job.id, instrument_id=coarse.id).warnings[0]
        small = factories.instrument(InstrumentKind.MANOMETER, (Quantity.PRESSURE, 0.0, 5.0, 0.01))
        factories.certificate(small)
        with pytest.raises(Conflict) as caught:
            assign_instrument(actor, job.id, instrument_id=small.id)
        assert "MD-1: about 12.2 Pa; BD-1: about 18.2 Pa" in caught.value.faults[0].detail


def test_out_of_service_is_refused(company_a: World) -> None:
    with company(company_a.id):
        hood = company_a.instruments["hood"]
        hood.in_service = False
        hood.save()
        with pytest.raises(Invalid, match="out of service"):
            assign_instrument(company_a.actor("owner"), company_a.job.id, instrument_id=hood.id)


def test_a_certificate_put_right_after_the_assignment_changes_what_readiness_says(company_a: World) -> None:
    with company(company_a.id):
        hood, actor = company_a.instruments["hood"], company_a.actor("technician")
        wrong, today = company_a.certificates["hood"], timezone.now().date()

        def suits() -> Any:
            found = readiness(actor, company_a.job.id).checks
            return next(check for check in found if check.item == "certificates and ranges")

        assert suits().state is State.OK
        factories.certificate(hood, on=wrong.calibrated_on, days=31, number="C-short", supersedes=wrong)
        assert suits().state is State.MISSING
        assert f"Certificate C-short for flow ends on {today + timedelta(days=1)}" in suits().detail
        factories.certificate(hood)
        assert suits().state is State.OK
        hood.in_service = False
        hood.save()
        assert "It is out of service." in suits().detail


def test_readiness_says_what_is_missing_in_a_constant_number_of_statements(company_a: World) -> None:
    with company(company_a.id):
        actor = company_a.actor("technician")
        with CaptureQueriesContext(connection) as few:
            found = readiness(actor, company_a.job.id)
        assert found.ready
        assert {check.item: check.state for check in found.checks}["people"] is State.OK
        for number in range(20):
            tool = factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005))
            factories.certificate(tool)
            factories.assign(company_a.job, None, tool)
            factories.outlet(company_a.system, f"T-{number}")
        with CaptureQueriesContext(connection) as many:
            readiness(actor, company_a.job.id)
        assert len(few) == len(many)
        empty = readiness(actor, plan(company_a).id)
        assert not empty.ready
        assert [check.item for check in empty.checks if check.state is State.MISSING] == [
            "people", "traverses", "outlets",
        ]  # fmt: skip


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("what", ["person", "instrument"])
def test_of_two_dispatchers_at_once_one_wins(what: str) -> None:
    world = factories.make_world()
    with company(world.id):
        cancel_job(world.actor("owner"), world.job.id, seen=1, reason="Free everything")
        jobs = [plan(world, title=title) for title in ("One", "Two")]
    first_has_lock = threading.Event()

    def assign(job: Job, *, first: bool) -> str:
        with company(world.id):
            if not first:
                first_has_lock.wait(5)
            if what == "person":
                assign_person(world.actor("dispatcher"), job.id, member_id=world.technician.id)
            else:
                assign_instrument(
                    world.actor("dispatcher"), job.id, instrument_id=world.instruments["hood"].id
                )
            if first:  # hold the lock, uncommitted, until the second waits for it
                first_has_lock.set()
                wait_until_blocked()
        return "assigned"

    one, two = at_once(*[partial(assign, job, first=index == 0) for index, job in enumerate(jobs)])
    assert (one, two.code) == ("assigned", "conflict")
    with company(world.id):
        rows = PersonAssignment if what == "person" else InstrumentAssignment
        assert rows.objects.filter(job__in=jobs).count() == 1
