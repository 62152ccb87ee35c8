"""Help from the operators of the service: they read in a company by its owner's leave only, for some hours.

There is no other way in for them. Each look stands in the company's log (jobs.identity).
"""

from collections.abc import Sequence
from datetime import timedelta
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import events
from jobs.access import Action, Actor, require
from jobs.errors import Fault, Forbidden, Invalid
from jobs.models import Affiliation, Member, SupportGrant, User
from jobs.people import tidy_email
from jobs.rows import locked

LONGEST_HOURS = 72


def grants(actor: Actor) -> Sequence[SupportGrant]:
    """All leaves that were given, newest first. For owners."""
    require(actor, Action.MANAGE_COMPANY)
    return list(SupportGrant.objects.select_related("granted_by").order_by("-granted_at", "-id")[:50])


@transaction.atomic
def grant(actor: Actor, *, operator: str, reason: str, hours: int) -> SupportGrant:
    """Lets one operator, by e-mail, read in the company for up to 72 hours. Raises Invalid."""
    require(actor, Action.MANAGE_COMPANY)
    if actor.member_id is None:
        raise Forbidden(gettext("A person gives this leave."))
    user = User.objects.filter(email=tidy_email(operator), is_operator=True, is_active=True).first()
    faults = []
    if user is None:
        faults.append(Fault("/operator", gettext("No operator of this service has this e-mail.")))
    elif Member.objects.filter(user_ref=user.id, active=True).exists():
        faults.append(Fault("/operator", gettext("This person works here and needs no leave.")))
    if not 1 <= hours <= LONGEST_HOURS:
        faults.append(Fault("/hours", gettext("Give 1 to 72 hours.")))
    if not 10 <= len(reason.strip()) <= 400:
        faults.append(Fault("/reason", gettext("Say why, in 10 to 400 characters.")))
    if user is None or faults:
        raise Invalid(gettext("The leave cannot be given like this."), faults)
    row: SupportGrant = SupportGrant.objects.create(
        operator_ref=user.id,
        operator=user.email,
        reason=reason.strip(),
        granted_by_id=actor.member_id,
        ends_at=timezone.now() + timedelta(hours=hours),
    )
    Affiliation.objects.get_or_create(user=user, company_ref=actor.company_id)
    told = {"operator": row.operator, "reason": row.reason, "hours": hours}
    events.record(actor, "support.granted", "support_grant", row.id, data=told)
    return row


@transaction.atomic
def revoke(actor: Actor, grant_id: UUID) -> None:
    """Ends a leave at once; once more does nothing. Raises NotFound."""
    require(actor, Action.MANAGE_COMPANY)
    row = locked(SupportGrant.objects.all(), actor, grant_id)
    if row.revoked_at is None:
        SupportGrant.objects.filter(id=row.id).update(revoked_at=timezone.now())
        events.record(actor, "support.revoked", "support_grant", row.id, data={"operator": row.operator})
