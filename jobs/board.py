"""The planning board: who and what is where on which day, which jobs wait, and what speaks against a plan.

Days are those of the site. Every question takes a constant number of statements.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext

from jobs import travel
from jobs.access import Action, Actor, require
from jobs.bookings import OF, ROWS, Booking, Kind, Spell, collisions, spell_words
from jobs.dispatch import may_measure, points_of
from jobs.errors import Fault, Invalid, NotFound
from jobs.events import digest
from jobs.instruments import WITHOUT_CERTIFICATE, Use, certificates_in_force
from jobs.models import (
    Company,
    Instrument,
    InstrumentRange,
    Job,
    JobStatus,
    Lapse,
    Member,
    Quantity,
    TestPoint,
)
from jobs.queries import visible, visible_instruments, visible_jobs, visible_members
from jobs.readiness import CALLED_FOR
from jobs.suitability import Finding, look_at

MOST_DAYS, MOST_WAITING = 42, 100
BESIDE = {Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.ABSOLUTE_PRESSURE, Quantity.FACTOR}


@dataclass(frozen=True)
class Bar:
    """One booking on the board. `against` says what does not fit about it as things stand now."""

    kind: Kind
    who: UUID
    row: Booking
    against: tuple[str, ...] = ()

    @property
    def job(self) -> Job:
        return self.row.job

    @property
    def may_move(self) -> bool:
        """Only an open job is planned."""
        return bool(self.job.status == JobStatus.OPEN)

    @property
    def days(self) -> str:
        return spell_words(self.row)

    def clock(self, day: date) -> str:
        """The times told for this day, e.g. "to 12:00"; empty for the company's hours."""
        row = self.row
        told = [
            ("from", row.from_time if day == row.starts_on else None),
            ("to", row.to_time if day == row.ends_on else None),
        ]
        return " ".join(f"{word} {clock:%H:%M}" for word, clock in told if clock)


@dataclass(frozen=True)
class Line:
    """A person or an instrument with what is planned in the shown days, earliest first."""

    id: UUID
    name: str
    remark: str
    bars: tuple[Bar, ...]

    def on(self, day: date) -> list[Bar]:
        return [bar for bar in self.bars if bar.row.starts_on <= day <= bar.row.ends_on]


@dataclass(frozen=True)
class Waiting:
    """An open job that lacks people or instruments."""

    job: Job
    lacks: tuple[str, ...]


@dataclass(frozen=True)
class Board:
    by: Kind
    days: tuple[date, ...]
    lines: tuple[Line, ...]
    waiting: tuple[Waiting, ...]
    more_waiting: bool

    @cached_property
    def digest(self) -> str:
        """Differs when anything shown differs."""
        bars = [
            [str(bar.row.id), str(bar.who), bar.job.version, bar.job.status, bar.days, *bar.against]
            for line in self.lines
            for bar in line.bars
        ]
        lines = [[str(line.id), line.name, line.remark] for line in self.lines]
        waiting = [[str(one.job.id), one.job.version, *one.lacks] for one in self.waiting]
        return digest([[str(day) for day in self.days], bars, lines, waiting])


def span(first: date, count: int) -> tuple[date, ...]:
    """So many days from the first. Raises Invalid."""
    if not 1 <= count <= MOST_DAYS:
        raise Invalid(
            gettext("The days do not fit."),
            [Fault("query:days", gettext("must be 1 to %(most_days)s") % {"most_days": MOST_DAYS})],
        )
    try:
        return tuple(first + timedelta(days=step) for step in range(count))
    except OverflowError:
        raise Invalid(
            gettext("The days do not fit."), [Fault("query:from", gettext("is too late"))]
        ) from None


def board(actor: Actor, days: Sequence[date], by: Kind) -> Board:
    """What is planned on these days, and what waits."""
    require(actor, Action.PLAN)
    rows = _bookings(actor, days, by)
    lines = _people(actor, rows, days) if by is Kind.PEOPLE else _instruments(actor, rows, days)
    waiting = _waiting(actor)
    return Board(by, tuple(days), tuple(lines), tuple(waiting[:MOST_WAITING]), len(waiting) > MOST_WAITING)


def _bookings(actor: Actor, days: Sequence[date], by: Kind) -> dict[UUID, list[Booking]]:
    name = OF[by]
    rows = visible(ROWS[by].objects.select_related("job__site__customer", name), actor)
    rows = rows.filter(starts_on__lte=days[-1], ends_on__gte=days[0]).exclude(job__status=JobStatus.CANCELLED)
    found: dict[UUID, list[Booking]] = defaultdict(list)
    for row in rows.order_by("starts_at", "id"):
        found[getattr(row, f"{name}_id")].append(row)
    return found


def _people(actor: Actor, rows: dict[UUID, list[Booking]], days: Sequence[date]) -> Iterable[Line]:
    members = visible_members(actor).filter(Q(active=True) | Q(id__in=list(rows))).order_by("name", "id")
    ways = _ways(actor)
    for member in members:
        if not may_measure(member) and member.id not in rows:
            continue
        remark = "" if may_measure(member) else gettext("may not measure any more")
        bars = [
            Bar(Kind.PEOPLE, member.id, row, (*_let_go(row), *_short_way(before, row, ways)))
            for before, row in zip([None, *rows[member.id]], rows[member.id], strict=False)
        ]
        yield Line(member.id, member.name, remark, tuple(bars))


def _let_go(row: Booking) -> tuple[str, ...]:
    """A job that was approved lets go; opened again it has nobody until the days are set anew."""
    if row.holds or row.job.status != JobStatus.OPEN:
        return ()
    return (gettext("It is not held: the job was closed in between. Set the days again."),)


Minutes = dict[tuple[UUID, UUID], int]


def _ways(actor: Actor) -> tuple[Minutes, int]:
    known = {(row.one_id, row.other_id): row.minutes for row in travel.times(actor).select_related(None)}
    return known, Company.objects.values_list("travel_minutes", flat=True).get()


def _short_way(before: Booking | None, row: Booking, ways: tuple[Minutes, int]) -> tuple[str, ...]:
    """A travel time that was set after both were planned may be longer than the time between them."""
    if before is None or not (before.holds and row.holds) or before.job.site_id == row.job.site_id:
        return ()
    known, usual = ways
    first, second = sorted((before.job.site_id, row.job.site_id))
    needed, left = known.get((first, second), usual), row.starts_at - before.ends_at
    if left >= timedelta(minutes=needed):
        return ()
    minutes = int(left.total_seconds() // 60)
    text = gettext("The way from %(site)s takes %(needed)s min; %(left)s are left.")
    return (text % {"site": before.job.site.name, "needed": needed, "left": minutes},)


def _instruments(actor: Actor, rows: dict[UUID, list[Booking]], days: Sequence[date]) -> Iterable[Line]:
    tools = visible_instruments(actor).filter(Q(in_service=True) | Q(id__in=list(rows)))
    tools = tools.order_by("name", "serial")
    ends = _certificate_ends(tools, {tool.id: _last_days(rows[tool.id], days) for tool in tools})
    for tool in tools:
        bars = [
            Bar(
                Kind.INSTRUMENTS,
                tool.id,
                row,
                (*_let_go(row), *_after(ends.get((tool.id, row.ends_on)), row.ends_on)),
            )
            for row in rows[tool.id]
        ]
        end = ends.get((tool.id, days[0]))
        remark = "out of service" if not tool.in_service else f"certificate to {end}" if end else ""
        yield Line(tool.id, str(tool), remark, tuple(bars))


def _last_days(rows: Iterable[Booking], days: Sequence[date]) -> set[date]:
    return {days[0], *(row.ends_on for row in rows)}


def _after(end: date | None, last_day: date) -> tuple[str, ...]:
    return (f"Its certificate ends on {end}, before {last_day}.",) if end and end < last_day else ()


def _certificate_ends(
    tools: Iterable[Instrument], wanted: dict[UUID, set[date]]
) -> dict[tuple[UUID, date], date]:
    """The end of the certificate in force that ends first, by instrument and day; only where there is one."""
    uses = [
        Use(tool.id, day, Quantity(one.quantity))
        for tool in tools
        for one in tool.ranges.all()
        if one.quantity not in WITHOUT_CERTIFICATE
        for day in wanted[tool.id]
    ]
    ends: dict[tuple[UUID, date], date] = {}
    for use, found in certificates_in_force(uses).items():
        if found.certificate:
            key, due = (use.instrument_id, use.on), found.certificate.due_on
            ends[key] = min(due, ends.get(key, due))
    return ends


def _waiting(actor: Actor) -> list[Waiting]:
    """Open jobs that are not over and lack somebody or something, by their first day."""
    today = timezone.localdate(timezone=ZoneInfo(Company.objects.get().time_zone))
    jobs = visible_jobs(actor).filter(status=JobStatus.OPEN, ends_on__gte=today)
    # A few more than are shown: those that lack nothing fall out.
    found = list(jobs.order_by("starts_on", "number")[: 4 * MOST_WAITING])
    kinds, shown = _kinds(found), _shown(found)
    lacking = ((job, tuple(_lacks(job, kinds[job.id], shown))) for job in found)
    return [Waiting(job, lacks) for job, lacks in lacking if lacks]


def _kinds(jobs: Sequence[Job]) -> dict[UUID, set[str]]:
    """The kinds of points of each job."""
    rows = TestPoint.objects.filter(system__job_systems__job__in=jobs)
    found: dict[UUID, set[str]] = defaultdict(set)
    for job_id, kind in rows.values_list("system__job_systems__job_id", "kind").distinct():
        found[job_id].add(kind)
    return found


def _shown(jobs: Sequence[Job]) -> dict[UUID, set[Quantity]]:
    """What each instrument on these jobs shows."""
    tools = {one.instrument_id for job in jobs for one in job.instruments.all()}
    found: dict[UUID, set[Quantity]] = defaultdict(set)
    for row in InstrumentRange.objects.filter(instrument_id__in=tools):
        found[row.instrument_id].add(Quantity(row.quantity))
    return found


def _lacks(job: Job, kinds: Collection[str], shown: dict[UUID, set[Quantity]]) -> Iterable[str]:
    people = list(job.people.all())
    if not people:
        yield "nobody"
    elif bare := _bare_days(job, people):
        yield f"nobody on {bare[0]}" + (f" and {len(bare) - 1} more" if len(bare) > 1 else "")
    has = {quantity for one in job.instruments.all() for quantity in shown[one.instrument_id]}
    for kind, item, fits, _ in CALLED_FOR:
        if kind in kinds and not has & fits:
            yield f"no instrument for {item}"


def _bare_days(job: Job, people: Iterable[Any]) -> list[date]:
    held = {
        one.starts_on + timedelta(days=step)
        for one in people
        for step in range((one.ends_on - one.starts_on).days + 1)
    }
    every = (job.starts_on + timedelta(days=step) for step in range((job.ends_on - job.starts_on).days + 1))
    return [day for day in every if day not in held]


# Before assigning


@dataclass(frozen=True)
class Candidate:
    """Somebody or something that could be planned, and what speaks against it.

    `refused`: planning would be refused. The remarks would only be kept as warnings.
    """

    id: UUID
    name: str
    refused: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    beside: bool = False  # an instrument that shows the air's state beside what the points call for

    @property
    def fits(self) -> bool:
        return not self.refused


def candidates(actor: Actor, job: Job, kind: Kind, spell: Spell) -> list[Candidate]:
    """Everybody or everything for these days of a job, what fits best first."""
    require(actor, Action.PLAN)
    found = _people_for(actor, job, spell) if kind is Kind.PEOPLE else _instruments_for(actor, job, spell)
    return sorted(found, key=lambda one: (bool(one.refused), len(one.remarks), one.beside, one.name))


def _people_for(actor: Actor, job: Job, spell: Spell) -> list[Candidate]:
    members = [one for one in visible_members(actor).filter(active=True) if may_measure(one)]
    clashes = collisions(Kind.PEOPLE, [one.id for one in members], job, spell)
    return [_candidate(one, one.name, clashes[one.id]) for one in members]


def _instruments_for(actor: Actor, job: Job, spell: Spell) -> list[Candidate]:
    tools = list(visible_instruments(actor).filter(in_service=True).order_by("name", "serial"))
    made = Company.objects.get()
    points = points_of(job)
    clashes = collisions(Kind.INSTRUMENTS, [tool.id for tool in tools], job, spell)
    found = look_at(tools, points, spell.ends_on, made.standard_density)
    warn = made.calibration_lapse == Lapse.WARN
    wanted = wanted_quantities({point.kind for point in points})
    return [
        replace(
            _candidate(
                tool,
                str(tool),
                clashes[tool.id],
                [*found[tool.id], *_of_no_use(tool, wanted)],
                warn=warn,
            ),
            beside=not wanted & _quantities(tool),
        )
        for tool in tools
    ]


def _quantities(tool: Instrument) -> set[Quantity]:
    return {Quantity(one.quantity) for one in tool.ranges.all()}


def _of_no_use(tool: Instrument, wanted: frozenset[Quantity]) -> list[Finding]:
    if not wanted or (wanted | BESIDE) & _quantities(tool):
        return []
    return [Finding("It shows nothing that the job's points call for.", serious=False)]


def wanted_quantities(kinds: Collection[str]) -> frozenset[Quantity]:
    """What instruments of a job have to show, by the kinds of its points."""
    return frozenset().union(*(quantities for kind, _, quantities, _ in CALLED_FOR if kind in kinds))


def _candidate(
    row: Member | Instrument,
    name: str,
    clashes: Sequence[Any],
    found: Sequence[Finding] = (),
    *,
    warn: bool = False,
) -> Candidate:
    refused = [one.words for one in clashes] + [one.detail for one in found if one.serious and not warn]
    remarks = [one.detail for one in found if warn or not one.serious]
    return Candidate(row.id, name, tuple(refused), tuple(remarks))


def the_job(actor: Actor, job_id: UUID) -> Job:
    """A job to be planned, with its site. Raises NotFound."""
    found = visible_jobs(actor).filter(id=job_id).first()
    if found is None:
        raise NotFound(gettext("There is no such job here."))
    return found


def week_of(day: date) -> date:
    """The Monday of its week (ISO 8601)."""
    return day - timedelta(days=day.weekday())


def now_at(company: Company) -> datetime:
    return timezone.localtime(timezone=ZoneInfo(company.time_zone))
