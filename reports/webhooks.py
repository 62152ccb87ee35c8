"""What an owner does with webhooks: name an address, change it, renew its secret, replay, try it.

Sending is in reports/webhook_queue.py. Events about webhooks name host and id only: whoever may read the log
need not learn an address whose path may be a secret.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from jobs import events, quotas, rows
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, Fault, Invalid
from jobs.tenancy.ids import uuid7
from reports import sealed, webhook_queue
from reports.models import MessageState, OffReason, Webhook, WebhookMessage
from reports.outgoing import addresses
from reports.outgoing.kinds import VERBS
from reports.outgoing.messages import new_secret, short_address

LONGEST_OVERLAP_HOURS = 7 * 24
USUAL_OVERLAP_HOURS = 24


@transaction.atomic
def make(
    actor: Actor, *, url: str, verbs: Sequence[str] = (), description: str = "", active: bool = True
) -> tuple[Webhook, str]:
    """A webhook for events from now on, and its secret, which is shown this once.

    Raises Invalid, OverQuota when there are as many as allowed, Conflict when the operators set no key.
    """
    require(actor, Action.MANAGE_WEBHOOKS)
    if not sealed.can_seal():
        raise Conflict(_("The operators of this service have set no SIGNING_KEY, so no secret can be kept."))
    quotas.require_room(quotas.Kind.WEBHOOKS)
    key, secret = uuid7(), new_secret()
    row = Webhook(
        id=key,
        url=url,
        verbs=sorted(set(verbs)),
        description=description.strip(),
        active=active,
        off_reason="" if active else OffReason.OWNER,
        secret=sealed.seal(webhook_queue.PURPOSE, secret.encode(), key),
        cursor=events.chain_head()[0],
        created_by_id=actor.member_id,
        created_at=timezone.now(),
    )
    _check(row)
    row.save(force_insert=True)
    _tell(actor, "webhook.made", row, verbs=row.verbs)
    webhook_queue.keep_house()
    return row, secret


@quotas.stores(quotas.Kind.WEBHOOKS)
def _standing() -> int:
    return Webhook.objects.filter(removed_at=None).count()


def _check(row: Webhook, *, place: bool = True) -> None:
    """Address, kinds, lengths. Raises Invalid with all that is wrong."""
    faults = [Fault("/url", words) for words in (_wrong_place(row.url) if place else ())]
    if unknown := sorted(set(row.verbs) - set(VERBS)):
        words = _("There is no such kind of event: %(kind)s.") % {"kind": str(unknown[0])[:80]}
        faults.append(Fault("/verbs", words))
    rows.check(row, faults)


def _wrong_place(url: str) -> list[str]:
    try:
        addresses.check_where(addresses.read_url(url))
    except ValueError as error:
        return [str(error)]
    except addresses.NoAddress:
        return [_("The host's name leads to no address.")]
    except addresses.NotPublic:
        return [_("The host leads to an address that is not public; it is never called.")]
    return []


@transaction.atomic
def change(actor: Actor, webhook_id: UUID, seen: int, changes: Mapping[str, Any]) -> Webhook:
    """Changes url, verbs, description, active. Switched on again it goes on where it stopped.

    Raises NotFound, PreconditionFailed, Invalid.
    """
    row = _locked(actor, webhook_id)
    rows.seen_as(row, seen)
    values = {**changes}
    if "verbs" in values:
        values["verbs"] = sorted(set(values["verbs"]))
    differing = rows.apply(row, values)
    _check(row, place="url" in differing)
    if not differing:
        return row
    names = {*differing}
    if "active" in differing:
        names |= _switched(row)
    if names & {"active", "url"} and row.active:
        names |= _fresh(row)
    rows.save(row, dict.fromkeys(names))
    _tell(actor, "webhook.changed", row, active=row.active, verbs=row.verbs, changed=sorted(differing))
    return row


def _switched(row: Webhook) -> set[str]:
    row.off_reason = "" if row.active else OffReason.OWNER
    row.off_at = None if row.active else timezone.now()
    return {"off_reason", "off_at"}


def _fresh(row: Webhook) -> set[str]:
    """What failed before is forgotten and what waits is due now."""
    row.failures, row.failing_since, row.rests_until = 0, None, None
    waiting = WebhookMessage.objects.filter(webhook=row, state=MessageState.WAITING)
    waiting.update(tries=0, due_at=timezone.now())
    webhook_queue.hurry(row.id)
    return {"failures", "failing_since", "rests_until"}


@transaction.atomic
def rotate(
    actor: Actor, webhook_id: UUID, *, overlap_hours: int = USUAL_OVERLAP_HOURS
) -> tuple[Webhook, str]:
    """A new secret, shown this once; the one before signs too for so many hours. Raises NotFound, Invalid."""
    row = _locked(actor, webhook_id)
    if not 0 <= overlap_hours <= LONGEST_OVERLAP_HOURS:
        words = _("A whole number of hours from 0 to %(most)d.") % {"most": LONGEST_OVERLAP_HOURS}
        raise Invalid(words, [Fault("/overlap_hours", words)])
    secret = new_secret()
    row.former_secret = row.secret if overlap_hours else b""
    row.former_until = timezone.now() + timedelta(hours=overlap_hours) if overlap_hours else None
    row.secret = sealed.seal(webhook_queue.PURPOSE, secret.encode(), row.id)
    row.version += 1
    row.save(update_fields=["secret", "former_secret", "former_until", "version"])
    _tell(actor, "webhook.rotated", row, overlap_hours=overlap_hours)
    return row, secret


@transaction.atomic
def remove(actor: Actor, webhook_id: UUID) -> None:
    """Nothing is sent any more, and its secret is gone. Raises NotFound."""
    row = _locked(actor, webhook_id)
    row.active, row.removed_at, row.secret, row.former_secret = False, timezone.now(), b"", b""
    row.save(update_fields=["active", "removed_at", "secret", "former_secret"])
    _tell(actor, "webhook.removed", row)


@transaction.atomic
def replay(actor: Actor, webhook_id: UUID, *, after: int | None = None, since: datetime | None = None) -> int:
    """Sends again what has a number above `after`, or happened at `since` or later, in order.

    Each event keeps its `webhook-id`. Returns the number after which it begins. Raises NotFound, Invalid,
    Conflict while the webhook is off.
    """
    row = _sending(actor, webhook_id)
    start = _start(after, since)
    row.cursor = min(row.cursor, start)
    row.save(update_fields=["cursor"])
    _tell(actor, "webhook.replayed", row, after=row.cursor)
    webhook_queue.hurry(row.id)
    return int(row.cursor)


def _start(after: int | None, since: datetime | None) -> int:
    if (after is None) == (since is None):
        words = _("Give either the number of an event or a moment.")
        raise Invalid(words, [Fault("/after", words)])
    if since is not None:
        return events.number_before(since)
    if after is None or not 0 <= after <= events.chain_head()[0]:
        words = _("There is no event with this number yet.")
        raise Invalid(words, [Fault("/after", words)])
    return after


@transaction.atomic
def sample(actor: Actor, webhook_id: UUID) -> WebhookMessage:
    """Sends a sample soon; the log tells what came of it. Raises NotFound, Conflict while it is off."""
    row = _sending(actor, webhook_id)
    key, now = uuid7(), timezone.now()
    made: WebhookMessage = WebhookMessage.objects.create(
        id=key, webhook=row, subject_id=key, due_at=now, created_at=now
    )
    row.rests_until = None
    row.save(update_fields=["rests_until"])
    webhook_queue.hurry(row.id)
    return made


def _locked(actor: Actor, webhook_id: UUID) -> Webhook:
    require(actor, Action.MANAGE_WEBHOOKS)
    row: Webhook = rows.locked(Webhook.objects.filter(removed_at=None), actor, webhook_id)
    return row


def _sending(actor: Actor, webhook_id: UUID) -> Webhook:
    row = _locked(actor, webhook_id)
    if not row.active:
        raise Conflict(_("This webhook is off. Switch it on first."))
    return row


def _tell(actor: Actor, verb: str, row: Webhook, **data: Any) -> None:
    events.record(actor, verb, "webhook", row.id, data={"host": short_address(row), **data})
