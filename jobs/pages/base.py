"""What the views of all pages share: who may, where strangers go, how a failure looks."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import wraps
from typing import Any, Concatenate, ParamSpec
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from jobs.access import Action, Actor, require
from jobs.errors import DomainError, SignInAgain
from jobs.models import Company
from jobs.pages.failures import answer

P = ParamSpec("P")
View = Callable[Concatenate[HttpRequest, Actor, P], HttpResponse]
Shown = Callable[Concatenate[HttpRequest, P], HttpResponse]


def page(action: Action, *, owing: bool = False, back: str = "") -> Callable[[View[P]], Shown[P]]:
    """Turns `view(request, actor, …)` into a view for those who may do the action.

    Strangers go to the sign-in page and come back, people without a company choose one, who owes a second
    factor is led to set it up, but for pages open to who is `owing` one. Who must sign in again first does,
    and comes `back` to the page of that name, or to this one. A domain error becomes a page with its status
    and undoes the request's work.
    """

    def decorate(view: View[P]) -> Shown[P]:
        @wraps(view)
        def run(request: HttpRequest, *args: P.args, **kwargs: P.kwargs) -> HttpResponse:
            actor: Actor | None = getattr(request, "actor", None)
            if actor is None:
                return to_sign_in(request)
            if actor.owes_factor:
                if not owing:
                    return redirect("second-factor")
                actor = replace(actor, factor_by=None)
            try:
                return view(request, require(actor, action), *args, **kwargs)
            except SignInAgain:
                transaction.set_rollback(True)
                return with_next("signin-again", reverse(back) if back else request.get_full_path())
            except DomainError as error:
                transaction.set_rollback(True)
                return answer(request, error)

        return never_cache(run)  # type: ignore[no-any-return]

    return decorate


def to_sign_in(request: HttpRequest) -> HttpResponseRedirect:
    """To sign in, or for who is signed in already to choose a company; then back here."""
    address = "choose-company" if request.user.is_authenticated else "signin"
    back = request.get_full_path() if request.method in {"GET", "HEAD"} else "/"
    return with_next(address, back)


def with_next(address: str, onward: str) -> HttpResponseRedirect:
    """To the page of a name, and from there on to an address."""
    response = redirect(address)
    if onward != "/":
        response["Location"] += f"?{urlencode({'next': onward})}"
    return response


def show(
    request: HttpRequest,
    template: str,
    context: Mapping[str, Any] | None = None,
    *,
    nav: str = "",
    status: int = 200,
) -> HttpResponse:
    """Renders a page inside the base layout, with its place in the head marked."""
    actor: Actor | None = getattr(request, "actor", None)
    name, units = Company.objects.values_list("name", "unit_system").get() if actor else ("", "")
    units = (actor.units if actor else "") or units
    return render(
        request,
        template,
        {"nav": nav, "company_name": name, "actor": actor, "units": units, **(context or {})},
        status=status,
    )


def faults_on(form: forms.Form, error: DomainError) -> None:
    """Shows what an action refused at the fields of the form, the rest above it."""
    placed = False
    for fault in error.faults:
        name = fault.pointer.strip("/").partition("/")[0]
        form.add_error(name if name in form.fields else None, fault.detail)
        placed = True
    if not placed:
        form.add_error(None, error.detail)


def refuse(request: HttpRequest, error: DomainError) -> None:
    """Tells on the next page why an action, which undid itself, refused."""
    messages.error(request, error.detail)
