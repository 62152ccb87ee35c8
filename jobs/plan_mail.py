"""Mails that tell people what changed in their plan, for companies that want them.

Each change leaves a note and makes one piece of work due some minutes later; what changes until then stands
in the same mail. The mail says how things are when it is written.
"""

from collections.abc import Collection
from datetime import timedelta
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from jobs import due, mail
from jobs.access import Actor
from jobs.bookings import spell_words
from jobs.models import Company, Job, JobStatus, Member, PersonAssignment, PlanNotice

MAIL = "plan-mail"
QUIET = timedelta(minutes=5)
"""From the first change to its mail."""


def note(actor: Actor, job: Job, members: Collection[UUID], what: str) -> None:
    """Notes in the caller's transaction that these members' plan changed; nobody is told of their own act."""
    told = [one for one in members if one != actor.member_id]
    if not told or not Company.objects.filter(plan_mails=True).exists():
        return
    PlanNotice.objects.bulk_create([PlanNotice(member_id=one, job=job, words=what) for one in told])
    for one in told:
        due.schedule_later(MAIL, one, QUIET)


def people_on(job: Job) -> list[UUID]:
    return list(job.people.values_list("member_id", flat=True))


@due.handler(MAIL)
def send(claim: due.Claim) -> None:
    """One mail with all that changed. Sent twice after a crash, it does no harm.

    Who notes a change holds the work's row until their commit, so a note is never left without a mail.
    """
    with transaction.atomic():
        claim.hold()
        notes = list(PlanNotice.objects.filter(member_id=claim.subject_id, sent_at=None))
        member = Member.objects.filter(id=claim.subject_id, active=True).first()
        made = Company.objects.get()
        lines = _lines(claim.subject_id, {one.job_id for one in notes})
    if lines and member is not None and made.plan_mails:
        words = {"member": member, "company": made, "lines": lines, "link": f"{settings.PUBLIC_URL}/jobs"}
        mail.send(member.email, "Your plan changed", "jobs/mail/plan", words)
    with transaction.atomic():
        claim.hold()
        PlanNotice.objects.filter(id__in=[one.id for one in notes]).update(sent_at=timezone.now())
        if PlanNotice.objects.filter(member_id=claim.subject_id, sent_at=None).exists():
            claim.put_back(QUIET)
        else:
            claim.finish()


def _lines(member_id: UUID, jobs: Collection[UUID]) -> list[str]:
    """How each changed job stands for the member, one line each."""
    rows = PersonAssignment.objects.filter(member_id=member_id, job__in=jobs)
    booked = {row.job_id: row for row in rows}
    found = Job.objects.filter(id__in=jobs).select_related("site").order_by("starts_on", "number")
    return [_line(job, booked.get(job.id)) for job in found]


def _line(job: Job, row: PersonAssignment | None) -> str:
    name = f"Job {job.number}, {job.title}, {job.site.name}"
    if job.status == JobStatus.CANCELLED:
        return f"{name}: cancelled."
    if row is None:
        return f"{name}: you are not on it any more."
    return f"{name}: {spell_words(row)}, by the clock at the site ({job.site.time_zone})."
