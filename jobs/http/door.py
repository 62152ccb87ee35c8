"""The base of REST views: who may, what was seen, strict input."""

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from rest_framework import serializers
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action, Actor, require
from jobs.errors import (
    Fault,
    Invalid,
    NotSignedIn,
    PreconditionFailed,
    PreconditionRequired,
)
from jobs.http.problem import MethodNotAllowed

PAGING = ("after", "limit")


class Door(GenericAPIView):
    """Names the action each method needs (None: anyone signed in, also a tablet nobody is signed in on).

    A method without an entry is not served.
    """

    needs: ClassVar[Mapping[str, Action | None]] = {}
    newest_first: ClassVar[bool] = False

    @property
    def actor(self) -> Actor:
        """Who asks. `initial` made sure that there is somebody."""
        actor: Actor = self.request._request.actor  # type: ignore[attr-defined]
        return actor

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        method = "GET" if request.method == "HEAD" else request.method or ""
        if method not in self.needs:
            raise MethodNotAllowed(f"{method} is not served here; {', '.join(self.needs)} is.")
        action, actor = self.needs[method], getattr(request._request, "actor", None)
        if action is not None:
            require(actor, action)
        elif actor is None:
            raise NotSignedIn("Sign in, or send a valid token as 'Authorization: Bearer …'.")

    @property
    def allowed_methods(self) -> list[str]:
        return sorted({*self.needs, *({"HEAD"} if "GET" in self.needs else ())})

    def read(self, serializer: type[serializers.Serializer], **extra: Any) -> dict[str, Any]:
        """The checked input of the request's body."""
        return read(self, serializer, **extra)

    def filters(self, *names: str) -> dict[str, str]:
        """The query's parameters by name. Raises Invalid for one that is not among `names` or paging."""
        return read_filters(self.request, names)

    def page(self, rows: Any, serializer: type[serializers.BaseSerializer[Any]]) -> Response:
        """One page of rows, by keyset."""
        found = self.paginate_queryset(rows)
        return self.get_paginated_response(
            serializer(found, many=True, context=self.get_serializer_context()).data
        )


class PublicDoor(GenericAPIView):
    """A view for callers without a token. Limited by address; it sees no company unless it opens one."""

    authentication_classes = ()

    def read(self, serializer: type[serializers.Serializer], **extra: Any) -> dict[str, Any]:
        """The checked input of the request's body."""
        return read(self, serializer, **extra)


def read(view: GenericAPIView, serializer: type[serializers.Serializer], **extra: Any) -> dict[str, Any]:
    """The body of a view's request, checked by a serializer. Raises DRF's ValidationError."""
    checked = serializer(data=view.request.data, context=view.get_serializer_context(), **extra)
    checked.is_valid(raise_exception=True)
    return dict(checked.validated_data)


def read_filters(request: Request, names: Iterable[str]) -> dict[str, str]:
    """Query parameters by name, each at most once and known. Raises Invalid."""
    known = [*names, *PAGING]
    faults = []
    for name in request.query_params:
        if name not in known:
            faults.append(
                Fault(f"query:{name[:80]}", f"There is no such filter; there are {', '.join(known)}.")
            )
        elif len(request.query_params.getlist(name)) > 1:
            faults.append(Fault(f"query:{name}", "Give it once."))
        elif "\0" in request.query_params[name]:
            faults.append(Fault(f"query:{name}", "The character NUL is in no text here."))
    if faults:
        raise Invalid("The address has parameters that mean nothing here.", faults[:20])
    return {name: request.query_params[name] for name in names if name in request.query_params}


def tagged(data: Any, version: int | str, status: int = 200) -> Response:
    """An answer with the ETag that an edit must send back in If-Match."""
    return Response(data, status=status, headers={"ETag": etag(version)})


class Strict(serializers.Serializer):
    """Input that refuses fields it does not know, so that a typing mistake is never silently dropped.

    Nor does it turn one JSON type into another: true is not 1, 1 is not a text, "no" is not false.
    """

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            faults = {name: ["There is no such field here."] for name in sorted(set(data) - set(self.fields))}
            for name, field in self.fields.items():
                if wrong := _other_type(field, data.get(name)):
                    faults[name] = [wrong]
            if faults:
                raise serializers.ValidationError(faults)
        return super().to_internal_value(data)


def _other_type(field: serializers.Field, value: Any) -> str | None:
    """What is wrong with the JSON type of a value; None is left to the field."""
    if value is None:
        return None
    if isinstance(field, serializers.BooleanField):
        return None if isinstance(value, bool) else "Give true or false."
    if isinstance(field, serializers.FloatField | serializers.IntegerField):
        return "Give a number." if isinstance(value, bool) else None
    if isinstance(field, serializers.CharField):
        return None if isinstance(value, str) else "Give a text."
    return None


def etag(version: int | str) -> str:
    return f'"{version}"'


def seen_version(request: Request) -> int:
    """The version in If-Match, e.g. "3". Raises PreconditionRequired or PreconditionFailed."""
    text = seen_tag(request)
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise PreconditionFailed(
            "If-Match does not name a version of this.", [Fault("header:If-Match", "unknown")]
        )
    return int(text)


def seen_tag(request: Request) -> str:
    text = request.headers.get("If-Match")
    if text is None:
        raise PreconditionRequired(
            "Send 'If-Match' with the ETag of what you saw, so that nobody's change is lost.",
            [Fault("header:If-Match", "missing")],
        )
    return text.strip().removeprefix("W/").strip('"')
