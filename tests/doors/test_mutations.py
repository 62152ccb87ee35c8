"""Changes by GraphQL: one a request, repeatable like a POST, undone as a whole, with typed problems."""

import json
from collections import Counter
from typing import Any

import pytest
from django.test import Client
from strawberry.relay import to_base64

from jobs import register
from jobs.models import AccessToken, Customer, IdempotencyKey, Site, System
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.models import Reading
from tests import factories
from tests.doors.client import Caller, signed_in, with_key, with_token
from tests.doors.mutations import PROBLEM, as_rest, document, done, make, problem_of, send
from tests.factories import World
from tests.measurements import batches
from tests.races import at_once

ADD = document("customer_add", "customer { id name version: name }")
TOWN = {"input": {"name": "Town of Ash"}}


def towns(world: World, name: str = "Town of Ash") -> int:
    with company(world.id):
        return Customer.objects.filter(name=name).count()


def keys(world: World) -> int:
    with company(world.id):
        return IdempotencyKey.objects.count()


def problem(answer: Any, name: str = "customerAdd") -> Any:
    return answer.json()["data"][name]["problem"]


def test_a_change_answers_with_what_it_made(company_a: World) -> None:
    found = done(make(with_key(company_a), "customer_add", body={"name": "Town of Ash"},
                      chosen="customer { id name }"))  # fmt: skip
    with company(company_a.id):
        made = Customer.objects.get(name="Town of Ash")
    assert found["customer"] == {"id": to_base64("Customer", made.id), "name": "Town of Ash"}


def test_ids_are_those_of_the_schema_or_of_rest(company_a: World) -> None:
    key = with_key(company_a)
    for name, text in (
        ("A", str(company_a.customer.id)),
        ("B", to_base64("Customer", company_a.customer.id)),
    ):
        done(make(key, "site_add", body={"name": name, "customer": text}))
    with company(company_a.id):
        assert Site.objects.filter(name__in="AB", customer=company_a.customer).count() == 2


def test_a_figure_keeps_the_digits_shown_in_text_in_numbers_and_in_literals(company_a: World) -> None:
    key, ids = with_key(company_a), {"point_id": company_a.points["S-1"].id}
    for version, value in enumerate(("13.10", 13.1), start=1):
        body = {"design_flow": {"value": value, "unit": "L/s"}}
        done(make(key, "point_change", ids, body, seen=version, chosen="point { designEntered }"))
    literal = f"""mutation {{
      pointChange(point: "{ids["point_id"]}",
        version: 3, input: {{designFlow: {{value: 13.10, unit: "L/s"}} }})
        {{ point {{ designEntered }} problem {{ detail }} }} }}"""
    found = send(key, literal, {}).json()["data"]["pointChange"]
    assert found == {"point": {"designEntered": "13.10 L/s"}, "problem": None}


def test_A1_without_a_key_nothing_is_made(company_a: World) -> None:
    client = Client()
    answer = client.post(
        "/graphql", json.dumps({"query": ADD, "variables": TOWN}), content_type="application/json",
        headers=company_a.bearer,
    )  # fmt: skip
    found = problem(answer)
    assert (found["status"], found["code"]) == (400, "idempotency-key")
    assert found["faults"] == [{"pointer": "header:Idempotency-Key", "detail": "missing"}]
    assert towns(company_a) == keys(company_a) == 0


def test_A2_the_same_once_more_gets_the_first_answer_byte_for_byte(company_a: World) -> None:
    key = with_key(company_a)
    first, second = (send(key, ADD, TOWN, **{"Idempotency-Key": "k-1"}) for _ in range(2))
    assert problem(first) is None
    assert "Idempotent-Replayed" not in first
    assert second["Idempotent-Replayed"] == "true"
    assert (second.status_code, second.content) == (first.status_code, first.content)
    assert second["Content-Type"] == first["Content-Type"]
    assert towns(company_a) == 1


def test_A3_the_same_key_with_another_body_is_refused(company_a: World) -> None:
    key = with_key(company_a)
    send(key, ADD, TOWN, **{"Idempotency-Key": "k-1"})
    answer = send(key, ADD, {"input": {"name": "Town of Asb"}}, **{"Idempotency-Key": "k-1"})
    assert problem(answer)["status"] == 422
    assert problem(answer)["faults"][0]["pointer"] == "header:Idempotency-Key"
    assert towns(company_a, "Town of Asb") == 0


@pytest.mark.parametrize("text", ["x" * 201, "x" * 256, " ", '""', 'a"b', "a b", "ä", "a,b;c"])
def test_A5_a_malformed_key_is_refused(company_a: World, text: str) -> None:
    found = problem(send(with_key(company_a), ADD, TOWN, **{"Idempotency-Key": text}))
    assert (found["status"], found["code"]) == (400, "idempotency-key")
    assert towns(company_a) == keys(company_a) == 0


@pytest.mark.parametrize("text", ["a\nb", "a\r\nb", "a\x00b"])
def test_A5_control_characters_never_pass_as_a_key(company_a: World, text: str) -> None:
    answer = Client().generic(
        "POST", "/graphql", json.dumps({"query": ADD, "variables": TOWN}).encode(),
        content_type="application/json", headers=company_a.bearer, HTTP_IDEMPOTENCY_KEY=text,
    )  # fmt: skip
    assert problem(answer)["code"] == "idempotency-key"
    assert towns(company_a) == 0


def test_A6_the_same_key_of_another_company_is_another_request(company_a: World, company_b: World) -> None:
    one, two = (send(with_key(w), ADD, TOWN, **{"Idempotency-Key": "same"}) for w in (company_a, company_b))
    assert "Idempotent-Replayed" not in two
    assert one.content != two.content
    assert towns(company_a) == towns(company_b) == 1


def test_a_key_of_rest_is_none_of_graphql(company_a: World) -> None:
    key = with_key(company_a)
    assert key.post("/customers", {"name": "Village"}, key="same").status_code == 201
    assert problem(send(key, ADD, TOWN, **{"Idempotency-Key": "same"})) is None


def test_a_change_that_failed_may_be_made_under_its_key(company_a: World) -> None:
    key = with_key(company_a)
    found = problem(send(key, ADD, {"input": {"name": ""}}, **{"Idempotency-Key": "k-1"}))
    assert found["status"] == 422
    assert keys(company_a) == 0
    assert problem(send(key, ADD, TOWN, **{"Idempotency-Key": "k-1"})) is None


@pytest.mark.django_db(transaction=True)
def test_A4_eight_at_once_make_it_once() -> None:
    world = factories.make_world()

    def ask() -> Any:
        return send(Caller(world.bearer), ADD, TOWN, **{"Idempotency-Key": "k-1"})

    answers = at_once(*[ask] * 8)
    told = Counter((problem(one) or {"status": 200})["status"] for one in answers)
    assert set(told) <= {200, 409}
    assert sum("Idempotent-Replayed" not in one and problem(one) is None for one in answers) == 1
    assert len({one.content for one in answers if problem(one) is None}) == 1
    assert towns(world) == 1


A, B = (f'customerAdd(input: {{name: "{name}"}}) {{ __typename }}' for name in "AB")
SEVERAL = [
    f"mutation {{ a: {A} b: {B} }}",
    f"mutation {{ {A} {A} }}",
    f"mutation {{ ...one ... on Mutation {{ b: {B} }} }} fragment one on Mutation {{ a: {A} }}",
    f"mutation ($no: Boolean = false) {{ a: {A} ... @include(if: $no) {{ b: {B} }} }}",
]


@pytest.mark.parametrize("query", SEVERAL)
def test_D5_several_changes_in_one_document_are_refused(company_a: World, query: str) -> None:
    answer = send(with_key(company_a), query, {})
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert "one change a request" in answer.json()["detail"]
    assert towns(company_a, "A") == towns(company_a, "B") == keys(company_a) == 0


def test_one_of_several_operations_may_be_chosen(company_a: World) -> None:
    query = """mutation one { customerAdd(input: {name: "A"}) { problem { code } } }
               mutation two { customerAdd(input: {name: "B"}) { problem { code } } }"""
    answer = Client().post(
        "/graphql", json.dumps({"query": query, "operationName": "two"}), content_type="application/json",
        headers={**company_a.bearer, "Idempotency-Key": "k"},
    )  # fmt: skip
    assert problem(answer) is None
    assert (towns(company_a, "A"), towns(company_a, "B")) == (0, 1)


def test_D5_no_change_by_get(company_a: World) -> None:
    query = 'mutation { customerAdd(input: {name: "A"}) { __typename } }'
    answer = Client().get("/graphql", {"query": query}, headers={**company_a.bearer, "Idempotency-Key": "k"})
    assert answer.status_code == 405
    assert towns(company_a, "A") == 0


def test_D5_no_change_by_a_cookie_alone(company_a: World) -> None:
    caller = signed_in(company_a, "owner", enforce_csrf_checks=True)
    assert send(caller, ADD, TOWN).status_code == 403
    assert towns(company_a) == 0


def test_a_change_needs_to_say_what_was_seen(company_a: World) -> None:
    key, ids = with_key(company_a), {"customer_id": company_a.customer.id}
    found = problem_of(make(key, "customer_change", ids, {"name": "Other"}), 428)
    assert found["faults"] == [{"pointer": "argument:version", "detail": "missing"}]
    assert problem_of(make(key, "customer_change", ids, {"name": "Other"}, seen=9), 412)["code"] == (
        "changed-meanwhile"
    )
    assert towns(company_a, "Other") == 0
    done(make(key, "customer_change", ids, {"name": "Other"}, seen=1))
    assert towns(company_a, "Other") == 1


REFUSED: list[tuple[str, str, Any]] = [
    ("customer_add", "/customers", {"name": ""}),
    ("customer_add", "/customers", {"name": "x" * 161, "contact_email": "no mail"}),
    ("site_add", "/sites", {"name": "A", "customer": "nonsense"}),
    ("site_add", "/sites", {"name": "A", "customer": str(uuid7())}),
    ("site_add", "/sites", {"name": "A", "customer": str(uuid7()), "time_zone": "Moon/Mare"}),
    ("site_add", "/sites", {"name": None, "customer": str(uuid7())}),
]


@pytest.mark.parametrize(("name", "path", "body"), [one for one in REFUSED if None not in one[2].values()])
def test_problems_are_those_of_rest(company_a: World, name: str, path: str, body: Any) -> None:
    key = with_key(company_a)
    rest = key.post(path, body).json()
    told = make(key, name, body=body)["problem"]
    assert told["instance"].startswith("urn:request:")
    assert told["type"] == f"/problems/{told['code']}"
    assert as_rest(told) == {name: value for name, value in rest.items() if name != "instance"}


def test_C1_no_infinity_by_a_literal(company_a: World) -> None:
    ids = company_a.points["S-1"].id
    for literal in ("1e400", "-1e400"):
        query = f"""mutation {{ pointChange(point: "{ids}", version: 1, input: {{toleranceBelow: {literal}}})
            {{ {PROBLEM} }} }}"""
        answer = send(with_key(company_a), query, {}).json()
        assert "errors" in answer or answer["data"]["pointChange"]["problem"]["status"] in (400, 422)


def test_C2_no_nul_by_a_literal(company_a: World) -> None:
    query = f'mutation {{ customerAdd(input: {{name: "a\\u0000b"}}) {{ {PROBLEM} }} }}'
    found = problem(send(with_key(company_a), query, {}))
    assert (found["status"], found["code"]) == (400, "bad-json")


def test_C2_no_half_surrogate_by_a_literal(company_a: World) -> None:
    query = f'mutation {{ customerAdd(input: {{name: "a\\ud800b"}}) {{ {PROBLEM} }} }}'
    answer = send(with_key(company_a), query, {}).json()
    assert "errors" in answer or answer["data"]["customerAdd"]["problem"]["status"] == 400


def test_what_goes_wrong_in_the_answer_undoes_the_change(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: Any, **fields: Any) -> Any:
        made = Customer.objects.create(**fields)
        made.name = None
        return made

    monkeypatch.setattr(register, "add_customer", broken)
    answer = send(with_key(company_a), ADD, TOWN).json()
    assert answer["data"] is None
    assert answer["errors"]
    assert towns(company_a) == keys(company_a) == 0


def test_a_failure_inside_is_a_problem_that_tells_nothing(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: Any, **fields: Any) -> Any:
        Customer.objects.create(**fields)
        raise RuntimeError("secret of the inside")

    monkeypatch.setattr(register, "add_customer", broken)
    found = problem(send(with_key(company_a), ADD, TOWN))
    assert (found["status"], found["code"]) == (500, "unexpected")
    assert "secret" not in json.dumps(found)
    assert towns(company_a) == keys(company_a) == 0


def test_a_secret_is_shown_once_and_never_stored(company_a: World) -> None:
    owner, query = signed_in(company_a), document("key_make", "token key { name }")
    given = {"input": {"name": "Portal", "scopes": ["read"]}}
    first, second = (send(owner, query, given, **{"Idempotency-Key": "k-1"}) for _ in range(2))
    token = first.json()["data"]["keyMake"]["token"]
    assert with_token(token).get("/me").status_code == 200
    found = second.json()["data"]["keyMake"]
    assert found["token"] is None
    assert found["problem"]["status"] == 409
    assert "shown in the first answer only" in found["problem"]["detail"]
    with company(company_a.id):
        assert not any(token.encode() in bytes(row.body) for row in IdempotencyKey.objects.all())
        assert AccessToken.objects.filter(name="Portal").count() == 1


def test_a_variable_of_another_type_is_told_so_and_changes_nothing(company_a: World) -> None:
    for given in ({"input": {"name": 5}}, {"input": {}}, {}, {"input": {"name": "A", "approvedBy": "me"}}):
        answer = send(with_key(company_a), ADD, given)
        assert answer.status_code < 500
        assert answer.json()["errors"]
        assert all(one["extensions"]["status"] < 500 for one in answer.json()["errors"])
        assert not (answer.json().get("data") or {}).get("customerAdd")
    assert keys(company_a) == 0


def test_a_table_with_one_bad_row_stores_nothing(company_a: World) -> None:
    text = "System,Tag,Kind\nAHU-9,S-1,outlet\nAHU-9,S-2,chimney\n"
    answer = make(with_key(company_a), "schedule_import", {"site_id": company_a.site.id}, more={"text": text})
    assert problem_of(answer, 422)["faults"][0]["pointer"] == "C3"
    with company(company_a.id):
        assert not System.objects.filter(tag="AHU-9").exists()
    preview = make(
        with_key(company_a), "schedule_import", {"site_id": company_a.site.id},
        more={"text": text.replace("chimney", "outlet"), "preview": True},
        chosen="imported { stored points { added } }",
    )  # fmt: skip
    assert done(preview)["imported"] == {"stored": False, "points": {"added": 2}}
    with company(company_a.id):
        assert not System.objects.filter(tag="AHU-9").exists()


def test_a_batch_keeps_the_digits_shown(company_a: World) -> None:
    batch = {"sent_at": "2026-03-02T09:41:07+01:00", "sessions": [batches.traverse(company_a)]}
    answer = make(
        with_token(company_a.technician_token), "field_batch_post", more={"batch": batch},
        chosen="sessions { session outcome faults { pointer detail } }",
    )  # fmt: skip
    assert [one["outcome"] for one in done(answer)["sessions"]] == ["stored"]
    shown = sorted(one["value"] for one in batch["sessions"][0]["readings"])
    with company(company_a.id):
        assert sorted(Reading.objects.values_list("entered", flat=True)) == shown


def test_a_batch_by_a_literal_with_infinity_stores_nothing(company_a: World) -> None:
    query = f"mutation {{ fieldBatchPost(batch: {{sessions: [], sent_at: 1e400}}) {{ {PROBLEM} }} }}"
    answer = send(with_token(company_a.technician_token), query, {}).json()
    assert "errors" in answer or answer["data"]["fieldBatchPost"]["problem"]["status"] in (400, 422)
    assert keys(company_a) == 0
