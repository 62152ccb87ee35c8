"""Freezes a review set as a document: all that the report says, in canonical bytes with their SHA-256.

The same set approved by the same person at the same moment gives the same bytes. Each revision carries the
digest of the one before, so none can be changed or left out without showing.
"""

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

import msgspec
from django.utils import timezone

from jobs import events
from jobs.language import in_english
from jobs.models import Company, DecisionRule, Measurand, Member, PointKind, SystemKind, TestPoint
from measurements.calc.conformity import DecisionRule as Acceptance
from measurements.calc.conformity import GuardBand, guard_band_of
from measurements.calc.conformity import Rule as AcceptanceRule
from measurements.methods import METHODS as KINDS
from measurements.models import PhotoKind
from reports import changes, flags, material, photos, readings, sheets, tables, testsheets
from reports import document as doc
from reports.material import Material
from reports.models import Issue, Revision
from reports.render.wording import CAUTIONS, FAN_STATIC, METHODS, RULE_BIAS, UNCERTAINTY, UNITS
from reports.reviewset import Measured, PointState, ReviewSet, SystemState, is_computed

SELF_APPROVAL = (
    "{name} approved this report and measured on this job. The company allows that; no second person "
    "looked at the measurements."
)
CURRENT = "approved"
LATER = "Measured again later; the later figure stands."


@dataclass(frozen=True)
class Frozen:
    """A revision before it is stored."""

    revision: int
    approved_at: datetime
    data: bytes
    digest: str
    readings_csv: bytes


def freeze(
    found: ReviewSet,
    *,
    approver_id: UUID | None,
    before: Revision | None,
    self_approved: bool,
    at: datetime | None = None,
) -> Frozen:
    """The set as canonical bytes. `before` is the revision that this one replaces."""
    moment = at or timezone.now()
    collected = material.collect(found)
    approver = Member.objects.get(id=approver_id)
    document = build(collected, approver, moment, before, self_approved)
    data = doc.to_bytes(document)
    return Frozen(
        revision=document.report.revision,
        approved_at=moment,
        data=data,
        digest=doc.digest(data),
        readings_csv=readings.csv_bytes(collected),
    )


@in_english()
def build(
    collected: Material, approver: Member, at: datetime, before: Revision | None, self_approved: bool
) -> doc.Document:
    """The whole report of a review set."""
    found = collected.found
    systems = tuple(_system(state, collected) for state in found.systems)
    document = doc.Document(
        company=_company(found.company),
        report=_subject(collected, approver, at, before, self_approved),
        counts=tables.counts([point for system in found.systems for point in system.points]),
        deficiencies=tables.deficiencies(found.systems, collected),
        instruments=_instruments(collected),
        systems=systems,
        methods=_methods(found),
        cautions=tuple(CAUTIONS),
        earlier=_earlier(before),
        evidence=_evidence(at, collected),
        photos=_photos(None, collected) or msgspec.UNSET,
    )
    if before is None:
        return document
    earlier = doc.from_bytes(zlib.decompress(before.snapshot))
    reasons, corrected = _reasons(found, before.approved_at)
    return msgspec.structs.replace(
        document, changes=changes.differences(earlier, document, reasons, corrected)
    )


def _reasons(found: ReviewSet, since: datetime) -> tuple[dict[str, str], frozenset[str]]:
    """By system and tag why a figure's session replaced another or none is left; which a correction made."""
    names = {p.point.id: f"{s.system.tag} · {p.point.tag}" for s in found.systems for p in s.points}
    reasons, corrected = {}, set()
    for one in found.left:
        why = one.notes[-1].reason if one.notes else one.moved.session.reason if one.moved else ""
        reasons[names.get(one.session.test_point_id, "")] = why
    for point in (point for system in found.systems for point in system.points):
        if point.final is not None:
            reasons[names[point.point.id]] = point.final.session.reason
            made = found.corrections.get(point.final.session.id)
            if made is not None and made.at > since:
                corrected.add(names[point.point.id])
    return reasons, frozenset(corrected)


def _company(company: Company) -> doc.Company:
    return doc.Company(
        name=company.name,
        letterhead=tuple(line.strip() for line in company.letterhead.splitlines() if line.strip()),
        units=doc.UnitSystem(company.unit_system),
    )


def _subject(
    collected: Material, approver: Member, at: datetime, before: Revision | None, self_approved: bool
) -> doc.Subject:
    found, job, site = collected.found, collected.found.job, collected.found.job.site
    moments = [collected.local(one.session.started_at).date() for one in found.measured]
    moments = moments or [job.starts_on, job.ends_on]  # a list may go out before anything is measured
    return doc.Subject(
        title="Air balance report",
        project=job.title,
        customer=site.customer.name,
        site=", ".join(part for part in (site.name, *site.address.splitlines()) if part.strip()),
        job=f"{job.number}",
        revision=before.revision + 1 if before else 1,
        status=CURRENT,
        measured_from=min(moments),
        measured_to=max(moments),
        approved=collected.person(approver, "supervisor", at),
        measured=_measurers(collected),
        zone=site.time_zone,
        decision_rule=decision_rule(found.company),
        standard_air=_standard_air(found.company),
        tolerances=_tolerances(found),
        self_approval=SELF_APPROVAL.format(name=approver.name) if self_approved else "",
        note=job.notes,
    )


def _measurers(collected: Material) -> tuple[doc.Person, ...]:
    """Everybody whose session counts or counted, in order of their first one."""
    sessions = [s for one in collected.found.measured for s in (one.session, *one.replaced)]
    first: dict[UUID, doc.Person] = {}
    for session in sorted(sessions, key=lambda s: (s.started_at, str(s.id))):
        first.setdefault(session.member_id, collected.person(session.member, "technician"))
    return tuple(first.values())


def decision_rule(company: Company) -> str:
    """The company's decision rule in words, with its figure."""
    number = f"{company.decision_parameter:g}"
    return {
        DecisionRule.SIMPLE: "Simple acceptance: accepted when the value lies within the tolerance.",
        DecisionRule.GUARDED: "Guarded acceptance: accepted when the value lies within the tolerance "
        f"by a guard band of {number} U{_named(company.decision_parameter)}.",
        DecisionRule.PROBABILITY: "Accepted when the true value lies within the tolerance with a probability "
        f"of at least {100 * company.decision_parameter:g} %.",
    }[DecisionRule(company.decision_rule)]


BAND_NAMES = {
    GuardBand.U_95: "proving conformity at 95 % on one side, ISO 14253-1",
    GuardBand.U: "the whole of U, ILAC-G8",
    GuardBand.THREE_SIGMA: "3 sigma, ILAC-G8",
    GuardBand.SIX_SIGMA: "6 sigma, ILAC-G8",
    GuardBand.UNCRITICAL: "uncritical, ILAC-G8",
}


def _named(multiple: float) -> str:
    """The published name of a guard band of so many U, where it has one."""
    band = guard_band_of(AcceptanceRule(Acceptance.GUARDED, guard=multiple))
    return f" ({BAND_NAMES[band]})" if band in BAND_NAMES else ""


def _standard_air(company: Company) -> doc.StandardAir:
    density = company.standard_density
    return doc.StandardAir(density=density, words=f"standard air has a density of {density:g} kg/m³")


def _tolerances(found: ReviewSet) -> tuple[str, ...]:
    """Where tolerances come from, the most general first."""
    job, company = found.job, found.company
    below = company.tolerance_below if job.tolerance_below is None else job.tolerance_below
    above = company.tolerance_above if job.tolerance_above is None else job.tolerance_above
    lines = [f"−{100 * abs(below):g} % to +{100 * abs(above):g} % of design unless a point says otherwise"]
    usual = {(b, a) for b in (None, below) for a in (None, above)}
    own = sorted(
        (_first(p.point.tolerance_below, below), _first(p.point.tolerance_above, above), p.point.tag)
        for s in found.systems
        for p in s.points
        if (p.point.tolerance_below, p.point.tolerance_above) not in usual
    )
    lines += [f"{tag}: −{100 * low:g} % to +{100 * high:g} %" for low, high, tag in own]
    return tuple(lines)


def _first(own: float | None, usual: float) -> float:
    return abs(usual if own is None else own)


def _system(state: SystemState, collected: Material) -> doc.System:
    system = state.system
    ids: set[object] = {point.point.id for point in state.points}
    return doc.System(
        name=system.tag,
        description=", ".join(part for part in (system.name, SystemKind(system.kind).label.lower()) if part),
        sheets=tuple(_sheets(state, collected)),
        outlets=tuple(_outlets(state, collected)),
        centrelines=tuple(_centrelines(state, collected)),
        tests=tuple(_tests(state, collected)),
        adjustments=tuple(tables.adjustments(state, collected)),
        sum_check=tables.sum_check(state),
        flags=(*_flags(state, collected), *flags.past(collected, ids)),
        remark="\n".join(_remarks(state, collected)),
        photos=_photos_of(state, collected) or msgspec.UNSET,
    )


def _photos_of(state: SystemState, collected: Material) -> tuple[doc.Photo, ...]:
    return tuple(one for point in state.points for one in _photos(point.point, collected))


def _photos(point: TestPoint | None, collected: Material) -> tuple[doc.Photo, ...]:
    """Photos and notes that were chosen for documents, of a point or of the whole job."""
    chosen = photos.shown_at(collected.found.photos, point.id if point else None)
    return tuple(_photo(one, point, collected) for one in chosen)


def _photo(one: photos.Chosen, point: TestPoint | None, collected: Material) -> doc.Photo:
    row, choice = one.photo, one.choice
    assert choice is not None
    return doc.Photo(
        id=str(row.id),
        kind="note" if row.kind == PhotoKind.NOTE else "photo",
        subject=one.standing.word,
        tag=point.tag if point else "",
        place=point.location if point else "",
        text=one.standing.text,
        taken=collected.person(row.member, "technician", row.taken_at),
        digest=row.digest,
        printed=choice.print_digest,
        width=choice.print_width,
        height=choice.print_height,
    )


def _sheets(state: SystemState, collected: Material) -> Iterator[doc.TraverseSheet]:
    """Every traverse that counts, as measured; of one point's several the last one stands."""
    for point in state.points:
        drawn = [one for one in point.sessions if tables.is_traverse(one) and is_computed(one)]
        for one in drawn:
            remark = "" if one is point.final else LATER
            yield sheets.sheet(one, collected, remark=remark)


def _tests(state: SystemState, collected: Material) -> Iterator[doc.TestSheet]:
    """Every other measurement that counts, one sheet each."""
    for point in state.points:
        standing = {one.session.id for one in point.standing}
        for one in filter(tables.is_test, point.sessions):
            remark = "" if one.session.id in standing else LATER
            yield testsheets.sheet(one, collected, remark=remark)


def _outlets(state: SystemState, collected: Material) -> Iterator[doc.OutletRow]:
    for point in state.points:
        if point.final is not None and _belongs_to_outlets(point):
            row = tables.outlet_row(point, collected)
            if row is not None:
                yield row


def _belongs_to_outlets(point: PointState) -> bool:
    """A hood reading, or another flow that was found at an outlet without a plane."""
    one = point.final
    if one is None or tables.is_traverse(one) or one.session.method == "centreline_reading":
        return False
    flow = KINDS[one.session.method].measurand == Measurand.FLOW
    return flow and (one.session.method == "hood_reading" or point.point.kind == PointKind.OUTLET)


def _centrelines(state: SystemState, collected: Material) -> Iterator[doc.CentrelineRow]:
    for point in state.points:
        one = point.final
        if one is not None and one.session.method == "centreline_reading" and is_computed(one):
            yield tables.centreline_row(one, point, collected)


def _flags(state: SystemState, collected: Material) -> Iterator[doc.Flag]:
    """Flags of the system itself and of sessions without a sheet of their own."""
    for flag in state.flags:
        yield flags.flag(flag, collected)
    for one in _of(state):
        if not _has_sheet(one):
            yield from flags.of_session(one, collected)


def _has_sheet(one: Measured) -> bool:
    return is_computed(one) and not tables.has_row(one)


def _of(state: SystemState) -> Iterator[Measured]:
    for point in state.points:
        yield from point.sessions


def _remarks(state: SystemState, collected: Material) -> Iterator[str]:
    """Replaced sessions and notes of readings that have no sheet of their own, one a line."""
    for point in state.points:
        for one in point.sessions:
            if _has_sheet(one):
                continue
            for line in sheets.history(one, collected):
                change = f"{line.before} → {line.after}"
                yield f"{point.point.tag}: {line.what}: {change}, because: {line.why}{_by(line)}"
            if one.session.note:
                yield f"{point.point.tag}: {one.session.note}"
        for line in _left(point, collected):
            change = f"{line.before} → {line.after}"
            yield f"{point.point.tag}: {line.what}: {change}, because: {line.why}{_by(line)}"


def _by(line: doc.HistoryLine) -> str:
    """Who did it and when, in brackets."""
    if line.by is None:
        return ""
    return f" ({line.by.name}, {line.by.at:%Y-%m-%d %H:%M})" if line.by.at else f" ({line.by.name})"


def _left(point: PointState, collected: Material) -> Iterator[doc.HistoryLine]:
    """Sessions of a point that nothing replaced there, but that count no more: void, or moved elsewhere."""
    for one in collected.found.left:
        if one.session.test_point_id == point.point.id:
            if one.moved is not None:
                yield sheets.moved_line(one, collected)
            yield from sheets.void_lines(one.session, one.result, collected)


def _instruments(collected: Material) -> tuple[doc.Instrument, ...]:
    """Instruments that were used, with every certificate that was in force at some reading."""
    used: dict[UUID, dict[UUID, object]] = {}
    for one in collected.found.measured:
        for instrument, certificate in collected.held(one):
            held = used.setdefault(instrument.id, {})
            if certificate is not None:
                held[certificate.id] = certificate
    made = [readings.instrument(collected.instruments[i], list(held.values())) for i, held in used.items()]
    return tuple(sorted(made, key=lambda one: (one.kind, one.serial)))


def _methods(found: ReviewSet) -> tuple[doc.MethodText, ...]:
    used = sorted({one.session.method for one in found.measured})
    traverses = {"pitot_traverse", "anemometer_traverse", "swept_traverse"}
    places = (RULE_BIAS[found.company.rule_bias_corrected],) if traverses.intersection(used) else ()
    static = (FAN_STATIC[found.company.fan_static],) if "fan_test" in used else ()
    return (*(METHODS[doc.Method(method)] for method in used), *places, *static, UNITS, UNCERTAINTY)


def _earlier(before: Revision | None) -> doc.Earlier | None:
    if before is None:
        return None
    issued = Issue.objects.filter(revision=before).first()
    return doc.Earlier(
        number=issued.number if issued else "",
        revision=before.revision,
        digest=before.snapshot_digest,
        issued_at=issued.issued_at if issued else None,
    )


def _evidence(at: datetime, collected: Material) -> doc.EvidenceHead:
    number, mac = events.chain_head()
    return doc.EvidenceHead(number=number, mac=mac, at=collected.local(at))
