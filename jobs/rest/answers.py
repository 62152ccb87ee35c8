"""Answers that the jobs doors have in common."""

from typing import Any

from django.urls import reverse
from drf_spectacular.utils import OpenApiParameter
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from jobs.http.door import etag


def created(kind: str, row: Any, serializer: type[BaseSerializer[Any]]) -> Response:
    """201 with the new row, its address and its ETag; `kind` names the address, e.g. "site"."""
    headers = {"Location": reverse(f"api-{kind}", args=[row.id])}
    if hasattr(row, "version"):
        headers["ETag"] = etag(row.version)
    return Response(serializer(row).data, status=201, headers=headers)


def filter_parameters(**words: str) -> list[OpenApiParameter]:
    """Query parameters of a list, by name and description."""
    return [OpenApiParameter(name, str, description=text) for name, text in words.items()]
