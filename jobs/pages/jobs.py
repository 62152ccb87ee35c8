"""Jobs for reading: the list, and one job with where it stands and what is missing."""

from uuid import UUID

from django.db.models import Prefetch, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.urls import NoReverseMatch, reverse
from django.views.decorators.http import require_safe

from jobs.access import Action, Actor, may
from jobs.errors import NotFound
from jobs.models import Job, JobStatus, JobSystem, TestPoint
from jobs.pages.base import page, show
from jobs.queries import visible_jobs
from jobs.readiness import readiness

ON_A_PAGE = 50
STEPS = (JobStatus.OPEN, JobStatus.SUBMITTED, JobStatus.APPROVED, JobStatus.ISSUED)
STEP_WORDS = {
    JobStatus.OPEN: "Being measured",
    JobStatus.SUBMITTED: "Waiting for review",
    JobStatus.APPROVED: "Approved",
    JobStatus.ISSUED: "Report issued",
}


@require_safe
@page(Action.READ)
def job_list(request: HttpRequest, actor: Actor) -> HttpResponse:
    status, words = request.GET.get("status", ""), _words(request.GET.get("q", ""))
    found = _found(visible_jobs(actor), status, words)
    before = request.GET.get("before", "")
    if before.isascii() and before.isdigit():
        found = found.filter(number__lt=min(int(before), 2**31 - 1))
    rows = list(found.order_by("-number")[: ON_A_PAGE + 1])
    context = {
        "jobs": rows[:ON_A_PAGE],
        "more": rows[ON_A_PAGE - 1].number if len(rows) > ON_A_PAGE else None,
        "status": status,
        "statuses": JobStatus.choices,
        "q": words,
        "may_plan": may(actor, Action.PLAN),
    }
    return show(request, "jobs/list.html", context, nav="jobs")


def _words(text: str) -> str:
    """What was typed into the search, without what no text in the database can hold."""
    return text.replace("\0", "").strip()[:100]


def _found(rows: QuerySet[Job], status: str, words: str) -> QuerySet[Job]:
    """Jobs of a status in which every word occurs: as number, in title, site or customer."""
    if status in JobStatus.values:
        rows = rows.filter(status=status)
    for word in words.split()[:8]:
        text = Q(title__icontains=word) | Q(site__name__icontains=word)
        text |= Q(site__customer__name__icontains=word)
        if word.isascii() and word.isdigit() and len(word) < 10:
            text |= Q(number=int(word))
        rows = rows.filter(text)
    return rows


@require_safe
@page(Action.READ)
def job(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    found = _with_points(visible_jobs(actor)).filter(id=job_id).first()
    if found is None:
        raise NotFound("There is no such job here.")
    is_open = found.status == JobStatus.OPEN
    context = {
        "job": found,
        "steps": _steps(found),
        "readiness": readiness(actor, job_id) if is_open else None,
        "review_url": _review_url(actor, found),
    }
    return show(request, "jobs/job.html", context, nav="jobs")


def _with_points(rows: QuerySet[Job]) -> QuerySet[Job]:
    points = TestPoint.objects.select_related("parent").order_by("position", "tag")
    systems = JobSystem.objects.select_related("system").order_by("system__tag")
    systems = systems.prefetch_related(Prefetch("system__points", points))
    return rows.prefetch_related(None).prefetch_related(
        Prefetch("job_systems", systems), "people__member", "instruments__instrument"
    )


def _steps(found: Job) -> list[tuple[str, str]]:
    """The way of a job in words, each with 'done', 'now' or nothing; a cancelled one is nowhere on it."""
    if found.status == JobStatus.CANCELLED:
        return []
    now = STEPS.index(JobStatus(found.status))
    last = len(STEPS) - 1
    states = ["done" if place < now or now == last else "now" if place == now else "" for place in range(4)]
    return [(STEP_WORDS[step], state) for step, state in zip(STEPS, states, strict=True)]


def _review_url(actor: Actor, found: Job) -> str:
    """Where the job is reviewed; empty for those who do not, and without the app of reports."""
    if not may(actor, Action.REVIEW) or found.status == JobStatus.CANCELLED:
        return ""
    try:
        return reverse("review-job", args=[found.id])
    except NoReverseMatch:
        return ""
