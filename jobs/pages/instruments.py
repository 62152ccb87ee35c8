"""The register of instruments for reading: what is due for calibration stands first."""

from dataclasses import dataclass
from datetime import date

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_safe

from jobs.access import Action, Actor
from jobs.instruments import CertificateState, Due, due_list
from jobs.models import Instrument
from jobs.pages.base import page, show
from jobs.pages.home import DUE_WITHIN
from jobs.queries import visible_instruments


@dataclass(frozen=True)
class Row:
    """An instrument and the first of its certificates to end; the state is a severity or done."""

    instrument: Instrument
    state: str
    word: str
    due_on: date | None = None


@require_safe
@page(Action.READ)
def instrument_list(request: HttpRequest, actor: Actor) -> HttpResponse:
    only_due = request.GET.get("due") == "1"
    rows = _rows(actor)
    shown = [row for row in rows if row.state != "done"] if only_due else rows
    context = {"rows": shown, "only_due": only_due, "any": bool(rows)}
    return show(request, "jobs/instruments.html", context, nav="instruments")


def _rows(actor: Actor) -> list[Row]:
    """All in service, the most urgent first."""
    today = timezone.localdate()
    first: dict[Instrument, Row] = {}
    for due in due_list(actor, on=today, until=date.max):
        first.setdefault(due.instrument, _row(due, today))
    rest = visible_instruments(actor).filter(in_service=True).order_by("kind", "serial")
    return [*first.values(), *(Row(tool, "done", "None needed") for tool in rest if tool not in first)]


def _row(due: Due, today: date) -> Row:
    if due.due_on is None:
        return Row(due.instrument, "stop", "No certificate")
    if due.state is not CertificateState.IN_FORCE:
        return Row(due.instrument, "stop", "Overdue", due.due_on)
    if due.due_on <= today + DUE_WITHIN:
        return Row(due.instrument, "warning", "Due soon", due.due_on)
    return Row(due.instrument, "done", "In calibration", due.due_on)
