"""Changes of instruments, certificates and checks in the house."""

from datetime import date
from itertools import repeat
from typing import Annotated, Any

import strawberry

from config.graphql.changes.base import Asked, Outcome, Repeats, change
from config.graphql.changes.inputs import strictly
from config.graphql.instruments import Certificate, Instrument, IntervalCheck
from jobs import certificate_table, instruments
from jobs.access import Action
from jobs.queries import visible_certificates
from jobs.rest import instrument_shapes as shapes
from jobs.rest.certificates import existing_instrument
from measurements.interval_checks import record_check
from measurements.rest.checks import CheckIn, fields_of

ANSWERED = Repeats.ANSWERED
Text = Annotated[str, strawberry.argument(description="The table as CSV; a workbook is sent by REST.")]
Preview = Annotated[bool, strawberry.argument(description="true: say what would be entered only.")]


@strawberry.type
class InstrumentOutcome(Outcome):
    instrument: Instrument | None = None


@strawberry.type
class CertificateOutcome(Outcome):
    certificate: Certificate | None = None


@strawberry.type
class IntervalCheckOutcome(Outcome):
    check: IntervalCheck | None = None


@strawberry.type(description="A certificate of a table.")
class TableCertificate:
    serial: str
    number: str
    calibrated_on: date
    due_on: date
    lines: int
    row: int = strawberry.field(description="Its first row in the table.")
    certificate: Certificate | None = strawberry.field(description="Null in a preview.")


@strawberry.type(description="What a table entered or, of a preview, would enter.")
class CertificateTableOutcome(Outcome):
    stored: bool | None = None
    certificates: list[TableCertificate] | None = None
    notes: list[str] | None = None


@change(Action.MANAGE_INSTRUMENTS, takes=shapes.InstrumentIn, repeats=ANSWERED)
def instrument_add(asked: Asked) -> InstrumentOutcome:
    """Register an instrument with its ranges."""
    row = instruments.add_instrument(asked.actor, **shapes.instrument_fields(asked.given))
    return InstrumentOutcome.of(instrument=row)


@change(Action.MANAGE_INSTRUMENTS, "instrument", takes=shapes.InstrumentChange, part=True, seen=int)
def instrument_change(asked: Asked) -> InstrumentOutcome:
    """Change some fields; `ranges` replaces all ranges. `inService: false` takes it out of planning."""
    seen, changes = asked.version, shapes.instrument_fields(asked.given)
    ranges = changes.pop("ranges", None)
    row = instruments.change_instrument(
        asked.actor, asked.at("instrument"), seen=seen, changes=changes, ranges=ranges
    )
    return InstrumentOutcome.of(instrument=row)


@change(Action.MANAGE_INSTRUMENTS, "instrument", takes=shapes.CertificateIn, repeats=ANSWERED)
def certificate_enter(asked: Asked) -> CertificateOutcome:
    """Enter a certificate with its points. It never changes; a wrong entry is superseded by another.

    With files, or in its digital form, it is entered by REST.
    """
    tool = existing_instrument(asked.actor, asked.at("instrument"))
    data = asked.given
    row = instruments.enter_certificate(
        asked.actor, instrument_id=tool.id, supersedes_id=data.pop("supersedes", None), **data
    )
    return CertificateOutcome.of(certificate=row)


@change(
    Action.MANAGE_INSTRUMENTS,
    repeats=ANSWERED,
    text=Text,
    preview=(Preview, False),
)
def certificate_table_enter(asked: Asked) -> CertificateTableOutcome:
    """Enter the certificates of many instruments from a table, all or nothing.

    One row a line, the rows of one certificate together. Faults name the cell, e.g. C7. At most 2 MB and 200
    certificates.
    """
    data = strictly(asked.args["text"]).encode()
    act = certificate_table.preview if asked.args["preview"] else certificate_table.enter_certificates
    found = act(asked.actor, data)
    ids = [one.id for one in found.stored]
    stored: dict[Any, Any] = visible_certificates(asked.actor).in_bulk(ids)
    rows = [stored[one] for one in ids] if ids else repeat(None, len(found.certificates))
    return CertificateTableOutcome.of(
        stored=bool(ids),
        notes=list(found.notes),
        certificates=[
            TableCertificate(
                serial=sent.serial,
                number=sent.number,
                calibrated_on=sent.calibrated_on,
                due_on=sent.due_on,
                lines=len(sent.lines),
                row=sent.row,
                certificate=row,
            )
            for (sent, _), row in zip(found.certificates, rows, strict=True)
        ],
    )


@change(Action.MEASURE, "instrument", takes=CheckIn, repeats=ANSWERED)
def interval_check_add(asked: Asked) -> IntervalCheckOutcome:
    """Enter a zero check, or a comparison of two instruments on one flow."""
    made = record_check(asked.actor, instrument_id=asked.at("instrument"), **fields_of(asked.given))
    return IntervalCheckOutcome.of(check=made)
