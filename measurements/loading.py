"""A session with all that its evaluation needs, in a constant number of statements."""

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from functools import cached_property
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models.fields.json import KeyTransform
from django.utils.translation import gettext

from jobs.errors import NotFound
from jobs.instruments import InForce, Use, certificates_in_force
from jobs.models import (
    Certificate,
    CertificatePoint,
    Company,
    Instrument,
    InstrumentRange,
    Job,
    PersonAssignment,
    Quantity,
    Site,
    TestPoint,
)
from jobs.tenancy.context import current_company
from measurements.current import counting
from measurements.methods import METHODS, MethodKind, Place
from measurements.models import Method, Outcome, Reading, Result, Session, SessionVoid, Sweep
from measurements.rule_parameters import Settings, in_force

QUANTITY_OF_USE = {
    "pressure": Quantity.PRESSURE,
    "probe": Quantity.FACTOR,
    "temperature": Quantity.TEMPERATURE,
    "humidity": Quantity.HUMIDITY,
    "barometer": Quantity.ABSOLUTE_PRESSURE,
    "hood": Quantity.FLOW,
    "velocity": Quantity.VELOCITY,
    "flow": Quantity.FLOW,
    "speed": Quantity.SPEED,
    "voltage": Quantity.VOLTAGE,
    "current": Quantity.CURRENT,
    "power": Quantity.POWER,
    "power_factor": Quantity.FACTOR,
    "carbon_dioxide": Quantity.CARBON_DIOXIDE,
    "particles": Quantity.CONCENTRATION,
    "sound": Quantity.SOUND_LEVEL,
    "water_pressure": Quantity.PRESSURE,
    "water_temperature": Quantity.TEMPERATURE,
}
"""What an instrument is used for in a session, and the quantity it then shows."""


POINTWISE = (Method.PITOT_TRAVERSE, Method.ANEMOMETER_TRAVERSE)
"""Traverses point by point, whose runs are pooled over a job."""


@dataclass(frozen=True)
class Tool:
    """An instrument in one use, with the certificate that stood when it was read.

    `certificate` is the last one for the used quantity calibrated on or before that day, also when it had
    lapsed by then; None when there was none. Lists hold the used quantity only.
    """

    use: str
    quantity: str
    instrument: Instrument
    used_on: date
    ranges: tuple[InstrumentRange, ...]
    certificate: Certificate | None
    points: tuple[CertificatePoint, ...]

    @property
    def lapsed(self) -> bool:
        """Whether the certificate's due day had passed. Good through that day itself."""
        return self.certificate is not None and self.certificate.due_on < self.used_on

    @property
    def name(self) -> str:
        return f"{self.instrument.name} {self.instrument.serial}"


@dataclass(frozen=True)
class Loaded:
    session: Session
    readings: list[Reading]
    sweeps: list[Sweep]
    tools: dict[str, Tool]
    company: Company
    superseded: bool
    assigned: list[PersonAssignment]
    other_runs: tuple[tuple[float, ...], ...] = ()
    """Flows of the runs of the job's other traverses by points, one tuple a session."""
    earlier: Result | None = None
    """What the fan test before this one found at the same fan, in this job."""
    void: bool = False
    settings: Settings = field(default_factory=Settings)
    """What the company set otherwise in the rules."""

    @property
    def job(self) -> Job:
        job: Job = self.session.job
        return job

    @property
    def point(self) -> TestPoint:
        point: TestPoint = self.session.test_point
        return point

    @property
    def site(self) -> Site:
        site: Site = self.job.site
        return site

    @property
    def content(self) -> dict[str, Any]:
        content: dict[str, Any] = self.session.content
        return content

    @property
    def kind(self) -> MethodKind:
        """What the session's method takes."""
        return METHODS[self.session.method]

    def rows_of(self, place: Place) -> list[Reading]:
        """Readings of a place, in the order of run, line and point."""
        names = {place.name, ""} if place is self.kind.places[0] else {place.name}
        found = [row for row in self.readings if row.place in names]
        return sorted(found, key=lambda row: (row.run, row.line, row.point, row.id))

    def rows_by(self, use: str) -> list[Reading]:
        """Readings that the instrument in this use showed."""
        return [row for place in self.kind.places if place.use == use for row in self.rows_of(place)]

    @property
    def velocity_pressures(self) -> list[Reading]:
        """Readings of velocity pressure, of the methods that take it."""
        first = self.kind.places[0]
        return self.rows_of(first) if first.name == "velocity_pressure" else []

    @cached_property
    def measured_on(self) -> date:
        """The site's calendar day of the session."""
        return local_day(self.session.started_at, self.site.time_zone)

    def si(self, part: str, name: str) -> float | None:
        """The SI value of a figure of the conditions or the plane, e.g. si("plane", "upstream")."""
        figure = (self.content.get(part) or {}).get(name)
        return float(figure["si"]) if figure else None


def local_day(moment: datetime, zone: str) -> date:
    """The calendar day of a moment at a place. An unknown zone counts as UTC."""
    try:
        return moment.astimezone(ZoneInfo(zone)).date()
    except (KeyError, ValueError, OSError):
        return moment.astimezone(UTC).date()


def load(session_id: UUID) -> Loaded:
    """Raises NotFound when the current company has no such session."""
    found = load_many([session_id])
    if not found:
        raise NotFound(gettext("There is no session by that id."))
    return found[0]


def load_many(sessions: Collection[UUID]) -> list[Loaded]:
    """Those that are there, in a number of statements that does not grow with them."""
    found = Session.objects.select_related("job__site", "test_point__system", "member")
    rows = list(found.filter(id__in=sessions))
    ids = [row.id for row in rows]
    readings = _grouped(Reading.objects.filter(session__in=ids).order_by("id"))
    sweeps = _grouped(Sweep.objects.filter(session__in=ids).order_by("id"))
    days = {row.id: local_day(row.started_at, row.job.site.time_zone) for row in rows}
    used = {row.id: {use: UUID(i) for use, i in row.content["instruments"].items()} for row in rows}
    tools = load_tools(used, days)
    company = Company.objects.get(id=current_company())
    settings = in_force()
    superseded = set(Session.objects.filter(supersedes__in=ids).values_list("supersedes", flat=True))
    void = set(SessionVoid.objects.filter(session__in=ids).values_list("session", flat=True))
    people = PersonAssignment.objects.filter(job__in={row.job_id for row in rows})
    runs = _runs({row.job_id for row in rows if row.method in POINTWISE})
    tests = _earlier_tests([row for row in rows if row.method == Method.FAN_TEST])
    assigned = list(people.filter(member__in={row.member_id for row in rows}))
    return [
        Loaded(
            session=row,
            readings=readings[row.id],
            sweeps=sweeps[row.id],
            tools=tools[row.id],
            company=company,
            superseded=row.id in superseded,
            void=row.id in void,
            assigned=[a for a in assigned if (a.job_id, a.member_id) == (row.job_id, row.member_id)],
            earlier=tests.get(row.id),
            settings=settings,
            other_runs=tuple(flows for other, flows in runs[row.job_id].items() if other != row.id),
        )
        for row in rows
    ]


def _earlier_tests(sessions: list[Session]) -> dict[UUID, Result]:
    """By session, the newest result of the fan test before it at the same point of the job."""
    if not sessions:
        return {}
    tests = counting(Session.objects.filter(job__in={s.job_id for s in sessions}))
    tests = tests.filter(method=Method.FAN_TEST, test_point__in={s.test_point_id for s in sessions})
    rows = Result.objects.filter(session__in=tests.values("id"), outcome=Outcome.COMPUTED)
    rows = rows.select_related("session").order_by("session__started_at", "computed_at", "id")
    results = list(rows)
    return {
        one.id: before[-1]
        for one in sessions
        if (before := [row for row in results if _is_before(row.session, one)])
    }


def _is_before(other: Session, one: Session) -> bool:
    here = (other.job_id, other.test_point_id) == (one.job_id, one.test_point_id)
    return here and other.started_at < one.started_at


def _runs(jobs: Collection[UUID]) -> dict[UUID, dict[UUID, tuple[float, ...]]]:
    """By job and session, the flows of the runs that the newest result found; sessions that count only."""
    found: dict[UUID, dict[UUID, tuple[float, ...]]] = defaultdict(dict)
    traverses = counting(Session.objects.filter(job__in=jobs, method__in=POINTWISE))
    rows = Result.objects.filter(session__in=traverses.values("id"), outcome=Outcome.COMPUTED)
    rows = rows.annotate(runs=KeyTransform("runs", "detail")).order_by("session_id", "computed_at", "id")
    for job, session, runs in rows.values_list("session__job_id", "session_id", "runs"):
        found[job][session] = tuple(run["flow"] for run in runs)
    return found


def _grouped(rows: Iterable[Any]) -> dict[UUID, list[Any]]:
    found = defaultdict(list)
    for row in rows:
        found[row.session_id].append(row)
    return found


def load_tools(used: dict[UUID, dict[str, UUID]], days: dict[UUID, date]) -> dict[UUID, dict[str, Tool]]:
    """By session and use. `days`: when they were read."""
    wanted = {one for named in used.values() for one in named.values()}
    found = Instrument.objects.filter(id__in=wanted).prefetch_related("ranges")
    instruments = {one.id: one for one in found}
    uses = {
        (session, use): Use(one, days[session], QUANTITY_OF_USE[use])
        for session, named in used.items()
        for use, one in named.items()
        if one in instruments
    }
    counted = certificates_in_force(set(uses.values()))
    tools: dict[UUID, dict[str, Tool]] = {session: {} for session in used}
    for (session, use), asked in uses.items():
        held = instruments[asked.instrument_id]
        tools[session][use] = tool(use, held, days[session], counted[asked])
    return tools


def tool(use: str, instrument: Instrument, day: date, counted: InForce) -> Tool:
    quantity = QUANTITY_OF_USE[use].value
    ranges = [one for one in instrument.ranges.all() if one.quantity == quantity]
    return Tool(
        use=use,
        quantity=quantity,
        instrument=instrument,
        used_on=day,
        ranges=tuple(sorted(ranges, key=lambda one: (one.maximum, one.minimum))),
        certificate=counted.certificate,
        points=counted.points,
    )
