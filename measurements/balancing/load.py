"""The rows that balancing looks at, in a number of statements that grows neither with points nor rounds."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Avg, Exists, OuterRef
from django.utils.translation import gettext

from jobs.access import Actor
from jobs.errors import NotFound
from jobs.events import digest
from jobs.models import Company, Job, JobSystem, Quantity, System, TestPoint
from jobs.queries import visible, visible_jobs
from measurements import calc
from measurements.balancing.fan import FanTest, found_in
from measurements.balancing.rounds import WAITING, Figure, Told
from measurements.current import FLOW_METHODS, current_results, current_sessions
from measurements.models import Correction, Method, Outcome, Reading, Result, Session, SessionVoid


@dataclass(frozen=True)
class Material:
    """All that one system's balance is made of. `current`: of each point the session that counts."""

    job: Job
    system: System
    company: Company
    points: list[TestPoint]
    figures: dict[UUID, list[Figure]]
    current: dict[UUID, UUID]
    fan_tests: dict[UUID, list[FanTest]]
    told: dict[UUID, list[Told]]
    """By point what was told of its damper with readings of others, oldest first."""

    @property
    def digest(self) -> str:
        """Changes whenever what follows from the material may."""
        rows = [
            (str(one.session), one.outcome, one.value, one.expanded, one.accepted, one.shown)
            for figures in self.figures.values()
            for one in figures
        ]
        tests = [
            (str(t.session), [(n, f.value) for n, f in t.found.items()])
            for s in self.fan_tests.values()
            for t in s
        ]
        return digest(
            {
                "version": calc.CALCULATION_VERSION,
                "job": [str(self.job.id), self.job.version],
                "company": self.company.version,
                "system": [str(self.system.id), self.system.version],
                "points": [(str(point.id), point.version) for point in self.points],
                "figures": rows,
                "fans": tests,
                "current": sorted((str(point), str(session)) for point, session in self.current.items()),
            }
        )


def load(actor: Actor, job_id: UUID, system_id: UUID) -> Material:
    """Raises NotFound where the actor sees no such job, or the system is not on it."""
    job = visible_jobs(actor).prefetch_related(None).filter(id=job_id).first()
    on_job = Exists(JobSystem.objects.filter(job=job_id, system=OuterRef("id")))
    system = visible(System.objects.all(), actor).filter(on_job, id=system_id).first()
    if job is None or system is None:
        raise NotFound(gettext("There is no such system on a job here."))
    points = list(TestPoint.objects.filter(system=system).order_by("position", "tag"))
    corrected = Exists(Correction.objects.filter(original=OuterRef("id")))
    void = Exists(SessionVoid.objects.filter(session=OuterRef("id")))
    rows = Session.objects.filter(job=job, test_point__system=system).filter(~corrected, ~void)
    wanted = [*FLOW_METHODS, Method.FAN_TEST]
    sessions = list(rows.filter(method__in=wanted).order_by("started_at", "id"))
    results = current_results([one.id for one in sessions], "inputs", "detail")
    shown = _shown(one.id for one in sessions if one.method == Method.HOOD_READING)
    counting = current_sessions([job.id]).filter(test_point__system=system, method__in=FLOW_METHODS)
    return Material(
        job,
        system,
        Company.objects.get(id=actor.company_id),
        points,
        _figures(sessions, results, shown),
        {one.test_point_id: one.id for one in counting.defer("content")},
        _fan_tests(sessions, results),
        _told(sessions),
    )


def _told(sessions: Iterable[Session]) -> dict[UUID, list[Told]]:
    found: dict[UUID, list[Told]] = defaultdict(list)
    for one in sessions:
        for row in one.content.get("turned", ()):
            point = UUID(row["test_point"])
            told = Told(point, one.started_at, row["setting"], bool(row["marked"]), row["done"])
            found[point].append(told)
    return dict(found)


def _shown(sessions: Iterable[UUID]) -> dict[UUID, float]:
    """Mean of the flows that a hood showed, m³/s, by session."""
    rows = Reading.objects.filter(session__in=list(sessions), quantity=Quantity.FLOW).order_by()
    return dict(rows.values("session").annotate(mean=Avg("value")).values_list("session", "mean"))


def _figures(
    sessions: Iterable[Session], results: dict[UUID, Result], shown: dict[UUID, float]
) -> dict[UUID, list[Figure]]:
    found: dict[UUID, list[Figure]] = defaultdict(list)
    settings: dict[UUID, str] = {}
    for one in sessions:
        told = one.content.get("adjustment") or {}
        setting, before = told.get("setting", ""), settings.get(one.test_point_id, "")
        moved = bool(told.get("done")) or bool(setting and before and setting != before)
        settings[one.test_point_id] = setting or before
        if one.method == Method.FAN_TEST:
            continue
        found[one.test_point_id].append(
            Figure(
                session=one.id,
                point=one.test_point_id,
                at=one.started_at,
                method=one.method,
                instrument=_instrument(one),
                shown=shown.get(one.id),
                setting=setting or before,
                marked=bool(told.get("marked")),
                done=told.get("done", ""),
                moved=moved,
                **_found(results.get(one.id)),
            )
        )
    return dict(found)


def _instrument(session: Session) -> str:
    """What the flow was read with: the hood, or the first instrument of another method."""
    used = session.content.get("instruments") or {}
    return str(used.get("hood") or next(iter(used.values()), ""))


def _found(result: Result | None) -> dict[str, Any]:
    if result is None:
        return {"outcome": WAITING}
    if result.outcome != Outcome.COMPUTED:
        return {"outcome": result.outcome, "refusal": result.refusal}
    expanded = result.value_expanded or 0.0
    return {
        "outcome": result.outcome,
        "value": result.value,
        "u": expanded / (result.coverage_factor or 2.0),
        "expanded": result.value_expanded,
        "share": result.share_of_design,
        "share_expanded": result.share_expanded,
        "verdict": result.verdict,
        "accepted": result.accepted,
    }


def _fan_tests(sessions: Iterable[Session], results: dict[UUID, Result]) -> dict[UUID, list[FanTest]]:
    """Fan tests by point; their details in one more statement."""
    tests = [
        one
        for one in sessions
        if one.method == Method.FAN_TEST and one.id in results and results[one.id].outcome == Outcome.COMPUTED
    ]
    rows = Result.objects.filter(id__in=[results[one.id].id for one in tests])
    details: dict[UUID, Any] = dict(rows.values_list("session", "detail"))
    found: dict[UUID, list[FanTest]] = defaultdict(list)
    for one in tests:
        figures = found_in(details[one.id].get("results", {}))
        found[one.test_point_id].append(
            FanTest(one.id, one.started_at, one.content.get("told") or {}, figures)
        )
    return dict(found)
