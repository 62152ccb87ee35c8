"""A report reaches its reader: a link by mail that ends, and a log of who fetched which file.

A link's secret is derived from the service's key and the delivery's id when the mail is written; the database
keeps its hash. The link leads to a page; only its button fetches, so that a mail scanner fetches nothing.
"""

import base64
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import timedelta
from uuid import UUID

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext, gettext_noop

from jobs import due, events, mail
from jobs.access import Action, Actor, hash_secret, join_token, require, split_token
from jobs.errors import Conflict, Fault, Invalid, NotFound
from jobs.models import Company
from jobs.tenancy.context import company, current_company
from jobs.tenancy.ids import uuid7
from reports import queries
from reports.models import Delivery, Fetch, FetchedAs, Issue, IssuedFile

MAIL = "report-mail"
MOST_ADDRESSES, LONGEST_MESSAGE = 20, 2000
USUAL_DAYS, MOST_DAYS = 30, 365


@transaction.atomic
def deliver(
    actor: Actor,
    report_id: UUID,
    *,
    addresses: Collection[str],
    message: str = "",
    days: int = USUAL_DAYS,
) -> list[Delivery]:
    """Mails a link to the report's file to each address; it ends after so many days.

    Raises NotFound, Invalid, Conflict while the file is not there.
    """
    require(actor, Action.ISSUE)
    made = queries.visible_issues(actor).filter(id=report_id).first()
    if made is None:
        raise NotFound()
    if not any(made.files.all()):
        raise Conflict(gettext("The file is not there yet; send it when it is."), retry_after=5)
    wanted = _checked(addresses, message, days)
    now = timezone.now()
    rows = [
        Delivery(
            id=(key := uuid7()),
            issue=made,
            address=address,
            message=message.strip(),
            secret_hash=hash_secret(_secret(key)),
            sent_by_id=str(actor.member_id),
            made_at=now,
            expires_at=now + timedelta(days=days),
        )
        for address in wanted
    ]
    Delivery.objects.bulk_create(rows)
    due.schedule(MAIL, *(row.id for row in rows))
    for row in rows:
        events.record(
            actor,
            "report.sent",
            "report",
            made.id,
            data={"delivery": str(row.id), "number": made.number, "until": events.stamp(row.expires_at)},
        )
    return rows


def _checked(addresses: Collection[str], message: str, days: int) -> list[str]:
    found = list(dict.fromkeys(one.strip().lower() for one in addresses if one.strip()))
    faults = []
    if not 1 <= len(found) <= MOST_ADDRESSES:
        faults.append(
            Fault(
                "/addresses",
                gettext("must be 1 to %(most_addresses)s addresses") % {"most_addresses": MOST_ADDRESSES},
            )
        )
    for index, one in enumerate(found):
        try:
            validate_email(one)
        except ValidationError:
            faults.append(Fault(f"/addresses/{index}", gettext("is no e-mail address")))
    if len(message) > LONGEST_MESSAGE:
        faults.append(
            Fault(
                "/message",
                gettext("must have at most %(longest_message)s characters")
                % {"longest_message": LONGEST_MESSAGE},
            )
        )
    if not 1 <= days <= MOST_DAYS:
        faults.append(Fault("/days", gettext("must be from 1 to %(most_days)s") % {"most_days": MOST_DAYS}))
    if faults:
        raise Invalid(gettext("The report was not sent; see 'errors'."), faults)
    return found


@transaction.atomic
def revoke(actor: Actor, delivery_id: UUID) -> Delivery:
    """Ends a link at once. Raises NotFound."""
    require(actor, Action.ISSUE)
    if not queries.visible_deliveries(actor).filter(id=delivery_id).exists():
        raise NotFound()
    row: Delivery = Delivery.objects.select_for_update().get(id=delivery_id)
    if row.revoked_at is None:
        row.revoked_at = timezone.now()
        row.save(update_fields=["revoked_at"])
        events.record(actor, "report.link_ended", "report", row.issue_id, data={"delivery": str(row.id)})
    return row


def _secret(delivery_id: UUID, key: str | None = None) -> str:
    """256 bits that only this service can derive from the delivery's id."""
    mac = salted_hmac("reports.delivery", str(delivery_id), secret=key, algorithm="sha256")
    return base64.urlsafe_b64encode(mac.digest()).decode().rstrip("=")


def _secrets_of(row: Delivery) -> Iterator[str]:
    for key in [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]:
        secret = _secret(row.id, key)
        if hash_secret(secret) == bytes(row.secret_hash):
            yield secret


def link_of(row: Delivery) -> str:
    """Where the report is fetched. Raises LookupError when the key it was made with is gone."""
    secret = next(_secrets_of(row), None)
    if secret is None:
        raise LookupError("the link was made under a SECRET_KEY that is not listed any more")
    return f"{settings.PUBLIC_URL.rstrip('/')}/fetch/{join_token(current_company(), secret)}"


@due.handler(MAIL)
def send(claim: due.Claim) -> None:
    """Writes and sends the mail of a delivery that still stands. Twice after a crash does no harm."""
    with transaction.atomic():
        row = Delivery.objects.select_related("issue__revision__job__site", "sent_by").get(
            id=claim.subject_id
        )
        if row.revoked_at is None and row.mailed_at is None:
            house = Company.objects.get()
            words = {"delivery": row, "company": house, "link": link_of(row), "job": row.issue.revision.job}
            subject = f"{row.issue.revision.get_kind_display()} {row.issue.number} from {house.name}"
            mail.send(row.address, subject, "reports/mail/report", words)
            Delivery.objects.filter(id=row.id).update(mailed_at=timezone.now())
        claim.finish()


@dataclass(frozen=True)
class Offered:
    """What a link leads to, while it stands."""

    company_id: UUID
    company_name: str
    delivery: Delivery
    made: Issue
    file: IssuedFile | None
    newest: int


def offered(token: str) -> Offered:
    """The report behind a link. Raises NotFound for an unknown link, and in other words when it ended."""
    parts = split_token(token)
    if parts is None:
        raise NotFound()
    with company(parts[0]):
        row = (
            Delivery.objects.select_related("issue__revision__job__site__customer", "sent_by")
            .defer("issue__revision__snapshot", "issue__revision__readings_csv")
            .filter(secret_hash=hash_secret(parts[1]))
            .first()
        )
        if row is None:
            raise NotFound()
        if row.revoked_at is not None or row.expires_at <= timezone.now():
            raise NotFound(gettext("This link has ended. Ask its sender for a new one."))
        made = row.issue
        same = Issue.objects.filter(number=made.number).order_by("-revision__revision")
        newest = same.values_list("revision__revision", flat=True)[0]
        file = IssuedFile.objects.filter(issue=made).first()
        return Offered(parts[0], Company.objects.get().name, row, made, file, newest)


def fetch(token: str) -> Offered:
    """The report behind a link, about to be fetched: that is logged first. Raises NotFound."""
    found = offered(token)
    if found.file is None:
        raise NotFound()
    with company(found.company_id), transaction.atomic():
        _log(Actor(company_id=found.company_id), found.made, FetchedAs.PDF, found.delivery)
    return found


@transaction.atomic
def fetched(actor: Actor, made: Issue, form: FetchedAs = FetchedAs.PDF) -> None:
    """Logs that a member or a key fetched a report's file."""
    _log(actor, made, form, None)


def _log(actor: Actor, made: Issue, form: FetchedAs, delivery: Delivery | None) -> None:
    row = Fetch.objects.create(
        issue=made,
        form=form,
        delivery=delivery,
        member_id=actor.member_id,
        token_id=actor.token_id,
        at=timezone.now(),
    )
    events.record(
        actor,
        "report.fetched",
        "report",
        made.id,
        data={"fetch": str(row.id), "form": str(form), "delivery": str(delivery.id) if delivery else None},
        content_digest=events.row_digest(row),
    )


def state_of(row: Delivery) -> str:
    """waiting (for its mail), open, ended or withdrawn."""
    if row.revoked_at is not None:
        return gettext_noop("withdrawn")
    if row.expires_at <= timezone.now():
        return gettext_noop("ended")
    return gettext_noop("open") if row.mailed_at else "waiting"


def fetched_by(row: Fetch) -> str:
    """Who it was, as far as it is known: a member, a key, or whoever had a link."""
    if row.member is not None:
        return str(row.member.name)
    if row.token is not None:
        return gettext("key %(name)s") % {"name": row.token.name}
    sent = gettext("link sent to %(address)s")
    return sent % {"address": row.delivery.address} if row.delivery else gettext("unknown")
