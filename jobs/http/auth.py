"""Tells the REST doors who the middleware found."""

from django.http import HttpRequest
from rest_framework.authentication import BaseAuthentication, CSRFCheck
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from jobs.access import Actor
from jobs.errors import DomainError, Forbidden


class ActorAuthentication(BaseAuthentication):
    """Takes the actor that the middleware found; a cookie needs the CSRF token too."""

    def authenticate(self, request: Request) -> tuple[Actor, None] | None:
        header = request.headers.get("Authorization", "")
        if "," in header:
            raise DomainError("Send one 'Authorization' header with one token.")
        actor: Actor | None = getattr(request._request, "actor", None)
        if actor is None:
            if header:
                raise AuthenticationFailed("The token is unknown, expired or revoked.")
            return None
        if actor.token_id is None:
            check_csrf(request._request)
        return actor, None

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


def check_csrf(request: HttpRequest) -> None:
    """For requests that come with a cookie. Raises Forbidden."""
    check = CSRFCheck(lambda _: None)  # type: ignore[arg-type,return-value]
    check.process_request(request)
    if check.process_view(request, None, (), {}):  # type: ignore[arg-type]
        raise Forbidden("The request came without this page's CSRF token; reload the page.")
