"""Ends at every door what was ended elsewhere: the session of a sign-in that holds no more."""

from collections.abc import Callable

from django.contrib.auth import SESSION_KEY, logout
from django.http import HttpRequest, HttpResponseBase

from jobs.identity import sign_in_holds


class SignInMiddleware:
    """Stands behind Django's own, before the company is looked for. Requests with a token pass by."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        by_session = "Authorization" not in request.headers and SESSION_KEY in request.session
        if by_session and request.user.is_authenticated and not sign_in_holds(request):
            logout(request)
        return self.get_response(request)
