"""The company's append-only log: recorded by actions, numbered and chained by the sequencer.

Writers never wait for a number. An action adds its event in its own transaction; the sequencer, one at a
time per company, numbers committed events, chains them with a keyed MAC whose key is not in the database,
and only then they show in feeds.
"""

import hashlib
import hmac
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from jobs import bulk, due
from jobs.access import Actor
from jobs.models import ChainHead, Event, EventPosition, UnnumberedEvent
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import uuid7

BATCH = 500
GENESIS = bytes(32)


def canonical(value: Any) -> bytes:
    """The one byte form of a JSON value: sorted keys, no spaces, UTF-8. Digests are taken over it."""
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def digest(value: Any) -> str:
    """SHA-256 of the canonical form, hex."""
    return hashlib.sha256(canonical(value)).hexdigest()


def record(
    actor: Actor,
    verb: str,
    subject_type: str,
    subject_id: UUID,
    *,
    data: dict[str, Any] | None = None,
    content_digest: str = "",
) -> Event:
    """Adds an event in the caller's transaction, e.g. record(actor, "job.approved", "job", job.id)."""
    event: Event = Event.objects.create(
        at=timezone.now(),
        verb=verb,
        subject_type=subject_type,
        subject_id=subject_id,
        member_id=actor.member_id,
        device_id=actor.device_id,
        token_id=actor.token_id,
        data=data or {},
        content_digest=content_digest,
    )
    UnnumberedEvent.objects.create(id=event.id)
    due.ring(due.EVENTS, actor.company_id)
    return event


@dataclass(frozen=True)
class Happening:
    """One event of many recorded together."""

    subject_id: UUID
    data: dict[str, Any]
    content_digest: str = ""


RECORD = """
INSERT INTO jobs_event (company_id, id, at, verb, subject_type, subject_id, member_id, device_id, token_id,
                        data, content_digest)
SELECT %b::uuid, i, %b::timestamptz, %b::text, %b::text, s, %b::uuid, %b::uuid, %b::uuid, d::jsonb, c
FROM unnest(%b::uuid[], %b::uuid[], %b::text[], %b::text[]) AS x (i, s, d, c)
"""
WAIT = """
INSERT INTO jobs_unnumberedevent (company_id, id, at)
SELECT %b::uuid, i, %b::timestamptz FROM unnest(%b::uuid[]) AS x (i)
"""


def record_many(actor: Actor, verb: str, subject_type: str, happenings: Sequence[Happening]) -> None:
    """Adds an event for each in two statements, in the caller's transaction."""
    if happenings:
        bulk.run_together(record_statements(actor, verb, subject_type, happenings))
        due.ring("events", actor.company_id)


def record_statements(
    actor: Actor, verb: str, subject_type: str, happenings: Sequence[Happening]
) -> list[bulk.Statement]:
    """The same for a caller that sends them together with its own and rings by itself."""
    company_id, now = current_company(), timezone.now()
    ids = bulk.Uuids([uuid7().bytes for _ in happenings])
    who = [actor.member_id, actor.device_id, actor.token_id]
    columns = [
        ids,
        bulk.Uuids(bulk.id_bytes(h.subject_id for h in happenings)),
        bulk.Texts([canonical(h.data).decode() for h in happenings]),
        bulk.Texts([h.content_digest for h in happenings]),
    ]
    return [
        bulk.Statement(RECORD, [company_id, now, verb, subject_type, *who, *columns]),
        bulk.Statement(WAIT, [company_id, now, ids]),
    ]


def event_content(event: Event) -> dict[str, Any]:
    """What the chain protects of an event: every column."""
    return {
        "id": str(event.id),
        "company": str(event.company_id),
        "at": event.at.astimezone(UTC).isoformat(timespec="microseconds"),
        "verb": event.verb,
        "subject_type": event.subject_type,
        "subject_id": str(event.subject_id),
        "member": str(event.member_id) if event.member_id else None,
        "device": str(event.device_id) if event.device_id else None,
        "token": str(event.token_id) if event.token_id else None,
        "data": event.data,
        "content_digest": event.content_digest,
    }


def link(previous: bytes, number: int, event: Event) -> bytes:
    """HMAC-SHA-256 over the previous link, the number and the event."""
    message = previous + number.to_bytes(8, "big") + canonical(event_content(event))
    return hmac.digest(settings.EVENT_CHAIN_KEY, message, "sha256")


def sequence(limit: int = BATCH) -> int:
    """Numbers up to `limit` committed events of the current company. Returns how many.

    The head's row lock makes it one at a time; a second sequencer waits, then finds the rest.
    """
    with transaction.atomic():
        head = _locked_head()
        waiting = list(UnnumberedEvent.objects.order_by("id").values_list("id", flat=True)[:limit])
        if not waiting:
            return 0
        events = Event.objects.in_bulk(waiting)
        positions = []
        for event_id in waiting:
            head.number += 1
            head.mac = link(bytes(head.mac), head.number, events[event_id])
            positions.append(EventPosition(id=uuid7(), event_id=event_id, number=head.number, mac=head.mac))
        EventPosition.objects.bulk_create(positions)
        UnnumberedEvent.objects.filter(id__in=waiting).delete()
        head.save(update_fields=["number", "mac"])
        return len(waiting)


def _locked_head() -> ChainHead:
    ChainHead.objects.bulk_create(
        [ChainHead(company_id=current_company(), number=0, mac=GENESIS)], ignore_conflicts=True
    )
    head: ChainHead = ChainHead.objects.select_for_update().get()
    return head


def chain_head() -> tuple[int, str]:
    """Number and MAC (hex) of the last numbered event; (0, "") before the first."""
    head = ChainHead.objects.first()
    return (head.number, bytes(head.mac).hex()) if head else (0, "")


def broken_links(after: int = 0) -> list[str]:
    """Walks the chain and names the first altered, missing or reordered event; empty when whole."""
    previous, expected = GENESIS, 1
    if after:
        previous, expected = bytes(EventPosition.objects.get(number=after).mac), after + 1
    rows = EventPosition.objects.filter(number__gt=after).select_related("event").order_by("number")
    for position in rows.iterator(chunk_size=BATCH):
        if position.number != expected:
            return [f"event number {expected} is missing"]
        mac = link(previous, position.number, position.event)
        if not hmac.compare_digest(mac, bytes(position.mac)):
            return [f"event number {position.number} ({position.event_id}) was altered"]
        previous, expected = mac, expected + 1
    number, head_mac = chain_head()
    if (number, head_mac) != (expected - 1, previous.hex() if expected > 1 else ""):
        return [f"the chain ends at {expected - 1}, its head says {number}"]
    return []


def stamp(moment: datetime) -> str:
    """A moment in UTC, as it stands in digests and snapshots."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")
