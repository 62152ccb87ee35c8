"""Doors of jobs: plan, list, change, assign, cancel, readiness."""

from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import dispatch
from jobs.access import Action
from jobs.http.door import Door, seen_version, tagged
from jobs.http.idempotency import Repeatable
from jobs.http.schema import MATCH_PARAMETER
from jobs.models import JobStatus, PersonAssignment
from jobs.queries import visible_jobs
from jobs.readiness import readiness
from jobs.rest import examples as ids
from jobs.rest import job_shapes as shapes
from jobs.rest.answers import created, filter_parameters
from jobs.rest.examples import sent
from jobs.rest.fields import Known, day, matching, one_of, uuid, whole_number

JOB_EXAMPLE = {
    "title": "Balance of reading rooms",
    "site": ids.SITE,
    "systems": [ids.SYSTEM],
    "starts_on": "2026-03-02",
    "ends_on": "2026-03-06",
}


def of_member(text: str) -> QuerySet[Any]:
    """The ids of jobs that a member is assigned to, as a subquery."""
    return PersonAssignment.objects.filter(member_id=UUID(text)).values("job_id")


JOB_FILTERS: Known = {
    "status": ("status", one_of(JobStatus)),
    "site": ("site_id", uuid),
    "member": ("id__in", of_member),
    "number": ("number", whole_number),
    "ends_from": ("ends_on__gte", day),
    "starts_until": ("starts_on__lte", day),
}


class Jobs(Repeatable, Door):
    needs = {"GET": Action.READ, "POST": Action.PLAN}
    serializer_class = shapes.JobOut
    newest_first = True

    @extend_schema(
        operation_id="job_list",
        tags=["jobs"],
        parameters=filter_parameters(
            status=f"Only one status: {', '.join(JobStatus.values)}.",
            site="Only those at one site, by id.",
            member="Only those that a member is assigned to, by id.",
            number="Only the one with this number.",
            ends_from="Only those whose last day is this one or later, e.g. 2026-03-02.",
            starts_until="Only those whose first day is this one or earlier.",
        ),
        responses=shapes.JobOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """All jobs with systems, people and instruments, newest first."""
        rows = matching(visible_jobs(self.actor), self.filters(*JOB_FILTERS), JOB_FILTERS)
        return self.page(rows, shapes.JobOut)

    @extend_schema(
        operation_id="job_plan",
        tags=["jobs"],
        request=shapes.JobIn,
        responses={201: shapes.JobOut},
        examples=sent("A week's work", JOB_EXAMPLE),
    )
    def post(self, request: Request) -> Response:
        """Plan a job on systems of one site. The number comes from the company's series."""
        job = dispatch.plan_job(self.actor, **shapes.job_fields(self.read(shapes.JobIn)))
        return created("job", visible_jobs(self.actor).get(id=job.id), shapes.JobOut)


class JobDoor(Door):
    """A view below one job that answers with the job as it then stands."""

    serializer_class = shapes.JobOut

    def job(self, job_id: UUID, status: int = 200) -> Response:
        row = get_object_or_404(visible_jobs(self.actor), id=job_id)
        return tagged(shapes.JobOut(row).data, row.version, status)


class Job(JobDoor):
    needs = {"GET": Action.READ, "PATCH": Action.PLAN}

    @extend_schema(operation_id="job_read", tags=["jobs"], responses=shapes.JobOut)
    def get(self, request: Request, job_id: UUID) -> Response:
        """One job with systems, people and instruments."""
        return self.job(job_id)

    @extend_schema(
        operation_id="job_change",
        examples=sent(
            "Two days more", {"ends_on": "2026-03-10", "notes": "The archive is open from 14:00 only."}
        ),
        tags=["jobs"],
        request=shapes.JobChange,
        responses=shapes.JobOut,
    )
    def patch(self, request: Request, job_id: UUID) -> Response:
        """Change title, notes, window, tolerances or systems of an open job."""
        seen = seen_version(request)
        changes = shapes.job_fields(self.read(shapes.JobChange, partial=True))
        systems = changes.pop("system_ids", None)
        dispatch.change_job(self.actor, job_id, seen=seen, changes=changes, system_ids=systems)
        return self.job(job_id)


class JobPeople(Repeatable, JobDoor):
    needs = {"POST": Action.PLAN}

    @extend_schema(
        operation_id="job_assign_person",
        examples=sent(
            "Two mornings",
            {
                "member": ids.MEMBER,
                "starts_on": "2026-03-04",
                "ends_on": "2026-03-05",
                "from_time": "07:00",
                "to_time": "12:00",
            },
        ),
        tags=["jobs"],
        request=shapes.JobPersonIn,
        responses=shapes.JobOut,
    )
    def post(self, request: Request, job_id: UUID) -> Response:
        """Assign a technician for some days, or move their days.

        Refused when another job holds them then, or at a site from which the way is too long.
        """
        dispatch.assign_person(self.actor, job_id, **shapes.job_fields(self.read(shapes.JobPersonIn)))
        return self.job(job_id)


class JobPerson(JobDoor):
    needs = {"DELETE": Action.PLAN}

    @extend_schema(operation_id="job_unassign_person", tags=["jobs"], responses={200: shapes.JobOut})
    def delete(self, request: Request, job_id: UUID, member_id: UUID) -> Response:
        """Take a person off an open job."""
        dispatch.unassign_person(self.actor, job_id, member_id)
        return self.job(job_id)


class JobInstruments(Repeatable, JobDoor):
    needs = {"POST": Action.PLAN}

    @extend_schema(
        operation_id="job_assign_instrument",
        examples=sent(
            "For two days", {"instrument": ids.MANOMETER, "starts_on": "2026-03-04", "ends_on": "2026-03-05"}
        ),
        tags=["jobs"],
        request=shapes.JobInstrumentIn,
        responses=shapes.JobOut,
    )
    def post(self, request: Request, job_id: UUID) -> Response:
        """Assign an instrument for some days.

        Refused when another job holds it then. A certificate that ends before the last day or is missing,
        and ranges that suit none of the job's points, are refused or kept as warnings, as the company says.
        """
        dispatch.assign_instrument(self.actor, job_id, **shapes.job_fields(self.read(shapes.JobInstrumentIn)))
        return self.job(job_id)


class JobInstrument(JobDoor):
    needs = {"DELETE": Action.PLAN}

    @extend_schema(operation_id="job_unassign_instrument", tags=["jobs"], responses={200: shapes.JobOut})
    def delete(self, request: Request, job_id: UUID, instrument_id: UUID) -> Response:
        """Take an instrument off an open job."""
        dispatch.unassign_instrument(self.actor, job_id, instrument_id)
        return self.job(job_id)


class JobCancel(Repeatable, JobDoor):
    needs = {"POST": Action.PLAN}

    @extend_schema(
        operation_id="job_cancel",
        examples=sent("Called off", {"reason": "The customer closes the library for repairs until autumn."}),
        tags=["jobs"],
        parameters=[MATCH_PARAMETER],
        request=shapes.CancelIn,
        responses=shapes.JobOut,
    )
    def post(self, request: Request, job_id: UUID) -> Response:
        """Cancel an open job with a reason. Needs If-Match, as a change does."""
        reason, seen = self.read(shapes.CancelIn)["reason"], seen_version(request)
        dispatch.cancel_job(self.actor, job_id, seen=seen, reason=reason)
        return self.job(job_id)


class JobReadiness(Door):
    needs = {"GET": Action.READ}
    serializer_class = shapes.ReadinessOut
    pagination_class = None

    @extend_schema(operation_id="job_readiness", tags=["jobs"], responses=shapes.ReadinessOut)
    def get(self, request: Request, job_id: UUID) -> Response:
        """What is missing before the job can start, and what to look at on site."""
        return Response(shapes.ReadinessOut(readiness(self.actor, job_id)).data)
