"""What is done about each session of a recall case. The newest decision on an item counts; all are kept."""

from collections.abc import Collection, Sequence
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import events
from jobs.access import Action, Actor, require
from jobs.errors import Conflict, Fault, Forbidden, Invalid, NotFound
from jobs.events import digest
from jobs.models import Company, Job, JobStatus
from jobs.reasons import reason_of
from jobs.rows import NOTHING
from jobs.tenancy.ids import uuid7
from measurements.models import (
    AnswerKind,
    Flag,
    FlagAnswer,
    RecallCase,
    RecallDecision,
    RecallDecisionKind,
    RecallItem,
    Severity,
)
from measurements.queries import newest_answer, recall_items, undecided_items, visible_recalls
from measurements.recall import lock, say_closed
from measurements.rules import service_actor
from measurements.rules.base import RECALL_RULE
from measurements.words import measurand_pair

MOST_DECIDED = 5_000
SOURCE = "ISO/IEC 17025:2017 7.10"
OTHERWISE = "Decided otherwise in the recall: "


@transaction.atomic
def decide(
    actor: Actor, case_id: UUID, items: Collection[UUID], *, kind: RecallDecisionKind | str, reason: str
) -> list[RecallDecision]:
    """Decides on items of a case; returns the new rows. The same decision by the same person again adds none.

    What is to be measured again stands in the worklist until a session comes that replaces it, and its job is
    open again. When nothing is left to decide, the case is closed by that.
    Raises NotFound, Invalid, Conflict (computed anew meanwhile, or replaced or void already and so not to be
    measured again), Forbidden (no effect of what one measured oneself).
    """
    require(actor, Action.REVIEW)
    case = visible_recalls(actor).filter(id=case_id).first()
    if case is None:
        raise NotFound()
    text, chosen = reason_of(reason), _kind(kind)
    lock(case.instrument_id)
    found = _items(case, items)
    if chosen is RecallDecisionKind.NO_EFFECT:
        _check_other_person(actor, found)
    fresh = [one for one in found if not _is_decided_so(one, actor, chosen, text)]
    if chosen is RecallDecisionKind.REMEASURE:
        _check_current(fresh)
    was_open = undecided_items(case).exists()
    made = _store(actor, case, fresh, chosen, text)
    if chosen is RecallDecisionKind.REMEASURE:
        _ask(actor, case, fresh, text)
    else:
        _take_back(case, fresh, text)
    if was_open and not undecided_items(case).exists():
        say_closed(actor, case)
    return made


def _kind(kind: str) -> RecallDecisionKind:
    try:
        return RecallDecisionKind(kind)
    except ValueError:
        known = ", ".join(RecallDecisionKind.values)
        raise Invalid(
            gettext("There is no such decision."),
            [Fault("/decision", gettext("must be one of %(known)s") % {"known": known})],
        ) from None


def _items(case: RecallCase, wanted: Collection[UUID]) -> list[RecallItem]:
    ids = set(wanted)
    if not 1 <= len(ids) <= MOST_DECIDED:
        raise Invalid(
            gettext("Name what is decided on."),
            [
                Fault(
                    "/items", gettext("must be 1 to %(most_decided)s items") % {"most_decided": MOST_DECIDED}
                )
            ],
        )
    found = list(recall_items(case).filter(id__in=ids))
    if len(found) == len(ids):
        return found
    known = case.items.filter(id__in=ids).count()
    if known < len(ids):
        raise Invalid(gettext("An id in the input leads to nothing."), [Fault("/items", NOTHING)])
    raise Conflict(gettext("Some of these were computed anew since you looked; look again, then decide."))


def _check_other_person(actor: Actor, items: Sequence[RecallItem]) -> None:
    own = [one for one in items if one.session.member_id == actor.member_id]
    if own and not Company.objects.get().self_approval:
        raise Forbidden(
            gettext(
                "You measured %(count)s of these yourself; another supervisor has to say that it has "
                "no effect."
            )
            % {"count": len(own)}
        )


def _is_decided_so(item: RecallItem, actor: Actor, kind: RecallDecisionKind, reason: str) -> bool:
    newest = next(iter(item.decisions.all()), None)
    same = newest is not None and (newest.kind, newest.reason) == (kind, reason)
    return same and newest is not None and newest.member_id == actor.member_id


def _check_current(items: Sequence[RecallItem]) -> None:
    replaced = [one for one in items if one.is_superseded]  # type: ignore[attr-defined]
    if replaced:
        tags = ", ".join(sorted({one.session.test_point.tag for one in replaced})[:5])
        raise Conflict(
            gettext(
                "%(count)s of these are replaced by a newer session or void already (%(tags)s); "
                "decide on them otherwise."
            )
            % {"count": len(replaced), "tags": tags}
        )
    if cancelled := {one.session.job for one in items if one.session.job.status == JobStatus.CANCELLED}:
        numbers = ", ".join(str(job.number) for job in sorted(cancelled, key=lambda job: job.number)[:5])
        raise Conflict(
            gettext("Nothing is measured on a cancelled job (%(numbers)s); decide otherwise there.")
            % {"numbers": numbers}
        )


def _store(
    actor: Actor, case: RecallCase, items: Sequence[RecallItem], kind: RecallDecisionKind, reason: str
) -> list[RecallDecision]:
    now, person = timezone.now(), actor.member_id
    if person is None:  # no key may review; it takes a person
        raise Forbidden(gettext("A decision is a person's."))
    rows = [
        RecallDecision(id=uuid7(), item=one, kind=kind, reason=reason, member_id=person, decided_at=now)
        for one in items
    ]
    RecallDecision.objects.bulk_create(rows)
    happenings = [
        events.Happening(
            case.id,
            {"decision": str(row.id), "item": str(row.item_id), "kind": kind.value},
            events.row_digest(row),
        )
        for row in rows
    ]
    events.record_many(actor, "recall.decided", "recall", happenings)
    return rows


# Measuring again: the same flag and answer as a review's


def _basis(case: RecallCase, item: RecallItem) -> str:
    return digest([RECALL_RULE, str(case.id), str(item.session_id)])


def _ask(actor: Actor, case: RecallCase, items: Sequence[RecallItem], reason: str) -> None:
    """Sends the sessions' points back for re-measurement, with a flag each, once."""
    now, units = timezone.now(), Company.objects.get().unit_system
    bases = {_basis(case, one): one for one in items}
    flags = {row.basis_digest: row for row in Flag.objects.filter(rule=RECALL_RULE, basis_digest__in=bases)}
    new = [_flag(case, one, basis, units, now) for basis, one in bases.items() if basis not in flags]
    Flag.objects.bulk_create(new)
    raised = [
        events.Happening(
            row.id,
            {"rule": row.rule, "severity": row.severity, "job": str(row.job_id)},
            events.row_digest(row),
        )
        for row in new
    ]
    events.record_many(actor, "flag.raised", "flag", raised)
    _answer(actor, [*flags.values(), *new], AnswerKind.REMEASURE, reason, now)
    _open_again(actor, {one.session.job_id for one in items})


def _flag(case: RecallCase, item: RecallItem, basis: str, units: str, now: datetime) -> Flag:
    session, tool = item.session, case.instrument
    return Flag(
        id=uuid7(),
        job=session.job,
        system=session.test_point.system,
        test_point=session.test_point,
        session=session,
        rule=RECALL_RULE,
        severity=Severity.STOP,
        seen=f"{tool.name} {tool.serial}, used here, is under recall for {case.quantity.replace('_', ' ')}."
        f"{_would_be(item, units)}",
        expected="Readings by an instrument that shows within its tolerance.",
        advice="Measure again with an instrument in calibration.",
        source=SOURCE,
        data={"case": str(case.id), "instrument": str(tool.id), "shift": item.shift},
        basis_digest=basis,
        raised_at=now,
    )


def _would_be(item: RecallItem, units: str) -> str:
    """The figure with the error that was found, in a sentence of its own."""
    name, value, spread = item.result.measurand, item.value, item.value_expanded
    if not name or value is None or spread is None:
        return ""
    return f" With the error that was found it is {measurand_pair(value, spread, name, units)}."


def _answer(actor: Actor, flags: Sequence[Flag], kind: AnswerKind, reason: str, now: datetime) -> None:
    person = None if kind == AnswerKind.CLEARED else actor.member_id
    rows = [
        FlagAnswer(id=uuid7(), flag=one, kind=kind, reason=reason, member_id=person, answered_at=now)
        for one in flags
    ]
    FlagAnswer.objects.bulk_create(rows)
    happenings = [
        events.Happening(
            row.flag_id,
            {"answer": row.kind, "answer_id": str(row.id), "rule": RECALL_RULE, "job": str(row.flag.job_id)},
            events.row_digest(row),
        )
        for row in rows
    ]
    events.record_many(service_actor() if person is None else actor, "flag.answered", "flag", happenings)


def _open_again(actor: Actor, jobs: Collection[UUID]) -> None:
    rows = Job.objects.select_for_update(of=("self",)).filter(id__in=jobs).exclude(status=JobStatus.OPEN)
    for job in rows.order_by("id"):
        job.status, job.version = JobStatus.OPEN, job.version + 1
        job.save(update_fields=["status", "version"])
        events.record(actor, "job.changed", "job", job.id, data={"status": "open", "why": "sent back"})


def _take_back(case: RecallCase, items: Sequence[RecallItem], reason: str) -> None:
    """Clears what an earlier decision sent back."""
    bases = [_basis(case, one) for one in items]
    flags = Flag.objects.filter(rule=RECALL_RULE, basis_digest__in=bases).annotate(newest=newest_answer())
    standing = [flag for flag in flags if flag.newest != AnswerKind.CLEARED]
    if standing:
        text = f"{OTHERWISE}{reason}"[:2000]
        _answer(service_actor(), standing, AnswerKind.CLEARED, text, timezone.now())
