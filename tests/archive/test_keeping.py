"""What is no evidence goes after its time; a person is forgotten and the evidence stays whole."""

from datetime import timedelta
from typing import Any

import pytest
from django.conf import LazySettings
from django.utils import timezone

from jobs import due, events, forgetting, people, tokens
from jobs.access import actor_for_token
from jobs.errors import Conflict, Forbidden, NotFound
from jobs.models import (
    Affiliation,
    Event,
    IdempotencyKey,
    Invitation,
    Member,
    PairingCode,
    PlanNotice,
    User,
)
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.models import Reading
from reports import evidence, retention
from reports.archive import tables
from reports.models import Delivery, Fetch
from tests import factories
from tests.archive import house
from tests.doors import walk
from tests.doors.client import assert_problem, signed_in
from tests.factories import World

pytestmark = pytest.mark.django_db


def leave(world: World, who: str = "technician") -> Member:
    member: Member = getattr(world, who)
    with company(world.id):
        member.refresh_from_db()
        change = people.MemberChange(active=False)
        return people.change_member(world.actor("owner"), member.id, member.version, change)


def everything(world: World) -> str:
    """Every row of every table that may change, as text."""
    frozen = evidence.LOG + tuple(kind.model for kind in evidence.KINDS)
    with company(world.id):
        return "".join(
            str(list(model.objects.values()))  # type: ignore[attr-defined]
            for model in tables.every_model()
            if model not in frozen
        )


def test_a_forgotten_person_is_nowhere_that_may_change_and_evidence_holds(settings: LazySettings) -> None:
    world = house.furnished(settings)
    name, email = world.technician.name, world.technician.email
    with company(world.id):
        people.invite(world.actor("owner"), email="again@northgate.example", name=name, roles=["technician"])
        Invitation.objects.update(email=email)
        PlanNotice.objects.create(member=world.technician, job=world.job, words="planned")
    leave(world)
    with company(world.id):
        readings = Reading.objects.count()
        forgetting.forget(world.actor("owner"), world.technician.id)
        while events.sequence():
            pass
    assert name not in everything(world)
    assert email not in everything(world)
    assert not User.objects.filter(email=email).exists()
    with company(world.id):
        member = Member.objects.get(id=world.technician.id)
        assert (member.name, member.email, member.active) == ("Former member 1", "", False)
        assert Reading.objects.count() == readings
        assert list(evidence.faults()) == []
        assert Event.objects.get(verb="member.forgotten").subject_id == member.id
        assert actor_for_token(world.technician_token) is None


def test_somebody_who_works_elsewhere_too_keeps_their_sign_in(company_a: World, company_b: World) -> None:
    user = company_a.users["technician"]
    Affiliation.objects.create(user=user, company_ref=company_b.id)
    leave(company_a)
    with company(company_a.id):
        forgetting.forget(company_a.actor("owner"), company_a.technician.id)
    assert User.objects.get(id=user.id).has_usable_password()
    assert not Affiliation.objects.filter(user=user, company_ref=company_a.id).exists()


def test_twice_is_once_and_each_gets_a_number(company_a: World) -> None:
    for who in ("technician", "dispatcher"):
        leave(company_a, who)
        with company(company_a.id):
            for _ in range(2):
                forgetting.forget(company_a.actor("owner"), getattr(company_a, who).id)
    with company(company_a.id):
        names = set(Member.objects.filter(active=False).values_list("name", flat=True))
        assert names == {"Former member 1", "Former member 2"}
        assert Event.objects.filter(verb="member.forgotten").count() == 2


def test_who_works_here_is_not_forgotten_and_who_is_forgotten_does_not_come_back(company_a: World) -> None:
    with company(company_a.id):
        owner = company_a.actor("owner")
        with pytest.raises(Conflict, match="inactive first"):
            forgetting.forget(owner, company_a.technician.id)
        for role in ("dispatcher", "technician", "supervisor"):
            with pytest.raises(Forbidden):
                forgetting.forget(company_a.actor(role), company_a.technician.id)
        with pytest.raises(NotFound):
            forgetting.forget(owner, uuid7())
    leave(company_a)
    with company(company_a.id):
        gone = forgetting.forget(owner, company_a.technician.id)
        with pytest.raises(Conflict, match="forgotten"):
            people.change_member(owner, gone.id, gone.version, people.MemberChange(active=True))


def test_the_doors_of_forgetting(company_a: World, company_b: World) -> None:
    caller, page = signed_in(company_a), f"/company/people/{company_a.technician.id}"
    assert "Forget" not in caller.client.get(page).content.decode()
    assert_problem(caller.post(f"/members/{company_a.technician.id}/forget"), 409)
    assert_problem(signed_in(company_b).post(f"/members/{company_a.technician.id}/forget"), 404)
    leave(company_a)
    assert "Forget for good" in caller.client.get(page).content.decode()
    assert caller.client.post(f"{page}/forget").status_code == 302
    told = caller.post(f"/members/{company_a.technician.id}/forget").json()
    assert (told["name"], told["email"]) == ("Former member 1", "")
    shown = caller.client.get(page).content.decode()
    assert "taken away for good" in shown
    assert "<form" not in shown.partition("<main")[2]


# Periods


def answers(world: World, days: float) -> Any:
    with company(world.id):
        row = IdempotencyKey.objects.create(
            principal="member:x", endpoint="/x", key=str(uuid7()), request_digest="0" * 64
        )
        moment = timezone.now() - timedelta(days=days)
        IdempotencyKey.objects.filter(id=row.id).update(created_at=moment)
        return row.id


def pruned(world: World) -> None:
    with company(world.id):
        due.schedule(retention.KEEP, world.id)
    due.work(world.id)


def test_answers_for_repeats_are_kept_at_least_thirty_days(company_a: World) -> None:
    fresh, late = answers(company_a, 31), answers(company_a, 36)
    pruned(company_a)
    with company(company_a.id):
        assert IdempotencyKey.objects.filter(id=fresh).exists()
        assert not IdempotencyKey.objects.filter(id=late).exists()


def test_many_are_pruned_in_batches_of_one_company_only(
    company_a: World, company_b: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "BATCH", 2)
    for _ in range(5):
        answers(company_a, 40)
    other = answers(company_b, 40)
    pruned(company_a)
    with company(company_a.id):
        assert not IdempotencyKey.objects.filter(principal="member:x").exists()
    with company(company_b.id):
        assert IdempotencyKey.objects.filter(id=other).exists()


def test_links_lose_their_address_and_the_fetch_stays(company_a: World) -> None:
    world = walk.full_world("Quayside Balancing")
    with company(world.id):
        row = Delivery.objects.get()
        Fetch.objects.create(issue=row.issue, delivery=row, at=timezone.now())
        Delivery.objects.update(expires_at=timezone.now() - timedelta(days=3 * 365 - 1))
    pruned(world)
    with company(world.id):
        assert Delivery.objects.get().address
        Delivery.objects.update(expires_at=timezone.now() - timedelta(days=3 * 365 + 1))
    pruned(world)
    with company(world.id):
        assert Delivery.objects.get().address == ""
        assert Fetch.objects.filter(delivery=row).exists()


def test_ended_codes_and_invitations_go(company_a: World) -> None:
    with company(company_a.id):
        tokens.start_pairing(company_a.actor("owner"), device_name="Tablet 9")
        walk.invitation(company_a)
        PairingCode.objects.update(expires_at=timezone.now() - timedelta(days=8))
        Invitation.objects.update(expires_at=timezone.now() - timedelta(days=91))
    pruned(company_a)
    with company(company_a.id):
        assert not PairingCode.objects.exists()
        assert not Invitation.objects.exists()


def test_no_period_touches_evidence() -> None:
    """Nothing that is pruned is append-only; every period says why."""
    assert len({period.what for period in retention.PERIODS}) == len(retention.PERIODS)
    for period in retention.PERIODS:
        assert len(period.why) > 10
        assert period.days >= 0
    keys = next(period for period in retention.PERIODS if "repeats" in period.what)
    assert keys.days >= 30


def test_the_beat_makes_it_due_in_every_company(company_a: World, company_b: World) -> None:
    from django.contrib.sessions.models import Session

    from reports.tasks import keep

    Session.objects.create(session_key="x" * 32, session_data="", expire_date=timezone.now())
    assert keep() == 2
    assert keep() == 2
    assert not Session.objects.filter(session_key="x" * 32).exists()
    assert factories.FIRST != factories.SECOND
