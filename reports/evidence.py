"""Proves the evidence of a company: the log's chain, and each stored row against the digest in its event.

What was added goes with an event that carries a SHA-256 over all its columns, and the events are chained with
a key that the database does not hold. So a row changed, removed, moved or slipped in behind the service shows
here, whoever did it. A tail that was cut shows by the anchors outside the database and by the heads in
approved snapshots.
"""

import hashlib
import hmac
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import islice
from typing import Any
from uuid import UUID

import msgspec
from django.core.files.storage import default_storage
from django.db import connection, transaction
from django.db.models import Exists, Model, OuterRef, QuerySet, Subquery, TextField
from django.db.models.fields.json import KeyTextTransform
from django.db.models.functions import Cast

from jobs import anchors, events
from jobs.attachments import is_whole
from jobs.models import (
    Certificate,
    CertificateFile,
    CertificatePoint,
    CompanyImport,
    Event,
    EventPosition,
    ImportedLinks,
    UnnumberedEvent,
)
from jobs.tenancy.context import company_var
from measurements.evidence import sessions_altered
from measurements.models import (
    Batch,
    Correction,
    Flag,
    FlagAnswer,
    IntervalCheck,
    Photo,
    PhotoChange,
    Reading,
    RecallCase,
    RecallDecision,
    RecallItem,
    Result,
    RuleSetting,
    Session,
    SessionVoid,
    Sweep,
)
from measurements.photos import photos_altered
from reports import document as doc
from reports.models import (
    Deferral,
    Fetch,
    Issue,
    IssuedFile,
    PhotoChoice,
    Revision,
    SigningCertificate,
)
from reports.photos import prints_altered
from reports.recomputed import differences
from reports.verify import file_digest

BATCH, LINK_BYTES = 500, 32
LATE = timedelta(minutes=10)
"""A committed event waits seconds for its number; one that is this much older than a numbered one was put
there."""
NOT_FOUND = (
    "rows and their event taken away together in the last seconds, before the sequencer numbered the event",
    "what was never evidence: customers, sites, points, plans, people, settings (their changes are events)",
    "a tail cut since the last anchor, unless an approved snapshot names a later head",
)
"""What this can't find, in words."""


@dataclass(frozen=True)
class Kind:
    """One kind of evidence: which events speak of it, and which row of `model` they mean.

    `key`: where in the event's data the row's id stands; empty: the event's subject. `parts`: related names
    of rows under the same digest. `covers`: their models. `altered`: what else must hold, in words by row
    where it does not. The digest of the row (`events.row_digest`) is the event's data `row`, else its
    `content_digest`.
    """

    name: str
    model: type[Model]
    verbs: tuple[str, ...]
    key: str = ""
    parts: tuple[str, ...] = ()
    covers: tuple[type[Model], ...] = ()
    altered: Callable[[Sequence[Any]], Mapping[UUID, str]] | None = None

    @property
    def table(self) -> str:
        return str(self.model._meta.db_table)

    def row_of(self, event: Event) -> UUID | None:
        """The row that an event means; None when a tampered event names none."""
        if not self.key:
            found: UUID = event.subject_id
            return found
        try:
            return UUID(event.data[self.key])
        except (KeyError, TypeError, ValueError, AttributeError):
            return None

    def rows(self) -> "QuerySet[Any]":
        found: QuerySet[Any] = self.model.objects.prefetch_related(*self.parts)  # type: ignore[attr-defined]
        return found


@dataclass(frozen=True)
class Fault:
    """What does not hold: in which table, which row (or number of the log), and what, in words."""

    table: str
    id: str
    what: str

    def __str__(self) -> str:
        return f"{self.table} {self.id}: {self.what}"


def files_altered(files: Sequence[IssuedFile]) -> dict[UUID, str]:
    """Issued files that no longer lie in the storage as they were issued."""
    found = {}
    for one in files:
        if not default_storage.exists(one.name):
            found[one.id] = "the file is missing from the storage"
            continue
        with default_storage.open(one.name) as stored:
            if file_digest(stored) != one.sha256:
                found[one.id] = "the file in the storage was altered"
    return found


def certificates_altered(certificates: Sequence[Certificate]) -> dict[UUID, str]:
    """Certificates of which a file no longer lies in the storage as it was entered."""
    return {
        one.id: f"has a file that is missing from the storage or was altered: {file.stored}"
        for one in certificates
        for file in one.files.all()
        if not is_whole(file)
    }


def results_differ(results: Sequence[Result]) -> dict[UUID, str]:
    """Results whose inputs give other figures now; those of other versions are left to their digest."""
    found = {}
    for one in results:
        if told := [d for d in differences(one) if not d.refused]:
            found[one.id] = "its inputs give other figures: " + "; ".join(map(str, told[:3]))
    return found


def links_altered(imports: Sequence[CompanyImport]) -> dict[UUID, str]:
    """Imports of which a link of the origin's log was altered or taken away."""
    found = {}
    for one in imports:
        whole, expected = hashlib.sha256(), 1
        for links in one.links.order_by("first").iterator(chunk_size=20):
            if links.first != expected:
                break
            whole.update(links.macs)
            expected += len(links.macs) // LINK_BYTES
        if expected != one.head_number + 1 or whole.hexdigest() != one.links_digest:
            found[one.id] = "has links of the origin's log that were altered or taken away"
    return found


KINDS: tuple[Kind, ...] = (
    Kind(
        "certificate",
        Certificate,
        ("certificate.entered",),
        parts=("points", "files"),
        covers=(CertificatePoint, CertificateFile),
        altered=certificates_altered,
    ),
    Kind("batch", Batch, ("batch.received",)),
    Kind("session", Session, ("session.stored",), covers=(Reading, Sweep), altered=sessions_altered),
    Kind("correction", Correction, ("session.corrected",), "correction"),
    Kind("void note", SessionVoid, ("session.voided",), "void"),
    Kind("result", Result, ("session.evaluated",), "result"),
    Kind("flag", Flag, ("flag.raised",)),
    Kind("answer to a flag", FlagAnswer, ("flag.answered",), "answer_id"),
    Kind("revision", Revision, ("job.approved", "document.frozen"), "revision_id"),
    Kind("issued report", Issue, ("report.issued",)),
    Kind("issued file", IssuedFile, ("report.rendered",), "file", altered=files_altered),
    Kind("signing certificate", SigningCertificate, ("signing.changed",)),
    Kind("deferral", Deferral, ("point.deferred", "point.deferral_ended"), "deferral"),
    Kind("recall case", RecallCase, ("recall.opened",)),
    Kind("session of a recall", RecallItem, ("recall.computed",), "item"),
    Kind("decision in a recall", RecallDecision, ("recall.decided",), "decision"),
    Kind("interval check", IntervalCheck, ("instrument.checked",)),
    Kind("photo or note", Photo, ("photo.stored",), altered=photos_altered),
    Kind("change of a photo", PhotoChange, ("photo.changed",), "change"),
    Kind("choice of a photo", PhotoChoice, ("photo.chosen",), "choice", altered=prints_altered),
    Kind("setting of a rule", RuleSetting, ("rule.changed",)),
    Kind("fetch of a report", Fetch, ("report.fetched",), "fetch"),
    Kind(
        "import of the company",
        CompanyImport,
        ("company.imported",),
        "import",
        covers=(ImportedLinks,),
        altered=links_altered,
    ),
)
LOG = (Event, EventPosition)
"""Proved by the chain itself."""
OWNERS: dict[type[Model], tuple[str, type[Model]]] = {
    CertificatePoint: ("certificate", Certificate),
    CertificateFile: ("certificate", Certificate),
    Reading: ("session", Session),
    Sweep: ("session", Session),
    ImportedLinks: ("of", CompanyImport),
}
"""Rows proved with another, which they must have: by which column, in which table."""
NO_EVIDENCE: dict[str, str] = {
    "jobs.Removal": "each step is an event; the database itself sets its moments and heeds only what is due",
    "jobs.Tombstone": "of a company that is gone, so that no log is left that could speak of it",
}
"""Append-only tables that no event needs to speak of, by label, each with the reason."""


class _Snapshot(msgspec.Struct):
    """The one part of a snapshot that is read here."""

    evidence: doc.EvidenceHead | None = None


def snapshot_heads() -> list[anchors.Head]:
    """Heads of the current company's chain in its frozen snapshots; in one that can't be read, none."""
    found = []
    rows = Revision.objects.order_by("id").values_list("id", "snapshot")
    for row_id, snapshot in rows.iterator(chunk_size=20):
        try:
            head = msgspec.json.decode(zlib.decompress(snapshot), type=_Snapshot).evidence
        except (zlib.error, msgspec.MsgspecError):
            continue  # its row's digest tells
        if head is not None and head.number:
            found.append(anchors.Head(head.number, head.mac, f"the snapshot of revision {row_id}"))
    return found


def kinds(recompute: bool = False) -> tuple[Kind, ...]:
    """All kinds; results computed again from their inputs when asked."""
    if not recompute:
        return KINDS
    return tuple(replace(kind, altered=results_differ) if kind.model is Result else kind for kind in KINDS)


def faults(using: Iterable[Kind] | None = None, after: int = 0) -> Iterator[Fault]:
    """What does not hold in the current company's evidence, the first first; nothing when all is whole.

    In the order of the log from number `after`, then what the log does not know. In one transaction, of one
    snapshot if others write meanwhile; memory stays flat.
    """
    wanted = tuple(KINDS if using is None else using)
    yield from _log_faults(wanted, after)
    yield from _unnumbered_faults(wanted)
    for kind in wanted:
        yield from _slipped_in(kind)
    for model in (model for kind in wanted for model in kind.covers):
        yield from _orphans(model)


def waiting() -> int:
    """How many events have no number yet: their rows are checked, the events themselves not."""
    return UnnumberedEvent.objects.count()


def _log_faults(wanted: Sequence[Kind], after: int) -> Iterator[Fault]:
    heads, broken_anchors = anchors.known()
    yield from (Fault("anchors", str(number), what) for number, what in broken_anchors)
    heads += snapshot_heads()
    expected = anchors.by_number(heads)
    last, mac = after, events.mac_at(after)
    links = events.walk(after)
    while chunk := list(islice(links, BATCH)):
        told = _row_faults(wanted, [one.event for one in chunk])
        for one in chunk:
            if one.fault:
                yield Fault("jobs_eventposition", str(one.number), one.fault)
            yield from _other_head(expected, one)
            yield from told.get(one.event.id, ())
        last, mac = chunk[-1].number, chunk[-1].mac
    if end := events.end_fault(last, mac):
        yield Fault("jobs_chainhead", str(last), end)
    for head in heads:
        if head.number > last:
            yield Fault(
                "jobs_eventposition", str(last), f"the chain ends here, but {head.source} saw {head.number}"
            )
            return


def _other_head(expected: Mapping[int, Sequence[anchors.Head]], one: events.Link) -> Iterator[Fault]:
    """Heads that fit neither this service's chain nor one that the log had where it came from."""
    for head in expected.get(one.number, ()):
        if head.mac != one.mac.hex() and head.mac not in origin_links(one.number):
            what = f"the link differs from the one that {head.source} saw: the chain was rebuilt"
            yield Fault("jobs_eventposition", str(one.number), what)


def origin_links(number: int) -> set[str]:
    """Links (hex) that an event had in the logs from which the company was imported."""
    found = set()
    for one in CompanyImport.objects.filter(head_number__gte=number):
        row = one.links.filter(first__lte=number).order_by("-first").first()
        if row is not None:
            at = (number - row.first) * LINK_BYTES
            found.add(bytes(row.macs)[at : at + LINK_BYTES].hex())
    return found


def left_out() -> dict[str, dict[str, dict[str, str]]]:
    """SHA-256 of columns that did not come with imports: by table, row, column; the first import counts."""
    found: dict[str, dict[str, dict[str, str]]] = {}
    for one in CompanyImport.objects.order_by("at", "id"):
        for table, rows in one.left_out.items():
            for row_id, columns in rows.items():
                found.setdefault(table, {}).setdefault(row_id, columns)
    return found


def _row_faults(wanted: Sequence[Kind], chunk: Sequence[Event]) -> dict[UUID, list[Fault]]:
    """What does not hold in the rows that some events speak of, by event."""
    found: dict[UUID, list[Fault]] = {}
    for kind in wanted:
        told = [event for event in chunk if event.verb in kind.verbs]
        for event, fault in _faults_of(kind, told) if told else ():
            found.setdefault(event.id, []).append(fault)
    return found


def _faults_of(kind: Kind, told: Sequence[Event]) -> Iterator[tuple[Event, Fault]]:
    ids = [kind.row_of(event) for event in told]
    rows: dict[UUID | None, Any] = kind.rows().in_bulk([row_id for row_id in ids if row_id])
    altered = _altered(kind, list(rows.values()))
    instead = left_out().get(kind.table, {}) if kind.model is SigningCertificate else {}
    for event, row_id in zip(told, ids, strict=True):
        row = rows.get(row_id)
        what = f"is missing (event {event.id})" if row is None else _changed(kind, row, event, instead)
        if what := what or (altered.get(row_id, "") if row_id else ""):
            yield event, Fault(kind.table, str(row_id), f"{kind.name} {what}")


def _altered(kind: Kind, rows: Sequence[Any]) -> Mapping[UUID, str]:
    """By row what else does not hold. Whatever a tampered row makes of its reader is a finding."""
    if kind.altered is None:
        return {}
    try:
        return kind.altered(rows)
    except Exception as error:
        if len(rows) == 1:
            return {rows[0].id: f"cannot be read: {type(error).__name__}"}
    return {row_id: what for row in rows for row_id, what in _altered(kind, [row]).items()}


def _changed(kind: Kind, row: Any, event: Event, instead: Mapping[str, Mapping[str, str]]) -> str:
    data = event.data if isinstance(event.data, dict) else {}
    told = data.get("row") or event.content_digest
    if not told:
        return f"has no digest in its event {event.id}"
    parts = [part for name in kind.parts for part in getattr(row, name).all()]
    try:
        empty = {name: told for name, told in instead.get(str(row.id), {}).items() if not getattr(row, name)}
        found = events.row_digest(row, *parts, instead=empty)
    except (ValueError, TypeError, OverflowError) as error:
        return f"cannot be read: {type(error).__name__}"
    return "" if found == told else f"was altered (event {event.id})"


def _unnumbered_faults(wanted: Sequence[Kind]) -> Iterator[Fault]:
    """Events without a number (those that wait, whose rows are checked, and those that have no business), and
    numbers without an event."""
    newest = EventPosition.objects.order_by("-number").values_list("event__at", flat=True).first()
    seals = UnnumberedEvent.objects.filter(id=OuterRef("id")).values("seal")[:1]
    rows = Event.objects.filter(positions__isnull=True).annotate(seal=Subquery(seals)).order_by("id")
    stream = rows.iterator(chunk_size=BATCH)
    while chunk := list(islice(stream, BATCH)):
        told = _row_faults(wanted, chunk)
        for event in chunk:
            if event.seal is None:
                yield Fault("jobs_event", str(event.id), "has no place in the chain: slipped in, or cut off")
            elif not hmac.compare_digest(event.seal, events.seal(events.event_content(event))):
                yield Fault("jobs_event", str(event.id), "waits with a seal that the service did not make")
            elif newest is not None and event.at < newest - LATE:
                yield Fault("jobs_event", str(event.id), "waits for a number that later events have")
            yield from told.get(event.id, ())
    empty = EventPosition.objects.exclude(Exists(Event.objects.filter(id=OuterRef("event_id"))))
    for number in empty.order_by("number").values_list("number", flat=True):
        yield Fault("jobs_eventposition", str(number), "the event of this number is missing")
    numbered = UnnumberedEvent.objects.filter(Exists(EventPosition.objects.filter(event=OuterRef("id"))))
    lost = UnnumberedEvent.objects.exclude(Exists(Event.objects.filter(id=OuterRef("id"))))
    for row_id in numbered.values_list("id", flat=True):
        yield Fault("jobs_unnumberedevent", str(row_id), "waits for a number although it has one")
    for row_id in lost.values_list("id", flat=True):
        yield Fault("jobs_unnumberedevent", str(row_id), "waits for a number, but its event is missing")


def _slipped_in(kind: Kind) -> Iterator[Fault]:
    """Rows that no event speaks of."""
    speaking = Event.objects.filter(verb__in=kind.verbs)
    if kind.key:
        named = speaking.annotate(row=KeyTextTransform(kind.key, "data"))
        spoken = named.filter(row=Cast(OuterRef("id"), TextField()))
    else:
        spoken = speaking.filter(subject_id=OuterRef("id"))
    rows = kind.rows().prefetch_related(None).filter(~Exists(spoken)).order_by("id")
    for row_id in rows.values_list("id", flat=True).iterator(chunk_size=BATCH):
        yield Fault(kind.table, str(row_id), f"{kind.name} stands in no event: it was slipped in")


def _orphans(model: type[Model]) -> Iterator[Fault]:
    """Rows whose owner does not exist, so that nothing proves them."""
    column, owner = OWNERS[model]
    owners = owner.objects.filter(id=OuterRef(f"{column}_id"))  # type: ignore[attr-defined]
    rows = model.objects.filter(~Exists(owners)).order_by("id")  # type: ignore[attr-defined]
    for row_id in rows.values_list("id", flat=True).iterator(chunk_size=BATCH):
        yield Fault(model._meta.db_table, str(row_id), f"its {column} does not exist: it was slipped in")


@contextmanager
def one_snapshot(company_id: UUID) -> Iterator[None]:
    """A company's transaction that sees one state of the database while others write, without time limits.

    Inside another transaction it sees what that one sees.
    """
    outermost = not connection.in_atomic_block
    with company_var(company_id), transaction.atomic():
        with connection.cursor() as cursor:
            if outermost:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            cursor.execute("SET LOCAL statement_timeout = 0")
            cursor.execute("SET LOCAL idle_in_transaction_session_timeout = 0")
        yield
