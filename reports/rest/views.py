"""Thin doors to review, approval, issue and the public check."""

from typing import Any
from uuid import UUID

from django.core.files.storage import default_storage
from django.http import FileResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.errors import Conflict, Fault, Invalid, NotFound
from jobs.http.door import Door, PublicDoor, etag, seen_tag, tagged
from jobs.http.idempotency import Repeatable
from jobs.http.limits import address_of, limit
from jobs.http.schema import MATCH_PARAMETER
from jobs.rest import examples as ids
from jobs.rest.fields import Known, matching, uuid
from measurements.models import AnswerKind
from reports import deliver, queries, review, verify
from reports import issue as issuing
from reports.models import Issue, IssuedFile, Revision
from reports.rest import serializers as shapes
from reports.upload import digest_only, uploaded_digest

CHECKS_A_MINUTE = 30
REPORT_FILTERS: Known = {"job": ("revision__job", uuid), "number": ("number", str)}
FLAG_SEEN = OpenApiParameter(
    "If-Match", str, OpenApiParameter.HEADER, description="The flag's etag as you saw it."
)


class Queue(Door):
    """What waits for a supervisor."""

    needs = {"GET": Action.REVIEW}
    pagination_class = None

    @extend_schema(operation_id="review_queue", tags=["review"], responses=shapes.QueueShape)
    def get(self, request: Request) -> Response:
        """Jobs submitted, with open flags, or measured again after approval; submitted and worst first."""
        self.filters()
        return Response(shapes.QueueShape({"items": review.queue(self.actor)}).data)


class JobReview(Door):
    """All that an approval of a job would bind."""

    needs = {"GET": Action.REVIEW}

    @extend_schema(operation_id="job_review", tags=["review"], responses=shapes.ReviewShape)
    def get(self, request: Request, job_id: UUID) -> Response:
        """Sessions that count, results, flags, answers, points missing; the ETag is the set's digest."""
        found = review.review_set(self.actor, job_id)
        return tagged(shapes.ReviewShape(found).data, found.digest)


class FlagAnswers(Repeatable, Door):
    """Answers to a flag."""

    needs = {"POST": Action.REVIEW}
    serializer_class = shapes.AnswerInput

    @extend_schema(
        operation_id="flag_answer",
        examples=ids.sent(
            "Stays as it is",
            {"answer": "accept", "reason": "The damper is fully open; the branch carries no more."},
        ),
        tags=["review"],
        request=shapes.AnswerInput,
        parameters=[FLAG_SEEN],
        responses={
            201: shapes.AnswerMade,
            412: OpenApiResponse(description="Somebody answered it since; the detail says who and what"),
        },
    )
    def post(self, request: Request, flag_id: UUID) -> Response:
        """Accepts a flag with a reason, or sends its point back for re-measurement.

        If-Match names the flag's `etag` as it was seen; without it the flag counts as seen unanswered. The
        same answer once more is answered with the first.
        """
        given = self.read(shapes.AnswerInput)
        seen = seen_tag(request) if "If-Match" in request.headers else review.NO_ANSWER
        answer = review.answer_flag(
            self.actor, flag_id, kind=AnswerKind(given["answer"]), reason=given["reason"], seen=seen
        )
        return tagged(shapes.AnswerMade(answer).data, review.state_tag(answer), status=201)


class JobApproval(Repeatable, Door):
    """Approval of a job."""

    needs = {"POST": Action.APPROVE}

    @extend_schema(
        operation_id="job_approve",
        tags=["review"],
        request=None,
        parameters=[MATCH_PARAMETER],
        responses={
            201: shapes.RevisionShape,
            412: OpenApiResponse(description="The set changed since it was seen"),
            428: OpenApiResponse(description="If-Match is missing"),
        },
    )
    def post(self, request: Request, job_id: UUID) -> Response:
        """Freezes exactly what If-Match names (the ETag of the review) as a revision."""
        revision = review.approve(self.actor, job_id, seen_digest=seen_tag(request))
        where = request.build_absolute_uri(f"/api/v1/revisions/{revision.id}")
        return Response(shapes.RevisionShape(revision).data, status=201, headers={"Location": where})


class JobRevisions(Door):
    """Revisions of a job."""

    needs = {"GET": Action.READ}
    serializer_class = shapes.RevisionShape
    queryset = Revision.objects.all()

    @extend_schema(operation_id="job_revisions", tags=["reports"], responses=shapes.RevisionShape(many=True))
    def get(self, request: Request, job_id: UUID) -> Response:
        """Oldest first."""
        self.filters()
        if not queries.visible_jobs(self.actor).filter(id=job_id).exists():
            raise NotFound()
        rows = queries.visible_revisions(self.actor).filter(job=job_id)
        return self.page(rows, shapes.RevisionShape)


class RevisionDetail(Door):
    """One revision."""

    needs = {"GET": Action.READ}

    @extend_schema(operation_id="revision", tags=["reports"], responses=shapes.RevisionShape)
    def get(self, request: Request, revision_id: UUID) -> Response:
        """Who approved what and when, with the digest of the frozen snapshot."""
        revision = queries.visible_revisions(self.actor).filter(id=revision_id).first()
        if revision is None:
            raise NotFound()
        return tagged(shapes.RevisionShape(revision).data, revision.revision)


class RevisionIssue(Repeatable, Door):
    """Issue of a revision."""

    needs = {"POST": Action.ISSUE}

    @extend_schema(
        operation_id="revision_issue", tags=["reports"], request=None, responses={201: shapes.ReportShape}
    )
    def post(self, request: Request, revision_id: UUID) -> Response:
        """Gives the report its number; its file is made by a worker."""
        made = issuing.issue(self.actor, revision_id)
        where = request.build_absolute_uri(f"/api/v1/reports/{made.id}")
        shown = queries.visible_issues(self.actor).get(id=made.id)
        return Response(shapes.ReportShape(shown).data, status=201, headers={"Location": where})


class ReportList(Door):
    """Issued reports."""

    needs = {"GET": Action.READ}
    newest_first = True
    serializer_class = shapes.ReportShape
    queryset = Issue.objects.all()

    @extend_schema(
        operation_id="reports",
        tags=["reports"],
        parameters=[
            OpenApiParameter("job", OpenApiTypes.UUID, description="Only of this job."),
            OpenApiParameter("number", str, description="Only with this number, e.g. R-2026-0001."),
        ],
        responses=shapes.ReportShape(many=True),
    )
    def get(self, request: Request) -> Response:
        """Newest first."""
        rows = matching(queries.visible_issues(self.actor), self.filters(*REPORT_FILTERS), REPORT_FILTERS)
        return self.page(rows, shapes.ReportShape, states=issuing.states_of)


class ReportDetail(Door):
    """One issued report."""

    needs = {"GET": Action.READ}

    @extend_schema(operation_id="report", tags=["reports"], responses=shapes.ReportShape)
    def get(self, request: Request, report_id: UUID) -> Response:
        """State (rendering, issued, failed), file and public address."""
        return Response(shapes.ReportShape(_report(self, report_id)).data)


class ReportRender(Repeatable, Door):
    """A fresh start for a report whose rendering was given up."""

    needs = {"POST": Action.ISSUE}

    @extend_schema(
        operation_id="report_render", tags=["reports"], request=None, responses={202: shapes.ReportShape}
    )
    def post(self, request: Request, report_id: UUID) -> Response:
        """Only for a report that failed."""
        issuing.render_again(self.actor, report_id)
        return Response(shapes.ReportShape(_report(self, report_id)).data, status=202)


class ReportFile(Door):
    """The finished PDF."""

    needs = {"GET": Action.READ}

    @extend_schema(
        operation_id="report_file",
        tags=["reports"],
        responses={(200, "application/pdf"): OpenApiTypes.BINARY},
    )
    def get(self, request: Request, report_id: UUID) -> HttpResponseBase:
        """The file as it was issued, byte for byte."""
        made = _report(self, report_id)
        file = next(iter(made.files.all()), None)
        if file is None:
            state, reason = issuing.state_of(made)
            raise Conflict(f"The file is not there yet ({state}). {reason}".strip(), retry_after=5)
        deliver.fetched(self.actor, made)
        return file_response(made, file)


def file_response(made: Issue, file: IssuedFile) -> FileResponse:
    """The stored file, for its reader only, under a plain name."""
    name = f"{made.number}-rev{made.revision.revision}.pdf"
    try:
        opened = default_storage.open(file.name)
    except FileNotFoundError:
        raise NotFound("The file is missing from the storage; its digest is kept. Restore it.") from None
    response = FileResponse(opened, as_attachment=True, filename=name, content_type="application/pdf")
    response["Cache-Control"] = "private, max-age=3600"
    response["ETag"] = etag(file.sha256)
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response


def _report(door: Door, report_id: UUID) -> Issue:
    made = queries.visible_issues(door.actor).filter(id=report_id).first()
    if made is None:
        raise NotFound()
    return made


class PublicCheck(PublicDoor):
    """Is this file the one that was issued? No account, nothing kept."""

    parser_classes = (MultiPartParser,)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        digest_only(request._request)

    @extend_schema(
        operation_id="public_check",
        examples=ids.sent(
            "A file that was mailed on",
            {"address": ids.REPORT_ADDRESS, "file": "%PDF-1.7 and so on, the file's bytes"},
            "multipart/form-data",
        ),
        tags=["public"],
        request={
            "multipart/form-data": {
                "type": "object",
                "required": ["address", "file"],
                "properties": {
                    "address": {"type": "string", "description": "The address printed in the report."},
                    "file": {"type": "string", "format": "binary"},
                },
            }
        },
        responses=shapes.FindingShape,
    )
    def post(self, request: Request) -> Response:
        """Compares the file's SHA-256 with the files issued under the printed address.

        An unknown company, number or key and an altered file all get the same answer: unknown.
        """
        limit(f"check:{address_of(request._request)}", CHECKS_A_MINUTE, 60, "Too many checks; wait a little.")
        given = request.data if isinstance(request.data, dict) else {}
        address = verify.parse_address(str(given.get("address", "")))
        if address is None:
            raise Invalid("Give the address printed in the report.", [Fault("/address", "is not an address")])
        digest = uploaded_digest(request.FILES)
        report = verify.find(address)
        finding = verify.judge(report, digest) if report else verify.Finding(digest, verify.Standing.UNKNOWN)
        return Response(shapes.FindingShape(_answer(finding, report)).data)


def _answer(finding: verify.Finding, report: verify.PublicReport | None) -> dict[str, Any]:
    known = finding.standing is not verify.Standing.UNKNOWN
    return {
        "standing": finding.standing.value,
        "sentence": finding.sentence,
        "sha256": finding.sha256,
        "number": report.number if report and known else None,
        "revision": finding.revision,
        "issued_at": finding.issued_at,
        "newest": finding.newest,
        "signed": finding.signed,
    }
