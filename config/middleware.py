"""Middleware of every answer: a request id, the content security policy, room on the disk, a right clock,
how often.
"""

import re
import uuid
from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponseBase

from config.logs import request_id
from jobs import clock, disk
from jobs.errors import Busy, TooMany
from jobs.http.limits import limit_request
from jobs.pages import failures

Handler = Callable[[HttpRequest], HttpResponseBase]
SAFE_ID = re.compile(r"[A-Za-z0-9._-]{8,64}")


class RequestIdMiddleware:
    """Takes X-Request-ID from the caller when it is harmless text, else makes one.

    The id stands in `request.request_id`, in every log line of the request and in the answer's header.
    """

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        given = request.headers.get("X-Request-ID", "")
        value = given if SAFE_ID.fullmatch(given) else uuid.uuid4().hex
        request.request_id = value  # type: ignore[attr-defined]
        token = request_id.set(value)
        try:
            response = self.get_response(request)
        finally:
            request_id.reset(token)
        response.headers["X-Request-ID"] = value
        return response


class ContentSecurityMiddleware:
    """Adds the content security policy of the settings, unless the view set a narrower one of its own."""

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", settings.CONTENT_SECURITY_POLICY)
        return response


class RoomMiddleware:
    """Refuses requests that write while a disk is nearly full. Reading goes on, and signing in to read.

    GraphQL asks by POST: there each change is refused by itself (jobs.http.changes).
    """

    SAFE = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response
        self.exempt = ("/graphql", settings.LOGIN_URL, "/api/v1/devices/sign-in")

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if request.method not in self.SAFE and not request.path.startswith(self.exempt):
            try:
                disk.require_room()
            except Busy as error:
                return failures.answer(request, error)
        return self.get_response(request)


class ClockMiddleware:
    """Answers nothing while this process's clock is wrong, but for the questions of supervisors."""

    SERVED = frozenset({"/healthz", "/readyz", "/metrics"})

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if request.path not in self.SERVED:
            try:
                clock.require_right()
            except Busy as error:
                return failures.answer(request, error)
        return self.get_response(request)


class RequestLimitMiddleware:
    """Refuses who asks too often, or whose company does, with Retry-After: a problem, or a page of words.

    Stands inside the middleware that finds the actor. Signing out is always served.
    """

    SERVED = frozenset({"/signout"})

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if request.path not in self.SERVED:
            try:
                limit_request(request)
            except TooMany as error:
                return failures.answer(request, error)
        return self.get_response(request)
