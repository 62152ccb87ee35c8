"""A job's page: where it stands on one picture, points that open down to their line, people, what is missing.

It stands here and not with the jobs, because it shows figures, verdict marks and what is left for later.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from jobs.access import Action, Actor, may
from jobs.errors import NotFound
from jobs.models import Job, JobStatus, Member
from jobs.pages.base import page, show
from jobs.queries import visible, visible_jobs
from jobs.readiness import readiness
from measurements.models import Severity, Verdict
from measurements.overview import Lacks, OpenFlag, PointLine, SystemLine
from reports.models import Deferral, Season
from reports.pages import shown
from reports.pages.pictures import titled
from reports.render import charts
from reports.render.charts import Stand
from reports.render.figures import Figures
from reports.reviewset import Measured
from reports.standing import JobState, pulse, state_of

STEPS = (JobStatus.OPEN, JobStatus.SUBMITTED, JobStatus.APPROVED, JobStatus.ISSUED)
LIVE = (JobStatus.OPEN, JobStatus.SUBMITTED)
"""While a job is measured or looked at, its page follows it."""
WITHIN = (Verdict.PASS, Verdict.CONDITIONAL_PASS)


@require_safe
@page(Action.READ)
def job(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    """The page."""
    found = _job(actor, job_id)
    context = _context(found, shown.figures_for(actor)) | {
        "review_url": _review_url(actor, found),
        "may_plan": found.status == JobStatus.OPEN and may(actor, Action.PLAN),
    }
    if found.status == JobStatus.OPEN:
        ready = readiness(actor, job_id)
        context["readiness"] = None if ready.ready and context["measured"] else ready
    with timezone.override(found.site.time_zone):  # the template shows moments in the site's zone
        return show(request, "reports/job.html", context, nav="jobs")


@require_safe
@page(Action.READ)
def job_now(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    """The part that follows the work; nothing (204) while it is as it was at `seen`."""
    if not visible(Job.objects.all(), actor).filter(id=job_id).exists():
        raise NotFound(_("There is no such job here."))
    if request.GET.get("seen") == pulse(job_id):
        return HttpResponse(status=204)
    found = _job(actor, job_id)
    with timezone.override(found.site.time_zone):
        return render(request, "reports/job_now.html", _context(found, shown.figures_for(actor)))


def _job(actor: Actor, job_id: UUID) -> Job:
    rows: QuerySet[Job] = visible_jobs(actor)
    found = rows.filter(id=job_id).first()
    if found is None:
        raise NotFound(_("There is no such job here."))
    return found


def _review_url(actor: Actor, found: Job) -> str:
    """Where the job is reviewed; empty for those who do not."""
    if not may(actor, Action.REVIEW) or found.status == JobStatus.CANCELLED:
        return ""
    return reverse("review-job", args=[found.id])


@dataclass(frozen=True)
class Clock:
    zone: ZoneInfo

    def local(self, moment: datetime) -> datetime:
        return moment.astimezone(self.zone)


def _context(found: Job, figures: Figures) -> dict[str, Any]:
    """Everything of the page that follows the work."""
    seen = pulse(found.id)  # before the rest: what comes in between is shown at the next look
    state = state_of(found)
    clock = Clock(ZoneInfo(found.site.time_zone))
    stands = [_stand(state, system) for system in state.standing.systems]
    return {
        "job": found,
        "units": figures.system.value,
        "steps": _steps(found),
        "live": found.status in LIVE,
        "seen": seen,
        "as_of": timezone.now(),
        "stands": [(row, _share(row)) for row in stands],
        "picture": titled(charts.standing(stands)),
        "systems": [_system(state, system, clock, figures) for system in state.standing.systems],
        "missing": list(_missing(state)),
        "flags": [_flag(one) for one in state.standing.flags],
        "people": _people(found, state),
        "measured": len(state.standing.sessions),
    }


def _steps(found: Job) -> list[tuple[str, str]]:
    """The way of a job in words, each with 'done', 'now' or nothing; a cancelled one is nowhere on it."""
    if found.status == JobStatus.CANCELLED:
        return []
    words = (_("Being measured"), _("Waiting for review"), _("Approved"), _("Report issued"))
    now = STEPS.index(JobStatus(found.status))
    last = len(STEPS) - 1
    states = ["done" if place < now or now == last else "now" if place == now else "" for place in range(4)]
    return list(zip(words, states, strict=True))


def _stand(state: JobState, system: SystemLine) -> Stand:
    """How many points of a system are how far; such as need no figure count once they have one."""
    counts = dict.fromkeys(("done", "measured", "flagged", "remeasure", "deferred", "to_do"), 0)
    judged = within = 0
    for line in system.points:
        if not (line.needed or line.sessions or line.flags):
            continue
        counts["deferred" if state.is_deferred(line) else line.state.value] += 1
        for one in line.sessions:
            if one.result is not None and one.result.verdict != Verdict.NOT_DECIDABLE:
                judged += 1
                within += one.result.verdict in WITHIN
    return Stand(system.system.tag, **counts, judged=judged, within=within)


def _share(row: Stand) -> str:
    return f"{100 * row.within / row.judged:.0f} %" if row.judged else "–"


@dataclass(frozen=True)
class PointRow:
    """A point folded to its state; opened, its lines, what was seen, and what was planned."""

    line: PointLine
    state: str
    word: str
    mark: str
    lines: list[dict[str, Any]]
    flags: list[dict[str, Any]]
    deferral: str = ""
    parents: Mapping[UUID, str] = field(default_factory=dict)
    """Tags of the system's points."""

    @property
    def point(self) -> Any:
        return self.line.point

    @property
    def behind(self) -> str:
        """The point above it in the branch tree."""
        return self.parents.get(self.line.point.parent_id, "") if self.line.point.parent_id else ""

    @property
    def first(self) -> dict[str, Any]:
        return self.lines[0] if self.lines else {}


def _system(state: JobState, system: SystemLine, clock: Clock, figures: Figures) -> dict[str, Any]:
    tags = {line.point.id: line.point.tag for line in system.points}
    rows = [replace(_point(state, line, clock, figures), parents=tags) for line in system.points]
    return {"system": system.system, "points": rows}


def _point(state: JobState, line: PointLine, clock: Clock, figures: Figures) -> PointRow:
    deferral = state.deferred.get(line.point.id)
    name = "deferred" if state.is_deferred(line) else line.state.value
    if name == "to_do" and not line.needed:
        name = "optional"
    return PointRow(
        line=line,
        state=name,
        word=_state_words()[name],
        mark=_mark(name, line),
        lines=[shown.line(Measured(one.session, one.result), clock, figures) for one in line.sessions],
        flags=[_flag(flag) for flag in line.every_flag],
        deferral=_deferral(deferral) if deferral else "",
    )


def _state_words() -> dict[str, str]:
    return {
        "to_do": _("To do"),
        "optional": _("No figure needed"),
        "deferred": _("Deferred"),
        "measured": _("Waits for its evaluation"),
        "flagged": _("Flagged"),
        "remeasure": _("Measure again"),
        "done": _("Done"),
    }


def _mark(name: str, line: PointLine) -> str:
    """The shape that goes with the word."""
    if name == "done":
        return "done"
    stops = any(flag.flag.severity == Severity.STOP for flag in line.every_flag)
    if name in ("flagged", "remeasure"):
        return "stop" if stops or name == "remeasure" else "warning"
    return "remark"


def _deferral(row: Deferral) -> str:
    due = _(", due {day}").format(day=row.due_on.isoformat()) if row.due_on else ""
    return _("Left for later ({season}{due}) by {name}: {reason}").format(
        season=_(Season(row.season).label).lower(), due=due, name=row.member.name, reason=row.reason
    )


def _flag(one: OpenFlag) -> dict[str, Any]:
    flag = one.flag
    return {
        "severity": flag.severity,
        "word": _(Severity(flag.severity).label),
        "seen": flag.seen,
        "advice": flag.advice,
        "asked": one.asked,
    }


def _missing(state: JobState) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """What is missing, by kind, with the places; kinds that miss nothing are left out."""
    words = {
        Lacks.SESSION: _("Not measured yet"),
        Lacks.REMEASURE: _("To be measured again"),
        Lacks.EVALUATION: _("Measured, not evaluated yet"),
        Lacks.ZERO_CHECK: _("Zero not checked before and after"),
        Lacks.MARK: _("Final damper position not marked"),
    }
    missing = state.missing
    for kind, said in words.items():
        places = {lack.point.id: lack for lack in missing if lack.kind is kind}
        if places:
            yield said, [{"id": key, "tag": lack.point.tag} for key, lack in places.items()]


@dataclass(frozen=True)
class Person:
    """Who is planned on the job or measured on it: the days, how many sessions, when the last one was."""

    member: Member
    days: Any = None
    sessions: int = 0
    last: datetime | None = None


def _people(found: Job, state: JobState) -> list[Person]:
    own: dict[UUID, list[datetime]] = {}
    members: dict[UUID, Member] = {}
    for line in state.standing.sessions:
        members[line.session.member_id] = line.session.member
        own.setdefault(line.session.member_id, []).append(line.session.finished_at)
    planned = {one.member_id: one for one in found.people.all()}
    rows = [*planned, *(key for key in own if key not in planned)]
    return [
        Person(
            member=planned[key].member if key in planned else members[key],
            days=planned.get(key),
            sessions=len(own.get(key, ())),
            last=max(own.get(key, ()), default=None),
        )
        for key in rows
    ]
