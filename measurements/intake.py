"""Batches from tablets: checked once, stored in one transaction, answered session by session.

A session is stored whole or not at all. A repeat of a known session is harmless; a known id with other
content is told and changes nothing. The body as it arrived is kept beside what was read from it.
"""

import hashlib
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import chain
from typing import Any
from uuid import UUID

import msgspec
from django.db import IntegrityError, connection, transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events
from jobs.access import Action, Actor, require
from jobs.bulk import Floats, Int2s, Statement, Texts, Times, Uuids, id_bytes, moment, run_together
from jobs.errors import Busy, Conflict, Fault, Forbidden, TooLarge
from jobs.tenancy.ids import uuid7
from measurements.batch import MOST_READINGS, Refused, read_envelope, read_session
from measurements.checked import Checked, check_session, digest_of
from measurements.methods import METHODS
from measurements.models import Batch, Session

STORED, ALREADY, OTHER, REFUSED = "stored", "already_stored", "known_with_other_content", "refused"
BATCH_TABLE, SESSION_TABLE = Batch._meta.db_table, Session._meta.db_table
UNKNOWN = "There is nothing by that id."
ATTEMPTS = 3
UNIQUE_VIOLATION = "23505"


@dataclass(frozen=True)
class Outcome:
    """What became of one session of the batch, in the batch's order. `session` is None when unreadable."""

    session: UUID | None
    outcome: str
    errors: list[Fault] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        return {
            "session": str(self.session) if self.session else None,
            "outcome": self.outcome,
            "errors": [{"pointer": f.pointer, "detail": f.detail} for f in self.errors],
        }


@dataclass
class Known:
    """What the database already has of all that a batch names."""

    jobs: set[UUID] = field(default_factory=set)
    points: set[UUID] = field(default_factory=set)
    places: set[tuple[UUID, UUID]] = field(default_factory=set)
    instruments: set[UUID] = field(default_factory=set)
    sessions: dict[UUID, tuple[str, UUID, UUID]] = field(default_factory=dict)
    rows: set[bytes] = field(default_factory=set)
    later: dict[UUID, tuple[UUID, UUID]] = field(default_factory=dict)
    """By session the one that superseded it, with that one's test point."""


def post_batch(actor: Actor, body: bytes, *, received_at: datetime | None = None) -> list[Outcome]:
    """Stores the good sessions of a batch and says of each what became of it.

    Raises Malformed, TooLarge, Invalid or Forbidden for a batch that is none, Conflict when an id of its
    readings is taken: then nothing is stored.
    """
    require(actor, Action.MEASURE)
    if actor.member_id is None:
        raise Forbidden(gettext("Readings come from a person: sign in on the tablet first."))
    received = received_at or timezone.now()
    sent_at, texts = read_envelope(body)
    outcomes, checked = _read_all(texts)
    taken = False
    with transaction.atomic(savepoint=False):
        for _ in range(ATTEMPTS):
            answer, new = _decide(checked, outcomes, look_up(actor.company_id, checked))
            try:
                stored = _store(actor, body, sent_at, received, answer, new)
            except IntegrityError as error:
                taken = _id_taken(error)
                stored = False
            if stored:
                due.ring("evaluate" if new else due.EVENTS, actor.company_id)  # evaluating rings for events
                return answer
            _undo()
    if taken:
        raise Conflict(
            gettext("An id of these readings was taken meanwhile; nothing was stored. Post again.")
        )
    raise Busy(gettext("The same sessions arrive from elsewhere at this moment; post again."), retry_after=1)


def _id_taken(error: IntegrityError) -> bool:
    """Whether it says that a row of this id is there: a session's readings, stored meanwhile by another
    transaction, or an id that the tablet gave twice. Raises it again if not."""
    if getattr(error.__cause__, "sqlstate", "") != UNIQUE_VIOLATION:
        raise error
    return True


def _undo() -> None:
    with connection.cursor() as cursor:
        cursor.execute("ROLLBACK TO SAVEPOINT batch")


def _read_all(texts: Sequence[msgspec.Raw]) -> tuple[list[Outcome | None], list[Checked]]:
    outcomes: list[Outcome | None] = [None] * len(texts)
    checked: list[Checked] = []
    rows = 0
    for index, text in enumerate(texts):
        try:
            session, readings = read_session(text)
            rows += len(readings) + len(session.sweeps)
            if rows > MOST_READINGS:
                raise _too_many()
            checked.append(check_session(index, session, readings, bytes(text)))
        except Refused as refused:
            outcomes[index] = _refuse(index, refused.session, refused.faults)
    return outcomes, checked


def _too_many() -> TooLarge:
    detail = f"A batch may have {MOST_READINGS} readings and sweeps at most; post it in parts."
    return TooLarge(detail, [Fault("/sessions", detail)])


def _refuse(index: int, session: UUID | None, faults: Iterable[Fault]) -> Outcome:
    placed = [
        Fault(_storable(f"/sessions/{index}{fault.pointer.rstrip('/')}"), _storable(fault.detail))
        for fault in faults
    ]
    return Outcome(session, REFUSED, placed)


def _storable(text: str) -> str:
    """What was posted may be quoted, and the answer is kept: the database holds no NUL."""
    return text.replace("\0", "\N{REPLACEMENT CHARACTER}")


LOOK_UP = """
SELECT 'job', id, NULL::uuid, NULL::uuid, NULL::text FROM jobs_job
  WHERE company_id = %b AND id = ANY(%b)
UNION ALL
SELECT 'point', id, NULL::uuid, NULL::uuid, NULL::text FROM jobs_testpoint
  WHERE company_id = %b AND id = ANY(%b)
UNION ALL
SELECT 'place', js.job_id, tp.id, NULL::uuid, NULL::text FROM jobs_jobsystem js
  JOIN jobs_testpoint tp ON tp.company_id = js.company_id AND tp.system_id = js.system_id
  WHERE js.company_id = %b AND js.job_id = ANY(%b) AND tp.id = ANY(%b)
UNION ALL
SELECT 'instrument', id, NULL::uuid, NULL::uuid, NULL::text FROM jobs_instrument
  WHERE company_id = %b AND id = ANY(%b)
UNION ALL
SELECT 'session', id, job_id, test_point_id, content_digest FROM measurements_session
  WHERE company_id = %b AND id = ANY(%b)
"""
LOOK_UP_LATER = """
WITH RECURSIVE chain (before, id, test_point_id) AS (
  SELECT supersedes_id, id, test_point_id FROM measurements_session
    WHERE company_id = %b AND supersedes_id = ANY(%b)
  UNION
  SELECT s.supersedes_id, s.id, s.test_point_id FROM chain c
    JOIN measurements_session s ON s.company_id = %b AND s.supersedes_id = c.id
)
SELECT 'later', before, id, test_point_id, NULL::text FROM chain
"""
LOOK_UP_ROWS = """
SELECT 'row', id, session_id, NULL::uuid, NULL::text FROM measurements_reading
  WHERE company_id = %b AND id = ANY(%b)
UNION ALL
SELECT 'row', id, session_id, NULL::uuid, NULL::text FROM measurements_sweep
  WHERE company_id = %b AND id = ANY(%b)
"""


def look_up(company_id: UUID, checked: Sequence[Checked]) -> Known:
    """All that the batch names, in one statement (and one more when the tablet gives ids to readings)."""
    if not checked:
        return Known()
    jobs = _uuids({c.job for c in checked})
    points = _uuids({c.test_point for c in checked} | {point for c in checked for point in _turned_by(c)})
    instruments = _uuids(set(chain.from_iterable(map(_instruments_of, checked))))
    sessions = _uuids({c.id for c in checked} | {c.supersedes for c in checked if c.supersedes})
    c = company_id
    statements = [Statement(LOOK_UP, [c, jobs, c, points, c, jobs, points, c, instruments, c, sessions])]
    if superseded := {one.supersedes for one in checked if one.supersedes}:
        statements.append(Statement(LOOK_UP_LATER, [c, _uuids(superseded), c]))
    if named := [i for one in checked if one.client_ids for i in _row_ids(one)]:
        statements.append(Statement(LOOK_UP_ROWS, [c, Uuids(named), c, Uuids(named)]))
    run_together(statements)
    return _known(chain.from_iterable(s.rows for s in statements))


def _uuids(ids: set[UUID]) -> Uuids:
    return Uuids(id_bytes(ids))


def _instruments_of(checked: Checked) -> Iterator[UUID]:
    yield from checked.instruments.values()
    for check in checked.content["zero_checks"]:
        yield UUID(check["instrument"])


def _turned_by(checked: Checked) -> list[UUID]:
    """Points whose dampers were turned before this session."""
    return [UUID(one["test_point"]) for one in checked.content.get("turned", ())]


def _row_ids(checked: Checked) -> list[bytes]:
    return checked.readings.ids + [sweep.id for sweep in checked.sweeps]


def _known(rows: Iterable[tuple[Any, ...]]) -> Known:
    known = Known()
    for what, first, second, third, digest in rows:
        if what == "place":
            known.places.add((first, second))
        elif what == "session":
            known.sessions[first] = (digest, second, third)
        elif what == "row":
            known.rows.add(first.bytes)
        elif what == "later":
            known.later[first] = (second, third)
        else:
            found = {"job": known.jobs, "point": known.points, "instrument": known.instruments}[what]
            found.add(first)
    return known


def _decide(
    checked: Sequence[Checked], given: Sequence[Outcome | None], known: Known
) -> tuple[list[Outcome], list[Checked]]:
    """The outcome of every session, and those to be stored. Sessions may supersede others of the batch."""
    outcomes = list(given)
    new: dict[UUID, Checked] = {}
    row_ids = known.rows.copy()
    for one in checked:
        outcomes[one.index] = _decide_one(one, known, new, row_ids)
    return [outcome for outcome in outcomes if outcome], list(new.values())


def _decide_one(one: Checked, known: Known, new: dict[UUID, Checked], row_ids: set[bytes]) -> Outcome:
    seen = known.sessions.get(one.id)
    digest = seen[0] if seen else (new[one.id].digest if one.id in new else None)
    if digest is not None:
        return Outcome(one.id, ALREADY) if _is_same(one, digest, known) else _other(one)
    faults = list(reference_faults(one, known))
    if one.supersedes:
        faults += _supersedes_faults(one, one.supersedes, known, new)
    if one.client_ids and not row_ids.isdisjoint(_row_ids(one)):
        faults.append(
            Fault("/readings", gettext("An id of these readings is already in use; give each its own."))
        )
    if faults:
        return _refuse(one.index, one.id, faults)
    new[one.id] = stored = _superseding_newest(one, known)
    if stored.supersedes:
        known.later[stored.supersedes] = (one.id, one.test_point)
    row_ids.update(_row_ids(one) if one.client_ids else ())
    return Outcome(one.id, STORED)


def _superseding_newest(one: Checked, known: Known) -> Checked:
    """The session as it is stored: what it names may have been superseded while the tablet was away.

    It then supersedes the newest that came of it, so that a chain has one end. If a correction moved that to
    another test point meanwhile, it stands alone: what it names is no measurement of its point any more. The
    batch keeps what was posted.
    """
    if one.supersedes is None or one.supersedes not in known.later:
        return one
    newest, point = known.later[one.supersedes]
    while newest in known.later:
        newest, point = known.later[newest]
    return _as_superseding(one, newest if point == one.test_point else None)


def _chain(start: UUID, known: Known) -> list[UUID]:
    """A session and what superseded it, one after the other."""
    found = [start]
    while found[-1] in known.later:
        found.append(known.later[found[-1]][0])
    return found


def _as_superseding(one: Checked, session: UUID | None) -> Checked:
    changed = replace(one, supersedes=session)
    changed.digest = digest_of(changed)
    return changed


def _is_same(one: Checked, digest: str, known: Known) -> bool:
    """Whether it is what was stored, be it as superseding the newest of what it names."""
    if one.digest == digest or one.supersedes is None:
        return one.digest == digest
    stored_as = [*_chain(one.supersedes, known)[1:], None]
    return any(_as_superseding(one, session).digest == digest for session in stored_as)


def _other(one: Checked) -> Outcome:
    detail = "This session is stored with other content, which stays. Post a new one that supersedes it."
    return Outcome(one.id, OTHER, [Fault(f"/sessions/{one.index}/id", detail)])


def reference_faults(one: Checked, known: Known) -> Iterator[Fault]:
    """What is not there, or another company's: both look alike."""
    if one.job not in known.jobs:
        yield Fault("/job", UNKNOWN)
    if one.test_point not in known.points:
        yield Fault("/test_point", UNKNOWN)
    elif one.job in known.jobs and (one.job, one.test_point) not in known.places:
        yield Fault("/test_point", gettext("This test point is not in a system of the job."))
    yield from _turned_faults(one, known)
    for use, instrument in one.instruments.items():
        if instrument not in known.instruments:
            yield Fault(f"/instruments/{use}", UNKNOWN)
    for n, check in enumerate(one.content["zero_checks"]):
        if UUID(check["instrument"]) not in known.instruments:
            yield Fault(f"/zero_checks/{n}/instrument", UNKNOWN)


def _turned_faults(one: Checked, known: Known) -> Iterator[Fault]:
    for n, point in enumerate(_turned_by(one)):
        if point not in known.points:
            yield Fault(f"/turned/{n}/test_point", UNKNOWN)
        elif one.job in known.jobs and (one.job, point) not in known.places:
            yield Fault(f"/turned/{n}/test_point", gettext("This test point is not in a system of the job."))


def _supersedes_faults(one: Checked, old: UUID, known: Known, new: dict[UUID, Checked]) -> Iterator[Fault]:
    found = known.sessions.get(old)
    place = found[1:] if found else (new[old].job, new[old].test_point) if old in new else None
    if place is None or old == one.id:
        yield Fault("/supersedes/session", UNKNOWN)
    elif place != (one.job, one.test_point):
        yield Fault(
            "/supersedes/session", gettext("A session supersedes one of the same job and test point only.")
        )


STORE_BATCH = """
INSERT INTO measurements_batch (company_id, id, member_id, device_id, token_id, received_at, sent_at, body,
                                body_digest, outcomes)
VALUES (%b, %b, %b, %b, %b, %b, %b, %b, %b, %b::text::jsonb)
"""
STORE_SESSIONS = """
INSERT INTO measurements_session (company_id, id, job_id, test_point_id, method, started_at, finished_at,
    supersedes_id, reason, note, content, content_digest, member_id, device_id, batch_id, received_at,
    clock_offset_s)
SELECT %b::uuid, i, j, t, m, s, f, NULLIF(u, '')::uuid, r, n, c::jsonb, d, %b::uuid, %b::uuid, %b::uuid,
       %b::timestamptz, %b::float8
FROM unnest(%b::uuid[], %b::uuid[], %b::uuid[], %b::text[], %b::timestamptz[], %b::timestamptz[], %b::text[],
            %b::text[], %b::text[], %b::text[], %b::text[]) AS x (i, j, t, m, s, f, u, r, n, c, d)
ON CONFLICT DO NOTHING RETURNING id
"""
STORE_READINGS = """
INSERT INTO measurements_reading (company_id, id, session_id, instrument_id, run, line, point, place,
    quantity, value, entered, unit, taken_at)
SELECT %b::uuid, i, s, t, r, l, p, w, q, v, e, u, a
FROM unnest(%b::uuid[], %b::uuid[], %b::uuid[], %b::int2[], %b::int2[], %b::int2[], %b::text[], %b::text[],
            %b::float8[], %b::text[], %b::text[], %b::timestamptz[]) AS x (i, s, t, r, l, p, w, q, v, e, u, a)
RETURNING 1
"""
STORE_SWEEPS = """
INSERT INTO measurements_sweep (company_id, id, session_id, instrument_id, run, line, quantity, started_at,
    duration_s, mean, entered, unit, samples)
SELECT %b::uuid, i, s, t, r, l, q, a, d, NULLIF(m, 'NaN'), e, u, w::float8[]
FROM unnest(%b::uuid[], %b::uuid[], %b::uuid[], %b::int2[], %b::int2[], %b::text[], %b::timestamptz[],
            %b::float8[], %b::float8[], %b::text[], %b::text[], %b::text[])
     AS x (i, s, t, r, l, q, a, d, m, e, u, w)
RETURNING 1
"""
NAN = float("nan")


def _store(
    actor: Actor,
    body: bytes,
    sent_at: datetime,
    received: datetime,
    answer: Sequence[Outcome],
    new: Sequence[Checked],
) -> bool:
    """Writes the batch and its new sessions in one message to the database.

    False when another transaction stored one of the sessions meanwhile, or superseded what one of them does;
    IntegrityError when the id of a reading or sweep is taken. Then undo it and look again.
    """
    batch = uuid7()
    columns = _batch_columns(actor, batch, body, sent_at, received, answer)
    statements = [Statement("SAVEPOINT batch", []), _batch_row(columns), *_batch_announced(actor, columns)]
    if not new:
        run_together(statements)
        return True
    offset = (received - sent_at).total_seconds()
    origin = Origin(actor.company_id, actor.member_id, actor.device_id, batch, received, offset)
    sessions, *others = session_statements(actor, origin, new)
    run_together([*statements, sessions, *others])
    return sessions.count == len(new)


def _batch_columns(
    actor: Actor, batch: UUID, body: bytes, sent_at: datetime, received: datetime, answer: Sequence[Outcome]
) -> dict[str, Any]:
    """The batch's row, in the order of STORE_BATCH."""
    return {
        "company_id": actor.company_id,
        "id": batch,
        "member_id": actor.member_id,
        "device_id": actor.device_id,
        "token_id": actor.token_id,
        "received_at": received,
        "sent_at": sent_at,
        "body": zlib.compress(body, 1),
        "body_digest": hashlib.sha256(body).hexdigest(),
        "outcomes": [outcome.as_json() for outcome in answer],
    }


def _batch_row(columns: dict[str, Any]) -> Statement:
    outcomes = msgspec.json.encode(columns["outcomes"]).decode()
    return Statement(STORE_BATCH, [*(columns | {"outcomes": outcomes}).values()])


def _batch_announced(actor: Actor, columns: dict[str, Any]) -> list[Statement]:
    """The event of a batch: also one of which nothing was stored is evidence of what arrived."""
    counts = Counter(one["outcome"] for one in columns["outcomes"])
    told = events.Happening(columns["id"], dict(counts), events.columns_digest(BATCH_TABLE, columns))
    return events.record_statements(actor, "batch.received", "batch", [told])


@dataclass(frozen=True)
class Origin:
    """Whence sessions come: who measured on which tablet, and the batch that brought them."""

    company_id: UUID
    member_id: UUID | None
    device_id: UUID | None
    batch: UUID
    received: datetime
    offset: float


def session_statements(actor: Actor, origin: Origin, new: Sequence[Checked]) -> list[Statement]:
    """Sessions (first, counted), their readings, sweeps and events, and what is due for them."""
    rows = _reading_rows(origin.company_id, new) + _sweep_rows(origin.company_id, new)
    return [_session_rows(origin, new), *rows, *_announced(actor, origin, new)]


def _session_rows(origin: Origin, new: Sequence[Checked]) -> Statement:
    columns = [
        Uuids([c.id.bytes for c in new]),
        Uuids([c.job.bytes for c in new]),
        Uuids([c.test_point.bytes for c in new]),
        Texts([c.method for c in new]),
        Times([c.started_at for c in new]),
        Times([c.finished_at for c in new]),
        Texts([str(c.supersedes or "") for c in new]),
        Texts([c.reason for c in new]),
        Texts([c.note for c in new]),
        Texts([msgspec.json.encode(c.content).decode() for c in new]),
        Texts([c.digest for c in new]),
    ]
    who = [origin.company_id, origin.member_id, origin.device_id, origin.batch]
    return Statement(STORE_SESSIONS, [*who, origin.received, origin.offset, *columns])


def _common_columns(origin: Origin) -> dict[str, Any]:
    """What the rows of all sessions of a batch have in common, as digests take it (`events.plain_value`)."""
    columns = {
        "company_id": origin.company_id,
        "member_id": origin.member_id,
        "device_id": origin.device_id,
        "batch_id": origin.batch,
        "received_at": origin.received,
        "clock_offset_s": origin.offset,
    }
    return {name: events.plain_value(value) for name, value in columns.items()}


def _own_columns(one: Checked) -> dict[str, Any]:
    """A session's row without what is common and without its content, which `content_digest` covers."""
    return {
        "id": one.id,
        "job_id": one.job,
        "test_point_id": one.test_point,
        "method": one.method,
        "started_at": moment(one.started_at),
        "finished_at": moment(one.finished_at),
        "supersedes_id": one.supersedes,
        "reason": one.reason,
        "note": one.note,
        "content_digest": one.digest,
    }


def _reading_rows(company_id: UUID, new: Sequence[Checked]) -> list[Statement]:
    rows = [c.readings for c in new if c.readings.ids]
    if not rows:
        return []
    owners = [c for c in new if c.readings.ids]
    columns = [
        Uuids(_joined(r.ids for r in rows)),
        Uuids(_joined([c.id.bytes] * len(c.readings.ids) for c in owners)),
        Uuids(_joined(_shown_by(c) for c in owners)),
        Int2s(_joined(r.run for r in rows)),
        Int2s(_joined(r.line for r in rows)),
        Int2s(_joined(r.point for r in rows)),
        Texts(_joined(r.place for r in rows)),
        Texts(_joined(r.quantity for r in rows)),
        Floats(_joined(r.value for r in rows)),
        Texts(_joined(r.entered for r in rows)),
        Texts(_joined(r.unit for r in rows)),
        Times(_joined(r.taken_at for r in rows)),
    ]
    return [Statement(STORE_READINGS, [company_id, *columns])]


def _joined(parts: Iterable[Sequence[Any]]) -> list[Any]:
    return list(chain.from_iterable(parts))


def _shown_by(one: Checked) -> list[bytes]:
    """The instrument of each reading: the one that is named for the use of its place."""
    names, kind = one.readings.place, METHODS[one.method]
    by_name = {
        name: one.instruments[place.use].bytes
        for name in set(names)
        if (place := kind.place(name)) is not None
    }
    return [by_name[name] for name in names]


def _sweep_rows(company_id: UUID, new: Sequence[Checked]) -> list[Statement]:
    pairs = [(c, s) for c in new for s in c.sweeps]
    if not pairs:
        return []
    columns = [
        Uuids([s.id for _, s in pairs]),
        Uuids([c.id.bytes for c, _ in pairs]),
        Uuids([c.instruments[s.quantity].bytes for c, s in pairs]),
        Int2s([s.run for _, s in pairs]),
        Int2s([s.line for _, s in pairs]),
        Texts([s.quantity for _, s in pairs]),
        Times([s.started_at for _, s in pairs]),
        Floats([s.duration_s for _, s in pairs]),
        Floats([NAN if s.mean is None else s.mean for _, s in pairs]),
        Texts([s.entered for _, s in pairs]),
        Texts([s.unit for _, s in pairs]),
        Texts(["{" + ",".join(map(repr, s.samples)) + "}" for _, s in pairs]),
    ]
    return [Statement(STORE_SWEEPS, [company_id, *columns])]


def _announced(actor: Actor, origin: Origin, new: Sequence[Checked]) -> list[Statement]:
    """An event for each stored session with the digest of its evidence, and its evaluation due."""
    common = _common_columns(origin)
    happenings = [
        events.Happening(
            c.id,
            {
                "job": str(c.job),
                "test_point": str(c.test_point),
                "method": c.method,
                "row": events.columns_digest(SESSION_TABLE, common | _own_columns(c)),
            },
            content_digest=c.digest,
        )
        for c in new
    ]
    recorded = events.record_statements(actor, "session.stored", "session", happenings)
    return [*recorded, due.schedule_statement("evaluate", [c.id for c in new])]
