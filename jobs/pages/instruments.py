"""The register of instruments: what is due for calibration first, and the form of one instrument."""

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop, ngettext
from django.views.decorators.http import require_http_methods, require_safe

from jobs import instruments
from jobs.access import Action, Actor, may
from jobs.errors import DomainError, NotFound
from jobs.instruments import CertificateState, Due, due_list
from jobs.language import in_english
from jobs.models import Instrument, InstrumentKind, Quantity
from jobs.pages.base import faults_on, page, show
from jobs.pages.forms import in_words
from jobs.pages.instrument_forms import ALL, InstrumentForm, Ranges, ranges_of
from jobs.pages.rows import quantity_words, shown_unit
from jobs.people import units_for
from jobs.queries import visible_instruments
from jobs.sheets.inert import inert

SOON = 30
STATES = {
    "stop": gettext_noop("Overdue or without a certificate"),
    "warning": gettext_noop("Due soon"),
    "done": gettext_noop("In calibration"),
}
SPANS = (7, 30, 60, 90, 180)
get_or_post = require_http_methods(["GET", "HEAD", "POST"])


@dataclass(frozen=True)
class Row:
    """An instrument and the first of its certificates to end; the state is a severity or done."""

    instrument: Instrument
    state: str
    word: str
    due_on: date | None = None
    due: Due | None = None
    days: int | None = None

    @property
    def quantity(self) -> str:
        return quantity_words(self.due.quantity) if self.due else ""

    @property
    def span(self) -> str:
        """How long until the end, or since."""
        if self.days is None:
            return ""
        count = abs(self.days)
        if not count:
            return gettext("today")
        past = ngettext("%(days)s day ago", "%(days)s days ago", count)
        ahead = ngettext("in %(days)s day", "in %(days)s days", count)
        return (past if self.days < 0 else ahead) % {"days": count}


@dataclass(frozen=True)
class Asked:
    """What the list was asked for; what means nothing is left aside."""

    words: str
    kind: str
    state: str
    due: int | None
    out: bool

    @classmethod
    def of(cls, request: HttpRequest) -> "Asked":
        given = request.GET
        due = given.get("due", "")
        number = int(due) if due.isascii() and due.isdigit() and len(due) <= 4 else None
        return cls(
            words=given.get("q", "").replace("\0", "").strip()[:100],
            kind=kind if (kind := given.get("kind", "")) in InstrumentKind.values else "",
            state=state if (state := given.get("state", "")) in STATES else "",
            due=number,
            out=given.get("out") == "1",
        )

    @property
    def query(self) -> str:
        """As an address carries it."""
        pairs = {"q": self.words, "kind": self.kind, "state": self.state, "due": self.due}
        given = {name: value for name, value in pairs.items() if value not in ("", None)}
        return urlencode({**given, **({"out": 1} if self.out else {})})

    def takes(self, row: Row) -> bool:
        text = f"{row.instrument.name} {row.instrument.serial} {row.instrument.maker}".casefold()
        return (
            (not self.kind or row.instrument.kind == self.kind)
            and (not self.state or row.state == self.state)
            and (self.due is None or _within(row, self.due))
            and all(word in text for word in self.words.casefold().split())
        )


def _within(row: Row, days: int) -> bool:
    return row.state == "stop" or (row.days is not None and row.days <= days)


@require_safe
@page(Action.READ)
def instrument_list(request: HttpRequest, actor: Actor) -> HttpResponse:
    asked = Asked.of(request)
    rows = _rows(actor, out=asked.out)
    context = {
        "rows": [row for row in rows if asked.takes(row)],
        "asked": asked,
        "any": bool(rows),
        "kinds": in_words(InstrumentKind.choices),
        "states": in_words(STATES.items()),
        "spans": sorted({*SPANS, *([asked.due] if asked.due is not None else [])}),
        "may_manage": may(actor, Action.MANAGE_INSTRUMENTS),
    }
    return show(request, "jobs/instruments/list.html", context, nav="instruments")


@require_safe
@page(Action.READ)
@in_english()
def due_csv(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The same list as a table: one row an instrument and quantity."""
    asked = Asked.of(request)
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(
        (
            *("serial number", "instrument", "kind", "quantity", "calibration", "due on", "days left"),
            *("certificate", "laboratory", "calibrated on"),
        )
    )
    for row in _every_row(actor, out=asked.out):
        if asked.takes(row):
            writer.writerow([inert(cell) if isinstance(cell, str) else cell for cell in _cells(row)])
    response = HttpResponse(text.getvalue().encode("utf-8-sig"), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="calibrations-{timezone.localdate()}.csv"'
    return response


def _cells(row: Row) -> tuple[Any, ...]:
    tool, held = row.instrument, row.due.certificate if row.due else None
    days = "" if row.days is None else row.days
    return (
        tool.serial, tool.name, tool.get_kind_display(), row.quantity, row.word, row.due_on or "", days,
        held.number if held else "", held.laboratory if held else "", held.calibrated_on if held else "",
    )  # fmt: skip


def _rows(actor: Actor, *, out: bool = False) -> list[Row]:
    """One row an instrument, the most urgent first."""
    first: dict[UUID, Row] = {}
    for row in _every_row(actor, out=out):
        first.setdefault(row.instrument.id, row)
    return list(first.values())


def _every_row(actor: Actor, *, out: bool) -> Iterator[Row]:
    """One row an instrument and quantity; those that need no certificate and those out of service last."""
    today = timezone.localdate()
    seen = set()
    for due in due_list(actor, on=today, until=date.max):
        seen.add(due.instrument.id)
        yield _row(due, today)
    rest = visible_instruments(actor).order_by("-in_service", "kind", "serial")
    for tool in rest if out else rest.filter(in_service=True):
        if tool.id not in seen:
            yield Row(tool, "done" if tool.in_service else "out", _no_due(tool))


def _no_due(tool: Instrument) -> str:
    if not tool.in_service:
        return gettext_noop("Out of service")
    return gettext_noop("None needed") if tool.ranges.all() else gettext_noop("No ranges yet")


def _row(due: Due, today: date) -> Row:
    if due.due_on is None:
        return Row(due.instrument, "stop", gettext_noop("No certificate"), due=due)
    days = (due.due_on - today).days
    if due.state is not CertificateState.IN_FORCE:
        return Row(due.instrument, "stop", gettext_noop("Overdue"), due.due_on, due, days)
    if due.due_on <= today + timedelta(days=SOON):
        return Row(due.instrument, "warning", gettext_noop("Due soon"), due.due_on, due, days)
    return Row(due.instrument, "done", gettext_noop("In calibration"), due.due_on, due, days)


# One instrument


@get_or_post
@page(Action.MANAGE_INSTRUMENTS)
def new_instrument(request: HttpRequest, actor: Actor) -> HttpResponse:
    system = units_for(actor)
    if request.method != "POST":
        form = InstrumentForm(initial={"in_service": True, "probe_unit": _length(system)})
        return _form_page(request, form, _ranges(None), None)
    form, ranges = InstrumentForm(request.POST), _ranges(request)
    if form.is_valid() & ranges.is_valid():
        try:
            made = instruments.add_instrument(actor, **form.fields_of(), ranges=ranges.ranges())
        except DomainError as error:
            _refused(form, ranges, error)
        else:
            messages.success(
                request, gettext("%(made)s is added. Enter its certificate next.") % {"made": made}
            )
            return redirect("certificate-new", made.id)
    return _form_page(request, form, ranges, None)


@get_or_post
@page(Action.MANAGE_INSTRUMENTS)
def change_instrument(request: HttpRequest, actor: Actor, instrument_id: UUID) -> HttpResponse:
    tool = visible_instruments(actor).filter(id=instrument_id).first()
    if tool is None:
        raise NotFound(gettext("There is no such instrument here."))
    rows = ranges_of(tool, units_for(actor))
    if request.method != "POST":
        return _form_page(request, InstrumentForm.of(tool, units_for(actor)), _ranges(None, rows), tool)
    form, ranges = InstrumentForm(request.POST), _ranges(request, rows)
    if form.is_valid() & ranges.is_valid():
        try:
            made = _change(actor, tool, form, ranges, rows)
        except DomainError as error:
            _refused(form, ranges, error)
        else:
            messages.success(
                request,
                gettext(CHANGED if made.in_service else OUT) % {"made": made},
            )
            return redirect("instruments")
    return _form_page(request, form, ranges, tool)


CHANGED = gettext_noop("%(made)s is changed.")
OUT = gettext_noop("%(made)s is out of service: out of planning and of the due list. What it measured stays.")


def _change(
    actor: Actor, tool: Instrument, form: InstrumentForm, ranges: Any, rows: list[dict[str, str]]
) -> Instrument:
    """Ranges are written again only when one changed, so that conversion never wears them."""
    same = not any(one.has_changed() for one in ranges.forms)
    return instruments.change_instrument(
        actor,
        tool.id,
        seen=form.cleaned_data["version"] or 0,
        changes=_differing(tool, form),
        ranges=None if same else ranges.ranges(),
    )


def _differing(tool: Instrument, form: InstrumentForm) -> dict[str, Any]:
    """What was typed anew; a length that was shown in another unit and left alone keeps its digits."""
    fields = {**form.fields_of(), "in_service": form.cleaned_data["in_service"]}
    before = tool.probe_length_m
    after = fields["probe_length_m"]
    if before is not None and after is not None and abs(before - after) <= 1e-9:
        fields["probe_length_m"] = before
    return fields


def _ranges(request: HttpRequest | None, rows: list[dict[str, str]] | None = None) -> Any:
    data = None if request is None else request.POST
    return Ranges(data, prefix="ranges", initial=rows or None, form_kwargs={"quantities": ALL})


def _length(system: str) -> str:
    return shown_unit(Quantity.LENGTH, system).name


def _refused(form: InstrumentForm, ranges: Any, error: DomainError) -> None:
    """Puts what the action refused at the fields and rows."""
    rest = ranges.place(error, "ranges")
    if rest or not error.faults:
        faults_on(form, type(error)(error.detail, rest))


def _form_page(
    request: HttpRequest, form: InstrumentForm, ranges: Any, tool: Instrument | None
) -> HttpResponse:
    refused = form.is_bound and (bool(form.errors) or any(one.errors for one in ranges.forms))
    context = {"form": form, "rows": ranges, "instrument": tool}
    return show(
        request,
        "jobs/instruments/instrument.html",
        context,
        nav="instruments",
        status=422 if refused else 200,
    )
