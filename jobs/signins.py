"""Where a person is signed in: browsers and tablets, seen and ended by themselves, or by the owner."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop

from jobs import events
from jobs.access import Action, Actor, require
from jobs.errors import Forbidden, NotFound
from jobs.http.limits import network_of
from jobs.models import AccessToken, Member, SignIn, SignInFailure, TokenKind, User
from jobs.queries import holding
from jobs.rows import locked

SESSION_KEY, PROVEN_KEY = "sign_in", "proven_at"
SEEN_EVERY = timedelta(minutes=5)
KEPT = timedelta(days=30)

# What browsers and systems call themselves; the first that fits. A name within another comes after it.
BROWSERS = (("Edg", "Edge"), ("OPR/", "Opera"), ("Firefox/", "Firefox"), ("Chrome/", "Chrome"),
            ("Safari/", "Safari"))  # fmt: skip
SYSTEMS = (("Android", "Android"), ("iPhone", "iPhone"), ("iPad", "iPad"), ("Windows", "Windows"),
           ("Mac OS X", "macOS"), ("CrOS", "ChromeOS"), ("Linux", "Linux"))  # fmt: skip
UNKNOWN = gettext_noop("another program")


@dataclass(frozen=True)
class Place:
    """One sign-in as it is shown. `kind`: browser or tablet; `here`: the one that asks."""

    id: UUID
    kind: str
    where: str
    network: str
    began_at: datetime
    seen_at: datetime | None
    here: bool


def agent_words(text: str) -> str:
    """A browser's description of itself in two words, such as "Firefox, Windows"."""
    found = [next((word for mark, word in names if mark in text), "") for names in (BROWSERS, SYSTEMS)]
    return ", ".join(word for word in found if word) or UNKNOWN


# Browsers


def begin(user: User, address: str, agent: str) -> SignIn:
    """Notes a new sign-in with a browser; its id goes into the session."""
    now = timezone.now()
    SignIn.objects.filter(user=user).filter(Q(ended_at__lt=now - KEPT) | _over(now - KEPT)).delete()
    return SignIn.objects.create(
        user=user, began_at=now, seen_at=now, network=network_of(address), agent=agent_words(agent)
    )


def _over(now: datetime) -> Q:
    return Q(began_at__lt=now - timedelta(seconds=settings.SESSION_COOKIE_AGE))


def holds(sign_in_id: str, user_id: UUID) -> bool:
    """Whether a session's sign-in is of this person and has not ended; notes that it was seen."""
    row = SignIn.objects.filter(id=sign_in_id, user_id=user_id, ended_at=None).first()
    if row is None:
        return False
    now = timezone.now()
    if now - row.seen_at > SEEN_EVERY:
        SignIn.objects.filter(id=row.id).update(seen_at=now)
    return True


def note_company(sign_in_id: str, company_id: UUID) -> None:
    """Notes that a company was entered within a sign-in, so that its owner may end it."""
    row = SignIn.objects.select_for_update().filter(id=sign_in_id).first()
    if row is not None and company_id not in row.entered:
        row.entered = [*row.entered, company_id]
        row.save(update_fields=["entered"])


def end_here(sign_in_id: str) -> None:
    """Ends the sign-in of somebody who signs out."""
    if sign_in_id:
        SignIn.objects.filter(id=sign_in_id, ended_at=None).update(ended_at=timezone.now())


def end_browsers(user_id: UUID, *, but: str = "") -> int:
    """Ends a person's sign-ins with browsers, all but one when told. Returns how many."""
    rows = SignIn.objects.filter(user_id=user_id, ended_at=None)
    return (rows.exclude(id=but) if but else rows).update(ended_at=timezone.now())


# What is shown and ended


def of_actor(actor: Actor, here: str = "") -> list[Place]:
    """A person's browsers, in whichever of their companies, and their tablets in this one; newest first.

    Raises Forbidden for who is no person.
    """
    member = _person(actor)
    rows = SignIn.objects.filter(user_id=member.user_ref, ended_at=None).exclude(_over(timezone.now()))
    return _places(rows, _tablets(actor.member_id), actor, here)


def of_member(actor: Actor, member_id: UUID) -> list[Place]:
    """A member's browsers in which this company was entered, and tablets. For owners. Raises NotFound."""
    require(actor, Action.MANAGE_PEOPLE)
    member = Member.objects.filter(id=member_id).first()
    if member is None:
        raise NotFound()
    rows = SignIn.objects.filter(user_id=member.user_ref, ended_at=None, entered__contains=[actor.company_id])
    return _places(rows.exclude(_over(timezone.now())), _tablets(member.id), actor, "")


def _tablets(member_id: UUID | None) -> Sequence[AccessToken]:
    held = AccessToken.objects.filter(holding(timezone.now()), member_id=member_id, kind=TokenKind.PERSON)
    return list(held.filter(device__revoked_at=None).select_related("device"))


def _places(
    browsers: Iterable[SignIn], tablets: Sequence[AccessToken], actor: Actor, here: str
) -> list[Place]:
    found = [
        Place(one.id, "browser", one.agent, one.network, one.began_at, one.seen_at, str(one.id) == here)
        for one in browsers
    ]
    found += [
        Place(one.id, "tablet", one.device.name, "", one.created_at, None, one.id == actor.token_id)
        for one in tablets
        if one.device
    ]
    return sorted(found, key=lambda place: place.began_at, reverse=True)


def _person(actor: Actor) -> Member:
    if actor.member_id is None:
        raise Forbidden(gettext("These are a person's own settings: sign in first."))
    member: Member = Member.objects.get(id=actor.member_id)
    return member


@transaction.atomic
def end_own(actor: Actor, sign_in_id: UUID) -> None:
    """Ends one of a person's own sign-ins, at once. Raises NotFound, also for a key, which has none."""
    if actor.member_id is None:
        raise NotFound()
    member = _person(actor)
    now = timezone.now()
    ended = SignIn.objects.filter(id=sign_in_id, user_id=member.user_ref, ended_at=None).update(ended_at=now)
    living = AccessToken.objects.filter(member=member, kind=TokenKind.PERSON, revoked_at=None)
    ended += living.filter(id=sign_in_id).update(revoked_at=now)
    if not ended:
        raise NotFound()
    events.record(actor, "person.signed_out", "member", member.id, data={"sign_in": str(sign_in_id)})


@transaction.atomic
def end_others(actor: Actor, here: str = "") -> int:
    """Ends all of a person's own sign-ins but the one that asks. Returns how many."""
    member = _person(actor)
    ended = end_browsers(member.user_ref, but=here)
    living = AccessToken.objects.filter(member=member, kind=TokenKind.PERSON, revoked_at=None)
    ended += living.exclude(id=actor.token_id).update(revoked_at=timezone.now())
    events.record(actor, "person.signed_out", "member", member.id, data={"all_others": ended})
    return ended


@transaction.atomic
def end_of_member(actor: Actor, member_id: UUID) -> int:
    """Ends every sign-in of a member in this company, for owners. Returns how many. Raises NotFound."""
    require(actor, Action.MANAGE_PEOPLE)
    member = locked(Member.objects.all(), actor, member_id)
    rows = SignIn.objects.filter(user_id=member.user_ref, ended_at=None, entered__contains=[actor.company_id])
    now = timezone.now()
    ended = rows.update(ended_at=now)
    living = AccessToken.objects.filter(member=member, kind=TokenKind.PERSON, revoked_at=None)
    ended += living.update(revoked_at=now)
    events.record(actor, "member.signed_out", "member", member.id, data={"ended": ended})
    return ended


# What went wrong


def note_failure(user_id: UUID | None, address: str, what: str) -> None:
    """Keeps a wrong password or code for the companies of its person; for nobody's e-mail just as well."""
    SignInFailure.objects.create(user_ref=user_id, at=timezone.now(), network=network_of(address), what=what)
