"""Queries that integrations store and ask by their digest, and keys that ask nothing else."""

import json
from hashlib import sha256
from typing import Any

import pytest
from django.test import Client

from jobs import stored_queries
from jobs.http.graphql_limits import KnownDocuments
from jobs.models import AccessToken, Event, StoredQuery, TokenKind
from jobs.tenancy.context import company
from tests import factories
from tests.doors import graph, walk
from tests.doors.client import Caller, assert_problem, pointers, signed_in, with_key, with_token
from tests.factories import World

TEXT = "query ($n: Int) { customers(first: $n) { edges { node { name } } } }"
DIGEST = sha256(TEXT.encode()).hexdigest()
GIVEN = {"name": "Customers", "text": TEXT}


def asked(caller: Caller, body: dict[str, Any]) -> Any:
    return caller.client.post(
        "/graphql", json.dumps(body), content_type="application/json", headers=caller.headers
    )


def limited(world: World, **fields: Any) -> tuple[AccessToken, Caller]:
    """A key that asks stored queries only."""
    with company(world.id):
        row, text = factories.token(
            TokenKind.INTEGRATION, scopes=["read", "plan"], stored_only=True, **fields
        )
    return row, with_token(text)


def test_a_key_stores_a_query_and_asks_it_by_its_digest(company_a: World) -> None:
    key = with_key(company_a)
    made = key.post("/stored-queries", GIVEN)
    assert made.status_code == 201, made.content
    assert made.json()["sha256"] == DIGEST
    assert made.json()["key"]["id"] == str(company_a.key.id)
    by_text = asked(key, {"query": TEXT, "variables": {"n": 1}})
    by_digest = asked(key, {"id": DIGEST, "variables": {"n": 1}})
    assert by_text.json() == by_digest.json()
    assert by_digest.json()["data"]["customers"]["edges"]
    assert asked(key, {"id": DIGEST.upper()}).status_code == 200
    with company(company_a.id):
        assert Event.objects.filter(verb="query.stored", subject_id=made.json()["id"]).count() == 1


def test_the_same_text_again_is_the_first_one(company_a: World) -> None:
    key = with_key(company_a)
    first = key.post("/stored-queries", GIVEN)
    again = key.post("/stored-queries", {**GIVEN, "name": "Another name"})
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()


DEEP = "edges { node { site { jobs { " * 8 + "edges { cursor }" + " } } } }" * 8
NOT_TAKEN = [
    "",
    "{",
    "{ nothing }",
    "{ custmers { edges { cursor } } }",
    "query A { me { kind } } query B { me { kind } }",
    "fragment F on Query { me { kind } }",
    "{ ...F } fragment F on Query { ...F }",
    "{" + " me { kind }" * 2000 + "}",
    "{ jobs { " + DEEP + " } }",
]


@pytest.mark.parametrize("text", NOT_TAKEN)
def test_what_would_not_be_carried_out_is_not_stored(company_a: World, text: str) -> None:
    answer = with_key(company_a).post("/stored-queries", {**GIVEN, "text": text})
    assert_problem(answer, 422, "invalid")
    assert pointers(answer)[0] == "/text"
    assert "Did you mean" not in answer.content.decode()
    with company(company_a.id):
        assert not StoredQuery.objects.exists()


def test_people_store_and_remove_only_with_the_right_to_manage_keys(company_a: World) -> None:
    for role, status in (("technician", 403), ("dispatcher", 403), ("owner", 201)):
        answer = signed_in(company_a, role).post("/stored-queries", {**GIVEN, "name": role})
        assert answer.status_code == status, role
    made = answer.json()["id"]
    for role in ("technician", "supervisor"):
        assert_problem(signed_in(company_a, role).delete(f"/stored-queries/{made}"), 403, "forbidden")
    assert_problem(with_key(company_a).delete(f"/stored-queries/{made}"), 403, "forbidden")
    assert signed_in(company_a).delete(f"/stored-queries/{made}").status_code == 204
    assert_problem(signed_in(company_a).delete(f"/stored-queries/{made}"), 404, "not-found")
    assert_problem(asked(with_key(company_a), {"id": DIGEST}), 404, "not-found")
    with company(company_a.id):
        assert Event.objects.filter(verb="query.forgotten", subject_id=made).count() == 1


def test_a_key_removes_what_it_stored(company_a: World) -> None:
    made = with_key(company_a).post("/stored-queries", GIVEN).json()["id"]
    assert with_key(company_a).delete(f"/stored-queries/{made}").status_code == 204


def test_a_limited_key_asks_stored_queries_and_nothing_else_by_any_door(company_a: World) -> None:
    _, key = limited(company_a)
    with_key(company_a).post("/stored-queries", GIVEN)
    assert asked(key, {"id": DIGEST}).json()["data"]["customers"]["edges"]
    assert_problem(asked(key, {"query": TEXT}), 403, "forbidden")
    assert_problem(asked(key, {"query": "{ __schema { types { name } } }"}), 403, "forbidden")
    assert_problem(asked(key, {"id": "0" * 64}), 404, "not-found")
    assert_problem(key.post("/stored-queries", {**GIVEN, "text": "{ me { kind } }"}), 403, "forbidden")
    for route, method, action in walk.doors():
        if action is not None:
            answer = walk.call(key, method, route.path(walk.unknown_ids(route.names)))
            assert_problem(answer, 403, "forbidden")


def test_a_limited_key_is_made_and_told_of(company_a: World) -> None:
    made = (
        signed_in(company_a).post("/keys", {"name": "Portal", "scopes": ["read"], "stored_only": True}).json()
    )
    assert made["stored_only"] is True
    found = graph.post(signed_in(company_a).client, "{ keys { edges { node { name storedOnly } } } }").json()[
        "data"
    ]["keys"]["edges"]
    assert {"name": "Portal", "storedOnly": True} in [one["node"] for one in found]


def test_B5_a_stored_query_of_another_company_is_unknown(company_a: World, company_b: World) -> None:
    made = with_key(company_a).post("/stored-queries", GIVEN).json()
    foreign = asked(with_key(company_b), {"id": DIGEST})
    unknown = asked(with_key(company_b), {"id": "1" * 64})
    assert_problem(foreign, 404, "not-found")
    assert foreign.json()["detail"] == unknown.json()["detail"]
    mine = with_key(company_b).post("/stored-queries", GIVEN)
    assert mine.status_code == 201
    assert mine.json()["id"] != made["id"]


def test_a_company_keeps_a_bounded_number(company_a: World, monkeypatch: Any) -> None:
    monkeypatch.setattr(stored_queries, "MOST", 2)
    key = with_key(company_a)
    for n in range(2):
        assert (
            key.post("/stored-queries", {"name": "x", "text": f"{{ a{n}: me {{ kind }} }}"}).status_code
            == 201
        )
    assert_problem(key.post("/stored-queries", {"name": "x", "text": "{ a9: me { kind } }"}), 409, "conflict")


@pytest.mark.parametrize(
    "body",
    [{"id": 5}, {"id": None}, {"id": DIGEST, "query": TEXT}, {"id": "x\u0000"}, {"id": ["a"]}, {"id": {}}],
)
def test_senseless_ids_are_told_so(company_a: World, body: Any) -> None:
    answer = asked(with_key(company_a), body)
    assert 400 <= answer.status_code < 500
    assert answer["Content-Type"] == "application/problem+json"


def test_nobody_is_told_nothing_of_stored_queries(company_a: World) -> None:
    assert_problem(asked(Caller(client=Client()), {"id": DIGEST}), 401, "not-signed-in")


def test_documents_are_known_within_a_bound() -> None:
    known = KnownDocuments(letters=100, longest=40)
    schema: Any = object()
    documents: list[Any] = [object() for _ in range(9)]
    for n, document in enumerate(documents):
        known.keep(schema, f"{n}" * 30, document)
    assert known.length <= 100
    assert known.find(schema, "8" * 30) is documents[8]
    assert known.find(schema, "0" * 30) is None
    assert known.find(object(), "8" * 30) is None
    known.keep(schema, "x" * 41, documents[0])
    assert known.find(schema, "x" * 41) is None
    known.find(schema, "6" * 30)
    known.keep(schema, "a" * 30, documents[0])
    assert known.find(schema, "6" * 30) is documents[6]
    assert known.find(schema, "7" * 30) is None


def test_a_known_document_is_not_looked_at_again_but_priced_again(company_a: World, monkeypatch: Any) -> None:
    inner = "systems(first: 100) { edges { cursor } }"
    query = f"query Known($n: Int) {{ sites(first: $n) {{ edges {{ node {{ {inner} }} }} }} }}"
    key = with_key(company_a)
    assert asked(key, {"query": query, "variables": {"n": 2}}).json()["extensions"]["cost"] == 202
    monkeypatch.setattr("jobs.http.graphql_limits.unfolded", None)  # would fail if it were called
    assert asked(key, {"query": query, "variables": {"n": 3}}).json()["extensions"]["cost"] == 303
    monkeypatch.setattr("jobs.http.graphql_limits.MOST_OBJECTS", 300)
    dear = asked(key, {"query": query, "variables": {"n": 3}})
    assert dear.status_code == 400
    assert "could fetch 303 objects" in dear.json()["errors"][0]["message"]
