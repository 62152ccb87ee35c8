"""Points left for another season: who left them, why, and what became of them."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import events
from jobs.access import Action, Actor, may, require
from jobs.errors import Conflict, Fault, Invalid, NotFound
from jobs.models import Job, JobStatus, TestPoint
from jobs.reasons import reason_of
from jobs.rows import related
from reports import queries
from reports.models import Deferral, Season

LATEST_YEARS = 5


class DeferralState(StrEnum):
    """What became of a deferred point."""

    WAITING = "waiting"
    MEASURED = "measured"
    TAKEN_BACK = "taken_back"


@dataclass(frozen=True)
class DeferredPoint:
    """The newest row of a point, and its state."""

    row: Deferral
    state: DeferralState


@transaction.atomic
def defer(
    actor: Actor,
    job_id: UUID,
    *,
    point_id: UUID,
    season: Season | str,
    reason: str,
    due_on: date | None = None,
) -> Deferral:
    """Leaves a point of the job for later; it stands as deferred in every document until it is measured.

    A second row for the same point replaces what the first said. Who measures may say so until the job is
    handed over. Raises NotFound, Invalid, Conflict.
    """
    require(actor, Action.SUBMIT)
    job, point = _job(actor, job_id), _point(actor, job_id, point_id)
    if season not in Season.values:
        known = ", ".join(Season.values)
        raise Invalid(
            gettext("Say what the point waits for."),
            [Fault("/season", gettext("must be one of %(known)s") % {"known": known})],
        )
    today = timezone.localdate()
    if due_on is not None and not today <= due_on <= today.replace(year=today.year + LATEST_YEARS, day=1):
        raise Invalid(
            gettext("Give a day to come."),
            [
                Fault(
                    "/due_on",
                    gettext("must be within %(latest_years)s years from now")
                    % {"latest_years": LATEST_YEARS},
                )
            ],
        )
    return _store(actor, job, point, str(season), due_on, reason_of(reason))


@transaction.atomic
def take_back(actor: Actor, job_id: UUID, *, point_id: UUID, reason: str) -> Deferral:
    """The point is to be measured now after all. Raises NotFound, Invalid, Conflict (it is not deferred)."""
    require(actor, Action.SUBMIT)
    job, point = _job(actor, job_id), _point(actor, job_id, point_id)
    before = newest(job).get(point.id)
    if before is None or not before.season:
        raise Conflict(gettext("%(tag)s is not deferred.") % {"tag": point.tag})
    return _store(actor, job, point, "", None, reason_of(reason))


def newest(job: Job) -> dict[UUID, Deferral]:
    """By point of the job, the row that counts; one without a season says that it was taken back."""
    rows = (
        Deferral.objects.filter(job=job).select_related("member", "test_point__system").order_by("at", "id")
    )
    return {row.test_point_id: row for row in rows}


def states(rows: Iterable[Deferral], measured: Iterable[UUID]) -> list[DeferredPoint]:
    """Each point's newest row with its state; `measured`: points that have a figure now."""
    done = set(measured)
    found = []
    for row in rows:
        if not row.season:
            state = DeferralState.TAKEN_BACK
        else:
            state = DeferralState.MEASURED if row.test_point_id in done else DeferralState.WAITING
        found.append(DeferredPoint(row, state))
    return found


def _store(
    actor: Actor, job: Job, point: TestPoint, season: str, due_on: date | None, reason: str
) -> Deferral:
    row: Deferral = Deferral.objects.create(
        job=job,
        test_point=point,
        season=season,
        due_on=due_on,
        reason=reason,
        member_id=actor.member_id,
        at=timezone.now(),
    )
    events.record(
        actor,
        "point.deferred" if season else "point.deferral_ended",
        "point",
        point.id,
        data={"deferral": str(row.id), "job": str(job.id), "season": season},
        content_digest=events.row_digest(row),
    )
    return row


def _job(actor: Actor, job_id: UUID) -> Job:
    """The job, locked against an approval at the same time."""
    job: Job | None = queries.visible_jobs(actor).select_for_update(of=("self",)).filter(id=job_id).first()
    if job is None:
        raise NotFound()
    if job.status == JobStatus.CANCELLED:
        raise Conflict(gettext("The job is cancelled."))
    if job.status != JobStatus.OPEN and not may(actor, Action.REVIEW):
        raise Conflict(gettext("The job is handed over; its supervisor decides what is left for later."))
    return job


def _point(actor: Actor, job_id: UUID, point_id: UUID) -> TestPoint:
    rows = TestPoint.objects.filter(system__job_systems__job=job_id)
    found: TestPoint = related(rows, actor, point_id, "/test_point")
    return found
