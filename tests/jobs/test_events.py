"""The company's log: in the action's own transaction, numbered after commit, chained by a keyed MAC."""

import pytest
from django.db import transaction

from jobs import events
from jobs.access import Actor
from jobs.models import ChainHead, DueCompany, Event, EventPosition, UnnumberedEvent
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from tests.database import owner_connection
from tests.factories import World, make_world
from tests.races import at_once


def record(world: World, verb: str = "job.planned", **data: object) -> Event:
    actor = Actor(company_id=world.id)
    return events.record(actor, verb, "job", uuid7(), data=dict(data))


def test_an_event_waits_for_its_number(company_a: World) -> None:
    with company(company_a.id):
        event = record(company_a)
        assert not EventPosition.objects.filter(event=event).exists()
        assert DueCompany.objects.filter(company_ref=company_a.id).exists()
        assert events.sequence() >= 1
        position = EventPosition.objects.get(event=event)
        assert position.number == ChainHead.objects.get().number
        assert not UnnumberedEvent.objects.exists()


def test_an_event_of_a_rolled_back_action_never_was(company_a: World) -> None:
    with company(company_a.id):
        before = Event.objects.count()
        try:
            with transaction.atomic():
                record(company_a)
                raise RuntimeError("the action failed")
        except RuntimeError:
            pass
        assert Event.objects.count() == before


def test_numbers_run_without_gaps_and_the_chain_is_whole(company_a: World) -> None:
    with company(company_a.id):
        events.sequence()
        start, _ = events.chain_head()
        for _ in range(7):
            record(company_a)
        assert events.sequence(limit=3) == 3
        assert events.sequence() == 4
        numbers = list(EventPosition.objects.order_by("number").values_list("number", flat=True))
        assert numbers == list(range(1, start + 8))
        assert events.broken_links() == []


def test_companies_have_chains_of_their_own(company_a: World, company_b: World) -> None:
    with company(company_a.id):
        record(company_a)
        events.sequence()
        head_a = events.chain_head()
    with company(company_b.id):
        record(company_b)
        events.sequence()
        assert events.chain_head()[1] != head_a[1]
        assert events.broken_links() == []


@pytest.mark.parametrize(
    ("change", "finding"),
    [
        ("UPDATE jobs_event SET data = '{\"flow\": 2}' WHERE id = %(id)s", "was altered"),
        ("UPDATE jobs_event SET at = at + interval '1 second' WHERE id = %(id)s", "was altered"),
        ("UPDATE jobs_event SET member_id = NULL, verb = 'job.changed' WHERE id = %(id)s", "was altered"),
        ("DELETE FROM jobs_eventposition WHERE event_id = %(id)s", "is missing"),
    ],
)
@pytest.mark.django_db(transaction=True)
def test_a_change_behind_the_service_is_named(change: str, finding: str) -> None:
    world = make_world("Alder Balancing")
    with company(world.id):
        for _ in range(3):
            event = record(world, flow=1)
        record(world)
        events.sequence()
        number = EventPosition.objects.get(event=event).number
        assert events.broken_links() == []
    with owner_connection() as owner:
        owner.execute("SET session_replication_role = replica")
        owner.execute("ALTER TABLE jobs_event NO FORCE ROW LEVEL SECURITY")
        owner.execute("ALTER TABLE jobs_eventposition NO FORCE ROW LEVEL SECURITY")
        owner.execute(change, {"id": event.id})
        owner.execute("ALTER TABLE jobs_event FORCE ROW LEVEL SECURITY")
        owner.execute("ALTER TABLE jobs_eventposition FORCE ROW LEVEL SECURITY")
    with company(world.id):
        (broken,) = events.broken_links()
    assert finding in broken
    assert str(number) in broken


def test_a_cut_tail_is_found_by_the_head(company_a: World) -> None:
    with company(company_a.id):
        record(company_a)
        events.sequence()
        ChainHead.objects.update(number=ChainHead.objects.get().number + 1)
        assert "its head says" in events.broken_links()[0]


def test_the_key_is_part_of_every_link(company_a: World, settings: object) -> None:
    with company(company_a.id):
        record(company_a)
        events.sequence()
        settings.EVENT_CHAIN_KEY = bytes(32)  # type: ignore[attr-defined]
        assert "was altered" in events.broken_links()[0]


@pytest.mark.django_db(transaction=True)
def test_sequencers_at_once_give_each_event_one_number() -> None:
    world = make_world("Alder Balancing")
    with company(world.id):
        for _ in range(40):
            record(world)

    def number() -> None:
        with company(world.id):
            while events.sequence(limit=5):
                pass

    at_once(*[number] * 3)
    with company(world.id):
        while events.sequence():
            pass
        assert EventPosition.objects.count() == Event.objects.count()
        assert events.broken_links() == []


def test_an_event_put_among_those_that_wait_gets_no_number(company_a: World) -> None:
    with company(company_a.id):
        events.record(company_a.actor("owner"), "job.changed", "job", company_a.job.id)
        real = Event.objects.latest("id")
        forged = Event.objects.create(
            at=real.at, verb="job.approved", subject_type="job", subject_id=real.subject_id, data={}
        )
        seal = UnnumberedEvent.objects.get(id=real.id).seal
        UnnumberedEvent.objects.create(id=forged.id, seal=seal)
        while events.sequence():
            pass
        assert EventPosition.objects.filter(event=real).exists()
        assert not EventPosition.objects.filter(event=forged).exists()
        assert UnnumberedEvent.objects.filter(id=forged.id).exists()
        assert events.broken_links() == []


def test_seals_fit_whatever_an_event_tells(company_a: World) -> None:
    told = {
        "n": 1,
        "f": 0.1,
        "small": 1e-7,
        "large": 1e22,
        "minus": -0.0,
        "text": "Ω √ \u2212",
        "list": [1.0, None],
    }
    with company(company_a.id):
        events.record(company_a.actor("owner"), "job.changed", "job", company_a.job.id, data=told)
        events.record_many(
            company_a.actor("owner"), "job.changed", "job", [events.Happening(company_a.job.id, told)]
        )
        for row in UnnumberedEvent.objects.all():
            assert events.is_sealed(row, Event.objects.get(id=row.id))
