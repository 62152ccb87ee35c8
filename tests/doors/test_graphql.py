"""The GraphQL door: customers to results in one query, one company, a constant number of statements."""

import json
import sys
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from strawberry.relay import to_base64

from jobs.models import Customer, Job, TestPoint
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World

TREE = """
query ($first: Int) {
  customers(first: $first) { edges { node { name sites(first: $first) { edges { node { name
    systems(first: $first) { edges { node { tag
     points(first: $first) { edges { node { tag designFlow parent { tag }
      sessions(first: 5) { edges { node { method readings { value entered } results(first: 1) { edges { node {
        flow { value expandedUncertainty unit } verdict } } } } } }
    } } } } } }
    jobs(first: $first) { edges { node { number status flags(first: 5) { edges { node { rule seen
      answers(first: 2) { edges { node { kind reason } } } } } } } } }
  } } } } } }
}
"""


def ask(world: World | None, query: str, variables: dict[str, Any] | None = None, **extra: Any) -> Any:
    client = extra.pop("client", None) or Client()
    return client.post(
        "/graphql",
        json.dumps({"query": query, "variables": variables or {}}),
        content_type="application/json",
        headers=world.bearer if world else {},
        **extra,
    )


def test_customers_to_results_in_one_query(company_a: World) -> None:
    answer = ask(company_a, TREE, {"first": 5}).json()
    assert "errors" not in answer
    customer = answer["data"]["customers"]["edges"][0]["node"]
    system = customer["sites"]["edges"][0]["node"]["systems"]["edges"][0]["node"]
    assert system["tag"] == "AHU-1"
    assert {p["node"]["tag"] for p in system["points"]["edges"]} == set(company_a.points)


def test_the_number_of_statements_does_not_grow(company_a: World) -> None:
    def statements() -> int:
        with CaptureQueriesContext(
            connection,
        ) as seen:
            assert "errors" not in ask(company_a, TREE, {"first": 5}).json()
        return len(seen)

    small = statements()
    with company(company_a.id):
        for n in range(9):
            site = factories.site(factories.customer(f"Customer {n}"), f"Site {n}")
            for s in range(3):
                system = factories.system(site, f"AHU-{s}")
                factories.standard_points(system)
                factories.job(site, system)
    assert statements() == small


def test_nobody_is_told_to_sign_in(db: None) -> None:
    answer = ask(None, "{ __typename }")
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/problem+json"


def test_another_company_sees_nothing(company_a: World, company_b: World) -> None:
    answer = ask(
        company_b, "{ jobs { edges { node { id title } } } customers { edges { node { id } } } }"
    ).json()
    with company(company_a.id):
        mine = {to_base64("Job", job.id) for job in Job.objects.all()}
        mine |= {to_base64("Customer", one.id) for one in Customer.objects.all()}
    shown = {edge["node"]["id"] for part in answer["data"].values() for edge in part["edges"]}
    assert shown
    assert not shown & mine


def test_B5_a_foreign_node_looks_like_an_unknown_one(company_a: World, company_b: World) -> None:
    query = "query ($id: ID!) { node(id: $id) { id } }"
    foreign = ask(company_b, query, {"id": to_base64("Job", company_a.job.id)}).json()
    unknown = ask(company_b, query, {"id": to_base64("Job", "0198f2c4-0000-7000-8000-000000000000")}).json()
    assert foreign == unknown
    assert foreign["data"]["node"] is None


@pytest.mark.parametrize("given", ["", " ", "x", "Sm9iOg==", "Sm9iOng=", "Tm90aGluZzox", "=" * 9, "1" * 5000])
def test_what_is_no_id_is_a_node_of_nothing(company_a: World, given: str) -> None:
    answer = ask(company_a, "query ($id: ID!) { node(id: $id) { id } }", {"id": given}).json()
    assert answer["data"] == {"node": None}
    codes = [one["extensions"]["code"] for one in answer.get("errors", [])]
    assert "unexpected" not in codes


PAGE = "(first: 100) { edges { node { "
DEPTH = "{ jobs { edges { node { " + "site { jobs { edges { node { " * 8 + "id" + " } } } }" * 8 + " } } } }"
STEP = "site {{ jobs {{ edges {{ node {{ ...F{} }} }} }} }}"
STEPS = "".join(f" fragment F{n} on Job {{ {STEP.format(n + 1)} }}" for n in range(9))
ALIASES = " ".join(f"a{n}: __typename" for n in range(1000))
DOUBLED = "".join(f" fragment F{n} on Query {{ ...F{n + 1} ...F{n + 1} }}" for n in range(25))
SITES = "customers(first: 100) { edges { node { sites(first: 50) { edges { cursor } } } } }"
HOSTILE = {
    "deep": DEPTH,
    "deep by fragments": "{ jobs { edges { node { ...F0 } } } } fragment F9 on Job { id }" + STEPS,
    "a thousand aliases": "{" + ALIASES + "}",
    "aliases by fragments": "{ ...A ...A ...A ...A } fragment A on Query {" + ALIASES[:170] + "}",
    "five thousand fields": "{" + " __typename" * 5000 + "}",
    "one field as often as is read": "{" + " __typename" * 1400 + "}",
    "one field by fragments": "{" + " ...A" * 30 + "} fragment A on Query { __typename __typename }",
    "one field in one place": "{" + " company { name }" * 51 + "}",
    "a thousand directives": "{ __typename" + " @skip(if: false)" * 1000 + "}",
    "as many directives as are read": "{ __typename" + " @x" * 700 + "}",
    "a circle": "{ ...A } fragment A on Query { ...B } fragment B on Query { ...A }",
    "doubling": "{ ...F0 } fragment F25 on Query { __typename }" + DOUBLED,
    "multiplying": "{ customers" + PAGE + "sites" + PAGE + "systems" + PAGE + "id" + " } } }" * 3 + " }",
    "dear ones side by side": "{" + " ".join(f"p{n}: {SITES}" for n in range(5)) + "}",
}


NOTHING = "{ __typename }"
LONGEST = "{" + " ".join(f"company {{ {name} }}" for name in ["name", "id", "uuid"] * 16) + "}"
MOST_CALLS = 200_000
"""Functions called for the dearest query that is refused, and for the dearest that is carried out: what they
take on any machine, where a clock would tell how busy this one is. An empty query takes some thousands."""


def calls_of(world: World, query: str) -> tuple[Any, int]:
    """The answer to a query, and how many functions were called for it."""
    count = 0

    def note(frame: Any, event: str, arg: Any) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    before = sys.getprofile()
    sys.setprofile(note)
    try:
        answer = ask(world, query)
    finally:
        sys.setprofile(before)
    return answer, count


@pytest.mark.parametrize("query", HOSTILE.values(), ids=HOSTILE)
def test_D1_deep_aliased_and_multiplying_queries_are_refused_quickly(company_a: World, query: str) -> None:
    ask(company_a, NOTHING)
    answer, calls = calls_of(company_a, query)
    assert answer.status_code == 400, answer.content[:300]
    assert answer.json()["errors"]
    assert answer.json()["data"] is None
    assert calls < MOST_CALLS


def test_D1_the_longest_query_that_is_carried_out_takes_few_calls(company_a: World) -> None:
    ask(company_a, NOTHING)
    answer, calls = calls_of(company_a, LONGEST)
    assert answer.json()["data"]["company"]["name"]
    assert calls < MOST_CALLS


def test_a_page_by_a_variable_is_priced_by_its_value(company_a: World) -> None:
    sites = "sites(first: $n) { edges { cursor } }"
    query = f"query ($n: Int) {{ customers(first: $n) {{ edges {{ node {{ {sites} }} }} }} }}"
    assert ask(company_a, query, {"n": 10}).json()["extensions"]["cost"] == 110
    assert ask(company_a, query, {"n": None}).json()["extensions"]["cost"] == 100 * 101
    bare = query.replace("(first: $n)", "").replace("($n: Int)", "")
    assert ask(company_a, bare).json()["extensions"]["cost"] == 50 * 51


def test_more_than_a_page_is_refused(company_a: World) -> None:
    assert ask(company_a, "{ jobs(first: 5000) { edges { node { id } } } }").json()["errors"]


def test_D2_batches_are_refused(company_a: World) -> None:
    answer = Client().post(
        "/graphql", json.dumps([{"query": "{ __typename }"}] * 100), content_type="application/json",
        headers=company_a.bearer,
    )  # fmt: skip
    assert answer.status_code == 400


@pytest.mark.parametrize(
    "query",
    ["{ custmers { edges { node { id } } } }", "{ customers { edges { node { nam } } } }",
     "{ jobs(statu: 1) { edges { cursor } } }", "{ ... on Custome { id } }",
     '{ jobs(first: "x") { edges { cursor } } }'],
)  # fmt: skip
def test_D4_errors_suggest_nothing(company_a: World, query: str) -> None:
    answer = ask(company_a, query)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["extensions"] == {"code": "bad-request", "status": 400}
    assert "Did you mean" not in json.dumps(answer.json())


def test_D5_no_get_and_no_cookie_without_token(company_a: World) -> None:
    assert Client().get("/graphql?query={__typename}", headers=company_a.bearer).status_code == 405
    client = Client(enforce_csrf_checks=True)
    client.force_login(company_a.users["supervisor"])
    session = client.session
    session["company"] = str(company_a.id)
    session.save()
    assert ask(None, "{ __typename }", client=client).status_code == 403


@pytest.mark.parametrize("body", [b"{", b"", b'"x"', b"[1]", b'{"query": 5}', b"\xff\xfe"])
def test_senseless_bodies_are_told_so(company_a: World, body: bytes) -> None:
    answer = Client().post("/graphql", body, content_type="application/json", headers=company_a.bearer)
    assert 400 <= answer.status_code < 500
    assert answer["Content-Type"] == "application/problem+json"


def test_D4_introspection_is_for_those_who_may_read(company_a: World) -> None:
    assert ask(None, "{ __schema { types { name } } }").status_code == 401
    assert ask(company_a, "{ __schema { types { name } } }").json()["data"]["__schema"]["types"]


def test_a_point_of_another_company_is_not_reached_by_a_parent(company_a: World, company_b: World) -> None:
    points = "points { edges { node { id parent { id } } } }"
    query = "{ sites { edges { node { systems { edges { node { " + points + " } } } } } } }"
    text = ask(company_b, query).content.decode()
    with company(company_a.id):
        assert not any(to_base64("TestPoint", p.id) in text for p in TestPoint.objects.all())
