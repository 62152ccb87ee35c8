"""What people set for themselves: units on their screen, a second factor, where they are signed in."""

from uuid import UUID

import segno
from django import forms as django_forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext, ngettext
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from jobs import factor, people, signins
from jobs.access import Action, Actor
from jobs.errors import DomainError, Forbidden
from jobs.http.limits import address_of
from jobs.models import Company, Member, UnitSystem, User
from jobs.pages.base import faults_on, page, refuse, show
from jobs.pages.forms import Code, OwnSettings, ProveAgain

get_or_post = require_http_methods(["GET", "HEAD", "POST"])


def _member(actor: Actor) -> Member:
    member: Member | None = Member.objects.filter(id=actor.member_id).first()
    if member is None:
        raise Forbidden(gettext("These are a person's own settings: sign in first."))
    return member


def _user(request: HttpRequest, actor: Actor) -> User:
    """The person at the browser."""
    _member(actor)
    if not isinstance(request.user, User):
        raise Forbidden(gettext("These are a person's own settings: sign in first."))
    return request.user


@get_or_post
@page(Action.READ)
def me(request: HttpRequest, actor: Actor) -> HttpResponse:
    """A person's own settings; nobody else can change them here."""
    member = _member(actor)
    form = OwnSettings(request.POST) if request.method == "POST" else OwnSettings.of(member)
    if request.method == "POST" and form.is_valid():
        try:
            people.change_own(
                actor, form.cleaned_data["version"], unit_system=form.cleaned_data["unit_system"]
            )
        except DomainError as error:
            faults_on(form, error)
        else:
            messages.success(request, gettext("Your settings are changed."))
            return redirect("me")
    usual = UnitSystem(Company.objects.values_list("unit_system", flat=True).get())
    context = {"member": member, "form": form, "usual": usual.label, "part": "settings"}
    status = 422 if form.is_bound and form.errors else 200
    return show(request, "jobs/me/settings.html", context, nav="me", status=status)


# The second factor


def _here(request: HttpRequest) -> str:
    return str(request.session.get(signins.SESSION_KEY, ""))


@get_or_post
@sensitive_post_parameters("code")
@page(Action.READ, owing=True)
def second_factor(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Sets a second factor up, or shows what there is to do with the one that is."""
    user = _user(request, actor)
    if factor.is_enrolled(user.id):
        return _factor_page(request, actor, ProveAgain(), enrolled=True)
    form = Code(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            codes = factor.confirm(user, form.cleaned_data["code"], address_of(request), _here(request))
            return _codes_page(request, codes)
        except DomainError as error:
            faults_on(form, error)
    return _factor_page(request, actor, form, enrolled=False)


def _factor_page(
    request: HttpRequest, actor: Actor, form: django_forms.Form, *, enrolled: bool
) -> HttpResponse:
    user = _user(request, actor)
    context = {
        "part": "factor",
        "member": _member(actor),
        "form": form,
        "enrolled": enrolled,
        "left": factor.recovery_codes_left(user),
        "needed_by": request.actor.factor_by,  # type: ignore[attr-defined]
    }
    if not enrolled:
        offered = factor.offer(user)
        code = segno.make(offered.address, error="m", micro=False)
        context |= {
            "secret": " ".join(offered.text[at : at + 4] for at in range(0, len(offered.text), 4)),
            "address": offered.address,
            "picture": code.svg_data_uri(scale=5, border=4, dark="#000", light="#fff"),
        }
    status = 422 if form.is_bound and form.errors else 200
    return show(request, "jobs/me/factor.html", context, nav="me", status=status)


def _codes_page(request: HttpRequest, codes: list[str]) -> HttpResponse:
    shown = ["-".join(one[at : at + 4] for at in range(0, len(one), 4)) for one in codes]
    return show(request, "jobs/me/recovery.html", {"codes": shown}, nav="me")


@require_POST
@sensitive_post_parameters("password", "code")
@page(Action.READ)
def recovery_codes(request: HttpRequest, actor: Actor) -> HttpResponse:
    """New recovery codes, against password and code."""
    user, form = _user(request, actor), ProveAgain(request.POST)
    if form.is_valid():
        try:
            codes = factor.renew_recovery(user, **form.cleaned_data, address=address_of(request))
            return _codes_page(request, codes)
        except DomainError as error:
            faults_on(form, error)
    return _factor_page(request, actor, form, enrolled=factor.is_enrolled(user.id))


@require_POST
@sensitive_post_parameters("password", "code")
@page(Action.READ)
def take_factor_off(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Ends the second factor, against password and code."""
    user, form = _user(request, actor), ProveAgain(request.POST)
    if form.is_valid():
        try:
            factor.take_off(user, **form.cleaned_data, address=address_of(request))
        except DomainError as error:
            faults_on(form, error)
        else:
            messages.success(request, gettext("The second factor is off. Your password alone lets you in."))
            return redirect("second-factor")
    return _factor_page(request, actor, form, enrolled=factor.is_enrolled(user.id))


# Where a person is signed in


@require_safe
@page(Action.READ)
def sign_ins(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The browsers and tablets on which a person is signed in."""
    places = signins.of_actor(actor, _here(request))
    context = {"part": "signins", "member": _member(actor), "places": places}
    return show(request, "jobs/me/signins.html", context, nav="me")


@require_POST
@page(Action.READ)
def end_sign_in(request: HttpRequest, actor: Actor, sign_in_id: UUID) -> HttpResponse:
    _member(actor)
    try:
        signins.end_own(actor, sign_in_id)
        messages.success(request, gettext("That sign-in is ended."))
    except DomainError as error:
        refuse(request, error)
    return redirect("sign-ins")


@require_POST
@page(Action.READ)
def end_other_sign_ins(request: HttpRequest, actor: Actor) -> HttpResponse:
    ended = signins.end_others(actor, _here(request))
    words = ngettext("%(count)d sign-in is ended.", "%(count)d sign-ins are ended.", ended)
    messages.success(request, words % {"count": ended})
    return redirect("sign-ins")
