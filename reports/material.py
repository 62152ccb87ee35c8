"""What the sheets of a report are made from: the review set with readings, instruments and certificates.

Read once, in a constant number of statements; building the sheets afterwards asks the database nothing.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from jobs.models import Certificate, Instrument, Member
from measurements.models import Reading, Result, Session, Sweep
from reports import document as doc
from reports.reviewset import Measured, ReviewSet, originals


@dataclass(frozen=True)
class Material:
    """All rows behind a report. Times are given in the site's zone."""

    found: ReviewSet
    zone: ZoneInfo
    readings: dict[UUID, list[Reading]]
    sweeps: dict[UUID, list[Sweep]]
    instruments: dict[UUID, Instrument]
    certificates: dict[UUID, Certificate]
    old_results: dict[UUID, Result] = field(default_factory=dict)

    def local(self, moment: datetime) -> datetime:
        return moment.astimezone(self.zone)

    def person(self, member: Member, role: str, at: datetime | None = None) -> doc.Person:
        return doc.Person(name=member.name, role=role, at=self.local(at) if at else None)

    def key(self, instrument_id: UUID | str) -> str:
        """How sheets name an instrument: its serial number, which is unique in the company."""
        found = self.instruments.get(UUID(str(instrument_id)))
        return found.serial if found else str(instrument_id)

    def used(self, session: Session) -> dict[str, Instrument]:
        """Instruments of a session by use."""
        named = instruments_of(session)
        return {use: self.instruments[one] for use, one in named.items() if one in self.instruments}

    def held(self, one: Measured) -> list[tuple[Instrument, Certificate | None]]:
        """Instruments of a session with the certificates that its result rests on."""
        taken = certificates_of(one.result)
        return [
            (instrument, self.certificates.get(taken.get(instrument.id, instrument.id)))
            for instrument in self.used(one.session).values()
        ]


def instruments_of(session: Session) -> dict[str, UUID]:
    """Ids of a session's instruments by use."""
    return {use: UUID(str(one)) for use, one in (session.content.get("instruments") or {}).items() if one}


def certificates_of(result: Result | None) -> dict[UUID, UUID]:
    """By instrument, the certificate that a result was corrected by."""
    rows = result.inputs.get("certificates") or [] if result else []
    return {UUID(row["instrument"]): UUID(row["certificate"]) for row in rows if row.get("certificate")}


def collect(found: ReviewSet) -> Material:
    """Reads what a review set needs to become sheets."""
    listed = [s for one in found.measured for s in (one.session, *originals(one, found))]
    listed += [one.session for one in found.left if one.notes]
    ids = [session.id for session in listed]
    named = {one for session in listed for one in instruments_of(session).values()}
    old = [session.id for one in found.measured for session in one.replaced]
    return Material(
        found=found,
        zone=ZoneInfo(found.job.site.time_zone),
        readings=_by_session(
            Reading.objects.filter(session__in=ids).order_by("run", "line", "point", "taken_at", "id")
        ),
        sweeps=_by_session(Sweep.objects.filter(session__in=ids).order_by("run", "line", "started_at", "id")),
        instruments={
            one.id: one for one in Instrument.objects.filter(id__in=named).prefetch_related("ranges")
        },
        certificates={
            one.id: one
            for one in Certificate.objects.filter(
                id__in={c for one in found.measured for c in certificates_of(one.result).values()}
            ).prefetch_related("points")
        },
        old_results={
            row.session_id: row
            for row in Result.objects.filter(session__in=old).order_by("computed_at", "id")
        },
    )


def _by_session(rows: Iterable[Reading] | Iterable[Sweep]) -> dict[UUID, list]:  # type: ignore[type-arg]
    found = defaultdict(list)
    for row in rows:
        found[row.session_id].append(row)
    return dict(found)
