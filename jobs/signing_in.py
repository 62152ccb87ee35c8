"""Signing in with e-mail and password, and setting a forgotten password anew."""

import logging
from uuid import UUID, uuid4

from celery import current_app
from django.conf import settings
from django.contrib.auth import authenticate
from django.contrib.auth.tokens import default_token_generator
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.http import urlsafe_base64_decode, urlsafe_base64_encode

from jobs import events
from jobs.access import actor_for_member
from jobs.errors import NotFound, NotSignedIn
from jobs.http import limits
from jobs.mail import send
from jobs.models import Affiliation, Company, Member, User
from jobs.people import check_password
from jobs.tenancy.context import company

log = logging.getLogger(__name__)
TRIES, WINDOW_SECONDS = 10, 15 * 60
WRONG = "E-mail or password is wrong."


def sign_in(email: str, password: str, address: str) -> User:
    """The person, when the password is theirs.

    Raises NotSignedIn, or TooMany after ten failures of this person from this address in
    a quarter of an hour. Another address of theirs still gets in, so nobody can lock them out.
    """
    email = email.strip().lower()
    name = f"sign-in:{email}:{address}"
    limits.limit(name, TRIES, WINDOW_SECONDS, "Too many tries from here; wait a quarter of an hour.")
    user = authenticate(None, username=email, password=password)
    if not isinstance(user, User):
        raise NotSignedIn(WRONG)
    limits.forget(name, WINDOW_SECONDS)
    return user


def companies_of(user: User) -> list[tuple[UUID, str]]:
    """Companies where the person is an active member: id and name, by name."""
    found = []
    for company_id in Affiliation.objects.filter(user=user).values_list("company_ref", flat=True):
        with company(company_id):
            if Member.objects.filter(user_ref=user.id, active=True).exists():
                found.append((company_id, Company.objects.get().name))
    return sorted(found, key=lambda pair: pair[1].casefold())


def note_sign_in(user: User, company_id: UUID) -> None:
    """Writes to the company's log that the person came in."""
    with company(company_id):
        member = Member.objects.filter(user_ref=user.id, active=True).first()
        if member is None:
            raise NotFound()
        events.record(actor_for_member(member), "person.signed_in", "member", member.id)


def start_password_reset(email: str, address: str) -> None:
    """Has a mail sent if there is such a person. The caller learns nothing either way.

    Raises TooMany. The message to the worker holds an id only, made up when there is nobody.
    """
    limits.limit(
        f"reset:{address}", TRIES, WINDOW_SECONDS, "Too many tries from here; wait a quarter of an hour."
    )
    user = User.objects.filter(email=email.strip().lower(), is_active=True).first()
    user_id = user.id if user else uuid4()
    transaction.on_commit(lambda: _ring(user_id), robust=True)


def _ring(user_id: UUID) -> None:
    try:
        current_app.send_task("jobs.mail_password_reset", args=[str(user_id)], retry=False)
    except Exception as error:  # the person can ask again
        log.warning("queue away, no reset mail: %s", type(error).__name__)


def mail_password_reset(user_id: UUID) -> None:
    """Mails a link that is good once and for a while."""
    user = User.objects.filter(id=user_id, is_active=True).first()
    if user is not None:
        send(
            user.email,
            "Set a new password for Flowledger",
            "Somebody, you we hope, asked for a new password. Set it here:\n\n"
            f"{reset_link(user)}\n\nThe link is good once. If it was not you, do nothing.",
        )


def reset_link(user: User) -> str:
    uid = urlsafe_base64_encode(user.id.bytes)
    return f"{settings.PUBLIC_URL}/password/{uid}/{default_token_generator.make_token(user)}"


def find_reset(uid: str, token: str) -> User:
    """The person of a reset link. Raises NotFound when it is used, lapsed or made up."""
    try:
        user = User.objects.filter(id=UUID(bytes=urlsafe_base64_decode(uid)), is_active=True).first()
    except (ValueError, ValidationError):
        user = None
    if user is None or not default_token_generator.check_token(user, token):
        raise NotFound("This link is used or lapsed. Ask for a new one.")
    return user


@transaction.atomic
def finish_password_reset(uid: str, token: str, *, password: str) -> User:
    """Sets the password; every session of the person ends. Raises NotFound or Invalid."""
    user = find_reset(uid, token)
    check_password(password, user)
    user.set_password(password)
    user.save(update_fields=["password"])
    return user
