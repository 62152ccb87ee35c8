"""The register of instruments, their certificates, and which certificate counts on a day.

SI throughout. Certificates are append-only: a wrong entry is superseded by another, which then counts in its
place for all time; results keep the certificates that they used.
"""

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Prefetch
from django.utils import timezone
from django.utils.translation import gettext

from jobs import attachments, due, events, quotas
from jobs.access import Action, Actor, require
from jobs.attachments import Attachment
from jobs.errors import Conflict, Fault
from jobs.models import (
    Certificate,
    CertificateFile,
    CertificatePoint,
    Instrument,
    InstrumentKind,
    InstrumentRange,
    Quantity,
)
from jobs.queries import visible_certificates, visible_instruments
from jobs.rows import apply, check, check_single, locked, related, seen_as

# What is often used without a certificate: a standard tube's factor follows from its shape (ISO 3966).
WITHOUT_CERTIFICATE = frozenset({Quantity.FACTOR, Quantity.LENGTH})
MOST_POINTS, MOST_RANGES = 500, 60
ENTERED = "certificate"
"""Work that is due once a certificate is entered: what does it say of readings taken before?"""


@dataclass(frozen=True)
class Range:
    """What the maker promises for one quantity, SI. Accuracy adds as |a| + |b|·reading + |c|·span."""

    quantity: Quantity
    minimum: float
    maximum: float
    resolution: float
    accuracy_absolute: float = 0.0
    accuracy_of_reading: float = 0.0
    accuracy_of_span: float = 0.0


@dataclass(frozen=True)
class Point:
    """One line of a certificate, SI; `entered` is how it is printed there, with its unit."""

    quantity: Quantity
    reference: float
    as_left: float
    expanded_uncertainty: float
    coverage_factor: float = 2.0
    as_found: float | None = None
    entered: str = ""


class CertificateState(StrEnum):
    """What holds for an instrument and a quantity on a day."""

    IN_FORCE = "in_force"
    OVERDUE = "overdue"
    NOT_YET = "not_yet"
    NONE = "none"


@dataclass(frozen=True)
class InForce:
    """The certificate that counts on a day. Overdue: the last one before; its corrections are the best there
    are, and the use is nonconforming. Not yet or none: no certificate, and no points."""

    state: CertificateState
    certificate: Certificate | None = None
    points: tuple[CertificatePoint, ...] = ()

    @property
    def holds(self) -> bool:
        return self.state is CertificateState.IN_FORCE


@dataclass(frozen=True)
class Use:
    """An instrument read for a quantity on a day (the date where it was read)."""

    instrument_id: UUID
    on: date
    quantity: Quantity


@transaction.atomic
def add_instrument(
    actor: Actor,
    *,
    serial: str,
    name: str,
    kind: InstrumentKind | str,
    ranges: Sequence[Range] = (),
    maker: str = "",
    probe_length_m: float | None = None,
    probe_factor: float | None = None,
    probe_factor_u: float | None = None,
) -> Instrument:
    """Registers an instrument. Raises Invalid, or Conflict when the serial number is known already."""
    require(actor, Action.MANAGE_INSTRUMENTS)
    row = Instrument(
        serial=serial,
        name=name,
        kind=kind,
        maker=maker,
        probe_length_m=probe_length_m,
        probe_factor=probe_factor,
        probe_factor_u=probe_factor_u,
    )
    check(row, [*_probe_faults(row), *_range_faults(ranges)])
    check_single(row, "/serial", "serial")
    row.save(force_insert=True)
    _write_ranges(row, ranges)
    events.record(actor, "instrument.added", "instrument", row.id, data={"serial": serial})
    return row


@transaction.atomic
def change_instrument(
    actor: Actor,
    instrument_id: UUID,
    *,
    seen: int,
    changes: Mapping[str, Any],
    ranges: Sequence[Range] | None = None,
) -> Instrument:
    """Changes fields, and its ranges as a whole when given. Raises NotFound, PreconditionFailed, Invalid,
    Conflict."""
    require(actor, Action.MANAGE_INSTRUMENTS)
    row: Instrument = locked(Instrument.objects.all(), actor, instrument_id)
    seen_as(row, seen)
    differing = apply(row, changes)
    check(row, [*_probe_faults(row), *_range_faults(ranges or ())])
    check_single(row, "/serial", "serial")
    if ranges is not None:
        row.version += not differing
        row.ranges.all().delete()
        _write_ranges(row, ranges)
        differing |= {"ranges": (None, None)}
    if differing:
        row.save(update_fields=[*(differing.keys() - {"ranges"}), "version"])
        events.record(actor, "instrument.changed", "instrument", row.id, data={"fields": sorted(differing)})
    return row


def _write_ranges(row: Instrument, ranges: Sequence[Range]) -> None:
    InstrumentRange.objects.bulk_create([InstrumentRange(instrument=row, **asdict(one)) for one in ranges])


def _probe_faults(row: Instrument) -> list[Fault]:
    found = []
    for name, low, high in (
        ("probe_length_m", 0.05, 20.0),
        ("probe_factor", 0.3, 3.0),
        ("probe_factor_u", 0.0, 0.5),
    ):
        value = getattr(row, name)
        if value is not None and not low <= value <= high:
            found.append(
                Fault(
                    f"/{name.removesuffix('_m')}",
                    gettext("must be from %(low)s to %(high)s") % {"low": f"{low:g}", "high": f"{high:g}"},
                )
            )
    if row.probe_factor_u is not None and row.probe_factor is None:
        found.append(Fault("/probe_factor_u", gettext("is the uncertainty of a factor that is not given")))
    return found


def _range_faults(ranges: Sequence[Range]) -> list[Fault]:
    if len(ranges) > MOST_RANGES:
        return [
            Fault("/ranges", gettext("has more than %(most_ranges)s ranges") % {"most_ranges": MOST_RANGES})
        ]
    found, seen = [], set()
    for index, one in enumerate(ranges):
        here = f"/ranges/{index}"
        parts = (one.accuracy_absolute, one.accuracy_of_reading, one.accuracy_of_span)
        if not all(map(math.isfinite, (one.minimum, one.maximum, one.resolution, *parts))):
            found.append(Fault(here, gettext("has a figure that is not finite")))
        elif not one.minimum < one.maximum:
            found.append(Fault(f"{here}/maximum", gettext("must be above the minimum")))
        elif not 0.0 < one.resolution <= one.maximum - one.minimum:
            found.append(Fault(f"{here}/resolution", gettext("must be above 0 and no more than the span")))
        if any(part < 0.0 for part in parts):
            found.append(Fault(here, gettext("accuracy is given without a sign")))
        if one.accuracy_of_reading > 1.0 or one.accuracy_of_span > 1.0:
            found.append(Fault(here, gettext("accuracy of reading and span are shares, e.g. 0.01 for 1 %")))
        if (one.quantity, one.minimum) in seen:
            found.append(Fault(here, gettext("is a second range of this quantity with the same minimum")))
        seen.add((one.quantity, one.minimum))
    return found


@transaction.atomic
def enter_certificate(
    actor: Actor,
    *,
    instrument_id: UUID,
    number: str,
    laboratory: str,
    calibrated_on: date,
    due_on: date,
    points: Sequence[Point],
    accreditation: str = "",
    supersedes_id: UUID | None = None,
    files: Sequence[Attachment] = (),
) -> Certificate:
    """Enters a certificate with its points and the files that came with it; `supersedes_id` names the entry
    that it puts right.

    Raises Invalid, or Conflict when the instrument has a certificate of this number that nothing superseded,
    or somebody superseded the same entry already.
    """
    require(actor, Action.MANAGE_INSTRUMENTS)
    tool = related(Instrument.objects.select_for_update(), actor, instrument_id, "/instrument")
    row = Certificate(
        instrument=tool,
        number=number,
        laboratory=laboratory,
        accreditation=accreditation,
        calibrated_on=calibrated_on,
        due_on=due_on,
        supersedes=_superseded(actor, tool, supersedes_id),
        entered_by_id=actor.member_id,
    )
    row.digest = "-"  # over checked content only; a figure that is not finite has no digest
    check(row, [*_date_faults(row), *_point_faults(tool, points), *attachments.attachment_faults(files)])
    _check_number(row)
    if files:
        quotas.require_room(quotas.Kind.STORED_BYTES, sum(len(one.data) for one in files))
    attached = attachments.new_rows(row, files)
    row.digest = events.digest(certificate_content(row, points, attached))
    row.save(force_insert=True)
    lines = [CertificatePoint(certificate=row, **asdict(one)) for one in points]
    CertificatePoint.objects.bulk_create(lines)
    CertificateFile.objects.bulk_create(attached)
    events.record(
        actor,
        "certificate.entered",
        "certificate",
        row.id,
        data={
            "instrument": str(tool.id),
            "number": number,
            "supersedes": _text(supersedes_id),
            "row": events.row_digest(row, *lines, *attached),
        },
        content_digest=row.digest,
    )
    due.schedule(ENTERED, row.id)
    attachments.store(attached, files)
    return row


def certificate_content(
    row: Certificate, points: Iterable[Point | CertificatePoint], files: Iterable[CertificateFile] = ()
) -> dict[str, Any]:
    """What the digest of a certificate covers: all but who entered it and when. A file stands for itself by
    its SHA-256."""
    attached = sorted((str(one.sha256), str(one.kind), one.name) for one in files)
    return {
        **({"files": [list(one) for one in attached]} if attached else {}),
        "instrument": str(row.instrument_id),
        "number": row.number,
        "laboratory": row.laboratory,
        "accreditation": row.accreditation,
        "calibrated_on": row.calibrated_on.isoformat(),
        "due_on": row.due_on.isoformat(),
        "supersedes": _text(row.supersedes_id),
        "points": sorted(
            (_line(one) for one in points), key=lambda line: (line["quantity"], line["reference"])
        ),
    }


def _line(point: Point | CertificatePoint) -> dict[str, Any]:
    return {
        "quantity": str(point.quantity),
        "reference": float(point.reference),
        "as_found": None if point.as_found is None else float(point.as_found),
        "as_left": float(point.as_left),
        "expanded_uncertainty": float(point.expanded_uncertainty),
        "coverage_factor": float(point.coverage_factor),
        "entered": point.entered,
    }


def _text(value: UUID | None) -> str | None:
    return str(value) if value else None


def _superseded(actor: Actor, tool: Instrument, certificate_id: UUID | None) -> Certificate | None:
    if certificate_id is None:
        return None
    found: Certificate = related(
        Certificate.objects.filter(instrument=tool), actor, certificate_id, "/supersedes"
    )
    if Certificate.objects.filter(supersedes=found).exists():
        raise Conflict(
            gettext("That entry is superseded already."),
            [Fault("/supersedes", gettext("name the newest entry"))],
        )
    return found


def _check_number(row: Certificate) -> None:
    same = Certificate.objects.filter(
        instrument_id=row.instrument_id, number=row.number, superseded_by__isnull=True
    )
    if same.exclude(id=row.supersedes_id).exists():
        raise Conflict(
            gettext(
                "This instrument has a certificate of that number already; to put it right, supersede it."
            ),
            [Fault("/number", gettext("is taken already"))],
        )


def _date_faults(row: Certificate) -> list[Fault]:
    found = []
    # A day of grace: it may be tomorrow where the laboratory is.
    if row.calibrated_on > timezone.now().date() + timedelta(days=1):
        found.append(Fault("/calibrated_on", gettext("lies in the future")))
    if row.due_on <= row.calibrated_on:
        found.append(Fault("/due_on", gettext("must be after the day of calibration")))
    return found


def _point_faults(tool: Instrument, points: Sequence[Point]) -> list[Fault]:
    if not 1 <= len(points) <= MOST_POINTS:
        return [
            Fault("/points", gettext("must be 1 to %(most_points)s lines") % {"most_points": MOST_POINTS})
        ]
    shown = {one.quantity for one in tool.ranges.all()}
    if tool.probe_factor is not None:
        shown.add(Quantity.FACTOR)
    found, seen = [], set()
    for index, one in enumerate(points):
        here = f"/points/{index}"
        figures = (
            one.reference,
            one.as_left,
            one.expanded_uncertainty,
            one.coverage_factor,
            one.as_found or 0.0,
        )
        if not all(map(math.isfinite, figures)):
            found.append(Fault(here, gettext("has a figure that is not finite")))
        if one.quantity not in shown:
            found.append(
                Fault(f"{here}/quantity", gettext("the instrument has no range of this; add the range first"))
            )
        if one.expanded_uncertainty <= 0.0:
            found.append(
                Fault(
                    f"{here}/expanded_uncertainty", gettext("must be above 0, as the certificate states it")
                )
            )
        if not 1.0 <= one.coverage_factor <= 5.0:
            found.append(
                Fault(f"{here}/coverage_factor", gettext("must be from 1 to 5; most certificates state 2"))
            )
        if (one.quantity, one.reference) in seen:
            found.append(Fault(f"{here}/reference", gettext("stands twice for this quantity")))
        seen.add((one.quantity, one.reference))
    return found


def day_of(at: date | datetime) -> date:
    """The calendar day of a moment in its own offset: a tablet's local day, as certificates mean it."""
    return at.date() if isinstance(at, datetime) else at


def certificate_in_force(instrument_id: UUID, at: date | datetime, quantity: Quantity) -> InForce:
    """The certificate that counts for one reading. A certificate holds through its due day."""
    use = Use(instrument_id, day_of(at), quantity)
    return certificates_in_force([use])[use]


def certificates_in_force(uses: Collection[Use]) -> dict[Use, InForce]:
    """The certificates that count for many readings, in two statements. Runs inside a company.

    Counted are entries that nothing superseded and that have a point of the quantity; the one calibrated last
    before or on the day counts, of several on one day the one entered last.
    """
    known = _known_certificates({use.instrument_id for use in uses})
    return {use: _choose(known.get((use.instrument_id, use.quantity), ()), use) for use in set(uses)}


Known = dict[tuple[UUID, Quantity], list[Certificate]]


def _known_certificates(instruments: Collection[UUID]) -> Known:
    """By instrument and quantity, newest first."""
    found = Certificate.objects.filter(instrument_id__in=instruments, superseded_by__isnull=True)
    points = CertificatePoint.objects.order_by("quantity", "reference")
    known: Known = {}
    for row in found.order_by("-calibrated_on", "-id").prefetch_related(Prefetch("points", points)):
        for quantity in {Quantity(point.quantity) for point in row.points.all()}:
            known.setdefault((row.instrument_id, quantity), []).append(row)
    return known


def _choose(newest_first: Sequence[Certificate], use: Use) -> InForce:
    row = next((one for one in newest_first if one.calibrated_on <= use.on), None)
    if row is None:
        return InForce(CertificateState.NOT_YET if newest_first else CertificateState.NONE)
    state = CertificateState.IN_FORCE if use.on <= row.due_on else CertificateState.OVERDUE
    return InForce(state, row, tuple(p for p in row.points.all() if p.quantity == use.quantity))


@dataclass(frozen=True)
class Due:
    """An instrument that needs a calibration: for which quantity, what holds today, and until when."""

    instrument: Instrument
    quantity: Quantity
    state: CertificateState
    due_on: date | None
    certificate: Certificate | None = None


def due_list(actor: Actor, *, on: date, until: date) -> list[Due]:
    """Instruments in service whose certificates end by `until` or are missing on `on`, most urgent first."""
    tools = list(visible_instruments(actor).filter(in_service=True))
    uses = {
        Use(tool.id, on, Quantity(one.quantity)): tool
        for tool in tools
        for one in tool.ranges.all()
        if one.quantity not in WITHOUT_CERTIFICATE
    }
    rows = []
    for use, found in certificates_in_force(uses).items():
        due_on = found.certificate.due_on if found.certificate else None
        if due_on is None or due_on <= until:
            rows.append(Due(uses[use], use.quantity, found.state, due_on, found.certificate))
    return sorted(rows, key=lambda row: (row.due_on or date.min, row.instrument.serial, row.quantity))


def certificates_of(actor: Actor, instrument_id: UUID) -> list[Certificate]:
    """All entries of an instrument, superseded ones too, newest calibration first."""
    return list(
        visible_certificates(actor).filter(instrument_id=instrument_id).order_by("-calibrated_on", "-id")
    )
