"""What goes out before the final report: interim reports, lists of deficiencies and of deferred points.

Each is frozen, numbered, rendered, signed and checkable like a report, with revisions of its own, and says on
every page what it is. Nothing has to be answered first: it tells how far the work is.
"""

import zlib
from collections.abc import Iterator
from dataclasses import replace
from uuid import UUID

import msgspec
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop

from jobs import events
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, Fault, Invalid, NotFound
from jobs.language import in_english
from jobs.models import Company, JobStatus, Member
from measurements.evaluate import refresh
from reports import changes, deferrals, material, queries, readings, reviewset, snapshot
from reports import document as doc
from reports.deferrals import DeferralState
from reports.issue import send_out
from reports.models import DocumentKind, Issue, Revision, Season
from reports.reviewset import ReviewSet

LONGEST_ADDRESSEE = 400
TITLES = {
    DocumentKind.INTERIM: "Interim air balance report",
    DocumentKind.DEFICIENCIES: "Deficiency list",
    DocumentKind.DEFERRED: "Points deferred to another season",
}
STATUS = {
    DocumentKind.INTERIM: "interim, not the approved report",
    DocumentKind.DEFICIENCIES: "list for action",
    DocumentKind.DEFERRED: "list of what is left",
}


@transaction.atomic
def send_before(actor: Actor, job_id: UUID, *, kind: DocumentKind | str, addressee: str = "") -> Issue:
    """Freezes how the job stands as a document of that kind and sends it out under its number.

    `addressee`: whom the list is for, e.g. the installing contractor. Raises NotFound, Invalid, Conflict
    (nothing measured, nothing on the list, or the same as the revision before).
    """
    require(actor, Action.ISSUE)
    wanted = _kind(kind)
    if len(addressee) > LONGEST_ADDRESSEE:
        at_most = f"must have at most {LONGEST_ADDRESSEE} characters"
        raise Invalid(gettext("The addressee is too long."), [Fault("/addressee", at_most)])
    job = queries.visible_jobs(actor).select_for_update(of=("self",)).filter(id=job_id).first()
    if job is None:
        raise NotFound()
    if job.status == JobStatus.CANCELLED:
        raise Conflict(gettext("The job is cancelled."))
    before = Revision.objects.filter(job=job, kind=wanted).order_by("-revision").first()
    found = reviewset.load(job)
    found = replace(found, late=frozenset(refresh(job.id)))
    if before is not None and before.set_digest == _bound(found, addressee):
        raise Conflict(
            gettext("Revision %(revision)s says the same already; nothing changed since.")
            % {"revision": before.revision}
        )
    revision = _freeze(actor, found, wanted, addressee.strip(), before)
    return send_out(actor, job, revision)


def _kind(kind: DocumentKind | str) -> DocumentKind:
    if kind not in TITLES:
        known = ", ".join(TITLES)
        raise Invalid(
            gettext("There is no such document."),
            [Fault("/kind", gettext("must be one of %(known)s") % {"known": known})],
        )
    return DocumentKind(kind)


def _bound(found: ReviewSet, addressee: str) -> str:
    """What two documents must share to say the same."""
    return events.digest({"set": found.digest, "addressee": addressee.strip()})


@in_english()
def _freeze(
    actor: Actor, found: ReviewSet, kind: DocumentKind, addressee: str, before: Revision | None
) -> Revision:
    moment = timezone.now()
    collected = material.collect(found)
    maker = Member.objects.get(id=actor.member_id)
    whole = snapshot.build(collected, maker, moment, before, self_approved=False)
    document = _cut(whole, found, kind, addressee, collected, before)
    data = doc.to_bytes(document)
    revision: Revision = Revision.objects.create(
        job=found.job,
        kind=kind,
        revision=document.report.revision,
        supersedes=before,
        approved_by=maker,
        approved_at=moment,
        self_approved=any(one.session.member_id == actor.member_id for one in found.measured),
        set_digest=_bound(found, addressee),
        snapshot=zlib.compress(data),
        snapshot_digest=doc.digest(data),
        readings_csv=zlib.compress(readings.csv_bytes(collected)),
        paper=Company.objects.get().paper,
    )
    events.record(
        actor,
        "document.frozen",
        "job",
        found.job.id,
        data={
            "kind": str(kind),
            "revision": revision.revision,
            "revision_id": str(revision.id),
            "row": events.row_digest(revision),
        },
        content_digest=revision.snapshot_digest,
    )
    return revision


def _cut(
    whole: doc.Document,
    found: ReviewSet,
    kind: DocumentKind,
    addressee: str,
    collected: material.Material,
    before: Revision | None,
) -> doc.Document:
    """The document of its kind out of all that a report would say now. Raises Conflict when it is empty."""
    note = "\n".join(part for part in (_standing(found), whole.report.note) if part)
    report = msgspec.structs.replace(
        whole.report, title=TITLES[kind], status=STATUS[kind], self_approval="", note=note
    )
    cut = msgspec.structs.replace(whole, kind=doc.Kind(kind), addressee=addressee, report=report)
    if kind == DocumentKind.INTERIM:
        if not found.measured:
            raise Conflict(gettext("Nothing was measured yet; there is nothing to report."))
        return cut
    if kind == DocumentKind.DEFICIENCIES:
        rows = tuple(one for one in whole.deficiencies if one.status == "open")
    else:
        rows = tuple(_deferred(found, collected))
    if not rows:
        nothing = "No deficiency is open." if kind == DocumentKind.DEFICIENCIES else "No point is deferred."
        raise Conflict(gettext("%(why)s There is nothing to list.") % {"why": nothing})
    earlier = doc.from_bytes(zlib.decompress(before.snapshot)).deficiencies if before else ()
    return msgspec.structs.replace(
        cut,
        deficiencies=tuple(msgspec.structs.replace(one, anchor="") for one in rows),
        systems=(),
        instruments=(),
        methods=(),
        counts=doc.Counts(),
        photos=msgspec.UNSET,
        changes=tuple(changes.lists(earlier, rows)) if before else (),
    )


def _standing(found: ReviewSet) -> str:
    """How far the work is, in a sentence each."""
    points = [state for system in found.systems for state in system.points]
    left = sum(1 for state in points if found.deferral(state))
    missing = sum(1 for state in points if state.missing and not found.deferral(state))
    waiting = len(found.pending)
    open_flags = sum(1 for one in found.flags if one.blocks)
    lines = [
        f"{len(found.measured)} measurements count so far; "
        f"{missing or 'no'} {'point is' if missing == 1 else 'points are'} still to be measured.",
    ]
    if left:
        lines.append(f"{left} deferred to another season.")
    if waiting:
        lines.append(f"{waiting} of the measurements {'waits' if waiting == 1 else 'wait'} for evaluation.")
    if open_flags:
        lines.append(
            f"{open_flags} {'flag waits' if open_flags == 1 else 'flags wait'} for the supervisor's answer; "
            "figures may change."
        )
    return " ".join(lines)


STATE_WORDS = {
    DeferralState.WAITING: gettext_noop("deferred"),
    DeferralState.MEASURED: gettext_noop("measured since"),
    DeferralState.TAKEN_BACK: gettext_noop("taken back"),
}


def _deferred(found: ReviewSet, collected: material.Material) -> Iterator[doc.Deficiency]:
    """Every point that was ever deferred on the job, with what became of it."""
    points = [state for system in found.systems for state in system.points]
    measured = {state.point.id for state in points if found.measured_since(state)}
    rows = sorted(found.deferrals.values(), key=lambda row: (row.test_point.system.tag, row.test_point.tag))
    for one in deferrals.states(rows, measured):
        row = one.row
        waits = Season(row.season).label if row.season else "to be measured with the rest"
        until = f", by {row.due_on.isoformat()}" if row.due_on else ""
        yield doc.Deficiency(
            tag=row.test_point.tag,
            system=row.test_point.system.tag,
            place=row.test_point.location,
            what=f"{waits}{until}",
            status=STATE_WORDS[one.state],
            answer=doc.Answer(
                decision="deferred",
                reason=row.reason,
                by=collected.person(row.member, "supervisor", row.at),
            ),
            at=collected.local(row.at),
        )


def made_before(job_id: UUID, actor: Actor) -> list[Issue]:
    """Documents of a job other than its report, newest first."""
    rows = queries.visible_issues(actor).filter(revision__job=job_id)
    return list(rows.exclude(revision__kind=DocumentKind.REPORT).order_by("-issued_at"))
