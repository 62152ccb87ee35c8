"""The register of instruments for reading: what is due for calibration stands first."""

from dataclasses import dataclass
from datetime import date

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_safe

from jobs.access import Action, Actor
from jobs.instruments import CertificateState, due_list
from jobs.models import Instrument
from jobs.pages.base import page, show
from jobs.pages.home import DUE_WITHIN
from jobs.queries import visible_instruments


@dataclass(frozen=True)
class Row:
    """An instrument and its most urgent need of calibration, if it has one."""

    instrument: Instrument
    state: str = "good"
    word: str = "In calibration"
    due_on: date | None = None


@require_safe
@page(Action.READ)
def instrument_list(request: HttpRequest, actor: Actor) -> HttpResponse:
    only_due = request.GET.get("due") == "1"
    rows = _rows(actor)
    shown = [row for row in rows if row.state != "good"] if only_due else rows
    context = {"rows": shown, "only_due": only_due, "any": bool(rows)}
    return show(request, "jobs/instruments.html", context, nav="instruments")


def _rows(actor: Actor) -> list[Row]:
    """All in service, the most urgent first."""
    today = timezone.localdate()
    urgent: dict[Instrument, Row] = {}
    for due in due_list(actor, on=today, until=today + DUE_WITHIN):
        urgent.setdefault(due.instrument, _urgent(due.instrument, due.state, due.due_on))
    rest = visible_instruments(actor).filter(in_service=True).order_by("kind", "serial")
    return [*urgent.values(), *(Row(tool) for tool in rest if tool not in urgent)]


def _urgent(tool: Instrument, state: CertificateState, due_on: date | None) -> Row:
    if state is CertificateState.IN_FORCE:
        return Row(tool, "warn", "Due soon", due_on)
    if due_on is None:
        return Row(tool, "stop", "No certificate")
    return Row(tool, "stop", "Overdue", due_on)
