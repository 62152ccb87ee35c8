"""What of an answer is sent: chosen fields, and nothing when the caller has it already."""

import hashlib
import re
from collections.abc import Collection, Mapping
from typing import Any

from django.http import HttpResponse, HttpResponseNotModified
from django.utils.http import parse_etags
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.errors import Fault, Invalid

FIELDS = "fields"
_NAME = re.compile(r"[a-z][a-z0-9_]{0,59}")
_MOST = 60
_APART = ":"
"""Between the version that an edit sends back and the digest of what was shown."""


def chosen_fields(request: Request) -> list[str] | None:
    """Names in `?fields=a,b`; None without it. Raises Invalid."""
    text = request.query_params.get(FIELDS)
    if text is None:
        return None
    names = text.split(",")
    if len(names) > _MOST or not all(_NAME.fullmatch(name) for name in names):
        raise Invalid(
            "'fields' is a list of field names with commas, e.g. id,status.",
            [Fault(f"query:{FIELDS}", "malformed")],
        )
    return names


def refuse_unknown(names: Collection[str], known: Collection[str]) -> None:
    """Raises Invalid for a chosen field that is not there."""
    if strange := sorted(set(names) - set(known)):
        raise Invalid(
            f"There is no field {', '.join(strange)[:200]} here.",
            [Fault(f"query:{FIELDS}", f"There are {', '.join(sorted(known))}.")],
        )


def narrow(serializer: serializers.BaseSerializer[Any], names: Collection[str] | None) -> None:
    """Takes the fields that were not chosen out of a serializer, one or many. Raises Invalid."""
    shape = getattr(serializer, "child", serializer)
    if names is None or not isinstance(shape, serializers.Serializer):
        return
    refuse_unknown(names, shape.fields)
    for name in set(shape.fields) - set(names):
        shape.fields.pop(name)


def narrowed(data: Any, names: Collection[str] | None) -> Any:
    """An answer's object with the chosen fields only. Raises Invalid."""
    if names is None or not isinstance(data, Mapping) or "items" in data:
        return data  # a list was narrowed when it was made
    refuse_unknown(names, data)
    return {name: value for name, value in data.items() if name in names}


def version_of(tag: str) -> str:
    """The version in an ETag, as it stood before `confirm` added what was shown."""
    return tag.strip().removeprefix("W/").strip('"').partition(_APART)[0]


def confirm(response: Response, request: Request) -> HttpResponse:
    """A rendered answer with the ETag of its bytes, or 304 when the caller has just these."""
    before = version_of(response.headers.get("ETag", ""))
    digest = hashlib.sha256(response.content).hexdigest()[:20]
    tag = f'"{before}{_APART}{digest}"' if before else f'"{digest}"'
    response.headers["ETag"] = tag
    response.headers.setdefault("Cache-Control", "private, no-cache")
    seen = parse_etags(request.headers.get("If-None-Match", ""))
    if "*" not in seen and tag not in {one.removeprefix("W/") for one in seen}:
        return response
    same = HttpResponseNotModified()
    for name in ("ETag", "Cache-Control"):
        same.headers[name] = response.headers[name]
    return same
