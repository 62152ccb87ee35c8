"""Keyset paging both ways: `?after=<id>`, `?before=<id>`, `?limit=<n>`.

Ids are time-ordered, so lists run oldest first or newest first; a page at any depth costs the same.
"""

from collections.abc import Iterator
from typing import Any, ClassVar
from urllib.parse import urlencode
from uuid import UUID

from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.errors import Fault, Invalid

LIMIT, MOST = 50, 200
PAGING = ("after", "before", "limit")


class Keyset(BasePagination):
    """Pages by a column whose values are unique and never change. No total count."""

    column: ClassVar[str] = "id"
    schema_of_column: ClassVar[dict[str, Any]] = {"type": "string", "format": "uuid"}
    newest_first = False

    def read(self, text: str) -> Any:
        """A value of the column. Raises ValueError."""
        return UUID(text)

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> list[Any]:
        self.request, limit = request, read_limit(request)
        self.newest_first = bool(getattr(view, "newest_first", False))
        after, before = self.place("after"), self.place("before")
        if after is not None and before is not None:
            raise Invalid(
                "Go on after an item or back before one, not both.",
                [Fault("query:before", "not beside 'after'")],
            )
        backwards = before is not None
        rows = list(self.beyond(queryset, before if backwards else after, backwards)[: limit + 1])
        more, page = len(rows) > limit, rows[:limit]
        if backwards:
            page.reverse()
        first, last = (self.of(page[0]), self.of(page[-1])) if page else (None, None)
        self.next_place = last if (backwards or more) else None
        self.previous_place = first if (more if backwards else after is not None) else None
        return page

    def place(self, name: str) -> Any:
        """The value that a parameter names; None without it. Raises Invalid."""
        text = self.request.query_params.get(name)
        if text is None:
            return None
        try:
            return self.read(text)
        except ValueError:
            raise Invalid(
                f"'{name}' must name an item of this list.", [Fault(f"query:{name}", "not one of its keys")]
            ) from None

    def beyond(self, queryset: Any, place: Any, backwards: bool = False) -> Any:
        """The rows of a list that follow a place, nearest first; with `backwards` those that precede it."""
        falling = self.newest_first != backwards
        if place is not None:
            queryset = queryset.filter(**{f"{self.column}__{'lt' if falling else 'gt'}": place})
        return queryset.order_by(("-" if falling else "") + self.column)

    def of(self, row: Any) -> Any:
        return getattr(row, self.column)

    def chunks(self, queryset: Any, request: Request, view: Any, size: int) -> Iterator[list[Any]]:
        """All rows of a list after the request's place, some at a time, each by a statement of its own."""
        self.request, self.newest_first = request, bool(getattr(view, "newest_first", False))
        place = self.place("after")
        while rows := list(self.beyond(queryset, place)[:size]):
            yield rows
            place = self.of(rows[-1])

    def get_paginated_response(self, data: Any) -> Response:
        return Response(
            {
                "items": data,
                "next": self.link("after", self.next_place),
                "previous": self.link("before", self.previous_place),
            }
        )

    def link(self, name: str, place: Any) -> str | None:
        if place is None:
            return None
        query = {k: v for k, v in self.request.query_params.items() if k not in ("after", "before")}
        return f"{self.request.path}?{urlencode({**query, name: str(place)})}"

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        address = {"type": ["string", "null"]}
        return {
            "type": "object",
            "required": ["items", "next", "previous"],
            "properties": {
                "items": schema,
                "next": {**address, "description": "Address of the next page; null at the end."},
                "previous": {**address, "description": "Address of the page before; null at the start."},
            },
        }

    def get_schema_operation_parameters(self, view: Any) -> list[dict[str, Any]]:
        beside = {"in": "query", "required": False}
        return [
            {
                "name": "after", **beside,
                "description": "Go on after this item of the list.", "schema": self.schema_of_column,
            },
            {
                "name": "before", **beside,
                "description": "Go back before this item of the list.", "schema": self.schema_of_column,
            },
            {
                "name": "limit", **beside, "description": "Items a page.",
                "schema": {"type": "integer", "minimum": 1, "maximum": MOST, "default": LIMIT},
            },
        ]  # fmt: skip


def read_limit(request: Request) -> int:
    text = request.query_params.get("limit", str(LIMIT))
    if not (text.isascii() and text.isdigit() and len(text) <= 9 and 1 <= int(text) <= MOST):
        raise Invalid(
            f"'limit' must be a whole number from 1 to {MOST}.", [Fault("query:limit", "out of range")]
        )
    return int(text)


def read_number(text: str) -> int:
    """A number as lists are keyed by it. Raises ValueError."""
    if not (text.isascii() and text.isdigit() and len(text) <= 18):
        raise ValueError(text)
    return int(text)
