"""Outermost middleware: a request id for every request and the content security policy for every answer."""

import re
import uuid
from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponseBase

from config.logs import request_id

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
