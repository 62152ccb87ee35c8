"""Sessions, results and flags for reading; the hand-over of a job."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

from django.db.models import QuerySet
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.errors import Fault, Invalid, NotFound
from jobs.http.door import Door, tagged
from jobs.http.idempotency import Repeatable
from jobs.models import Job
from jobs.queries import visible
from jobs.rest.fields import Known, matching, moment
from measurements import queries
from measurements.models import Flag, Method, Session, Severity
from measurements.rest.serializers import (
    FlagOut,
    HandoverOut,
    JobResultsOut,
    ResultOut,
    SessionDetailOut,
    SessionOut,
)
from measurements.submit import submit_job


def _id(given: Mapping[str, str], name: str) -> UUID | None:
    try:
        return UUID(given[name]) if name in given else None
    except ValueError:
        raise Invalid(f"'{name}' must be an id.", [Fault(f"query:{name}", "not a UUID")]) from None


def _one_of(given: Mapping[str, str], name: str, choices: Sequence[str]) -> str | None:
    if name in given and given[name] not in choices:
        text = f"must be one of {', '.join(choices)}"
        raise Invalid(f"'{name}' {text}.", [Fault(f"query:{name}", text)])
    return given.get(name)


SPAN: Known = {
    "started_from": ("started_at__gte", moment),
    "started_before": ("started_at__lt", moment),
}
SESSION_FILTERS = ("job", "test_point", "method", "state", *SPAN)
FLAG_FILTERS = ("job", "session", "severity", "open")


def narrow_sessions(rows: QuerySet[Session], given: Mapping[str, str]) -> QuerySet[Session]:
    """By SESSION_FILTERS; `state` needs rows `with_state`. Raises Invalid."""
    wanted = {
        "job": _id(given, "job"),
        "test_point": _id(given, "test_point"),
        "method": _one_of(given, "method", Method.values),
    }
    rows = matching(rows, {name: given[name] for name in SPAN if name in given}, SPAN)
    rows = rows.filter(**{name: value for name, value in wanted.items() if value is not None})
    state = _one_of(given, "state", queries.STATES)
    return queries.in_state(rows, state) if state else rows


def narrow_flags(rows: QuerySet[Flag], given: Mapping[str, str]) -> QuerySet[Flag]:
    """By FLAG_FILTERS; `open` needs rows with their newest answer. Raises Invalid."""
    wanted = {
        "job": _id(given, "job"),
        "session": _id(given, "session"),
        "severity": _one_of(given, "severity", Severity.values),
    }
    rows = rows.filter(**{name: value for name, value in wanted.items() if value is not None})
    if state := _one_of(given, "open", ("true", "false")):
        rows = queries.open_flags(rows) if state == "true" else queries.settled_flags(rows)
    return rows


class Sessions(Door):
    """Sessions, newest first."""

    needs = {"GET": Action.READ}
    serializer_class = SessionOut
    newest_first = True

    @extend_schema(
        operation_id="session_list",
        tags=["measurements"],
        parameters=[
            OpenApiParameter("job", UUID, description="Of this job."),
            OpenApiParameter("test_point", UUID, description="At this test point."),
            OpenApiParameter("method", str, enum=Method.values),
            OpenApiParameter("state", str, enum=list(queries.STATES)),
            OpenApiParameter("started_from", datetime, description="Begun at this moment or later."),
            OpenApiParameter("started_before", datetime, description="Begun before this moment."),
        ],
        responses={200: SessionOut(many=True)},
    )
    def get(self, request: Request) -> Response:
        """List sessions with their newest figures."""
        given = self.filters(*SESSION_FILTERS)
        return self.page(narrow_sessions(queries.visible_sessions(self.actor), given), SessionOut)


class SessionDetail(Door):
    needs = {"GET": Action.READ}
    serializer_class = SessionDetailOut

    @extend_schema(operation_id="session_get", tags=["measurements"], responses={200: SessionDetailOut})
    def get(self, request: Request, session_id: UUID) -> Response:
        """One session with readings as columns, result with budget, and flags.

        The ETag is its content digest; a correction or a void sends it back.
        """
        session = queries.visible_sessions(self.actor).filter(id=session_id).first()
        if session is None:
            raise NotFound()
        flags = queries.visible_flags(self.actor).filter(session=session_id).order_by("raised_at", "id")
        context = {**self.get_serializer_context(), "flags": flags}
        return tagged(SessionDetailOut(session, context=context).data, session.content_digest)


class JobResults(Door):
    needs = {"GET": Action.READ}
    serializer_class = JobResultsOut

    @extend_schema(operation_id="job_results", tags=["measurements"], responses={200: JobResultsOut})
    def get(self, request: Request, job_id: UUID) -> Response:
        """A job's systems, their points and the result that counts at each, with an overview."""
        job = visible(Job.objects.all(), self.actor).filter(id=job_id).first()
        if job is None:
            raise NotFound()
        found = queries.job_results(job)
        content = {
            "job": job.id,
            "status": job.status,
            "overview": found.overview,
            "systems": found.systems,
        }
        return Response(JobResultsOut(content).data)


class ResultDetail(Door):
    needs = {"GET": Action.READ}
    serializer_class = ResultOut

    @extend_schema(operation_id="result_get", tags=["measurements"], responses={200: ResultOut})
    def get(self, request: Request, result_id: UUID) -> Response:
        """One computation with its inputs, budget and remarks. It never changes."""
        result = queries.visible_results(self.actor).filter(id=result_id).first()
        if result is None:
            raise NotFound()
        return Response(ResultOut(result).data)


class Flags(Door):
    """Flags, newest first."""

    needs = {"GET": Action.READ}
    serializer_class = FlagOut
    newest_first = True

    @extend_schema(
        operation_id="flag_list",
        tags=["measurements"],
        parameters=[
            OpenApiParameter("job", UUID, description="Of this job."),
            OpenApiParameter("session", UUID, description="Of this session."),
            OpenApiParameter("severity", str, enum=Severity.values),
            OpenApiParameter("open", str, enum=["true", "false"], description="Not answered yet."),
        ],
        responses={200: FlagOut(many=True)},
    )
    def get(self, request: Request) -> Response:
        """List what the rules saw."""
        given = self.filters(*FLAG_FILTERS)
        return self.page(narrow_flags(queries.visible_flags(self.actor), given), FlagOut)


class JobSubmission(Repeatable, Door):
    needs = {"POST": Action.SUBMIT}
    serializer_class = HandoverOut

    @extend_schema(
        operation_id="job_submit", tags=["measurements"], request=None, responses={200: HandoverOut}
    )
    def post(self, request: Request, job_id: UUID) -> Response:
        """Hand the job over for review. What is missing is listed, not refused."""
        return Response(HandoverOut(submit_job(self.actor, job_id)).data)
