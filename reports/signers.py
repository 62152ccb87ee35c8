"""With what a company signs: its own certificate, entered by its owner, or that of the installation.

The private key is encrypted at rest (reports/sealed.py); the password of the file is used once and kept
nowhere.
"""

from datetime import datetime, timedelta
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events, mail
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, NotFound
from jobs.models import Company, Event, Member
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import uuid7
from reports import sealed, sign
from reports.models import SigningCertificate

PURPOSE = b"reports.signers"
WARN_DAYS = (60, 30, 7)
"""Days before its end at which the owners are told."""
MOST_LEFT = 10**6
MAIL = "signing-mail"
KeyUnreadable = sealed.Unreadable


def newest() -> SigningCertificate | None:
    """The company's certificate; None when it has none or took it back."""
    row: SigningCertificate | None = SigningCertificate.objects.order_by("-at", "-id").first()
    usable = row is not None and row.chain and row.encrypted_key  # a key does not come with an import
    return row if usable else None


def history(actor: Actor) -> list[SigningCertificate]:
    """All that the company has entered or withdrawn, newest first."""
    require(actor, Action.MANAGE_COMPANY)
    return list(SigningCertificate.objects.select_related("member").order_by("-at", "-id"))


@transaction.atomic
def enter(actor: Actor, *, file: bytes, password: str) -> SigningCertificate:
    """Makes a PKCS#12 file the company's certificate from now on. Raises Invalid, Conflict."""
    require(actor, Action.MANAGE_COMPANY)
    if not settings.SIGNING_KEYS:
        raise Conflict(
            gettext("The operators of this service have set no SIGNING_KEY, so no private key can be kept.")
        )
    found = sign.read_pkcs12(file, password)
    key = uuid7()
    return _store(
        actor,
        SigningCertificate(
            id=key,
            chain=found.pem,
            encrypted_key=encrypted(found.key_der, key),
            subject=found.subject,
            issuer=found.issuer,
            serial=found.serial,
            fingerprint=found.fingerprint,
            valid_from=found.certificate.not_valid_before_utc,
            valid_to=found.certificate.not_valid_after_utc,
            member_id=str(actor.member_id),
            at=timezone.now(),
        ),
    )


@transaction.atomic
def withdraw(actor: Actor) -> None:
    """From now on nothing is signed with the company's certificate. Raises NotFound when there is none."""
    require(actor, Action.MANAGE_COMPANY)
    if newest() is None:
        raise NotFound(gettext("The company has no certificate of its own."))
    row = SigningCertificate(chain=b"", encrypted_key=b"", member_id=str(actor.member_id), at=timezone.now())
    _store(actor, row)


def _store(actor: Actor, row: SigningCertificate) -> SigningCertificate:
    Company.objects.select_for_update().get()  # one after the other, so that the newest is the last entered
    row.at = timezone.now()
    row.save(force_insert=True)
    events.record(
        actor,
        "signing.changed",
        "signing_certificate",
        row.id,
        data={"subject": row.subject, "serial": row.serial, "fingerprint": row.fingerprint},
        content_digest=events.row_digest(row),
    )
    return row


def identity() -> sign.Identity | None:
    """With what the current company's files are signed now; None: with nothing.

    A company's own certificate that has ended is not used; then that of the installation signs, and the
    report says so. Raises KeyUnreadable.
    """
    now, row = timezone.now(), newest()
    if row is not None:
        own = sign.Identity.stored(bytes(row.chain), decrypted(bytes(row.encrypted_key), row.id))
        if own.in_force(now):
            return own
    other = sign.installed(settings.SIGNING_CERTIFICATE, settings.SIGNING_CERTIFICATE_PASSWORD)
    return other if other is not None and other.in_force(now) else None


def encrypted(clear: bytes, row_id: UUID) -> bytes:
    """Nonce and AES-256-GCM text under the first key."""
    return sealed.seal(PURPOSE, clear, row_id)


def decrypted(stored: bytes, row_id: UUID) -> bytes:
    """Opens with the first key that fits. Raises KeyUnreadable."""
    return sealed.unseal(PURPOSE, stored, row_id)


def days_left(row: SigningCertificate, now: datetime) -> int:
    """Whole days until it ends; negative when it has ended."""
    return 0 if row.valid_to is None else (row.valid_to - now) // timedelta(days=1)


def warn() -> bool:
    """Makes a mail to the owners due when the certificate has reached or passed a stage not told yet.

    What was told stands in the log, so that a day on which nothing ran loses no stage and a repeat tells none
    twice. Returns whether a mail is due.
    """
    with transaction.atomic():
        Company.objects.select_for_update().get()
        row = newest()
        left = days_left(row, timezone.now()) if row is not None else MOST_LEFT
        stage = min((days for days in WARN_DAYS if left <= days), default=None)
        if row is None or stage is None or _told(row, stage):
            return False
        by = Actor(company_id=current_company())
        events.record(by, "signing.warned", "signing_certificate", row.id, data={"stage": stage})
        mail.post(MAIL, row.id)
    return True


def _told(row: SigningCertificate, stage: int) -> bool:
    told = Event.objects.filter(subject_id=row.id, verb="signing.warned").values_list("data", flat=True)
    return any(data["stage"] <= stage for data in told)


@due.handler(MAIL)
def send_warning(claim: due.Claim) -> None:
    """Tells the owners when their certificate ends; nobody when it was replaced meanwhile."""
    with transaction.atomic():
        claim.hold()
        row = newest()
        if row is not None and row.id == claim.subject_id:
            days = days_left(row, timezone.now())
            link = f"{settings.PUBLIC_URL}/company/signing"
            words = {"row": row, "company": Company.objects.get(), "days": days, "link": link}
            subject = f"The certificate that signs your reports {'has ended' if days < 0 else 'ends soon'}"
            for member in Member.objects.filter(active=True, roles__contains=["owner"]):
                mail.send(member.email, subject, "reports/mail/signing", {**words, "member": member})
        claim.finish()
