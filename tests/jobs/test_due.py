"""Due work: promised with the data, done once, survives dead workers and an emptied queue."""

import threading
import time
from datetime import timedelta
from types import SimpleNamespace
from uuid import UUID

import pytest
from celery import current_app
from django.db import transaction
from django.utils import timezone
from kombu.exceptions import OperationalError
from kombu.utils import functional

from jobs import due, tasks
from jobs.access import Actor
from jobs.events import record
from jobs.models import DueCompany, DueState, DueWork
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from tests.factories import World

DONE: list[UUID] = []
KIND, QUEUE = "test-kind", "test-queue"


@pytest.fixture(autouse=True)
def _a_handler(monkeypatch: pytest.MonkeyPatch) -> None:
    DONE.clear()

    def run(claim: due.Claim) -> None:
        with transaction.atomic():
            DONE.append(claim.subject_id)
            claim.finish()

    monkeypatch.setitem(due._handlers, KIND, run)
    monkeypatch.setitem(due._queues, KIND, QUEUE)
    monkeypatch.setitem(due._leases, KIND, due.LEASE)


def broken(_: due.Claim) -> None:
    raise ValueError("cannot be done")


def test_work_due_twice_is_one_piece(company_a: World) -> None:
    subject = uuid7()
    with company(company_a.id):
        due.schedule(KIND, subject)
        due.schedule(KIND, subject)
        assert DueWork.objects.filter(kind=KIND).count() == 1


def test_work_is_done_once_and_gone(company_a: World) -> None:
    subject = uuid7()
    with company(company_a.id):
        due.schedule(KIND, subject)
    assert due.work(company_a.id, QUEUE) == 1
    assert due.work(company_a.id, QUEUE) == 0
    assert [subject] == DONE


def test_a_rolled_back_action_leaves_no_work(company_a: World) -> None:
    with company(company_a.id):
        with pytest.raises(RuntimeError), transaction.atomic():
            due.schedule(KIND, uuid7())
            raise RuntimeError
        assert not DueWork.objects.filter(kind=KIND).exists()


def test_the_sweep_finds_what_no_message_told_of(
    company_a: World, company_b: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    subjects = {}
    for world in (company_a, company_b):
        with company(world.id):
            subjects[world.id] = uuid7()
            due.schedule(KIND, subjects[world.id])
    sent: list[tuple[str, list[str], str]] = []
    monkeypatch.setattr(
        due.current_app, "send_task", lambda name, args, queue, retry: sent.append((name, args, queue))
    )
    assert tasks.sweep() == 2
    assert sorted(sent) == sorted(("jobs.work", [str(world), QUEUE], QUEUE) for world in subjects)
    for _, args, _ in sent:
        tasks.work(*args)
    assert set(DONE) == set(subjects.values())
    sent.clear()
    assert tasks.sweep() == 0


def test_the_sweep_rings_for_events_without_a_number(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    with company(company_a.id):
        record(Actor(company_id=company_a.id), "job.planned", "job", uuid7())
    sent: list[str] = []
    monkeypatch.setattr(due.current_app, "send_task", lambda name, args, queue, retry: sent.append(name))
    assert tasks.sweep() == 1
    assert sent == ["jobs.number_events"]
    assert tasks.number_events(str(company_a.id)) == 1


def test_a_long_turn_ends_and_rings_again(company_a: World, monkeypatch: pytest.MonkeyPatch) -> None:
    with company(company_a.id):
        due.schedule(KIND, uuid7(), uuid7(), uuid7())
    sent: list[str] = []
    monkeypatch.setattr(due.current_app, "send_task", lambda name, args, queue, retry: sent.append(name))
    monkeypatch.setattr(due, "TURN_SECONDS", -1.0)
    assert due.work(company_a.id, QUEUE) == 1
    assert sent == ["jobs.work"]


def test_I1_failed_work_is_tried_again_then_parked_and_says_why(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(due._handlers, KIND, broken)
    with company(company_a.id):
        due.schedule(KIND, uuid7())
    for _ in range(due.ATTEMPTS):
        with company(company_a.id):
            DueWork.objects.update(due_at=timezone.now())
        assert due.work(company_a.id, QUEUE) == 1
    with company(company_a.id):
        row = DueWork.objects.get(kind=KIND)
        assert (row.state, row.attempts) == (DueState.PARKED, due.ATTEMPTS)
        assert "cannot be done" in row.error
    assert due.work(company_a.id, QUEUE) == 0


def test_I1_a_worker_that_dies_each_time_is_parked_without_a_word(company_a: World) -> None:
    with company(company_a.id):
        due.schedule(KIND, uuid7())
    for _ in range(due.ATTEMPTS):  # claims, then dies: the lease runs out
        with company(company_a.id):
            assert due.claim([KIND])
            DueWork.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    with company(company_a.id):
        assert due.claim([KIND]) is None
        assert DueWork.objects.get(kind=KIND).state == DueState.PARKED


def test_a_lease_is_by_the_clock_of_the_database(company_a: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """A clock that jumped by weeks holds no work for weeks, once its worker is gone."""
    right = timezone.now()
    with company(company_a.id):
        due.schedule(KIND, uuid7())
        monkeypatch.setattr(timezone, "now", lambda: right + timedelta(days=40))
        taken = due.claim([KIND])
        for _ in range(2):
            row = DueWork.objects.get(kind=KIND)
            assert row.lease_until
            assert right < row.lease_until < right + timedelta(minutes=5)
            assert taken
            taken.extend()


def test_I2_a_late_writer_is_refused(company_a: World) -> None:
    with company(company_a.id):
        due.schedule(KIND, uuid7())
        slow = due.claim([KIND])
        assert slow
        DueWork.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
        quick = due.claim([KIND])
        assert quick
        with pytest.raises(due.LeaseLost):
            slow.finish()
        quick.finish()
        assert not DueWork.objects.filter(kind=KIND).exists()


def test_I2_claimed_work_is_not_given_twice(company_a: World) -> None:
    with company(company_a.id):
        due.schedule(KIND, uuid7())
        assert due.claim([KIND])
        assert due.claim([KIND]) is None


def test_parked_work_can_be_given_a_fresh_start(company_a: World, monkeypatch: pytest.MonkeyPatch) -> None:
    subject = uuid7()
    with company(company_a.id):
        due.schedule(KIND, subject)
        DueWork.objects.update(state=DueState.PARKED, attempts=due.ATTEMPTS)
        rung: list[str] = []
        monkeypatch.setattr(due, "ring", lambda kind, company_id: rung.append(kind))
        assert not due.retry_parked(KIND, uuid7())
        assert rung == []
        assert due.retry_parked(KIND, subject)
        assert rung == [KIND]
        assert not due.retry_parked(KIND, subject)
    assert due.work(company_a.id, QUEUE) == 1


def test_a_kept_lease_is_extended_four_times_in_its_length(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    waited, extended = list[float](), list[int]()

    class Ends(threading.Event):
        def wait(self, seconds: float | None = None) -> bool:
            waited.append(seconds or 0.0)
            return len(waited) > 2 and super().wait(10)

    monkeypatch.setattr(due, "threading", SimpleNamespace(Event=Ends, Thread=threading.Thread))
    piece = due.Claim(uuid7(), KIND, uuid7(), uuid7(), 1)
    monkeypatch.setattr(due.Claim, "extend", lambda self: extended.append(1))
    with company(company_a.id), due.kept(piece):
        for _ in range(1000):
            if len(waited) == 3:
                break
            time.sleep(0.01)
    assert waited == [due.LEASE.total_seconds() / 4] * 3
    assert len(extended) == 2


def test_work_that_nothing_does_fails_and_says_so(company_a: World) -> None:
    with company(company_a.id):
        due.schedule("nobodys-kind", uuid7())
        piece = due.claim(["nobodys-kind"])
    assert piece is not None
    due.do(company_a.id, piece)
    with company(company_a.id):
        row = DueWork.objects.get(id=piece.id)
        assert "nothing here does 'nobodys-kind'" in row.error
        assert (row.state, row.lease_id) == (DueState.DUE, None)
    assert due.work(company_a.id, "nobodys-queue") == 0


def test_a_failure_of_who_lost_the_lease_changes_nothing(company_a: World) -> None:
    with company(company_a.id):
        due.schedule(KIND, uuid7())
        piece = due.claim([KIND])
        assert piece is not None
        other = uuid7()
        DueWork.objects.update(lease_id=other)
        due.fail(piece, "too late")
        row = DueWork.objects.get(id=piece.id)
    assert (row.state, row.lease_id, row.error) == (DueState.CLAIMED, other, "")


def test_long_work_goes_on_in_one_place_at_a_time(company_a: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(due._queues, KIND, due.LONG_QUEUE)
    with company(company_a.id):
        due.schedule(KIND, uuid7())
    assert due._take_turn()
    assert due.work(company_a.id, due.LONG_QUEUE) == 0
    assert due._take_turn(again=True)  # who has it keeps it
    due._end_turn()
    assert due.work(company_a.id, due.LONG_QUEUE) == 1
    assert due._take_turn()
    due._end_turn()


def test_B10_a_message_with_another_company_finds_nothing(company_a: World, company_b: World) -> None:
    with company(company_a.id):
        due.schedule(KIND, uuid7())
    assert due.work(company_b.id, QUEUE) == 0
    assert DONE == []


def test_who_rings_does_not_wait_for_a_queue_that_is_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """By its own custom the library would sleep six seconds and try again, in the request that rings."""
    waits: list[float] = []
    monkeypatch.setattr(functional, "sleep", waits.append)
    line = current_app.connection_for_write("redis+socket:///nowhere/valkey.sock")
    with line, pytest.raises(OperationalError):
        _ = line.default_channel
    assert waits == []


def test_a_deaf_queue_is_no_harm(company_a: World, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise ConnectionError

    monkeypatch.setattr(due, "_deaf_until", 0.0)
    monkeypatch.setattr(due.current_app, "send_task", refuse)
    due._send(KIND, company_a.id)


@pytest.fixture
def bells(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the messages that were sent."""
    sent: list[str] = []
    monkeypatch.setattr(due, "_deaf_until", 0.0)
    monkeypatch.setattr(due.current_app, "send_task", lambda name, **_: sent.append(name))
    return sent


def test_a_bell_on_its_way_is_enough_until_it_is_answered(company_a: World, bells: list[str]) -> None:
    for _ in range(3):
        due._send(KIND, company_a.id)
        due._send(due.EVENTS, company_a.id)
    assert bells == ["jobs.work", "jobs.number_events"]
    due._send(KIND, company_a.id, anyway=True)  # the sweep: a bell may be lost
    assert bells.pop() == "jobs.work"
    tasks.work(str(company_a.id), QUEUE)
    due._send(due.EVENTS, company_a.id)
    due._send(KIND, company_a.id)
    assert bells[2:] == ["jobs.work"]
    tasks.number_events(str(company_a.id))
    due._send(due.EVENTS, company_a.id)
    assert bells[3:] == ["jobs.number_events"]


def test_what_is_due_after_a_bell_was_answered_is_rung_for_while_the_work_goes_on(
    company_a: World, bells: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    do = due._handlers[KIND]

    def more(claim: due.Claim) -> None:
        do(claim)
        due._send(KIND, company_a.id)

    with company(company_a.id):
        due.schedule(KIND, uuid7())
    due._send(KIND, company_a.id)
    monkeypatch.setitem(due._handlers, KIND, more)
    assert tasks.work(str(company_a.id), QUEUE) == 1
    assert bells == ["jobs.work", "jobs.work"]


def test_nobody_rings_at_a_queue_that_just_failed(
    company_a: World, company_b: World, bells: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = []

    def hang(*_: object) -> bool:
        tried.append(1)
        raise TimeoutError

    with monkeypatch.context() as away:
        away.setattr(due.cache, "add", hang)
        due._send(KIND, company_a.id)
        due._send(KIND, company_b.id)
    assert (tried, bells) == ([1], [])
    due._send(KIND, company_b.id)
    assert bells == []
    monkeypatch.setattr(due, "_deaf_until", 0.0)
    due._send(KIND, company_b.id)
    assert bells == ["jobs.work"]


def test_only_hours_that_no_writer_is_in_are_forgotten(company_a: World) -> None:
    hour = due.this_hour()
    with company(company_a.id):
        due.note_company(company_a.id)
        DueCompany.objects.create(company_ref=company_a.id, hour=hour - 5)
        due.forget_idle(company_a.id, hour)
    left = DueCompany.objects.filter(company_ref=company_a.id)
    assert [row.hour for row in left] == [hour]
