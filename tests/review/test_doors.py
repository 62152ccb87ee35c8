"""Small holes in doors: paging, If-Match, repeats with another query, tokens of people shut out, GraphQL."""

import time
from typing import Any

import pytest
from django.test import Client

from jobs.models import System, User
from jobs.tenancy.context import company
from tests.doors.client import assert_problem, signed_in, with_key, with_token
from tests.doors.test_graphql import ask
from tests.factories import World

CSV = b"system,tag,kind,design flow,flow unit\nAHU-9,S-1,outlet,90,L/s\n"


def test_leading_zeros_lift_no_limit(company_a: World) -> None:
    for limit in ("0000000019999999999", "000000001" + "9" * 40):
        assert_problem(with_key(company_a).get(f"/customers?limit={limit}"), 422)
    assert with_key(company_a).get("/customers?limit=0050").status_code == 200


def test_a_version_is_read_to_its_last_digit(company_a: World) -> None:
    path = f"/customers/{company_a.customer.id}"
    assert_problem(with_key(company_a).patch(path, {"address": "x"}, "0000000019"), 412)
    assert with_key(company_a).patch(path, {"address": "x"}, 1).status_code == 200


def test_a_key_used_for_a_preview_does_not_answer_the_import(company_a: World) -> None:
    path = f"/api/v1/sites/{company_a.site.id}/schedule"

    def post(query: str) -> Any:
        headers = company_a.bearer | {"Idempotency-Key": "one"}
        return Client().generic("POST", path + query, CSV, content_type="text/csv", headers=headers)

    assert post("?preview=true").json()["stored"] is False
    assert_problem(post(""), 422, "invalid")
    assert post("?preview=true")["Idempotent-Replayed"] == "true"
    with company(company_a.id):
        assert not System.objects.filter(tag="AHU-9").exists()


def test_who_is_shut_out_of_the_service_is_out_on_tablets_too(company_a: World) -> None:
    caller = with_token(company_a.technician_token)
    assert caller.get("/me").status_code == 200
    User.objects.filter(id=company_a.technician.user_ref).update(is_active=False)
    assert_problem(caller.get("/me"), 401)
    assert with_token(company_a.tablet).get("/me").status_code == 200


def test_fragments_hide_no_cost(company_a: World) -> None:
    query = """query { customers { ...A } }
        fragment A on CustomerConnection { edges { node { sites { ...B } } } }
        fragment B on SiteConnection { edges { node { jobs { ...C } } } }
        fragment C on JobConnection { edges { node { number } } }"""
    answer = ask(company_a, query).json()
    assert "more than 20000" in answer["errors"][0]["message"]


DOUBLING = [f"fragment F{n} on Query {{ ...F{n + 1} ...F{n + 1} }}" for n in range(40)]
CIRCLES = [
    f"fragment F{n} on Query {{ " + " ".join(f"...F{m}" for m in range(12) if m != n) + " }"
    for n in range(12)
]


@pytest.mark.parametrize(
    "query",
    [
        "query { ...F0 } " + " ".join(DOUBLING) + " fragment F40 on Query { __typename }",
        "query { ...F0 } " + " ".join(CIRCLES),
        "query { ...Unknown }",
        "{" * 900 + "a" + "}" * 900,
        "{ jobs { " + "edges { node { " * 300 + "id" + " } }" * 300 + " } }",
    ],
    ids=["doubling", "circles", "unknown", "braces", "deep"],
)
def test_no_query_costs_time_or_fails_inside(company_a: World, query: str, caplog: Any) -> None:
    begun = time.monotonic()
    answer = ask(company_a, query)
    assert time.monotonic() - begun < 2.0
    assert answer.json()["errors"] or answer.status_code < 500
    assert "unexpected failure" not in caplog.text


@pytest.mark.parametrize(
    "onward", ["0", "open", "start", "//elsewhere.example", "https://elsewhere.example/"]
)
def test_one_who_is_signed_in_goes_on_within_the_service_only(company_a: World, onward: str) -> None:
    answer = signed_in(company_a).client.get("/signin", {"next": onward})
    assert (answer.status_code, answer["Location"]) == (302, "/")


def test_a_number_that_no_report_has_is_not_asked_for(db: None) -> None:
    assert Client().get("/check/agrbayvsu5z3hgnlcp65troo4i/R-1%00/key").status_code == 404
