"""Mails that say which calibrations end soon or have ended, once a stage.

Each day every company that wants them gets a piece of due work. It notes for each member who keeps the
instruments what they have not been told yet; one mail a member lists it. A note is there once for ever, so a
repeat, a second beat or a second worker adds nothing; it counts as sent in the transaction of its mail.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from jobs import due, mail
from jobs.access import MAY, Action, Actor, actor_for_member
from jobs.instruments import CertificateState, Due, due_list
from jobs.models import Affiliation, CalibrationNotice, Company, Member, Role
from jobs.tenancy.context import company

LOOK, MAIL = "calibration-reminders", "calibration-mail"
ALL_DUE = date.max


@dataclass(frozen=True)
class Told:
    """Something to tell: about which certificate (or instrument without one), and at which stage."""

    about: UUID
    stage: str


def schedule_all() -> int:
    """Makes the day's look due in every company. Returns how many there are."""
    found = list(Affiliation.objects.values_list("company_ref", flat=True).distinct())
    for company_id in found:
        with company(company_id):
            mail.post(LOOK, company_id)
    return len(found)


@due.handler(LOOK)
def look(claim: due.Claim) -> None:
    """Notes who is to be told what, and makes their mails due."""
    with transaction.atomic():
        made = Company.objects.get()
        members = _keepers() if made.reminder_days else []
        if members:
            told = {one for _, one in things_to_tell(made, _due(members[0], made), today_of(made))}
            CalibrationNotice.objects.bulk_create(
                [
                    CalibrationNotice(member=member, about=one.about, stage=one.stage)
                    for member in members
                    for one in sorted(told, key=lambda one: (one.about, one.stage))
                ],
                ignore_conflicts=True,
            )
            for member_id in _untold(members):
                mail.post(MAIL, member_id)
        claim.finish()


@due.handler(MAIL)
def send(claim: due.Claim) -> None:
    """One mail to one member of all that they have not been told yet. What is settled meanwhile is left out,
    and no mail goes where nothing remains."""
    with transaction.atomic():
        claim.hold()
        notes = list(
            CalibrationNotice.objects.select_for_update(of=("self",)).filter(
                member_id=claim.subject_id, sent_at=None
            )
        )
        member = Member.objects.filter(id=claim.subject_id, active=True).first()
        if notes and member is not None and _keeps(member):
            _send(member, Company.objects.get(), {Told(one.about, one.stage) for one in notes})
        CalibrationNotice.objects.filter(id__in=[one.id for one in notes]).update(sent_at=timezone.now())
        claim.finish()


def _send(member: Member, made: Company, untold: set[Told]) -> None:
    today = today_of(made)
    all_due = things_to_tell(made, _due(member, made), today)
    if not any(one in untold for _, one in all_due):
        return
    rows = [row for row, _ in all_due]
    words: dict[str, object] = {
        "member": member,
        "company": made,
        "lines": [line_of(row, today) for row in rows],
        "days": max(made.reminder_days),
        "link": f"{settings.PUBLIC_URL}/instruments?due={max(made.reminder_days)}",
    }
    mail.send(member.email, subject_of(rows), "jobs/mail/calibration", words)


def subject_of(rows: Sequence[Due]) -> str:
    count = len({row.instrument.id for row in rows})
    return f"{count} instrument{'s' * (count != 1)} to calibrate"


def line_of(row: Due, today: date) -> str:
    """One line of the mail: what, for which quantity, how it stands."""
    name = f"{row.instrument} ({row.quantity.value.replace('_', ' ')})"
    if row.due_on is None or row.certificate is None:
        return f"{name}: no certificate"
    number = row.certificate.number
    if row.state is CertificateState.IN_FORCE:
        return f"{name}: certificate {number} ends on {row.due_on}, in {_days((row.due_on - today).days)}"
    return f"{name}: certificate {number} ended on {row.due_on}, {_days((today - row.due_on).days)} ago"


def _days(count: int) -> str:
    return f"{count} day{'s' * (count != 1)}"


def things_to_tell(made: Company, rows: Iterable[Due], today: date) -> list[tuple[Due, Told]]:
    """What is at a stage today, and at which."""
    found = ((row, stage_of(row, made.reminder_days, today)) for row in rows)
    return [
        (row, Told(row.certificate.id if row.certificate else row.instrument.id, stage))
        for row, stage in found
        if stage
    ]


def stage_of(row: Due, days: Sequence[int], today: date) -> str:
    """The stage of one instrument and quantity: the nearest of the days before the end that is reached, each
    week after it, or that there is no certificate. Empty: not yet."""
    if row.due_on is None:
        return "none"
    left = (row.due_on - today).days
    if left < 0:
        return f"overdue-{(-left - 1) // 7}"
    reached = [one for one in days if left <= one]
    return f"before-{min(reached)}" if reached else ""


def today_of(made: Company) -> date:
    """The calendar day where the company's office is."""
    return timezone.localdate(timezone=ZoneInfo(made.time_zone))


def _due(member: Member, made: Company) -> list[Due]:
    actor: Actor = actor_for_member(member)
    return due_list(actor, on=today_of(made), until=ALL_DUE)


def _keeps(member: Member) -> bool:
    return bool(MAY[Action.MANAGE_INSTRUMENTS] & {Role(one) for one in member.roles})


def _keepers() -> list[Member]:
    """Active members who keep the instruments."""
    return [member for member in Member.objects.filter(active=True).order_by("id") if _keeps(member)]


def _untold(members: Sequence[Member]) -> list[UUID]:
    waiting = CalibrationNotice.objects.filter(member__in=members, sent_at=None)
    return list(waiting.order_by("member_id").values_list("member_id", flat=True).distinct())
