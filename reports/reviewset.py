"""All that an approval would bind: sessions that count, their results, flags with answers, what is missing.

The set's digest is what a supervisor sends back with the approval: any session, result, flag, answer or
change of a point or setting that came in between gives another digest.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from typing import Any
from uuid import UUID

from jobs.events import digest
from jobs.models import Company, Job, Measurand, PointKind, System, TestPoint
from measurements.methods import METHODS
from measurements.models import (
    AnswerKind,
    Correction,
    Flag,
    FlagAnswer,
    Method,
    Outcome,
    Result,
    Session,
    SessionVoid,
    Severity,
    Verdict,
)
from reports import deferrals
from reports.models import Deferral
from reports.photos import Chosen, of_job

MEASURED_KINDS = frozenset({PointKind.PLANE, PointKind.OUTLET})
SEVERITY_RANK = {Severity.STOP.value: 0, Severity.WARNING.value: 1, Severity.REMARK.value: 2}
VERDICT_RANK = {
    Verdict.FAIL.value: 0,
    Verdict.CONDITIONAL_FAIL.value: 1,
    Verdict.NOT_DECIDABLE.value: 2,
    Verdict.CONDITIONAL_PASS.value: 3,
    Verdict.PASS.value: 4,
}


@dataclass(frozen=True)
class FlagState:
    """A flag with its answers, newest first."""

    flag: Flag
    answers: tuple[FlagAnswer, ...] = ()

    @property
    def newest(self) -> FlagAnswer | None:
        return self.answers[0] if self.answers else None

    @property
    def state(self) -> str:
        """open, accept, remeasure or cleared."""
        return self.newest.kind if self.newest else "open"

    @property
    def blocks(self) -> bool:
        """Whether an approval has to wait: it must be answered, or was sent back and nothing came yet."""
        if self.state == AnswerKind.REMEASURE:
            return True
        return self.state == "open" and self.flag.severity == Severity.STOP

    @property
    def rank(self) -> tuple[int, int, str]:
        return (0 if self.blocks else 1, SEVERITY_RANK[self.flag.severity], self.flag.rule)


@dataclass(frozen=True)
class Measured:
    """A session that counts, with its newest result, its flags and the sessions it replaced."""

    session: Session
    result: Result | None
    flags: tuple[FlagState, ...] = ()
    replaced: tuple[Session, ...] = ()


def _measurand(one: Measured) -> str:
    """What a session is about. Several methods find one flow; else each stands for itself."""
    measurand = METHODS[one.session.method].measurand
    return measurand if measurand == Measurand.FLOW else str(one.session.method)


@dataclass(frozen=True)
class Left:
    """A session that was made void, or moved from its test point by a correction, with what it had found."""

    session: Session
    result: Result | None
    notes: tuple[SessionVoid, ...] = ()
    moved: Correction | None = None


@dataclass(frozen=True)
class PointState:
    """A test point of the job with its sessions, oldest first; the last one is the figure that stands.

    Screening readings stand before all others: however new, they never displace one that carries a verdict.
    """

    point: TestPoint
    sessions: tuple[Measured, ...] = ()

    @property
    def final(self) -> Measured | None:
        """The figure that stands: the flow where one was measured, else the last of all."""
        flows = [one for one in self.sessions if _measurand(one) == Measurand.FLOW]
        return (flows or self.sessions or (None,))[-1]

    @property
    def standing(self) -> tuple[Measured, ...]:
        """The figure that stands of each thing measured here: a fan may have its pressure and its sound."""
        last = {_measurand(one): one for one in self.sessions}
        return tuple(last.values())

    @property
    def missing(self) -> bool:
        return not self.sessions and self.point.kind in MEASURED_KINDS


@dataclass(frozen=True)
class SystemState:
    system: System
    points: tuple[PointState, ...]
    flags: tuple[FlagState, ...] = ()


@dataclass(frozen=True)
class ReviewSet:
    """The evidence of a job as it stands now."""

    company: Company
    job: Job
    systems: tuple[SystemState, ...]
    flags: tuple[FlagState, ...]
    past_flags: tuple[FlagState, ...]
    measured: tuple[Measured, ...]
    stray: tuple[Measured, ...] = field(default=())
    late: frozenset[UUID] = frozenset()
    deferrals: Mapping[UUID, Deferral] = field(default_factory=dict)
    left: tuple[Left, ...] = ()
    corrections: Mapping[UUID, Correction] = field(default_factory=dict)
    """By session that is one."""
    voids: Mapping[UUID, tuple[SessionVoid, ...]] = field(default_factory=dict)
    """Notes by void session, oldest first."""
    photos: tuple[Chosen, ...] = ()
    """Photos and notes of the job, in the order they were taken."""

    @property
    def pending(self) -> list[Measured]:
        """Sessions that the calculation has not answered yet, or not since what it rests on changed."""
        return [one for one in self.measured if one.result is None or one.session.id in self.late]

    @property
    def blocking(self) -> list[FlagState]:
        return [flag for flag in self.flags if flag.blocks]

    @property
    def missing(self) -> list[TestPoint]:
        return [p.point for system in self.systems for p in system.points if p.missing]

    def deferral(self, state: PointState) -> Deferral | None:
        """Why a point is left for later, if it is: a measurement that came afterwards ends it."""
        row = self.deferrals.get(state.point.id)
        waits = row is not None and row.season and not self.measured_since(state)
        return row if waits else None

    def measured_since(self, state: PointState) -> bool:
        """Whether the point was measured after it was left for later."""
        row = self.deferrals.get(state.point.id)
        return row is not None and any(one.session.received_at > row.at for one in state.sessions)

    @cached_property
    def content(self) -> dict[str, Any]:
        """What the digest covers: identities, digests of evidence, versions of what may still change."""
        job, site = self.job, self.job.site
        return {
            "company": [str(self.company.id), self.company.version],
            "customer": [str(site.customer.id), site.customer.version],
            "site": [str(site.id), site.version],
            "job": [str(job.id), job.number, job.title, job.notes, job.tolerance_below, job.tolerance_above],
            "systems": [[str(s.system.id), s.system.version] for s in self.systems],
            "points": [[str(p.point.id), p.point.version] for s in self.systems for p in s.points],
            "sessions": sorted(_session_line(one) for one in self.measured),
            "replaced": sorted(
                [str(old.id), old.content_digest] for one in self.measured for old in one.replaced
            ),
            "flags": sorted(_flag_line(flag) for flag in (*self.flags, *self.past_flags)),
            "deferred": sorted(str(row.id) for row in self.deferrals.values()),
            **self._void_content(),
            **self._photo_content(),
        }

    def _photo_content(self) -> dict[str, Any]:
        """Those that documents show; nothing where none was chosen, for the same reason as below."""
        shown = sorted(one.bound for one in self.photos if one.shown)
        return {"photos": shown} if shown else {}

    def _void_content(self) -> dict[str, Any]:
        """Nothing where no session is void, so that a set without one keeps the digest it was approved by."""
        notes = sorted([str(one.session_id), str(one.id)] for notes in self.voids.values() for one in notes)
        return {"void": notes} if notes else {}

    @cached_property
    def digest(self) -> str:
        """SHA-256 over the set, hex."""
        return digest(self.content)


def _session_line(one: Measured) -> list[str]:
    return [str(one.session.id), one.session.content_digest, one.result.content_digest if one.result else ""]


def _flag_line(state: FlagState) -> list[str]:
    return [str(state.flag.id), str(state.newest.id) if state.newest else ""]


def load(job: Job) -> ReviewSet:
    """Reads the set in a constant number of statements. `job` comes with site and customer."""
    systems = list(System.objects.filter(job_systems__job=job).order_by("tag"))
    points = list(
        TestPoint.objects.filter(system__in=[s.id for s in systems]).order_by(
            "system__tag", "position", "tag"
        )
    )
    sessions = list(
        Session.objects.filter(job=job)
        .select_related("member", "test_point__system")
        .order_by("started_at", "id")
    )
    flags = _flags(job)
    corrections, voids = _corrections(sessions), _voids(sessions)
    superseded = {s.supersedes_id for s in sessions if s.supersedes_id}
    left = _left(sessions, superseded, corrections, voids)
    superseded |= voids.keys()
    results = _newest_results(sessions)
    measured = _measured(sessions, superseded, results, flags)
    current = tuple(sorted((f for f in flags if _is_current(f, superseded)), key=_flag_order))
    past = tuple(sorted((f for f in flags if not _is_current(f, superseded)), key=_flag_order))
    by_point: dict[UUID, list[Measured]] = defaultdict(list)
    for one in measured:
        by_point[one.session.test_point_id].append(one)
    known = {point.id for point in points}
    return ReviewSet(
        company=Company.objects.get(),
        job=job,
        systems=tuple(_system(s, points, by_point, current) for s in systems),
        flags=current,
        past_flags=past,
        measured=tuple(measured),
        stray=tuple(one for one in measured if one.session.test_point_id not in known),
        deferrals=deferrals.newest(job),
        left=tuple(replace(one, result=results.get(one.session.id)) for one in left),
        corrections=corrections,
        voids=voids,
        photos=tuple(of_job(job.id)),
    )


def load_session(session: Session) -> ReviewSet:
    """A set of one session, whether it counts or was replaced; for looking at it."""
    same = Session.objects.filter(job=session.job_id)  # a correction may have moved it to this test point
    sessions = list(same.select_related("member", "test_point__system"))
    by_id = {one.id: one for one in sessions}
    flags = [state for state in _flags(session.job) if state.flag.session_id == session.id]
    one = Measured(
        session=by_id[session.id],
        result=_newest_results([session]).get(session.id),
        flags=tuple(sorted(flags, key=_flag_order)),
        replaced=_replaced(by_id[session.id], by_id),
    )
    return ReviewSet(
        company=Company.objects.get(),
        job=session.job,
        systems=(),
        flags=one.flags,
        past_flags=(),
        measured=(one,),
        corrections=_corrections(sessions),
        voids=_voids(sessions),
        photos=tuple(of_job(session.job_id)),
    )


def _corrections(sessions: Sequence[Session]) -> dict[UUID, Correction]:
    rows = Correction.objects.filter(session__in=[one.id for one in sessions]).select_related(
        "member", "session"
    )
    return {row.session_id: row for row in rows}


def _voids(sessions: Sequence[Session]) -> dict[UUID, tuple[SessionVoid, ...]]:
    found: dict[UUID, list[SessionVoid]] = defaultdict(list)
    rows = SessionVoid.objects.filter(session__in=[one.id for one in sessions]).select_related("member")
    for row in rows.order_by("at", "id"):
        found[row.session_id].append(row)
    return {session: tuple(notes) for session, notes in found.items()}


def originals(one: Measured, found: ReviewSet) -> list[Session]:
    """Of the sessions that this one replaced, those that corrections were made of, newest first."""
    newer, kept = one.session, []
    for old in one.replaced:
        if newer.id in found.corrections:
            kept.append(old)
        newer = old
    return kept


def _left(
    sessions: Iterable[Session],
    superseded: Set[UUID],
    corrections: Mapping[UUID, Correction],
    voids: Mapping[UUID, tuple[SessionVoid, ...]],
) -> list[Left]:
    """Void sessions that no other one replaced, and those that a correction moved to another test point."""
    by_id = {one.id: one for one in sessions}
    left = [
        Left(one, None, voids[one.id]) for one in sessions if one.id in voids and one.id not in superseded
    ]
    for row in corrections.values():
        before, after = by_id.get(row.original_id), by_id[row.session_id]
        if before is not None and before.test_point_id != after.test_point_id:
            left.append(Left(before, None, moved=row))
    return left


def _flags(job: Job) -> list[FlagState]:
    answers: dict[UUID, list[FlagAnswer]] = defaultdict(list)
    rows = FlagAnswer.objects.filter(flag__job=job).select_related("member")
    for answer in rows.order_by("-answered_at", "-id"):
        answers[answer.flag_id].append(answer)
    flags = Flag.objects.filter(job=job).select_related("test_point", "system", "session").order_by("id")
    return [FlagState(flag, tuple(answers[flag.id])) for flag in flags]


def _is_current(state: FlagState, superseded: set[UUID]) -> bool:
    return state.flag.session_id not in superseded and state.state != AnswerKind.CLEARED


def _flag_order(state: FlagState) -> tuple[Any, ...]:
    return (*state.rank, str(state.flag.id))


def _newest_results(sessions: Iterable[Session]) -> dict[UUID, Result]:
    """The newest result of each session; an older one was computed by an older version."""
    rows = Result.objects.filter(session__in=[s.id for s in sessions]).order_by("computed_at", "id")
    return {row.session_id: row for row in rows}


def _measured(
    sessions: list[Session],
    superseded: set[UUID],
    results: dict[UUID, Result],
    flags: list[FlagState],
) -> list[Measured]:
    of_session: dict[UUID, list[FlagState]] = defaultdict(list)
    for state in flags:
        if state.flag.session_id and state.state != AnswerKind.CLEARED:
            of_session[state.flag.session_id].append(state)
    by_id = {session.id: session for session in sessions}
    return [
        Measured(
            session=session,
            result=results.get(session.id),
            flags=tuple(sorted(of_session[session.id], key=_flag_order)),
            replaced=_replaced(session, by_id),
        )
        for session in sessions
        if session.id not in superseded
    ]


def _replaced(session: Session, by_id: dict[UUID, Session]) -> tuple[Session, ...]:
    """The chain of sessions that this one replaced, newest first."""
    chain: list[Session] = []
    while session.supersedes_id is not None and (before := by_id.get(session.supersedes_id)):
        if before in chain:
            break
        chain.append(before)
        session = before
    return tuple(chain)


def _system(
    system: System,
    points: list[TestPoint],
    by_point: dict[UUID, list[Measured]],
    flags: tuple[FlagState, ...],
) -> SystemState:
    own = [point for point in points if point.system_id == system.id]
    ids = {point.id for point in own}
    for point in own:
        point.system = system
    of_system = (
        f
        for f in flags
        if f.flag.session_id is None and (f.flag.system_id == system.id or f.flag.test_point_id in ids)
    )
    return SystemState(
        system=system,
        points=tuple(
            PointState(point, tuple(sorted(by_point.get(point.id, ()), key=_standing))) for point in own
        ),
        flags=tuple(of_system),
    )


def _standing(one: Measured) -> tuple[bool, datetime, str]:
    screening = one.session.method == Method.CENTRELINE_READING
    return (not screening, one.session.started_at, str(one.session.id))


def is_computed(one: Measured) -> bool:
    return one.result is not None and one.result.outcome == Outcome.COMPUTED
