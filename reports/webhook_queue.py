"""Sends numbered events to webhooks: at least once, each under one id, without holding anybody up.

A webhook's cursor says which event of the log was looked at last. What it wants of the next ones becomes
messages, a bounded number at a time; a cursor and the messages made of it are one transaction, so an event is
neither lost nor sent before it has its number. One worker at a time serves a webhook, over a few connections.

Order: messages of one subject go out in the order of their numbers, and while one waits for its next try
those after it wait too. Messages of different subjects may overtake each other. A receiver that needs the
order of all sorts by `data.number`.

While tries fail the webhook rests between them, longer each time, and is probed with one message. A message
is given up after all the tries of `RETRIES`; a webhook is switched off after five days without a good one.
"""

import logging
import random
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.db.models import Exists, Min, OuterRef, QuerySet
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events, mail
from jobs.access import Actor
from jobs.models import Company, DueState, DueWork, EventPosition, Member
from jobs.tenancy.context import current_company
from reports import sealed
from reports.models import MessageState, OffReason, Outcome, Webhook, WebhookAttempt, WebhookMessage
from reports.outgoing import messages
from reports.outgoing.exchange import Answer, Line

log = logging.getLogger(__name__)
SEND, PRUNE, MAIL = "webhook-send", "webhook-prune", "webhook-mail"
QUEUE, PURPOSE = "webhooks", b"reports.webhooks"
LEASE = timedelta(seconds=110)
LINES, BATCH, WINDOW = 4, 100, 500
"""Connections to one receiver, messages in one turn, messages that wait at most."""
TURN_SECONDS = 20.0
AT_ONCE = 3
"""Webhooks of one company that are served at the same time."""
RETRIES = [
    timedelta(seconds=seconds)
    for seconds in (5, 30, 120, 600, 1800, 3600, 10_800, 21_600, 43_200, 86_400, 86_400, 86_400)
]
"""Waits between the tries of one message, four days in all; each is lengthened by up to a fifth."""
LONGEST_REST = timedelta(minutes=15)
AWAY = 3
"""Failures in a row that tell of an absent receiver: once it is back, all that failed is due at once."""
OFF_AFTER = timedelta(days=5)
FEWEST_FAILURES = 10
KEPT_FOR = timedelta(days=30)
PRUNED_AT_ONCE = 2000


@dataclass(frozen=True)
class Envelope:
    """A message ready to be sent, without the database."""

    message: WebhookMessage
    id: str
    body: bytes


@dataclass(frozen=True)
class Try:
    message: WebhookMessage
    at: datetime
    answer: Answer


# Waking


@events.follow
def wake(number: int) -> None:
    """Makes the active webhooks of the company due: events up to a number have just been numbered."""
    active = Webhook.objects.filter(active=True, removed_at=None)
    found = list(active.order_by("id").values_list("id", flat=True))
    for webhook_id in found:
        due.schedule_later(SEND, webhook_id, timedelta())
    if found:
        due.ring(SEND, current_company())


def hurry(webhook_id: UUID) -> None:
    """Makes a webhook due now, also when it was to wait."""
    due.schedule_later(SEND, webhook_id, timedelta())
    DueWork.objects.filter(kind=SEND, subject_id=webhook_id, state=DueState.DUE).update(due_at=timezone.now())
    due.ring(SEND, current_company())


def keep_house() -> None:
    """Makes the daily clearing of the company's log of tries due."""
    due.schedule_later(PRUNE, current_company(), timedelta(days=1))


# One turn


@due.handler(SEND, lease=LEASE, queue=QUEUE)
def serve(claim: due.Claim) -> None:
    """Queues what is new for one webhook, sends what is due, and says when it is due again."""
    with transaction.atomic():
        hook = _locked(claim.subject_id)
        claim.hold()
        if hook is None:
            claim.finish()
            return
        if _others_served(claim) >= AT_ONCE:
            claim.put_back(timedelta(seconds=1))
            return
        fill(hook)
        envelopes = [Envelope(one, messages.id_of(one), messages.body_of(one)) for one in _take(hook)]
        secrets = _secrets(hook)
    tries = send(hook.url, secrets, envelopes)
    with transaction.atomic():
        hook = _locked(claim.subject_id, also_off=True)
        claim.hold()
        if hook is not None:
            keep(hook, tries)
        wait = _wait(hook) if hook is not None and hook.active else None
        if wait is None:
            claim.finish()
        else:
            claim.put_back(wait)


def _locked(webhook_id: UUID, also_off: bool = False) -> Webhook | None:
    """The row, locked; always before the claim's, as the owner's acts do."""
    found = Webhook.objects.select_for_update(of=("self",)).filter(id=webhook_id, removed_at=None)
    row: Webhook | None = found.first()
    return row if row is not None and (also_off or row.active) else None


def _others_served(claim: due.Claim) -> int:
    held = DueWork.objects.filter(kind=SEND, state=DueState.CLAIMED, lease_until__gt=timezone.now())
    return int(held.exclude(id=claim.id).count())


def fill(hook: Webhook) -> None:
    """Makes messages of the events after the cursor, as long as few enough wait, and moves the cursor."""
    room = WINDOW - _waiting(hook).count()
    numbered = EventPosition.objects.filter(number__gt=hook.cursor).select_related("event").order_by("number")
    found = list(numbered[: max(room, 0)])
    if not found:
        return
    now = timezone.now()
    rows = [
        WebhookMessage(
            webhook=hook,
            event=one.event,
            number=one.number,
            subject_id=one.event.subject_id,
            due_at=now,
            created_at=now,
        )
        for one in found
        if not hook.verbs or one.event.verb in hook.verbs
    ]
    WebhookMessage.objects.bulk_create(
        rows,
        update_conflicts=True,
        unique_fields=["company", "webhook", "event"],
        update_fields=["state", "tries", "due_at"],
    )
    hook.cursor = found[-1].number
    hook.save(update_fields=["cursor"])


def _waiting(hook: Webhook) -> QuerySet[WebhookMessage]:
    return WebhookMessage.objects.filter(webhook=hook, state=MessageState.WAITING)


def _before() -> QuerySet[WebhookMessage]:
    """What waits on the same subject under a lower number."""
    return WebhookMessage.objects.filter(
        webhook=OuterRef("webhook"),
        subject_id=OuterRef("subject_id"),
        state=MessageState.WAITING,
        number__lt=OuterRef("number"),
    )


def _ready(hook: Webhook, now: datetime) -> QuerySet[WebhookMessage]:
    """What may be sent now: due, and nothing before it on its subject waits for a later try."""
    held = Exists(_before().filter(due_at__gt=now))
    return _waiting(hook).filter(~held, due_at__lte=now).order_by("number", "id")


def _take(hook: Webhook) -> list[WebhookMessage]:
    """The next messages; one alone while the receiver fails, none while the webhook rests.

    That one is the least tried, so that a message which the receiver never takes does not end every probe.
    """
    now = timezone.now()
    if hook.rests_until is not None and hook.rests_until > now:
        return []
    ready = _ready(hook, now).select_related("event")
    if not hook.failures:
        return list(ready[:BATCH])
    return list(ready.filter(~Exists(_before())).order_by("tries", "number", "id")[:1])


def _secrets(hook: Webhook) -> list[str]:
    """The secrets that sign now, newest first."""
    found = [hook.secret]
    if hook.former_until is not None and hook.former_until > timezone.now():
        found.append(hook.former_secret)
    return [sealed.unseal(PURPOSE, bytes(one), hook.id).decode() for one in found]


# Sending


def send(url: str, secrets: Sequence[str], envelopes: Sequence[Envelope]) -> list[Try]:
    """Posts the messages, those of one subject one after the other. No database here.

    The first failure ends the turn; what was not tried has no entry in the result.
    """
    lines: dict[int, list[Envelope]] = {}
    for one in envelopes:
        lines.setdefault(one.message.subject_id.int % LINES, []).append(one)
    turn = _Turn(url, secrets, time.monotonic() + TURN_SECONDS)
    if len(lines) <= 1:
        return [tried for line in lines.values() for tried in turn.post(line)]
    with ThreadPoolExecutor(len(lines)) as pool:
        return [tried for done in pool.map(turn.post, lines.values()) for tried in done]


class _Turn:
    """What the lines of one turn share: they all stop when one fails or time is over."""

    def __init__(self, url: str, secrets: Sequence[str], ends_at: float) -> None:
        self.url, self.secrets, self.ends_at, self.failed = url, secrets, ends_at, False

    def post(self, envelopes: Sequence[Envelope]) -> list[Try]:
        done: list[Try] = []
        with Line() as line:
            for one in envelopes:
                if self.failed or time.monotonic() > self.ends_at:
                    break
                now = timezone.now()
                head = messages.headers(one.id, one.body, self.secrets, now)
                answer = line.post(self.url, one.body, head)
                done.append(Try(one.message, now, answer))
                if not answer.is_good:
                    self.failed = True
        return done


# Keeping what came of it


def keep(hook: Webhook, tries: Sequence[Try]) -> None:
    """Stores the tries, moves their messages on, and notes how the receiver does."""
    if not tries:
        return
    log_rows, good = [], []
    for one in tries:
        next_at = None
        if one.answer.is_good:
            good.append(one.message.id)
        else:
            next_at = _put_off(one)
        log_rows.append(_log_row(hook, one, next_at))
    WebhookMessage.objects.filter(id__in=good).update(state=MessageState.DELIVERED)
    WebhookAttempt.objects.bulk_create(log_rows)
    _note(hook, tries)


def _put_off(one: Try) -> datetime | None:
    """The moment of the message's next try; None when it was the last."""
    message, now = one.message, timezone.now()
    message.tries += 1
    if one.answer.outcome is Outcome.GONE:
        next_at = now
    elif message.tries > len(RETRIES):
        message.state, next_at = MessageState.GIVEN_UP, None
    else:
        asked = timedelta(seconds=one.answer.wait)
        next_at = now + max(_lengthened(RETRIES[message.tries - 1]), asked)
    message.due_at = next_at or now
    message.save(update_fields=["tries", "state", "due_at"])
    return next_at


def _lengthened(wait: timedelta) -> timedelta:
    """By up to a fifth, so that receivers which failed together are not all tried again together."""
    return wait * (1 + random.random() / 5)  # noqa: S311 - no secret


def _log_row(hook: Webhook, one: Try, next_at: datetime | None) -> WebhookAttempt:
    answer = one.answer
    return WebhookAttempt(
        webhook=hook,
        message=one.message,
        at=one.at,
        seconds=answer.seconds,
        outcome=answer.outcome,
        status=answer.status,
        answer=answer.text.replace("\0", "\ufffd"),
        next_at=next_at,
    )


def _note(hook: Webhook, tries: Sequence[Try]) -> None:
    """A good try ends a bad time; a failed one makes the webhook rest, and after five days ends it."""
    failed = [one for one in tries if not one.answer.is_good]
    if len(failed) < len(tries):
        if hook.failures >= AWAY:
            _waiting(hook).update(due_at=timezone.now())
        hook.failures, hook.failing_since, hook.delivered_at = 0, None, timezone.now()
    hook.rests_until = None
    if failed:
        now = timezone.now()
        hook.failures += 1
        hook.failing_since = hook.failing_since or now
        rest = _lengthened(min(RETRIES[min(hook.failures, len(RETRIES)) - 1], LONGEST_REST))
        hook.rests_until = now + max(rest, timedelta(seconds=max(one.answer.wait for one in failed)))
        _perhaps_off(hook, failed, now)
    hook.save(update_fields=["failures", "failing_since", "delivered_at", "rests_until"])


def _perhaps_off(hook: Webhook, failed: Sequence[Try], now: datetime) -> None:
    if any(one.answer.outcome is Outcome.GONE for one in failed):
        _switch_off(hook, OffReason.GONE)
    elif (
        hook.failing_since is not None
        and now - hook.failing_since >= OFF_AFTER
        and hook.failures >= FEWEST_FAILURES
    ):
        _switch_off(hook, OffReason.FAILING)


def _switch_off(hook: Webhook, reason: OffReason) -> None:
    if not hook.active:
        return
    hook.active, hook.off_reason, hook.off_at = False, reason, timezone.now()
    hook.version += 1
    hook.save(update_fields=["active", "off_reason", "off_at", "version"])
    by = Actor(company_id=current_company())
    data = {"host": messages.short_address(hook), "reason": reason.value}
    events.record(by, "webhook.disabled", "webhook", hook.id, data=data)
    mail.post(MAIL, hook.id)
    log.warning("webhook %s switched off: %s", hook.id, reason.value)


def _wait(hook: Webhook) -> timedelta | None:
    """How long until there is something to do; None when nothing waits."""
    now = timezone.now()
    rests = max(hook.rests_until - now, timedelta()) if hook.rests_until is not None else timedelta()
    waiting = _waiting(hook)
    more = EventPosition.objects.filter(number__gt=hook.cursor).exists() and waiting.count() < WINDOW
    if more or _ready(hook, now).exists():
        return rests
    later = waiting.filter(due_at__gt=now).aggregate(first=Min("due_at"))["first"]
    return max(rests, later - now) if later is not None else None


# House


@due.handler(PRUNE)
def prune(claim: due.Claim) -> None:
    """Takes tries and settled messages older than 30 days away, and what is left of removed webhooks."""
    while _prune_some(timezone.now() - KEPT_FOR):
        pass
    with transaction.atomic():
        claim.hold()
        Webhook.objects.filter(removed_at__isnull=False, messages=None).delete()
        if Webhook.objects.exists():
            claim.put_back(timedelta(days=1))
        else:
            claim.finish()


def _prune_some(before: datetime) -> bool:
    """One bounded piece, in a transaction of its own. Whether there was any."""
    old = WebhookAttempt.objects.filter(at__lt=before)
    settled = WebhookMessage.objects.filter(created_at__lt=before, attempts=None)
    settled = settled.exclude(state=MessageState.WAITING, webhook__removed_at=None)
    gone = 0
    for rows in (old, settled):
        with transaction.atomic():
            some = list(rows.values_list("id", flat=True)[:PRUNED_AT_ONCE])
            gone += rows.model.objects.filter(id__in=some).delete()[0] if some else 0
    return gone > 0


@due.handler(MAIL)
def send_warning(claim: due.Claim) -> None:
    """Tells the owners that a webhook was switched off; nobody when it is on again."""
    with transaction.atomic():
        claim.hold()
        hook = Webhook.objects.filter(id=claim.subject_id, removed_at=None, active=False).first()
        if hook is not None:
            words = {
                "hook": hook,
                "reason": gettext(OffReason(hook.off_reason).label),
                "address": messages.short_address(hook),
                "company": Company.objects.get(),
                "link": f"{settings.PUBLIC_URL}/company/webhooks/{hook.id}",
            }
            for member in Member.objects.filter(active=True, roles__contains=["owner"]):
                subject = gettext("A webhook was switched off")
                mail.send(member.email, subject, "reports/mail/webhook", {**words, "member": member})
        claim.finish()
