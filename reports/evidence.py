"""Proves the evidence of a company: the log's chain, and each stored row against the digest in its event.

What was added goes with an event that carries the SHA-256 of its content, and the events are chained with a
key that the database does not hold. So a row changed, removed or slipped in behind the service shows here,
whoever did it, with the first one named.
"""

import json
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.core.files.storage import default_storage
from django.db.models import Model, QuerySet

from jobs import events
from jobs.instruments import certificate_content
from jobs.models import Certificate, Event
from measurements.calc.version import CALCULATION_VERSION
from measurements.compute import compute
from measurements.evidence import session_digest
from measurements.models import FlagAnswer, Outcome, Result, Session
from reports import document as doc
from reports.issue import issue_digest
from reports.models import Issue, IssuedFile, Revision
from reports.review import answer_digest
from reports.verify import file_digest

BATCH = 500


@dataclass(frozen=True)
class Kind:
    """One kind of evidence: which events speak of it, which row they mean, what its digest is now."""

    name: str
    verb: str
    rows: Callable[[], "QuerySet[Any]"]
    digest: Callable[[Any, Event], str]
    row_of: Callable[[Event], UUID] = lambda event: event.subject_id


def _data(name: str) -> Callable[[Event], UUID]:
    return lambda event: UUID(event.data[name])


def revision_digest(revision: Revision, event: Event) -> str:
    """The digest of the frozen bytes, if the columns beside them still say the same."""
    data = zlib.decompress(revision.snapshot)
    report = doc.from_bytes(data).report
    fits = report.revision == revision.revision and doc.digest(data) == revision.snapshot_digest
    fits = fits and revision.job_id == event.subject_id
    return doc.digest(data) if fits else "columns differ from the snapshot"


def issued_file_digest(file: IssuedFile, event: Event) -> str:
    """SHA-256 of the file as it lies in the storage now."""
    if not default_storage.exists(file.name):
        return "the file is missing from the storage"
    with default_storage.open(file.name) as stored:
        found = file_digest(stored)
    return found if found == file.sha256 and file.issue_id == event.subject_id else "columns differ"


def stored_session_digest(session: Session, event: Event) -> str:
    """The digest of a session, its readings and sweeps as the rows stand, if the person is the same."""
    return session_digest(session) if session.member_id == event.member_id else "measured by another"


def result_digest(row: Result, event: Event) -> str:
    """The digest that a result's stored inputs give now, if its columns still say what they give.

    What another version of the calculation made can't be computed again here: then its columns speak.
    """
    if row.session_id != event.subject_id or events.digest(row.inputs) != row.inputs_digest:
        return "columns differ"
    figures = {name: getattr(row, name) for name in FIGURES}
    if row.outcome != Outcome.COMPUTED:
        figures = {name: figures[name] for name in ("outcome", "refusal", "verdict")}
    if row.calculation_version != CALCULATION_VERSION:
        return events.digest({"figures": figures, "detail": row.detail})
    computed = compute(row.inputs)
    same = figures == computed.figures and row.detail == json.loads(events.canonical(computed.detail))
    return computed.digest if same else "the inputs give other figures"


FIGURES = (
    "outcome", "refusal", "measurand", "value", "value_expanded", "flow", "flow_u",
    "flow_expanded", "coverage_factor", "effective_dof",
    "standard_flow", "standard_flow_expanded", "density", "mean_velocity", "design_flow",
    "design_value", "limit_low", "limit_high", "share_of_design",
    "share_expanded", "tolerance_below", "tolerance_above", "verdict", "probability", "accepted",
)  # fmt: skip
KINDS: tuple[Kind, ...] = (
    Kind("session", "session.stored", lambda: Session.objects.all(), stored_session_digest),
    Kind(
        "certificate",
        "certificate.entered",
        lambda: Certificate.objects.prefetch_related("points"),
        lambda row, event: events.digest(certificate_content(row, row.points.all())),
    ),
    Kind(
        "result",
        "session.evaluated",
        lambda: Result.objects.all(),
        result_digest,
        _data("result"),
    ),
    Kind(
        "answer to a flag",
        "flag.answered",
        lambda: FlagAnswer.objects.filter(member__isnull=False),
        lambda row, event: answer_digest(row),
        _data("answer_id"),
    ),
    Kind("revision", "job.approved", lambda: Revision.objects.all(), revision_digest, _data("revision_id")),
    Kind("issued report", "report.issued", lambda: Issue.objects.all(), lambda row, event: issue_digest(row)),
    Kind(
        "issued file",
        "report.rendered",
        lambda: IssuedFile.objects.all(),
        issued_file_digest,
        _data("file"),
    ),
)


def faults(kinds: Iterable[Kind] = KINDS) -> Iterator[str]:
    """What does not hold in the current company's evidence, the log first; nothing when all is whole."""
    yield from (f"log: {broken}" for broken in events.broken_links())
    for kind in kinds:
        yield from _faults_of(kind)


def _faults_of(kind: Kind) -> Iterator[str]:
    """Rows that are missing, altered, or without an event. In the order of the events, then of the rows."""
    told = {
        kind.row_of(event): event
        for event in Event.objects.filter(verb=kind.verb)
        .exclude(content_digest="")
        .order_by("id")
        .iterator(chunk_size=BATCH)
    }
    ids = list(told)
    for start in range(0, len(ids), BATCH):
        batch = ids[start : start + BATCH]
        rows: dict[UUID, Model] = kind.rows().in_bulk(batch)
        for row_id in batch:
            yield from _fault(kind, told[row_id], rows.get(row_id))
    for row_id in kind.rows().order_by("id").values_list("id", flat=True).iterator(chunk_size=BATCH):
        if row_id not in told:
            yield f"{kind.name} {row_id} stands in no event: it was slipped in"


def _fault(kind: Kind, event: Event, row: Any) -> Iterator[str]:
    if row is None:
        yield f"{kind.name} {kind.row_of(event)} is missing (event {event.id})"
        return
    try:
        found = kind.digest(row, event)
    except Exception as error:  # whatever a tampered row makes of its reader is a finding, not a failure
        found = f"cannot be read: {type(error).__name__}"
    if found != event.content_digest:
        yield f"{kind.name} {row.id} was altered (event {event.id})"
