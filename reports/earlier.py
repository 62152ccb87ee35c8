"""The figure that stood before: of a session that was replaced, else of an earlier job at the same point."""

from collections.abc import Collection
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Q

from jobs.models import JobStatus
from measurements.calc.system import Change
from measurements.current import counting, current_results
from measurements.methods import METHODS
from measurements.models import Method, Outcome, Result, Session
from measurements.rules.systems import change_between
from reports.material import Material
from reports.reviewset import Measured, ReviewSet


@dataclass(frozen=True)
class Before:
    """An earlier session with its result. `job`: its number where it was another job's, else None."""

    session: Session
    result: Result
    job: int | None
    change: Change | None
    values: tuple[float, float] | None = None
    """Now and then as compared: flows of air at standard density."""


def befores(found: ReviewSet, material: Material, sessions: Collection[UUID]) -> dict[UUID, Before]:
    """By session what stood before it; two statements at the most."""
    wanted = [one for one in found.measured if one.session.id in sessions]
    made: dict[UUID, Before] = {}
    for one in wanted:
        for old in one.replaced:
            result = material.old_results.get(old.id)
            if result is not None and result.outcome == Outcome.COMPUTED:
                made[one.session.id] = _before(one, old, result, None)
                break
    others = _of_earlier_jobs(found, [one for one in wanted if one.session.id not in made])
    return made | others


def _before(one: Measured, old: Session, result: Result, job: int | None) -> Before:
    now = one.result
    if now is None or now.outcome != Outcome.COMPUTED or now.measurand != result.measurand:
        return Before(old, result, job, None)
    change, values = change_between(now, result)
    return Before(old, result, job, change, values)


def _of_earlier_jobs(found: ReviewSet, wanted: list[Measured]) -> dict[UUID, Before]:
    if not wanted:
        return {}
    points = {one.session.test_point_id for one in wanted}
    latest = max(one.session.started_at for one in wanted)
    rows = counting(Session.objects.filter(test_point__in=points, started_at__lt=latest))
    rows = rows.exclude(Q(job=found.job) | Q(job__status=JobStatus.CANCELLED))
    rows = rows.exclude(method=Method.CENTRELINE_READING).select_related("job", "member")
    rows = rows.order_by("test_point_id", "method", "-started_at", "-id").distinct("test_point_id", "method")
    sessions = sorted(rows, key=lambda row: row.started_at, reverse=True)
    results = current_results([row.id for row in sessions], "inputs")
    made: dict[UUID, Before] = {}
    for one in wanted:
        old = next((row for row in sessions if row.id in results and _is_before(row, one)), None)
        if old is not None and results[old.id].outcome == Outcome.COMPUTED:
            made[one.session.id] = _before(one, old, results[old.id], old.job.number)
    return made


def _is_before(row: Session, one: Measured) -> bool:
    session = one.session
    same = METHODS[row.method].measurand == METHODS[session.method].measurand
    here = row.test_point_id == session.test_point_id and row.started_at < session.started_at
    return here and same
