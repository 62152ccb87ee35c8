"""Pages both ways, streams, chosen fields and conditional requests, at every door that has them."""

import json
import uuid
from collections.abc import Iterator
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from jobs import signins, support
from jobs.http import stream
from jobs.models import AccessToken, Customer, Member, SignIn, User
from jobs.tenancy.context import company
from tests import factories
from tests.doors import walk
from tests.doors.client import Caller, assert_problem, pointers, signed_in, with_key, with_token
from tests.doors.test_lists import GROW, PAGED, asker, each, path_of
from tests.factories import World

NDJSON = {"Accept": stream.MEDIA_TYPE}


def lines(answer: Any) -> list[Any]:
    assert answer.status_code == 200, answer.content
    assert answer["Content-Type"] == stream.MEDIA_TYPE
    return [json.loads(line) for line in b"".join(answer.streaming_content).splitlines()]


def back(world: World, route: walk.Route, address: str) -> Iterator[list[Any]]:
    """Page after page towards the start."""
    caller = walk.caller_for(world, route.needs["GET"])
    while address:
        page = caller.get(address.removeprefix("/api/v1")).json()
        yield page["items"]
        address = page["previous"]


@pytest.mark.parametrize("route", PAGED, ids=str)
def test_a_list_is_walked_both_ways_and_streamed_whole(company_a: World, route: walk.Route) -> None:
    GROW[route.template](company_a, 8)
    caller, path = walk.caller_for(company_a, route.needs["GET"]), path_of(company_a, route)
    everything = caller.get(f"{path}?limit=200").json()
    assert everything["previous"] is None
    assert everything["next"] is None
    items = everything["items"]
    start = caller.get(f"{path}?limit=3").json()
    assert start["previous"] is None
    second = caller.get(start["next"].removeprefix("/api/v1")).json()
    assert [*back(company_a, route, second["previous"])] == [items[:3]]
    last = second
    while last["next"]:
        last = caller.get(last["next"].removeprefix("/api/v1")).json()
    pages = [*back(company_a, route, last["previous"])]
    assert [item for page in reversed(pages) for item in page] + last["items"] == items
    assert lines(caller.get(path, **NDJSON)) == [*items, {"end": {"items": len(items)}}]
    key = "number" if route.template == "/events" else "id"
    rest = lines(caller.get(f"{path}?after={items[2][key]}&fields={key}", **NDJSON))
    assert rest == [*({key: one[key]} for one in items[3:]), {"end": {"items": len(items) - 3}}]


def test_going_both_ways_at_once_is_refused(company_a: World) -> None:
    for route in PAGED:
        place = "1" if route.template == "/events" else str(uuid.uuid4())
        answer = asker(company_a, route)(f"?after={place}&before={place}")
        assert_problem(answer, 422, "invalid")
        assert pointers(answer) == ["query:before"]


def test_a_stream_reads_in_chunks_and_takes_no_page_parameters(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "CHUNK", 2)
    GROW["/customers"](company_a, 5)
    with company(company_a.id):
        ids = [str(i) for i in Customer.objects.order_by("id").values_list("id", flat=True)]
    found = lines(with_key(company_a).get("/customers", **NDJSON))
    assert [one["id"] for one in found[:-1]] == ids
    for query, name in (("limit=3", "limit"), (f"before={ids[0]}", "before"), ("fields=nothing", "fields")):
        answer = with_key(company_a).get(f"/customers?{query}", **NDJSON)
        assert_problem(answer, 422)
        assert pointers(answer) == [f"query:{name}"]


def test_B12_a_stream_gives_own_rows_only_and_all_of_them(company_a: World, company_b: World) -> None:
    more = each(lambda w, name: factories.customer(name))
    more(company_a, 3)
    more(company_b, 7)
    mine = with_key(company_a).get("/customers", **NDJSON)
    theirs = with_key(company_b).get("/customers", **NDJSON)  # both open at once, read in turn
    found = [lines(mine), lines(theirs)]
    for world, rows in zip((company_a, company_b), found, strict=True):
        with company(world.id):
            assert {row["id"] for row in rows[:-1]} == {str(one.id) for one in Customer.objects.all()}
    assert not {row["id"] for row in found[0][:-1]} & {row["id"] for row in found[1][:-1]}


def test_a_stream_ends_unfinished_when_the_key_is_revoked_under_way(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "CHUNK", 1)
    GROW["/customers"](company_a, 3)
    parts = with_key(company_a).get("/customers", **NDJSON).streaming_content
    assert b'"id"' in next(parts)
    with company(company_a.id):
        AccessToken.objects.filter(kind="integration").update(revoked_at=timezone.now())
    assert list(parts) == []


def test_a_stream_is_cut_when_only_the_sign_in_behind_it_is_ended(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "CHUNK", 1)
    GROW["/customers"](company_a, 3)
    here, there = signed_in(company_a), signed_in(company_a)
    parts = [one.get("/customers", **NDJSON).streaming_content for one in (here, there)]
    assert [next(part) for part in parts]
    SignIn.objects.filter(id=here.client.session[signins.SESSION_KEY]).update(ended_at=timezone.now())
    assert list(parts[0]) == []  # without its last line
    assert b'"end"' in list(parts[1])[-1]


def test_a_stream_of_an_operator_lasts_as_long_as_the_leave(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "CHUNK", 1)
    GROW["/customers"](company_a, 3)
    user = User.objects.create_user("help@service.example", factories.PASSWORD, is_operator=True)
    with company(company_a.id):
        leave = support.grant(
            company_a.actor("owner"), operator=user.email, reason="A list stops too early", hours=2
        )
    helper = Client()
    helper.post("/signin", {"email": user.email, "password": factories.PASSWORD})
    helper.post("/companies", {"company": str(company_a.id)})
    whole, cut = (helper.get("/api/v1/customers", headers=NDJSON).streaming_content for _ in range(2))
    assert b'"end"' in list(whole)[-1]
    assert next(cut)
    with company(company_a.id):
        support.revoke(company_a.actor("owner"), leave.id)
    assert list(cut) == []


def test_a_stream_of_a_person_ends_when_they_leave(company_a: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream, "CHUNK", 1)
    GROW["/customers"](company_a, 3)
    parts = signed_in(company_a, "dispatcher").get("/customers", **NDJSON).streaming_content
    assert b'"id"' in next(parts)
    with company(company_a.id):
        Member.objects.filter(roles__contains=["dispatcher"]).update(active=False)
    assert list(parts) == []


def reads(world: World) -> Iterator[tuple[Caller, str]]:
    """Every address that is read as JSON, by somebody who may."""
    ids = walk.ids_of(world)
    for route, method, action in walk.doors():
        answers = walk.operation(route, "GET")["responses"]["200"] if method == "GET" else {}
        if "application/json" in answers.get("content", {}):
            caller = with_token(world.technician_token) if action is None else walk.caller_for(world, action)
            yield caller, route.path(ids)


@pytest.mark.django_db
def test_what_the_caller_has_already_is_not_sent_again() -> None:
    world = walk.full_world("Reads again")
    seen = 0
    for caller, path in reads(world):
        first = caller.get(path)
        if first.status_code != 200:
            continue
        tag, again = first["ETag"], caller.get(path)
        if again["ETag"] != tag:
            continue  # it names the moment
        seen += 1
        same = caller.get(path, **{"If-None-Match": tag})
        assert same.status_code == 304, path
        assert same.content == b""
        assert same["ETag"] == tag
        assert caller.get(path, **{"If-None-Match": '"other"'}).status_code == 200
    assert seen > 30


def test_304_ends_when_something_nested_changes_but_the_edit_still_fits(company_a: World) -> None:
    owner, path = signed_in(company_a), f"/jobs/{company_a.job.id}"
    seen = owner.get(path)
    with company(company_a.id):
        type(company_a.site).objects.filter(id=company_a.site.id).update(name="Renamed")
    changed = owner.get(path, **{"If-None-Match": seen["ETag"]})
    assert changed.status_code == 200
    tag = {"If-Match": seen["ETag"]}
    assert owner.send("PATCH", path, {"title": "Another"}, **tag).status_code == 200
    assert_problem(owner.send("PATCH", path, {"title": "Third"}, **tag), 412)


def test_chosen_fields_of_one_thing(company_a: World) -> None:
    caller, path = with_key(company_a), f"/jobs/{company_a.job.id}"
    whole = caller.get(path).json()
    assert caller.get(f"{path}?fields=number,status").json() == {
        "number": whole["number"],
        "status": whole["status"],
    }
    answer = caller.get(f"{path}?fields=number,secret")
    assert_problem(answer, 422, "invalid")
    assert pointers(answer) == ["query:fields"]
