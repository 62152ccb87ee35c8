"""What a person may see of measurements, and how it is fetched. Every door reads through here."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db.models import (
    Case,
    Count,
    Exists,
    FloatField,
    OuterRef,
    Prefetch,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
)
from django.db.models.functions import Abs, Coalesce

from jobs.access import Actor
from jobs.models import DueState, DueWork, Job, PointKind, System, TestPoint
from jobs.queries import visible
from measurements.current import FLOW, current_results, current_sessions
from measurements.models import (
    AnswerKind,
    Correction,
    Flag,
    FlagAnswer,
    Reading,
    RecallCase,
    RecallDecision,
    RecallItem,
    RecallPart,
    Result,
    Session,
    SessionVoid,
    Severity,
    Sweep,
)

HEAVY = ("inputs", "detail")
MEASURED_KINDS = (PointKind.PLANE, PointKind.OUTLET)
"""Points that a job is not complete without."""
STATES = ("waiting", "computed", "refused", "superseded", "void")


def visible_sessions(actor: Actor | None) -> QuerySet[Session]:
    """Sessions with their place, who measured, the newest result, and whether they are superseded or void.

    `newest_results` on each holds one result at most, without its inputs and detail; `made_by` the correction
    that it is, if it is one; `void_notes` the notes that made it void, oldest first.
    """
    newest = Result.objects.order_by("session_id", "-computed_at", "-id").distinct("session_id")
    rows = with_state(Session.objects.select_related("job", "test_point__system", "member"))
    results = Prefetch("results", newest.defer(*HEAVY), to_attr="newest_results")
    corrections = Prefetch("corrections", Correction.objects.select_related("member"), to_attr="made_by")
    notes = SessionVoid.objects.select_related("member").order_by("at", "id")
    voids = Prefetch("voids", notes, to_attr="void_notes")
    return visible(rows.prefetch_related(results, corrections, voids), actor)


def with_state(rows: QuerySet[Session]) -> QuerySet[Session]:
    """Sessions with what `in_state` and `state_of` look at."""
    superseded = Exists(Session.objects.filter(supersedes=OuterRef("id")))
    outcome = Result.objects.filter(session=OuterRef("id")).order_by("-computed_at", "-id").values("outcome")
    void = Exists(SessionVoid.objects.filter(session=OuterRef("id")))
    return rows.annotate(is_superseded=superseded, is_void=void, newest_outcome=Subquery(outcome[:1]))


def in_state(rows: QuerySet[Session], state: str) -> QuerySet[Session]:
    """Sessions `with_state` in one of STATES."""
    if state == "superseded":
        return rows.filter(Q(("is_superseded", True)))
    rows = rows.filter(Q(("is_superseded", False)))
    if state == "void":
        return rows.filter(Q(("is_void", True)))
    outcome = None if state == "waiting" else state
    return rows.filter(Q(("is_void", False)) & Q(("newest_outcome", outcome)))


def state_of(session: Session) -> str:
    """One of STATES, for a row `with_state`."""
    if session.is_superseded:  # type: ignore[attr-defined]
        return "superseded"
    if session.is_void:  # type: ignore[attr-defined]
        return "void"
    return session.newest_outcome or "waiting"  # type: ignore[attr-defined,no-any-return]


def readings_of(session: Session) -> list[Reading]:
    """In the order of the traverse."""
    return list(session.readings.order_by("run", "line", "point", "taken_at", "id"))


def sweeps_of(session: Session) -> list[Sweep]:
    return list(session.sweeps.order_by("run", "line", "started_at", "id"))


def newest_answer() -> Subquery:
    """The kind of a flag's newest answer."""
    answers = FlagAnswer.objects.filter(flag=OuterRef("id")).order_by("-answered_at", "-id")
    return Subquery(answers.values("kind")[:1])


def visible_flags(actor: Actor | None) -> QuerySet[Flag]:
    """Flags with place and answers, and `newest_answer`: the kind of the newest one, None when open."""
    answers = FlagAnswer.objects.select_related("member").order_by("-answered_at", "-id")
    rows = Flag.objects.select_related("job", "system", "test_point").annotate(newest_answer=newest_answer())
    return visible(rows.prefetch_related(Prefetch("answers", answers)), actor)


def open_flags(rows: QuerySet[Flag]) -> QuerySet[Flag]:
    """Flags without an answer, and those sent back where nothing settled it yet."""
    return rows.filter(Q(newest_answer=None) | Q(newest_answer=AnswerKind.REMEASURE))


def settled_flags(rows: QuerySet[Flag]) -> QuerySet[Flag]:
    """The others: accepted with a reason, or no longer so."""
    return rows.filter(Q(newest_answer=AnswerKind.ACCEPT) | Q(newest_answer=AnswerKind.CLEARED))


def visible_results(actor: Actor | None) -> QuerySet[Result]:
    return visible(Result.objects.select_related("session__test_point__system", "session__job"), actor)


@dataclass
class PointFigure:
    """A test point of a job with a session and result that count; once for each thing measured there."""

    point: TestPoint
    session: Session | None = None
    result: Result | None = None
    open_flags: int = 0


@dataclass
class SystemFigures:
    system: System
    points: list[PointFigure] = field(default_factory=list)


@dataclass
class JobOverview:
    """Where a job stands: points that need a figure, those that have one, and what is flagged."""

    points: int = 0
    measured: int = 0
    waiting: int = 0
    must_answer: int = 0
    should_answer: int = 0

    def add_flags(self, severity: str, number: int) -> None:
        self.must_answer += number if severity == Severity.STOP else 0
        self.should_answer += number if severity == Severity.WARNING else 0

    @property
    def to_do(self) -> int:
        return self.points - self.measured


@dataclass
class JobResults:
    """Where a job stands, and the figure that counts at each of its points."""

    overview: JobOverview
    systems: list[SystemFigures]


def job_results(job: Job) -> JobResults:
    """Systems, points and current results of one job, in a constant number of statements."""
    systems = System.objects.filter(job_systems__job=job.id).order_by("tag")
    found = {system.id: SystemFigures(system) for system in systems}
    current = list(current_sessions([job.id]).select_related("member"))
    sessions: dict[UUID, list[Session]] = defaultdict(list)
    for one in current:
        sessions[one.test_point_id].append(one)
    results = current_results([one.id for one in current], *HEAVY)
    overview, raised = JobOverview(waiting=len(current) - len(results)), Counter[UUID | None]()
    for row in _open_flag_counts([job.id], "test_point"):
        overview.add_flags(row["severity"], row["number"])
        raised[row["test_point"]] += row["number"] if row["severity"] != Severity.REMARK else 0
    for point in TestPoint.objects.filter(system__in=list(found)).order_by("position", "tag"):
        flags = raised[point.id]
        if point.kind in MEASURED_KINDS:
            overview.points += 1
            overview.measured += any(one.about == FLOW for one in sessions[point.id])  # type: ignore[attr-defined]
        figures = [PointFigure(point, s, results.get(s.id), flags) for s in sessions[point.id]]
        found[point.system_id].points += figures or [PointFigure(point, open_flags=flags)]
    return JobResults(overview, list(found.values()))


def _open_flag_counts(jobs: list[UUID], *by: str) -> QuerySet[Flag, dict[str, Any]]:
    """Open flags counted by severity and what else is told."""
    rows = open_flags(Flag.objects.filter(job__in=jobs).annotate(newest_answer=newest_answer()))
    return rows.order_by().values(*by, "severity").annotate(number=Count("id"))


def job_overviews(jobs: Iterable[UUID]) -> dict[UUID, JobOverview]:
    """Overview of each job, in a constant number of statements however many jobs."""
    wanted = list(jobs)
    found: dict[UUID, JobOverview] = defaultdict(JobOverview)
    points = TestPoint.objects.filter(kind__in=MEASURED_KINDS, system__job_systems__job__in=wanted)
    needed = set(points.values_list("system__job_systems__job", "id"))
    for job, _ in needed:
        found[job].points += 1
    evaluated = Exists(Result.objects.filter(session=OuterRef("id")))
    for session in current_sessions(wanted).annotate(is_evaluated=evaluated).defer("content"):
        wanted_flow = session.about == FLOW  # type: ignore[attr-defined]
        if wanted_flow and (session.job_id, session.test_point_id) in needed:
            found[session.job_id].measured += 1
        found[session.job_id].waiting += not session.is_evaluated  # type: ignore[attr-defined]
    for row in _open_flag_counts(wanted, "job"):
        found[row["job"]].add_flags(row["severity"], row["number"])
    return {job: found[job] for job in wanted}


def visible_recalls(actor: Actor | None) -> QuerySet[RecallCase]:
    """Recall cases with instrument and certificates, and how many sessions are in them and undecided.

    `counted`, `undecided`, `changed` (verdicts) count current items; `busy` tells that some are computed now.
    """
    rows = RecallCase.objects.select_related("instrument", "certificate", "last_good", "opened_by")
    items = RecallItem.objects.filter(case=OuterRef("id")).filter(_IS_CURRENT).order_by()
    counts = {
        "counted": items,
        "undecided": items.filter(_IS_UNDECIDED),
        "changed": items.filter(verdict_changed=True),
    }
    subqueries = {name: _count(found) for name, found in counts.items()}
    working = DueWork.objects.filter(subject_id=OuterRef("id"), kind="recall")
    parts = RecallPart.objects.filter(case=OuterRef("id"))
    return visible(rows.annotate(**subqueries, busy=Exists(working) | Exists(parts)), actor)


_IS_CURRENT = ~Exists(
    RecallItem.objects.filter(case=OuterRef("case"), session=OuterRef("session"), id__gt=OuterRef("id"))
)
_IS_UNDECIDED = ~Exists(RecallDecision.objects.filter(item=OuterRef("id")))


def _count(rows: QuerySet[RecallItem]) -> Coalesce:
    counted = rows.values("case").annotate(number=Count("id")).values("number")
    return Coalesce(Subquery(counted), 0)


def cases_at_work() -> QuerySet[RecallCase]:
    """Cases that have sessions to be looked for or computed now, or whose work was given up."""
    working = DueWork.objects.filter(subject_id=OuterRef("id"), kind="recall")
    parts = RecallPart.objects.filter(case=OuterRef("id"))
    rows = RecallCase.objects.select_related("certificate", "last_good")
    return rows.filter(Exists(working) | Exists(parts))


def given_up(case: RecallCase) -> str:
    """Why some of a case's work was parked; empty when none was."""
    parts = RecallPart.objects.filter(case=case).values("id")
    parked = DueWork.objects.filter(state=DueState.PARKED).filter(
        Q(kind="recall", subject_id=case.id) | Q(kind="recall_part", subject_id__in=parts)
    )
    return parked.values_list("error", flat=True).first() or ""


def newest_items(rows: QuerySet[RecallItem]) -> QuerySet[RecallItem]:
    """Of these, the newest of each case and session."""
    return rows.filter(_IS_CURRENT)


def current_items(case: RecallCase) -> QuerySet[RecallItem]:
    """The newest item of each session of a case."""
    return newest_items(RecallItem.objects.filter(case=case))


def undecided_items(case: RecallCase) -> QuerySet[RecallItem]:
    """Those that nobody decided on yet."""
    return current_items(case).filter(_IS_UNDECIDED)


def recall_items(case: RecallCase) -> QuerySet[RecallItem]:
    """Current items with session, place, result and decisions, newest first; worst first.

    Changed verdicts stand before the rest, then by how far the value moved. `is_superseded`: another session
    has replaced this one, or it is void.
    """
    decisions = RecallDecision.objects.select_related("member").order_by("-decided_at", "-id")
    rows = current_items(case).select_related(
        "result", "session__job__site__customer", "session__test_point__system", "session__member"
    )
    rows = rows.defer("result__inputs", "result__detail", "session__content")
    newer = Session.objects.filter(supersedes=OuterRef("session"))
    superseded = Q(Exists(newer)) | Q(Exists(SessionVoid.objects.filter(session=OuterRef("session"))))
    lost = Case(When(accepted=False, result__accepted=True, then=Value(0)), default=Value(1))
    far = Coalesce(Abs("shift"), Value(1e9), output_field=FloatField())
    rows = rows.annotate(is_superseded=superseded, lost=lost, far=far)
    rows = rows.prefetch_related(Prefetch("decisions", decisions))
    return rows.order_by("-verdict_changed", "lost", "-moved", "-far", "session_id")
