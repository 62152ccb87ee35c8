"""Approved revisions, issued reports with their files, who got them; points left for later; signing."""

from datetime import date, datetime
from typing import TYPE_CHECKING, Annotated, Any

import strawberry
from django.conf import settings
from django.db.models import Exists, OuterRef, Q
from django.http import HttpRequest

from config.graphql.lists import NEWEST_FIRST, Connection, Filters, filters, many
from config.graphql.people import Member
from config.graphql.rows import Node, computed, node, one
from jobs import models as jobs
from jobs.access import Action, Actor, require
from jobs.http.graphql import actor_of
from jobs.http.limits import address_of, limit
from jobs.queries import visible
from reports import deliver, queries, signers, verify
from reports import issue as issuing
from reports import models as reports
from reports.rest.views import CHECKS_A_MINUTE, REPORT_FILTERS

if TYPE_CHECKING:
    from config.graphql.jobs import Job
    from config.graphql.sites import TestPoint

REPORTS: Filters = filters(
    REPORT_FILTERS,
    job=(jobs.Job, "Only of this job."),
    number=(str, "Only with this number, e.g. R-2026-0001."),
)


@node(reports.IssuedFile, "The finished PDF of an issued report, and how it is signed.")
class IssuedFile(Node):
    sha256: str
    size: int = strawberry.field(description="Bytes.")
    pages: int
    rendered_at: datetime
    signature_level: str = strawberry.field(description="By ETSI EN 319 142-1: none, B-B or B-T.")
    signer: str = strawberry.field(description="Whom the signing certificate names.")
    signed_at: datetime | None
    certificate_fingerprint: str = strawberry.field(description="SHA-256 of the signing certificate.")


@node(reports.Fetch, "A report's file left the house.")
class Fetch(Node):
    form: str = strawberry.field(description="pdf or workbook")
    at: datetime
    by: str = computed(
        lambda rows, actor: _fetched_by(rows, actor),
        description="A member's or key's name, or the address that a link was mailed to.",
    )
    delivery: Annotated["Delivery", strawberry.lazy("config.graphql.reports")] | None = one("delivery")


def _fetched_by(rows: list[Any], actor: Actor) -> dict[Any, str]:
    found = queries.visible_fetches(actor).filter(pk__in=[row.pk for row in rows])
    return {row.pk: deliver.fetched_by(row) for row in found}


def _times(rows: list[Any], actor: Actor) -> dict[Any, int]:
    return dict(_used(rows, actor).values_list("pk", "times"))


def _last(rows: list[Any], actor: Actor) -> dict[Any, datetime | None]:
    return dict(_used(rows, actor).values_list("pk", "last"))


def _used(rows: list[Any], actor: Actor) -> Any:
    return queries.visible_deliveries(actor).filter(pk__in=[row.pk for row in rows])


@node(reports.Delivery, "A link to a report's file, mailed to one address.")
class Delivery(Node):
    address: str
    message: str
    sent_by: Member | None = one("sent_by")
    made_at: datetime
    mailed_at: datetime | None
    expires_at: datetime
    revoked_at: datetime | None
    fetched: int = computed(_times, description="How often the link was used.")
    last_fetched_at: datetime | None = computed(_last)
    report: Annotated["Issue", strawberry.lazy("config.graphql.reports")] | None = one("issue")

    @strawberry.field(description="waiting, open, ended or withdrawn")
    def state(root: Any) -> str:
        return deliver.state_of(root)


def _newest_issued(rows: list[Any], actor: Actor) -> dict[Any, int | None]:
    found = queries.visible_issues(actor).filter(pk__in=[row.pk for row in rows]).prefetch_related(None)
    told = {made.pk: (made.newest, made.revision.revision) for made in found}  # type: ignore[attr-defined]
    return {key: newest if newest > own else None for key, (newest, own) in told.items()}


def _standings(rows: list[Any], actor: Actor) -> dict[Any, tuple[str, str]]:
    found = visible(reports.Issue.objects.filter(pk__in=[row.pk for row in rows]), actor)
    return dict(issuing.states_of(list(found.prefetch_related("files"))))


@node(reports.Issue, "A report, or another document of a job, under its number.")
class Issue(Node):
    number: str
    issued_at: datetime
    issued_by: Member | None = one("issued_by")
    revision: Annotated["Revision", strawberry.lazy("config.graphql.reports")] | None = one("revision")
    superseded_by: int | None = computed(
        _newest_issued, description="Number of the newest issued revision, if it is not this."
    )
    state: str = computed(
        lambda rows, actor: {key: one[0] for key, one in _standings(rows, actor).items()},
        description="rendering, issued or failed",
    )
    reason: str = computed(
        lambda rows, actor: {key: one[1] for key, one in _standings(rows, actor).items()},
        description="Why it failed.",
    )
    files: Connection[IssuedFile] = many(reports.IssuedFile, "issue", "One, once it is finished.")
    deliveries: Connection[Delivery] = many(reports.Delivery, "issue", "Newest first.", order=NEWEST_FIRST)
    fetches: Connection[Fetch] = many(reports.Fetch, "issue", "Newest first.", order=NEWEST_FIRST)

    @strawberry.field(description="Printed in it: whoever holds the report can check it there.")
    def check_address(root: Any) -> str:
        return issuing.check_address(root)

    @strawberry.field(description="Where to fetch the PDF, with the same token.")
    def url(root: Any) -> str:
        return f"/api/v1/reports/{root.pk}/file"

    @strawberry.field(description="Where to fetch it as a spreadsheet.")
    def workbook_url(root: Any) -> str:
        return f"/api/v1/reports/{root.pk}/workbook"


@node(
    reports.Revision,
    "A job as it was approved, or another document of it as it was frozen.",
    rows=lambda actor: visible(reports.Revision.objects.defer("snapshot", "readings_csv"), actor),
)
class Revision(Node):
    kind: str
    revision: int
    approved_at: datetime
    approved_by: Member | None = one("approved_by")
    self_approved: bool = strawberry.field(description="The approver measured on this job.")
    set_digest: str = strawberry.field(description="What the approver saw.")
    snapshot_digest: str
    paper: str
    job: Annotated["Job", strawberry.lazy("config.graphql.jobs")] | None = one("job")
    supersedes: Annotated["Revision", strawberry.lazy("config.graphql.reports")] | None = one("supersedes")
    issues: Connection[Issue] = many(reports.Issue, "revision")


def _newest_decisions(actor: Actor) -> Any:
    """Of each job and point, the row that counts."""
    same = reports.Deferral.objects.filter(job=OuterRef("job"), test_point=OuterRef("test_point"))
    later = same.filter(Q(at__gt=OuterRef("at")) | Q(at=OuterRef("at"), id__gt=OuterRef("id")))
    return visible(reports.Deferral.objects.filter(~Exists(later)), actor)


@node(
    reports.Deferral,
    "A point left for later, or (without a season) no longer so: the newest decision on it.",
    rows=_newest_decisions,
)
class Deferral(Node):
    test_point: Annotated["TestPoint", strawberry.lazy("config.graphql.sites")] | None = one("test_point")
    job: Annotated["Job", strawberry.lazy("config.graphql.jobs")] | None = one("job")
    season: str = strawberry.field(description="Empty: taken back.")
    due_on: date | None
    reason: str
    member: Member | None = one("member")
    at: datetime


# With what the company signs


def _signing_certificates(actor: Actor) -> Any:
    require(actor, Action.MANAGE_COMPANY)
    return visible(reports.SigningCertificate.objects.defer("chain", "encrypted_key"), actor)


@node(
    reports.SigningCertificate,
    "A certificate that the company signs with. Its private key never leaves.",
    rows=_signing_certificates,
)
class SigningCertificate(Node):
    subject: str
    issuer: str
    serial: str
    fingerprint: str
    valid_from: datetime | None
    valid_to: datetime | None
    member: Member | None = one("member")
    at: datetime


@strawberry.type(description="Who signs the company's reports: itself, this installation, or nobody.")
class Signing:
    certificate: SigningCertificate | None
    signed_by: str = strawberry.field(description="company, installation or nobody")
    time_stamped: bool = strawberry.field(description="Whether a time server is asked.")


def signing(info: strawberry.Info) -> Signing:
    require(actor_of(info), Action.MANAGE_COMPANY)
    found = signers.identity()
    who = "nobody" if found is None else "company" if found.own else "installation"
    row: Any = signers.newest()
    return Signing(certificate=row, signed_by=who, time_stamped=bool(settings.TSA_URL))


# Is this the file that was issued?


@strawberry.type(description="How an issued file is signed.")
class Signed:
    level: str
    signer: str
    at: datetime | None
    fingerprint: str


@strawberry.type(description="What a file is: current, superseded, under_recall, or unknown.")
class Finding:
    standing: str
    sentence: str
    sha256: str
    revision: int | None
    issued_at: datetime | None
    newest: int | None
    signed: Signed | None


def check(info: strawberry.Info, address: str, sha256: str) -> Finding:
    request: HttpRequest = info.context.request
    limit(f"check:{address_of(request)}", CHECKS_A_MINUTE, 60, "Too many checks; wait a little.")
    printed = verify.parse_address(address)
    report = verify.find(printed) if printed else None
    digest = sha256.strip().lower()[:64]
    found: Any = verify.judge(report, digest) if report else verify.Finding(digest, verify.Standing.UNKNOWN)
    return found  # type: ignore[no-any-return]  # a finding stands for its type
