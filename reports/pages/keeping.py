"""The owner's pages of the company's data as a whole: exports, and the removal of everything."""

from typing import cast
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from jobs.access import Action, Actor, require_proven
from jobs.errors import DomainError
from jobs.pages.base import faults_on, page, show
from jobs.pages.forms import Form
from reports import exports, removal
from reports.rest.exports import file_response

SHOWN = 20


@require_safe
@page(Action.MANAGE_COMPANY)
def data(request: HttpRequest, actor: Actor) -> HttpResponse:
    rows = list(exports.visible_exports(actor).order_by("-id")[:SHOWN])
    states = [(row, exports.state_of(row)) for row in rows]
    context = {
        "all_parts": True,
        "part": "data",
        "exports": states,
        "making": any(state == "making" for _, state in states),
        "kept_days": exports.KEPT_DAYS,
        "proven": actor.is_proven,
        "removal": removal.standing(actor),
    }
    return show(request, "reports/data.html", context, nav="company")


@require_POST
@page(Action.MANAGE_COMPANY, back="company-data")
def ask_export(request: HttpRequest, actor: Actor) -> HttpResponse:
    exports.ask(actor)
    messages.success(request, gettext("The export is being made. It appears here when it is ready."))
    return redirect("company-data")


@require_safe
@page(Action.MANAGE_COMPANY, back="company-data")
def export_file(request: HttpRequest, actor: Actor, export_id: UUID) -> HttpResponse:
    row, file = exports.fetch(actor, export_id)
    return cast(HttpResponse, file_response(row, file))


class RemovalForm(Form):
    """The company's name, typed."""

    name = forms.CharField(
        label=gettext_lazy("The company's name, typed as it stands above"),
        max_length=120,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


@require_http_methods(["GET", "HEAD", "POST"])
@page(Action.MANAGE_COMPANY)
def remove(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The second step: what goes, which export holds it, the name to type."""
    require_proven(actor, Action.MANAGE_COMPANY)
    form = RemovalForm(request.POST or None)
    export = removal.usable(actor)
    if request.method == "POST" and export is not None and form.is_valid():
        try:
            removal.ask(actor, export_id=export.id, name=form.cleaned_data["name"])
            messages.warning(
                request, gettext("The removal is asked for. Until its day it can be taken back.")
            )
            return redirect("company-data")
        except DomainError as error:
            faults_on(form, error)
    context = {
        "all_parts": True,
        "part": "data",
        "form": form,
        "export": export,
        "removal": removal.standing(actor),
        "days": removal.DAYS,
    }
    status = 422 if form.is_bound and form.errors else 200
    return show(request, "reports/remove.html", context, nav="company", status=status)


@require_POST
@page(Action.MANAGE_COMPANY)
def withdraw_removal(request: HttpRequest, actor: Actor) -> HttpResponse:
    removal.withdraw(actor)
    messages.success(request, gettext("The removal is taken back; nothing is removed."))
    return redirect("company-data")
