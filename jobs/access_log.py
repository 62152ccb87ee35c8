"""Who came in, failed to, or took something out: what the owner of a company sees of it, from the log."""

import logging
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.translation import gettext_noop

from jobs import events
from jobs.access import Action, Actor, require
from jobs.errors import NotFound
from jobs.models import Affiliation, Event, Member, SignInFailure
from jobs.tenancy.context import company

log = logging.getLogger(__name__)
TOLD_EVERY = timedelta(minutes=1)
MOST_AT_ONCE = 5000
NETWORKS_TOLD = 5

VERBS: dict[str, str] = {
    "person.signed_in": gettext_noop("signed in"),
    "person.sign_in_failed": gettext_noop("could not sign in"),
    "person.signed_out": gettext_noop("ended sign-ins of their own"),
    "person.password": gettext_noop("chose a new password"),
    "person.factor_set": gettext_noop("set up a second factor"),
    "person.factor_off": gettext_noop("took the second factor off"),
    "person.recovery_codes": gettext_noop("got new recovery codes"),
    "person.recovery_used": gettext_noop("used a recovery code"),
    "member.joined": gettext_noop("joined the company"),
    "member.changed": gettext_noop("changed a person"),
    "member.signed_out": gettext_noop("ended a person's sign-ins"),
    "member.invited": gettext_noop("invited somebody"),
    "invitation.withdrawn": gettext_noop("withdrew an invitation"),
    "integration.added": gettext_noop("added an integration"),
    "integration.changed": gettext_noop("changed an integration"),
    "integration.ended": gettext_noop("ended an integration"),
    "key.made": gettext_noop("made a key"),
    "key.revoked": gettext_noop("revoked a key"),
    "key.first_used": gettext_noop("was used for the first time"),
    "key.ends_soon": gettext_noop("ends soon; its contact was told"),
    "device.paired": gettext_noop("paired a tablet"),
    "device.revoked": gettext_noop("removed a tablet"),
    "company.changed": gettext_noop("changed the rules of the house"),
    "signing.changed": gettext_noop("changed the signing certificate"),
    "support.granted": gettext_noop("let an operator in to help"),
    "support.revoked": gettext_noop("ended an operator's leave"),
    "support.entered": gettext_noop("came in to help"),
    "support.looked": gettext_noop("looked at a page"),
    "report.fetched": gettext_noop("took a report out"),
    "company.exported": gettext_noop("had the whole company exported"),
    "company.export_fetched": gettext_noop("took the whole company out"),
}
"""What counts as access, in words that follow the name of who did it."""


def entries(actor: Actor | None, before: UUID | None = None) -> QuerySet[Event]:
    """The company's events of access, newest first; those before one of them. For owners.

    Raises NotFound when `before` is none of them.
    """
    require(actor, Action.MANAGE_COMPANY)
    rows = Event.objects.select_related("member", "device", "token").filter(verb__in=list(VERBS))
    if before is not None:
        last = rows.filter(id=before).first()
        if last is None:
            raise NotFound()
        rows = rows.filter(Q(at__lt=last.at) | Q(at=last.at, id__lt=last.id))  # many share a moment
    return rows.order_by("-at", "-id")


# Failed sign-ins


def tell_failures() -> int:
    """Tells companies of wrong passwords and codes of their members: one event a person and minute.

    What is younger than a minute waits, so that a flood of guesses makes few events. Failures of nobody, and
    of people without a company, are dropped. Returns how many were told or dropped.
    """
    with transaction.atomic():
        rows = SignInFailure.objects.select_for_update(skip_locked=True).filter(
            at__lt=timezone.now() - TOLD_EVERY
        )
        taken = list(rows.order_by("at")[:MOST_AT_ONCE])
        for user_ref, of_one in _by_person(taken):
            for affiliation in Affiliation.objects.filter(user_id=user_ref):
                with company(affiliation.company_ref):
                    _tell(user_ref, of_one)
        SignInFailure.objects.filter(id__in=[one.id for one in taken]).delete()
    return len(taken)


def _by_person(rows: list[SignInFailure]) -> Iterator[tuple[UUID, list[SignInFailure]]]:
    people: dict[UUID, list[SignInFailure]] = {}
    for row in rows:
        if row.user_ref:
            people.setdefault(row.user_ref, []).append(row)
    return iter(people.items())


def _tell(user_ref: UUID, rows: list[SignInFailure]) -> None:
    member = Member.objects.filter(user_ref=user_ref, active=True).first()
    if member is None:
        return
    networks = Counter(row.network for row in rows)
    data: dict[str, Any] = {
        "times": len(rows),
        "from": rows[0].at.isoformat(timespec="seconds"),
        "to": rows[-1].at.isoformat(timespec="seconds"),
        "what": sorted({row.what for row in rows}),
        "networks": [name for name, _ in networks.most_common(NETWORKS_TOLD)],
        "more_networks": max(0, len(networks) - NETWORKS_TOLD),
    }
    events.record(Actor(member.company_id), "person.sign_in_failed", "member", member.id, data=data)
