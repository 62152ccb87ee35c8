"""Taking a person's name and address away, while the evidence that names them by number stays whole.

Evidence holds the id of a member; the name stands in tables that may change. So what was measured, approved
and logged keeps saying that it was one and the same person, and no longer who. Frozen snapshots and issued
reports keep the names that they were approved with: they are the record of who answered for a figure, which
the company keeps to establish, exercise or defend legal claims (GDPR, Article 17(3)(e)).
"""

from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import events
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, NotFound
from jobs.models import (
    AccessToken,
    Affiliation,
    CalendarAddress,
    CalibrationNotice,
    Company,
    IdempotencyKey,
    Invitation,
    Member,
    PlanNotice,
    User,
)
from jobs.numbers import next_number
from jobs.people import revoke_tokens_of
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import uuid7

NAME = "Former member"


@transaction.atomic
def forget(actor: Actor, member_id: UUID) -> Member:
    """Replaces the name by "Former member N" and takes e-mail, sign-in, tokens and calendars away for good.

    Twice is once. Raises NotFound, and Conflict for somebody who still works here.
    """
    require(actor, Action.MANAGE_PEOPLE)
    Company.objects.select_for_update().get()
    member: Member | None = Member.objects.select_for_update().filter(id=member_id).first()
    if member is None:
        raise NotFound()
    if member.forgotten_at is not None:
        return member
    if member.active:
        raise Conflict(gettext("Whoever works here cannot be forgotten. Make the person inactive first."))
    _sign_in_ends(member)
    _rows_about(member)
    member.name, member.email = f"{NAME} {next_number('former_member')}", ""
    member.user_ref, member.forgotten_at = uuid7(), timezone.now()
    member.version += 1
    member.save(update_fields=["name", "email", "user_ref", "forgotten_at", "version"])
    events.record(actor, "member.forgotten", "member", member.id)
    return member


def _sign_in_ends(member: Member) -> None:
    """The person's user leaves this company, and goes altogether when it was their only one."""
    revoke_tokens_of(member)
    AccessToken.objects.filter(member=member).update(name=NAME)
    Affiliation.objects.filter(user_id=member.user_ref, company_ref=current_company()).delete()
    User.objects.filter(id=member.user_ref, affiliations=None, is_operator=False).delete()


def _rows_about(member: Member) -> None:
    """What is kept of a person without being evidence, and answers in which their name may stand."""
    CalendarAddress.objects.filter(member=member).delete()
    CalibrationNotice.objects.filter(member=member).delete()
    PlanNotice.objects.filter(member=member).delete()
    Invitation.objects.filter(email=member.email).delete()
    IdempotencyKey.objects.filter(principal=f"member:{member.id}").delete()
    IdempotencyKey.objects.filter(endpoint__contains="invitations").delete()
