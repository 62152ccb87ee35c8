"""The schema of GraphQL walked: how each of its types is reached, and what can be asked of it.

So a new type or field is asked for by itself.
"""

import json
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from graphql import GraphQLField, GraphQLObjectType, get_named_type, is_required_argument

from config.graphql import schema
from jobs.http.graphql_limits import is_connection
from jobs.models import Role, User
from jobs.signins import PROVEN_KEY
from jobs.tenancy.context import company
from jobs.tenancy.middleware import SESSION_KEY
from measurements.models import RecallCase
from reports import issue
from reports.models import Issue
from tests import factories
from tests.doors import walk
from tests.factories import World

CORE = schema._schema
QUERY: GraphQLObjectType = CORE.query_type  # type: ignore[assignment]
FIRST, BELOW, DEEP = 100, 12, 2
"""Items of the first list on the way to a type, of the next, and of each list below that."""
MOSTLY_EMPTY = {"elsewhere", "pending", "blocking"}
"""Lists through which no type is reached."""


def node_of(field: GraphQLField) -> Any:
    """The type of a field, or of the items of its connection."""
    kind: Any = get_named_type(field.type)
    if not is_connection(field):
        return kind
    edge: Any = get_named_type(kind.fields["edges"].type)
    return get_named_type(edge.fields["node"].type)


def is_object(field: GraphQLField) -> bool:
    return isinstance(node_of(field), GraphQLObjectType)


def object_types() -> list[str]:
    """Every type with fields, but for connections, their parts and the root."""
    return [
        name
        for name, kind in sorted(CORE.type_map.items())
        if isinstance(kind, GraphQLObjectType)
        and not name.startswith("__")
        and not name.endswith(("Connection", "Edge"))
        and kind is not QUERY
        and kind is not CORE.mutation_type
        and name != "PageInfo"
        and name in reachable()
    ]


def required(field: GraphQLField) -> list[str]:
    return [name for name, one in field.args.items() if is_required_argument(one)]


@dataclass(frozen=True)
class Way:
    """How a type is reached: by which fields from the root, and what stands around its selection."""

    names: tuple[str, ...]
    before: str
    after: str

    def query(self, selection: str) -> str:
        return f"{{ {self.before} {selection} {self.after} }}"

    def step(self, name: str, field: GraphQLField, given: str) -> "Way":
        if is_connection(field):
            count = (FIRST, BELOW, DEEP)[min(self.before.count("edges"), 2)]
            before = f"{self.before} {name}(first: {count}) {{ edges {{ node {{"
            return Way((*self.names, name), before, f"}} }} }} {self.after}")
        return Way((*self.names, name), f"{self.before} {name}{given} {{", f"}} {self.after}")


def arguments(names: list[str]) -> str:
    """Those that must be given, as variables of these names."""
    return f"({', '.join(f'{name}: ${name}' for name in names)})" if names else ""


@cache
def reachable() -> dict[str, Way]:
    """The shortest way to each type; lists go before single things."""
    found: dict[str, Way] = {}
    wanted = deque([(QUERY, Way((), "", ""))])
    while wanted:
        kind, way = wanted.popleft()
        fields = sorted(kind.fields.items(), key=lambda one: (not is_connection(one[1]), one[0]))
        for name, field in fields:
            target = node_of(field)
            if required(field) == ["id"] or name in MOSTLY_EMPTY:
                continue  # one of what a list gives
            if isinstance(target, GraphQLObjectType) and target.name not in found:
                found[target.name] = way.step(name, field, arguments(required(field)))
                wanted.append((target, found[target.name]))
    return found


def asked(name: str, field: GraphQLField) -> str:
    """The least that can be asked of a field."""
    if is_connection(field):
        return f"{name}(first: 2) {{ pageInfo {{ hasNextPage }} edges {{ cursor node {{ __typename }} }} }}"
    return f"{name} {{ __typename }}" if is_object(field) else name


def whole(kind: GraphQLObjectType) -> str:
    """Everything of a type, its relations and lists one step deep."""
    return " ".join(asked(name, field) for name, field in kind.fields.items())


def with_variables(query: str, values: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    """The query as an operation that takes the variables it names."""
    used = {name: value for name, value in values.items() if f"${name}" in query}
    told = ", ".join(f"${name}: {'String' if name in ('address', 'sha256') else 'ID'}!" for name in used)
    return (f"query ({told}) {query}" if used else query), used


def values_of(world: World) -> dict[str, Any]:
    """What the variables of `arguments` stand for in a company; it has a recall from then on."""
    with company(world.id):
        case = RecallCase.objects.order_by("opened_at").first() or walk.withdrawn(world)
        made = Issue.objects.order_by("id").first()
    return {
        "job": str(world.job.id),
        "system": str(world.system.id),
        "member": str(world.technician.id),
        "recall": str(case.id),
        "address": issue.check_path(made) if made else "/check/x/R-1/x",
        "sha256": "0" * 64,
    }


def everybody(world: World) -> Client:
    """Somebody who holds every role, signed in on the pages."""
    with company(world.id):
        made = factories.make_member(world.id, *Role)
    client = Client()
    client.force_login(User.objects.get(id=made.user_ref))
    session = client.session
    session[SESSION_KEY] = str(world.id)
    session[PROVEN_KEY] = time.time() + 3600  # as long as a walk may take
    session.save()
    return client


def post(client: Client, query: str, variables: dict[str, Any] | None = None, **headers: str) -> Any:
    """The answer to a query."""
    body = json.dumps({"query": query, "variables": variables or {}})
    return client.post("/graphql", body, content_type="application/json", headers=headers)


def counted(client: Client, query: str, values: dict[str, Any]) -> tuple[dict[str, Any], int]:
    """The data of an answer, and in how many statements it was given."""
    text, variables = with_variables(query, values)
    with CaptureQueriesContext(connection) as caught:
        answer = post(client, text, variables).json()
    assert "errors" not in answer, (query, answer["errors"])
    return answer["data"], len(caught)


def things(data: Any, names: tuple[str, ...]) -> Iterator[dict[str, Any]]:
    """The objects of an answer at the end of a way."""
    if data is None:
        return
    if isinstance(data, list):
        for item in data:
            yield from things(item, names)
    elif "edges" in data:
        for edge in data["edges"]:
            yield from things(edge["node"], names)
    elif names:
        yield from things(data[names[0]], names[1:])
    else:
        yield data
