"""From a session to its result and flags: load, correct, compute, store, run the rules. One transaction.

Done twice, or by two workers at once, it makes one result; with other inputs (a certificate corrected, a new
version of the calculation) it adds one, and the newest counts.
"""

from collections.abc import Collection
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models.fields.json import KeyTransform
from django.utils import timezone

from jobs import due, events
from jobs.events import digest
from jobs.models import Job, JobStatus
from measurements import calc, recall
from measurements.compute import Computed, compute
from measurements.current import counting
from measurements.inputs import inputs_of, judgement_of, rules_of
from measurements.loading import Loaded, load, load_many
from measurements.models import Result, RuleSetting, Session
from measurements.rule_parameters import methods_of
from measurements.rules import apply_rules, service_actor


@due.handler("evaluate")
def run(claim: due.Claim) -> None:
    """Evaluates one session and finishes the work together with what it made."""
    with transaction.atomic():
        claim.hold()  # a second worker waits here, then finds the lease gone
        evaluate_session(claim.subject_id)
        claim.finish()


@transaction.atomic
def evaluate_session(session_id: UUID) -> Result:
    """The session's result from today's knowledge of its instruments and rules. Raises NotFound."""
    loaded = load(session_id)
    inputs = _inputs(loaded)
    computed = compute(inputs)
    result = _store(loaded, inputs, computed)
    apply_rules(loaded, computed)
    recall.follow(loaded)
    return result


@due.handler("assignment")
def assigned(claim: due.Claim) -> None:
    """Who is planned on a job changed: the rules look at its sessions again."""
    with transaction.atomic():
        claim.hold()
        ids = list(counting(Session.objects.filter(job=claim.subject_id)).values_list("id", flat=True))
        due.schedule("evaluate", *ids)
        claim.finish()


@due.handler("rules")
def rules_changed(claim: due.Claim) -> None:
    """A rule was set otherwise: it looks again at the sessions of jobs that are not approved."""
    with transaction.atomic():
        claim.hold()
        row = RuleSetting.objects.get(id=claim.subject_id)
        open_jobs = Job.objects.filter(status__in=(JobStatus.OPEN, JobStatus.SUBMITTED)).values("id")
        rows = counting(Session.objects.filter(job__in=open_jobs))
        ids = list(rows.filter(method__in=methods_of(row.rule, row.name)).values_list("id", flat=True))
        if ids:
            due.schedule("evaluate", *ids)
        claim.finish()


def out_of_date(sessions: Collection[UUID]) -> list[UUID]:
    """Sessions whose newest result does not rest on what is known today, or that have none.

    A certificate entered since, another design, tolerance, rule of the house, factor or version.
    """
    turn = KeyTransform("turn", "inputs")
    rows = Result.objects.filter(session__in=sessions).annotate(turn=turn).order_by("computed_at", "id")
    names = ("session", "calculation_version", "inputs_digest", "turn")
    newest = {row[0]: row[1:] for row in rows.values_list(*names)}
    return [one.session.id for one in load_many(sessions) if not _holds(one, newest.get(one.session.id))]


def _holds(loaded: Loaded, newest: tuple[str, str, int | None] | None) -> bool:
    if newest is None or newest[0] != calc.CALCULATION_VERSION:
        return False
    inputs = _inputs(loaded)
    return digest(inputs if newest[2] is None else {**inputs, "turn": newest[2]}) == newest[1]


@transaction.atomic
def refresh(job_id: UUID) -> list[UUID]:
    """Makes due the evaluation of a job's sessions that are out of date, also of those given up.

    Returns their ids. Nothing is due for a session that another one superseded or that is void.
    """
    current = counting(Session.objects.filter(job=job_id))
    late = out_of_date(list(current.values_list("id", flat=True)))
    for session_id in late:
        due.retry_parked("evaluate", session_id)
    if late:
        due.schedule("evaluate", *late)
    return late


def recompute(result: Result) -> str:
    """The digest of a result computed again from its stored inputs; equal to `content_digest` if sound."""
    return compute(result.inputs).digest


def _inputs(loaded: Loaded) -> dict[str, Any]:
    try:
        return inputs_of(loaded)
    except calc.CalcError as error:
        return {
            "method": loaded.session.method,
            "judgement": judgement_of(loaded),
            "evidence": loaded.session.content_digest,
            "refusal": str(error),
            **rules_of(loaded),
        }


def _store(loaded: Loaded, inputs: dict[str, Any], computed: Computed) -> Result:
    """The one result of these inputs: the row that is there, or a new one with its event."""
    inputs = _in_turn(loaded, inputs)
    key = {
        "session": loaded.session,
        "calculation_version": calc.CALCULATION_VERSION,
        "inputs_digest": digest(inputs),
    }
    known: Result | None = Result.objects.filter(**key).first()
    if known:
        return known
    row = Result(
        **key,
        **computed.figures,
        computed_at=timezone.now(),
        inputs=inputs,
        detail=computed.detail,
        content_digest=computed.digest,
    )
    Result.objects.bulk_create([row], ignore_conflicts=True)
    stored: Result = Result.objects.get(**key)
    if stored.id == row.id:
        events.record(
            service_actor(),
            "session.evaluated",
            "session",
            loaded.session.id,
            data={
                "result": str(row.id),
                "verdict": row.verdict,
                "outcome": row.outcome,
                "row": events.row_digest(row),
            },
            content_digest=row.content_digest,
        )
    return stored


def _in_turn(loaded: Loaded, inputs: dict[str, Any]) -> dict[str, Any]:
    """The inputs, marked with a turn when they held before, others after them, and now they hold again.

    The newest result counts and none ever changes, so what came back needs a row of its own.
    """
    rows = Result.objects.filter(session=loaded.session, calculation_version=calc.CALCULATION_VERSION)
    older = list(rows.order_by("computed_at", "id").values_list("inputs_digest", flat=True))[:-1]
    turn, marked = 1, inputs
    while digest(marked) in older:
        turn += 1
        marked = {**inputs, "turn": turn}
    return marked
