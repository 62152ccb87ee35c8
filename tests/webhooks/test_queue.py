"""From the numbered log to a receiver: what is sent, when again, and when no more."""

import json
import re
import time
from collections import Counter
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from jobs import due, events
from jobs.models import DueWork, Event
from jobs.tenancy.context import company, company_var
from jobs.tenancy.ids import uuid7
from reports import webhook_queue, webhooks
from reports.models import OffReason, Outcome, Webhook, WebhookAttempt, WebhookMessage
from reports.outgoing.messages import message_id
from tests.factories import World
from tests.webhooks.receivers import Got, receiver

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("loopback")]


class Clock:
    """The service's time, as far as a test moved it on."""

    def __init__(self) -> None:
        self.real, self.ahead = timezone.now, timedelta()

    def __call__(self) -> Any:
        return self.real() + self.ahead


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(timezone, "now", made)
    return made


@pytest.fixture(autouse=True)
def deaf(monkeypatch: pytest.MonkeyPatch) -> None:
    """No worker listens here; the tests do the work themselves."""
    monkeypatch.setattr(due, "_send", lambda kind, company_id: None)


def happen(world: World, count: int = 1, *, verb: str = "job.changed", subject: Any = None) -> None:
    """Events of the company, numbered."""
    with company(world.id):
        for n in range(count):
            events.record(world.actor("owner"), verb, "job", subject or world.job.id, data={"n": n})
    number(world)


def number(world: World) -> None:
    with company(world.id):
        while events.sequence():
            pass


def work(world: World) -> None:
    due.work(world.id, webhook_queue.QUEUE)


def make(world: World, url: str, **fields: Any) -> tuple[Webhook, str]:
    with company(world.id):
        return webhooks.make(world.actor("owner"), url=url, **fields)


def again(world: World, made: Webhook) -> Webhook:
    with company(world.id):
        row: Webhook = Webhook.objects.get(id=made.id)
        return row


def until_quiet(world: World, clock: Clock, most: timedelta, done: Callable[[], bool]) -> None:
    """Moves time on from one due moment to the next, as the sweep would."""
    end = clock() + most
    while not done() and clock() < end:
        work(world)
        with company(world.id):
            first = DueWork.objects.filter(kind=webhook_queue.SEND).order_by("due_at").first()
        if first is None:
            return
        clock.ahead += max(first.due_at - clock(), timedelta()) + timedelta(seconds=1)


@pytest.fixture
def world(company_a: World) -> World:
    return company_a


def states(world: World) -> Counter[str]:
    with company(world.id):
        return Counter(WebhookMessage.objects.values_list("state", flat=True))


def outcomes(world: World) -> list[str]:
    with company(world.id):
        return list(WebhookAttempt.objects.order_by("id").values_list("outcome", flat=True))


def test_an_event_arrives_signed_by_the_specification_and_with_what_the_log_says(world: World) -> None:
    with receiver() as there:
        hook, secret = make(world, there.url)
        happen(world)
        work(world)
    got = there.got
    bodies = sorted((one.verify(secret) for one in got), key=lambda body: body["data"]["number"])
    with company(world.id):
        made = Event.objects.get(verb="job.changed")
    assert [body["type"] for body in bodies] == ["webhook.made", "job.changed"]
    told = bodies[-1]
    assert told["timestamp"] == events.stamp(made.at)
    assert told["data"]["subject"] == {"type": "job", "id": str(made.subject_id)}
    assert told["data"]["data"] == {"n": 0}
    assert told["data"]["by"] == {"member": str(world.owner.id), "device": None, "key": None}
    assert message_id(hook.id, made.id) in {one.id for one in got}
    assert {one.headers["content-type"] for one in got} == {"application/json"}
    assert states(world) == {"delivered": 2}
    assert again(world, hook).delivered_at is not None


def test_only_the_kinds_that_are_wanted_are_sent(world: World) -> None:
    with receiver() as there:
        make(world, there.url, verbs=["job.planned"])
        happen(world)
        happen(world, verb="job.planned")
        work(world)
    assert [json.loads(one.body)["type"] for one in there.got] == ["job.planned"]


def test_W7_what_was_rolled_back_is_never_sent(world: World) -> None:
    with receiver() as there:
        make(world, there.url, verbs=["job.planned", "job.changed"])
        with pytest.raises(ZeroDivisionError), company(world.id), transaction.atomic():
            events.record(world.actor("owner"), "job.planned", "job", world.job.id)
            raise ZeroDivisionError
        happen(world)
        work(world)
    assert [json.loads(one.body)["type"] for one in there.got] == ["job.changed"]


def test_an_event_without_a_number_waits(world: World) -> None:
    with receiver() as there:
        make(world, there.url)
        number(world)
        work(world)
        before = len(there.got)
        with company(world.id):
            events.record(world.actor("owner"), "job.changed", "job", world.job.id)
            webhook_queue.wake(0)
        work(world)
        assert len(there.got) == before
        number(world)
        work(world)
        assert len(there.got) == before + 1


def test_W5_a_failing_receiver_is_tried_on_schedule_with_one_id_and_then_gets_it(
    world: World, clock: Clock
) -> None:
    with receiver(lambda got: 500) as there:
        hook, _ = make(world, there.url, verbs=["job.changed"])
        happen(world)
        for n in range(6):
            work(world)
            work(world)  # not due yet
            assert len(there.got) == n + 1
            with company(world.id):
                tried = WebhookAttempt.objects.order_by("-id")[0]
                usual = webhook_queue.RETRIES[n]
                assert usual <= tried.next_at - clock() + timedelta(seconds=1)
                assert tried.next_at - clock() <= usual * 1.21
                clock.ahead += tried.next_at - clock() + timedelta(seconds=1)
                DueWork.objects.filter(kind=webhook_queue.SEND).update(due_at=clock())
                Webhook.objects.update(rests_until=None)
        there.answer = lambda got: 200
        work(world)
    assert len({one.id for one in there.got}) == 1
    assert outcomes(world) == [Outcome.FAILED] * 6 + [Outcome.DELIVERED]
    row = again(world, hook)
    assert (row.failures, row.failing_since, row.rests_until) == (0, None, None)


def test_W5_retries_span_more_than_three_days_and_then_it_is_given_up(world: World, clock: Clock) -> None:
    started = clock()
    with receiver(lambda got: 500) as there:
        make(world, there.url, verbs=["job.changed"])
        happen(world)
        until_quiet(world, clock, timedelta(days=10), lambda: states(world)["given_up"] == 1)
    assert len(there.got) == len(webhook_queue.RETRIES) + 1
    assert timedelta(days=3) < clock() - started < timedelta(days=6)


@pytest.mark.parametrize("status", [429, 503])
def test_W5_retry_after_is_kept_to(world: World, clock: Clock, status: int) -> None:
    with receiver(lambda got: (status, {"Retry-After": "7000"})) as there:
        make(world, there.url, verbs=["job.changed"])
        happen(world)
        work(world)
        clock.ahead += timedelta(seconds=6900)
        happen(world)
        work(world)
        assert len(there.got) == 1
        there.answer = lambda got: 204
        clock.ahead += timedelta(seconds=200)
        work(world)
    assert len(there.got) == 3
    assert outcomes(world)[0] == Outcome.BUSY


def test_retry_after_of_years_is_bounded(world: World, clock: Clock) -> None:
    with receiver(lambda got: (429, {"Retry-After": "99999999"})) as there:
        hook, _ = make(world, there.url, verbs=["job.changed"])
        happen(world)
        work(world)
    rests = again(world, hook).rests_until
    assert rests is not None
    assert rests - clock() <= timedelta(days=1)
    assert len(there.got) == 1


def test_W5_410_switches_it_off_and_the_owner_and_the_log_are_told(world: World) -> None:
    with receiver(lambda got: 410) as there:
        hook, _ = make(world, there.url + "/secret-path", verbs=["job.changed"])
        happen(world, 3)
        work(world)
        number(world)
        happen(world)
        work(world)
        assert len(there.got) == 1
    row = again(world, hook)
    assert (row.active, row.off_reason) == (False, OffReason.GONE)
    with company(world.id):
        told = Event.objects.get(verb="webhook.disabled")
    assert told.data["reason"] == "gone"
    due.work(world.id)
    letters = [one for one in mail.outbox if "switched off" in one.subject]
    assert [one.to for one in letters] == [[world.owner.email]]
    assert f"/company/webhooks/{hook.id}" in letters[0].body
    assert "secret-path" not in letters[0].body + json.dumps(told.data)


def test_nobody_is_warned_of_a_webhook_that_is_on_again(world: World) -> None:
    with receiver(lambda got: 410) as there:
        hook, _ = make(world, there.url, verbs=["job.changed"])
        happen(world)
        work(world)
    with company(world.id):
        Webhook.objects.filter(id=hook.id).update(active=True)
    due.work(world.id)
    assert not [one for one in mail.outbox if "switched off" in one.subject]


def test_what_is_due_for_a_removed_webhook_sends_nothing_and_is_due_no_more(world: World) -> None:
    with receiver() as there:
        hook, _ = make(world, there.url, verbs=["job.changed"])
        happen(world)
        with company(world.id):
            webhooks.remove(world.actor("owner"), hook.id)
            due.schedule(webhook_queue.SEND, hook.id)
        work(world)
        assert there.got == []
    with company(world.id):
        assert not DueWork.objects.filter(kind=webhook_queue.SEND).exists()


def test_a_webhook_that_rests_sends_nothing_until_then(world: World) -> None:
    with receiver() as there:
        hook, _ = make(world, there.url, verbs=["job.changed"])
        happen(world)
        with company(world.id):
            until = timezone.now() + timedelta(hours=1)
            Webhook.objects.filter(id=hook.id).update(rests_until=until)
        work(world)
        assert there.got == []
        with company(world.id):
            Webhook.objects.filter(id=hook.id).update(rests_until=timezone.now())
            DueWork.objects.update(due_at=timezone.now())
        work(world)
        assert len(there.got) == 1


def test_W5_five_days_of_failure_switch_it_off_and_on_again_it_goes_on_where_it_stopped(
    world: World, clock: Clock
) -> None:
    with receiver(lambda got: 500) as there:
        hook, _ = make(world, there.url, verbs=["job.changed"])
        for n in range(20):
            happen(world, subject=[world.job.id, world.site.id, world.system.id][n % 3])
        started = clock()
        until_quiet(world, clock, timedelta(days=12), lambda: not again(world, hook).active)
        assert timedelta(days=5) <= clock() - started < timedelta(days=6)
        assert again(world, hook).off_reason == OffReason.FAILING
        tried = len(there.got)
        happen(world)
        work(world)
        assert len(there.got) == tried
        there.got.clear()
        there.answer = lambda got: 204
        row = again(world, hook)
        with company(world.id):
            webhooks.change(world.actor("owner"), hook.id, row.version, {"active": True})
        work(world)
    delivered = [json.loads(one.body)["data"]["number"] for one in there.got]
    given_up = states(world)["given_up"]
    assert len(delivered) == len(set(delivered)) == 21 - given_up
    assert given_up <= 3  # the first of each subject had all its tries


def test_events_of_one_subject_wait_for_each_other_and_others_do_not(world: World, clock: Clock) -> None:
    poison = world.site.id

    def answer(got: Got) -> int:
        told = json.loads(got.body)["data"]
        return 500 if told["subject"]["id"] == str(poison) and told["data"]["n"] == 0 else 204

    with receiver(answer) as there:
        make(world, there.url, verbs=["job.changed"])
        happen(world, 2, subject=poison)
        happen(world, 5)
        until_quiet(world, clock, timedelta(minutes=1), lambda: states(world)["delivered"] == 5)
        assert states(world) == {"delivered": 5, "waiting": 2}
        there.answer = lambda got: 204
        until_quiet(world, clock, timedelta(hours=1), lambda: states(world)["delivered"] == 7)
    numbers = [
        json.loads(one.body)["data"]["number"]
        for one in there.got
        if json.loads(one.body)["data"]["subject"]["id"] == str(poison)
    ]
    assert numbers == sorted(numbers)
    assert len(set(numbers)) == 2


def test_a_failing_webhook_does_not_hold_up_another(world: World) -> None:
    with receiver(lambda got: 500) as bad, receiver(host="127.0.0.6") as good:
        make(world, bad.url, verbs=["job.changed"])
        make(world, good.url, verbs=["job.changed"])
        happen(world, 30)
        work(world)
    assert len({one.id for one in good.got}) == 30
    assert len(bad.got) <= webhook_queue.LINES


def test_two_webhooks_get_the_same_event_under_different_ids(world: World) -> None:
    with receiver() as one, receiver(host="127.0.0.6") as other:
        for there in (one, other):
            make(world, there.url, verbs=["job.changed"])
        happen(world)
        work(world)
    assert one.got[0].id != other.got[0].id


def test_another_companys_events_are_never_sent(world: World, company_b: World) -> None:
    with receiver() as there:
        make(world, there.url)
        happen(company_b, 3)
        work(company_b)
        happen(world)
        work(world)
    assert {json.loads(one.body)["data"]["company"] for one in there.got} == {str(world.id)}


# Renewal, replay, sample


def test_after_a_renewal_both_secrets_verify_until_the_time_is_over(world: World, clock: Clock) -> None:
    with receiver() as there:
        hook, old = make(world, there.url, verbs=["job.changed"])
        with company(world.id):
            new = webhooks.rotate(world.actor("owner"), hook.id, overlap_hours=2)[1]
        happen(world)
        work(world)
        assert there.got[0].headers["webhook-signature"].count("v1,") == 2
        for secret in (old, new):
            there.got[0].verify(secret)
        with company(world.id):
            Webhook.objects.update(former_until=timezone.now() - timedelta(seconds=1))
        happen(world)
        work(world)
    there.got[1].verify(new)
    with pytest.raises(Exception, match="No matching signature"):
        there.got[1].verify(old)


def test_secrets_are_not_in_the_database(world: World) -> None:
    with receiver() as there:
        hook, secret = make(world, there.url)
    row = again(world, hook)
    assert secret.encode() not in bytes(row.secret)
    with company(world.id):
        assert secret not in str(list(Event.objects.values_list("data", flat=True)))


def test_a_replay_sends_the_same_ids_in_order_from_a_number_or_a_moment(world: World, clock: Clock) -> None:
    with receiver() as there:
        happen(world, 4)
        hook, _ = make(world, there.url, verbs=["job.changed"])
        happen(world, 3)
        work(world)
        assert len(there.got) == 3
        first = [one.id for one in there.got]
        there.got.clear()
        with company(world.id):
            assert webhooks.replay(world.actor("owner"), hook.id, after=2) == 2
        number(world)
        work(world)
        again_ids = [one.id for one in there.got]
        assert len(again_ids) == len(set(again_ids)) == 5
        assert again_ids[-3:] == first
        there.got.clear()
        clock.ahead += timedelta(hours=1)
        happen(world)
        since = timezone.now() - timedelta(minutes=30)
        work(world)
        there.got.clear()
        with company(world.id):
            webhooks.replay(world.actor("owner"), hook.id, since=since)
        work(world)
        assert len(there.got) == 1


def test_a_sample_arrives_without_an_event_and_also_while_it_rests(world: World) -> None:
    with receiver(lambda got: 500) as there:
        hook, secret = make(world, there.url, verbs=["job.changed"])
        happen(world)
        work(world)
        there.answer = lambda got: 204
        with company(world.id):
            webhooks.sample(world.actor("owner"), hook.id)
        work(world)
    sample = [one for one in there.got if b"webhook.sample" in one.body]
    assert sample[0].verify(secret)["type"] == "webhook.sample"
    assert outcomes(world)[-1] == Outcome.DELIVERED


# The work itself


def test_a_worker_that_lost_its_lease_keeps_nothing_and_the_id_stays(world: World) -> None:
    with receiver() as there:
        make(world, there.url, verbs=["job.changed"])
        happen(world)

        def steal(got: Got) -> int:
            return 204

        there.answer = steal
        with company(world.id):
            piece = due.claim([webhook_queue.SEND])
        assert piece is not None
        with company(world.id):
            DueWork.objects.filter(id=piece.id).update(lease_id=piece.subject_id)
        with pytest.raises(due.LeaseLost), company_var(world.id):
            webhook_queue.serve(piece)
        assert states(world) == {}
        with company(world.id):
            DueWork.objects.filter(id=piece.id).update(lease_until=None, state="due")
        work(world)
    assert len(there.got) == 1
    assert states(world) == {"delivered": 1}


def test_the_webhook_is_locked_before_its_work_as_the_owners_acts_lock_them(world: World) -> None:
    with receiver() as there:
        make(world, there.url, verbs=["job.changed"])
        happen(world)
        with CaptureQueriesContext(connection) as seen:
            work(world)
    texts = [one["sql"] for one in seen.captured_queries if "SKIP LOCKED" not in one["sql"]]
    locks = [re.findall('FROM "(\\w+)"', text)[0] for text in texts if "FOR UPDATE" in text]
    assert locks == ["reports_webhook", "jobs_duework"] * 2  # before sending and after
    assert states(world) == {"delivered": 1}


def test_an_event_numbered_while_a_turn_ends_is_not_forgotten(world: World) -> None:
    with receiver() as there:

        def more(got: Got) -> int:
            there.answer = lambda got: 204
            return 204

        make(world, there.url, verbs=["job.changed"])
        happen(world)
        real = webhook_queue.send

        def send(*args: Any) -> Any:
            done = real(*args)
            if len(there.got) == 1:
                happen(world)
            return done

        webhook_queue.send = send  # type: ignore[assignment]
        try:
            work(world)
        finally:
            webhook_queue.send = real
    assert len(there.got) == 2
    with company(world.id):
        assert not DueWork.objects.filter(kind=webhook_queue.SEND).exists()


def test_old_tries_and_what_is_left_of_removed_webhooks_are_cleared_away(world: World, clock: Clock) -> None:
    with receiver() as there:
        hook, _ = make(world, there.url, verbs=["job.changed"])
        other, _ = make(world, there.url, verbs=["job.changed"])
        happen(world)
        work(world)
        clock.ahead += timedelta(days=29)
        due.work(world.id)
        assert len(outcomes(world)) == 2
        happen(world)
        work(world)
        with company(world.id):
            webhooks.remove(world.actor("owner"), other.id)
        clock.ahead += timedelta(days=2)
        due.work(world.id)
        assert len(outcomes(world)) == 2
        assert states(world) == {"delivered": 2}
        clock.ahead += timedelta(days=31)
        due.work(world.id)
    assert outcomes(world) == []
    with company(world.id):
        assert [row.id for row in Webhook.objects.all()] == [hook.id]
        assert DueWork.objects.filter(kind=webhook_queue.PRUNE).exists()


def flood(world: World, count: int) -> None:
    """Many events of many subjects, numbered."""
    with company(world.id):
        for _ in range(count // 1000):
            one = [events.Happening(uuid7(), {"n": n}) for n in range(1000)]
            events.record_many(world.actor("owner"), "session.stored", "session", one)
    number(world)


def test_W8_ten_thousand_events_of_a_day_without_receiver_all_arrive_in_order_under_ids_of_their_own(
    world: World, clock: Clock
) -> None:
    with receiver(lambda got: 503) as there:
        make(world, there.url, verbs=["session.stored"])
        for hour in range(24):  # a day away: time moves from one try to the next
            if hour < 10:
                flood(world, 1000)
            until_quiet(world, clock, timedelta(hours=1), lambda: False)
        failed = len(there.got)
        assert 24 * 60 / 18 <= failed <= 24 * 4 + 30
        with company(world.id):
            assert WebhookMessage.objects.count() <= webhook_queue.WINDOW
        there.got.clear()
        there.answer = lambda got: 204
        started = time.monotonic()
        until_quiet(world, clock, timedelta(minutes=30), lambda: len(there.got) >= 10_000)
        took = time.monotonic() - started
    print(f"figure: webhooks_after_outage = {10_000 / took:.0f} events/s")
    assert len({one.id for one in there.got}) == len(there.got) == 10_000
    assert states(world) == {"delivered": 10_000}
    numbers = [json.loads(one.body)["data"]["number"] for one in there.got]
    assert len(set(numbers)) == 10_000
    late = max(abs(place - n) for place, n in enumerate(number - min(numbers) for number in numbers))
    assert late <= webhook_queue.WINDOW  # what overtakes stays within what was queued together
