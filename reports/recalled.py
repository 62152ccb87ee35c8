"""Which frozen documents a recall touches, and what is told of it to whoever holds one.

A document holds a session when its readings are in it; the frozen list of readings says so, whatever the job
looks like now.
"""

import csv
import io
import zlib
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import Prefetch
from django.utils.translation import gettext

from jobs.models import Customer, Job
from measurements import recall
from measurements.models import (
    RecallCase,
    RecallDecision,
    RecallDecisionKind,
    RecallGround,
    RecallItem,
    Session,
)
from measurements.queries import cases_at_work, newest_items
from reports.models import Issue, Revision

SESSION = 2
"""Column of `readings.HEAD` that names the session."""


def sessions_in(readings_csv: bytes) -> frozenset[UUID]:
    """Sessions whose readings stand in a packed list of readings."""
    rows = csv.reader(io.StringIO(zlib.decompress(readings_csv).decode(), newline=""))
    next(rows, None)
    return frozenset(map(UUID, {row[SESSION] for row in rows}))


@dataclass(frozen=True)
class TouchedDocument:
    """A frozen document that holds sessions in doubt; not issued when `issue` is None."""

    revision: Revision
    issue: Issue | None
    sessions: frozenset[UUID]
    newest: bool

    @property
    def job(self) -> Job:
        job: Job = self.revision.job
        return job

    @property
    def customer(self) -> Customer:
        customer: Customer = self.revision.job.site.customer
        return customer


def touched_documents(case: RecallCase) -> list[TouchedDocument]:
    """Every document, of any kind and revision, that holds a session which a case touches; newest first."""
    wanted = frozenset(recall.touched(case))
    jobs = Session.objects.filter(id__in=wanted).values_list("job", flat=True).distinct()
    rows = Revision.objects.filter(job__in=list(jobs)).select_related("job__site__customer", "approved_by")
    rows = rows.defer("snapshot").prefetch_related("issues").order_by("-approved_at", "-id")
    newest: set[tuple[UUID, str]] = set()
    found = []
    for row in rows.iterator(chunk_size=50):
        key = (row.job_id, row.kind)
        held = sessions_in(row.readings_csv) & wanted
        if held:
            made = next(iter(row.issues.all()), None)
            found.append(TouchedDocument(row, made, held, key not in newest))
        newest.add(key)
    return found


def customers_of(documents: Iterable[TouchedDocument]) -> dict[Customer, list[TouchedDocument]]:
    """Whom to tell: by customer, the issued documents that touch them."""
    found: dict[Customer, list[TouchedDocument]] = defaultdict(list)
    for one in documents:
        if one.issue is not None:
            found[one.customer].append(one)
    return dict(sorted(found.items(), key=lambda pair: pair[0].name))


# What is told in public


@dataclass(frozen=True)
class Notice:
    """That a document is under recall: since when, why in general, and whether all of it is decided on."""

    since: datetime
    grounds: frozenset[str]
    decided: bool

    @property
    def sentence(self) -> str:
        """Names no instrument, case or company."""
        day = self.since.date().isoformat()
        told = gettext("It is under recall since %(day)s: %(why)s. %(what)s")
        return told % {"day": day, "why": self._why, "what": self._what}

    @property
    def _what(self) -> str:
        if self.decided:
            return gettext("Ask who issued it before you rely on its figures.")
        return gettext("What that does to its figures is being looked into.")

    @property
    def _why(self) -> str:
        if self.grounds == {RecallGround.WITHDRAWN.value}:
            return gettext("a certificate of an instrument that was used for it has been withdrawn")
        return gettext("an instrument that was used for it was later found outside its tolerance")


def under_recall(issues: Collection[UUID]) -> dict[UUID, Notice]:
    """Of these issued documents, those under recall. A constant number of statements.

    A document is under recall as long as a session that it holds is not decided on in a case. After that not,
    if the decision is that there is no effect, or if the customer was told and neither verdict changed nor
    the value moved by more than the stated bound (`recall.MOVED`). Otherwise until a newer revision is issued
    after the decision.
    """
    made = list(Issue.objects.filter(id__in=issues).select_related("revision").defer(*_FROZEN))
    jobs = {one.revision.job_id for one in made}
    doubts = _doubts(jobs)
    if not doubts:
        return {}
    all_issued = _issued(jobs)
    held = _held({one.revision_id for one in made if one.revision.job_id in doubts})
    found = {}
    for one in made:
        newer = all_issued[one.revision.job_id, one.revision.kind]
        telling = [
            doubt
            for doubt in doubts.get(one.revision.job_id, ())
            if doubt.session in held[one.revision_id] and doubt.holds(newer)
        ]
        if telling:
            found[one.id] = Notice(
                since=min(doubt.since for doubt in telling),
                grounds=frozenset(doubt.ground for doubt in telling),
                decided=all(doubt.decided_at for doubt in telling),
            )
    return found


_FROZEN = ("revision__snapshot", "revision__readings_csv")


@dataclass(frozen=True)
class _Doubt:
    """A session that a case touches, with what was decided last, if anything."""

    session: UUID
    ground: str
    since: datetime
    settled: bool = False
    decided_at: datetime | None = None

    def holds(self, issued: Collection[datetime]) -> bool:
        """Whether it still stands, given when documents of its job and kind were issued."""
        if self.decided_at is None:
            return True
        return not self.settled and not any(at > self.decided_at for at in issued)


def _doubts(jobs: Collection[UUID]) -> dict[UUID, list[_Doubt]]:
    """By job, the sessions in doubt: those computed anew, and those still waiting for that."""
    found: dict[UUID, list[_Doubt]] = defaultdict(list)
    decisions = RecallDecision.objects.order_by("-decided_at", "-id")
    items = newest_items(RecallItem.objects.filter(session__job__in=jobs))
    items = items.select_related("case", "session").defer("session__content")
    for item in items.prefetch_related(Prefetch("decisions", decisions)):
        found[item.session.job_id].append(_doubt(item))
    for case in cases_at_work():
        known = {(item.case_id, item.session_id) for item in items if item.case_id == case.id}
        ours = Session.objects.filter(job__in=jobs)
        waiting = {one for one in recall.touched(case, ours) if (case.id, one) not in known}
        for session, job in ours.filter(id__in=waiting).values_list("id", "job"):
            found[job].append(_Doubt(session, case.ground, case.opened_at))
    return found


def _doubt(item: RecallItem) -> _Doubt:
    newest = next(iter(item.decisions.all()), None)
    case = item.case
    if newest is None:
        return _Doubt(item.session_id, case.ground, case.opened_at)
    settled = newest.kind == RecallDecisionKind.NO_EFFECT or (
        newest.kind == RecallDecisionKind.CUSTOMER_TOLD and not (item.verdict_changed or item.moved)
    )
    return _Doubt(item.session_id, case.ground, case.opened_at, settled, newest.decided_at)


def _issued(jobs: Collection[UUID]) -> dict[tuple[UUID, str], list[datetime]]:
    found: dict[tuple[UUID, str], list[datetime]] = defaultdict(list)
    rows = Issue.objects.filter(revision__job__in=jobs)
    for job, kind, at in rows.values_list("revision__job", "revision__kind", "issued_at"):
        found[job, kind].append(at)
    return found


def _held(revisions: Collection[UUID]) -> dict[UUID, frozenset[UUID]]:
    rows = Revision.objects.filter(id__in=revisions).values_list("id", "readings_csv")
    return {row_id: sessions_in(packed) for row_id, packed in rows}
