"""No input makes a failure inside: each part of every body, and every parameter, with senseless values."""

import copy
import uuid
from collections import Counter
from collections.abc import Iterable, Iterator
from random import Random
from typing import Any

import pytest
from django.db import transaction
from django.test import Client

from jobs.access import Action
from jobs.tenancy.ids import short_id
from tests.doors import walk
from tests.doors.client import signed_in
from tests.doors.test_foreign_ids import body_for
from tests.factories import World
from tests.measurements import batches

NUL = "a\0b"
ODD: list[Any] = [
    None, True, 0, -1, 10**15, 10**19, 10**40, -(10**19), 1e308, -1e-320, 0.1, "", " ", NUL,
    "x" * 5000, "ß" * 400,
    "NaN", "1e5", "-0", "9999-12-31", "0001-01-01", "2026-02-30", "9999-12-31T23:59:59-23:59",
    "0001-01-01T00:00:00+23:59", "2026-01-01T00:00:00", "2026-12-31T23:59:60Z", str(uuid.UUID(int=0)),
    "g" * 36, [], {}, [[]], {"a": {}}, ["x"] * 3, [None], {"value": "1", "unit": "parsec"},
    {"value": "9" * 30, "unit": "Pa"}, {"value": None, "unit": None}, {"value": "1e99", "unit": "mm"},
    "Europe/../../etc/passwd", "/etc/passwd", "..", "UTC\n", "٣",
]  # fmt: skip
TEXTS = [
    "", " ", "0", "-1", "1" * 400, NUL, "%00", "x" * 3000, "9999-12-31", "0001-01-01", "true", "%ff",
    "00000000-0000-0000-0000-000000000000", "2026-02-30", "[]", "1e5", "+1", "open", "\u2028", "٣٣",
    "999999999999999999",
]  # fmt: skip


def places(body: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if at:
        yield at
    parts = body.items() if isinstance(body, dict) else enumerate(body) if isinstance(body, list) else ()
    for name, inner in parts:
        yield from places(inner, (*at, name))


def put(body: Any, place: tuple[Any, ...], value: Any) -> Any:
    changed = copy.deepcopy(body)
    inner = changed
    for step in place[:-1]:
        inner = inner[step]
    inner[place[-1]] = value
    return changed


@pytest.fixture
def world(db: None) -> World:
    return walk.full_world("Odd Input Balancing")


def some(cases: Iterable[Any], number: int) -> list[Any]:
    """A sample, the same each time: all of them take ten minutes."""
    known = list(cases)
    return Random(20261125).sample(known, min(number, len(known)))


def failures(made: list[tuple[Any, Any]]) -> Counter[Any]:
    return Counter(what for what, answer in made if answer.status_code >= 500)


def tried(world: World, action: Any, method: str, path: str, body: Any) -> Any:
    caller = walk.caller_for(world, action)
    caller.client.raise_request_exception = False
    with transaction.atomic():
        answer = walk.call(caller, method, path, body)
        transaction.set_rollback(True)
    return answer


def test_no_part_of_a_body_fails_inside(world: World) -> None:
    ids, cases, made = walk.ids_of(world), [], []
    for route, method, action in walk.doors():
        good = body_for(world, method, route) if method in ("POST", "PATCH") else None
        if isinstance(good, dict) and route.template != "/field/batches":
            cases += [(route, method, action, good, at, value) for at in places(good) for value in ODD]
    for route, method, action, good, at, value in some(cases, 500):
        answer = tried(world, action, method, route.path(ids), put(good, at, value))
        made.append(((method, route.template, at, repr(value)[:40], answer.content[:60]), answer))
    assert len(cases) > 1000
    assert not failures(made)


def test_no_part_of_a_batch_fails_inside(world: World) -> None:
    cases, always, made = [], [], []
    for make in (batches.traverse, batches.hood, batches.sweep, batches.centreline):
        one = make(world)
        one["readings"] = one.get("readings", [])[:1]
        one["sweeps"] = one.get("sweeps", [])[:1]
        good = {"sent_at": batches.now().isoformat(), "sessions": [one]}
        cases += [(good, at, value) for at in places(good) for value in ODD if value != NUL]
        always += [(good, at, NUL) for at in places(good)]
    for good, at, value in some(cases, 400) + some(always, 100):
        answer = tried(world, Action.MEASURE, "POST", "/field/batches", put(good, at, value))
        made.append(((at, repr(value)[:40]), answer))
    assert not failures(made)


def test_a_nul_in_one_session_harms_no_other(company_a: World) -> None:
    bad = put(batches.hood(company_a), ("conditions", "air_temperature", "value"), NUL)
    outcomes = batches.post(company_a, bad, batches.hood(company_a, "S-2"))
    assert [one.outcome for one in outcomes] == ["refused", "stored"]


def test_no_query_parameter_fails_inside(world: World) -> None:
    ids, cases, made = walk.ids_of(world), [], []
    for route, method, action in walk.doors():
        found = walk.operation(route, method).get("parameters", []) if method == "GET" else []
        names = {p["name"] for p in found if p["in"] == "query"} | {"after", "limit", "fields", NUL}
        if method == "GET":
            cases += [(route, action, name, text) for name in sorted(names) for text in TEXTS]
    for route, action, name, text in some(cases, 500):
        caller = walk.caller_for(world, action)
        caller.client.raise_request_exception = False
        with transaction.atomic():
            answer = caller.client.get("/api/v1" + route.path(ids), {name: text}, headers=caller.headers)
        made.append(((route.template, name, text[:40]), answer))
    assert not failures(made)


PAGES = [
    "/",
    "/jobs",
    "/instruments",
    "/reports",
    "/review",
    "/signin",
    "/companies",
    "/problems",
    "/company",
]
PATHS = [
    "/check/{c}/{t}/k", "/check/{t}/R-1/k", "/check/{c}/R-1/{t}", "/invitation/{t}", "/invitation/{c}.{t}",
    "/password/{t}/x", "/password/{c}/{t}", "/problems/{t}",
]  # fmt: skip


def test_no_page_fails_inside(world: World) -> None:
    made = []
    client = signed_in(world, "supervisor").client
    client.raise_request_exception = False
    names = ("q", "status", "before", "next", "due", "after", "page", "kind")
    for page, name, text in some(((p, n, t) for p in PAGES for n in names for t in TEXTS), 300):
        with transaction.atomic():
            made.append(((page, name, text[:40]), client.get(page, {name: text})))
    stranger = Client(raise_request_exception=False)
    for path in PATHS:
        for text in ("a%00b", "%ff", "x" * 2000, "%2e%2e", "'", "%0a", "ß", "1" * 400, "R-1%00"):
            with transaction.atomic():
                made.append(((path, text[:30]), stranger.get(path.format(c=short_id(world.id), t=text))))
            with transaction.atomic():
                made.append(((path, text[:30]), stranger.post(path.format(c=short_id(world.id), t=text))))
    assert not failures(made)


FORMS = {
    "/company/invite": ("owner", {"name": "A", "email": "a@example.org", "roles": "technician"}),
    "/company/keys": ("owner", {"name": "k", "scopes": "read", "expires_on": "2030-01-01"}),
    "/company/tablets": ("owner", {"device_name": "T"}),
    "/company/rules": ("owner", {"name": "C", "version": "1", "decision_parameter": "1"}),
    "/signin": ("owner", {"email": "a@example.org", "password": "p", "next": "/"}),
    "/password": ("owner", {"email": "a@example.org"}),
    "/companies": ("owner", {"company": "x", "next": "/"}),
}  # fmt: skip


def test_no_form_fails_inside(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("jobs.pages.entry.SAME_TIME", 0.0)
    monkeypatch.setattr("jobs.people._fits", lambda *args: False)
    made = []
    texts = [*TEXTS, "inf", "nan", "1e400", "2030-13-01", "99999-01-01"]
    cases = [(path, name, text) for path, (_, good) in FORMS.items() for name in good for text in texts]
    for path, name, text in some(cases, 200):
        role, good = FORMS[path]
        client = signed_in(world, role, raise_request_exception=False).client
        with transaction.atomic():
            made.append(((path, name, text[:40]), client.post(path, {**good, name: text})))
            transaction.set_rollback(True)
    flag = walk.ids_of(world)["flag_id"]
    client = signed_in(world, "supervisor", raise_request_exception=False).client
    for text in TEXTS:
        for form in ({"answer": text, "reason": "long enough reason"}, {"answer": "accept", "reason": text}):
            with transaction.atomic():
                made.append((("answer", text[:40]), client.post(f"/flags/{flag}/answer", form)))
        with transaction.atomic():
            made.append((("approve", text), client.post(f"/review/{world.job.id}/approve", {"seen": text})))
    assert not failures(made)


HEADERS = [
    "Authorization", "If-Match", "Idempotency-Key", "If-None-Match", "Content-Type", "Accept", "X-Request-ID",
    "Content-Encoding", "Cookie", "X-Forwarded-For",
]  # fmt: skip
VALUES = [
    "", "0", "-1", "1" * 400, NUL, "\xff", "Bearer", "Bearer .", 'W/"1"',
    "application/json; charset=utf-16",
    "sessionid=\0", "sessionid=x; sessionid=y", "text/csv", "multipart/form-data; boundary=\0", "*/*;q=x",
]  # fmt: skip


def test_no_header_fails_inside(world: World) -> None:
    made = []
    for name in HEADERS:
        for text in [*VALUES, f"Bearer {short_id(world.id)}.{NUL}"]:
            client = Client(raise_request_exception=False)
            headers = {"Content-Type": "application/json", **world.bearer, name: text}
            kind = headers.pop("Content-Type")
            for method, path in (("GET", "/"), ("POST", "/api/v1/customers"), ("POST", "/graphql")):
                with transaction.atomic():
                    answer = client.generic(method, path, b"{}", kind, headers=headers)
                made.append(((name, text[:40], method, path), answer))
    assert not failures(made)
