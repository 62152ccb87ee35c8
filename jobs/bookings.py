"""When people and instruments are held by jobs: days at a site as moments, and what collides with what.

The database itself refuses two bookings of one person or instrument that overlap (exclusion constraints
over the moments) and a way between two sites that is too short (the trigger `person_travel`, which takes the
row of the member first, so that of two transactions the later sees what the earlier stored; where tables
are spread over nodes there is no such trigger, and `book` does the same). What is here turns days into
moments and a refusal into words.
"""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.db.models import Q
from django.utils.translation import gettext
from psycopg.errors import ExclusionViolation

from jobs.errors import Conflict, Fault, Invalid
from jobs.models import Company, InstrumentAssignment, Job, Member, PersonAssignment, Site, TravelTime
from jobs.tenancy import growth

MOST_MINUTES = 24 * 60
Booking = PersonAssignment | InstrumentAssignment


class Kind(StrEnum):
    """What is planned on a job."""

    PEOPLE = "people"
    INSTRUMENTS = "instruments"


ROWS: dict[Kind, type[Any]] = {Kind.PEOPLE: PersonAssignment, Kind.INSTRUMENTS: InstrumentAssignment}
OF = {Kind.PEOPLE: "member", Kind.INSTRUMENTS: "instrument"}


def moment(day: date, clock: time, zone: ZoneInfo) -> datetime:
    """The moment of a local time, UTC.

    A time that the clocks pass twice is the first of the two; one that they skip is read with the offset
    before the change, so 02:30 is 03:30 (RFC 5545, 3.3.5).
    """
    return datetime.combine(day, clock.replace(fold=0), tzinfo=zone).astimezone(UTC)


@dataclass(frozen=True)
class Spell:
    """Days of a job, with the clock times told (None: the company's hours), and the moments that they are."""

    starts_on: date
    ends_on: date
    from_time: time | None
    to_time: time | None
    starts_at: datetime
    ends_at: datetime

    @property
    def words(self) -> str:
        return spell_words(self)


def spell_words(spell: Any) -> str:
    """Days of a spell or booking, with the clock at the site where it was told."""
    first, last = str(spell.starts_on), str(spell.ends_on)
    if spell.from_time is None and spell.to_time is None:
        return gettext("%(first)s to %(last)s") % {"first": first, "last": last}
    begins, ends = (f" {one:%H:%M}" if one else "" for one in (spell.from_time, spell.to_time))
    return gettext("%(first)s to %(last)s") % {"first": f"{first}{begins}", "last": f"{last}{ends}"}


def spell_of(
    job: Job,
    company: Company,
    starts_on: date | None = None,
    ends_on: date | None = None,
    from_time: time | None = None,
    to_time: time | None = None,
) -> Spell:
    """The days of a job (its whole window unless told) as moments. Raises Invalid when they do not fit."""
    first, last = starts_on or job.starts_on, ends_on or job.ends_on
    window = f"the job runs from {job.starts_on} to {job.ends_on}"
    found = []
    if not job.starts_on <= first <= job.ends_on:
        found.append(Fault("/starts_on", window))
    if not first <= last <= job.ends_on:
        found.append(
            Fault("/ends_on", gettext("must not be before the first day") if last < first else window)
        )
    if found:
        raise Invalid(gettext("The days do not fit the job."), found)
    zone = ZoneInfo(job.site.time_zone)
    begins = moment(first, from_time or company.day_starts, zone)
    ends = moment(last, to_time or company.day_ends, zone)
    if ends <= begins:
        raise Invalid(
            gettext("The times do not fit."), [Fault("/to_time", gettext("must be later than the beginning"))]
        )
    return Spell(first, last, from_time, to_time, begins, ends)


def set_spell(row: Booking, spell: Spell) -> None:
    """Puts a spell on a booking, which then holds."""
    for name, value in vars(spell).items():
        setattr(row, name, value)
    row.holds = True


@dataclass(frozen=True)
class Collision:
    """A booking that stands in the way. `needed` and `left` are minutes of travel; None when both overlap."""

    row: Booking
    needed: int | None = None
    left: int | None = None

    @property
    def words(self) -> str:
        job = self.row.job
        if self.needed is None:
            return f"is on job {job.number} from {spell_words(self.row)}; choose other days"
        return (
            f"is on job {job.number} at {job.site.name} from {spell_words(self.row)}: the way takes"
            f" {self.needed} min, and {self.left} are left"
        )


def collisions(kind: Kind, ids: Collection[UUID], job: Job, spell: Spell) -> dict[UUID, list[Collision]]:
    """What stands in the way of each person or instrument; statements do not grow with their number."""
    name = f"{OF[kind]}_id"
    ways = travel_from(job.site_id) if kind is Kind.PEOPLE else None
    most = timedelta(minutes=MOST_MINUTES) if ways else timedelta()
    rows = ROWS[kind].objects.filter(**{f"{name}__in": ids}, holds=True).exclude(job=job)
    rows = rows.filter(starts_at__lt=spell.ends_at + most, ends_at__gt=spell.starts_at - most)
    found: dict[UUID, list[Collision]] = defaultdict(list)
    for row in rows.select_related("job__site").order_by("starts_at", "id"):
        if one := _collision(row, job, spell, ways):
            found[getattr(row, name)].append(one)
    return found


def _collision(row: Booking, job: Job, spell: Spell, ways: "Ways | None") -> Collision | None:
    left = max(row.starts_at - spell.ends_at, spell.starts_at - row.ends_at)
    if left < timedelta():
        return Collision(row)
    needed = ways.minutes(row.job.site_id) if ways and row.job.site_id != job.site_id else 0
    if left < timedelta(minutes=needed):
        return Collision(row, needed, int(left.total_seconds() // 60))
    return None


@dataclass(frozen=True)
class Ways:
    """Minutes from one site to the others."""

    known: dict[UUID, int]
    usual: int

    def minutes(self, site_id: UUID) -> int:
        return self.known.get(site_id, self.usual)


def travel_from(site_id: UUID) -> Ways:
    rows = TravelTime.objects.filter(Q(one_id=site_id) | Q(other_id=site_id))
    known = {row.other_id if row.one_id == site_id else row.one_id: row.minutes for row in rows}
    return Ways(known, Company.objects.values_list("travel_minutes", flat=True).get())


def book(kind: Kind, row: Booking, name: str) -> None:
    """Stores a booking. Raises Conflict naming the jobs it collides with, as the database found."""
    try:
        with transaction.atomic():
            if not (growth.is_sharded() and _way_is_short(kind, row)):
                row.save()
                return
    except IntegrityError as error:
        if not isinstance(error.__cause__, ExclusionViolation):
            raise
    found = _in_the_way(kind, row)[:5]
    elsewhere = not found or any(one.needed is None for one in found)
    words = (
        gettext("%(name)s is on another job then.")
        if elsewhere
        else gettext("%(name)s cannot be there in time.")
    )
    raise Conflict(words % {"name": name}, [Fault(f"/{OF[kind]}", one.words) for one in found])


def _way_is_short(kind: Kind, row: Booking) -> bool:
    """What the trigger `person_travel` sees, which a sharding database does not take; like it in turns."""
    if not isinstance(row, PersonAssignment):
        return False
    Member.objects.select_for_update(no_key=True).get(id=row.member_id)
    return bool(_in_the_way(kind, row))


def _in_the_way(kind: Kind, row: Booking) -> list[Collision]:
    spell = Spell(row.starts_on, row.ends_on, row.from_time, row.to_time, row.starts_at, row.ends_at)
    who = getattr(row, f"{OF[kind]}_id")
    return collisions(kind, [who], row.job, spell)[who]


def release(job: Job) -> None:
    """Lets go of the people and instruments of a job that is cancelled or approved.

    When it is opened again they do not come back by themselves: somebody else may have them.
    """
    for rows in ROWS.values():
        rows.objects.filter(job=job, holds=True).update(holds=False)


def rezone(site: Site) -> None:
    """Moves the moments of what is booked at a site that got another time zone; the days stay.

    All let go first, so that they do not stand in each other's way. Raises Conflict.
    """
    company = Company.objects.get()
    for kind, rows in ROWS.items():
        held = rows.objects.filter(job__site=site, holds=True)
        found = list(held.select_related("job__site", OF[kind]).order_by(f"{OF[kind]}_id", "starts_at"))
        rows.objects.filter(id__in=[row.id for row in found]).update(holds=False)
        for row in found:
            set_spell(row, spell_of(row.job, company, row.starts_on, row.ends_on, row.from_time, row.to_time))
            book(kind, row, str(getattr(row, OF[kind])))
