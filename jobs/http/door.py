"""The base of REST views: who may, what was seen, strict input."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, ClassVar

from rest_framework import serializers
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action, Actor, require
from jobs.errors import (
    DomainError,
    Fault,
    Invalid,
    NotSignedIn,
    PreconditionFailed,
    PreconditionRequired,
)
from jobs.http import stream
from jobs.http.paging import PAGING
from jobs.http.problem import MethodNotAllowed
from jobs.http.representation import FIELDS, chosen_fields, confirm, narrow, narrowed, version_of

Told = Callable[[list[Any]], Any]


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

    def page(self, rows: Any, serializer: type[serializers.BaseSerializer[Any]], **told: Told) -> Any:
        """One page of rows by keyset, or all of them as a stream (`jobs.http.stream`).

        `told` adds to the serializer's context what the rows of the page need together, by name.
        """
        names = chosen_fields(self.request)

        def show(found: list[Any]) -> Sequence[dict[str, Any]]:
            more = {name: tell(found) for name, tell in told.items()}
            shape = serializer(found, many=True, context={**self.get_serializer_context(), **more})
            narrow(shape, names)
            return shape.data  # type: ignore[no-any-return]

        if stream.is_wanted(self.request):
            action = self.needs["GET"] or Action.READ
            keyset: Any = self.paginator
            chunks = keyset.chunks(rows, self.request, self, stream.CHUNK)
            narrow(serializer(many=True), names)  # while it can still be refused
            return stream.as_lines(self.actor, action, chunks, show)
        return self.get_paginated_response(show(self.paginate_queryset(rows) or []))

    def perform_content_negotiation(self, request: Request, force: bool = False) -> Any:
        asked = request.headers.get("Accept", "").partition(";")[0].strip() == stream.MEDIA_TYPE
        return super().perform_content_negotiation(request, force or asked)

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Any:
        was_read = request.method in {"GET", "HEAD"} and response.status_code == 200
        if was_read and isinstance(response, Response):
            try:
                self._to_be_read(request, response)
            except DomainError as error:
                response = self.handle_exception(error)
        return super().finalize_response(request, response, *args, **kwargs)

    def _to_be_read(self, request: Request, response: Response) -> None:
        """Chosen fields only, and an ETag of what is shown; a door that has an ETag of its own keeps it."""
        response.data = narrowed(response.data, chosen_fields(request))
        if "ETag" not in response.headers or getattr(response, "versioned", False):
            response.add_post_render_callback(lambda rendered: confirm(rendered, request))


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
    known = [*names, *PAGING, FIELDS]
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
    response = Response(data, status=status, headers={"ETag": etag(version)})
    response.versioned = True  # type: ignore[attr-defined]  # a GET adds what it shows
    return response


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
    return version_of(text)
