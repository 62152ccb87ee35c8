"""The owner's pages of connected systems: whose keys they are, who answers for them, the end of them."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST

from jobs import integrations
from jobs.access import Action, Actor
from jobs.errors import DomainError, NotFound
from jobs.pages.base import faults_on, page, show
from jobs.pages.forms import IntegrationChange, IntegrationForm
from jobs.queries import visible_integrations, visible_keys

get_or_post = require_http_methods(["GET", "HEAD", "POST"])


@get_or_post
@page(Action.MANAGE_KEYS)
def new(request: HttpRequest, actor: Actor) -> HttpResponse:
    form = IntegrationForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            row = integrations.add(actor, **form.cleaned_data)
        except DomainError as error:
            faults_on(form, error)
        else:
            words = gettext("%(name)s is connected. Make a key for it.")
            messages.success(request, words % {"name": row.name})
            return redirect("company-keys")
    status = 422 if form.is_bound and form.errors else 200
    return show(request, "jobs/company/integration_new.html", {"form": form}, nav="company", status=status)


@get_or_post
@page(Action.MANAGE_KEYS)
def one(request: HttpRequest, actor: Actor, integration_id: UUID) -> HttpResponse:
    """One system with its keys, and the form to change it."""
    row = visible_integrations(actor).filter(id=integration_id).first()
    if row is None:
        raise NotFound(gettext("There is no such system here."))
    form = IntegrationChange(request.POST) if request.method == "POST" else IntegrationChange.of(row)
    if request.method == "POST" and form.is_valid():
        values = dict(form.cleaned_data)
        try:
            integrations.change(actor, row.id, values.pop("version"), values)
        except DomainError as error:
            faults_on(form, error)
        else:
            messages.success(request, gettext("%(name)s is changed.") % {"name": values["name"]})
            return redirect("company-keys")
    keys = visible_keys(actor).filter(integration=row).order_by("-created_at")
    context = {"row": row, "form": form, "keys": keys}
    status = 422 if form.is_bound and form.errors else 200
    return show(request, "jobs/company/integration.html", context, nav="company", status=status)


@require_POST
@page(Action.MANAGE_KEYS)
def end(request: HttpRequest, actor: Actor, integration_id: UUID) -> HttpResponse:
    integrations.end(actor, integration_id)
    messages.success(request, gettext("The system is cut off; all its keys are refused from now on."))
    return redirect("company-keys")
