"""What a tablet needs to work without network: the person's jobs, points, layouts, instruments, settings.

The list is plain JSON with a digest of itself, so that an unchanged one costs one short answer.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Prefetch, Subquery
from django.utils import timezone
from django.utils.translation import gettext

from jobs.access import Action, Actor, require
from jobs.errors import Forbidden
from jobs.events import digest
from jobs.models import (
    Certificate,
    Company,
    Instrument,
    InstrumentAssignment,
    Job,
    JobStatus,
    JobSystem,
    PersonAssignment,
    Shape,
    TestPoint,
)
from measurements import calc
from measurements.current import current_sessions
from measurements.inputs import SHAPES, first_given
from measurements.methods import METHODS
from measurements.methods.described import described
from measurements.models import AnswerKind, Flag, FlagAnswer, Session
from measurements.queries import newest_answer

BEFORE, AFTER = timedelta(days=7), timedelta(days=14)
"""Jobs whose assignment touches this span around today are on the list."""
USUAL_WALL = 0.001
"""m of sheet metal, until the wall is measured on site (practice)."""


@dataclass(frozen=True)
class Worklist:
    content: dict[str, Any]

    @property
    def digest(self) -> str:
        return digest(self.content)


def worklist(actor: Actor, *, today: date | None = None) -> Worklist:
    """The work of the person who asks, in a constant number of statements. Raises Forbidden for a key."""
    require(actor, Action.MEASURE)
    if actor.member_id is None:
        raise Forbidden(gettext("A worklist is a person's: sign in on the tablet first."))
    day = today or timezone.now().date()
    company = Company.objects.get(id=actor.company_id)
    jobs = _jobs(actor.member_id, day)
    ids = [job.id for job in jobs]
    mine = {row.job_id: row for row in PersonAssignment.objects.filter(member=actor.member_id, job__in=ids)}
    systems = _systems(ids)
    points = _points({row.system_id for rows in systems.values() for row in rows})
    tools = _tools(ids)
    requests = _requests(ids)
    current = sorted(current_sessions(ids).defer("content"), key=lambda s: (s.started_at, s.id))
    done = {(s.job_id, s.test_point_id): s for s in current}
    return Worklist(
        {
            "company": _company(company),
            "methods": [described(kind) for kind in METHODS.values()],
            "person": {"id": str(actor.member_id), "name": actor.name, "units": _units(actor, company)},
            "jobs": [
                {
                    **_job(job),
                    "planned": _planned(mine[job.id]),
                    "systems": [
                        _system(row, points[row.system_id], job, company, tools[job.id], done)
                        for row in systems[job.id]
                    ],
                    "instruments": [_instrument(row, day) for row in tools[job.id]],
                    "remeasure": [_request(flag) for flag in requests[job.id]],
                }
                for job in jobs
            ],
        }
    )


def _units(actor: Actor, company: Company) -> str:
    """The system on the person's own screen: si or ip."""
    return (actor.units or str(company.unit_system)).lower()


def _jobs(member: UUID, day: date) -> list[Job]:
    mine = PersonAssignment.objects.filter(
        member=member, starts_on__lte=day + AFTER, ends_on__gte=day - BEFORE
    )
    jobs = Job.objects.select_related("site__customer").filter(id__in=Subquery(mine.values("job")))
    return list(jobs.exclude(status=JobStatus.CANCELLED).order_by("starts_on", "number"))


def _systems(jobs: Sequence[UUID]) -> dict[UUID, list[JobSystem]]:
    found = defaultdict(list)
    for row in JobSystem.objects.filter(job__in=jobs).select_related("system").order_by("system__tag"):
        found[row.job_id].append(row)
    return found


def _points(systems: Iterable[UUID]) -> dict[UUID, list[TestPoint]]:
    found = defaultdict(list)
    for point in TestPoint.objects.filter(system__in=list(systems)).order_by("position", "tag"):
        found[point.system_id].append(point)
    return found


def _tools(jobs: Sequence[UUID]) -> dict[UUID, list[InstrumentAssignment]]:
    found = defaultdict(list)
    certificates = Certificate.objects.filter(superseded_by=None).order_by("-calibrated_on", "-id")
    rows = InstrumentAssignment.objects.filter(job__in=jobs).select_related("instrument")
    rows = rows.prefetch_related(
        "instrument__ranges", Prefetch("instrument__certificates", queryset=certificates)
    )
    for row in rows.order_by("instrument__serial"):
        found[row.job_id].append(row)
    return found


def _requests(jobs: Sequence[UUID]) -> dict[UUID, list[Flag]]:
    """Flags whose newest answer asks for a re-measurement that has not come yet."""
    found = defaultdict(list)
    answers = FlagAnswer.objects.order_by("-answered_at", "-id")
    flags = Flag.objects.filter(job__in=jobs).annotate(newest_answer=newest_answer())
    flags = flags.filter(newest_answer=AnswerKind.REMEASURE).prefetch_related(Prefetch("answers", answers))
    for flag in flags.order_by("raised_at", "id"):
        found[flag.job_id].append(flag)
    return found


def _company(company: Company) -> dict[str, Any]:
    return {
        "id": str(company.id),
        "name": company.name,
        "unit_system": company.unit_system,
        "standard_density": company.standard_density,
        "decision_rule": company.decision_rule,
        "decision_parameter": company.decision_parameter,
    }


def _job(job: Job) -> dict[str, Any]:
    site = job.site
    return {
        "id": str(job.id),
        "number": job.number,
        "title": job.title,
        "status": job.status,
        "starts_on": job.starts_on.isoformat(),
        "ends_on": job.ends_on.isoformat(),
        "notes": job.notes,
        "site": {
            "name": site.name,
            "address": site.address,
            "elevation_m": site.elevation_m,
            "time_zone": site.time_zone,
            "customer": site.customer.name,
        },
    }


def _planned(row: PersonAssignment) -> dict[str, str]:
    """When the person is to be there: days at the site, and the moments in UTC."""
    return {
        "starts_on": row.starts_on.isoformat(),
        "ends_on": row.ends_on.isoformat(),
        "starts_at": row.starts_at.astimezone(UTC).isoformat(),
        "ends_at": row.ends_at.astimezone(UTC).isoformat(),
    }


def _system(
    row: JobSystem,
    points: Sequence[TestPoint],
    job: Job,
    company: Company,
    tools: Sequence[InstrumentAssignment],
    done: dict[tuple[UUID, UUID], Session],
) -> dict[str, Any]:
    reach = [t.instrument.probe_length_m for t in tools if t.instrument.probe_length_m]
    longest = max(reach, default=None)
    system = row.system
    return {
        "id": str(system.id),
        "tag": system.tag,
        "name": system.name,
        "kind": system.kind,
        "points": [_point(point, job, company, longest, done.get((job.id, point.id))) for point in points],
    }


def _point(
    point: TestPoint, job: Job, company: Company, probe: float | None, done: Session | None
) -> dict[str, Any]:
    return {
        "id": str(point.id),
        "tag": point.tag,
        "kind": point.kind,
        "location": point.location,
        "parent": str(point.parent_id) if point.parent_id else None,
        "shape": point.shape or None,
        "width_m": point.width_m,
        "height_m": point.height_m,
        "diameter_m": point.diameter_m,
        "design_flow_m3_s": point.design_flow,
        "design_entered": point.design_entered,
        "design_basis": point.design_basis,
        "design_of": point.design_of or None,
        "design_value": point.design_value,
        "limit_low": point.limit_low,
        "limit_high": point.limit_high,
        "tolerance_below": first_given(point.tolerance_below, job.tolerance_below, company.tolerance_below),
        "tolerance_above": first_given(point.tolerance_above, job.tolerance_above, company.tolerance_above),
        "layout": layout_of(point, probe),
        "current_session": str(done.id) if done else None,
    }


def layout_of(point: TestPoint, probe_length: float | None = None) -> dict[str, Any] | None:
    """Holes to drill and insertion depths to mark at a plane of known size; None where there is none.

    Marks are from the outside of the duct and allow for the usual wall; the tablet works them out anew when
    wall, lining or sizes are found to be others.
    """
    duct = _duct(point)
    if duct is None:
        return None
    try:
        work = calc.expected_work(duct, probe_length=probe_length)
    except calc.CalcError:
        return None
    layout, probe = work.layout, work.probe
    return {
        "rule": layout.rule.value,
        "lines": len(layout.holes),
        "points": work.advised.points_per_hole,
        "source": work.advised.source,
        "reason": work.advised.reason,
        "why": [
            {
                "across": asked.across.value,
                "size_m": asked.size,
                "asks": asked.asks,
                "source": asked.source,
                "provenance": asked.provenance.value,
            }
            for asked in work.advised.why
        ],
        "wall_m": USUAL_WALL,
        "holes": [
            {"label": h.label, "position_m": h.position, "angle_deg": h.angle, "outside_mark_m": h.mark}
            for h in layout.holes
        ],
        "depths": [
            {
                "label": p.label,
                "line": p.hole + 1,
                "point": p.row,
                "x_m": p.x,
                "y_m": p.y,
                "depth_m": p.depth,
                "mark_m": p.mark,
                "mark_from_far_side_m": p.opposite,
            }
            for p in layout.points
        ],
        "reach_m": layout.reach,
        "probe_reaches": probe.reaches if probe else None,
        "out_of_reach": list(probe.unreachable) if probe else [],
    }


def _duct(point: TestPoint) -> calc.Duct | None:
    if point.shape == Shape.ROUND and point.diameter_m:
        return calc.Duct(calc.Shape.ROUND, point.diameter_m, wall=USUAL_WALL)
    if point.shape in (Shape.RECTANGULAR, Shape.OVAL) and point.width_m and point.height_m:
        try:
            return calc.Duct(SHAPES[point.shape], point.width_m, point.height_m, wall=USUAL_WALL)
        except calc.CalcError:
            return None
    return None


def _instrument(row: InstrumentAssignment, day: date) -> dict[str, Any]:
    tool: Instrument = row.instrument
    certificate = next((one for one in tool.certificates.all() if one.calibrated_on <= day), None)
    return {
        "id": str(tool.id),
        "serial": tool.serial,
        "name": tool.name,
        "kind": tool.kind,
        "from": row.starts_on.isoformat(),
        "to": row.ends_on.isoformat(),
        "probe_length_m": tool.probe_length_m,
        "probe_factor": tool.probe_factor,
        "ranges": [
            {
                "quantity": r.quantity,
                "minimum": r.minimum,
                "maximum": r.maximum,
                "resolution": r.resolution,
            }
            for r in sorted(tool.ranges.all(), key=lambda r: (r.quantity, r.minimum))
        ],
        "certificate": None
        if certificate is None
        else {
            "number": certificate.number,
            "laboratory": certificate.laboratory,
            "calibrated_on": certificate.calibrated_on.isoformat(),
            "due_on": certificate.due_on.isoformat(),
            "in_force": certificate.due_on >= day,
        },
        "warnings": list(row.warnings),
    }


def _request(flag: Flag) -> dict[str, Any]:
    answer = flag.answers.all()[0]
    return {
        "flag": str(flag.id),
        "test_point": str(flag.test_point_id) if flag.test_point_id else None,
        "session": str(flag.session_id) if flag.session_id else None,
        "rule": flag.rule,
        "seen": flag.seen,
        "advice": flag.advice,
        "reason": answer.reason,
        "asked_at": answer.answered_at.isoformat(),
    }
