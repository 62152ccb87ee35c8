"""Planning: jobs with their systems and window, who goes, with what, and whether that will do.

Two dispatchers may plan at once. An assignment locks first the job, then the person or instrument, and looks
for other bookings under that lock, so of two that clash one is refused.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import date
from typing import Any, TypeVar
from uuid import UUID

from django.db import transaction
from django.db.models import Model, QuerySet

from jobs import due, events
from jobs.access import MAY, Action, Actor, require
from jobs.errors import Conflict, Fault, Invalid, NotFound
from jobs.models import (
    Company,
    Instrument,
    InstrumentAssignment,
    Job,
    JobStatus,
    JobSystem,
    Lapse,
    Member,
    PersonAssignment,
    Site,
    System,
    TestPoint,
)
from jobs.numbers import next_number
from jobs.rows import NOTHING, apply, check, locked, related, seen_as
from jobs.suitability import Finding, look_at

A = TypeVar("A", bound=Model)
# A job holds its people and instruments until it is approved: it may be sent back before.
HOLDING = (JobStatus.OPEN, JobStatus.SUBMITTED)
LONGEST_DAYS, MOST_SYSTEMS = 732, 200


@transaction.atomic
def plan_job(
    actor: Actor,
    *,
    title: str,
    site_id: UUID,
    system_ids: Sequence[UUID],
    starts_on: date,
    ends_on: date,
    notes: str = "",
    tolerance_below: float | None = None,
    tolerance_above: float | None = None,
) -> Job:
    """Plans a job on systems of one site for days from `starts_on` to `ends_on`, both included.

    Raises Invalid. The number comes from the company's own series.
    """
    require(actor, Action.PLAN)
    site = related(Site.objects.all(), actor, site_id, "/site")
    job = Job(
        number=0,
        title=title,
        site=site,
        starts_on=starts_on,
        ends_on=ends_on,
        notes=notes,
        tolerance_below=tolerance_below,
        tolerance_above=tolerance_above,
    )
    systems = _systems(site.id, system_ids)
    check(job, _job_faults(job))
    job.number = next_number("job")
    job.save(force_insert=True)
    JobSystem.objects.bulk_create([JobSystem(job=job, system=system) for system in systems])
    events.record(actor, "job.planned", "job", job.id, data={"number": job.number, "systems": len(systems)})
    return job


@transaction.atomic
def change_job(
    actor: Actor,
    job_id: UUID,
    *,
    seen: int,
    changes: Mapping[str, Any],
    system_ids: Sequence[UUID] | None = None,
) -> Job:
    """Changes title, notes, window, tolerances, systems of an open job.

    A window must go on holding the days already assigned; a system comes off only while nobody is assigned,
    since later it may have readings. Raises NotFound, PreconditionFailed, Invalid, Conflict.
    """
    require(actor, Action.PLAN)
    job = _open_job(actor, job_id)
    seen_as(job, seen)
    differing = apply(job, changes)
    check(job, [*_job_faults(job), *_days_left_out(job)])
    if system_ids is not None and _set_systems(job, system_ids):
        job.version += not differing
        differing |= {"systems": (None, None)}
    if differing:
        job.save(update_fields=[*(differing.keys() - {"systems"}), "version"])
        events.record(actor, "job.changed", "job", job.id, data={"fields": sorted(differing)})
    return job


@transaction.atomic
def cancel_job(actor: Actor, job_id: UUID, *, seen: int, reason: str) -> Job:
    """Ends an open job without a report; its people and instruments are free again.

    Raises NotFound, PreconditionFailed, Conflict when it is not open, Invalid without a reason.
    """
    require(actor, Action.PLAN)
    job = _open_job(actor, job_id)
    seen_as(job, seen)
    if not reason.strip():
        raise Invalid("Say why the job is cancelled.", [Fault("/reason", "is empty")])
    job.status = JobStatus.CANCELLED
    job.version += 1
    job.save(update_fields=["status", "version"])
    events.record(actor, "job.cancelled", "job", job.id, data={"reason": reason.strip()[:2000]})
    return job


@transaction.atomic
def assign_person(
    actor: Actor,
    job_id: UUID,
    *,
    member_id: UUID,
    starts_on: date | None = None,
    ends_on: date | None = None,
) -> PersonAssignment:
    """Plans a member on a job for some days (the whole window unless told); again with other days moves them.

    Raises NotFound, Invalid (unknown member, one who may not measure, days outside the window), or Conflict
    when the member is on another job on one of the days.
    """
    require(actor, Action.PLAN)
    job = _open_job(actor, job_id)
    days = _days(job, starts_on, ends_on)
    member: Member = related(Member.objects.select_for_update(), actor, member_id, "/member")
    if not member.active or not MAY[Action.MEASURE] & set(member.roles):
        raise Invalid(
            f"{member.name} may not measure.",
            [Fault("/member", "choose an active technician or supervisor")],
        )
    _refuse_double(PersonAssignment.objects.filter(member=member), job, days, member.name, "/member")
    row, _ = PersonAssignment.objects.update_or_create(
        job=job, member=member, defaults={"starts_on": days[0], "ends_on": days[1]}
    )
    _assigned(actor, "person.assigned", job, {"member": str(member.id)}, days)
    due.schedule("assignment", job.id)
    return row  # type: ignore[no-any-return]


@transaction.atomic
def assign_instrument(
    actor: Actor,
    job_id: UUID,
    *,
    instrument_id: UUID,
    starts_on: date | None = None,
    ends_on: date | None = None,
) -> InstrumentAssignment:
    """Plans an instrument on a job for some days (the whole window unless told).

    Looks at its certificates on the last of these days and at its ranges against what the job's points will
    show. What speaks against it is refused, or kept as warnings when the company says so; lesser remarks are
    always warnings. Raises NotFound, Invalid, Conflict.
    """
    require(actor, Action.PLAN)
    job = _open_job(actor, job_id)
    days = _days(job, starts_on, ends_on)
    tool: Instrument = related(Instrument.objects.select_for_update(), actor, instrument_id, "/instrument")
    if not tool.in_service:
        raise Invalid(f"{tool} is out of service.", [Fault("/instrument", "choose another")])
    _refuse_double(InstrumentAssignment.objects.filter(instrument=tool), job, days, str(tool), "/instrument")
    found = look_at([tool], points_of(job), days[1], Company.objects.get().standard_density)[tool.id]
    _refuse_unsuitable(tool, found)
    row, _ = InstrumentAssignment.objects.update_or_create(
        job=job,
        instrument=tool,
        defaults={"starts_on": days[0], "ends_on": days[1], "warnings": [one.detail for one in found]},
    )
    _assigned(actor, "instrument.assigned", job, {"instrument": str(tool.id)}, days)
    return row  # type: ignore[no-any-return]


@transaction.atomic
def unassign_person(actor: Actor, job_id: UUID, member_id: UUID) -> None:
    """Takes a member off an open job. Raises NotFound, Conflict."""
    require(actor, Action.PLAN)
    job = _open_job(actor, job_id)
    _take_off(
        actor, job, job.people.filter(member_id=member_id), "person.unassigned", {"member": str(member_id)}
    )
    due.schedule("assignment", job.id)


@transaction.atomic
def unassign_instrument(actor: Actor, job_id: UUID, instrument_id: UUID) -> None:
    """Takes an instrument off an open job. Raises NotFound, Conflict."""
    require(actor, Action.PLAN)
    job = _open_job(actor, job_id)
    rows = job.instruments.filter(instrument_id=instrument_id)
    _take_off(actor, job, rows, "instrument.unassigned", {"instrument": str(instrument_id)})


def points_of(job: Job) -> list[TestPoint]:
    """All points of the job's systems, in the schedule's order."""
    found = TestPoint.objects.filter(system__job_systems__job=job)
    return list(found.select_related("system").order_by("system__tag", "position", "id"))


def _open_job(actor: Actor, job_id: UUID) -> Job:
    job: Job = locked(Job.objects.all(), actor, job_id)
    if job.status != JobStatus.OPEN:
        raise Conflict(
            f"Job {job.number} is {job.get_status_display().lower()}; only an open job can be planned."
        )
    return job


def _systems(site_id: UUID, system_ids: Sequence[UUID]) -> list[System]:
    wanted = list(dict.fromkeys(system_ids))
    if not 1 <= len(wanted) <= MOST_SYSTEMS:
        raise Invalid("Name the job's systems.", [Fault("/systems", f"must be 1 to {MOST_SYSTEMS} ids")])
    known = {system.id: system for system in System.objects.filter(site_id=site_id, id__in=wanted)}
    missing = [index for index, system_id in enumerate(wanted) if system_id not in known]
    if missing:
        raise Invalid(
            "Some systems are not at this site.", [Fault(f"/systems/{index}", NOTHING) for index in missing]
        )
    return [known[system_id] for system_id in wanted]


def _set_systems(job: Job, system_ids: Sequence[UUID]) -> bool:
    wanted = {system.id for system in _systems(job.site_id, system_ids)}
    present = set(job.job_systems.values_list("system_id", flat=True))
    gone, new = present - wanted, wanted - present
    if gone and job.people.exists():
        raise Conflict(
            "A system comes off a job only while nobody is assigned to it.",
            [Fault("/systems", "take the people off first, or cancel the job and plan another")],
        )
    job.job_systems.filter(system_id__in=gone).delete()
    JobSystem.objects.bulk_create([JobSystem(job=job, system_id=one) for one in sorted(new)])
    return bool(gone or new)


def _job_faults(job: Job) -> list[Fault]:
    found = []
    if job.ends_on < job.starts_on:
        found.append(Fault("/ends_on", "must not be before the first day"))
    elif (job.ends_on - job.starts_on).days >= LONGEST_DAYS:
        found.append(Fault("/ends_on", f"a job lasts at most {LONGEST_DAYS} days; plan several"))
    for name in ("tolerance_below", "tolerance_above"):
        value = getattr(job, name)
        if value is not None and not 0.0 <= value <= 1.0:
            found.append(Fault(f"/{name}", "must be a share from 0 to 1, e.g. 0.1 for 10 %"))
    if job.tolerance_below == 0.0 and job.tolerance_above == 0.0:
        found.append(Fault("/tolerance_above", "nothing lies within 0 below and 0 above; widen one of them"))
    return found


def _days_left_out(job: Job) -> list[Fault]:
    """Assigned days that a changed window would no longer hold."""
    people: list[tuple[str, Any]] = [(one.member.name, one) for one in job.people.select_related("member")]
    tools: list[tuple[str, Any]] = [
        (str(one.instrument), one) for one in job.instruments.select_related("instrument")
    ]
    return [
        Fault(
            "/starts_on" if one.starts_on < job.starts_on else "/ends_on",
            f"{name} is assigned from {one.starts_on} to {one.ends_on}; change those days first",
        )
        for name, one in [*people, *tools]
        if one.starts_on < job.starts_on or one.ends_on > job.ends_on
    ]


def _days(job: Job, starts_on: date | None, ends_on: date | None) -> tuple[date, date]:
    first, last = starts_on or job.starts_on, ends_on or job.ends_on
    window = f"the job runs from {job.starts_on} to {job.ends_on}"
    found = []
    if not job.starts_on <= first <= job.ends_on:
        found.append(Fault("/starts_on", window))
    if not first <= last <= job.ends_on:
        found.append(Fault("/ends_on", "must not be before the first day" if last < first else window))
    if found:
        raise Invalid("The days do not fit the job.", found)
    return first, last


def _refuse_double(rows: QuerySet[Any], job: Job, days: tuple[date, date], name: str, pointer: str) -> None:
    """Raises Conflict when another job holds the person or instrument on one of the days."""
    clashes = rows.filter(
        job__status__in=HOLDING, starts_on__lte=days[1], ends_on__gte=days[0]
    ).exclude(job=job)  # fmt: skip
    found = list(clashes.select_related("job").order_by("starts_on")[:5])
    if found:
        raise Conflict(
            f"{name} is on another job then.",
            [
                Fault(
                    pointer,
                    f"is on job {one.job.number} from {one.starts_on} to {one.ends_on}; choose other days",
                )
                for one in found
            ],
        )


def _refuse_unsuitable(tool: Instrument, found: Collection[Finding]) -> None:
    serious = [one for one in found if one.serious]
    if serious and Company.objects.get().calibration_lapse == Lapse.REFUSE:
        raise Conflict(
            f"{tool} does not suit this job.", [Fault("/instrument", one.detail) for one in serious]
        )


def _assigned(actor: Actor, verb: str, job: Job, who: dict[str, str], days: tuple[date, date]) -> None:
    job.version += 1
    job.save(update_fields=["version"])
    events.record(
        actor, verb, "job", job.id, data={**who, "starts_on": str(days[0]), "ends_on": str(days[1])}
    )


def _take_off(actor: Actor, job: Job, rows: QuerySet[Any], verb: str, who: dict[str, str]) -> None:
    gone, _ = rows.delete()
    if not gone:
        raise NotFound()
    job.version += 1
    job.save(update_fields=["version"])
    events.record(actor, verb, "job", job.id, data=who)
