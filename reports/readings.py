"""The readings behind a report as CSV, and instruments with certificates as the report lists them."""

import csv
import io
from collections.abc import Iterable, Iterator
from datetime import timedelta
from typing import Any

from jobs.models import Certificate, Instrument, InstrumentKind, InstrumentRange, Quantity
from jobs.sheets.inert import inert
from measurements.models import Session
from reports import document as doc
from reports.ledger import KELVIN
from reports.material import Material
from reports.reviewset import originals

HEAD = (
    "system", "point", "session", "method", "measured_by", "place", "run", "line", "number", "kind",
    "quantity", "value_si", "unit_si", "entered", "unit", "taken_at", "instrument", "status",
)  # fmt: skip
SI = {
    Quantity.PRESSURE: "Pa",
    Quantity.VELOCITY: "m/s",
    Quantity.FLOW: "m3/s",
    Quantity.TEMPERATURE: "K",
    Quantity.HUMIDITY: "1",
    Quantity.ABSOLUTE_PRESSURE: "Pa",
    Quantity.LENGTH: "m",
    Quantity.FACTOR: "1",
    Quantity.SPEED: "1/s",
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.POWER: "W",
    Quantity.CARBON_DIOXIDE: "1",
    Quantity.CONCENTRATION: "1/m3",
    Quantity.SOUND_LEVEL: "dB",
}


def csv_bytes(collected: Material) -> bytes:
    """Every reading and sample of the sessions that count, UTF-8, one a row, in the order of the report.

    After a corrected session comes its original, with the same digits; after all, what is void. `status` says
    of each row whether it counts.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(HEAD)
    found = collected.found
    for one in found.measured:
        made = found.corrections.get(one.session.id)
        writer.writerows(_rows(one.session, collected, "counts, corrected" if made else "counts"))
        for old in originals(one, found):
            writer.writerows(_rows(old, collected, "original of a correction"))
    for left in found.left:
        if left.notes:
            writer.writerows(_rows(left.session, collected, "void"))
    return text.getvalue().encode()


def _rows(session: Session, collected: Material, status: str) -> Iterator[tuple[Any, ...]]:
    head = (
        inert(session.test_point.system.tag),
        inert(session.test_point.tag),
        str(session.id),
        session.method,
        inert(session.member.name),
    )
    for row in collected.readings.get(session.id, []):
        serial = _serial(row.instrument_id, collected)
        yield (
            *head, row.place, row.run, row.line, row.point, "reading", row.quantity, repr(row.value),
            SI[Quantity(row.quantity)], row.entered, row.unit, _stamp(row.taken_at), serial, status,
        )  # fmt: skip
    for sweep in collected.sweeps.get(session.id, []):
        yield from _samples(head, sweep, _serial(sweep.instrument_id, collected), status)


def _samples(head: tuple[Any, ...], sweep: Any, serial: str, status: str) -> Iterator[tuple[Any, ...]]:
    unit = SI[Quantity(sweep.quantity)]
    if not sweep.samples:
        yield (
            *head, "", sweep.run, sweep.line, "", "sweep mean", sweep.quantity, repr(sweep.mean), unit,
            sweep.entered, sweep.unit, _stamp(sweep.started_at), serial, status,
        )  # fmt: skip
    step = sweep.duration_s / len(sweep.samples) if sweep.samples else 0.0
    for n, value in enumerate(sweep.samples, 1):
        at = sweep.started_at + timedelta(seconds=step * (n - 0.5))
        yield (
            *head, "", sweep.run, sweep.line, n, "sweep sample", sweep.quantity, repr(value), unit, "",
            sweep.unit, _stamp(at), serial, status,
        )  # fmt: skip


def _stamp(moment: Any) -> str:
    return str(moment.isoformat(timespec="milliseconds"))


def _serial(instrument_id: Any, collected: Material) -> str:
    return inert(collected.key(instrument_id)) if instrument_id else ""


def instrument(one: Instrument, certificates: Iterable[Any]) -> doc.Instrument:
    """An instrument of the register with the certificates that were in force."""
    held = sorted(certificates, key=lambda c: (c.calibrated_on, c.number))
    return doc.Instrument(
        key=one.serial,
        kind=InstrumentKind(one.kind).label,
        serial=one.serial,
        name=one.name,
        note="; ".join(_notes(one)),
        certificates=tuple(part for c in held for part in _certificate(c)),
    )


def _notes(one: Instrument) -> Iterator[str]:
    for reach in sorted(one.ranges.all(), key=lambda r: (r.quantity, r.minimum)):
        yield _range(reach)
    if one.probe_factor is not None:
        spread = f" ± {one.probe_factor_u:g} (standard)" if one.probe_factor_u is not None else ""
        yield f"factor {one.probe_factor:g}{spread}"
    if one.probe_length_m is not None:
        yield f"reach {one.probe_length_m:g} m"


def _range(reach: InstrumentRange) -> str:
    quantity, unit = Quantity(reach.quantity), SI[Quantity(reach.quantity)]
    low, high, name = reach.minimum, reach.maximum, quantity.value.replace("_", " ")
    if quantity is Quantity.TEMPERATURE:
        low, high, unit = low - KELVIN, high - KELVIN, "°C"
    unit = "" if unit == "1" else f" {unit}"
    return f"{name} {low:g} to {high:g}{unit}, resolution {reach.resolution:g}{unit}"


def _certificate(one: Certificate) -> Iterator[doc.Certificate]:
    """A certificate once for each quantity that it certifies."""
    points = sorted(one.points.all(), key=lambda p: (p.quantity, p.reference))
    for quantity in dict.fromkeys(p.quantity for p in points):
        yield doc.Certificate(
            number=one.number,
            laboratory=one.laboratory,
            quantity=_quantity(quantity),
            calibrated=one.calibrated_on,
            due=one.due_on,
            points=tuple(_point(p) for p in points if p.quantity == quantity),
        )


def _quantity(quantity: str) -> doc.Quantity:
    return doc.Quantity.NUMBER if quantity == Quantity.FACTOR else doc.Quantity(quantity)


def _point(point: Any) -> doc.CertificatePoint:
    off = KELVIN if point.quantity == Quantity.TEMPERATURE else 0.0
    as_found = point.as_left if point.as_found is None else point.as_found
    return doc.CertificatePoint(
        reference=point.reference - off,
        as_found=as_found - off,
        as_left=point.as_left - off,
        expanded=point.expanded_uncertainty,
        coverage=point.coverage_factor,
    )
