"""Checks in the house between calibrations: zero, and comparison of two instruments on one flow.

A check is evidence of its own: readings as shown, means, uncertainties, the En number. It changes no
certificate and no result; it tells whether an instrument should go to the laboratory before its time.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import events
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, Fault, Forbidden, Invalid
from jobs.instruments import InForce, Use, certificates_in_force
from jobs.models import Instrument, InstrumentRange, Quantity
from jobs.queries import visible
from jobs.reasons import reason_of
from jobs.rows import check, locked, related
from jobs.units import UnknownUnit, find_unit
from measurements import calc
from measurements.calc.interval import en_number
from measurements.inputs import accuracy_of
from measurements.models import CheckKind, CheckOutcome, IntervalCheck

MOST_READINGS = 50
GRACE = timedelta(minutes=10)
HIGHEST, LONGEST_NOTE = 1e12, 2000
_NUMBER = re.compile(r"[+-]?[0-9]{1,15}(?:\.[0-9]{1,15})?(?:[eE][+-]?[0-9]{1,2})?")
K = 2.0
"""Coverage factor of every U here, as En wants one for both."""


@dataclass(frozen=True)
class Shown:
    """One reading as the display showed it: the figure's text, and its unit's name or symbol."""

    text: str
    unit: str


@dataclass(frozen=True)
class Mean:
    """What an instrument's readings say: mean and expanded uncertainty (k = 2), SI."""

    value: float
    U: float


@transaction.atomic
def record_check(
    actor: Actor,
    *,
    instrument_id: UUID,
    kind: CheckKind | str,
    quantity: Quantity | str,
    at: datetime,
    readings: Sequence[Shown],
    other_id: UUID | None = None,
    other_readings: Sequence[Shown] = (),
    common: Shown | None = None,
    note: str = "",
    supersedes_id: UUID | None = None,
    why: str = "",
) -> IntervalCheck:
    """Stores a check with what follows from it.

    `common`: the part of both expanded uncertainties that is one and the same (such as one standard behind
    both certificates); it is left out of En. Raises NotFound (instrument), Invalid, Conflict (superseded
    already), Forbidden (a check is done by a person).
    """
    require(actor, Action.MEASURE)
    if actor.member_id is None:
        raise Forbidden(gettext("A check is done by a person: sign in first."))
    tool: Instrument = locked(Instrument.objects.all(), actor, instrument_id)
    of: CheckKind = _choice(CheckKind, kind, "/kind")
    what: Quantity = _choice(Quantity, quantity, "/quantity")
    if len(note) > LONGEST_NOTE:
        raise Invalid(
            gettext("The note is too long."),
            [
                Fault(
                    "/note",
                    gettext("has more than %(longest_note)s characters") % {"longest_note": LONGEST_NOTE},
                )
            ],
        )
    own = _si(readings, what, "/readings")
    other = _other(actor, tool, of, other_id)
    others = _si(other_readings, what, "/other_readings") if other else []
    if not other and other_readings:
        raise Invalid(
            gettext("A zero check has no other readings."),
            [Fault("/other_readings", gettext("leave it out"))],
        )
    row = IntervalCheck(
        instrument=tool,
        other=other,
        kind=of,
        quantity=what,
        at=at,
        member_id=actor.member_id,
        entered_at=timezone.now(),
        note=note.strip(),
        supersedes=_superseded(actor, tool, supersedes_id),
        why=reason_of(why) if supersedes_id else "",
        readings={"own": _kept(readings, own), "other": _kept(other_readings, others)},
    )
    if at > row.entered_at + GRACE:
        raise Invalid(gettext("A check is not of the future."), [Fault("/at", gettext("lies in the future"))])
    found = _zero(row, own) if of is CheckKind.ZERO else _comparison(row, own, others, common)
    for name, value in found.items():
        setattr(row, name, value)
    check(row)
    row.save(force_insert=True)
    events.record(
        actor,
        "instrument.checked",
        "interval_check",
        row.id,
        data={"instrument": str(tool.id), "kind": str(row.kind), "outcome": str(row.outcome)},
        content_digest=events.row_digest(row),
    )
    return row


def visible_checks(actor: Actor | None) -> Any:
    """Checks with both instruments and who did them, newest first; `newer` on those that were superseded."""
    rows = IntervalCheck.objects.select_related("instrument", "other", "member")
    return visible(rows, actor).prefetch_related("superseded_by").order_by("-at", "-id")


def _choice(choices: Any, given: str, pointer: str) -> Any:
    if given not in choices.values:
        raise Invalid(gettext("Some fields are not valid; see 'errors'."), [Fault(pointer, _one_of(choices))])
    return choices(given)


def _one_of(choices: Any) -> str:
    return f"must be one of {', '.join(choices.values)}"


def _si(readings: Sequence[Shown], quantity: Quantity, pointer: str) -> list[float]:
    """SI values. Raises Invalid naming each reading that is none."""
    if not 1 <= len(readings) <= MOST_READINGS:
        raise Invalid(
            gettext("Readings are missing."),
            [
                Fault(
                    pointer,
                    gettext("must be 1 to %(most_readings)s readings") % {"most_readings": MOST_READINGS},
                )
            ],
        )
    values, faults = [], []
    for index, one in enumerate(readings):
        try:
            values.append(_value(one, quantity))
        except ValueError as error:
            faults.append(Fault(f"{pointer}/{index}", str(error)))
    if faults:
        raise Invalid(gettext("Some readings are no figures; see 'errors'."), faults)
    return values


def _value(one: Shown, quantity: Quantity, difference: bool = False) -> float:
    try:
        unit = find_unit(one.unit, quantity)
    except UnknownUnit as error:
        raise ValueError(str(error)) from None
    if not _NUMBER.fullmatch(one.text):
        raise ValueError("is no number; write digits with a decimal point, e.g. 13.10")
    number = float(one.text)
    if abs(number) > HIGHEST:
        raise ValueError("is no figure that an instrument shows")
    return unit.difference_to_si(number) if difference else unit.to_si(number)


def _kept(readings: Sequence[Shown], values: Sequence[float]) -> list[dict[str, Any]]:
    return [
        {"entered": one.text, "unit": one.unit, "si": value}
        for one, value in zip(readings, values, strict=True)
    ]


def _other(actor: Actor, tool: Instrument, kind: CheckKind, other_id: UUID | None) -> Instrument | None:
    if kind == CheckKind.ZERO:
        if other_id is not None:
            raise Invalid(
                gettext("A zero check needs no other instrument."), [Fault("/other", gettext("leave it out"))]
            )
        return None
    if other_id is None or other_id == tool.id:
        raise Invalid(
            gettext("A comparison needs another instrument."),
            [Fault("/other", gettext("name another instrument"))],
        )
    found: Instrument = related(Instrument.objects.all(), actor, other_id, "/other")
    return found


def _superseded(actor: Actor, tool: Instrument, check_id: UUID | None) -> IntervalCheck | None:
    if check_id is None:
        return None
    rows = IntervalCheck.objects.filter(instrument=tool)
    found: IntervalCheck = related(rows, actor, check_id, "/supersedes")
    if IntervalCheck.objects.filter(supersedes=found).exists():
        raise Conflict(
            gettext("That check is superseded already."),
            [Fault("/supersedes", gettext("name the newest entry"))],
        )
    return found


# What follows


def _zero(row: IntervalCheck, values: list[float]) -> Mapping[str, Any]:
    """The mean at nought against what the maker promises there."""
    ranges = _ranges(row.instrument, row.quantity)
    at_zero = next((one for one in ranges if one.minimum <= 0.0 <= one.maximum), None)
    limit = accuracy_of(at_zero).limit(0.0) if at_zero else 0.0
    resolution = at_zero.resolution if at_zero else 0.0
    mean = math.fsum(values) / len(values)
    found = {"value": mean, "value_expanded": K * _own_u(values, resolution)}
    if limit <= 0.0:
        reason = "no range has zero in it" if at_zero is None else "the maker promises nothing at zero"
        return found | {"outcome": CheckOutcome.NOT_JUDGED, "reason": f"Not judged: {reason}."}
    within = abs(mean) <= limit * (1.0 + 1e-9)
    return found | {"limit": limit, "outcome": CheckOutcome.WITHIN if within else CheckOutcome.OUTSIDE}


def _comparison(
    row: IntervalCheck, own: list[float], others: list[float], common: Shown | None
) -> Mapping[str, Any]:
    """Corrected means with U, and En. Not judged when an instrument can't be corrected there."""
    assert row.other is not None
    quantity = Quantity(row.quantity)
    shared = _common(common, quantity)
    uses = [Use(tool.id, row.at.date(), quantity) for tool in (row.instrument, row.other)]
    held = certificates_in_force(uses)
    row.readings["certificates"] = [_certificate(held[use]) for use in uses]
    try:
        first = _mean(row.instrument, quantity, held[uses[0]], own)
        second = _mean(row.other, quantity, held[uses[1]], others)
        compared = en_number(first.value, first.U, second.value, second.U, common=shared)
    except calc.CalcError as error:
        plain = {"value": math.fsum(own) / len(own), "value_expanded": 0.0, "common_expanded": shared}
        reason = f"Not judged: {error.input} {error.reason}."[:400]
        return plain | {"outcome": CheckOutcome.NOT_JUDGED, "reason": reason}
    return {
        "value": first.value,
        "value_expanded": first.U,
        "other_value": second.value,
        "other_expanded": second.U,
        "common_expanded": shared,
        "en": compared.en,
        "outcome": CheckOutcome.WITHIN if compared.agree else CheckOutcome.OUTSIDE,
    }


def _common(common: Shown | None, quantity: Quantity) -> float:
    if common is None:
        return 0.0
    try:
        value = _value(common, quantity, difference=True)
    except ValueError as error:
        raise Invalid(gettext("The common part is no figure."), [Fault("/common", str(error))]) from None
    if value < 0.0:
        raise Invalid(
            gettext("The common part is no figure."), [Fault("/common", gettext("must not be negative"))]
        )
    return value


def _certificate(held: InForce) -> dict[str, str] | None:
    if held.certificate is None:
        return None
    return {"id": str(held.certificate.id), "number": held.certificate.number, "state": str(held.state)}


def _ranges(tool: Instrument, quantity: str) -> list[InstrumentRange]:
    """Ranges of a quantity, the smallest first."""
    return sorted(tool.ranges.filter(quantity=quantity), key=lambda one: one.maximum - one.minimum)


def _mean(tool: Instrument, quantity: Quantity, held: InForce, values: list[float]) -> Mean:
    """The corrected mean of readings of one instrument. Raises calc.Refused without knowledge of it."""
    ranges = _ranges(tool, quantity)
    if not ranges and not held.points:
        raise calc.Refused(str(tool), f"has neither a certificate nor a range of {quantity}")
    fitting = [one for one in ranges if all(one.minimum <= value <= one.maximum for value in values)]
    chosen = (fitting or ranges[-1:])[:1]
    resolution = chosen[0].resolution if chosen else 0.0
    known = calc.Instrument(
        certificate=tuple(
            calc.CertificatePoint(p.reference, p.as_left, p.expanded_uncertainty, p.coverage_factor)
            for p in sorted(held.points, key=lambda p: p.as_left)
        ),
        accuracy=accuracy_of(chosen[0]) if chosen else None,
    )
    corrected = calc.correct(known, values, name=str(tool))
    common = math.fsum(max(effect.u) ** 2 for effect in corrected.effects)
    own = _own_u(list(corrected.values), resolution)
    mean = math.fsum(corrected.values) / len(values)
    return Mean(mean, K * math.sqrt(common + own * own))


def _own_u(values: list[float], resolution: float) -> float:
    """Standard uncertainty of a mean by its readings alone: their scatter (GUM 4.2.3), the display's step."""
    n = len(values)
    mean = math.fsum(values) / n
    scatter = math.fsum((v - mean) ** 2 for v in values) / (n - 1) / n if n > 1 else 0.0
    step = calc.from_resolution(resolution) if resolution > 0.0 else 0.0
    return math.sqrt(scatter + step * step)
