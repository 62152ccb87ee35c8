"""Whether instruments will do for a job: certificates on the last day, ranges against expected figures."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from jobs.expected import Expected, expected_values, near_resolution, outside
from jobs.instruments import WITHOUT_CERTIFICATE, CertificateState, InForce, Use, certificates_in_force
from jobs.models import Instrument, InstrumentRange, Quantity, TestPoint

NAMED = 5


@dataclass(frozen=True)
class Finding:
    """Something that speaks against an instrument; `serious` is refused unless the company only warns."""

    detail: str
    serious: bool


def look_at(
    tools: Sequence[Instrument], points: Collection[TestPoint], last_day: date, density: float
) -> dict[UUID, list[Finding]]:
    """What speaks against each instrument, by its id; statements do not grow with their number."""
    ranges = _ranges(tools)
    uses = {tool.id: [Use(tool.id, last_day, quantity) for quantity in ranges[tool.id]] for tool in tools}
    states = certificates_in_force([use for of_tool in uses.values() for use in of_tool])
    expected = expected_values(points, density)
    return {
        tool.id: [
            *_service_findings(tool),
            *_certificate_findings({use.quantity: states[use] for use in uses[tool.id]}, last_day),
            *_range_findings(ranges[tool.id], expected),
        ]
        for tool in tools
    }


def _ranges(tools: Sequence[Instrument]) -> dict[UUID, dict[Quantity, list[InstrumentRange]]]:
    found: dict[UUID, dict[Quantity, list[InstrumentRange]]] = {tool.id: {} for tool in tools}
    for one in InstrumentRange.objects.filter(instrument__in=tools).order_by("quantity", "minimum"):
        found[one.instrument_id].setdefault(Quantity(one.quantity), []).append(one)
    return found


def _service_findings(tool: Instrument) -> list[Finding]:
    """One taken out of service after it was assigned."""
    return [] if tool.in_service else [Finding("It is out of service.", serious=True)]


def _certificate_findings(states: dict[Quantity, InForce], last_day: date) -> list[Finding]:
    """A lapsed certificate is serious; a missing one too, unless the instrument has one for another quantity
    or the quantity is often used without."""
    held = any(found.certificate for found in states.values())
    return [
        finding
        for quantity, found in states.items()
        if (finding := _certificate_finding(quantity, found, last_day, held)) is not None
    ]


def _certificate_finding(quantity: Quantity, found: InForce, last_day: date, held: bool) -> Finding | None:
    name = quantity.value.replace("_", " ")
    if found.state is CertificateState.OVERDUE and found.certificate:
        number, due = found.certificate.number, found.certificate.due_on
        return Finding(
            f"Certificate {number} for {name} ends on {due}, before the last day, {last_day}.", serious=True
        )
    if found.state in (CertificateState.NONE, CertificateState.NOT_YET):
        serious = not held and quantity not in WITHOUT_CERTIFICATE
        return Finding(f"There is no certificate for {name} on {last_day}.", serious)
    return None


def _range_findings(
    ranges: dict[Quantity, list[InstrumentRange]], expected: Collection[Expected]
) -> list[Finding]:
    """Ranges that fit none of the points are serious; ranges that fit some are a remark."""
    findings = []
    for quantity, reaches in ranges.items():
        wanted = [one for one in expected if one.quantity is quantity]
        beyond = [one for one in wanted if outside(reaches, one.value)]
        coarse = [one for one in wanted if near_resolution(reaches, one.value)]
        if beyond:
            text = f"Its {quantity.value} range does not hold what design asks for at {_some(beyond)}."
            findings.append(Finding(text, serious=len(beyond) == len(wanted)))
        if coarse:
            text = f"Its {quantity.value} display is coarse for {_some(coarse)}."
            findings.append(Finding(text, serious=False))
    return findings


def _some(found: Sequence[Expected]) -> str:
    more = f" and {len(found) - NAMED} more" if len(found) > NAMED else ""
    return "; ".join(one.words for one in found[:NAMED]) + more
