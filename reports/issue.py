"""A revision leaves the house: it gets a number and an address, then a worker makes its file.

The number is given once a job; later revisions keep it, so that the public page can tell which is current.
"""

import hashlib
import logging
import secrets
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from uuid import UUID
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.files import File
from django.core.files.storage import default_storage
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, NotFound
from jobs.models import Company, DueState, DueWork, Job, JobStatus
from jobs.numbers import next_number
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import short_id
from reports import document, photos, queries, sign, signers
from reports.models import DocumentKind, Issue, IssuedFile, Revision
from reports.render import RenderedReport, render_report
from reports.scratch import scratch

log = logging.getLogger(__name__)
PAPERS: dict[str, Literal["A4", "Letter"]] = {"A4": "A4", "Letter": "Letter"}
KEY_BYTES = 24
RENDER = photos.RENDER


@transaction.atomic
def issue(actor: Actor, revision_id: UUID) -> Issue:
    """Numbers a revision and makes its file due. Only the newest revision of a job is issued, and once.

    Raises NotFound, Conflict.
    """
    require(actor, Action.ISSUE)
    revision = queries.visible_revisions(actor).filter(id=revision_id).first()
    if revision is None:
        raise NotFound()
    job = Job.objects.select_for_update(of=("self",)).get(id=revision.job_id)
    _check_issuable(job, revision)
    return send_out(actor, job, revision)


def send_out(actor: Actor, job: Job, revision: Revision) -> Issue:
    """Gives a frozen document of a locked job its number and address, and makes its file due."""
    made: Issue = Issue.objects.create(
        revision=revision,
        number=_number_of(job, DocumentKind(revision.kind)),
        address_key=secrets.token_urlsafe(KEY_BYTES),
        issued_by_id=actor.member_id,
        issued_at=timezone.now(),
    )
    events.record(
        actor,
        "report.issued",
        "report",
        made.id,
        data={
            "number": made.number,
            "kind": revision.kind,
            "revision": revision.revision,
            "job": str(job.id),
        },
        content_digest=events.row_digest(made),
    )
    due.schedule(RENDER, made.id)
    return made


def _check_issuable(job: Job, revision: Revision) -> None:
    if job.status not in queries.CLOSED:
        state = job.get_status_display().lower()
        raise Conflict(
            gettext("The job is %(state)s since this revision was approved; approve it again first.")
            % {"state": state}
        )
    issued = Issue.objects.filter(revision=revision).first()
    if issued is not None:
        raise Conflict(gettext("This revision is issued already, as %(number)s.") % {"number": issued.number})
    same = Revision.objects.filter(job_id=revision.job_id, kind=revision.kind)
    newest = same.order_by("-revision").values_list("revision")[0][0]
    if newest != revision.revision:
        raise Conflict(
            gettext("Revision %(newest)s of this job is newer; issue that one.") % {"newest": newest}
        )
    packed = Revision.objects.values_list("snapshot", flat=True).get(id=revision.id)
    photos.check_printable(document.from_bytes(zlib.decompress(packed)))


SUFFIX = {
    DocumentKind.REPORT: "",
    DocumentKind.INTERIM: "-I",
    DocumentKind.DEFICIENCIES: "-D",
    DocumentKind.DEFERRED: "-S",
}
"""What a document's number ends with; all of a job share what stands before it."""


def _number_of(job: Job, kind: DocumentKind) -> str:
    """The number the job's documents went out under before, or the next of this year, e.g. R-2026-0001."""
    before = Issue.objects.filter(revision__job=job).select_related("revision").order_by("issued_at").first()
    if before is not None:
        base = str(before.number).removesuffix(SUFFIX[DocumentKind(before.revision.kind)])
        return base + SUFFIX[kind]
    year = timezone.now().astimezone(ZoneInfo(Company.objects.get().time_zone)).year
    return f"R-{year}-{next_number(f'report-{year}'):04d}{SUFFIX[kind]}"


def check_path(made: Issue) -> str:
    """Path of the public page that checks files of this report."""
    return f"/check/{short_id(UUID(str(made.company_id)))}/{made.number}/{made.address_key}"


def check_address(made: Issue) -> str:
    """The same with the service's own address, as it is printed."""
    return settings.PUBLIC_URL.rstrip("/") + check_path(made)


def changes_of(made: Issue) -> tuple[document.Change, ...]:
    """What its revision says has changed since the one before."""
    packed = Revision.objects.values_list("snapshot", flat=True).get(id=made.revision_id)
    return document.from_bytes(zlib.decompress(packed)).changes


def state_of(made: Issue) -> tuple[str, str]:
    """('issued' | 'rendering' | 'failed', reason). A failed one is parked after three attempts."""
    if any(made.files.all()):
        return "issued", ""
    return states_of([made])[made.id]


def states_of(issues: list[Issue]) -> dict[UUID, tuple[str, str]]:
    """State of each, with files prefetched: one statement for all."""
    ids = [made.id for made in issues if not made.files.all()]
    parked = {
        row.subject_id: row.error
        for row in DueWork.objects.filter(kind=RENDER, subject_id__in=ids, state=DueState.PARKED)
    }
    found: dict[UUID, tuple[str, str]] = {made.id: ("issued", "") for made in issues}
    for waiting in ids:
        found[waiting] = ("failed", parked[waiting]) if waiting in parked else ("rendering", "")
    return found


@transaction.atomic
def render_again(actor: Actor, issue_id: UUID) -> None:
    """Gives a report whose rendering was given up a fresh start. Raises NotFound, Conflict."""
    require(actor, Action.ISSUE)
    made = queries.visible_issues(actor).filter(id=issue_id).first()
    if made is None:
        raise NotFound()
    if not due.retry_parked(RENDER, made.id):
        raise Conflict(gettext("The report is issued or on its way; there is nothing to repeat."))


@due.handler(RENDER, queue="render", keeps=True)
def render(claim: due.Claim) -> None:
    """Makes the file of an issue: renders outside a transaction, then keeps it and says so in one."""
    with transaction.atomic():
        made = Issue.objects.select_related("revision", "issued_by").get(id=claim.subject_id)
        if made.files.exists():
            claim.finish()
            return
        identity = signers.identity()
    with due.kept(claim), scratch() as workdir:
        finished = finish(made, workdir, identity, last_try=claim.attempt >= due.ATTEMPTS)
        name = _keep(made, finished)
    with transaction.atomic():
        claim.finish()
        _store_file(made, finished, name)


@dataclass(frozen=True)
class Finished:
    """A file that leaves the house: rendered, then signed; nothing is written into it after that."""

    path: Path
    pages: int
    sha256: str
    size: int
    signature: sign.Signature


def finish(made: Issue, workdir: Path, identity: sign.Identity | None, *, last_try: bool = True) -> Finished:
    """Renders and signs the file of an issue into `workdir`; without an identity it says it is not signed.

    Raises TimeServerAway unless this is the last try: then the file is signed without a trusted time, and
    its level says so.
    """
    rendered = render_revision(made, workdir, identity)
    signature = signed(rendered.path, identity, last_try=last_try)
    with rendered.path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return Finished(rendered.path, rendered.pages, digest, rendered.path.stat().st_size, signature)


def signed(path: Path, identity: sign.Identity | None, *, last_try: bool = True) -> sign.Signature:
    """Signs a finished report in place, with a time stamp when a time server is set.

    Raises TimeServerAway.
    """
    if identity is None:
        return sign.UNSIGNED
    try:
        return sign.sign_file(path, identity, sign.time_server())
    except sign.TimeServerAway as away:
        if not last_try:
            raise
        log.warning("signed without a trusted time: %s", away)
        return sign.sign_file(path, identity)


def document_of(
    made: Issue, identity: sign.Identity | None = None
) -> tuple[document.Document, document.Issue, bytes]:
    """What an issue says: the frozen document, number and address, and its readings (CSV, zlib)."""
    revision = Revision.objects.only("snapshot", "readings_csv", "revision").get(id=made.revision_id)
    content = document.from_bytes(zlib.decompress(revision.snapshot))
    frozen = document.Issue(
        number=made.number,
        revision=revision.revision,
        issued_at=made.issued_at.astimezone(ZoneInfo(content.report.zone)),
        issued_by=made.issued_by.name,
        address=check_address(made),
        to_be_signed=identity is not None,
        signature=tuple(sign.words(identity, bool(settings.TSA_URL))),
    )
    return content, frozen, bytes(revision.readings_csv)


def render_revision(made: Issue, workdir: Path, identity: sign.Identity | None = None) -> RenderedReport:
    """The file of an issue before it is signed, from the frozen snapshot alone."""
    revision = made.revision
    with transaction.atomic():
        content, frozen, readings = document_of(made, identity)
        pictures = photos.pictures_of(content)
    return render_report(
        content,
        frozen,
        workdir=workdir,
        readings_csv=zlib.decompress(readings),
        paper=PAPERS[revision.paper],
        pictures=pictures,
    )


def _keep(made: Issue, rendered: Finished) -> str:
    """Puts the file into the storage under its content's name, so that a repeat finds it there."""
    name = f"reports/{made.company_id}/{made.id}/{rendered.sha256}.pdf"
    if default_storage.exists(name) and default_storage.size(name) == rendered.size:
        return name
    with rendered.path.open("rb") as file:
        return str(default_storage.save(name, File(file)))


def _store_file(made: Issue, rendered: Finished, name: str) -> None:
    file = IssuedFile.objects.create(
        issue=made,
        name=name,
        sha256=rendered.sha256,
        size=rendered.size,
        pages=rendered.pages,
        rendered_at=timezone.now(),
        signature_level=rendered.signature.level,
        signer=rendered.signature.signer,
        signed_at=rendered.signature.at,
        certificate_fingerprint=rendered.signature.fingerprint,
    )
    events.record(
        Actor(company_id=current_company()),
        "report.rendered",
        "report",
        made.id,
        data={
            "file": str(file.id),
            "number": made.number,
            "pages": rendered.pages,
            "signature": rendered.signature.level.value,
            "row": events.row_digest(file),
        },
        content_digest=rendered.sha256,
    )
    if made.revision.kind != DocumentKind.REPORT:
        return
    job = Job.objects.select_for_update(of=("self",)).get(id=made.revision.job_id)
    if job.status == JobStatus.APPROVED and not Revision.objects.filter(supersedes=made.revision).exists():
        job.status, job.version = JobStatus.ISSUED, job.version + 1
        job.save(update_fields=["status", "version"])
