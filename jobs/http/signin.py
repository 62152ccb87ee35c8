"""Ends at every door what was ended elsewhere: the session of a sign-in that holds no more."""

from collections.abc import Callable

from django.contrib.auth import SESSION_KEY, logout
from django.contrib.auth.models import AnonymousUser
from django.http import HttpRequest, HttpResponseBase

from jobs.identity import sign_in_holds


class SignInMiddleware:
    """Stands behind Django's own, before the company is looked for.

    Who comes with a token is who the token says, whatever session comes beside it.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if "Authorization" in request.headers:
            request.user = AnonymousUser()
        elif SESSION_KEY in request.session and request.user.is_authenticated and not sign_in_holds(request):
            logout(request)
        return self.get_response(request)
