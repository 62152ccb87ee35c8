"""How long what is no evidence is kept, in one table, and the due work that prunes it daily.

Evidence is kept as long as the company: batches as posted, sessions, readings, results, flags and answers,
certificates, approved revisions, issued files, who fetched them, the log.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Model, Q
from django.utils import timezone

from jobs import due
from jobs.models import (
    Affiliation,
    CalendarAddress,
    Company,
    IdempotencyKey,
    Invitation,
    PairingCode,
    PlanNotice,
)
from jobs.tenancy.context import company
from reports import exports
from reports.models import Delivery, Look

KEEP, BATCH = "keeping", 1000


@dataclass(frozen=True)
class Period:
    """What is kept for how long and why; `prune` takes what is older than a moment, some at a time."""

    what: str
    days: int
    why: str
    prune: Callable[[datetime], int]


def older(model: type[Model], column: str, **also: Any) -> Callable[[datetime], int]:
    """Deletes rows whose column lies before the moment."""

    def prune(before: datetime) -> int:
        rows = model.objects.filter(**{f"{column}__lt": before}, **also)  # type: ignore[attr-defined]
        ids = list(rows.order_by(column, "id").values_list("id", flat=True)[:BATCH])
        return model.objects.filter(id__in=ids).delete()[0] if ids else 0  # type: ignore[attr-defined,no-any-return]

    return prune


def addresses(before: datetime) -> int:
    """Takes address and message out of links to reports; that there was a link, and who fetched, stays."""
    rows = Delivery.objects.filter(expires_at__lt=before).exclude(Q(address="") & Q(message=""))
    ids = list(rows.order_by("id").values_list("id", flat=True)[:BATCH])
    return int(Delivery.objects.filter(id__in=ids).update(address="", message=""))


PERIODS: tuple[Period, ...] = (
    Period(
        "answers to requests, for exact repeats",
        35,
        "tablets and other systems send again what was not answered, some after weeks",
        older(IdempotencyKey, "created_at"),
    ),
    Period(
        "invitations, after their end",
        90,
        "so that owners see who was invited and did not come",
        older(Invitation, "expires_at"),
    ),
    Period(
        "pairing codes of tablets, after their end",
        7,
        "they are good for minutes",
        older(PairingCode, "expires_at"),
    ),
    Period(
        "calendar addresses, after they were revoked",
        90,
        "so that people see which they revoked",
        older(CalendarAddress, "revoked_at"),
    ),
    Period(
        "notes of mails about changes of plan, after they were sent",
        90,
        "so that a question whether somebody was told has an answer",
        older(PlanNotice, "sent_at"),
    ),
    Period(
        "what a supervisor saw of a job last",
        365,
        "a note to oneself",
        older(Look, "seen_at"),
    ),
    Period(
        "addresses and messages of links to reports, after the link's end",
        3 * 365,
        "to show to whom a report went, as long as claims are usually made",
        addresses,
    ),
    Period(
        "files of exports, after they expired",
        0,
        f"a file is offered for {exports.KEPT_DAYS} days; its digest stays",
        exports.take_away_old,
    ),
)
"""The one table of periods. Deliveries of webhooks go after 30 days, unfinished photos and drafts of
schedules after 7; each sees to that where it is made."""


def schedule_all() -> int:
    """Makes the day's pruning due in every company. Returns how many there are."""
    found = list(Affiliation.objects.values_list("company_ref", flat=True).distinct())
    for company_id in found:
        with company(company_id):
            if not due.retry_parked(KEEP, company_id):
                due.schedule(KEEP, company_id)
    return len(found)


@due.handler(KEEP)
def run(claim: due.Claim) -> None:
    """Prunes one batch of each kind a transaction, until nothing is left or the turn is over."""
    started = timezone.now()
    while prune(started):
        if timezone.now() - started > due.LEASE / 2:
            with transaction.atomic():
                claim.put_back(timedelta(seconds=1))
            return
    with transaction.atomic():
        claim.finish()


def prune(now: datetime) -> int:
    """One batch of everything that is older than its period. Returns how many rows."""
    count = 0
    for period in PERIODS:
        with transaction.atomic():
            if Company.objects.exists():
                count += period.prune(now - timedelta(days=period.days))
    return count
