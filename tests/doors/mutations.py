"""Changes asked for by GraphQL, in the words of REST: the same ids, body and version that REST would get."""

import json
import re
import uuid
from collections.abc import Iterable
from typing import Any

from graphql import GraphQLArgument, GraphQLList, GraphQLNonNull, GraphQLObjectType

from config.graphql import schema
from config.graphql.changes import CHANGES
from config.graphql.changes.base import Change
from tests.doors.client import Caller

MUTATION: GraphQLObjectType = schema._schema.mutation_type  # type: ignore[assignment]
PROBLEM = "problem { type code title status detail faults { pointer detail } retryAfter instance }"


def camel(name: str) -> str:
    return re.sub(r"_(\w)", lambda found: found[1].upper(), name)


def snake(name: str) -> str:
    return re.sub(r"[A-Z]", lambda found: f"_{found[0].lower()}", name)


def inner(kind: Any) -> Any:
    """The named type below lists and marks of what must be there."""
    while isinstance(kind, GraphQLNonNull | GraphQLList):
        kind = kind.of_type
    return kind


def arguments(name: str) -> dict[str, GraphQLArgument]:
    return dict(MUTATION.fields[camel(name)].args)


def document(name: str, chosen: str = "__typename", given: Iterable[str] | None = None) -> str:
    """The mutation's document with a variable for each argument, or for those that are given."""
    args = {arg: found for arg, found in arguments(name).items() if given is None or arg in given}
    heads = ", ".join(f"${arg}: {found.type}" for arg, found in args.items())
    places = ", ".join(f"{arg}: ${arg}" for arg in args)
    call = f"{camel(name)}({places})" if args else camel(name)
    return f"mutation{f'({heads})' if heads else ''} {{ {call} {{ {chosen} {PROBLEM} }} }}"


def variables(
    one: Change, ids: dict[str, Any], body: Any = None, seen: Any = None, **more: Any
) -> dict[str, Any]:
    """REST's ids of the path, body and If-Match as the variables of a change."""
    found: dict[str, Any] = {camel(place): str(ids[f"{place}_id"]) for place in one.places}
    if one.takes is not None:
        found["input"] = as_input({} if body is None else body, inner(arguments(one.name)["input"].type))
    if one.seen is not None and seen is not None:
        found["version" if one.seen is int else "seen"] = one.seen(seen)
    return {**found, **{camel(name): value for name, value in more.items()}}


def as_input(value: Any, kind: Any) -> Any:
    """A body of REST with the names of the schema."""
    fields = getattr(inner(kind), "fields", None)
    if isinstance(value, list):
        return [as_input(one, kind) for one in value]
    if fields is None or not isinstance(value, dict):
        return value
    kinds = {name: field.type for name, field in fields.items()}
    return {camel(name): as_input(at, kinds.get(camel(name))) for name, at in value.items()}


def send(caller: Caller, query: str, given: dict[str, Any], **headers: str) -> Any:
    """The answer of the door as it stands."""
    return caller.client.post(
        "/graphql", json.dumps({"query": query, "variables": given}), content_type="application/json",
        headers={**caller.headers, "Idempotency-Key": str(uuid.uuid4()), **headers},
    )  # fmt: skip


def make(
    caller: Caller,
    name: str,
    ids: dict[str, Any] | None = None,
    body: Any = None,
    *,
    seen: Any = None,
    chosen: str = "__typename",
    more: dict[str, Any] | None = None,
    **headers: str,
) -> dict[str, Any]:
    """Makes a change and gives its answer, which may be a problem."""
    one = CHANGES[name]
    given = variables(one, ids or {}, body, seen, **(more or {}))
    answer = send(caller, document(name, chosen, given), given, **headers).json()
    assert "errors" not in answer, answer["errors"]
    found: dict[str, Any] = answer["data"][camel(name)]
    return found


def done(answer: dict[str, Any]) -> dict[str, Any]:
    """The answer of a change that was made."""
    assert answer["problem"] is None, answer["problem"]
    return answer


def problem_of(answer: dict[str, Any], status: int) -> dict[str, Any]:
    found: dict[str, Any] = answer["problem"]
    assert found is not None
    assert found["status"] == status, found
    return found


def as_rest(problem: dict[str, Any]) -> dict[str, Any]:
    """A problem of the schema as REST would have sent it, without the request's name."""
    told = {name: problem[name] for name in ("type", "title", "status", "detail")}
    return {**told, "errors": problem["faults"]} if problem["faults"] else told
