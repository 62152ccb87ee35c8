"""Instruments, their calibrations, their checks in the house."""

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any

import strawberry
from django.urls import reverse
from django.utils import timezone
from strawberry.scalars import JSON

from config.graphql.lists import NEWEST_FIRST, Connection, Filters, filters, many
from config.graphql.people import Member
from config.graphql.rows import Node, node, one, one_back, together
from jobs import instruments
from jobs import models as jobs
from jobs.http.graphql import actor_of
from jobs.rest.fields import SI
from jobs.rest.instruments import DUE_DAYS, INSTRUMENT_FILTERS
from measurements import models as measurements

if TYPE_CHECKING:
    from config.graphql.recalls import Recall

INSTRUMENTS: Filters = filters(
    INSTRUMENT_FILTERS,
    kind=(str, f"One of {', '.join(jobs.InstrumentKind.values)}."),
    in_service=(bool, "Only those in service, or only the others."),
    serial=(str, "Only the one with this serial number."),
)


@node(jobs.InstrumentRange, "What the maker promises for one quantity, SI.")
class InstrumentRange(Node):
    quantity: str
    minimum: float
    maximum: float
    resolution: float
    accuracy_absolute: float
    accuracy_of_reading: float = strawberry.field(description="Share of the reading.")
    accuracy_of_span: float = strawberry.field(description="Share of the span.")

    @strawberry.field
    def unit(root: Any) -> str:
        return SI[jobs.Quantity(root.quantity)]


@node(jobs.CertificatePoint, "One point of a calibration, SI.")
class CertificatePoint(Node):
    quantity: str
    reference: float
    as_found: float | None
    as_left: float
    expanded_uncertainty: float
    coverage_factor: float
    entered: str = strawberry.field(description="As the certificate prints it.")

    @strawberry.field
    def unit(root: Any) -> str:
        return SI[jobs.Quantity(root.quantity)]


@node(jobs.CertificateFile, "A file that came with a certificate, whose digest has its SHA-256.")
class CertificateFile(Node):
    name: str
    kind: str
    size: int = strawberry.field(description="Bytes.")
    sha256: str

    @strawberry.field(description="Where to fetch it, with the same token.")
    def url(root: Any) -> str:
        return reverse("api-certificate-file", args=[root.certificate_id, root.pk])


@node(jobs.Certificate, "A calibration as the laboratory certified it. Never changed, superseded by another.")
class Certificate(Node):
    number: str
    laboratory: str
    accreditation: str
    calibrated_on: date
    due_on: date
    instrument: Annotated["Instrument", strawberry.lazy("config.graphql.instruments")] | None = one(
        "instrument"
    )
    supersedes: Annotated["Certificate", strawberry.lazy("config.graphql.instruments")] | None = one(
        "supersedes", "The wrong entry that this one puts right."
    )
    superseded_by: Annotated["Certificate", strawberry.lazy("config.graphql.instruments")] | None = one_back(
        jobs.Certificate, "supersedes"
    )
    entered_by: Member | None = one("entered_by")
    entered_at: datetime
    digest: str
    points: Connection[CertificatePoint] = many(jobs.CertificatePoint, "certificate")
    files: Connection[CertificateFile] = many(jobs.CertificateFile, "certificate")


@node(measurements.IntervalCheck, "A check in the house with what follows from it. SI; U with k = 2.")
class IntervalCheck(Node):
    kind: str
    quantity: str
    at: datetime
    instrument: Annotated["Instrument", strawberry.lazy("config.graphql.instruments")] | None = one(
        "instrument"
    )
    other: Annotated["Instrument", strawberry.lazy("config.graphql.instruments")] | None = one(
        "other", "The other instrument of a comparison."
    )
    member: Member | None = one("member")
    entered_at: datetime
    readings: JSON = strawberry.field(description="Each as it was shown, by instrument.")
    value: float
    value_expanded: float
    other_value: float | None
    other_expanded: float | None
    common_expanded: float | None
    en: float | None = strawberry.field(description="Both agree when its magnitude is 1 or less.")
    limit: float | None
    outcome: str
    reason: str
    note: str
    supersedes: Annotated["IntervalCheck", strawberry.lazy("config.graphql.instruments")] | None = one(
        "supersedes"
    )
    superseded_by: Annotated["IntervalCheck", strawberry.lazy("config.graphql.instruments")] | None = (
        one_back(measurements.IntervalCheck, "supersedes")
    )
    why: str = strawberry.field(description="Why it supersedes.")


@node(jobs.Instrument, "An instrument, known by its serial number.")
class Instrument(Node):
    serial: str
    name: str
    kind: str
    maker: str
    in_service: bool
    probe_length_m: float | None
    probe_factor: float | None
    probe_factor_u: float | None = strawberry.field(description="Standard uncertainty of the factor.")
    created_at: datetime
    version: int
    ranges: Connection[InstrumentRange] = many(jobs.InstrumentRange, "instrument")
    certificates: Connection[Certificate] = many(
        jobs.Certificate,
        "instrument",
        "Superseded entries too, the newest entry first.",
        order=NEWEST_FIRST,
    )
    checks: Connection[IntervalCheck] = many(
        measurements.IntervalCheck,
        "instrument",
        "Checks in the house, newest first, superseded ones too.",
        order=NEWEST_FIRST,
    )
    recalls: Connection[Annotated["Recall", strawberry.lazy("config.graphql.recalls")]] = many(
        measurements.RecallCase, "instrument", order=NEWEST_FIRST
    )


@strawberry.type(description="An instrument and a quantity of it that need a calibration.")
class DueCalibration:
    instrument: Instrument
    quantity: str
    state: str
    due_on: date | None
    certificate: Certificate | None = strawberry.field(description="The one that counts; null without one.")


def calibrations_due(info: strawberry.Info, until: date | None = None) -> list[DueCalibration]:
    today = timezone.now().date()
    last = until or today + timedelta(days=DUE_DAYS)
    found = instruments.due_list(actor_of(info), on=today, until=last)
    together(row.instrument for row in found)
    together(row.certificate for row in found if row.certificate)
    return found  # type: ignore[return-value]  # rows stand for their types
