"""The import of a design schedule in steps: the file, what its columns mean, what it would do, and once."""

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.text import slugify
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_safe

from jobs import schedule_drafts as drafts
from jobs.access import Action, Actor
from jobs.errors import DomainError, Fault, Invalid, PreconditionFailed
from jobs.models import ScheduleDraft, Site
from jobs.pages.base import page, show
from jobs.pages.schedule_forms import (
    UploadForm,
    choices_of,
    column_options,
    for_all_of,
    last_letter,
    missing,
    posted,
    refused,
    unit_options,
)
from jobs.pages.schedule_shown import (
    State,
    group_words,
    line_of,
    state_of,
    state_words,
    system_words,
    without_empty,
)
from jobs.pages.sites import the_site
from jobs.people import units_for
from jobs.schedule_columns import Column, Matching
from jobs.schedule_export import schedule_csv, schedule_xlsx, template_csv, template_xlsx
from jobs.schedule_said import read_said
from jobs.sheets.inert import inert

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
KINDS = {"csv": "text/csv; charset=utf-8", "xlsx": XLSX}
ON_A_PAGE = 100
RANKS = {state: rank for rank, state in enumerate(State)}
get_or_post = require_http_methods(["GET", "HEAD", "POST"])


def steps(now: int) -> list[tuple[str, str]]:
    """The way of an import in words, each with 'done', 'now' or nothing."""
    words = (_("File"), _("Columns"), _("Rows"), _("Imported"))
    return [
        (word, "done" if place < now else "now" if place == now else "") for place, word in enumerate(words)
    ]


# The file


@get_or_post
@page(Action.PLAN)
def upload(request: HttpRequest, actor: Actor, site_id: UUID) -> HttpResponse:
    site = the_site(actor, site_id)
    form = UploadForm(request.POST or None, request.FILES or None)
    faults: tuple[Fault, ...] = ()
    if request.method == "POST" and form.is_valid():
        chosen = form.cleaned_data["file"]
        try:
            draft = drafts.start_draft(
                actor, site.id, chosen.read(), file_name=chosen.name, mends=form.cleaned_data["mends"]
            )
        except DomainError as error:
            form.add_error("file", error.detail)
            faults = error.faults
        else:
            return redirect("schedule-rows" if draft.said else "schedule-columns", site.id, draft.id)
    waiting = drafts.visible_drafts(actor).defer("content").filter(site=site, imported_at=None)
    context = {
        "site": site,
        "form": form,
        "faults": faults,
        "steps": steps(0),
        "waiting": waiting.order_by("-created_at")[:5],
    }
    status = 422 if form.errors else 200
    return show(request, "jobs/schedule/upload.html", context, nav="customers", status=status)


@require_safe
@page(Action.READ)
def template(request: HttpRequest, actor: Actor, kind: str) -> HttpResponse:
    """The heads of a schedule to fill in, with an example."""
    made = template_xlsx() if kind == "xlsx" else template_csv()
    return _file(made, f"schedule-template.{kind}", KINDS[kind])


@require_safe
@page(Action.READ)
def export(request: HttpRequest, actor: Actor, site_id: UUID, kind: str) -> HttpResponse:
    """The schedule of a site in the columns that are imported."""
    site = the_site(actor, site_id)
    made = (schedule_xlsx if kind == "xlsx" else schedule_csv)(actor, site.id)
    return _file(made, f"{slugify(site.name) or 'site'}-schedule.{kind}", KINDS[kind])


def _file(made: bytes, name: str, media_type: str) -> HttpResponse:
    response = HttpResponse(made, content_type=media_type)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


# The columns


@get_or_post
@page(Action.PLAN)
def columns(request: HttpRequest, actor: Actor, site_id: UUID, draft_id: UUID) -> HttpResponse:
    site, draft = _draft(actor, site_id, draft_id)
    if draft.imported_at is not None:
        return redirect("schedule-rows", site.id, draft.id)
    if request.method != "POST":
        return _show_columns(request, site, draft, drafts.said_of(draft), actor)
    given = posted(request.POST)
    if "again" in request.POST:  # another row holds the heads: what was said of the old ones is void
        given = {"head_row": given.get("head_row")}
    try:
        said = read_said(given)
        found = drafts.columns_of(actor, draft, said)
    except Invalid as error:
        return _show_columns(request, site, draft, drafts.said_of(draft), actor, error.faults)
    if "again" in request.POST:
        drafts.say_columns(actor, site.id, draft.id, said)
        return redirect("schedule-columns", site.id, draft.id)
    if found.faults:
        return _show_columns(request, site, draft, said, actor, found.faults)
    drafts.say_columns(actor, site.id, draft.id, said)
    return redirect("schedule-rows", site.id, draft.id)


def _draft(actor: Actor, site_id: UUID, draft_id: UUID) -> tuple[Site, ScheduleDraft]:
    draft = drafts.the_draft(actor, site_id, draft_id)
    return draft.site, draft


def _show_columns(
    request: HttpRequest,
    site: Site,
    draft: ScheduleDraft,
    said: Matching,
    actor: Actor,
    faults: tuple[Fault, ...] = (),
) -> HttpResponse:
    found = drafts.columns_of(actor, draft, said)
    wrong = refused(faults, found)
    typed: Mapping[Column, str] = said.for_all
    context = {
        "site": site,
        "draft": draft,
        "steps": steps(1),
        "found": found,
        "choices": choices_of(found, wrong.columns),
        "for_all": for_all_of(found, typed, wrong.for_all),
        "wrong": wrong.rest,
        "refused": bool(faults),
        "missing": missing(found),
        "meanings": column_options(),
        "units": unit_options(),
        "last": last_letter(found),
    }
    status = 422 if faults else 200
    return show(request, "jobs/schedule/columns.html", context, nav="customers", status=status)


# The rows


@dataclass(frozen=True)
class Asked:
    """Which rows, and which page of them."""

    show: str
    number: int

    @classmethod
    def of(cls, request: HttpRequest, usual: str, known: Mapping[str, int]) -> "Asked":
        number, wanted = request.GET.get("page", "1"), request.GET.get("show", "")
        is_number = number.isascii() and number.isdigit() and len(number) < 5
        return cls(wanted if wanted in known else usual, max(int(number), 1) if is_number else 1)


@get_or_post
@page(Action.PLAN)
def rows(request: HttpRequest, actor: Actor, site_id: UUID, draft_id: UUID) -> HttpResponse:
    """What every row would become; a POST imports them, once."""
    if request.method == "POST":
        return _import(request, actor, site_id, draft_id)
    site, draft = _draft(actor, site_id, draft_id)
    if draft.imported_at is not None:
        context = {"site": site, "draft": draft, "steps": steps(4), "done": draft.imported}
        return show(request, "jobs/schedule/done.html", context, nav="customers")
    return _show_rows(request, actor, site, draft)


def _import(request: HttpRequest, actor: Actor, site_id: UUID, draft_id: UUID) -> HttpResponse:
    site, draft = _draft(actor, site_id, draft_id)
    plan = request.POST.get("plan", "")
    try:
        if not plan and draft.imported_at is None:
            raise PreconditionFailed(_("Look at what would change first."))
        drafts.import_draft(actor, site_id, draft_id, plan=plan[:64])
    except (PreconditionFailed, Invalid) as error:
        messages.error(request, error.detail)
        return _show_rows(request, actor, site, draft, status=error.status)
    return redirect("schedule-rows", site_id, draft_id)


def _show_rows(
    request: HttpRequest, actor: Actor, site: Site, draft: ScheduleDraft, status: int = 200
) -> HttpResponse:
    trial = drafts.try_draft(actor, draft)
    if not trial.rows and trial.faults:
        return _show_columns(request, site, draft, drafts.said_of(draft), actor, trial.faults)
    states = {row.number: state_of(row, compared=trial.imported is not None) for row in trial.rows}
    counts = _counts(states)
    differ = counts[State.ADDED] + counts[State.CHANGED]
    usual = State.PROBLEM if trial.faults else "all"
    asked = Asked.of(request, usual, counts)
    wanted = [row for row in trial.rows if asked.show in ("all", states[row.number])]
    wanted.sort(key=lambda row: RANKS[states[row.number]])
    first = (asked.number - 1) * ON_A_PAGE
    units = units_for(actor)
    shown = [line_of(row, states[row.number], units) for row in wanted[first : first + ON_A_PAGE]]
    names, lines = without_empty(shown)
    context = {
        "site": site,
        "draft": draft,
        "steps": steps(2),
        "trial": trial,
        "counts": _filters(counts, asked.show),
        "heads": [(name, group_words()[name]) for name in names],
        "lines": lines,
        "asked": asked,
        "total": len(wanted),
        "pages": range(1, -(-len(wanted) // ON_A_PAGE) + 1),
        "last_page": -(-len(wanted) // ON_A_PAGE),
        "differ": differ,
        "faulty": counts[State.PROBLEM],
        "systems": [
            (one, system_words(one)) for one in (trial.imported.system_changes if trial.imported else ())
        ],
        "form": UploadForm(initial={"mends": draft.id}),
        "button": ngettext("Import %(count)s row", "Import %(count)s rows", len(trial.rows))
        % {"count": len(trial.rows)},
    }
    return show(request, "jobs/schedule/rows.html", context, nav="customers", status=status)


def _counts(states: Mapping[int, State]) -> dict[str, int]:
    found: dict[str, int] = dict.fromkeys(State, 0)
    for state in states.values():
        found[state] += 1
    return {**found, "all": len(states)}


def _filters(counts: Mapping[str, int], shown: str) -> list[tuple[str, str, int, bool]]:
    """Kinds of rows with words and numbers, those that there are."""
    words = {**{str(state): word for state, word in state_words().items()}, "all": _("All rows")}
    return [(name, words[name], count, name == shown) for name, count in counts.items() if count]


@require_safe
@page(Action.PLAN)
def faults_csv(request: HttpRequest, actor: Actor, site_id: UUID, draft_id: UUID) -> HttpResponse:
    """Every problem of the file, one row each."""
    draft = drafts.the_draft(actor, site_id, draft_id)
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow((_("cell"), _("row"), _("column"), _("what stands there"), _("what is wrong")))
    trial = drafts.try_draft(actor, draft)
    for row in trial.rows:
        for fault in row.faults:
            cells = (fault.where, str(fault.row), str(fault.column), fault.text, fault.detail)
            writer.writerow([inert(cell) for cell in cells])
    return _file(text.getvalue().encode("utf-8-sig"), "schedule-problems.csv", KINDS["csv"])
