"""The planning board and the place where somebody or something is put on a job."""

import calendar as months
import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.dates import WEEKDAYS_ABBR
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from jobs import dispatch, travel
from jobs.access import Action, Actor, may
from jobs.board import Bar, Board, Line, board, candidates, now_at, span, the_job, week_of
from jobs.bookings import OF, ROWS, Kind, Spell, spell_of, spell_words
from jobs.errors import DomainError, Invalid
from jobs.models import Company, Job, JobStatus
from jobs.pages.base import faults_on, page, refuse, show
from jobs.pages.plan_forms import PlaceForm, TravelForm
from jobs.queries import visible, visible_sites
from jobs.sheets.inert import inert

PART = "X-Flow-Part"
"""Sent by the board's script, which wants a part of the page to show in place."""
GO = "X-Flow-Go"
SPELL = ("starts_on", "ends_on", "from_time", "to_time")
WEEK, MONTH = re.compile(r"(\d{4})-W(\d{2})"), re.compile(r"(\d{4})-(\d{2})")
get_or_post = require_http_methods(["GET", "HEAD", "POST"])


@dataclass(frozen=True)
class View:
    """Which part of the plan an address shows: ?week=2026-W13 or ?month=2026-03, &by=people, &q=words."""

    by: Kind
    days: tuple[date, ...]
    monthly: bool
    q: str

    def address(self, **changes: Any) -> str:
        values: dict[str, Any] = {"first": self.days[0], "monthly": self.monthly, "by": self.by, "q": self.q}
        values |= changes
        first: date = values["first"]
        when = (
            {"month": f"{first:%Y-%m}"}
            if values["monthly"]
            else {"week": "{}-W{:02}".format(*first.isocalendar())}
        )
        query = {**when, "by": values["by"].value, **({"q": values["q"]} if values["q"] else {})}
        return f"{reverse('plan')}?{urlencode(query)}"

    @property
    def title(self) -> str:
        if self.monthly:
            return f"{self.days[0]:%Y-%m}"
        return "{}-W{:02}".format(*self.days[0].isocalendar())

    @property
    def before(self) -> str:
        return self.address(first=self.days[0] - timedelta(days=1 if self.monthly else 7))

    @property
    def after(self) -> str:
        return self.address(first=self.days[-1] + timedelta(days=1))


def read_view(request: HttpRequest, today: date) -> View:
    """What is not understood is this week, by people."""
    given = request.GET
    by = Kind.INSTRUMENTS if given.get("by") == Kind.INSTRUMENTS else Kind.PEOPLE
    q = given.get("q", "").replace("\0", "").strip()[:100]
    try:
        if found := MONTH.fullmatch(given.get("month", "")):
            first = date(int(found[1]), int(found[2]), 1)
            return View(by, span(first, months.monthrange(first.year, first.month)[1]), True, q)
        if found := WEEK.fullmatch(given.get("week", "")):
            return View(by, span(date.fromisocalendar(int(found[1]), int(found[2]), 1), 7), False, q)
    except (ValueError, Invalid):
        pass
    return View(by, span(week_of(today), 7), False, q)


@dataclass(frozen=True)
class Piece:
    """A booking on one day: the first day shown carries its words and the link."""

    bar: Bar
    day: date
    opens: bool
    address: str

    @property
    def clock(self) -> str:
        return self.bar.clock(self.day)


@dataclass(frozen=True)
class Cell:
    day: date
    pieces: list[Piece]
    kind: str


@require_safe
@page(Action.PLAN)
def plan(request: HttpRequest, actor: Actor) -> HttpResponse:
    today = now_at(Company.objects.get()).date()
    view = read_view(request, today)
    found = board(actor, view.days, view.by)
    lines = [line for line in found.lines if _fits(line, view.q)]
    context = {
        "view": view,
        "board": found,
        "days": [(day, _kind_of(day, today), WEEKDAYS_ABBR[day.weekday()]) for day in view.days],
        "rows": [(line, _cells(line, view, today)) for line in lines],
        "waiting": [(one, _place_address(view, one.job, None)) for one in found.waiting],
        "against": [(line, bar) for line in lines for bar in line.bars if bar.against],
        "kinds": [(kind, view.address(by=kind)) for kind in Kind],
        "today": view.address(first=today if view.monthly else week_of(today)),
        "spans": [
            (_("Week"), not view.monthly, view.address(monthly=False, first=_near(view, today))),
            (_("Month"), view.monthly, view.address(monthly=True, first=view.days[0])),
        ],
        "here": view.address(),
    }
    return show(request, "jobs/plan/board.html", context, nav="plan")


def _near(view: View, today: date) -> date:
    return today if today in view.days else view.days[0]


def _fits(line: Line, words: str) -> bool:
    return all(word in line.name.casefold() for word in words.casefold().split())


def _kind_of(day: date, today: date) -> str:
    return "today" if day == today else "off" if day.weekday() > 4 else ""


def _cells(line: Line, view: View, today: date) -> list[Cell]:
    return [
        Cell(
            day,
            [
                Piece(bar, day, day in (bar.row.starts_on, view.days[0]), _place_address(view, bar.job, bar))
                for bar in line.on(day)
            ],
            _kind_of(day, today),
        )
        for day in view.days
    ]


def _place_address(view: View, job: Job, bar: Bar | None) -> str:
    if bar is not None and not bar.may_move:
        return reverse("job", args=[job.id])
    query = {"job": job.id, "by": view.by.value, "back": view.address()}
    if bar is not None:
        query |= {"was": bar.who, "who": bar.who}
    return f"{reverse('plan-place')}?{urlencode(query)}"


@require_safe
@page(Action.PLAN)
def state(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The digest of what a board shows, for who looks at it: did somebody change the plan meanwhile?"""
    view = read_view(request, now_at(Company.objects.get()).date())
    return HttpResponse(board(actor, view.days, view.by).digest, content_type="text/plain")


@require_safe
@page(Action.PLAN)
def table(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The bookings of a board as CSV."""
    view = read_view(request, now_at(Company.objects.get()).date())
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="plan-{view.title}-{view.by.value}.csv"'
    writer = csv.writer(response)
    writer.writerow(["who", "job", "title", "site", "time zone", "first day", "last day", "starts", "ends"])
    found: Board = board(actor, view.days, view.by)
    for line in found.lines:
        for bar in line.bars if _fits(line, view.q) else ():
            row, site = bar.row, bar.job.site
            texts = [line.name, str(bar.job.number), bar.job.title, site.name, site.time_zone]
            moments = [row.starts_at.isoformat(), row.ends_at.isoformat()]
            writer.writerow([*map(inert, texts), row.starts_on, row.ends_on, *moments])
    return response


# A place on a job


@get_or_post
@page(Action.PLAN)
def place(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Shows what would speak against a plan, and carries it out."""
    if request.method != "POST":
        return _look(request, actor)
    form = PlaceForm(request.POST)
    good, values = form.is_valid(), dict(form.cleaned_data)
    if not good:
        return _shown(request, actor, form, values)
    try:
        with transaction.atomic():
            told = _put(actor, values)
    except DomainError as error:
        faults_on(form, _at_who(error))
        return _shown(request, actor, form, values, error.status)
    messages.success(request, told)
    return _go(request, values["back"])


def _look(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The form as the address says, the rest from the booking that is moved or the job."""
    given = {name: value for name, value in request.GET.items() if value and "\0" not in value}
    asked = PlaceForm({**given, "seen": given.get("seen", "1")})
    asked.full_clean()
    if "job" not in asked.cleaned_data:
        return redirect("plan")
    kind = Kind(asked.cleaned_data.get("by") or Kind.PEOPLE)
    job = the_job(actor, asked.cleaned_data["job"])
    stored = _stored(actor, kind, job, asked.cleaned_data.get("was"))
    spell: Any = stored or job
    initial = {
        "job": str(job.id), "by": kind.value, "seen": str(job.version),
        "starts_on": str(spell.starts_on), "ends_on": str(spell.ends_on),
        "from_time": _clock(stored and stored.from_time), "to_time": _clock(stored and stored.to_time),
    }  # fmt: skip
    form = PlaceForm(initial | {name: value for name, value in given.items() if name != "seen"})
    form.full_clean()
    for name in ("who", "was"):  # nothing is wrong with a choice that is still to be made
        form.errors.pop(name, None)
    return _shown(request, actor, form, form.cleaned_data, looked=True)


def _clock(value: Any) -> str:
    return f"{value:%H:%M}" if value else ""


def _stored(actor: Actor, kind: Kind, job: Job, who: UUID | None) -> Any:
    rows = visible(ROWS[kind].objects.filter(job=job), actor)
    return rows.filter(**{f"{OF[kind]}_id": who}).first() if who else None


def _put(actor: Actor, values: Mapping[str, Any]) -> str:
    kind, job_id, was, who = Kind(values["by"]), values["job"], values["was"], values["who"]
    people = kind is Kind.PEOPLE
    named = {"member_id" if people else "instrument_id": who, "seen": values["seen"]} | {
        name: values[name] for name in SPELL
    }
    row: Any
    if was:
        row = (dispatch.move_person if people else dispatch.move_instrument)(actor, job_id, was, **named)
    else:
        row = (dispatch.assign_person if people else dispatch.assign_instrument)(actor, job_id, **named)
    told = {"who": getattr(row, OF[kind]), "number": row.job.number, "days": spell_words(row)}
    return _("%(who)s is on job %(number)s from %(days)s.") % told


def _at_who(error: DomainError) -> DomainError:
    """Faults of people and instruments stand at the field that asks for either."""
    faults = [
        type(fault)("/who" if fault.pointer in ("/member", "/instrument") else fault.pointer, fault.detail)
        for fault in error.faults
    ]
    return DomainError(error.detail, faults)


def _shown(
    request: HttpRequest,
    actor: Actor,
    form: PlaceForm,
    values: Mapping[str, Any],
    status: int = 422,
    *,
    looked: bool = False,
) -> HttpResponse:
    if "job" not in values or "by" not in values:
        return redirect("plan")
    kind, job = Kind(values["by"]), the_job(actor, values["job"])
    spell = _spell(form, job, values)
    found = candidates(actor, job, kind, spell) if spell else []
    form.offer(kind, found)
    context = {
        "form": form,
        "job": job,
        "kind": kind.value,
        "may_plan": job.status == JobStatus.OPEN,
        "chosen": next((one for one in found if one.id == values.get("who")), None) if looked else None,
        "spell": spell,
        "found": found,
        "was": _stored(actor, kind, job, values.get("was")),
        "back": _back(values.get("back", "")),
        "looked": looked,
    }
    name = "jobs/plan/place_part.html" if PART in request.headers else "jobs/plan/place.html"
    return show(request, name, context, nav="plan", status=200 if looked else status)


def _spell(form: PlaceForm, job: Job, values: Mapping[str, Any]) -> Spell | None:
    if not values.keys() >= set(SPELL):
        return None
    try:
        return spell_of(job, Company.objects.get(), **{name: values[name] for name in SPELL})
    except DomainError as error:
        if not form.errors:
            faults_on(form, error)
        return None


def _back(text: str) -> str:
    """Only a board's own address."""
    plain = reverse("plan")
    return text if text == plain or text.startswith(f"{plain}?") else plain


def _go(request: HttpRequest, back: str) -> HttpResponse:
    if PART in request.headers:
        return HttpResponse(status=204, headers={GO: _back(back)})
    return redirect(_back(back))


@require_POST
@page(Action.PLAN)
def take_off(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Takes a person or instrument off a job."""
    form = PlaceForm(request.POST)
    form.full_clean()
    values = form.cleaned_data
    if not {"job", "by", "was", "seen"} <= {name for name, value in values.items() if value}:
        return redirect("plan")
    act = dispatch.unassign_person if values["by"] == Kind.PEOPLE else dispatch.unassign_instrument
    try:
        with transaction.atomic():
            act(actor, values["job"], values["was"], seen=values["seen"])
    except DomainError as error:
        refuse(request, error)
    else:
        messages.success(request, _("Taken off the job; free again."))
    return _go(request, values.get("back", ""))


# Travel times


@get_or_post
@page(Action.PLAN)
def travel_times(request: HttpRequest, actor: Actor) -> HttpResponse:
    form = TravelForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        values = form.cleaned_data
        try:
            with transaction.atomic():
                travel.set_minutes(actor, values["one"], values["other"], values["minutes"])
        except DomainError as error:
            faults_on(form, error)
        else:
            messages.success(request, _("The travel time is set, either way."))
            return redirect("plan-travel")
    form.offer(visible_sites(actor).order_by("name", "id"))
    context = {
        "form": form,
        "times": travel.times(actor).order_by("one__name", "other__name"),
        "usual": Company.objects.values_list("travel_minutes", flat=True).get(),
        "may_rule": may(actor, Action.MANAGE_COMPANY),
    }
    return show(request, "jobs/plan/travel.html", context, nav="plan", status=422 if form.errors else 200)


@require_POST
@page(Action.PLAN)
def forget_travel(request: HttpRequest, actor: Actor, travel_id: UUID) -> HttpResponse:
    travel.forget(actor, travel_id)
    messages.success(request, _("The company's usual travel time counts there again."))
    return redirect("plan-travel")
