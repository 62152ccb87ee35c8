"""Work that can never be done ends by itself, is tried three times, and stands aside with its reason."""

import time

import pytest
from django.db import transaction
from django.utils import timezone

from jobs import due, patience
from jobs.models import DueState, DueWork
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from tests.factories import World

QUEUE = "poison-queue"


@pytest.fixture
def kinds(monkeypatch: pytest.MonkeyPatch) -> dict[str, due.Handler]:
    """Handlers by kind, all of one queue; `good` finishes its work."""

    def good(claim: due.Claim) -> None:
        with transaction.atomic():
            claim.finish()

    def loops(claim: due.Claim) -> None:
        while True:
            time.sleep(0.01)

    def eats(claim: due.Claim) -> None:
        raise MemoryError

    found: dict[str, due.Handler] = {"good": good, "loops": loops, "eats": eats}
    for kind, handler in found.items():
        monkeypatch.setitem(due._handlers, kind, handler)
        monkeypatch.setitem(due._queues, kind, QUEUE)
    monkeypatch.setattr(due, "LONGEST_S", 0.1)
    return found


def try_until_parked(world: World, kind: str) -> DueWork:
    """Lets the worker try as often as it wants."""
    for _ in range(due.ATTEMPTS + 2):
        with company(world.id):
            DueWork.objects.exclude(state=DueState.PARKED).update(due_at=timezone.now())
        due.work(world.id, QUEUE)
    with company(world.id):
        return DueWork.objects.get(kind=kind)


@pytest.mark.parametrize(("kind", "reason"), [("loops", "not done within 0.1 s"), ("eats", "MemoryError")])
def test_I1_poison_work_is_parked_after_three_attempts_and_the_rest_is_done(
    company_a: World, kinds: dict[str, due.Handler], kind: str, reason: str
) -> None:
    with company(company_a.id):
        due.schedule(kind, uuid7())
        due.schedule("good", *(uuid7() for _ in range(5)))
    due.work(company_a.id, QUEUE)
    with company(company_a.id):
        assert not DueWork.objects.filter(kind="good").exists()
    row = try_until_parked(company_a, kind)
    assert (row.state, row.attempts) == (DueState.PARKED, due.ATTEMPTS)
    assert reason in row.error


def test_I1_work_that_kills_its_worker_is_parked_after_three_attempts(
    company_a: World, kinds: dict[str, due.Handler]
) -> None:
    with company(company_a.id):
        due.schedule("good", uuid7())
    for _ in range(due.ATTEMPTS):
        with company(company_a.id):
            assert due.claim(["good"]) is not None  # and the worker is gone
            DueWork.objects.update(lease_until=timezone.now())
    assert due.work(company_a.id, QUEUE) == 0
    with company(company_a.id):
        row = DueWork.objects.get(kind="good")
    assert (row.state, row.error) == (DueState.PARKED, "the worker died each time")


def test_a_piece_ends_before_its_lease_does() -> None:
    for kind in due._handlers:
        if due._queues[kind] != due.LONG_QUEUE and kind not in due._keeping:
            assert due._most_seconds(kind) < due._leases[kind].total_seconds()


def test_I2_the_same_work_taken_twice_has_one_effect(company_a: World, kinds: dict[str, due.Handler]) -> None:
    """The first worker was frozen past its lease; what it then does is undone."""
    effects: list[str] = []

    def works(claim: due.Claim) -> None:
        with transaction.atomic():
            claim.finish()
        effects.append(str(claim.lease_id))

    due._handlers["good"] = works
    with company(company_a.id):
        due.schedule("good", uuid7())
        first = due.claim(["good"])
        DueWork.objects.update(lease_until=timezone.now())
        second = due.claim(["good"])
    assert first is not None
    assert second is not None
    due.do(company_a.id, first)
    due.do(company_a.id, second)
    with company(company_a.id):
        assert not DueWork.objects.exists()
    assert effects == [str(second.lease_id)]


def test_the_limit_ends_only_what_is_late() -> None:
    with patience.limited(5):
        pass
    with pytest.raises(TimeoutError, match=r"0\.05 s"), patience.limited(0.05):
        time.sleep(2)
    time.sleep(0.1)
