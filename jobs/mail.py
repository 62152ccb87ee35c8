"""Mails with links. What they say is made when they are sent, so no secret waits in the database.

The secrets in the links are derived from the service's key and the row's id (invitations) or by Django's
token generator (passwords); the database holds a hash at most.
"""

import base64
import time
from collections.abc import Iterator
from uuid import UUID

from django.conf import settings
from django.contrib.auth.tokens import PasswordResetTokenGenerator
from django.core.mail import EmailMessage
from django.db import transaction
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext

from jobs import due
from jobs.access import hash_secret, join_token
from jobs.models import Company, Invitation, User
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import short_id

INVITATION, RESET, SIGN_IN_CODE = "invitation-mail", "reset-mail", "sign-in-code-mail"
password_tokens = PasswordResetTokenGenerator()


class NotSent(Exception):
    """The mail host did not take it; the message is the kind of its failure only."""


def post(kind: str, subject_id: UUID) -> None:
    """Makes a mail due in the caller's transaction; one that had failed for good gets a fresh start."""
    if not due.retry_parked(kind, subject_id):
        due.schedule(kind, subject_id)


def invitation_secret(invitation_id: UUID, key: str | None = None) -> str:
    """256 bits that only this service can derive from the invitation's id."""
    mac = salted_hmac("jobs.invitation", str(invitation_id), secret=key, algorithm="sha256")
    return base64.urlsafe_b64encode(mac.digest()).decode().rstrip("=")


def _secrets_of(invitation: Invitation) -> Iterator[str]:
    """The secret under the present key and those before, as far as it is the one that was promised."""
    for key in [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]:
        secret = invitation_secret(invitation.id, key)
        if hash_secret(secret) == bytes(invitation.secret_hash):
            yield secret


def invitation_link(invitation: Invitation) -> str:
    """Where the invitation is accepted. Raises LookupError when the key it was made with is gone."""
    secret = next(_secrets_of(invitation), None)
    if secret is None:
        raise LookupError("the invitation was made under a SECRET_KEY that is not listed any more")
    return f"{settings.PUBLIC_URL}/invitation/{join_token(current_company(), secret)}"


def password_link(user: User) -> str:
    """Where this person sets a new password, once, within PASSWORD_RESET_TIMEOUT."""
    return f"{settings.PUBLIC_URL}/password/{short_id(user.id)}/{password_tokens.make_token(user)}"


@due.handler(INVITATION)
def send_invitation(claim: due.Claim) -> None:
    """Sends the mail of an invitation that still stands. Sent twice after a crash, it does no harm."""
    with transaction.atomic():
        invitation = Invitation.objects.select_related("invited_by").filter(id=claim.subject_id).first()
        if invitation and not invitation.accepted_at and not invitation.revoked_at:
            company = Company.objects.get()
            words = {"invitation": invitation, "company": company, "link": invitation_link(invitation)}
            send(
                invitation.email,
                gettext("Join %(company)s on Flowledger") % {"company": company.name},
                "jobs/mail/invitation",
                words,
            )
        claim.finish()


@due.handler(RESET)
def send_reset(claim: due.Claim) -> None:
    """Sends the link for a new password."""
    with transaction.atomic():
        user = User.objects.filter(id=claim.subject_id, is_active=True).first()
        if user:
            words = {"link": password_link(user), "hours": settings.PASSWORD_RESET_TIMEOUT // 3600}
            send(user.email, gettext("Choose a new password"), "jobs/mail/password", words)
        claim.finish()


@due.handler(SIGN_IN_CODE)
def send_code(claim: due.Claim) -> None:
    """Sends the code that is asked for beside the password while a person is guessed at."""
    with transaction.atomic():
        user = User.objects.filter(id=claim.subject_id, is_active=True).first()
        if user:
            send(user.email, gettext("A code for signing in"), "jobs/mail/code", {"code": mailed_code(user)})
        claim.finish()


MAILED_SECONDS = 900


def mailed_code(user: User, ago: int = 0) -> str:
    """Eight digits for the present quarter of an hour, made from the service's key and never kept."""
    window = int(time.time()) // MAILED_SECONDS - ago
    mac = salted_hmac("jobs.mailed", f"{user.id}:{user.password}:{window}", algorithm="sha256").digest()
    return f"{int.from_bytes(mac[:8]) % 10**8:08d}"


def send(to: str, subject: str, template: str, words: dict[str, object]) -> None:
    """Sends one mail now, written from a template (`app/mail/name`). Raises NotSent."""
    text = render_to_string(f"{template}.txt", {**words, "now": timezone.now()})
    message = EmailMessage(subject=" ".join(subject.split()), body=text, to=[to])
    try:
        message.send()
    except Exception as error:  # a mail host's own words name the address, which is not for logs
        raise NotSent(type(error).__name__) from None
