"""Coming in: signing in and out, choosing the company, a forgotten password, an invitation."""

import time
from uuid import UUID

from django.contrib import messages
from django.contrib.auth import login, logout
from django.db import transaction
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect
from django.utils.crypto import constant_time_compare
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext, gettext_noop
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from jobs import factor, identity, people, signins
from jobs.errors import DomainError, NotSignedIn
from jobs.http.limits import address_of, network_of
from jobs.models import User
from jobs.pages import forms
from jobs.pages.base import faults_on, show, to_sign_in, with_next
from jobs.pages.failures import answer
from jobs.tenancy.middleware import SESSION_KEY

BACKEND = "django.contrib.auth.backends.ModelBackend"
WRONG = gettext_noop("The e-mail or the password is wrong.")
HALF_IN, HALF_IN_SECONDS = "half_in", 600
SAME_TIME = 0.4  # seconds that asking for a new password takes at least, whoever asks
get_or_post = require_http_methods(["GET", "HEAD", "POST"])


@never_cache
@get_or_post
@sensitive_post_parameters("password")
def sign_in(request: HttpRequest) -> HttpResponse:
    if request.method != "POST" and request.user.is_authenticated:
        return redirect(_next(request))
    form = forms.SignIn(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            return _next_step(request, _proven(request, **form.cleaned_data))
        except DomainError as error:
            faults_on(form, error)
            return _sign_in_page(request, form, error.status)
    return _sign_in_page(request, form, 422 if form.errors else 200)


def _sign_in_page(request: HttpRequest, form: forms.SignIn, status: int) -> HttpResponse:
    return show(request, "jobs/entry/signin.html", {"form": form, "next": _next(request)}, status=status)


def _proven(request: HttpRequest, *, email: str, password: str) -> User:
    user = people.check_password(email, password, address_of(request))
    if user is None:
        raise NotSignedIn(gettext(WRONG))
    return user


def _next_step(request: HttpRequest, user: User) -> HttpResponseRedirect:
    """In, or first to the page that asks for a code."""
    if factor.is_enrolled(user.id):
        way = "app"
    elif people.is_guessed_at(user):
        way = "mail"
        people.mail_code(user)
    else:
        return _let_in(request, user)
    request.session.flush()
    request.session[HALF_IN] = {
        "user": str(user.id), "way": way, "at": time.time(), "password": user.get_session_auth_hash(),
    }  # fmt: skip
    return with_next("signin-code", _next(request))


def _half_in(request: HttpRequest) -> tuple[User, str] | None:
    """Who proved their password here in the last minutes, and how they prove the rest."""
    kept = request.session.get(HALF_IN)
    if not kept or time.time() - kept["at"] > HALF_IN_SECONDS:
        return None
    user = User.objects.filter(id=kept["user"], is_active=True).first()
    if user is None or not constant_time_compare(user.get_session_auth_hash(), kept["password"]):
        return None
    return user, kept["way"]


@never_cache
@get_or_post
@sensitive_post_parameters("code")
def sign_in_code(request: HttpRequest) -> HttpResponse:
    """The second step of signing in: a code from the telephone, or from a mail."""
    half = _half_in(request)
    if half is None:
        return with_next("signin", _next(request))
    user, way = half
    form, status = forms.Code(request.POST if request.method == "POST" else None), 200
    if request.method == "POST" and form.is_valid():
        prove = factor.prove if way == "app" else factor.prove_mail
        try:
            prove(user, form.cleaned_data["code"], address_of(request))
            return _let_in(request, user)
        except DomainError as error:
            faults_on(form, error)
            status = error.status
    context = {"form": form, "next": _next(request), "way": way}
    return show(
        request, "jobs/entry/code.html", context, status=422 if form.errors and status == 200 else status
    )


def _let_in(request: HttpRequest, user: User) -> HttpResponseRedirect:
    """Starts a session under a new key and enters the company when there is but one."""
    onward = _next(request)
    _start(request, user)
    request.session.pop(HALF_IN, None)
    places = people.places_of(user)
    if len(places) != 1:
        return with_next("choose-company", onward)
    _enter(request, user, places[0].company_id)
    return redirect(onward)


def _start(request: HttpRequest, user: User) -> None:
    """Begins the session of somebody who proved just now who they are."""
    login(request, user, backend=BACKEND)
    identity.begin(request)
    identity.proved(request)


@never_cache
@get_or_post
@sensitive_post_parameters("password", "code")
def sign_in_again(request: HttpRequest) -> HttpResponse:
    """Asks who is signed in already to prove it once more; then on to what asked for it."""
    user = request.user
    if not isinstance(user, User):
        return to_sign_in(request)
    enrolled, status = factor.is_enrolled(user.id), 200
    form = forms.ProveAgain(request.POST if request.method == "POST" else None, enrolled=enrolled)
    if request.method == "POST" and form.is_valid():
        try:
            factor.prove_again(user, **form.cleaned_data, address=address_of(request))
        except DomainError as error:
            faults_on(form, error)
            status = error.status
        else:
            identity.proved(request)
            messages.success(request, gettext("Thank you. For ten minutes you are not asked again."))
            return redirect(_next(request))
    context = {"form": form, "next": _next(request), "email": user.email}
    return show(
        request, "jobs/entry/again.html", context, status=422 if form.errors and status == 200 else status
    )


def _enter(request: HttpRequest, user: User, company_id: UUID) -> None:
    sign_in = request.session.get(signins.SESSION_KEY, "")
    people.enter(user, company_id, sign_in, network_of(address_of(request)))
    request.session[SESSION_KEY] = str(company_id)
    request.session.cycle_key()


def _next(request: HttpRequest) -> str:
    """Where to go on to; only within this service."""
    onward = request.POST.get("next") or request.GET.get("next") or "/"
    safe = url_has_allowed_host_and_scheme(onward, {request.get_host()}, require_https=request.is_secure())
    return onward if safe and onward.startswith("/") else "/"


@never_cache
@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    signins.end_here(request.session.get(signins.SESSION_KEY, ""))
    logout(request)
    return redirect("signin")


@never_cache
@get_or_post
def choose_company(request: HttpRequest) -> HttpResponse:
    user = request.user
    if not isinstance(user, User):
        return to_sign_in(request)
    if request.method == "POST":
        try:
            _enter(request, user, UUID(request.POST.get("company", "")))
        except ValueError:
            return answer(request, DomainError(gettext("Choose one of your companies.")))
        except DomainError as error:
            return answer(request, error)
        return redirect(_next(request))
    return show(
        request, "jobs/entry/companies.html", {"places": people.places_of(user), "next": _next(request)}
    )


@never_cache
@get_or_post
@transaction.non_atomic_requests
def forgotten_password(request: HttpRequest) -> HttpResponse:
    """Asks for a link by mail. The answer is the same, and takes the same time, for every e-mail."""
    form, status = forms.ForgottenPassword(request.POST or None), 200
    if request.method == "POST" and form.is_valid():
        begun = time.monotonic()
        try:
            people.request_reset(form.cleaned_data["email"], address_of(request))
            time.sleep(max(0.0, SAME_TIME - (time.monotonic() - begun)))
            return redirect("password-sent")
        except DomainError as error:
            faults_on(form, error)
            status = error.status
    with transaction.atomic():
        return show(request, "jobs/entry/forgotten.html", {"form": form}, status=status)


def password_sent(request: HttpRequest) -> HttpResponse:
    return show(request, "jobs/entry/sent.html")


@never_cache
@get_or_post
@sensitive_post_parameters("password")
def new_password(request: HttpRequest, uid: str, token: str) -> HttpResponse:
    form = forms.NewPassword(request.POST or None)
    try:
        user = people.user_of_link(uid, token)
    except DomainError as error:
        return answer(request, error)
    if request.method == "POST" and form.is_valid():
        try:
            people.set_password(uid, token, form.cleaned_data["password"])
        except DomainError as error:
            faults_on(form, error)
        else:
            logout(request)
            messages.success(request, gettext("The new password holds. Sign in with it."))
            return redirect("signin")
    context = {"form": form, "email": user.email}
    return show(request, "jobs/entry/password.html", context, status=422 if form.errors else 200)


@never_cache
@get_or_post
@sensitive_post_parameters("password")
def invitation(request: HttpRequest, token: str) -> HttpResponse:
    try:
        offer = people.offer_of(token)
    except DomainError as error:
        return answer(request, error)
    user = request.user if isinstance(request.user, User) else None
    mine = user is not None and user.email == offer.invitation.email
    kind = forms.Form if mine else forms.KnownPassword if offer.known else forms.NewPassword
    form = kind(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            return _join(request, token, form.cleaned_data.get("password", ""), user)
        except DomainError as error:
            faults_on(form, error)
    context = {"form": form, "offer": offer, "mine": mine, "other": user is not None and not mine}
    return show(request, "jobs/entry/invitation.html", context, status=422 if form.errors else 200)


def _join(request: HttpRequest, token: str, password: str, user: User | None) -> HttpResponse:
    joined, member = people.accept_invitation(
        token=token, password=password, signed_in=user, address=address_of(request)
    )
    if user is None and factor.is_enrolled(joined.id):
        return _next_step(request, joined)
    if user is None:
        _start(request, joined)
    _enter(request, joined, member.company_id)  # type: ignore[arg-type]
    messages.success(request, gettext("Welcome. This is where you start."))
    return redirect("start")
