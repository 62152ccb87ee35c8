"""Where a job stands: each session with its figure and open flags, each point's state, what is missing.

Read in a constant number of statements. A point's state follows from what counts at it; nothing is stored.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Any
from uuid import UUID

from django.contrib.postgres.aggregates import StringAgg
from django.db.models import Count, Exists, OuterRef, QuerySet, Subquery, Sum, TextField, Value
from django.db.models.fields.json import KeyTransform
from django.db.models.functions import MD5, Cast

from jobs.access import Actor
from jobs.errors import NotFound
from jobs.models import Job, Member, PointKind, System, TestPoint
from jobs.queries import visible
from measurements.current import current_results, current_sessions
from measurements.models import AnswerKind, Flag, FlagAnswer, Result, Session, SessionVoid, Severity
from measurements.queries import HEAVY, MEASURED_KINDS, newest_answer, open_flags

ZERO_RULE = "zero_not_checked"
WITH_DAMPER = (PointKind.OUTLET, PointKind.VALVE)
"""Points that have something to set, whose final position is marked (common practice, no source)."""


class Counts(StrEnum):
    """Whether a session counts."""

    CURRENT = "current"
    SUPERSEDED = "superseded"
    VOID = "void"


class Standing(StrEnum):
    """How far a test point is, worst last."""

    TO_DO = "to_do"
    DONE = "done"
    MEASURED = "measured"
    FLAGGED = "flagged"
    REMEASURE = "remeasure"


class Lacks(StrEnum):
    """What a job may lack before it is handed over."""

    SESSION = "session"
    REMEASURE = "remeasure"
    EVALUATION = "evaluation"
    ZERO_CHECK = "zero_check"
    MARK = "mark"


@dataclass(frozen=True)
class OpenFlag:
    """A flag that nobody accepted and nothing settled. `asked`: the request to measure again, if any."""

    flag: Flag
    asked: FlagAnswer | None = None

    @property
    def weighs(self) -> bool:
        """Whether it is more than for information."""
        return self.asked is not None or self.flag.severity != Severity.REMARK


@dataclass(frozen=True)
class SessionLine:
    """A session with its newest result. `stands`: it is the figure of its point, not an earlier round's."""

    session: Session
    counts: Counts
    stands: bool
    result: Result | None = None
    flags: tuple[OpenFlag, ...] = ()


@dataclass(frozen=True)
class PointLine:
    """A test point with the sessions that stand there and the flags on it that belong to no session."""

    point: TestPoint
    sessions: tuple[SessionLine, ...] = ()
    flags: tuple[OpenFlag, ...] = ()

    @property
    def needed(self) -> bool:
        """Whether the job is not complete without a figure here."""
        return self.point.kind in MEASURED_KINDS

    @property
    def every_flag(self) -> tuple[OpenFlag, ...]:
        return (*self.flags, *(flag for one in self.sessions for flag in one.flags))

    @property
    def state(self) -> Standing:
        if any(flag.asked for flag in self.every_flag):
            return Standing.REMEASURE
        if any(flag.weighs for flag in self.every_flag):
            return Standing.FLAGGED
        if not self.sessions:
            return Standing.TO_DO
        waiting = any(one.result is None for one in self.sessions)
        return Standing.MEASURED if waiting else Standing.DONE


@dataclass(frozen=True)
class SystemLine:
    system: System
    points: tuple[PointLine, ...]


@dataclass(frozen=True)
class Lack:
    """One thing that is missing, with its place."""

    kind: Lacks
    system: System
    point: TestPoint
    session: Session | None = None
    flag: OpenFlag | None = None


@dataclass(frozen=True)
class JobStanding:
    """A job as the service knows it now. `flags`: open ones that belong to no point of its systems."""

    job: Job
    sessions: tuple[SessionLine, ...]
    systems: tuple[SystemLine, ...]
    flags: tuple[OpenFlag, ...]
    adjusted: Mapping[UUID, bool]
    """By point whose damper or valve was set: whether it was marked as it stands in the end."""

    @property
    def points(self) -> list[PointLine]:
        return [point for system in self.systems for point in system.points]

    @cached_property
    def missing(self) -> list[Lack]:
        """What is missing to hand the job over, in the order of systems and points."""
        return [lack for system in self.systems for lack in _lacks(system, self.adjusted)]


def visible_job(actor: Actor | None, job_id: UUID) -> Job:
    """Raises NotFound for a job that the actor does not see."""
    job = visible(Job.objects.all(), actor).filter(id=job_id).first()
    if job is None:
        raise NotFound()
    return job


def standing_of(job: Job) -> JobStanding:
    """How a job stands, in a constant number of statements."""
    systems = list(System.objects.filter(job_systems__job=job.id).order_by("tag"))
    points = TestPoint.objects.filter(system__in=systems).order_by("position", "tag")
    flags = _open_flags(job)
    sessions = _sessions(job, flags)
    lines = _points(points, systems, sessions, flags)
    placed = {point.point.id for own in lines.values() for point in own}
    return JobStanding(
        job=job,
        sessions=tuple(sessions),
        systems=tuple(SystemLine(system, tuple(lines[system.id])) for system in systems),
        flags=tuple(
            flag for flag in flags if flag.flag.session_id is None and flag.flag.test_point_id not in placed
        ),
        adjusted=_adjusted(sessions),
    )


def pulse(job_id: UUID) -> str:
    """Another text whenever `standing_of` the job would say something else. One statement.

    What was measured is never changed or deleted, so its number of rows tells; what may change has a version.
    """
    points = TestPoint.objects.filter(system__job_systems__job=OuterRef("id"))
    systems = System.objects.filter(job_systems__job=OuterRef("id"))
    found = Job.objects.filter(id=job_id).values_list(
        "version",
        "status",
        _of_all(Session.objects.filter(job=OuterRef("id")), Count("id")),
        _of_all(Result.objects.filter(session__job=OuterRef("id")), Count("id")),
        _of_all(SessionVoid.objects.filter(session__job=OuterRef("id")), Count("id")),
        _of_all(Flag.objects.filter(job=OuterRef("id")), Count("id")),
        _of_all(FlagAnswer.objects.filter(flag__job=OuterRef("id")), Count("id")),
        _of_all(systems, Count("id")),
        _of_all(systems, Sum("version")),
        _of_all(points, Count("id")),
        _of_all(points, Sum("version")),
        _of_all(points, MD5(StringAgg(Cast("id", TextField()), Value(""), order_by="id"))),
        _of_all(Member.objects.all(), Sum("version")),
    )
    return "-".join(str(part or 0) for part in found.get())


def _of_all(rows: QuerySet[Any], aggregate: Any) -> Subquery:
    return Subquery(rows.order_by().values("company").annotate(all=aggregate).values("all"))


def _open_flags(job: Job) -> list[OpenFlag]:
    rows = open_flags(Flag.objects.filter(job=job.id).annotate(newest_answer=newest_answer()))
    found = list(rows.order_by("raised_at", "id"))
    asked = FlagAnswer.objects.filter(flag__in=found, kind=AnswerKind.REMEASURE).select_related("member")
    newest = {row.flag_id: row for row in asked.order_by("answered_at", "id")}
    return [OpenFlag(flag, newest.get(flag.id)) for flag in found]


def _sessions(job: Job, flags: Iterable[OpenFlag]) -> list[SessionLine]:
    """All sessions of the job in the order they were measured."""
    rows: QuerySet[Session] = Session.objects.filter(job=job.id).select_related("member", "test_point")
    rows = rows.annotate(
        is_superseded=Exists(Session.objects.filter(supersedes=OuterRef("id"))),
        is_void=Exists(SessionVoid.objects.filter(session=OuterRef("id"))),
        adjustment=KeyTransform("adjustment", "content"),
    )
    found = list(rows.defer("content").order_by("started_at", "id"))
    results = current_results([one.id for one in found], *HEAVY)
    stands = {one.id for one in current_sessions([job.id]).only("id")}
    raised: dict[UUID, list[OpenFlag]] = defaultdict(list)
    for flag in flags:
        if flag.flag.session_id:
            raised[flag.flag.session_id].append(flag)
    return [
        SessionLine(
            one, _counts(one), one.id in stands, results.get(one.id), _of_session(one, raised[one.id])
        )
        for one in found
    ]


def _counts(session: Any) -> Counts:
    if session.is_superseded:
        return Counts.SUPERSEDED
    return Counts.VOID if session.is_void else Counts.CURRENT


def _of_session(session: Session, flags: Sequence[OpenFlag]) -> tuple[OpenFlag, ...]:
    """Nothing is open on a session that counts no more, though the worker may not have said so yet."""
    return tuple(flags) if _counts(session) is Counts.CURRENT else ()


def _points(
    points: Iterable[TestPoint],
    systems: Iterable[System],
    sessions: Iterable[SessionLine],
    flags: Iterable[OpenFlag],
) -> dict[UUID, list[PointLine]]:
    measured: dict[UUID, list[SessionLine]] = defaultdict(list)
    for one in sessions:
        if one.stands:
            measured[one.session.test_point_id].append(one)
    of_point: dict[UUID, list[OpenFlag]] = defaultdict(list)
    for flag in flags:
        if flag.flag.session_id is None and flag.flag.test_point_id:
            of_point[flag.flag.test_point_id].append(flag)
    found: dict[UUID, list[PointLine]] = {system.id: [] for system in systems}
    for point in points:
        line = PointLine(point, tuple(measured[point.id]), tuple(of_point[point.id]))
        found[point.system_id].append(line)
    return found


def _adjusted(sessions: Iterable[SessionLine]) -> dict[UUID, bool]:
    """By point: whether the last setting told is marked. A void session told nothing."""
    told: dict[UUID, bool] = {}
    for one in sessions:
        adjustment = one.session.adjustment  # type: ignore[attr-defined]
        if adjustment and one.counts is not Counts.VOID:
            told[one.session.test_point_id] = bool(adjustment.get("marked"))
    return told


def _lacks(system: SystemLine, adjusted: Mapping[UUID, bool]) -> Iterable[Lack]:
    balanced = any(line.point.id in adjusted for line in system.points)
    for line in system.points:
        point = line.point
        if line.needed and not line.sessions:
            yield Lack(Lacks.SESSION, system.system, point)
        for flag in line.every_flag:
            if flag.asked:
                yield Lack(Lacks.REMEASURE, system.system, point, flag=flag)
        for one in line.sessions:
            if one.result is None:
                yield Lack(Lacks.EVALUATION, system.system, point, one.session)
            if any(flag.flag.rule == ZERO_RULE for flag in one.flags):
                yield Lack(Lacks.ZERO_CHECK, system.system, point, one.session)
        settable = balanced and point.kind in WITH_DAMPER and line.sessions
        if settable and not adjusted.get(point.id, False):
            yield Lack(Lacks.MARK, system.system, point)
