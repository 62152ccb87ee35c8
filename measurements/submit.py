"""The technician hands a job over for review."""

from dataclasses import dataclass
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext

from jobs import events
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, NotFound
from jobs.models import Job, JobStatus
from jobs.queries import visible
from measurements.evaluate import refresh
from measurements.queries import MEASURED_KINDS, job_results


@dataclass(frozen=True)
class Missing:
    """A point that has no figure, and why."""

    system: str
    point: str
    test_point: UUID
    reason: str


@dataclass(frozen=True)
class Handover:
    job: Job
    missing: list[Missing]


@transaction.atomic
def submit_job(actor: Actor, job_id: UUID) -> Handover:
    """Sets the job to submitted and lists what is missing; the supervisor sees that list too.

    Raises NotFound, or Conflict when the job is not open.
    """
    require(actor, Action.SUBMIT)
    job = visible(Job.objects.select_for_update(), actor).filter(id=job_id).first()
    if job is None:
        raise NotFound()
    if job.status != JobStatus.OPEN:
        raise Conflict(
            gettext("The job is %(status)s; only an open job is handed over.")
            % {"status": job.get_status_display().lower()}
        )
    refresh(job.id)
    missing = missing_points(job)
    job.status = JobStatus.SUBMITTED
    job.version += 1
    job.save(update_fields=["status", "version"])
    data = {"missing": [str(one.test_point) for one in missing]}
    events.record(actor, "job.submitted", "job", job.id, data=data)
    return Handover(job, missing)


def missing_points(job: Job) -> list[Missing]:
    """Points that need a figure and have none yet."""
    return [
        Missing(system.system.tag, figure.point.tag, figure.point.id, reason)
        for system in job_results(job).systems
        for figure in system.points
        if figure.point.kind in MEASURED_KINDS
        and (reason := _why(figure.session is not None, figure.result is not None))
    ]


def _why(measured: bool, evaluated: bool) -> str:
    if not measured:
        return "not measured"
    return "" if evaluated else "waiting for its evaluation"
