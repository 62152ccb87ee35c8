"""Finds the company and the actor of a request."""

import uuid
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponseBase
from django.utils.functional import cached_property
from django.utils.module_loading import import_string

from .context import company, company_var
from .ids import parse_id

SESSION_KEY = "company"


def claimed_company(request: HttpRequest) -> uuid.UUID | None:
    """Return the company that the bearer token, or else the session, claims; None if neither does.

    A claim only: the actor is looked up under that company's row security and decides.
    """
    header = request.headers.get("Authorization", "")
    if header:
        scheme, _, token = header.partition(" ")
        text = token.strip().partition(".")[0] if scheme.lower() == "bearer" else ""
    else:
        text = str(request.session.get(SESSION_KEY, "")) if hasattr(request, "session") else ""
    try:
        return parse_id(text)
    except ValueError:
        return None


class CompanyMiddleware:
    """Sets `request.actor` (None if unknown) and the company for the rest of the request.

    Only the context variable is set; the view's transaction (ATOMIC_REQUESTS) takes it from there.
    An unknown token, a revoked one and a token of another company all give no company and no actor.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    @cached_property
    def actor_for(self) -> Callable[[HttpRequest], Any]:
        """The function that turns a request into an actor: settings.TENANCY_ACTOR, a dotted path."""
        found: Callable[[HttpRequest], Any] = import_string(
            getattr(settings, "TENANCY_ACTOR", "jobs.access.actor_for")
        )
        return found

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        claimed = claimed_company(request)
        actor = self._find(request, claimed) if claimed else None
        request.actor = actor  # type: ignore[attr-defined]
        with company_var(claimed if actor else None):
            return self.get_response(request)

    def _find(self, request: HttpRequest, claimed: uuid.UUID) -> Any:
        """Look the actor up in a short transaction of the claimed company."""
        with company(claimed):
            actor = self.actor_for(request)
        return actor if actor is not None and actor.company_id == claimed else None
