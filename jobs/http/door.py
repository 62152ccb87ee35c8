"""The base of REST views: who may, what was seen, strict input."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import HttpRequest
from rest_framework import serializers
from rest_framework.authentication import BaseAuthentication, CSRFCheck
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request

from jobs.access import Action, Actor, require
from jobs.errors import Fault, Forbidden, PreconditionFailed, PreconditionRequired


class ActorAuthentication(BaseAuthentication):
    """Takes the actor that the middleware found; a cookie needs the CSRF token too."""

    def authenticate(self, request: Request) -> tuple[Actor, None] | None:
        actor = getattr(request._request, "actor", None)
        if actor is None:
            if request.headers.get("Authorization"):
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


class Door(GenericAPIView):
    """Names the action each method needs; a method without one is not served."""

    needs: ClassVar[Mapping[str, Action]] = {}
    newest_first: ClassVar[bool] = False

    @property
    def actor(self) -> Actor:
        return self.request._request.actor  # type: ignore[attr-defined,no-any-return]

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        require(getattr(request._request, "actor", None), self.needs[request.method or ""])

    def read(self, serializer: type[serializers.Serializer], **extra: Any) -> dict[str, Any]:
        """The checked input of the request's body."""
        checked = serializer(data=self.request.data, context=self.get_serializer_context(), **extra)
        checked.is_valid(raise_exception=True)
        return dict(checked.validated_data)

    def page(self, rows: Any, serializer: type[serializers.BaseSerializer[Any]]) -> Any:
        found = self.paginate_queryset(rows)
        return self.get_paginated_response(
            serializer(found, many=True, context=self.get_serializer_context()).data
        )


class Strict(serializers.Serializer):
    """Input that refuses fields it does not know, so that a typing mistake is never silently dropped."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            unknown = sorted(set(data) - set(self.fields))
            if unknown:
                raise serializers.ValidationError(
                    {name: ["There is no such field here."] for name in unknown}
                )
        return super().to_internal_value(data)


def etag(version: int | str) -> str:
    return f'"{version}"'


def seen_version(request: Request) -> int:
    """The version in If-Match, e.g. "3". Raises PreconditionRequired or PreconditionFailed."""
    text = seen_tag(request)
    if not text.isascii() or not text.isdigit():
        raise PreconditionFailed(
            "If-Match does not name a version of this.", [Fault("header:If-Match", "unknown")]
        )
    return int(text[:9])


def seen_tag(request: Request) -> str:
    text = request.headers.get("If-Match")
    if text is None:
        raise PreconditionRequired(
            "Send 'If-Match' with the ETag of what you saw, so that nobody's change is lost.",
            [Fault("header:If-Match", "missing")],
        )
    return text.strip().removeprefix("W/").strip('"')


def check_version(seen: int, now: int) -> None:
    if seen != now:
        raise PreconditionFailed("It changed since you looked; fetch it again and repeat your change.")
