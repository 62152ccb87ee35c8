"""Keyset paging: `?after=<id>&limit=<n>`. Ids are time-ordered, so lists run oldest first or newest first."""

from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.errors import Fault, Invalid

LIMIT, MOST = 50, 200


class Keyset(BasePagination):
    """Pages by id; a page at any depth costs the same. No total count."""

    newest_first = False

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> list[Any]:
        self.request, self.limit = request, read_limit(request)
        self.newest_first = bool(getattr(view, "newest_first", False))
        after = read_after(request)
        if after is not None:
            queryset = queryset.filter(id__lt=after) if self.newest_first else queryset.filter(id__gt=after)
        rows = list(queryset.order_by("-id" if self.newest_first else "id")[: self.limit + 1])
        self.more, page = len(rows) > self.limit, rows[: self.limit]
        self.last = page[-1].id if page else None
        return page

    def get_paginated_response(self, data: Any) -> Response:
        return Response({"items": data, "next": self.next_link()})

    def next_link(self) -> str | None:
        if not self.more:
            return None
        query = {k: v for k, v in self.request.query_params.items() if k != "after"}
        return f"{self.request.path}?{urlencode({**query, 'after': str(self.last)})}"

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        return {
            "type": "object",
            "required": ["items", "next"],
            "properties": {
                "items": schema,
                "next": {
                    "type": ["string", "null"],
                    "description": "Address of the next page; null at the end.",
                },
            },
        }

    def get_schema_operation_parameters(self, view: Any) -> list[dict[str, Any]]:
        return [
            {
                "name": "after", "in": "query", "required": False,
                "description": "Id of the last item seen.", "schema": {"type": "string", "format": "uuid"},
            },
            {
                "name": "limit", "in": "query", "required": False,
                "description": "Items a page.",
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


def read_after(request: Request) -> UUID | None:
    text = request.query_params.get("after")
    if text is None:
        return None
    try:
        return UUID(text)
    except ValueError:
        raise Invalid("'after' must be an id from this list.", [Fault("query:after", "not a UUID")]) from None
