"""Planning: jobs with their systems and window, who goes, with what, and whether that will do.

Two dispatchers may plan at once. The database refuses bookings that collide (see jobs/bookings.py); an
assignment locks first the job, then the person or instrument, so that of two that clash one waits and is
told why.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import date, time
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet
from django.utils.translation import gettext

from jobs import due, events, plan_mail
from jobs.access import MAY, Action, Actor, require
from jobs.bookings import Kind, Spell, book, release, set_spell, spell_of
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
        plan_mail.note(actor, job, plan_mail.people_on(job), "job.changed")
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
        raise Invalid(gettext("Say why the job is cancelled."), [Fault("/reason", gettext("is empty"))])
    job.status = JobStatus.CANCELLED
    job.version += 1
    job.save(update_fields=["status", "version"])
    release(job)
    plan_mail.note(actor, job, plan_mail.people_on(job), "job.cancelled")
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
    from_time: time | None = None,
    to_time: time | None = None,
    seen: int | None = None,
) -> PersonAssignment:
    """Plans a member on a job for some days (the whole window unless told); again with other days moves them.

    `from_time` is the clock at the site on the first day, `to_time` on the last; the company's hours unless
    told. `seen`: the job's version that the caller looked at.

    Raises NotFound, PreconditionFailed, Invalid (unknown member, one who may not measure, days outside the
    window), or Conflict when another job holds the member then, or is too far away.
    """
    require(actor, Action.PLAN)
    job = _open_job(actor, job_id, seen)
    _hold_site(job)
    spell = spell_of(job, Company.objects.get(), starts_on, ends_on, from_time, to_time)
    member: Member = related(Member.objects.select_for_update(), actor, member_id, "/member")
    if not may_measure(member):
        raise Invalid(
            gettext("%(name)s may not measure.") % {"name": member.name},
            [Fault("/member", gettext("choose an active technician or supervisor"))],
        )
    found = PersonAssignment.objects.filter(job=job, member=member).first()
    row: PersonAssignment = found or PersonAssignment(job=job, member=member)
    set_spell(row, spell)
    book(Kind.PEOPLE, row, member.name)
    _assigned(actor, "person.assigned", job, {"member": str(member.id)}, spell)
    plan_mail.note(actor, job, [member.id], "person.assigned")
    due.schedule("assignment", job.id)
    return row


@transaction.atomic
def assign_instrument(
    actor: Actor,
    job_id: UUID,
    *,
    instrument_id: UUID,
    starts_on: date | None = None,
    ends_on: date | None = None,
    from_time: time | None = None,
    to_time: time | None = None,
    seen: int | None = None,
) -> InstrumentAssignment:
    """Plans an instrument on a job for some days (the whole window unless told), as `assign_person` does.

    Looks at its certificates on the last of these days and at its ranges against what the job's points will
    show. What speaks against it is refused, or kept as warnings when the company says so; lesser remarks are
    always warnings. Raises NotFound, Invalid, Conflict.
    """
    require(actor, Action.PLAN)
    job, company = _open_job(actor, job_id, seen), Company.objects.get()
    _hold_site(job)
    spell = spell_of(job, company, starts_on, ends_on, from_time, to_time)
    tool: Instrument = related(Instrument.objects.select_for_update(), actor, instrument_id, "/instrument")
    if not tool.in_service:
        raise Invalid(
            gettext("%(tool)s is out of service.") % {"tool": tool},
            [Fault("/instrument", gettext("choose another"))],
        )
    stored = InstrumentAssignment.objects.filter(job=job, instrument=tool).first()
    row: InstrumentAssignment = stored or InstrumentAssignment(job=job, instrument=tool)
    set_spell(row, spell)
    book(Kind.INSTRUMENTS, row, str(tool))
    found = look_at([tool], points_of(job), spell.ends_on, company.standard_density)[tool.id]
    _refuse_unsuitable(tool, found)
    row.warnings = [one.detail for one in found]
    row.save(update_fields=["warnings"])
    _assigned(actor, "instrument.assigned", job, {"instrument": str(tool.id)}, spell)
    return row


@transaction.atomic
def move_person(
    actor: Actor, job_id: UUID, was: UUID, *, member_id: UUID, seen: int | None = None, **spell: Any
) -> PersonAssignment:
    """Gives one member's place on a job to another, as one act: both or neither. `spell` as in
    `assign_person`. Raises as that and `unassign_person` do."""
    if was == member_id:
        return assign_person(actor, job_id, member_id=member_id, seen=seen, **spell)
    unassign_person(actor, job_id, was, seen=seen)
    return assign_person(actor, job_id, member_id=member_id, **spell)


@transaction.atomic
def move_instrument(
    actor: Actor, job_id: UUID, was: UUID, *, instrument_id: UUID, seen: int | None = None, **spell: Any
) -> InstrumentAssignment:
    """Puts another instrument in the place of one, as one act."""
    if was == instrument_id:
        return assign_instrument(actor, job_id, instrument_id=instrument_id, seen=seen, **spell)
    unassign_instrument(actor, job_id, was, seen=seen)
    return assign_instrument(actor, job_id, instrument_id=instrument_id, **spell)


def may_measure(member: Member) -> bool:
    """Whether somebody can be planned on jobs."""
    return member.active and bool(MAY[Action.MEASURE] & set(member.roles))


@transaction.atomic
def unassign_person(actor: Actor, job_id: UUID, member_id: UUID, *, seen: int | None = None) -> None:
    """Takes a member off an open job. Raises NotFound, Conflict."""
    require(actor, Action.PLAN)
    job = _open_job(actor, job_id, seen)
    _take_off(
        actor, job, job.people.filter(member_id=member_id), "person.unassigned", {"member": str(member_id)}
    )
    plan_mail.note(actor, job, [member_id], "person.unassigned")
    due.schedule("assignment", job.id)


@transaction.atomic
def unassign_instrument(actor: Actor, job_id: UUID, instrument_id: UUID, *, seen: int | None = None) -> None:
    """Takes an instrument off an open job. Raises NotFound, Conflict."""
    require(actor, Action.PLAN)
    job = _open_job(actor, job_id, seen)
    rows = job.instruments.filter(instrument_id=instrument_id)
    _take_off(actor, job, rows, "instrument.unassigned", {"instrument": str(instrument_id)})


def points_of(job: Job) -> list[TestPoint]:
    """All points of the job's systems, in the schedule's order."""
    found = TestPoint.objects.filter(system__job_systems__job=job)
    return list(found.select_related("system").order_by("system__tag", "position", "id"))


def _open_job(actor: Actor, job_id: UUID, seen: int | None = None) -> Job:
    job: Job = locked(Job.objects.all(), actor, job_id)
    if seen is not None:
        seen_as(job, seen)
    if job.status != JobStatus.OPEN:
        raise Conflict(
            gettext("Job %(number)s is %(status)s; only an open job can be planned.")
            % {"number": job.number, "status": job.get_status_display().lower()}
        )
    return job


def _hold_site(job: Job) -> None:
    """Its time zone must not change while days are turned into moments."""
    job.site = Site.objects.select_for_update(no_key=True).get(id=job.site_id)


def _systems(site_id: UUID, system_ids: Sequence[UUID]) -> list[System]:
    wanted = list(dict.fromkeys(system_ids))
    if not 1 <= len(wanted) <= MOST_SYSTEMS:
        raise Invalid(
            gettext("Name the job's systems."),
            [
                Fault(
                    "/systems", gettext("must be 1 to %(most_systems)s ids") % {"most_systems": MOST_SYSTEMS}
                )
            ],
        )
    known = {system.id: system for system in System.objects.filter(site_id=site_id, id__in=wanted)}
    missing = [index for index, system_id in enumerate(wanted) if system_id not in known]
    if missing:
        raise Invalid(
            gettext("Some systems are not at this site."),
            [Fault(f"/systems/{index}", NOTHING) for index in missing],
        )
    return [known[system_id] for system_id in wanted]


def _set_systems(job: Job, system_ids: Sequence[UUID]) -> bool:
    wanted = {system.id for system in _systems(job.site_id, system_ids)}
    present = set(job.job_systems.values_list("system_id", flat=True))
    gone, new = present - wanted, wanted - present
    if gone and job.people.exists():
        raise Conflict(
            gettext("A system comes off a job only while nobody is assigned to it."),
            [Fault("/systems", gettext("take the people off first, or cancel the job and plan another"))],
        )
    job.job_systems.filter(system_id__in=gone).delete()
    JobSystem.objects.bulk_create([JobSystem(job=job, system_id=one) for one in sorted(new)])
    return bool(gone or new)


def _job_faults(job: Job) -> list[Fault]:
    found = []
    if job.ends_on < job.starts_on:
        found.append(Fault("/ends_on", gettext("must not be before the first day")))
    elif (job.ends_on - job.starts_on).days >= LONGEST_DAYS:
        found.append(
            Fault(
                "/ends_on",
                gettext("a job lasts at most %(longest_days)s days; plan several")
                % {"longest_days": LONGEST_DAYS},
            )
        )
    for name in ("tolerance_below", "tolerance_above"):
        value = getattr(job, name)
        if value is not None and not 0.0 <= value <= 1.0:
            found.append(Fault(f"/{name}", gettext("must be a share from 0 to 1, e.g. 0.1 for 10 %")))
    if job.tolerance_below == 0.0 and job.tolerance_above == 0.0:
        found.append(
            Fault("/tolerance_above", gettext("nothing lies within 0 below and 0 above; widen one of them"))
        )
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
            gettext("%(name)s is assigned from %(starts_on)s to %(ends_on)s; change those days first")
            % {"name": name, "starts_on": one.starts_on, "ends_on": one.ends_on},
        )
        for name, one in [*people, *tools]
        if one.starts_on < job.starts_on or one.ends_on > job.ends_on
    ]


def _refuse_unsuitable(tool: Instrument, found: Collection[Finding]) -> None:
    serious = [one for one in found if one.serious]
    if serious and Company.objects.get().calibration_lapse == Lapse.REFUSE:
        raise Conflict(
            gettext("%(tool)s does not suit this job.") % {"tool": tool},
            [Fault("/instrument", one.detail) for one in serious],
        )


def _assigned(actor: Actor, verb: str, job: Job, who: dict[str, str], spell: Spell) -> None:
    job.version += 1
    job.save(update_fields=["version"])
    days = {"starts_on": str(spell.starts_on), "ends_on": str(spell.ends_on)}
    times = {"from_time": spell.from_time, "to_time": spell.to_time}
    told = {name: f"{clock:%H:%M}" for name, clock in times.items() if clock}
    events.record(actor, verb, "job", job.id, data={**who, **days, **told})


def _take_off(actor: Actor, job: Job, rows: QuerySet[Any], verb: str, who: dict[str, str]) -> None:
    gone, _ = rows.delete()
    if not gone:
        raise NotFound()
    job.version += 1
    job.save(update_fields=["version"])
    events.record(actor, verb, "job", job.id, data=who)
