"""Which session and which result of a test point count: said once, for rules, overviews and reports."""

from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django.db.models import Case, Exists, F, IntegerField, OuterRef, QuerySet, TextField, Value, When

from jobs.models import Measurand
from measurements.methods import METHODS
from measurements.models import Method, Result, Session, SessionVoid

FLOW = Measurand.FLOW.value
FLOW_METHODS = [kind.method.value for kind in METHODS.values() if kind.measurand == Measurand.FLOW]


def counting(rows: QuerySet[Session]) -> QuerySet[Session]:
    """Of these, the sessions that no other one superseded and that nobody made void.

    What a void session superseded stays superseded: it does not count again (see `correct.py`).
    """
    superseded = Exists(Session.objects.filter(supersedes=OuterRef("id")))
    return rows.filter(~superseded, ~Exists(SessionVoid.objects.filter(session=OuterRef("id"))))


def current_sessions(jobs: Iterable[UUID]) -> QuerySet[Session]:
    """For each job, test point and thing measured the session that counts: the newest, see `counting`.

    Several methods find one flow (`about` is "flow"); any other method stands for itself. A reading that may
    carry a verdict goes before a screening one, however new.
    """
    screening = Case(
        When(method=Method.CENTRELINE_READING, then=Value(1)), default=Value(0), output_field=IntegerField()
    )
    about = Case(
        When(method__in=FLOW_METHODS, then=Value(FLOW)), default=F("method"), output_field=TextField()
    )
    rows = counting(Session.objects.filter(job__in=list(jobs)))
    rows = rows.annotate(screening=screening, about=about)
    rows = rows.order_by("job_id", "test_point_id", "about", "screening", "-started_at", "-id")
    return rows.distinct("job_id", "test_point_id", "about")


def current_results(sessions: Iterable[UUID], *left_out: str) -> dict[UUID, Result]:
    """The newest result of each session, by session id. `left_out`: heavy columns not to be fetched."""
    rows: Any = Result.objects.filter(session__in=list(sessions)).defer(*left_out)
    rows = rows.order_by("session_id", "-computed_at", "-id").distinct("session_id")
    return {row.session_id: row for row in rows}
