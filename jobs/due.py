"""Work that is due stands in the database; the queue only hurries it.

An action schedules work in its own transaction. After commit a message with the company's id rings the
worker. A sweep re-rings what was lost: it reads the small table of companies that had work in some hour,
then claims within each company. Work carries a lease; a late writer whose lease passed is refused.
"""

import logging
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from celery import current_app
from django.core.cache import cache
from django.db import DatabaseError, connection, transaction
from django.db.models import Count, Min
from django.db.models.functions import Now
from django.utils import timezone
from psycopg.types.json import Jsonb

from jobs import bulk, clock, disk, metrics, patience
from jobs.models import DueCompany, DueState, DueWork, UnnumberedEvent
from jobs.tenancy.context import company, company_var, current_company
from jobs.tenancy.ids import uuid7

log = logging.getLogger(__name__)
LEASE = timedelta(seconds=40)
ATTEMPTS = 3
RETRY = (timedelta(seconds=2), timedelta(seconds=20))
FINISH = "DELETE FROM jobs_duework WHERE company_id = %s AND id = %s AND lease_id = %s"
CLAIM = """
UPDATE jobs_duework SET state = 'claimed', attempts = attempts + 1, lease_id = %(lease)s,
    lease_until = statement_timestamp() + (%(leases)s::jsonb ->> kind)::float * interval '1 second'
WHERE company_id = %(company)s AND id = (
    SELECT id FROM jobs_duework
    WHERE company_id = %(company)s AND state <> 'parked' AND kind = ANY(%(kinds)s) AND due_at <= %(now)s
      AND (lease_until IS NULL OR lease_until <= statement_timestamp())
    ORDER BY due_at LIMIT 1 FOR UPDATE SKIP LOCKED)
RETURNING id, kind, subject_id, attempts, error
"""
"""Leases go by the database's clock: one by a clock that jumped would hold the work for as long."""


class LeaseLost(Exception):
    """Somebody else took the work over; nothing of this attempt may be kept."""


@dataclass(frozen=True)
class Claim:
    """A lease on one piece of work, passed to its handler."""

    id: UUID
    kind: str
    subject_id: UUID
    lease_id: UUID
    attempt: int

    def hold(self) -> None:
        """Locks the work's row in the caller's transaction. Raises LeaseLost when the lease has passed."""
        held = DueWork.objects.select_for_update().filter(id=self.id, lease_id=self.lease_id).exists()
        if not held:
            raise LeaseLost(f"{self.kind} {self.subject_id}")

    def finish(self) -> None:
        """Marks the work done in the caller's transaction, together with what it made.

        Raises LeaseLost also when the clock jumped meanwhile: what was made bears wrong moments.
        """
        self._refuse_wrong_clock()
        with connection.cursor() as cursor:
            cursor.execute(FINISH, [current_company(), self.id, self.lease_id])
            if not cursor.rowcount:
                raise LeaseLost(f"{self.kind} {self.subject_id}")

    def _refuse_wrong_clock(self) -> None:
        if clock.is_wrong():
            raise LeaseLost(f"{self.kind} {self.subject_id}: the clock is wrong")

    def extend(self) -> bool:
        """Sets the lease's end anew, in a transaction of its own; false when somebody else has it."""
        until = Now() + _leases.get(self.kind, LEASE)
        with transaction.atomic():
            return bool(DueWork.objects.filter(id=self.id, lease_id=self.lease_id).update(lease_until=until))

    def put_back(self, wait: timedelta) -> None:
        """Makes the work due once more, for what came meanwhile, in the caller's transaction.

        Raises LeaseLost also when the clock is wrong: the work would be due at a wrong moment.
        """
        self._refuse_wrong_clock()
        self.hold()
        DueWork.objects.filter(id=self.id).update(
            state=DueState.DUE, attempts=0, lease_until=None, lease_id=None, due_at=timezone.now() + wait
        )


@contextmanager
def kept(claim: Claim) -> Iterator[None]:
    """Keeps the lease of long work alive from another thread, over a connection of its own."""
    done, company_id = threading.Event(), current_company()

    def beat() -> None:
        while not done.wait(LEASE.total_seconds() / 4):
            try:
                if _queues.get(claim.kind) == LONG_QUEUE:
                    _take_turn(again=True)
                with company_var(company_id):
                    claim.extend()
            except DatabaseError as error:  # tried again before the lease ends
                log.warning("lease not extended: %s", type(error).__name__)
            finally:
                connection.close()

    thread = threading.Thread(target=beat, daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


Handler = Callable[[Claim], None]
_handlers: dict[str, Handler] = {}
_leases: dict[str, timedelta] = {}
_queues: dict[str, str] = {}
_keeping: set[str] = set()
DEFAULT_QUEUE, EVENTS, LONG_QUEUE = "default", "events", "long"
TURN = "long-work"
LONG_SECONDS = 3 * 3600
"""What work of the long queue may take in one piece; it keeps its lease alive by itself (`kept`)."""
_LIMITS: dict[str, dict[str, Any]] = {
    LONG_QUEUE: {"time_limit": LONG_SECONDS + 60, "soft_time_limit": LONG_SECONDS}
}
STANDING = "due:standing"
"""Under which the cache holds what the last sweep found, for operators."""
TURN_SECONDS = 30.0
BELL_S = 1
"""How long a bell that nobody answered keeps others but the sweep's from being sent: whoever has it may just
be starting a new process."""
DEAF_S = 2
"""How long nobody rings after a bell that failed: a queue that hangs would hold up every request."""
_deaf_until = 0.0
LONGEST_S = 80.0
"""What a piece of other queues may take, below the task's own limits; less for kinds with a short lease."""


def handler(
    kind: str, lease: timedelta = LEASE, queue: str = DEFAULT_QUEUE, *, keeps: bool = False
) -> Callable[[Handler], Handler]:
    """Registers what does work of a kind, within a lease. It runs inside the company, outside a transaction.

    `keeps`: it keeps its lease alive by itself (`kept`), so it may take longer than the lease.

    Slow kinds name a queue of their own, so that they never stand in front of the rest.
    """

    def register(function: Handler) -> Handler:
        _handlers[kind], _leases[kind], _queues[kind] = function, lease, queue
        if keeps:
            _keeping.add(kind)
        return function

    return register


SCHEDULE = """
INSERT INTO jobs_duework (company_id, id, kind, subject_id, state, attempts, due_at, error, created_at)
SELECT %b::uuid, i, %b::text, s, %b::text, 0, statement_timestamp(), '', statement_timestamp()
FROM unnest(%b::uuid[], %b::uuid[]) AS x (i, s)
ON CONFLICT (company_id, kind, subject_id) DO NOTHING
"""


SCHEDULE_LATER = """
INSERT INTO jobs_duework AS w
    (company_id, id, kind, subject_id, state, attempts, due_at, error, created_at)
VALUES (%s, %s, %s, %s, 'due', 0, %s, '', %s)
ON CONFLICT (company_id, kind, subject_id) DO UPDATE SET
    state = CASE w.state WHEN 'parked' THEN 'due' ELSE w.state END,
    attempts = CASE w.state WHEN 'parked' THEN 0 ELSE w.attempts END
"""


def schedule_later(kind: str, subject: UUID, wait: timedelta) -> None:
    """Makes work due after a wait; when it is due already it stays as it is.

    Its row stays locked until the caller's transaction ends: who does it sees what the caller stored.
    """
    now = timezone.now()
    with connection.cursor() as cursor:
        cursor.execute(SCHEDULE_LATER, [current_company(), uuid7(), kind, subject, now + wait, now])
    note_company(current_company())


def schedule(kind: str, *subjects: UUID) -> None:
    """Makes work due in the caller's transaction. The same work due twice is one."""
    bulk.run_together([schedule_statement(kind, subjects)])
    ring(kind, current_company())


def schedule_statement(kind: str, subjects: Sequence[UUID]) -> bulk.Statement:
    """The same for a caller that sends it together with its own statements and rings by itself."""
    columns = [bulk.Uuids([uuid7().bytes for _ in subjects]), bulk.Uuids(bulk.id_bytes(subjects))]
    return bulk.Statement(SCHEDULE, [current_company(), kind, DueState.DUE.value, *columns])


def ring(kind: str, company_id: UUID) -> None:
    """Notes that the company has work and, after commit, wakes a worker. A deaf queue is no harm."""
    note_company(company_id)
    transaction.on_commit(lambda: _send(kind, company_id), robust=True)


def note_company(company_id: UUID) -> None:
    """One row a company and hour, so that writers never queue for it and the sweeper may forget old ones."""
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO jobs_duecompany (company_ref, hour) VALUES (%s, %s) ON CONFLICT DO NOTHING",
            [company_id, this_hour()],
        )


def this_hour() -> int:
    return int(time.time() // 3600)


def _send(kind: str, company_id: UUID, *, anyway: bool = False) -> None:
    """Rings for events or for the queue of a kind, unless a bell is on its way. It carries ids only.

    anyway: also when one is, for it may be lost.
    """
    queue = _queues.get(kind, DEFAULT_QUEUE)
    name, args = (
        ("jobs.number_events", [str(company_id)])
        if kind == EVENTS
        else ("jobs.work", [str(company_id), queue])
    )
    global _deaf_until
    if time.monotonic() < _deaf_until:
        return
    try:
        if anyway or cache.add(_bell(company_id, EVENTS if kind == EVENTS else queue), 1, BELL_S):
            current_app.send_task(name, args=args, queue=queue, retry=False, **_LIMITS.get(queue, {}))
    except Exception as error:  # the broker may be away; the sweep covers it
        _deaf_until = time.monotonic() + DEAF_S
        log.warning("queue away, the sweep will find it: %s", type(error).__name__)


def _bell(company_id: UUID, what: str) -> str:
    return f"bell:{company_id}:{what}"


def heard(company_id: UUID, what: str) -> None:
    """Said by who answers a bell, before it looks for work: what is due from now on is rung for again."""
    with suppress(Exception):  # it falls silent by itself
        cache.delete(_bell(company_id, what))


def kinds_of(queue: str) -> list[str]:
    return [kind for kind, its in _queues.items() if its == queue]


def claim(kinds: list[str]) -> Claim | None:
    """Takes the oldest piece of due work of the current company, with a lease; parks what died too often.

    By one statement a piece: nothing is so often done.
    """
    lease_id, leases = uuid7(), {kind: _leases.get(kind, LEASE).total_seconds() for kind in kinds}
    given: dict[str, Any] = {
        "company": current_company(), "now": timezone.now(), "kinds": kinds,
        "lease": lease_id, "leases": Jsonb(leases),
    }  # fmt: skip
    with transaction.atomic(savepoint=False), connection.cursor() as cursor:
        while row := cursor.execute(CLAIM, given).fetchone():
            work_id, kind, subject_id, attempt, error = row
            if attempt <= ATTEMPTS:
                return Claim(work_id, kind, subject_id, lease_id, attempt)
            _park(work_id, kind, subject_id, error or "the worker died each time")
    return None


def _park(work_id: UUID, kind: str, subject_id: UUID, reason: str) -> None:
    DueWork.objects.filter(id=work_id).update(
        state=DueState.PARKED, attempts=ATTEMPTS, error=reason[:2000], lease_until=None, lease_id=None
    )
    metrics.PARKED.labels(kind).inc()
    log.error("parked %s %s: %s", kind, subject_id, reason)


def fail(taken: Claim, reason: str) -> None:
    """Puts failed work back for later, or parks it after the last attempt."""
    with transaction.atomic():
        row = DueWork.objects.select_for_update().filter(id=taken.id, lease_id=taken.lease_id).first()
        if row is None:
            return
        if taken.attempt >= ATTEMPTS:
            _park(row.id, row.kind, row.subject_id, reason)
            return
        wait = RETRY[min(taken.attempt, len(RETRY)) - 1]
        DueWork.objects.filter(id=row.id).update(
            state=DueState.DUE,
            error=reason[:2000],
            lease_until=None,
            lease_id=None,
            due_at=Now() + wait,
        )


def work(company_id: UUID, queue: str = DEFAULT_QUEUE) -> int:
    """Does due work of one company and queue until none is left or its turn is over; then rings again.

    Returns how many pieces were taken. While a disk is nearly full, or this clock is wrong, all of it waits.
    """
    heard(company_id, queue)
    if clock.is_wrong():
        log.warning("the clock is wrong: due work waits")
        return 0
    if disk.is_nearly_full():
        log.warning("a disk is nearly full: due work waits")
        return 0
    if queue != LONG_QUEUE:
        return _work(company_id, queue)
    if not _take_turn():
        return 0  # the sweep rings again
    try:
        return _work(company_id, queue)
    finally:
        _end_turn()


def _take_turn(again: bool = False) -> bool:
    """Takes or keeps the one place for long work, so that it never holds every worker. No cache: goes on."""
    try:
        if again:
            cache.set(TURN, 1, LEASE.total_seconds())
        return again or bool(cache.add(TURN, 1, LEASE.total_seconds()))
    except Exception as error:
        log.warning("cache away: %s", type(error).__name__)
        return True


def _end_turn() -> None:
    with suppress(Exception):  # it ends by itself
        cache.delete(TURN)


def _work(company_id: UUID, queue: str) -> int:
    kinds, taken, started = kinds_of(queue), 0, time.monotonic()
    while kinds:
        with company(company_id):
            piece = claim(kinds)
        if piece is None:
            break
        taken += 1
        do(company_id, piece)
        if time.monotonic() - started > TURN_SECONDS:
            _send(piece.kind, company_id)
            break
    return taken


def do(company_id: UUID, piece: Claim) -> None:
    """Runs the handler of one claimed piece; its failure is recorded, never raised."""
    run, begun, outcome = _handlers.get(piece.kind), time.perf_counter(), "done"
    try:
        if run is None:
            raise LookupError(f"nothing here does '{piece.kind}'")
        # Handlers open their own transactions.
        with company_var(company_id), patience.limited(_most_seconds(piece.kind)):
            run(piece)
    except LeaseLost:
        outcome = "lost"
        log.warning("lease lost: %s %s", piece.kind, piece.subject_id)
    except Exception as error:
        outcome = "failed"
        log.exception("%s %s failed (attempt %d)", piece.kind, piece.subject_id, piece.attempt)
        if not connection.in_atomic_block:  # the failure may be that of the connection
            connection.close_if_unusable_or_obsolete()
        with company(company_id):
            fail(piece, f"{type(error).__name__}: {error}")
    finally:
        kind = piece.kind if run is not None else "unknown"
        metrics.WORK.labels(kind, outcome).observe(time.perf_counter() - begun)


def _most_seconds(kind: str) -> float:
    """A piece ends before its lease does, else two workers would do it at once."""
    if _queues.get(kind) == LONG_QUEUE:
        return LONG_SECONDS
    if kind in _keeping:
        return LONGEST_S
    return min(LONGEST_S, 0.75 * _leases.get(kind, LEASE).total_seconds())


def retry_parked(kind: str, subject_id: UUID) -> bool:
    """Gives parked work of the current company a fresh start."""
    changed = DueWork.objects.filter(kind=kind, subject_id=subject_id, state=DueState.PARKED).update(
        state=DueState.DUE, attempts=0, error="", due_at=timezone.now()
    )
    if changed:
        ring(kind, current_company())
    return bool(changed)


def companies_with_work() -> list[UUID]:
    """Companies that had work in some hour not yet swept clean."""
    return list(DueCompany.objects.values_list("company_ref", flat=True).distinct())


def forget_idle(company_id: UUID, hour: int) -> None:
    """Drops the note of a company that has nothing due. Only hours that no writer can still be in."""
    DueCompany.objects.filter(company_ref=company_id, hour__lt=hour - 1).delete()


@dataclass(frozen=True)
class Waiting:
    """What waits in one company, or in several together."""

    due: int = 0
    oldest: datetime | None = None
    unnumbered: int = 0
    rung: int = 0
    """For how many queues and logs a bell was sent."""

    def __add__(self, other: "Waiting") -> "Waiting":
        moments = [one for one in (self.oldest, other.oldest) if one is not None]
        return Waiting(
            due=self.due + other.due,
            oldest=min(moments, default=None),
            unnumbered=self.unnumbered + other.unnumbered,
            rung=self.rung + other.rung,
        )


def ring_again(company_id: UUID, hour: int) -> Waiting:
    """Rings for what is due in one company and unheard. Returns what waits there."""
    with company(company_id):
        now = timezone.now()
        live = DueWork.objects.exclude(state=DueState.PARKED)
        rows = live.filter(due_at__lte=now).exclude(lease_until__gt=Now())
        kinds = rows.values("kind").annotate(n=Count("id"), oldest=Min("due_at"))
        found = {row["kind"]: row for row in kinds}
        unnumbered = UnnumberedEvent.objects.count()
        if not unnumbered and not live.exists():
            forget_idle(company_id, hour)
    bells = {_queues.get(kind, DEFAULT_QUEUE): kind for kind in found} | (
        {EVENTS: EVENTS} if unnumbered else {}
    )
    for kind in bells.values():
        _send(kind, company_id, anyway=True)
    oldest = min((row["oldest"] for row in found.values()), default=None)
    return Waiting(sum(row["n"] for row in found.values()), oldest, unnumbered, len(bells))


def tell_standing(found: Waiting) -> None:
    """Keeps what a sweep found where operators look. Without a cache nobody is told, and nothing is lost."""
    waits = (timezone.now() - found.oldest).total_seconds() if found.oldest else 0.0
    told = {
        "work_due": found.due,
        "work_oldest_seconds": max(0.0, waits),
        "events_unnumbered": found.unnumbered,
        "at": time.time(),
    }
    try:
        cache.set(STANDING, told, None)
    except Exception as error:  # whatever a client library raises
        log.warning("cache away, what waits is not told: %s", type(error).__name__)
