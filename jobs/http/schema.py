"""What drf-spectacular cannot see by itself: problems, headers, strict input, ways to sign in.

`DoorSchema` is the default of every view. It adds what the door does anyway: the Idempotency-Key of a
Repeatable POST, If-Match of a PATCH, and the problem answers. A view's own `@extend_schema(responses=…)`
needs to name its good answers only.
"""

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension, OpenApiSerializerExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers

from jobs.http import stream
from jobs.http.door import Door, PublicDoor
from jobs.http.idempotency import HEADER, Repeatable
from jobs.http.problem import MEDIA_TYPE


class FaultShape(serializers.Serializer):
    """One thing wrong with the input."""

    pointer = serializers.CharField(help_text="JSON pointer into the body, or `header:…`, `query:…`.")
    detail = serializers.CharField()

    class Meta:
        ref_name = "Fault"


class ProblemShape(serializers.Serializer):
    """What went wrong, in words (RFC 9457)."""

    type = serializers.CharField(help_text="Address of a page about this kind of problem.")
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    errors = FaultShape(many=True, required=False)  # type: ignore[assignment]  # the field of the standard
    instance = serializers.CharField(required=False, help_text="Names the request; the log knows it too.")

    class Meta:
        ref_name = "Problem"


WORDS = {
    400: "The request is malformed",
    401: "Not signed in, or the token is unknown, expired or revoked",
    403: "Signed in, but not allowed",
    404: "Nothing by that id in your company",
    409: "In conflict with the present state",
    412: "It changed since you looked",
    413: "Too large",
    415: "Another kind of body",
    422: "Understood, but not valid",
    428: "If-Match is missing",
    429: "Too many requests; see Retry-After",
    503: "Busy; see Retry-After",
}

KEY_PARAMETER = OpenApiParameter(
    HEADER,
    str,
    OpenApiParameter.HEADER,
    required=True,
    description="1 to 200 visible characters, the same for each repeat of one request. A repeat gets the "
    "first answer, byte for byte, with `Idempotent-Replayed: true`.",
)
MATCH_PARAMETER = OpenApiParameter(
    "If-Match", str, OpenApiParameter.HEADER, required=True, description="The ETag of what you saw."
)


FIELDS_PARAMETER = {
    "in": "query",
    "name": "fields",
    "schema": {"type": "string", "pattern": "^[a-z][a-z0-9_]*(,[a-z][a-z0-9_]*)*$"},
    "description": "Only these fields, with commas between them, e.g. `id,status`.",
}
SEEN_PARAMETER = {
    "in": "header",
    "name": "If-None-Match",
    "schema": {"type": "string"},
    "description": "The ETag seen last; the answer is 304 while nothing changed.",
}


class DoorSchema(AutoSchema):
    """The schema of a view, with what its base classes do."""

    def get_override_parameters(self) -> list[Any]:
        found = list(super().get_override_parameters())
        if isinstance(self.view, Repeatable) and self.method in self.view.repeatable_methods:
            found.append(KEY_PARAMETER)
        if self.method == "PATCH" and getattr(self.view, "matches", True):
            found.append(MATCH_PARAMETER)
        return found

    def get_auth(self) -> list[dict[str, list[Any]]]:
        """Either way in is enough; one object with both would ask for both."""
        return [{name: scopes} for one in super().get_auth() for name, scopes in one.items()]

    def get_operation(self, *args: Any, **kwargs: Any) -> Any:
        operation = super().get_operation(*args, **kwargs)
        if operation and self.method == "GET" and isinstance(self.view, Door):
            _add_representations(operation)
        return operation

    def _get_response_bodies(self, direction: Any = "response") -> dict[str, Any]:
        bodies: dict[str, Any] = super()._get_response_bodies(direction)
        told = {status for status in bodies if status.startswith(("4", "5"))}
        for status in told | {str(status) for status in self.problem_statuses()}:
            if not bodies.get(status, {}).get("content"):
                bodies[status] = self._problem(int(status)) | bodies.get(status, {})
        return dict(sorted(bodies.items()))

    def problem_statuses(self) -> list[int]:
        """The problems that this method of the view may answer with."""
        found = {429} if isinstance(self.view, PublicDoor) else {401, 403, 429}
        if "{" in self.path:
            found.add(404)
        if self.method in {"POST", "PUT", "PATCH"}:
            found |= {400, 409, 413, 415, 422}
        if self.method == "PATCH" and getattr(self.view, "matches", True):
            found |= {412, 428}
        if self.method == "GET" and self._is_list_view():
            found.add(422)
        return sorted(found)

    def _problem(self, status: int) -> dict[str, Any]:
        component = self.resolve_serializer(ProblemShape, "response")
        return {"content": {MEDIA_TYPE: {"schema": component.ref}}, "description": WORDS.get(status, "")}


def _add_representations(operation: dict[str, Any]) -> None:
    """What every answer in JSON can do: chosen fields, 304, and for lists the stream."""
    answer = operation["responses"].get("200", {})
    shape = answer.get("content", {}).get("application/json")
    if shape is None:
        return
    names = {parameter["name"] for parameter in operation.setdefault("parameters", [])}
    operation["parameters"] += [one for one in (FIELDS_PARAMETER, SEEN_PARAMETER) if one["name"] not in names]
    operation["responses"].setdefault("304", {"description": "The same as what the ETag named; no body."})
    if "limit" in names:
        reference = shape["schema"].get("$ref", "").rpartition("/")[2]
        item = reference.removeprefix("Paginated").removesuffix("List")
        answer["content"][stream.MEDIA_TYPE] = {
            "schema": {"$ref": f"#/components/schemas/{item}"} if reference != item else {"type": "object"},
        }
        answer["description"] = (
            f"A page; with `Accept: {stream.MEDIA_TYPE}` all items, one a line, and last "
            '`{"end": {"items": n}}`, without which the stream was cut off.'
        )
    operation["responses"] = dict(sorted(operation["responses"].items()))


class StrictInput(OpenApiSerializerExtension):
    """Input that refuses unknown fields says so in the schema."""

    target_class = "jobs.http.door.Strict"
    match_subclasses = True

    def map_serializer(self, auto_schema: AutoSchema, direction: Any) -> Any:
        schema = auto_schema._map_serializer(self.target, direction, bypass_extensions=True)
        return {**schema, "additionalProperties": False}


class WaysIn(OpenApiAuthenticationExtension):
    """Bearer tokens, and the cookie of the pages."""

    target_class = "jobs.http.auth.ActorAuthentication"
    name = ["token", "session"]

    def get_security_definition(self, auto_schema: AutoSchema) -> list[dict[str, Any]]:
        return [
            {
                "type": "http",
                "scheme": "bearer",
                "description": "An integration key, a tablet's token or that of a person on a tablet.",
            },
            {
                "type": "apiKey",
                "in": "cookie",
                "name": "sessionid",
                "description": "Signed in on the pages; unsafe methods need X-CSRFToken too.",
            },
        ]
