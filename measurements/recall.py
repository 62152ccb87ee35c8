"""A bad instrument finds its results: cases, the sessions they touch, computed anew, and what was decided.

A case opens by itself when a certificate is entered whose as-found points lie outside the maker's promise,
or by hand when a certificate is withdrawn. Each session that was read since the last good calibration is
computed as if the error had been there all the time; no result, revision or report ever changes for it
(ISO/IEC 17025:2017 6.4.9, 7.10). A case is open until each of its sessions is decided on.
"""

from collections.abc import Collection, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, NotFound
from jobs.instruments import ENTERED
from jobs.models import Certificate, CertificatePoint, Event, Instrument, InstrumentRange
from jobs.reasons import reason_of
from jobs.rows import related
from jobs.tenancy.ids import uuid7
from measurements import calc
from measurements.compute import figures_of
from measurements.current import current_results
from measurements.inputs import accuracy_of
from measurements.loading import Loaded, local_day
from measurements.models import Outcome, RecallCase, RecallGround, RecallItem, RecallPart, Result, Session
from measurements.queries import current_items, undecided_items, visible_recalls
from measurements.rules import service_actor
from measurements.standin import Points, StandIn, by_indication, stand_ins, uses_of

CASE, PART = "recall", "recall_part"
"""Kinds of due work: a case has to look for sessions; some of them wait to be computed."""
PART_SIZE = 250
PART_LEASE = timedelta(seconds=120)
MOVED = 1.0 / 3.0
"""Share of a result's U from which a shift of its value counts (common practice, no source)."""
A_DAY = timedelta(days=1)


# A certificate and the case that it opens


@due.handler(ENTERED)
def entered(claim: due.Claim) -> None:
    """Opens what a new certificate asks for, and lets older cases follow an entry that was put right."""
    with transaction.atomic():
        claim.hold()
        certificate = Certificate.objects.select_related("instrument").get(id=claim.subject_id)
        lock(certificate.instrument_id)
        older = _older_entries(certificate)
        due_again = RecallCase.objects.filter(certificate__in=older)
        told = set(due_again.filter(ground=RecallGround.FOUND).values_list("quantity", flat=True))
        for quantity in found_outside(certificate):
            if quantity not in told:
                _open(service_actor(), certificate, quantity, RecallGround.FOUND)
        if ids := list(due_again.values_list("id", flat=True)):
            due.schedule(CASE, *ids)
        claim.finish()


@transaction.atomic
def withdraw(actor: Actor, certificate_id: UUID, *, reason: str) -> list[RecallCase]:
    """Opens a case for each quantity of a certificate that its laboratory or the company withdraws.

    Where there is such a case already it is given as it is. Raises Invalid (reason, unknown certificate).
    """
    require(actor, Action.MANAGE_INSTRUMENTS)
    text = reason_of(reason)
    certificate: Certificate = related(
        Certificate.objects.prefetch_related("points"), actor, certificate_id, "/certificate"
    )
    lock(certificate.instrument_id)
    quantities = sorted({point.quantity for point in certificate.points.all()})
    return [_open(actor, certificate, one, RecallGround.WITHDRAWN, text) for one in quantities]


def _open(
    actor: Actor, certificate: Certificate, quantity: str, ground: RecallGround, reason: str = ""
) -> RecallCase:
    """The one case of this finding: the row that is there, or a new one with its event and its work."""
    known = RecallCase.objects.filter(certificate=certificate, quantity=quantity, ground=ground)
    if (case := known.first()) is not None:
        return case
    good = last_good(certificate, quantity)
    starts, ends = _span(certificate, quantity, ground, good)
    case = RecallCase(
        id=uuid7(),
        instrument_id=certificate.instrument_id,
        quantity=quantity,
        ground=ground,
        certificate=certificate,
        last_good=good,
        starts_on=starts,
        ends_on=ends,
        finding={"points": [_plain(point) for point in judged(certificate, quantity)]},
        reason=reason,
        opened_by_id=actor.member_id,
        opened_at=timezone.now(),
    )
    RecallCase.objects.bulk_create([case], ignore_conflicts=True)
    stored: RecallCase = known.get()
    if stored.id == case.id:
        data = {"instrument": str(case.instrument_id), "quantity": quantity, "ground": ground.value}
        events.record(
            actor, "recall.opened", "recall", case.id, data=data, content_digest=events.row_digest(case)
        )
        due.schedule(CASE, case.id)
    return stored


def lock(instrument_id: UUID) -> None:
    """One at a time per instrument: cases cannot be locked, since nothing may change them."""
    Instrument.objects.select_for_update(no_key=True).get(id=instrument_id)


def judged(certificate: Certificate, quantity: str, *, left: bool = False) -> tuple[calc.JudgedPoint, ...]:
    """A certificate's points as found (or as left) against the promise of the instrument's ranges."""
    rows = CertificatePoint.objects.filter(certificate=certificate, quantity=quantity)
    shown = [(row.reference, row.as_left if left else row.as_found, row.expanded_uncertainty) for row in rows]
    ranges = InstrumentRange.objects.filter(instrument=certificate.instrument_id, quantity=quantity)
    limits = [calc.RangeLimits(one.minimum, one.maximum, accuracy_of(one)) for one in ranges]
    return calc.judge_points([(a, b, c) for a, b, c in shown if b is not None], limits)


def _plain(point: calc.JudgedPoint) -> dict[str, float | None]:
    return {"reference": point.reference, "shown": point.shown, "U": point.U, "limit": point.limit}


def points_found(case: RecallCase) -> tuple[calc.JudgedPoint, ...]:
    """The points of a case as they were judged when it was opened."""
    return tuple(calc.JudgedPoint(**point) for point in case.finding["points"])


def found_outside(certificate: Certificate) -> list[str]:
    """Quantities for which any point of a certificate was found outside the promise."""
    quantities = set(certificate.points.values_list("quantity", flat=True))
    return sorted(one for one in quantities if any(point.outside for point in judged(certificate, one)))


def _entries(instrument: UUID, quantity: str) -> list[Certificate]:
    """Certificates that count for a quantity, oldest first: not superseded, not withdrawn."""
    found = Certificate.objects.filter(
        instrument=instrument, superseded_by__isnull=True, points__quantity=quantity
    )
    withdrawn = RecallCase.objects.filter(ground=RecallGround.WITHDRAWN, quantity=quantity)
    kept = found.exclude(id__in=withdrawn.values("certificate")).distinct()
    return list(kept.order_by("calibrated_on", "id"))


def _order(certificate: Certificate) -> tuple[date, UUID]:
    return certificate.calibrated_on, certificate.id


def last_good(certificate: Certificate, quantity: str) -> Certificate | None:
    """The newest earlier certificate that left the instrument inside its promise; None without one."""
    older = _older_entries(certificate)
    for one in reversed(_entries(certificate.instrument_id, quantity)):
        before = _order(one) < _order(certificate) and one.id not in older and one.id != certificate.id
        if before and not any(point.outside for point in judged(one, quantity, left=True)):
            return one
    return None


def _older_entries(certificate: Certificate) -> list[UUID]:
    """Entries that this one puts right, directly or through others."""
    found: list[UUID] = []
    before = certificate.supersedes_id
    while before is not None:
        found.append(before)
        before = Certificate.objects.values_list("supersedes", flat=True).get(id=before)
    return found


def _newest_entry(certificate: Certificate) -> Certificate:
    """The entry that counts in this one's place."""
    while (newer := Certificate.objects.filter(supersedes=certificate).first()) is not None:
        certificate = newer
    return certificate


def _span(
    certificate: Certificate, quantity: str, ground: str, good: Certificate | None
) -> tuple[date | None, date | None]:
    """Days in doubt: up to the certificate that found it, or those for which a withdrawn one spoke."""
    if ground == RecallGround.FOUND:
        return (good.calibrated_on if good else None), certificate.calibrated_on
    newest = _newest_entry(certificate)
    following = _next(certificate, newest, quantity)
    return certificate.calibrated_on, following.calibrated_on if following else None


def _next(certificate: Certificate, newest: Certificate, quantity: str) -> Certificate | None:
    """The next calibration after a certificate, of an entry that is not put in its own place."""
    rows = _entries(certificate.instrument_id, quantity)
    later = (one for one in rows if one.calibrated_on > certificate.calibrated_on and one.id != newest.id)
    return next(later, None)


# Which sessions


def touched(case: RecallCase, sessions: "QuerySet[Session] | None" = None) -> list[UUID]:
    """Every session read with the instrument for the quantity on the days in doubt, replaced ones too.

    Days are those of the site, as certificates are counted. `sessions`: only among these.
    """
    first, last = case.starts_on, _end(case)
    if first is not None and last is not None and first >= last:
        return []
    named = Q()
    for use in uses_of(case.quantity):
        named |= Q(**{f"content__instruments__{use}": str(case.instrument_id)})
    rows = (Session.objects.all() if sessions is None else sessions).filter(named)
    if first is not None:
        rows = rows.filter(started_at__gte=_midnight(first) - A_DAY)
    if last is not None:
        rows = rows.filter(started_at__lt=_midnight(last) + A_DAY)
    found = rows.order_by("id").values_list("id", "started_at", "job__site__time_zone")
    return [one for one, at, zone in found if _is_within(local_day(at, zone), first, last)]


def _end(case: RecallCase) -> date | None:
    """The first day no longer in doubt; of a withdrawn certificate without a next one, the day of that."""
    if case.ends_on is not None:
        return case.ends_on
    following = _next(case.certificate, _newest_entry(case.certificate), case.quantity)
    return following.calibrated_on if following else None


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), UTC)


def _is_within(day: date, first: date | None, last: date | None) -> bool:
    return (first is None or first <= day) and (last is None or day < last)


def follow(loaded: Loaded) -> None:
    """Makes due the cases that a session just evaluated belongs to: it came late, or its result is new."""
    named = {tool.instrument.id for tool in loaded.tools.values()}
    if not named:
        return
    cases = RecallCase.objects.filter(instrument__in=named).select_related("certificate")
    only = Session.objects.filter(id=loaded.session.id)
    if found := [case.id for case in cases if touched(case, only)]:
        due.schedule(CASE, *found)


def stand_in_of(case: RecallCase) -> StandIn:
    """The points that say best what the instrument showed on the days in doubt.

    As found by the calibration that found it. For a withdrawn certificate: as left by the entry that took its
    place, else as found by the next calibration, else as left by the last good one, else none: then the
    maker's promise alone speaks.
    """
    newest = _newest_entry(case.certificate)
    if case.ground == RecallGround.FOUND:
        points = _points(newest, case.quantity) or _points(case.certificate, case.quantity)
    elif newest.id != case.certificate_id:
        points = _points(newest, case.quantity, left=True)
    else:
        following = _next(case.certificate, newest, case.quantity)
        points = _points(following, case.quantity) if following else ()
        if not points and case.last_good:
            points = _points(case.last_good, case.quantity, left=True)
    return StandIn(case.instrument_id, case.quantity, points)


def _points(certificate: Certificate, quantity: str, *, left: bool = False) -> Points:
    rows = CertificatePoint.objects.filter(certificate=certificate, quantity=quantity)
    return by_indication(
        calc.CertificatePoint(row.reference, shown, row.expanded_uncertainty, row.coverage_factor)
        for row in rows
        if (shown := row.as_left if left else row.as_found) is not None
    )


# Computed anew


@transaction.atomic
def again(actor: Actor, case_id: UUID) -> None:
    """Gives what was given up of a case a fresh start. Raises NotFound, Conflict."""
    require(actor, Action.REVIEW)
    case = visible_recalls(actor).filter(id=case_id).first()
    if case is None:
        raise NotFound()
    parts = list(case.parts.values_list("id", flat=True))
    begun = [due.retry_parked(CASE, case.id), *(due.retry_parked(PART, part) for part in parts)]
    if not any(begun):
        raise Conflict(gettext("Nothing of it was given up; what is not computed yet is on its way."))


@due.handler(CASE)
def look(claim: due.Claim) -> None:
    """Finds the sessions of a case that have to be computed anew and deals them out in parts."""
    with transaction.atomic():
        claim.hold()
        case = RecallCase.objects.select_related("certificate", "last_good").get(id=claim.subject_id)
        lock(case.instrument_id)
        deal_out(case)
        claim.finish()


def deal_out(case: RecallCase) -> int:
    """Schedules parts for all that is missing. Returns how many sessions. In a transaction."""
    wanted = missing(case)
    parts = [
        RecallPart(id=uuid7(), case=case, sessions=wanted[at : at + PART_SIZE])
        for at in range(0, len(wanted), PART_SIZE)
    ]
    RecallPart.objects.bulk_create(parts)
    for part in parts:  # one bell each, so that idle workers share them
        due.schedule(PART, part.id)
    if not parts and not case.items.exists() and not _was_closed(case) and not waiting(case):
        say_closed(service_actor(), case)
    return len(wanted)


def missing(case: RecallCase) -> list[UUID]:
    """Sessions with a result that no item stands beside, by what is known now."""
    known = case.items.filter(
        basis_digest=stand_in_of(case).digest, calculation_version=calc.CALCULATION_VERSION
    )
    done = set(known.values_list("session", "result"))
    newest = _newest_results(touched(case))
    return [session for session, result in newest.items() if (session, result) not in done]


def _newest_results(sessions: Collection[UUID]) -> dict[UUID, UUID]:
    rows: Any = Result.objects.filter(session__in=sessions).order_by("session_id", "-computed_at", "-id")
    return dict(rows.distinct("session_id").values_list("session_id", "id"))


def waiting(case: RecallCase) -> int:
    """Sessions of a case that have no result yet."""
    found = touched(case)
    return len(found) - len(_newest_results(found))


@due.handler(PART, lease=PART_LEASE)
def compute_part(claim: due.Claim) -> None:
    """Computes the sessions of a part anew, then keeps what was found in one transaction."""
    with transaction.atomic():
        part = RecallPart.objects.select_related("case__certificate", "case__last_good").get(
            id=claim.subject_id
        )
        items = computed(part.case, part.sessions)
    with transaction.atomic():
        claim.hold()
        lock(part.case.instrument_id)
        keep(part.case, items)
        part.delete()
        claim.finish()


def computed(case: RecallCase, sessions: Collection[UUID]) -> list[RecallItem]:
    """Items of sessions, not stored yet; a session without a result has none."""
    stand_in, now = stand_in_of(case), timezone.now()
    results = list(current_results(sessions, "detail").values())
    found = stand_ins(results, stand_in)
    return [_item(case, one, found[one.id], stand_in.digest, now) for one in results]


def _item(case: RecallCase, result: Result, inputs: dict[str, Any], basis: str, now: datetime) -> RecallItem:
    figures = figures_of(inputs)
    value, verdict, accepted = figures.get("value"), figures["verdict"], figures.get("accepted")
    shift = _shift(result, value)
    return RecallItem(
        id=uuid7(),
        case=case,
        session_id=result.session_id,
        result=result,
        basis_digest=basis,
        inputs_digest=events.digest(inputs),
        calculation_version=calc.CALCULATION_VERSION,
        computed_at=now,
        outcome=figures["outcome"],
        refusal=figures["refusal"],
        value=value,
        value_expanded=figures.get("value_expanded"),
        share_of_design=figures.get("share_of_design"),
        verdict=verdict,
        accepted=accepted,
        verdict_changed=(verdict, accepted) != (result.verdict, result.accepted),
        shift=shift,
        moved=result.outcome == Outcome.COMPUTED and (shift is None or abs(shift) > MOVED),
    )


def _shift(result: Result, value: float | None) -> float | None:
    """By how many of the result's U a value moved; None where there is nothing to measure it by."""
    if value is None or result.value is None:
        return None
    moved = value - result.value
    if moved == 0.0:
        return 0.0
    return moved / result.value_expanded if result.value_expanded else None


def keep(case: RecallCase, items: Sequence[RecallItem]) -> int:
    """Stores items with their events; reopens a case that was decided. Returns how many are new."""
    known = set(case.items.filter(session__in=[one.session_id for one in items]).values_list(*_KEY))
    new = [one for one in items if tuple(getattr(one, name) for name in _KEY) not in known]
    settled = _was_closed(case) and not undecided_items(case).exists()
    RecallItem.objects.bulk_create(new)
    events.record_many(
        service_actor(),
        "recall.computed",
        "recall",
        [events.Happening(case.id, {"item": str(one.id)}, events.row_digest(one)) for one in new],
    )
    if new and settled:
        events.record(service_actor(), "recall.reopened", "recall", case.id, data={"sessions": len(new)})
    return len(new)


_KEY = ("session_id", "result_id", "basis_digest", "calculation_version")


def _was_closed(case: RecallCase) -> bool:
    return bool(Event.objects.filter(subject_id=case.id, verb="recall.closed").exists())


def say_closed(actor: Actor, case: RecallCase) -> None:
    """Records that each session of a case is decided on, with their count."""
    data = {"sessions": current_items(case).count()}
    events.record(actor, "recall.closed", "recall", case.id, data=data)
