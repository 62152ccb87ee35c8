"""Every REST route with every method and every kind of caller: who is let in, and how the rest is told no."""

from typing import Any

import pytest
from django.test import Client

from jobs.access import MAY, ON_TABLET, SCOPES, Action
from jobs.models import Role
from jobs.tenancy.context import company
from tests import factories
from tests.doors import walk
from tests.doors.client import Caller, assert_problem, signed_in, with_token
from tests.factories import World

METHODS = ["GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "BREW"]
PUBLIC = {"/invitations/accept", "/devices/pair", "/public/check", "/openapi.yaml", "/snapshot.schema.json"}
"""Doors without a token. Each is limited by address and tells nothing that its caller did not bring."""
POSTED = {"/invitations/accept", "/devices/pair", "/public/check"}
"""Those of them that take something; the others are read."""
BY_JOB = {("POST", f"/devices/{act}") for act in ("sign-in", "sign-out", "renew")} | {
    ("GET", "/me/sign-ins"),
    ("DELETE", "/me/sign-ins"),
    ("DELETE", "/me/sign-ins/{sign_in_id}"),
    ("DELETE", "/stored-queries/{stored_query_id}"),
}
"""Doors that look at the kind of token besides the action, as test_tokens.py, test_signing_in.py and
test_stored_queries.py tell."""
DOORS = walk.doors()


def path_of(route: walk.Route) -> str:
    return route.path(walk.unknown_ids(route.names))


def test_there_are_routes_of_all_apps() -> None:
    seen = {route.view.__module__.partition(".")[0] for route in walk.routes()}
    assert {"jobs", "measurements", "reports"} <= seen
    assert len(walk.routes()) > 50


def test_every_route_says_what_it_needs_or_is_known_as_public() -> None:
    assert {route.template for route in walk.routes() if not route.is_door} == PUBLIC
    for route in walk.routes():
        if route.is_door:
            served = {m for m in METHODS if hasattr(route.view, m.lower())} - {"OPTIONS"}
            assert served == set(route.needs), route


def test_only_doors_of_oneself_need_no_action() -> None:
    assert {(m, r.template) for r, m, action in DOORS if action is None} == {
        ("GET", "/me"),
        ("POST", "/devices/sign-in"),
    }


@pytest.mark.django_db
def test_nobody_is_told_to_sign_in_everywhere() -> None:
    for route, method, _ in DOORS:
        for caller in (Caller(), with_token("x.y")):
            answer = walk.call(caller, method, path_of(route))
            assert_problem(answer, 401, "not-signed-in")
            assert answer["WWW-Authenticate"] == "Bearer"


def callers(world: World) -> dict[str, tuple[Caller, frozenset[Action]]]:
    """Every kind of caller with what it may do."""
    found = {
        role.value: (signed_in(world, role.value), frozenset(a for a in Action if role in MAY[a]))
        for role in Role
    }
    with company(world.id):
        keys = {scope: factories.make_key(world.id, sorted({scope, "read"}))[1] for scope in SCOPES}
    for scope, text in keys.items():
        found[f"key:{scope}"] = (with_token(text), frozenset({SCOPES[scope], Action.READ}))
    field = frozenset(a for a in ON_TABLET if Role.TECHNICIAN in MAY[a])
    found["tablet:technician"] = (with_token(world.technician_token), field)
    found["tablet:nobody"] = (with_token(world.tablet), frozenset())
    return found


def test_each_caller_gets_through_the_doors_of_what_they_may_and_403_at_all_others(company_a: World) -> None:
    wrong = []
    for name, (caller, allowed) in callers(company_a).items():
        for route, method, action in DOORS:
            if action is None or (method, route.template) in BY_JOB:
                continue
            answer = walk.call(caller, method, path_of(route))
            if action in allowed:
                if answer.status_code in (401, 403) or answer.status_code >= 500:
                    wrong.append((name, method, route.template, answer.status_code))
            else:
                assert_problem(answer, 403, "forbidden")
    assert not wrong


@pytest.mark.django_db
@pytest.mark.parametrize("who", ["nobody", "owner"])
def test_a_method_that_is_not_served_gets_405_and_does_nothing(company_a: World, who: str) -> None:
    caller = Caller() if who == "nobody" else signed_in(company_a)
    for route in walk.routes():
        served = set(route.needs) if route.is_door else {"POST" if route.template in POSTED else "GET"}
        for method in METHODS:
            if method not in served:
                answer = walk.call(caller, method, path_of(route))
                assert_problem(answer, 405, "method-not-allowed")
                assert served <= set(answer["Allow"].split(", ")), (route, method)


def test_C14_a_header_does_not_turn_a_post_into_a_delete(company_a: World) -> None:
    caller = signed_in(company_a)
    answer = walk.call(
        caller,
        "POST",
        f"/keys/{company_a.key.id}",
        **{"X-HTTP-Method-Override": "DELETE", "X-Method": "DELETE"},
    )
    assert_problem(answer, 405)
    assert caller.get(f"/keys/{company_a.key.id}").json()["revoked_at"] is None


def test_head_answers_like_get_without_a_body(company_a: World) -> None:
    for route in walk.lists():
        if not route.names:
            caller = walk.caller_for(company_a, route.needs["GET"])
            answer = caller.client.head("/api/v1" + route.template, headers=caller.headers)
            assert (answer.status_code, answer.content) == (200, b""), route


def test_every_unsafe_post_wants_a_key_for_its_repeats(company_a: World) -> None:
    """But for those that are harmless when repeated, or must never be stored."""
    without = []
    for route, method, action in DOORS:
        if method == "POST":
            answer = walk.caller_for(company_a, action).post(path_of(route), {}, key=None)
            if answer.status_code != 400 or "Idempotency-Key" not in answer.json()["detail"]:
                without.append(route.template)
    assert sorted(without) == ["/devices/renew", "/devices/sign-in", "/devices/sign-out"]


@pytest.mark.django_db
@pytest.mark.parametrize(
    "path", ["", "nothing", "jobs/1", "jobs/", "../healthz", "jobs/%00", "jobs/" + "9" * 40]
)
def test_an_unknown_address_is_a_problem_too(path: str) -> None:
    answer: Any = Client().get("/api/v1/" + path)
    assert_problem(answer, 404, "not-found")
