"""Who belongs to a company, and how people prove who they are."""

import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from uuid import UUID

from django.contrib.auth import hashers
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils import timezone

from jobs import events, mail, quotas, signins
from jobs.access import Action, Actor, actor_for_user, hash_secret, require, split_token
from jobs.errors import Conflict, Fault, Forbidden, Invalid, NotFound, NotSignedIn, PreconditionFailed
from jobs.http.limits import (
    count,
    count_lately,
    counted_lately,
    forget_lately,
    limit,
    limit_lately,
    too_many,
)
from jobs.models import (
    AccessToken,
    Affiliation,
    Company,
    Invitation,
    Member,
    Role,
    TokenKind,
    UnitSystem,
    User,
)
from jobs.tenancy.context import company, current_company
from jobs.tenancy.ids import parse_id, uuid7

INVITED_FOR = timedelta(days=7)
TRIES, TRIES_IN = 10, 900  # wrong passwords of one person from one address, in seconds
FAILURES_OF_ADDRESS = 100  # of anybody
FAILURES_OF_PERSON = 50  # from anywhere; beyond it a right password alone lets nobody in
RESETS, RESETS_IN = 3, 3600
MAILED_CODES = 5
TOO_MANY_TRIES = "Too many wrong passwords from here. Wait a quarter of an hour, or choose a new password."


@dataclass(frozen=True)
class Place:
    """A company in which a person works, or to which an owner let an operator in to help."""

    company_id: UUID
    company_name: str
    name: str
    helps: bool = False


@dataclass(frozen=True)
class Offer:
    """What an invitation's holder sees. `known`: the e-mail has a password here already."""

    invitation: Invitation
    company_name: str
    known: bool


def tidy_email(text: str) -> str:
    """As stored: without outer blanks, in small letters."""
    return text.strip().lower()


# Signing in


def check_password(email: str, password: str, address: str) -> User | None:
    """The person of this e-mail and password, or None. Raises TooMany after ten failures in a quarter hour.

    Counted for person and address together, so that nobody locks the owner out from elsewhere. An unknown
    e-mail costs the same time and the same writes as a wrong password.
    """
    email = tidy_email(email)
    tries, failures = f"password:{email}:{address}", f"passwords:{address}"
    if counted_lately(failures, TRIES_IN) >= FAILURES_OF_ADDRESS:
        raise too_many(TRIES_IN, TOO_MANY_TRIES)
    limit_lately(tries, TRIES, TRIES_IN, TOO_MANY_TRIES)
    user = User.objects.filter(email=email, is_active=True).first()
    if not _fits(user, password):
        count_lately(failures, TRIES_IN)
        count_lately(_of_person(email), TRIES_IN)
        signins.note_failure(user.id if user else None, address, "password")
        return None
    forget_lately(tries, TRIES_IN)
    return user


def _fits(user: User | None, password: str) -> bool:
    """Whether it is their password. Nobody's is checked against a hash too, so that both take as long."""
    if user is not None and user.has_usable_password():
        return user.check_password(password)
    hashers.check_password(password, _nobodys())
    return False


@cache
def _nobodys() -> str:
    return hashers.make_password(secrets.token_urlsafe(32))


def _of_person(email: str) -> str:
    return f"password:{email}"


def is_guessed_at(user: User) -> bool:
    """Whether so many wrong passwords came for a person, from wherever, that more than one is asked for.

    It slows nobody and locks nobody out: who knows the password gets a code by mail beside it.
    """
    return counted_lately(_of_person(user.email), TRIES_IN) >= FAILURES_OF_PERSON


@transaction.atomic
def mail_code(user: User) -> None:
    """Mails a code for signing in, at most five times an hour; the code before is good meanwhile."""
    first = Affiliation.objects.filter(user=user).first()
    if first and count(f"mailed-codes:{user.id}", RESETS_IN) <= MAILED_CODES:
        with company(first.company_ref):
            mail.post(mail.SIGN_IN_CODE, user.id)


def places_of(user: User) -> list[Place]:
    """The companies in which somebody works or helps now, by name."""
    found = []
    for affiliation in Affiliation.objects.filter(user=user).order_by("id"):
        with company(affiliation.company_ref):
            actor = actor_for_user(user.id)
            if actor:
                name = Company.objects.get().name
                found.append(Place(affiliation.company_ref, name, actor.name, bool(actor.grant_id)))
    return sorted(found, key=lambda place: (place.company_name.lower(), place.company_id))


def enter(user: User, company_id: UUID, sign_in_id: str = "", network: str = "") -> None:
    """Notes that somebody came into a company: theirs, or one that let them in to help.

    Raises NotFound when it is neither.
    """
    with company(company_id):
        actor = actor_for_user(user.id)
        if actor is None:
            raise NotFound("You do not work in that company.")
        if sign_in_id:
            signins.note_company(sign_in_id, company_id)
        data = {"network": network} if network else {}
        if actor.grant_id:
            events.record(actor, "support.entered", "support_grant", actor.grant_id, data=data)
        elif actor.member_id:
            events.record(actor, "person.signed_in", "member", actor.member_id, data=data)


# A forgotten password


def request_reset(email: str, address: str) -> None:
    """Sends a link for a new password if somebody has this e-mail. Tells nobody whether.

    Raises TooMany by address only. More than three an hour for one e-mail are not sent.
    """
    email = tidy_email(email)
    limit(f"resets:{address}", 20, RESETS_IN, "Too many requests for new passwords from here. Try later.")
    limit(f"reset:{email}:{address}", RESETS, RESETS_IN, "A link was asked for several times; look for it.")
    with transaction.atomic():
        user = User.objects.filter(email=email, is_active=True).first()
        first = Affiliation.objects.filter(user=user).first() if user else None
        if user and first:
            with company(first.company_ref):
                mail.post(mail.RESET, user.id)


def user_of_link(user_text: str, token: str) -> User:
    """Whose password a link changes. Raises NotFound for one that is wrong, used or late."""
    try:
        user = User.objects.filter(id=parse_id(user_text), is_active=True).first()
    except ValueError:
        user = None
    if user is None or not mail.password_tokens.check_token(user, token):
        raise NotFound("This link is used up, too old or wrong. Ask for a new one.")
    return user


@transaction.atomic
def set_password(user_text: str, token: str, password: str) -> User:
    """Sets a new password by a link's two parts, which then holds no more.

    Sessions elsewhere end, and so do the tokens of this person on tablets. Raises NotFound, Invalid.
    """
    user = user_of_link(user_text, token)
    user = User.objects.select_for_update().get(id=user.id)
    user_of_link(user_text, token)  # again under the lock: a link is good once
    _take_password(user, password)
    user.save(update_fields=["password"])
    signins.end_browsers(user.id)
    for affiliation in Affiliation.objects.filter(user=user):
        with company(affiliation.company_ref):
            _after_new_password(user)
    return user


def _after_new_password(user: User) -> None:
    member = Member.objects.filter(user_ref=user.id).first()
    if member:
        revoke_tokens_of(member)
        events.record(Actor(current_company(), member_id=member.id), "person.password", "member", member.id)


def _take_password(user: User, password: str) -> None:
    """Raises Invalid with every rule that the password breaks."""
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise Invalid(
            "This password is too easy to guess.", [Fault("/password", text) for text in error.messages]
        ) from None
    user.set_password(password)


# Invitations


@transaction.atomic
def invite(actor: Actor, *, email: str, name: str, roles: Iterable[str]) -> Invitation:
    """Invites somebody by mail; an earlier open invitation to the same e-mail ends.

    Raises Invalid, and Conflict when the e-mail works here already.
    """
    require(actor, Action.MANAGE_PEOPLE)
    email, name, wanted = tidy_email(email), name.strip(), sorted(set(roles))
    faults = email_faults(email) + name_faults(name) + role_faults(wanted)
    if faults:
        raise Invalid("The invitation cannot be sent like this.", faults)
    limit(f"invitations:{actor.company_id}", 200, 3600, "200 invitations an hour are enough; go on later.")
    if Member.objects.filter(email=email, active=True).exists():
        raise Conflict("Somebody with this e-mail works here already; change their roles instead.")
    now = timezone.now()
    Invitation.objects.filter(email=email, accepted_at=None, revoked_at=None).update(revoked_at=now)
    quotas.require_room(quotas.Kind.MEMBERS)
    invitation_id = uuid7()
    invitation: Invitation = Invitation.objects.create(
        id=invitation_id,
        email=email,
        name=name,
        roles=wanted,
        secret_hash=hash_secret(mail.invitation_secret(invitation_id)),
        invited_by_id=actor.member_id,
        expires_at=now + INVITED_FOR,
    )
    events.record(actor, "member.invited", "invitation", invitation.id, data={"roles": wanted})
    mail.post(mail.INVITATION, invitation.id)
    return invitation


def email_faults(email: str, pointer: str = "/email") -> list[Fault]:
    """What is wrong with an e-mail address."""
    try:
        validate_email(email)
    except ValidationError:
        return [Fault(pointer, "This is not an e-mail address.")]
    return [Fault(pointer, "An e-mail address has at most 254 characters.")] if len(email) > 254 else []


def name_faults(name: str, pointer: str = "/name") -> list[Fault]:
    """What is wrong with a person's name."""
    return [] if 1 <= len(name) <= 120 else [Fault(pointer, "A name has 1 to 120 characters.")]


def role_faults(roles: list[str]) -> list[Fault]:
    """What is wrong with a set of roles."""
    unknown = [role for role in roles if role not in Role.values]
    if not roles or unknown:
        return [Fault("/roles", f"Choose at least one of {', '.join(Role.values)}, and no other.")]
    return []


@transaction.atomic
def withdraw_invitation(actor: Actor, invitation_id: UUID) -> None:
    """Ends an open invitation; once more does nothing. Raises NotFound, and Conflict when accepted."""
    require(actor, Action.MANAGE_PEOPLE)
    invitation = Invitation.objects.select_for_update().filter(id=invitation_id).first()
    if invitation is None:
        raise NotFound()
    if invitation.accepted_at:
        raise Conflict("The invitation is accepted; make the person inactive instead.")
    if invitation.revoked_at is None:
        invitation.revoked_at = timezone.now()
        invitation.save(update_fields=["revoked_at"])
        events.record(actor, "invitation.withdrawn", "invitation", invitation.id)


def offer_of(token: str) -> Offer:
    """What an invitation's token offers. Raises NotFound for one that is wrong, used, ended or late."""
    company_id, secret = _parts(token)
    with company(company_id):
        invitation = _open_invitation(secret)
        user = User.objects.filter(email=invitation.email).first()
        known = user is not None and user.has_usable_password()
        return Offer(invitation, Company.objects.get().name, known)


def _parts(token: str) -> tuple[UUID, str]:
    parts = split_token(token)
    if parts is None:
        raise _no_invitation()
    return parts


def _no_invitation() -> NotFound:
    return NotFound("This invitation is used, ended, too old or wrong. Ask for a new one.")


def _open_invitation(secret: str) -> Invitation:
    invitation: Invitation | None = (
        Invitation.objects.select_for_update()
        .filter(secret_hash=hash_secret(secret), accepted_at=None, revoked_at=None)
        .filter(expires_at__gt=timezone.now())
        .first()
    )
    if invitation is None:
        raise _no_invitation()
    return invitation


def accept_invitation(
    *, token: str, password: str = "", signed_in: User | None = None, address: str
) -> tuple[User, Member]:
    """Makes the holder of an invitation a member.

    A new person chooses a password; one who has one here proves it, or is signed in as that e-mail. Raises
    NotFound, Invalid, NotSignedIn, Forbidden, TooMany.
    """
    company_id, secret = _parts(token)
    with company(company_id):
        email = _open_invitation(secret).email
    known = _known(email, password, signed_in, address)  # outside, so that a wrong password stays noted
    with company(company_id):
        invitation = _open_invitation(secret)
        user = known or _with_password(email, password)
        member = _join(user, invitation)
        invitation.accepted_at = timezone.now()
        invitation.save(update_fields=["accepted_at"])
        joined = Actor(company_id, member_id=member.id)
        events.record(joined, "member.joined", "member", member.id, data={"roles": member.roles})
    return user, member


def _known(email: str, password: str, signed_in: User | None, address: str) -> User | None:
    """Who was invited, as they are signed in or prove it; None for who has no password here yet."""
    if signed_in is not None:
        if signed_in.email != email:
            raise Forbidden("This invitation is for another e-mail. Sign out and open it again.")
        return signed_in
    user = User.objects.filter(email=email).first()
    if user is not None and not user.is_active:
        raise Forbidden("This e-mail may not sign in here any more.")
    if user is not None and user.has_usable_password():
        return _proven(email, password, address)
    return None


def _with_password(email: str, password: str) -> User:
    """A person who chooses their first password here."""
    user = User.objects.filter(email=email).first() or User(email=email)
    _take_password(user, password)
    user.save()
    return user


def _proven(email: str, password: str, address: str) -> User:
    user = check_password(email, password, address)
    if user is None:
        words = "You have a password here already, and this is not it."
        raise NotSignedIn(words, [Fault("/password", words)])
    return user


def _join(user: User, invitation: Invitation) -> Member:
    """A new member, or one from before who comes back."""
    Affiliation.objects.get_or_create(user=user, company_ref=current_company())
    member: Member | None = Member.objects.select_for_update().filter(user_ref=user.id).first()
    if member is None:
        return _new_member(user, invitation.name, invitation.roles)
    member.roles, member.name, member.active = invitation.roles, invitation.name, True
    member.version += 1
    member.save(update_fields=["roles", "name", "active", "version"])
    return member


def _new_member(user: User, name: str, roles: list[str]) -> Member:
    member: Member = Member.objects.create(user_ref=user.id, name=name, email=user.email, roles=roles)
    return member


# Members


def units_for(actor: Actor) -> str:
    """The system of units on a person's screen: their own, else the company's."""
    return actor.units or str(Company.objects.values_list("unit_system", flat=True).get())


@dataclass(frozen=True)
class MemberChange:
    """What is to be different; None stays as it is."""

    name: str | None = None
    roles: list[str] | None = None
    active: bool | None = None
    unit_system: str | None = None


@transaction.atomic
def change_member(actor: Actor, member_id: UUID, seen: int, change: MemberChange) -> Member:
    """Changes a person's name, roles, units or whether they work here; at once for every door.

    Raises NotFound, PreconditionFailed when `seen` is not the version now, Invalid, and Conflict when the
    company would be left without an active owner.
    """
    require(actor, Action.MANAGE_PEOPLE)
    Company.objects.select_for_update().get()  # one at a time, else two owners could remove each other
    member: Member | None = Member.objects.select_for_update().filter(id=member_id).first()
    if member is None:
        raise NotFound()
    if member.version != seen:
        raise PreconditionFailed("This person changed since you looked; look again and repeat your change.")
    if member.forgotten_at is not None:
        raise Conflict("This person was forgotten; whoever comes back is invited anew.")
    return _store(actor, member, _apply(member, change))


@transaction.atomic
def change_own(actor: Actor, seen: int, *, unit_system: str) -> Member:
    """Changes what people set for themselves: the units on their screen, empty for the company's.

    Raises Forbidden for a key or a tablet nobody is signed in on, PreconditionFailed when `seen` is not the
    version now, and Invalid.
    """
    require(actor, Action.READ)
    if actor.member_id is None:
        raise Forbidden("These are a person's own settings: sign in first.")
    member: Member = Member.objects.select_for_update().get(id=actor.member_id)
    if member.version != seen:
        raise PreconditionFailed("Your settings changed since you looked; look again and repeat your change.")
    return _store(actor, member, _apply(member, MemberChange(unit_system=unit_system)))


def _store(actor: Actor, member: Member, changed: list[str]) -> Member:
    """Saves the fields that differ now, if any, and says so in the log."""
    if not changed:
        return member
    _keep_an_owner(member)
    member.version += 1
    member.save(update_fields=[*changed, "version"])
    if "active" in changed:
        if member.active:
            quotas.require_room(quotas.Kind.MEMBERS, 0)
        _come_or_go(member)
    data = {"fields": sorted(changed), "roles": member.roles, "active": member.active}
    events.record(actor, "member.changed", "member", member.id, data=data)
    return member


def _apply(member: Member, change: MemberChange) -> list[str]:
    """Puts the change on the member. Returns the names of the fields that differ now. Raises Invalid."""
    name = member.name if change.name is None else change.name.strip()
    roles = member.roles if change.roles is None else sorted(set(change.roles))
    units = member.unit_system if change.unit_system is None else change.unit_system
    faults = name_faults(name) + role_faults(roles)
    if units not in {"", *UnitSystem.values}:
        faults.append(Fault("/unit_system", "Choose SI or IP, or leave it empty for the company's."))
    if faults:
        raise Invalid("The person cannot be changed like this.", faults)
    active = member.active if change.active is None else change.active
    wanted = {"name": name, "roles": roles, "active": active, "unit_system": units}
    changed = [field for field, value in wanted.items() if getattr(member, field) != value]
    for field in changed:
        setattr(member, field, wanted[field])
    return changed


def _keep_an_owner(member: Member) -> None:
    if member.active and Role.OWNER in member.roles:
        return
    others = Member.objects.filter(active=True, roles__contains=[Role.OWNER]).exclude(id=member.id)
    if not others.exists():
        raise Conflict("A company needs at least one active owner. Make somebody else owner first.")


def _come_or_go(member: Member) -> None:
    """Tokens end with the place in the company, and do not live again with it."""
    if member.active:
        Affiliation.objects.get_or_create(user_id=member.user_ref, company_ref=current_company())
        return
    Affiliation.objects.filter(user_id=member.user_ref, company_ref=current_company()).delete()
    revoke_tokens_of(member)


def revoke_tokens_of(member: Member) -> None:
    """Ends every token in the name of a person of the current company."""
    living = AccessToken.objects.filter(member=member, kind=TokenKind.PERSON, revoked_at=None)
    living.update(revoked_at=timezone.now())
