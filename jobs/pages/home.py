"""The first page after signing in: what is waiting, and where each person goes from here."""

from dataclasses import dataclass
from datetime import timedelta

from django.http import HttpRequest, HttpResponse
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.translation import ngettext
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
    address: str
    query: str = ""

    @property
    def url(self) -> str:
        """Empty while nothing serves the address."""
        try:
            return reverse(self.address) + self.query
        except NoReverseMatch:
            return ""


@require_safe
@page(Action.READ)
def start(request: HttpRequest, actor: Actor) -> HttpResponse:
    context = {"gates": entries_for(actor), "waiting": waiting_for(actor)}
    return show(request, "jobs/home.html", context)


def waiting_for(actor: Actor) -> list[Waiting]:
    """What this person should know before going on."""
    jobs = visible_jobs(actor).prefetch_related(None)
    reviewed = ("review", "") if may(actor, Action.REVIEW) else ("jobs", "?status=submitted")
    today = timezone.localdate()
    due = len({row.instrument.id for row in due_list(actor, on=today, until=today + DUE_WITHIN)})
    measured = jobs.filter(status=JobStatus.OPEN).count()
    review = jobs.filter(status=JobStatus.SUBMITTED).count()
    return [
        Waiting(
            measured, ngettext("job being measured", "jobs being measured", measured), "jobs", "?status=open"
        ),
        Waiting(review, ngettext("job waiting for review", "jobs waiting for review", review), *reviewed),
        Waiting(
            due,
            ngettext(
                "instrument to calibrate within 30 days", "instruments to calibrate within 30 days", due
            ),
            "instruments",
            "?due=30",
        ),
    ]
