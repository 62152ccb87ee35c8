"""Ids of another company, at every address, in every body and filter: the same answer as for ids of nothing.

Then once more for reading with the application's own filter off, so that row security alone must hold.
"""

import copy
import hashlib
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.apps import apps
from django.db import transaction
from django.utils import timezone

from jobs.access import Action
from jobs.models import Customer, Site
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from jobs.tenancy.models import TenantModel
from measurements.models import RecallItem
from tests.doors import unfiltered, walk
from tests.factories import FIRST, SECOND, World
from tests.measurements import batches, pictures
from tests.reports import scene


@pytest.fixture
def worlds(db: None) -> tuple[World, World]:
    """The company that has things, and the one that asks for them."""
    return walk.full_world(FIRST), walk.full_world(SECOND)


def day(ahead: int) -> str:
    return (timezone.now().date() + timedelta(days=ahead)).isoformat()


def job_body(w: World) -> dict[str, Any]:
    return {
        "title": "Another", "site": str(w.site.id), "systems": [str(w.system.id)],
        "starts_on": day(20), "ends_on": day(21),
    }  # fmt: skip


def certificate_body(w: World) -> dict[str, Any]:
    figures = dict.fromkeys(("reference", "as_found", "as_left"), "0.1") | {"expanded_uncertainty": "0.001"}
    return {
        "number": "C-9", "laboratory": "Vale", "calibrated_on": day(-2), "due_on": day(300),
        "points": [{"quantity": "flow", "unit": "m3/s", "coverage_factor": 2} | figures],
        "supersedes": str(w.certificates["hood"].id),
    }  # fmt: skip


def annexe(w: World) -> UUID:
    with company(w.id):
        return Site.objects.values_list("id", flat=True).get(name="Annexe")


def recall_item(w: World) -> UUID:
    with company(w.id):
        return RecallItem.objects.order_by("id").values_list("id", flat=True)[0]


BODIES: dict[tuple[str, str], Callable[[World], Any]] = {
    ("POST", "/keys"): lambda w: {
        "name": "Portal",
        "scopes": ["read"],
        "integration": str(walk.ids_of(w)["integration_id"]),
    },
    ("POST", "/company/removal"): lambda w: {
        "export": str(walk.ids_of(w)["export_id"]),
        "name": w.company.name,
    },
    ("POST", "/sites"): lambda w: {"customer": str(w.customer.id), "name": "Annexe"},
    ("POST", "/systems"): lambda w: {"site": str(w.site.id), "tag": "AHU-9"},
    ("POST", "/points"): lambda w: {
        "system": str(w.system.id), "tag": "S-9", "kind": "outlet", "parent": str(w.points["BD-1"].id),
    },
    ("PATCH", "/points/{point_id}"): lambda w: {"parent": str(w.points["BD-1"].id)},
    ("POST", "/sites/{site_id}/schedule"): lambda w: b"System,Tag,Kind\nAHU-1,S-10,outlet\n",
    ("POST", "/jobs"): job_body,
    ("PATCH", "/jobs/{job_id}"): lambda w: {"systems": [str(w.system.id)]},
    ("POST", "/jobs/{job_id}/people"): lambda w: {"member": str(w.technician.id)},
    ("POST", "/jobs/{job_id}/instruments"): lambda w: {"instrument": str(w.instruments["hood"].id)},
    ("POST", "/jobs/{job_id}/cancel"): lambda w: {"reason": "Called off by the customer"},
    ("POST", "/instruments/{instrument_id}/certificates"): certificate_body,
    ("POST", "/instruments/{instrument_id}/checks"): lambda w: {
        "kind": "comparison", "quantity": "flow", "at": "2026-03-02T09:30:00+01:00", "unit": "L/s",
        "readings": ["91"], "other": str(w.instruments["pressure"].id), "other_readings": ["90"],
        "supersedes": str(walk.check_of(w)), "why": scene.REASON,
    },
    ("POST", "/jobs/{job_id}/documents"): lambda w: {"kind": "interim"},
    ("POST", "/jobs/{job_id}/deferrals"): lambda w: {
        "test_point": str(w.points["S-1"].id), "season": "cooling", "reason": scene.REASON,
    },
    ("POST", "/reports/{report_id}/deliveries"): lambda w: {"addresses": ["reader@harbour.example"]},
    ("POST", "/travel"): lambda w: {"one": str(w.site.id), "other": str(annexe(w)), "minutes": 15},
    ("POST", "/recalls"): lambda w: {
        "certificate": str(w.certificates["hood"].id), "reason": "Its laboratory withdrew it.",
    },
    ("POST", "/recalls/{recall_id}/decisions"): lambda w: {
        "items": [str(recall_item(w))], "decision": "no_effect", "reason": scene.REASON,
    },
    ("POST", "/sessions/{session_id}/corrections"): lambda w: {
        "reason": scene.REASON, "changes": [{"path": "/test_point", "value": str(w.points["S-2"].id)}],
    },
    ("POST", "/field/photos"): lambda w: pictures.declaration(
        w, pictures.jpeg(), session=str(walk.session_at(w, "S-1")),
    ),
    ("POST", "/photos/{photo_id}/corrections"): lambda w: {
        "reason": scene.REASON, "text": "Lever at 5", "test_point": str(w.points["S-2"].id),
    },
    ("POST", "/jobs/{job_id}/photo-choices"): lambda w: {
        "photos": [str(walk.ids_of(w)["photo_id"])], "shown": True,
    },
    ("POST", "/photos/{photo_id}/erasure"): lambda w: {"reason": scene.REASON},
    ("POST", "/photos/{photo_id}/removal"): lambda w: {"reason": scene.REASON},
    ("POST", "/photos/{photo_id}/restoration"): lambda w: {"reason": scene.REASON},
    ("POST", "/webhooks/{webhook_id}/replay"): lambda w: {"after": 0},
    ("POST", "/sessions/{session_id}/void"): lambda w: {"reason": scene.REASON},
    ("POST", "/flags/{flag_id}/answers"): lambda w: {"answer": "accept", "reason": scene.REASON},
}  # fmt: skip
"""A good body, where an empty one would be refused before its ids are looked at."""


def body_for(world: World, method: str, route: walk.Route) -> Any:
    made = BODIES.get((method, route.template))
    return made(world) if made else {}


def seen(answer: Any) -> tuple[int, dict[str, str], bytes]:
    """All that a client can tell two answers apart by. Both requests carried the same X-Request-ID."""
    return answer.status_code, dict(answer.headers), answer.content


PERSONAL = "/me/sign-ins"
"""A person's own, at a browser: a key, which asks most here, has none. test_people.py tries them."""
WITH_IDS = [(r, m, action) for r, m, action in walk.doors() if r.names]


def foreign_sets(
    route: walk.Route, own: dict[str, UUID], other: dict[str, UUID]
) -> Iterator[dict[str, UUID]]:
    """All ids of the address foreign, and where there are several each foreign alone."""
    yield {name: other[name] for name in route.names}
    if len(route.names) > 1:
        for name in route.names:
            yield {n: (other if n == name else own)[n] for n in route.names}


def contents(world: World) -> dict[str, str]:
    """A digest of every table of a company."""
    with company(world.id):
        return {
            model._meta.label: hashlib.sha256(
                repr(list(model.objects.order_by("id").values_list())).encode()
            ).hexdigest()
            for model in apps.get_models()
            if issubclass(model, TenantModel)
        }


def test_B1_at_every_address_a_foreign_id_looks_like_an_unknown_one(worlds: tuple[World, World]) -> None:
    theirs, ours = worlds
    others, own = walk.ids_of(theirs), walk.ids_of(ours)
    before = contents(theirs)
    for route, method, action in WITH_IDS:
        caller, body = walk.caller_for(ours, action), body_for(ours, method, route)
        for foreign in foreign_sets(route, own, others):
            unknown = {n: i if i == own[n] else uuid7() for n, i in foreign.items()}
            one, two = (walk.call(caller, method, route.path(ids), body) for ids in (foreign, unknown))
            assert seen(one) == seen(two), (method, route.template)
            assert one.status_code == 404, (method, route.template, one.content)
    assert contents(theirs) == before


def test_the_walk_reaches_what_stands_behind_each_address(worlds: tuple[World, World]) -> None:
    """With ids of one's own nothing is 'not found', so the answers before said something."""
    ours = worlds[1]
    own = walk.ids_of(ours)
    for route, method, action in WITH_IDS:
        if route.template.startswith(PERSONAL):
            continue
        with transaction.atomic():
            caller = walk.caller_for(ours, action)
            answer = walk.call(caller, method, route.path(own), body_for(ours, method, route))
            transaction.set_rollback(True)
        assert answer.status_code not in (401, 403, 404, 500), (method, route.template, answer.content)
        if method == "GET":
            assert answer.status_code == 200, route


# Ids inside bodies


def id_places(shape: dict[str, Any], at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where a body's schema has ids."""
    shape = walk.resolved(shape)
    if shape.get("format") == "uuid":
        yield at
    if "items" in shape:
        yield from id_places(shape["items"], (*at, 0))
    for name, inner in shape.get("properties", {}).items():
        yield from id_places(inner, (*at, name))
    for inner in [one for kind in ("oneOf", "anyOf", "allOf") for one in shape.get(kind, [])]:
        yield from id_places(inner, at)


def bodies_with_ids() -> Iterator[tuple[walk.Route, str, Action | None, tuple[Any, ...]]]:
    for route, method, action in walk.doors():
        if route.template == "/field/batches":
            continue  # answers session by session; its ids are tried one by one below
        content = walk.operation(route, method).get("requestBody", {}).get("content", {})
        for place in id_places(content.get("application/json", {}).get("schema", {})):
            yield route, method, action, place


def put(body: Any, place: tuple[Any, ...], value: Any) -> Any:
    changed = copy.deepcopy(body)
    inner = changed
    for step in place[:-1]:
        inner = inner[step]
    inner[place[-1]] = value
    return changed


def at(body: Any, place: tuple[Any, ...]) -> Any:
    for step in place:
        body = body[step]
    return body


def test_B2_in_every_body_a_foreign_id_looks_like_an_unknown_one(worlds: tuple[World, World]) -> None:
    theirs, ours = worlds
    own = walk.ids_of(ours)
    before = contents(theirs), contents(ours)
    tried = list(bodies_with_ids())
    assert len(tried) >= 10
    for route, method, action, place in tried:
        good, foreign = body_for(ours, method, route), at(body_for(theirs, method, route), place)
        caller = walk.caller_for(ours, action)
        one, two = (
            walk.call(caller, method, route.path(own), put(good, place, value))
            for value in (foreign, str(uuid7()))
        )
        assert seen(one) == seen(two), (method, route.template, place)
        assert one.status_code == 422, (method, route.template, place, one.content)
        assert f"/{place[0]}" in one.json()["errors"][0]["pointer"], (route, one.content)
    assert (contents(theirs), contents(ours)) == before


def test_the_same_bodies_are_taken_with_ids_of_ones_own(worlds: tuple[World, World]) -> None:
    ours = worlds[1]
    for route, method, action, _ in bodies_with_ids():
        with transaction.atomic():
            caller = walk.caller_for(ours, action)
            answer = walk.call(caller, method, route.path(walk.ids_of(ours)), body_for(ours, method, route))
            transaction.set_rollback(True)
        # 409 comes after all ids are found: the job was submitted, the certificate is superseded…
        assert answer.status_code in (200, 201, 409), (method, route.template, answer.content)


BATCH_PLACES = [
    ("job",),
    ("test_point",),
    ("instruments", "pressure"),
    ("instruments", "probe"),
    ("zero_checks", 0, "instrument"),
    ("supersedes", "session"),
]


@pytest.mark.parametrize("place", BATCH_PLACES, ids=lambda place: place[-1])
def test_B2_in_a_batch_too(worlds: tuple[World, World], place: tuple[Any, ...]) -> None:
    theirs, ours = worlds

    def batch(world: World) -> dict[str, Any]:
        known = walk.ids_of(world)["session_id"]
        return batches.traverse(world, supersedes={"session": str(known), "reason": "Hoses were swapped."})

    good, foreign = batch(ours), at(batch(theirs), place)
    caller = walk.caller_for(ours, Action.MEASURE)
    before = contents(theirs)
    sent_at = timezone.now().isoformat()
    one, two = (
        walk.call(
            caller, "POST", "/field/batches", {"sent_at": sent_at, "sessions": [put(good, place, value)]}
        )
        for value in (foreign, str(uuid7()))
    )
    assert seen(one) == seen(two)
    assert [o["outcome"] for o in one.json()["outcomes"]] == ["refused"]
    assert contents(theirs) == before


PLACES = {"after", "before", "fields"}


def test_in_a_filter_a_foreign_id_finds_nothing(worlds: tuple[World, World]) -> None:
    theirs, ours = worlds
    others = {str(one) for one in walk.ids_of(theirs).values()}
    tried = 0
    for route in walk.lists():
        caller, own = walk.caller_for(ours, route.needs["GET"]), walk.ids_of(ours)
        for told in walk.operation(route, "GET").get("parameters", []):
            name = told["name"]
            if told["in"] != "query" or name == "limit":
                continue
            for foreign in others if name not in PLACES else ():
                one, two = (
                    caller.get(f"{route.path(own)}?{name}={i}", **{"X-Request-ID": walk.PROBLEM_ID})
                    for i in (foreign, uuid7())
                )
                assert one.status_code == two.status_code
                if one.status_code == 200:
                    assert seen(one) == seen(two)
                    assert one.json()["items"] == []
                    tried += 1
    assert tried > 50


# Row security alone


@pytest.fixture
def filter_off(monkeypatch: pytest.MonkeyPatch) -> None:
    unfiltered.patch(monkeypatch)


def test_the_filter_is_off_indeed(company_a: World, filter_off: None) -> None:
    rows = Customer.objects.filter(company_id=company_a.id)
    with company(company_a.id):
        assert str(company_a.id) not in str(rows.query)
        assert rows.count() == 1
    with company(uuid7()):
        assert rows.count() == 0


def readings(world: World, ids: dict[str, UUID]) -> dict[str, tuple[int, bytes]]:
    """What every GET answers, by address."""
    found = {}
    for route, method, action in walk.doors():
        if method == "GET" and not route.template.startswith((PERSONAL, "/company/removal")):  # none is asked
            path = route.path(ids)
            answer = walk.call(walk.caller_for(world, action), "GET", path)
            content = b"".join(answer.streaming_content) if answer.streaming else answer.content
            if not path.endswith("/fetches"):  # grows by every file that this walk fetches
                found[path] = (answer.status_code, content)
    return found


def test_B1_row_security_alone_keeps_the_companies_apart(
    worlds: tuple[World, World], request: pytest.FixtureRequest
) -> None:
    theirs, ours = worlds
    others, own = walk.ids_of(theirs), walk.ids_of(ours)
    usual = readings(ours, own)
    request.getfixturevalue("filter_off")
    assert readings(ours, own) == usual
    secrets = [str(one).encode() for one in others.values()]
    for path, (status, content) in readings(ours, others).items():
        assert status == (404 if any(str(i) in path for i in others.values()) else 200), path
        assert not any(secret in content for secret in secrets if secret.decode() not in path), path
