"""The list of jobs. The page of one stands with the reports, whose pictures it shows."""

from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from jobs.access import Action, Actor, may
from jobs.models import Job, JobStatus
from jobs.pages.base import page, show
from jobs.pages.forms import in_words
from jobs.queries import visible_jobs

ON_A_PAGE = 50


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
        "statuses": in_words(JobStatus.choices),
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
