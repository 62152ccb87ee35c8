"""The door to a site's model for building automation."""

import json
from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.http import HttpResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.request import Request

from jobs.access import Action
from jobs.errors import Fault, Invalid
from jobs.http.door import Door
from reports.building import brick, haystack, load
from reports.building.load import Model

HAYSTACK = "application/vnd.haystack+json"
TURTLE, JSON_LD = "text/turtle", "application/ld+json"


def _json(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False).encode()


FORMATS: dict[str, tuple[str, str, Callable[[Model], bytes]]] = {
    "haystack": (HAYSTACK, "hayson.json", lambda model: _json(haystack.grid(model))),
    "brick": (TURTLE, "ttl", lambda model: brick.turtle(model).encode()),
    "brick-json": (JSON_LD, "jsonld", lambda model: _json(brick.json_ld(model))),
}
"""By name: media type, ending, and what writes it."""


class AnyKind(BaseContentNegotiation):
    """What is asked for is looked at by the view; errors are problems whatever was asked for."""

    def select_parser(self, request: Any, parsers: Any) -> Any:
        return parsers[0]

    def select_renderer(self, request: Any, renderers: Any, format_suffix: Any = None) -> Any:
        return renderers[0], renderers[0].media_type


class SiteModel(Door):
    """A site's systems, in the words of building automation."""

    needs = {"GET": Action.READ}
    pagination_class = None
    content_negotiation_class = AnyKind

    @extend_schema(
        operation_id="site_model",
        tags=["register"],
        parameters=[
            OpenApiParameter(
                "format", str, enum=list(FORMATS), description="Without it, what Accept names; else haystack."
            )
        ],
        responses={(200, one[0]): OpenApiTypes.STR for one in FORMATS.values()},
    )
    def get(self, request: Request, site_id: UUID) -> HttpResponseBase:
        """Equipment and points with design and last approved figure and its uncertainty.

        Project Haystack 4 (JSON), or Brick 1.4 (Turtle, JSON-LD). SI units.
        """
        return answer(chosen(self.filters("format"), request), load.load(self.actor, site_id))


def chosen(told: dict[str, str], request: Any) -> str:
    """The name of the format that is wanted. Raises Invalid."""
    if name := told.get("format"):
        if name not in FORMATS:
            known = ", ".join(FORMATS)
            raise Invalid(f"There is no such format; there are {known}.", [Fault("query:format", "unknown")])
        return name
    accept = request.headers.get("Accept", "")
    wanted = [part.partition(";")[0].strip().lower() for part in accept.split(",")]
    by_media = {media: name for name, (media, _, _) in FORMATS.items()}
    return next((by_media[one] for one in wanted if one in by_media), "haystack")


def answer(name: str, model: Model) -> HttpResponse:
    """The model as a file for saving."""
    media, ending, write = FORMATS[name]
    response = HttpResponse(write(model), content_type=f"{media}; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="site-{model.site.id}.{ending}"'
    response["Vary"] = "Accept"
    response["X-Content-Type-Options"] = "nosniff"
    return response
