"""The company's append-only log: recorded by actions, numbered and chained by the sequencer.

Writers never wait for a number. An action adds its event in its own transaction; the sequencer, one at a
time per company, numbers committed events, chains them with a keyed MAC whose key is not in the database,
and only then they show in feeds.
"""

import hashlib
import hmac
import json
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from itertools import islice
from typing import Any
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.db.models import Model
from django.utils import timezone

from jobs import bulk, due, metrics
from jobs.access import Actor
from jobs.models import ChainHead, Event, EventPosition, UnnumberedEvent
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import uuid7

log = logging.getLogger(__name__)
BATCH = 500
Follower = Callable[[int], None]
_followers: list[Follower] = []
GENESIS = bytes(32)


_encode = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


def canonical(value: Any) -> bytes:
    """The one byte form of a JSON value: sorted keys, no spaces, UTF-8. Digests are taken over it."""
    return _encode(value).encode()


def digest(value: Any) -> str:
    """SHA-256 of the canonical form, hex."""
    return hashlib.sha256(canonical(value)).hexdigest()


def row_digest(*rows: Model, instead: Mapping[str, str] | None = None) -> str:
    """SHA-256 over every column of rows that are evidence together, e.g. a certificate and its points.

    A model's `DIGESTED` names columns left out here, since another column holds their digest. `instead`:
    SHA-256 of columns of bytes of the first row that did not come with an import. What an event carries of
    this, no one changes unseen: the event is chained.
    """
    plain = [(row._meta.db_table, row_columns(row)) for row in rows]
    plain[0][1].update(instead or {})
    return _tables_digest(plain)


def row_columns(row: Model) -> dict[str, Any]:
    """The columns of a row that its digest covers, by name."""
    apart = getattr(row, "DIGESTED", {})
    return {
        field.attname: getattr(row, field.attname)
        for field in row._meta.concrete_fields
        if field.name not in apart
    }


def columns_digest(table: str, columns: Mapping[str, Any]) -> str:
    """The `row_digest` of a single row that is written without its model."""
    return _tables_digest([(table, columns)])


def _tables_digest(rows: Sequence[tuple[str, Mapping[str, Any]]]) -> str:
    plain = [
        [table, {name: plain_value(value) for name, value in columns.items()}] for table, columns in rows
    ]
    return digest(sorted(plain, key=lambda row: (row[0], row[1]["id"])))


def plain_value(value: Any) -> Any:
    """One form of a column's value, the same before it is stored and when it is read back.

    Numbers are floats; bytes and JSON are their SHA-256.
    """
    if value is None or type(value) is str or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return str(value)
    if isinstance(value, int | float):
        return float(value) + 0.0
    if isinstance(value, dict | list | tuple):
        return hashlib.sha256(_json_text(value)).hexdigest()
    if isinstance(value, bytes | bytearray | memoryview):
        return hashlib.sha256(value).hexdigest()
    return _moment(value)


def _json_text(value: Any) -> bytes:
    """The canonical form of a JSON value as jsonb gives it back: no sign of zero, 1e+16 a whole number."""
    text = canonical(value)
    return canonical(_as_stored(value)) if b"-0.0" in text or b"e+" in text else text


def _as_stored(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _as_stored(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_as_stored(one) for one in value]
    if isinstance(value, float):
        return int(Decimal(repr(value))) if "e+" in repr(value) else value + 0.0
    return value


def _moment(value: Any) -> str:
    if isinstance(value, datetime):
        return stamp(value)
    return value.isoformat() if isinstance(value, date) else str(value)


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
    UnnumberedEvent.objects.create(id=event.id, seal=seal(event_content(event)))
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
INSERT INTO jobs_unnumberedevent (company_id, id, at, seal)
SELECT %b::uuid, i, %b::timestamptz, s FROM unnest(%b::uuid[], %b::text[]) AS x (i, s)
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
    new = [uuid7() for _ in happenings]
    common = event_content(
        Event(
            company_id=company_id,
            at=now,
            verb=verb,
            subject_type=subject_type,
            member_id=actor.member_id,
            device_id=actor.device_id,
            token_id=actor.token_id,
        )
    )
    ids = bulk.Uuids(bulk.id_bytes(new))
    seals = bulk.Texts(
        [
            seal(
                common
                | {
                    "id": str(i),
                    "subject_id": str(one.subject_id),
                    "data": one.data,
                    "content_digest": one.content_digest,
                }
            )
            for i, one in zip(new, happenings, strict=True)
        ]
    )
    who = [actor.member_id, actor.device_id, actor.token_id]
    columns = [
        ids,
        bulk.Uuids(bulk.id_bytes(h.subject_id for h in happenings)),
        bulk.Texts([canonical(h.data).decode() for h in happenings]),
        bulk.Texts([h.content_digest for h in happenings]),
    ]
    return [
        bulk.Statement(RECORD, [company_id, now, verb, subject_type, *who, *columns]),
        bulk.Statement(WAIT, [company_id, now, ids, seals]),
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


def seal(content: Mapping[str, Any]) -> str:
    """HMAC-SHA-256, hex, of an event's content (`event_content`) before it has a number."""
    data = hashlib.sha256(_json_text(content["data"])).hexdigest()
    message = b"waits" + canonical({**content, "data": data})
    return hmac.new(settings.EVENT_CHAIN_KEY, message, "sha256").hexdigest()


def is_sealed(waiting: UnnumberedEvent, event: Event) -> bool:
    """Whether the service itself recorded the event as it stands."""
    return hmac.compare_digest(waiting.seal, seal(event_content(event)))


def link(previous: bytes, number: int, event: Event) -> bytes:
    """HMAC-SHA-256 over the previous link, the number and the event."""
    message = previous + number.to_bytes(8, "big") + canonical(event_content(event))
    return hmac.digest(settings.EVENT_CHAIN_KEY, message, "sha256")


def follow(told: Follower) -> Follower:
    """Has a function called in each transaction that numbers events, with the newest number."""
    if told not in _followers:
        _followers.append(told)
    return told


def sequence(limit: int = BATCH) -> int:
    """Numbers up to `limit` committed events of the current company. Returns how many.

    The head's row lock makes it one at a time; a second sequencer waits, then finds the rest. An event whose
    seal does not fit was not recorded by the service, or was altered since: it never gets a number.
    """
    with transaction.atomic():
        head = _locked_head()
        waiting = _sealed(limit)
        if not waiting:
            return 0
        positions = []
        for event in waiting:
            head.number += 1
            head.mac = link(bytes(head.mac), head.number, event)
            positions.append(EventPosition(id=event.id, event_id=event.id, number=head.number, mac=head.mac))
        EventPosition.objects.bulk_create(positions)
        UnnumberedEvent.objects.filter(id__in=[event.id for event in waiting]).delete()
        head.save(update_fields=["number", "mac"])
        for told in _followers:
            told(head.number)
        return len(waiting)


def _sealed(limit: int) -> list[Event]:
    """The first events that wait and are the service's own, in the order they were recorded."""
    found: list[Event] = []
    rows = UnnumberedEvent.objects.order_by("id").iterator(chunk_size=BATCH)
    while len(found) < limit and (chunk := list(islice(rows, limit - len(found)))):
        events = Event.objects.in_bulk([row.id for row in chunk])
        for row in chunk:
            event = events.get(row.id)
            if event is not None and is_sealed(row, event):
                found.append(event)
            else:
                metrics.SEALS.inc()
                log.error("event %s waits with a seal that is not ours: it gets no number", row.id)
    return found


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


@dataclass(frozen=True)
class Link:
    """One numbered event as the walk of the chain finds it; `fault` says in words what does not hold."""

    number: int
    event: Event
    mac: bytes
    fault: str = ""


def number_before(moment: datetime) -> int:
    """The number of the last event before the first one at or after a moment; the last of all if none is."""
    first = EventPosition.objects.filter(event__at__gte=moment).order_by("number").first()
    return first.number - 1 if first else chain_head()[0]


def walk(after: int = 0) -> Iterator[Link]:
    """Walks the chain in the order of its numbers, each event with what does not hold about it.

    After a broken link it goes on from the link that is stored there, so that a second break shows too. In a
    transaction; memory stays flat.
    """
    rows = EventPosition.objects.filter(number__gt=after).select_related("event").order_by("number")
    stream = rows.iterator(chunk_size=BATCH)
    previous, expected = mac_at(after), after + 1
    while chunk := list(islice(stream, BATCH)):
        for index, position in enumerate(chunk):
            mac = link(previous, position.number, position.event)
            fault = ""
            if position.number != expected:
                fault = _gap(expected, position.number)
            elif not hmac.compare_digest(mac, bytes(position.mac)):
                fault = _broken(previous, position, chunk[index + 1 :])
            elif position.id != position.event_id:
                fault = f"the position of event number {position.number} has another id"
            previous, expected = bytes(position.mac), position.number + 1
            yield Link(position.number, position.event, previous, fault)


def mac_at(number: int) -> bytes:
    if not number:
        return GENESIS
    position = EventPosition.objects.filter(number=number).first()
    return bytes(position.mac) if position else GENESIS


def _gap(expected: int, found: int) -> str:
    missing = f"event number {expected} is missing" if found > expected else f"number {found} is out of order"
    return f"{missing}; the next there is number {found}"


def _broken(previous: bytes, position: EventPosition, later: Sequence[EventPosition]) -> str:
    """What a link that does not hold is: an event in another's place, or an event or link altered."""
    for other in later:
        mac = link(previous, position.number, other.event)
        if mac in (bytes(position.mac), bytes(other.mac)):
            return (
                f"event number {position.number} is reordered: {other.event_id} belongs here, not "
                f"{position.event_id}"
            )
    return f"event number {position.number} ({position.event_id}) was altered, or its link was"


def end_fault(last: int, mac: bytes) -> str:
    """What is wrong with the head, when the walk ended at a number and link; empty when it fits."""
    head = ChainHead.objects.first()
    if head is None:
        return f"the chain ends at {last} and its head is missing" if last else ""
    if head.number != last:
        return f"the chain ends at {last}, its head says {head.number}"
    return "" if bytes(head.mac) == mac else f"the head's link differs from that of event number {last}"


def broken_links(after: int = 0) -> list[str]:
    """The first altered, missing or reordered event, in words; empty when the chain is whole."""
    last, mac = after, mac_at(after)
    for found in walk(after):
        if found.fault:
            return [found.fault]
        last, mac = found.number, found.mac
    end = end_fault(last, mac)
    return [end] if end else []


def stamp(moment: datetime) -> str:
    """A moment in UTC, as it stands in digests and snapshots."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")
