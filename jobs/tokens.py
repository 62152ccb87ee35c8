"""Integration keys, tablets, and people signed in on tablets. A secret is shown once, its hash is kept."""

import secrets
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.crypto import salted_hmac

from jobs import events, factor, integrations, quotas
from jobs.access import (
    SCOPES,
    Action,
    Actor,
    actor_for_member,
    hash_secret,
    join_token,
    members_with_needs,
    require,
)
from jobs.errors import Conflict, Fault, Forbidden, Invalid, NotSignedIn, SecondFactorNeeded
from jobs.http import limits
from jobs.models import AccessToken, Device, Member, PairingCode, TokenKind
from jobs.people import check_password
from jobs.rows import locked
from jobs.tenancy.context import company

ALPHABET = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # no I, L, O, 0, 1: read aloud and typed with gloves
CODE_LENGTH, CODE_GOOD_FOR = 8, timedelta(minutes=10)
ON_TABLET_FOR, LONGEST_ON_TABLET = timedelta(days=8), timedelta(days=90)
PAIRINGS, WINDOW_SECONDS = 10, 15 * 60
CODE_NEEDED = "Send the six digits that your telephone shows, or a recovery code."
SET_UP_FIRST = "Your company asks you for a second factor. Set it up on your page, with a browser, first."


def _token(kind: TokenKind, company_id: UUID, **fields: object) -> tuple[AccessToken, str]:
    secret = secrets.token_urlsafe(32)
    row = AccessToken.objects.create(kind=kind, secret_hash=hash_secret(secret), **fields)
    return row, join_token(company_id, secret)


@transaction.atomic
def make_key(
    actor: Actor,
    *,
    name: str,
    scopes: Sequence[str],
    expires_at: datetime | None = None,
    stored_only: bool = False,
    integration: UUID | None = None,
) -> tuple[AccessToken, str]:
    """A key for another system, and its text, which is not kept. Raises Invalid.

    It is good for a year unless told, for two at most, and belongs to an integration, which may have several:
    a new one is taken into use while the old one still holds. Without one named it gets one of its own name.
    `stored_only`: it asks stored queries of GraphQL and nothing else.
    """
    require(actor, Action.MANAGE_KEYS)
    found = _name_faults(name)
    if not scopes or set(scopes) - set(SCOPES):
        found.append(Fault("/scopes", f"Give one or more of: {', '.join(SCOPES)}."))
    if found:
        raise Invalid("Some fields are not valid; see 'errors'.", found)
    until, its = integrations.end_of_key(expires_at), integrations.of_key(actor, integration, name)
    row, text = _token(
        TokenKind.INTEGRATION,
        actor.company_id,
        name=name.strip(),
        scopes=sorted(set(scopes)),
        expires_at=until,
        integration=its,
        created_by_id=actor.member_id,
        stored_only=stored_only,
    )
    events.record(actor, "key.made", "key", row.id, data={"scopes": row.scopes, "for": its.name})
    return row, text


def _name_faults(name: str) -> list[Fault]:
    if name.strip() and len(name) <= 80:
        return []
    return [Fault("/name", "Give a name of 1 to 80 characters.")]


@transaction.atomic
def revoke_key(actor: Actor, key_id: UUID) -> None:
    """Ends a key at once. Raises NotFound."""
    require(actor, Action.MANAGE_KEYS)
    row = locked(AccessToken.objects.filter(kind=TokenKind.INTEGRATION), actor, key_id)
    if row.revoked_at is None:
        AccessToken.objects.filter(id=row.id).update(revoked_at=timezone.now())
        events.record(actor, "key.revoked", "key", row.id)


@transaction.atomic
def start_pairing(actor: Actor, *, device_name: str) -> tuple[PairingCode, str]:
    """A short code by which one tablet enrols, once and within ten minutes. Raises Invalid."""
    require(actor, Action.ENROL_DEVICE)
    if found := _name_faults(device_name):
        raise Invalid("Give the tablet a name.", [Fault("/device_name", found[0].detail)])
    quotas.require_room(quotas.Kind.TABLETS)
    code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
    row = PairingCode.objects.create(
        code_hash=_hash_code(code),
        device_name=device_name.strip(),
        created_by_id=actor.member_id,
        expires_at=timezone.now() + CODE_GOOD_FOR,
    )
    return row, code


def _hash_code(code: str) -> bytes:
    """Keyed: the few letters of a code could be guessed from a plain hash."""
    return salted_hmac("jobs.pairing", code, algorithm="sha256").digest()


def pair_device(company_id: UUID, code: str, address: str) -> tuple[Device, str]:
    """Enrols the tablet that shows the code. Returns it and its token's text.

    Raises Invalid for a wrong, used or lapsed code (all alike), TooMany after ten tries in a
    quarter of an hour.
    """
    name = f"pair:{company_id}:{address}"
    limits.limit(name, PAIRINGS, WINDOW_SECONDS, "Too many codes tried; wait a quarter of an hour.")
    plain = "".join(code.split()).replace("-", "").upper()
    with company(company_id):
        codes = PairingCode.objects.select_for_update(of=("self",)).filter(created_by__active=True)
        row = codes.filter(code_hash=_hash_code(plain), used_at=None, expires_at__gt=timezone.now()).first()
        if row is None:
            raise Invalid("This code is wrong, used or lapsed.", [Fault("/code", "Ask for a new code.")])
        quotas.require_room(quotas.Kind.TABLETS)
        device = Device.objects.create(name=row.device_name, enrolled_by_id=row.created_by_id)
        PairingCode.objects.filter(id=row.id).update(used_at=timezone.now())
        token, text = _token(TokenKind.TABLET, company_id, name=device.name, device=device)
        by = Actor(company_id=company_id, member_id=row.created_by_id, device_id=device.id, token_id=token.id)
        events.record(by, "device.paired", "device", device.id)
        return device, text


def sign_in_on_device(
    tablet: Actor | None, *, email: str, password: str, address: str, code: str = ""
) -> tuple[AccessToken, str]:
    """Signs a person in on an enrolled tablet. Returns their token, good eight days, and its text.

    Raises Forbidden unless asked with a tablet's token, NotSignedIn for a wrong password or no membership,
    SecondFactorNeeded when a code is asked for or a second factor has to be set up first, Invalid for a wrong
    code. What was tried stays counted and noted, so the caller does not undo it.
    """
    if tablet is None:
        raise NotSignedIn("Send the tablet's token.")
    if tablet.kind is not TokenKind.TABLET or tablet.device_id is None:
        raise Forbidden("Sign in with the tablet's own token; this one is of another kind.")
    user = check_password(email, password, address)
    member = members_with_needs().filter(user_ref=user.id, active=True).first() if user else None
    if user is None or member is None:
        raise NotSignedIn("E-mail or password is wrong, or this person does not work here.")
    if actor_for_member(member).owes_factor:
        raise SecondFactorNeeded(SET_UP_FIRST)
    if factor.is_enrolled(user.id):
        if not code:
            raise SecondFactorNeeded(CODE_NEEDED, [Fault("/code", CODE_NEEDED)])
        factor.prove(user, code, address)
    return _signed_in(tablet, tablet.device_id, member)


@transaction.atomic
def _signed_in(tablet: Actor, device_id: UUID, member: Member) -> tuple[AccessToken, str]:
    earlier = AccessToken.objects.filter(member=member, device_id=device_id, revoked_at=None)
    earlier.update(revoked_at=timezone.now())
    token, text = _token(
        TokenKind.PERSON,
        tablet.company_id,
        name=f"{member.name} on {tablet.name}"[:80],
        member=member,
        device_id=device_id,
        expires_at=timezone.now() + ON_TABLET_FOR,
    )
    by = replace(actor_for_member(member), device_id=device_id, token_id=token.id)
    events.record(by, "person.signed_in", "device", device_id)
    return token, text


@transaction.atomic
def renew_on_device(actor: Actor) -> AccessToken:
    """Makes the sign-in that the request came with good for eight more days, at most 90 after the password.

    Raises Conflict for other kinds of token.
    """
    if actor.kind is not TokenKind.PERSON or actor.member_id is None:
        raise Conflict("Nobody is signed in with this token.")
    member = members_with_needs().get(id=actor.member_id)
    if actor_for_member(member).owes_factor:
        raise SecondFactorNeeded(SET_UP_FIRST)
    row: AccessToken = AccessToken.objects.select_for_update().get(id=actor.token_id)
    until = min(timezone.now() + ON_TABLET_FOR, row.created_at + LONGEST_ON_TABLET)
    if row.revoked_at is None and (row.expires_at is None or until > row.expires_at):
        row.expires_at = until
        row.save(update_fields=["expires_at"])
    return row


@transaction.atomic
def sign_out_on_device(actor: Actor) -> None:
    """Ends the token the request came with. Raises Conflict for other kinds of token."""
    if actor.kind is not TokenKind.PERSON:
        raise Conflict("Nobody is signed in with this token.")
    AccessToken.objects.filter(id=actor.token_id).update(revoked_at=timezone.now())


@transaction.atomic
def revoke_device(actor: Actor, device_id: UUID) -> None:
    """Ends a tablet and everybody's sign-in on it, at once. Raises NotFound."""
    require(actor, Action.ENROL_DEVICE)
    row = locked(Device.objects.all(), actor, device_id)
    if row.revoked_at is None:
        now = timezone.now()
        Device.objects.filter(id=row.id).update(revoked_at=now)
        AccessToken.objects.filter(device=row, revoked_at=None).update(revoked_at=now)
        events.record(actor, "device.revoked", "device", row.id)
