"""A technician's plan as a calendar to subscribe to (RFC 5545), at a private address.

The address carries the company and a secret of 256 bits; only the secret's SHA-256 is kept. Moments are
written in UTC, so they are right over changes of the clocks whatever the reader's program knows of zones.
"""

import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any
from uuid import UUID

import icalendar
from django.conf import settings
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import events
from jobs.access import Action, Actor, hash_secret, join_token, require, split_token
from jobs.bookings import spell_words
from jobs.errors import NotFound
from jobs.models import CalendarAddress, Company, JobStatus, Member, PersonAssignment, User
from jobs.queries import visible_members
from jobs.rows import locked
from jobs.tenancy.context import company

KEPT = timedelta(days=60)
"""How long what is over stays in the calendar."""
REFRESH = timedelta(minutes=15)
PRODUCT = "-//Flowledger//Plan//EN"


def address_of(actor: Actor, member_id: UUID) -> CalendarAddress | None:
    """The address that leads to a member's calendar now, without its secret. Raises NotFound, Forbidden."""
    _member(actor, member_id)
    found: CalendarAddress | None = _living(member_id).select_related("made_by").first()
    return found


def addresses(actor: Actor) -> dict[UUID, CalendarAddress]:
    """The living addresses of all members, for planners."""
    require(actor, Action.PLAN)
    rows = CalendarAddress.objects.filter(revoked_at=None, company_id=actor.company_id)
    return {row.member_id: row for row in rows}


@transaction.atomic
def make_address(actor: Actor, member_id: UUID) -> tuple[CalendarAddress, str]:
    """A new address and its text, which is not kept; the one before ends. For the person and for planners.

    Raises NotFound, Forbidden.
    """
    member = _member(actor, member_id)
    locked(Member.objects.all(), actor, member.id)  # of two at once one address lives
    _living(member.id).update(revoked_at=timezone.now())
    secret = secrets.token_urlsafe(32)
    row = CalendarAddress.objects.create(
        member=member, secret_hash=hash_secret(secret), made_by_id=actor.member_id
    )
    events.record(actor, "calendar.made", "member", member.id)
    return row, f"{settings.PUBLIC_URL}/calendar/{join_token(actor.company_id, secret)}.ics"


@transaction.atomic
def revoke_address(actor: Actor, member_id: UUID) -> None:
    """Ends the address at once; without one nothing happens. Raises NotFound, Forbidden."""
    member = _member(actor, member_id)
    if _living(member.id).update(revoked_at=timezone.now()):
        events.record(actor, "calendar.revoked", "member", member.id)


def _member(actor: Actor, member_id: UUID) -> Member:
    found = visible_members(actor).filter(id=member_id).first()
    if found is None:
        raise NotFound()
    if member_id != actor.member_id:
        require(actor, Action.PLAN)
    return found


def _living(member_id: UUID) -> Any:
    return CalendarAddress.objects.filter(member_id=member_id, revoked_at=None)


@dataclass(frozen=True)
class Calendar:
    """The file that subscribers get."""

    body: bytes

    @property
    def tag(self) -> str:
        return sha256(self.body).hexdigest()


def calendar_at(text: str) -> Calendar:
    """The calendar behind an address's text (company and secret).

    Raises NotFound, alike for one that is unknown, revoked, or of somebody who does not work there any more.
    """
    parts = split_token(text)
    if parts is None:
        raise NotFound(gettext("There is no calendar at this address."))
    with company(parts[0]):
        rows = CalendarAddress.objects.select_related("member").filter(
            secret_hash=hash_secret(parts[1]), revoked_at=None, member__active=True
        )
        found = rows.first()
        if found is None or User.objects.filter(id=found.member.user_ref, is_active=False).exists():
            raise NotFound(gettext("There is no calendar at this address."))
        return Calendar(_written(found.member, Company.objects.get()))


def _written(member: Member, made: Company) -> bytes:
    since = timezone.now() - KEPT
    rows = PersonAssignment.objects.filter(member=member, ends_at__gte=since)
    rows = rows.select_related("job__site").prefetch_related("job__job_systems__system")
    calendar = icalendar.Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("name", f"{member.name}, {made.name}")
    calendar.add("x-wr-calname", f"{member.name}, {made.name}")
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for row in rows.order_by("starts_at", "id"):
        calendar.add_component(_event(row))
    return bytes(calendar.to_ical())


def _event(row: PersonAssignment) -> icalendar.Event:
    """One booking. Its UID is the job's and the member's, so it stays when the days change; the job's version
    counts up with every change of it. Nothing of other people is in it."""
    job, event = row.job, icalendar.Event()
    cancelled = job.status == JobStatus.CANCELLED
    event.add("uid", f"{job.id}.{row.member_id}@flowledger")
    event.add("sequence", job.version)
    event.add("dtstamp", _whole(row.changed_at))
    event.add("last-modified", _whole(row.changed_at))
    event.add("dtstart", _whole(row.starts_at))
    event.add("dtend", _whole(row.ends_at))
    event.add("summary", f"{job.number} {job.title}")
    event.add("location", ", ".join([job.site.name, *filter(None, job.site.address.splitlines())]))
    event.add("description", "\n".join(_lines(row)))
    event.add("url", f"{settings.PUBLIC_URL}/jobs/{job.id}")
    event.add("status", "CANCELLED" if cancelled else "CONFIRMED")
    event.add("transp", "TRANSPARENT" if cancelled else "OPAQUE")
    return event


def _lines(row: PersonAssignment) -> Iterable[str]:
    tags = sorted(one.system.tag for one in row.job.job_systems.all())
    if tags:
        yield f"Systems: {', '.join(tags)}"
    yield f"By the clock at the site ({row.job.site.time_zone}): {spell_words(row)}"


def _whole(moment: datetime) -> datetime:
    return moment.replace(microsecond=0)
