"""The OpenAPI document says what the doors do."""

from collections import Counter
from functools import cache
from typing import Any

import pytest
from django.urls import get_resolver
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema

from jobs.http.door import Door, PublicDoor
from jobs.http.idempotency import Repeatable
from tests.doors.client import Caller

METHODS = {"get", "post", "put", "patch", "delete"}


@cache
def document() -> dict[str, Any]:
    made: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)
    return made


def operations() -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (path, method, operation)
        for path, methods in document()["paths"].items()
        for method, operation in methods.items()
        if method in METHODS
    ]


def names(operation: dict[str, Any]) -> set[str]:
    return {parameter["name"] for parameter in operation.get("parameters", [])}


def views() -> list[tuple[str, Any]]:
    found, todo = [], [("", get_resolver("config.rest"))]
    while todo:
        start, place = todo.pop()
        for entry in place.url_patterns:
            if hasattr(entry, "url_patterns"):
                todo.append((start + str(entry.pattern), entry))
            else:
                found.append((start + str(entry.pattern), entry.callback))
    return found


def test_is_valid_and_made_without_errors() -> None:
    GENERATOR_STATS.reset()
    validate_schema(SchemaGenerator().get_schema(request=None, public=True))
    assert not GENERATOR_STATS._error_cache


def test_every_operation_has_a_name_of_its_own_words_and_a_tag() -> None:
    counts = Counter(operation["operationId"] for _, _, operation in operations())
    assert [name for name, count in counts.items() if count > 1] == []
    for path, method, operation in operations():
        assert operation.get("description") or operation.get("summary"), (method, path)
        assert operation.get("tags"), (method, path)


def test_problems_are_told_in_their_own_media_type() -> None:
    for path, method, operation in operations():
        told = {s: r for s, r in operation["responses"].items() if s.startswith(("4", "5"))}
        assert "429" in told, (method, path)
        for status, response in told.items():
            kinds = set(response.get("content", {}))
            assert kinds == {"application/problem+json"}, (method, path, status)


def test_repeatable_posts_ask_for_a_key_and_edits_for_the_version() -> None:
    by_path = {("/api/v1/" + path): view for path, view in views()}
    for path, method, operation in operations():
        if method == "patch":
            placed = "Upload-Offset" if path.startswith("/api/v1/field/photos/") else "If-Match"
            assert placed in names(operation), path
    with_key = {p for p, m, o in operations() if m == "post" and "Idempotency-Key" in names(o)}
    repeatable = [p for p, v in by_path.items() if issubclass(getattr(v, "cls", object), Repeatable)]
    assert len(repeatable) >= 5
    assert len(with_key) == len([p for p in repeatable if "POST" in by_path[p].cls.needs])


def test_C11_input_refuses_unknown_fields_in_the_document_too() -> None:
    schemas = document()["components"]["schemas"]
    for name in ("KeyIn", "InvitationIn", "PairIn", "PatchedCompanyIn", "PatchedMemberIn"):
        assert schemas[name]["additionalProperties"] is False, name


def test_every_door_says_who_may() -> None:
    for path, view in views():
        kind = getattr(view, "cls", None)
        assert kind is not None, path
        if issubclass(kind, Door):
            handlers = {m.upper() for m in METHODS if hasattr(kind, m)}
            assert handlers == set(kind.needs), path
        elif not issubclass(kind, PublicDoor):
            assert path == "openapi.yaml", path


def test_public_operations_need_no_token_and_others_do() -> None:
    public = {o["operationId"] for _, _, o in operations() if not o.get("security")}
    assert {"device_pair", "invitation_accept"} <= public
    for _, _, operation in operations():
        if operation["operationId"] not in public:
            assert {"token": []} in operation["security"], operation["operationId"]


@pytest.mark.django_db
def test_is_served_to_everybody() -> None:
    answer = Caller().get("/openapi.yaml")
    assert answer.status_code == 200
    assert "openapi: 3.1" in answer.content.decode()[:200]
