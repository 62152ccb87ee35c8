"""Idempotency-Key: a repeat gets the first answer and does nothing."""

from collections import Counter
from typing import Any

import pytest

from jobs.models import Customer, IdempotencyKey, Invitation
from jobs.tenancy.context import company
from tests import factories
from tests.doors.client import Caller, assert_problem, pointers, signed_in, with_key, with_token
from tests.factories import World
from tests.races import at_once

BODY = {"email": "a.person@example.org", "name": "A. Person", "roles": ["technician"]}


def count(world: World) -> int:
    with company(world.id):
        return int(Invitation.objects.count())


def keys(world: World) -> int:
    with company(world.id):
        return int(IdempotencyKey.objects.count())


def test_without_a_key_nothing_is_made(company_a: World) -> None:
    answer = signed_in(company_a).post("/invitations", BODY, key=None)
    assert_problem(answer, 400, "idempotency-key")
    assert pointers(answer) == ["header:Idempotency-Key"]
    assert "Idempotency-Key" in answer.json()["detail"]
    assert count(company_a) == 0


def test_repeat_gets_the_same_bytes(company_a: World) -> None:
    owner = signed_in(company_a)
    first, second = owner.post("/invitations", BODY, key="k1"), owner.post("/invitations", BODY, key="k1")
    assert first.status_code == second.status_code == 201
    assert first.content == second.content
    assert first["Content-Type"] == second["Content-Type"]
    assert first["Location"] == second["Location"]
    assert "Idempotent-Replayed" not in first
    assert second["Idempotent-Replayed"] == "true"
    assert count(company_a) == 1


def test_quoted_and_bare_keys_are_the_same(company_a: World) -> None:
    owner = signed_in(company_a)
    first = owner.post("/invitations", BODY, key='"k-2"')
    assert owner.post("/invitations", BODY, key="k-2").content == first.content


@pytest.mark.parametrize("name", ["A. Persom", "A. Person "])
def test_other_body_under_the_same_key_is_refused(company_a: World, name: str) -> None:
    owner = signed_in(company_a)
    owner.post("/invitations", BODY, key="k1")
    answer = owner.post("/invitations", BODY | {"name": name}, key="k1")
    assert_problem(answer, 422, "invalid")
    assert count(company_a) == 1


@pytest.mark.parametrize(
    "key", ["x" * 201, "x" * 256, " ", '""', '"', 'a"b', '"a"b"', "a b", "ä", "a\x7fb", "a,b;c"]
)
def test_malformed_key_is_refused(company_a: World, key: str) -> None:
    answer = signed_in(company_a).post("/invitations", BODY, key=key)
    assert_problem(answer, 400, "idempotency-key")
    assert count(company_a) == 0
    assert keys(company_a) == 0


@pytest.mark.parametrize("key", ["a\nb", "a\r\nb", "a\x00b"])
def test_control_characters_never_pass_as_a_key(company_a: World, key: str) -> None:
    owner = signed_in(company_a)
    answer = owner.client.generic(
        "POST", "/api/v1/invitations", b"{}", content_type="application/json", HTTP_IDEMPOTENCY_KEY=key
    )
    assert_problem(answer, 400, "idempotency-key")


def test_longest_key_is_taken(company_a: World) -> None:
    assert signed_in(company_a).post("/invitations", BODY, key="x" * 200).status_code == 201


def test_same_key_of_another_company_is_another_request(company_a: World, company_b: World) -> None:
    first = signed_in(company_a).post("/invitations", BODY, key="same")
    second = signed_in(company_b).post("/invitations", BODY, key="same")
    assert first.status_code == second.status_code == 201
    assert "Idempotent-Replayed" not in second
    assert first.json()["id"] != second.json()["id"]
    assert count(company_a) == count(company_b) == 1


def test_same_key_of_another_person_and_at_another_address_is_another_request(company_a: World) -> None:
    with company(company_a.id):
        text = factories.make_key(company_a.id, ["plan", "read"])[1]
    first = with_key(company_a).post("/customers", {"name": "Town"}, key="same")
    second = with_token(text).post("/customers", {"name": "Village"}, key="same")
    third = signed_in(company_a).post("/invitations", BODY, key="same")
    assert [first.status_code, second.status_code, third.status_code] == [201, 201, 201]


def test_failed_request_may_run_again_under_its_key(company_a: World) -> None:
    owner = signed_in(company_a)
    assert_problem(owner.post("/invitations", BODY | {"roles": []}, key="k1"), 422)
    assert keys(company_a) == 0
    assert owner.post("/invitations", BODY, key="k1").status_code == 201


def test_answer_lost_on_the_way_is_given_again(company_a: World) -> None:
    """The work was committed and the connection cut: the client knows nothing and sends it again."""
    lost = signed_in(company_a).post("/invitations", BODY, key="k1").content
    again = signed_in(company_a).post("/invitations", BODY, key="k1")
    assert again.status_code == 201
    assert again.content == lost
    assert count(company_a) == 1


def test_right_that_was_taken_away_meanwhile_refuses_the_repeat(company_a: World) -> None:
    key = with_key(company_a)
    assert key.post("/customers", {"name": "Town"}, key="k1").status_code == 201
    signed_in(company_a).delete(f"/keys/{company_a.key.id}")
    assert_problem(key.post("/customers", {"name": "Town"}, key="k1"), 401)


@pytest.mark.django_db(transaction=True)
def test_eight_at_once_do_it_once() -> None:
    world = factories.make_world()

    def send() -> Any:
        return Caller(world.bearer).post("/customers", {"name": "Town of Ash"}, key="k1")

    answers = at_once(*[send] * 8)
    statuses = Counter(one.status_code for one in answers)
    assert set(statuses) <= {201, 409}
    assert statuses[201] >= 1
    assert sum("Idempotent-Replayed" not in one for one in answers if one.status_code == 201) == 1
    assert all(one["Retry-After"] for one in answers if one.status_code == 409)
    assert len({one.content for one in answers if one.status_code == 201}) == 1
    with company(world.id):
        assert Customer.objects.filter(name="Town of Ash").count() == 1
