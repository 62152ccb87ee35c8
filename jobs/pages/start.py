"""The first page after signing in: what is waiting, and where each person goes."""

from dataclasses import dataclass
from datetime import timedelta

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_safe

from jobs.access import Action, Actor, may
from jobs.instruments import due_list
from jobs.models import JobStatus
from jobs.pages.base import page, show
from jobs.pages.nav import entries_for
from jobs.queries import visible_jobs

DUE_WITHIN = timedelta(days=30)


@dataclass(frozen=True)
class Waiting:
    """A count, what it counts, and what stands behind it."""

    number: int
    words: str
    address: str = ""
    query: str = ""


@require_safe
@page(Action.READ)
def start(request: HttpRequest, actor: Actor) -> HttpResponse:
    gates = [entry for entry in entries_for(actor)]
    return show(request, "jobs/start.html", {"gates": gates, "waiting": waiting_for(actor)})


def waiting_for(actor: Actor) -> list[Waiting]:
    """What this person should know before going on."""
    today = timezone.localdate()
    jobs = visible_jobs(actor).prefetch_related(None)
    found = [Waiting(jobs.filter(status=JobStatus.OPEN).count(), "jobs open", "jobs", "?status=open")]
    submitted = Waiting(jobs.filter(status=JobStatus.SUBMITTED).count(), "jobs to review")
    if may(actor, Action.REVIEW):
        found.append(Waiting(submitted.number, submitted.words, "review"))
    else:
        found.append(Waiting(submitted.number, submitted.words, "jobs", "?status=submitted"))
    due = due_list(actor, on=today, until=today + DUE_WITHIN)
    found.append(Waiting(len(due), "instruments due for calibration within 30 days", "instruments"))
    return found
