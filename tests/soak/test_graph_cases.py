"""No GraphQL operation that can be made from the schema makes the service fail or tell of its inside."""

import json
from collections import Counter
from typing import Any

import pytest
from django.db import transaction
from graphql import GraphQLObjectType, GraphQLScalarType, StringValueNode, print_schema
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from hypothesis_graphql import mutations, queries
from strawberry.relay import to_base64

from tests.doors import walk
from tests.doors.client import Caller, signed_in, with_key
from tests.factories import FIRST, World
from tests.soak.amounts import SEED, amount, tell
from tests.soak.probes import GRAPH, NODES
from tests.soak.silence import inside

CASES = 5_000
BUILT_IN = {"Int", "Float", "String", "Boolean", "ID"}


def text(value: str) -> StringValueNode:
    return StringValueNode(value=value)


def scalars(world: World) -> dict[str, Any]:
    """Values of the schema's own scalars, some of them good ones."""
    own = [str(one) for one in walk.ids_of(world).values()]
    known = st.sampled_from([*own, *(to_base64(t, i) for t in NODES for i in own[:3])])
    made = {
        "Date": st.one_of(st.dates().map(str), st.text(max_size=12)).map(text),
        "DateTime": st.one_of(st.datetimes().map(lambda at: f"{at.isoformat()}Z"), st.text()).map(text),
        "JSON": st.text(max_size=20).map(text),
    }
    named = {name: known.map(text) for name in ("UUID", "GlobalID")}
    figures = st.one_of(st.floats().map(str), st.text(max_size=8)).map(text)
    own_kinds = {k for k, kind in GRAPH.type_map.items() if isinstance(kind, GraphQLScalarType)} - BUILT_IN
    return dict.fromkeys(own_kinds, figures) | {
        name: one for name, one in {**made, **named}.items() if name in own_kinds
    }


def failures_in(content: bytes) -> list[int]:
    """Statuses of 500 and more that an answer holds, as an error's or a problem's."""
    try:
        answer = json.loads(content)
    except ValueError:
        return []
    found: list[int] = []

    def look(value: Any) -> None:
        if isinstance(value, dict):
            status = value.get("status")
            if isinstance(status, int) and status >= 500:
                found.append(status)
            for inner in value.values():
                look(inner)
        elif isinstance(value, list):
            for inner in value:
                look(inner)

    look(answer)
    return found


def send(caller: Caller, document: str, key: str) -> Any:
    body = json.dumps({"query": document}).encode("utf-8", "surrogatepass")
    with transaction.atomic():
        answer = caller.client.post(
            "/graphql", body, content_type="application/json",
            headers={**caller.headers, "Idempotency-Key": key},
        )  # fmt: skip
        transaction.set_rollback(True)
    return answer


@pytest.mark.django_db
def test_P19_no_generated_operation_fails() -> None:
    world = walk.full_world(FIRST)
    callers = [with_key(world), signed_in(world, "supervisor"), signed_in(world, "owner")]
    sdl, own = print_schema(GRAPH), scalars(world)
    kinds = [queries(sdl, custom_scalars=own)]
    if isinstance(GRAPH.mutation_type, GraphQLObjectType):
        kinds.append(mutations(sdl, custom_scalars=own))
    count = amount(120, CASES)
    wrong: list[str] = []
    statuses: Counter[int] = Counter()

    @seed(SEED)
    @settings(
        max_examples=count, database=None, deadline=None, derandomize=False, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(document=st.one_of(*kinds), who=st.sampled_from(callers))
    def one(document: str, who: Caller) -> None:
        answer = send(who, document, f"case-{sum(statuses.values())}")
        statuses[answer.status_code] += 1
        hit = inside(answer.content, document)
        if answer.status_code >= 500 or failures_in(answer.content) or hit:
            wrong.append(f"{document[:1500]} -> {answer.status_code} {hit!r} {answer.content[:400]!r}")

    one()
    tell("generated GraphQL operations", sum(statuses.values()))
    tell("GraphQL answers 5xx or telling of the inside", len(wrong))
    tell("GraphQL answers by status", dict(statuses))
    assert not wrong, "\n".join(wrong[:10])
