"""A second factor beside the password: codes of six digits by time (RFC 6238), and codes for a lost device.

The secret is encrypted under the service's key, which the database does not hold; recovery codes are kept as
hashes. A code is good once, within half a minute before and after its own.
"""

import base64
import secrets
import time
from dataclasses import dataclass
from uuid import UUID

from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from django.conf import settings
from django.db import transaction
from django.utils import timezone
from django.utils.crypto import constant_time_compare
from django.utils.translation import gettext, gettext_noop

from jobs import events, mail, people, signins
from jobs.access import Actor, hash_secret
from jobs.errors import Conflict, Fault, Forbidden, Invalid
from jobs.http.limits import count_lately as count_try
from jobs.http.limits import counted_lately, forget_lately, limit_lately, too_many
from jobs.models import Affiliation, Member, RecoveryCode, SecondFactor, User
from jobs.sealed import seal, unseal
from jobs.tenancy.context import company, current_company

STEP, DIGITS, SECRET_BYTES = 30, 6, 20  # what every program for such codes speaks (RFC 6238, 4226)
LEEWAY = 1  # steps before and after, for clocks that differ (RFC 6238, 5.2)
RECOVERY_CODES, RECOVERY_LENGTH = 10, 16
ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"
PURPOSE = "jobs.factor"
TRIES, OF_PERSON, TRIES_IN = 10, 20, 900  # wrong codes from one address and of one person, in seconds
TOO_MANY_TRIES = gettext_noop("Too many wrong codes. Wait a quarter of an hour, or use a recovery code.")
WRONG_PASSWORD = gettext_noop("This is not your password.")
GUESSED_AT = gettext_noop(
    "Many wrong passwords were tried for your e-mail lately. Sign out and in again: then a code is mailed."
)
WRONG = gettext_noop("This code is wrong, late or was used before. Wait for the next one.")


@dataclass(frozen=True)
class Offered:
    """A secret that waits for its first code: as text to type, and as the address that a QR code carries."""

    text: str
    address: str


def totp(secret: bytes) -> TOTP:
    """The generator of RFC 6238 as authenticator programs have it: SHA-1, six digits, half a minute."""
    return TOTP(secret, DIGITS, SHA1(), STEP)  # noqa: S303  # the standard's; HMAC does not rest on collisions


def is_enrolled(user_id: UUID) -> bool:
    """Whether a person is asked for a code."""
    return SecondFactor.objects.filter(user_id=user_id, confirmed_at__isnull=False).exists()


# Enrolling


@transaction.atomic
def offer(user: User) -> Offered:
    """The secret that a person is to enter into their program; the same until it is confirmed.

    Raises Conflict when they have one already.
    """
    User.objects.select_for_update().get(id=user.id)
    row = SecondFactor.objects.filter(user=user).first()
    if row is None:
        row = SecondFactor.objects.create(user=user, secret=_sealed(user, secrets.token_bytes(SECRET_BYTES)))
    if row.confirmed_at:
        raise Conflict(gettext("You have a second factor already. Take it off before you set up another."))
    secret = _secret(row)
    text = base64.b32encode(secret).decode()
    return Offered(text, totp(secret).get_provisioning_uri(user.email, "Flowledger"))


@transaction.atomic
def confirm(user: User, code: str, address: str, here: str = "") -> list[str]:
    """Makes the offered secret the person's second factor. Returns their recovery codes, shown this once.

    Sign-ins with browsers, which were made without it, end, but for the one `here`. Raises Invalid, Conflict,
    TooMany.
    """
    row = SecondFactor.objects.select_for_update().filter(user=user).first()
    if row is None or row.confirmed_at:
        raise Conflict(gettext("There is nothing to confirm: set the second factor up anew."))
    limit_lately(f"confirm:{user.id}:{address}", TRIES, TRIES_IN, gettext(TOO_MANY_TRIES))
    _take(row, code)
    row.confirmed_at = timezone.now()
    row.save(update_fields=["confirmed_at"])
    signins.end_browsers(user.id, but=here)
    _tell(user, "person.factor_set")
    return _new_codes(user)


def renew_recovery(user: User, *, password: str, code: str, address: str) -> list[str]:
    """New recovery codes instead of the old ones, against password and code. Raises as `prove_again`."""
    prove_again(user, password=password, code=code, address=address)
    with transaction.atomic():
        _tell(user, "person.recovery_codes")
        return _new_codes(user)


def take_off(user: User, *, password: str, code: str, address: str) -> None:
    """Ends a person's second factor against password and code. Raises as `prove_again`."""
    prove_again(user, password=password, code=code, address=address)
    forget(user)


@transaction.atomic
def forget(user: User) -> None:
    """Ends a person's second factor without a code: for operators who made sure who asks."""
    RecoveryCode.objects.filter(user=user).delete()
    SecondFactor.objects.filter(user=user).delete()
    _tell(user, "person.factor_off")


def _new_codes(user: User) -> list[str]:
    RecoveryCode.objects.filter(user=user).delete()
    codes = ["".join(secrets.choice(ALPHABET) for _ in range(RECOVERY_LENGTH)) for _ in range(RECOVERY_CODES)]
    RecoveryCode.objects.bulk_create([RecoveryCode(user=user, code_hash=hash_secret(one)) for one in codes])
    return codes


def recovery_codes_left(user: User) -> int:
    return RecoveryCode.objects.filter(user=user, used_at=None).count()


def _tell(user: User, verb: str) -> None:
    """Into the log of each company in which the person works."""
    for affiliation in Affiliation.objects.filter(user=user):
        with company(affiliation.company_ref):
            member = Member.objects.filter(user_ref=user.id).first()
            if member:
                events.record(Actor(current_company(), member_id=member.id), verb, "member", member.id)


# Proving


def prove_again(user: User, *, password: str, code: str, address: str) -> None:
    """Asks once more who is at the browser: the password, and a code of who has a second factor.

    What is wrong counts and is noted as at signing in; so the caller answers and does not undo it. Raises
    Invalid, TooMany, and Forbidden while the person is being guessed at: then a code by mail is asked for,
    which signing in does.
    """
    enrolled = is_enrolled(user.id)
    if not enrolled and people.is_guessed_at(user):
        raise Forbidden(gettext(GUESSED_AT))
    if people.check_password(user.email, password, address) != user:
        raise Invalid(gettext(WRONG_PASSWORD), [Fault("/password", gettext(WRONG_PASSWORD))])
    if enrolled:
        prove(user, code, address)


def prove(user: User, code: str, address: str) -> None:
    """Takes a code of a person's second factor, or one of their recovery codes. Each is good once.

    Raises Invalid, and TooMany after ten wrong ones from an address or twenty of a person in a quarter of an
    hour; recovery codes are too long to be guessed and fall under the first limit only.
    """
    here, anywhere = f"code:{user.id}:{address}", f"codes:{user.id}"
    limit_lately(here, TRIES, TRIES_IN, gettext(TOO_MANY_TRIES))
    plain = "".join(code.split()).replace("-", "").lower()
    if len(plain) == RECOVERY_LENGTH:
        _take_recovery(user, plain, address)
    else:
        if counted_lately(anywhere, TRIES_IN) >= OF_PERSON:
            raise too_many(TRIES_IN, gettext(TOO_MANY_TRIES))
        _take_of_device(user, plain, address)
    forget_lately(here, TRIES_IN)


def _take_of_device(user: User, plain: str, address: str) -> None:
    with transaction.atomic():
        row = SecondFactor.objects.select_for_update().filter(user=user, confirmed_at__isnull=False).first()
        if row is not None and _taken(row, plain):
            return
    count_try(f"codes:{user.id}", TRIES_IN)
    signins.note_failure(user.id, address, "code")
    raise wrong_code()


def _take_recovery(user: User, plain: str, address: str) -> None:
    rows = RecoveryCode.objects.filter(user=user, code_hash=hash_secret(plain), used_at=None)
    if not rows.update(used_at=timezone.now()):
        signins.note_failure(user.id, address, "code")
        raise wrong_code()
    _tell(user, "person.recovery_used")


def wrong_code() -> Invalid:
    return Invalid(gettext(WRONG), [Fault("/code", gettext(WRONG))])


def _take(row: SecondFactor, code: str) -> None:
    if not _taken(row, "".join(code.split())):
        raise wrong_code()


def _taken(row: SecondFactor, plain: str) -> bool:
    """Whether the code fits a step that is not past, and marks that step used. The row is locked."""
    secret, now = totp(_secret(row)), int(time.time()) // STEP
    good = [
        step
        for step in range(now - LEEWAY, now + LEEWAY + 1)
        if constant_time_compare(secret.generate(step * STEP), plain.encode())
    ]
    fresh = [step for step in good if step > row.last_step]
    if fresh:
        row.last_step = fresh[0]
        row.save(update_fields=["last_step"])
    return bool(fresh)


# A code by mail, when a person is being guessed at from many places


def prove_mail(user: User, code: str, address: str) -> None:
    """Takes the code that was mailed, of this quarter of an hour or the last. Raises Invalid, TooMany."""
    limit_lately(f"code:{user.id}:{address}", TRIES, TRIES_IN, gettext(TOO_MANY_TRIES))
    anywhere = f"codes:{user.id}"
    if counted_lately(anywhere, TRIES_IN) >= OF_PERSON:
        raise too_many(TRIES_IN, gettext(TOO_MANY_TRIES))
    plain = "".join(code.split())
    good = [constant_time_compare(mail.mailed_code(user, ago), plain) for ago in (0, 1)]
    if not any(good):
        count_try(anywhere, TRIES_IN)
        signins.note_failure(user.id, address, "code")
        raise wrong_code()


# The secret at rest


def _keys() -> list[bytes]:
    return [key.encode() for key in [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]]


def _sealed(user: User, secret: bytes) -> bytes:
    return seal(secret, keys=_keys(), purpose=PURPOSE, place=user.id.bytes)


def _secret(row: SecondFactor) -> bytes:
    return unseal(bytes(row.secret), keys=_keys(), purpose=PURPOSE, place=row.user_id.bytes)
