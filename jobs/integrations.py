"""Other systems that are connected: whose they are, their keys, and when those end."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.db.models import Count, Max, Q
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events, mail
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, Fault, Invalid
from jobs.models import AccessToken, Affiliation, Company, Event, Integration, Member, Role, TokenKind
from jobs.queries import holding, visible_integrations, visible_keys
from jobs.rows import apply, locked, save, seen_as
from jobs.tenancy.context import company, current_company

USUAL, LONGEST = timedelta(days=365), timedelta(days=731)
WARN_DAYS = (30, 7, 1)
LOOK, MAIL = "keys-look", "key-mail"


@dataclass(frozen=True)
class Connected:
    """A system that is connected: how many of its keys hold, and when one was last used."""

    system: Integration
    keys: int
    used_at: datetime | None


def connected(actor: Actor) -> list[Connected]:
    """The systems that were not ended, by name, with what is known of their keys."""
    require(actor, Action.MANAGE_KEYS)
    told = (
        visible_keys(actor)
        .order_by()
        .values_list("integration_id")
        .annotate(hold=Count("id", filter=Q(holds=True)), used=Max("used_at"))
    )
    keys = {system: (hold, used) for system, hold, used in told}
    systems = visible_integrations(actor).filter(ended_at=None).order_by("name", "id")
    return [Connected(system, *keys.get(system.id, (0, None))) for system in systems]


@transaction.atomic
def add(actor: Actor, *, name: str, contact: str = "", purpose: str = "") -> Integration:
    """A new integration, without a key yet. Raises Invalid, and Conflict when the name is taken."""
    require(actor, Action.MANAGE_KEYS)
    fields = _checked({"name": name, "contact": contact, "purpose": purpose})
    _single(fields["name"])
    row: Integration = Integration.objects.create(created_by_id=actor.member_id, **fields)
    events.record(actor, "integration.added", "integration", row.id, data={"name": row.name})
    return row


def _checked(fields: dict[str, str]) -> dict[str, str]:
    """The fields without outer blanks. Raises Invalid."""
    tidy = {name: value.strip() for name, value in fields.items()}
    faults = []
    if "name" in tidy and not 1 <= len(tidy["name"]) <= 80:
        faults.append(Fault("/name", gettext("Give a name of 1 to 80 characters.")))
    if len(tidy.get("purpose", "")) > 400:
        faults.append(Fault("/purpose", gettext("At most 400 characters.")))
    if tidy.get("contact"):
        try:
            validate_email(tidy["contact"])
        except ValidationError:
            faults.append(Fault("/contact", gettext("This is not an e-mail address.")))
    if faults:
        raise Invalid(gettext("The integration cannot be kept like this."), faults)
    return tidy


def _single(name: str, but: UUID | None = None) -> None:
    if Integration.objects.filter(name=name, ended_at=None).exclude(id=but).exists():
        words = gettext("There is already an integration of this name.")
        raise Conflict(words, [Fault("/name", words)])


@transaction.atomic
def change(actor: Actor, integration_id: UUID, seen: int, fields: dict[str, str]) -> Integration:
    """Changes name, contact or purpose. Raises NotFound, PreconditionFailed, Invalid, Conflict."""
    require(actor, Action.MANAGE_KEYS)
    row = _living(actor, integration_id)
    seen_as(row, seen)
    tidy = _checked(fields)
    _single(tidy.get("name", row.name), row.id)
    differing = apply(row, tidy)
    save(row, differing)
    if differing:
        events.record(actor, "integration.changed", "integration", row.id, data={"fields": sorted(differing)})
    return row


def _living(actor: Actor, integration_id: UUID) -> Integration:
    row = locked(Integration.objects.all(), actor, integration_id)
    if row.ended_at:
        raise Conflict(gettext("This integration is ended; add it anew."))
    return row


@transaction.atomic
def end(actor: Actor, integration_id: UUID) -> None:
    """Ends an integration and all its keys, at once; once more does nothing. Raises NotFound."""
    require(actor, Action.MANAGE_KEYS)
    row = locked(Integration.objects.all(), actor, integration_id)
    if row.ended_at is None:
        now = timezone.now()
        Integration.objects.filter(id=row.id).update(ended_at=now)
        ended = AccessToken.objects.filter(integration=row, revoked_at=None).update(revoked_at=now)
        events.record(actor, "integration.ended", "integration", row.id, data={"keys": ended})


def of_key(actor: Actor, integration_id: UUID | None, name: str) -> Integration:
    """The integration for which a key is made: the one named, else one of the key's name, new if need be.

    Raises Invalid, alike for unknown ids, ended ones and other companies'.
    """
    living = Integration.objects.select_for_update(of=("self",)).filter(ended_at=None)  # `end` waits, or did
    if integration_id is None:
        return living.filter(name=name.strip()).first() or add(actor, name=name, contact=_own_mail(actor))
    row = living.filter(id=integration_id).first()
    if row is None:
        raise Invalid(
            "An id in the input leads to nothing.", [Fault("/integration", "There is nothing by that id.")]
        )
    return row


def _own_mail(actor: Actor) -> str:
    return Member.objects.filter(id=actor.member_id).values_list("email", flat=True).first() or ""


def end_of_key(expires_at: datetime | None) -> datetime:
    """When a key ends: as told, within two years, else in one year. Raises Invalid."""
    now = timezone.now()
    if expires_at is None:
        return now + USUAL
    if expires_at <= now:
        raise Invalid(
            "Some fields are not valid; see 'errors'.", [Fault("/expires_at", "This moment has passed.")]
        )
    if expires_at > now + LONGEST:
        words = "A key is good for two years at most; make a new one before it ends."
        raise Invalid("Some fields are not valid; see 'errors'.", [Fault("/expires_at", words)])
    return expires_at


# Warning before a key ends


def schedule_all() -> int:
    """Makes the day's look at keys due in every company. Returns how many there are."""
    found = list(Affiliation.objects.values_list("company_ref", flat=True).distinct())
    for company_id in found:
        with company(company_id):
            mail.post(LOOK, company_id)
    return len(found)


@due.handler(LOOK)
def look(claim: due.Claim) -> None:
    """Makes mails due for keys that end soon."""
    with transaction.atomic():
        warn()
        claim.finish()


def warn() -> int:
    """Makes a mail due for each key that has reached a stage before its end and was not told of it.

    What was told stands in the log, so a day on which nothing ran loses no stage and a repeat tells none
    twice. A key is passed over when a newer one of its integration lasts longer: it is being replaced.
    """
    now, told = timezone.now(), 0
    soon = AccessToken.objects.filter(
        holding(now), kind=TokenKind.INTEGRATION, expires_at__lte=now + timedelta(days=WARN_DAYS[0])
    )
    for key in soon.select_for_update(of=("self",)).order_by("id"):
        left = (key.expires_at - now) / timedelta(days=1)
        stage = min(days for days in WARN_DAYS if left <= days)
        if _told(key, stage) or _replaced(key):
            continue
        events.record(Actor(current_company()), "key.ends_soon", "key", key.id, data={"stage": stage})
        mail.post(MAIL, key.id)
        told += 1
    return told


def _told(key: AccessToken, stage: int) -> bool:
    told = Event.objects.filter(subject_id=key.id, verb="key.ends_soon").values_list("data", flat=True)
    return any(data["stage"] <= stage for data in told)


def _replaced(key: AccessToken) -> bool:
    if key.integration_id is None or key.expires_at is None:
        return False
    others = AccessToken.objects.filter(integration_id=key.integration_id, used_at__isnull=False)
    return others.filter(holding(key.expires_at)).exists()


@due.handler(MAIL)
def send_warning(claim: due.Claim) -> None:
    """Tells the integration's contact and the owners when a key ends; nobody when it ended meanwhile."""
    with transaction.atomic():
        claim.hold()
        held = AccessToken.objects.select_related("integration").filter(holding(timezone.now()))
        key = held.filter(id=claim.subject_id).first()
        if key is not None and key.expires_at:
            words: dict[str, object] = {
                "key": key,
                "integration": key.integration,
                "company": Company.objects.get(),
                "link": f"{settings.PUBLIC_URL}/company/keys",
            }
            subject = gettext("A key ends on %(day)s") % {"day": f"{key.expires_at:%Y-%m-%d}"}
            for address in _readers(key):
                mail.send(address, subject, "jobs/mail/key", words)
        claim.finish()


def _readers(key: AccessToken) -> list[str]:
    owners = Member.objects.filter(active=True, roles__contains=[Role.OWNER])
    found = set(owners.values_list("email", flat=True))
    if key.integration and key.integration.contact:
        found.add(key.integration.contact)
    return sorted(found)
