"""The owner's pages: people, integration keys, tablets and the rules of the house."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django import forms as django_forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from jobs import companies, integrations, people, signins, tokens
from jobs.access import Action, Actor, may
from jobs.errors import DomainError, NotFound
from jobs.models import Company, Member
from jobs.pages import forms, once
from jobs.pages.base import faults_on, page, show
from jobs.queries import visible_devices, visible_invitations, visible_keys, visible_members
from jobs.tenancy.ids import short_id

KEY, CODE = "new-key", "new-code"
get_or_post = require_http_methods(["GET", "HEAD", "POST"])


def _done(form: django_forms.Form, act: Callable[[], Any]) -> bool:
    """Acts when the form is good; what the action refuses is put at the fields."""
    if not form.is_valid():
        return False
    try:
        act()
    except DomainError as error:
        faults_on(form, error)
        return False
    return True


def _page(
    request: HttpRequest, part: str, context: dict[str, Any], form: django_forms.Form | None = None
) -> HttpResponse:
    """A page of the company; one whose form was refused has the status 422."""
    actor: Actor = request.actor  # type: ignore[attr-defined]
    whole = {"part": part, "form": form, "all_parts": may(actor, Action.MANAGE_COMPANY), **context}
    status = 422 if form is not None and form.errors else 200
    return show(request, f"jobs/company/{part}.html", whole, nav="company", status=status)


# People


@require_safe
@page(Action.MANAGE_PEOPLE)
def people_page(request: HttpRequest, actor: Actor) -> HttpResponse:
    still_open = visible_invitations(actor).filter(accepted_at=None, revoked_at=None)
    context = {
        "members": visible_members(actor).order_by("-active", "name", "id"),
        "invitations": still_open.order_by("-created_at"),
        "now": timezone.now(),
    }
    return _page(request, "people", context)


@get_or_post
@page(Action.MANAGE_PEOPLE)
def invite(request: HttpRequest, actor: Actor) -> HttpResponse:
    form = forms.Invite(request.POST or None)
    if request.method == "POST" and _done(form, lambda: people.invite(actor, **form.cleaned_data)):
        messages.success(
            request,
            gettext("The invitation is on its way to %(email)s.") % {"email": form.cleaned_data["email"]},
        )
        return redirect("company")
    return _page(request, "invite", {}, form)


@require_POST
@page(Action.MANAGE_PEOPLE)
def withdraw(request: HttpRequest, actor: Actor, invitation_id: UUID) -> HttpResponse:
    people.withdraw_invitation(actor, invitation_id)
    messages.success(request, gettext("The invitation is withdrawn; its link leads nowhere now."))
    return redirect("company")


@get_or_post
@page(Action.MANAGE_PEOPLE)
def member(request: HttpRequest, actor: Actor, member_id: UUID) -> HttpResponse:
    found: Member | None = visible_members(actor).filter(id=member_id).first()
    if found is None:
        raise NotFound(gettext("There is no such person here."))
    form = forms.MemberForm(request.POST) if request.method == "POST" else forms.MemberForm.of(found)
    if request.method == "POST" and _done(form, lambda: _change_member(actor, member_id, form)):
        messages.success(request, gettext("%(name)s is changed.") % {"name": form.cleaned_data["name"]})
        return redirect("company")
    context = {"member": found, "places": signins.of_member(actor, member_id)}
    return _page(request, "member", context, form)


def _change_member(actor: Actor, member_id: UUID, form: forms.MemberForm) -> None:
    values = dict(form.cleaned_data)
    seen = values.pop("version")
    people.change_member(actor, member_id, seen, people.MemberChange(**values))


@require_POST
@page(Action.MANAGE_PEOPLE)
def sign_member_out(request: HttpRequest, actor: Actor, member_id: UUID) -> HttpResponse:
    ended = signins.end_of_member(actor, member_id)
    words = ngettext("%(count)d sign-in is ended.", "%(count)d sign-ins are ended.", ended)
    messages.success(request, words % {"count": ended})
    return redirect("company-member", member_id)


# Integration keys


@get_or_post
@page(Action.MANAGE_KEYS)
def keys(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The keys, and the form for a new one, whose text is shown after the redirect and never again."""
    found = list(visible_keys(actor).order_by("-created_at"))
    systems = integrations.connected(actor)
    form = forms.KeyForm(request.POST or None, systems=[one.system for one in systems])
    made: list[str] = []
    if request.method == "POST" and _done(form, lambda: made.append(_make_key(actor, form))):
        return _shown_once(made[0], KEY, "company-keys")
    context = {
        "keys": found,
        "systems": systems,
        "shown": once.handed_over(request, KEY),
    }
    response = _page(request, "keys", context, form)
    once.forget(response, KEY, "company-keys")
    return response


def _make_key(actor: Actor, form: forms.KeyForm) -> str:
    values = form.cleaned_data
    told = {name: values[name] for name in ("name", "scopes", "integration")}
    return tokens.make_key(actor, **told, expires_at=form.expires_at)[1]


def _shown_once(text: str, name: str, address: str) -> HttpResponse:
    response: HttpResponse = redirect(address)
    once.hand_over(response, name, text, address)
    return response


@require_POST
@page(Action.MANAGE_KEYS)
def revoke_key(request: HttpRequest, actor: Actor, key_id: UUID) -> HttpResponse:
    tokens.revoke_key(actor, key_id)
    messages.success(request, gettext("The key is revoked; whoever uses it is refused from now on."))
    return redirect("company-keys")


# Tablets


@get_or_post
@page(Action.ENROL_DEVICE)
def tablets(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The tablets, and the form for a pairing code, which is shown after the redirect and never again."""
    form = forms.TabletForm(request.POST or None)
    made: list[str] = []
    if request.method == "POST" and _done(form, lambda: made.append(_pairing_code(actor, form))):
        return _shown_once(made[0], CODE, "company-tablets")
    context = {
        "tablets": visible_devices(actor).order_by("-enrolled_at"),
        "company_code": short_id(actor.company_id),
        "shown": once.handed_over(request, CODE),
    }
    response = _page(request, "tablets", context, form)
    once.forget(response, CODE, "company-tablets")
    return response


def _pairing_code(actor: Actor, form: forms.TabletForm) -> str:
    return tokens.start_pairing(actor, **form.cleaned_data)[1]


@require_POST
@page(Action.ENROL_DEVICE)
def revoke_tablet(request: HttpRequest, actor: Actor, device_id: UUID) -> HttpResponse:
    tokens.revoke_device(actor, device_id)
    messages.success(
        request, gettext("The tablet is removed; it and everybody on it are refused from now on.")
    )
    return redirect("company-tablets")


# Rules of the house


@get_or_post
@page(Action.MANAGE_COMPANY)
def rules(request: HttpRequest, actor: Actor) -> HttpResponse:
    made = Company.objects.get()
    form = forms.CompanySettings(request.POST) if request.method == "POST" else forms.CompanySettings.of(made)
    if request.method == "POST" and _done(form, lambda: _change_rules(actor, form)):
        messages.success(request, gettext("The rules are changed. What was approved before keeps its own."))
        return redirect("company-rules")
    return _page(request, "rules", {}, form)


def _change_rules(actor: Actor, form: forms.CompanySettings) -> None:
    companies.change_company(actor, form.cleaned_data["version"], form.changes())
