"""A session with all that its evaluation needs, in a constant number of statements."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cached_property
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Prefetch

from jobs.errors import NotFound
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
from measurements.models import Reading, Session, Sweep

QUANTITY_OF_USE = {
    "pressure": Quantity.PRESSURE,
    "probe": Quantity.FACTOR,
    "temperature": Quantity.TEMPERATURE,
    "humidity": Quantity.HUMIDITY,
    "barometer": Quantity.ABSOLUTE_PRESSURE,
    "hood": Quantity.FLOW,
    "velocity": Quantity.VELOCITY,
}
"""What an instrument is used for in a session, and the quantity it then shows."""


@dataclass(frozen=True)
class Tool:
    """An instrument in one use, with the certificate that stood when it was read.

    `certificate` is the last one calibrated on or before that day, also when it had lapsed by then; None
    when there was none. Lists hold the used quantity only.
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
    found = Session.objects.select_related("job__site", "test_point__system", "member")
    session = found.filter(id=session_id).first()
    if session is None:
        raise NotFound("There is no session by that id.")
    day = local_day(session.started_at, session.job.site.time_zone)
    used = {use: UUID(i) for use, i in session.content["instruments"].items()}
    return Loaded(
        session=session,
        readings=list(Reading.objects.filter(session=session_id).order_by("id")),
        sweeps=list(Sweep.objects.filter(session=session_id).order_by("id")),
        tools=load_tools(used, day),
        company=Company.objects.get(id=current_company()),
        superseded=Session.objects.filter(supersedes=session_id).exists(),
        assigned=list(PersonAssignment.objects.filter(job=session.job_id, member=session.member_id)),
    )


def load_tools(used: dict[str, UUID], day: date) -> dict[str, Tool]:
    """By use. `day`: when they were read."""
    certificates = Certificate.objects.filter(calibrated_on__lte=day).prefetch_related("points")
    certificates = certificates.order_by("-calibrated_on", "-id")
    found = Instrument.objects.filter(id__in=set(used.values())).prefetch_related(
        "ranges", Prefetch("certificates", queryset=certificates)
    )
    instruments = {one.id: one for one in found}
    return {use: tool(use, instruments[one], day) for use, one in used.items() if one in instruments}


def tool(use: str, instrument: Instrument, day: date) -> Tool:
    quantity = QUANTITY_OF_USE[use].value
    certificate = in_force(instrument.certificates.all())
    return Tool(
        use=use,
        quantity=quantity,
        instrument=instrument,
        used_on=day,
        ranges=tuple(sorted(_of(instrument.ranges.all(), quantity), key=lambda r: (r.maximum, r.minimum))),
        certificate=certificate,
        points=tuple(_of(certificate.points.all(), quantity)) if certificate else (),
    )


def _of(rows: Iterable[Any], quantity: str) -> list[Any]:
    return [row for row in rows if row.quantity == quantity]


def in_force(newest_first: Iterable[Certificate]) -> Certificate | None:
    """The newest that no other of these supersedes."""
    rows = list(newest_first)
    superseded = {row.supersedes_id for row in rows}
    return next((row for row in rows if row.id not in superseded), None)
