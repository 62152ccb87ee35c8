"""Before the final report: what is left, what is deferred, and the documents that went out so far."""

from datetime import date
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext, gettext_lazy, gettext_noop
from django.views.decorators.http import require_GET, require_POST

from jobs.access import Action, Actor, may
from jobs.errors import DomainError, NotFound
from jobs.pages.base import page, refuse, show
from jobs.pages.forms import Form, in_words
from jobs.reasons import LONGEST_REASON, SHORTEST_REASON
from reports import before, deferrals, material, queries, reviewset, tables
from reports import issue as issuing
from reports.models import DocumentKind, Season
from reports.reviewset import PointState, ReviewSet

NEEDS = {
    DocumentKind.INTERIM: gettext_noop("All that was measured so far, with what is still open."),
    DocumentKind.DEFICIENCIES: gettext_noop(
        "What keeps points from their design, with room for what was done about it."
    ),
    DocumentKind.DEFERRED: gettext_noop("Points left for another season and what became of each."),
}


class Deferring(Form):
    """Why a point is left for later."""

    point = forms.UUIDField(widget=forms.HiddenInput)
    season = forms.ChoiceField(
        label=gettext_lazy("Waits for"),
        choices=[("", gettext_lazy("Measure it now after all")), *in_words(Season.choices)],
        required=False,
    )
    due_on = forms.DateField(
        label=gettext_lazy("Not later than"), required=False, widget=forms.DateInput(attrs={"type": "date"})
    )
    reason = forms.CharField(
        label=gettext_lazy("Why, printed in the reports"),
        min_length=SHORTEST_REASON,
        max_length=LONGEST_REASON,
    )


@require_GET
@page(Action.REVIEW)
def job(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    row = queries.visible_jobs(actor).filter(id=job_id).first()
    if row is None:
        raise NotFound()
    found = reviewset.load(row)
    made = before.made_before(row.id, actor)
    states = issuing.states_of(made)
    collected = material.collect(found)
    listed = tables.deficiencies(found.systems, collected)
    context = {
        "job": row,
        "points": [
            _point(state, system.system.tag, found) for system in found.systems for state in system.points
        ],
        "open": [one for one in listed if one.status == "open"],
        "deferred": _deferred(found),
        "made": [{"made": one, "state": states[one.id][0]} for one in made],
        "kinds": [(kind.value, gettext(kind.label), gettext(NEEDS[kind])) for kind in before.TITLES],
        "seasons": in_words(Season.choices),
        "may_issue": may(actor, Action.ISSUE),
        "today": date.today().isoformat(),  # noqa: DTZ011 (a hint for the browser's calendar)
        "shortest": SHORTEST_REASON,
        "longest": LONGEST_REASON,
    }
    return show(request, "reports/before.html", context, nav="review")


def _point(state: PointState, system: str, found: ReviewSet) -> dict[str, object]:
    waits = found.deferral(state)
    return {
        "point": state.point,
        "system": system,
        "missing": state.missing,
        "waits": gettext(Season(waits.season).label) if waits else "",
        "row": waits,
    }


def _deferred(found: ReviewSet) -> list[dict[str, object]]:
    points = [state for system in found.systems for state in system.points]
    measured = {state.point.id for state in points if found.measured_since(state)}
    rows = sorted(found.deferrals.values(), key=lambda row: (row.test_point.system.tag, row.test_point.tag))
    return [
        {"row": one.row, "state": gettext(before.STATE_WORDS[one.state]), "waits": one.state == "waiting"}
        for one in deferrals.states(rows, measured)
    ]


@require_POST
@page(Action.REVIEW)
def defer(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    form = Deferring(request.POST)
    if not form.is_valid():
        said = "; ".join(f"{form.fields[name].label}: {texts[0]}" for name, texts in form.errors.items())
        messages.error(request, gettext("Nothing was changed. %(said)s") % {"said": said})
        return redirect("before-final", job_id)
    given = form.cleaned_data
    try:
        if given["season"]:
            row = deferrals.defer(
                actor,
                job_id,
                point_id=given["point"],
                season=given["season"],
                due_on=given["due_on"],
                reason=given["reason"],
            )
            messages.success(request, gettext("%(tag)s is deferred.") % {"tag": row.test_point.tag})
        else:
            row = deferrals.take_back(actor, job_id, point_id=given["point"], reason=given["reason"])
            messages.success(
                request,
                gettext("%(tag)s is to be measured with the rest again.") % {"tag": row.test_point.tag},
            )
    except DomainError as error:
        refuse(request, error)
    return redirect("before-final", job_id)


@require_POST
@page(Action.ISSUE)
def send(request: HttpRequest, actor: Actor, job_id: UUID) -> HttpResponse:
    try:
        made = before.send_before(
            actor, job_id, kind=request.POST.get("kind", ""), addressee=request.POST.get("addressee", "")
        )
    except DomainError as error:
        refuse(request, error)
        return redirect("before-final", job_id)
    messages.success(
        request, gettext("%(number)s is made; its file follows in a moment.") % {"number": made.number}
    )
    return redirect("report", made.id)
