"""Every list of the REST door: a constant statements, pages without gaps or doubles, strict queries.

Lists are found in the OpenAPI document. One that GROW does not know how to lengthen fails here.
"""

import uuid
import zlib
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from jobs import events, integrations, stored_queries, tokens, travel
from jobs.access import Actor, actor_for_token
from jobs.models import Device, Instrument, InstrumentKind, Job, Quantity, Role
from jobs.tenancy.context import company
from measurements import recall
from measurements.models import RecallCase, Session
from reports import deferrals, deliver, photos
from reports.models import Issue, Webhook
from reports.readings import HEAD
from tests import factories
from tests.doors import walk
from tests.doors.client import assert_problem, pointers
from tests.factories import World
from tests.measurements import batches, pictures
from tests.reports import scene

SMALL, LARGE = 3, 30


def each(make: Callable[[World, str], Any]) -> Callable[[World, int], None]:
    """Rows made one by one, with a name of their own, inside the company."""

    def grow(world: World, count: int) -> None:
        with company(world.id):
            for _ in range(count):
                make(world, f"N-{uuid.uuid4().hex[:12]}")

    return grow


def instrument(world: World, name: str) -> Instrument:
    """One with two ranges and a certificate long past, so that it stands in both lists."""
    made = factories.instrument(
        InstrumentKind.MANOMETER,
        (Quantity.PRESSURE, -100.0, 100.0, 0.1),
        (Quantity.PRESSURE, -1000.0, 1000.0, 1.0),
        serial=name,
    )
    factories.certificate(made, on=timezone.now().date() - timedelta(days=500))
    return made


def busy_job(world: World, name: str) -> Job:
    """One with two systems, two people and three instruments."""
    made = factories.job(world.site, world.system, factories.system(world.site, name), title=name)
    factories.assign(made, world.technician, *list(world.instruments.values())[:3])
    factories.assign(made, world.supervisor)
    return made


def measured(world: World, count: int, *, own_jobs: str = "") -> None:
    """Evaluated sessions of outlets, each out of tolerance and so flagged; perhaps each on its own job."""
    sessions = []
    for n in range(count):
        changes = {}
        if own_jobs:
            with company(world.id):
                changes["job"] = str(busy_job(world, f"{own_jobs}-{n}-{count}").id)
        sessions.append(batches.hood(world, f"S-{n % 3 + 1}", "49.0", **changes))
    scene.post(world, *sessions)
    scene.evaluated(world)


def logged(world: World, count: int) -> None:
    """Numbered events of a person, a tablet and a key."""
    with company(world.id):
        actors = [world.actor("supervisor"), batches.technician(world), actor_for_token(world.key_text)]
        for n in range(count):
            events.record(actors[n % 3], "job.changed", "job", world.job.id, data={"n": n})
        while events.sequence():
            pass


def deferred(world: World, name: str) -> None:
    """A point of its own, left for later."""
    point = factories.outlet(world.system, name, parent=world.points["BD-1"])
    deferrals.defer(
        world.actor("supervisor"), world.job.id, point_id=point.id, season="heating", reason=scene.REASON
    )


def chosen(world: World, name: str) -> None:
    """A note of its own, shown in documents."""
    made = pictures.noted(world, name)
    photos.choose(world.actor("supervisor"), world.job.id, [made.id], shown=True)


def report_of(world: World) -> Issue:
    """The report that `path_of` asks for."""
    found = Issue.objects.order_by("id").first()
    return found if found is not None else walk.report(world, world.job)


def webhook_of(world: World) -> Webhook:
    """The webhook that `path_of` asks for."""
    return Webhook.objects.order_by("id").first() or walk.webhook(world)


def key_actor(world: World) -> Actor:
    found = actor_for_token(world.key_text)
    assert found is not None
    return found


def recalled(world: World, name: str) -> RecallCase:
    tool = factories.instrument(InstrumentKind.MANOMETER, (Quantity.PRESSURE, 0.0, 100.0, 0.1), serial=name)
    made = factories.certificate(tool)
    return recall.withdraw(world.actor("owner"), made.id, reason="Its laboratory withdrew it.")[0]


def in_recall(world: World, count: int) -> None:
    """More sessions under the one recall of the hood."""
    with company(world.id):
        walk.withdrawn(world)
    measured(world, count)


def holding(world: World, count: int) -> None:
    """More documents that hold a session of it."""
    in_recall(world, 1)
    with company(world.id):
        session = Session.objects.first()
        head, row = ",".join(HEAD), ",".join(["AHU-1", "S-1", str(session.id), *[""] * (len(HEAD) - 3)])
        packed = zlib.compress(f"{head}\r\n{row}\r\n".encode())
        for _ in range(count):
            walk.report(world, world.job, readings_csv=packed)


GROW: dict[str, Callable[[World, int], None]] = {
    "/travel": each(
        lambda w, name: travel.set_minutes(
            w.actor("owner"), w.site.id, factories.site(w.customer, name).id, 9
        )
    ),
    "/company/exports": each(lambda w, _: walk.exported(w)),
    "/customers": each(lambda w, name: factories.customer(name)),
    "/devices": each(lambda w, name: Device.objects.create(name=name, enrolled_by=w.owner)),
    "/events": logged,
    "/flags": measured,
    "/instruments": each(instrument),
    "/instruments/due": each(instrument),
    "/instruments/{instrument_id}/certificates": each(
        lambda w, _: factories.certificate(w.instruments["hood"])
    ),
    "/instruments/{instrument_id}/checks": each(lambda w, _: walk.checked(w)),
    "/invitations": each(lambda w, _: walk.invitation(w)),
    "/jobs": each(busy_job),
    "/jobs/{job_id}/deferrals": each(deferred),
    "/jobs/{job_id}/photo-choices": each(chosen),
    "/jobs/{job_id}/revisions": each(lambda w, _: walk.revision(w, w.job)),
    "/integrations": each(lambda w, name: integrations.add(w.actor("owner"), name=str(name))),
    "/keys": each(
        lambda w, name: tokens.make_key(
            w.actor("owner"),
            name=name,
            scopes=["read"],
            integration=integrations.add(w.actor("owner"), name=name).id,
        )
    ),
    "/members": each(lambda w, _: factories.make_member(w.id, Role.TECHNICIAN, Role.SUPERVISOR)),
    "/photos": each(lambda w, name: pictures.noted(w, name)),
    "/points": each(lambda w, name: factories.outlet(w.system, name, parent=w.points["BD-1"])),
    "/recalls": each(recalled),
    "/recalls/{recall_id}/documents": holding,
    "/recalls/{recall_id}/sessions": in_recall,
    "/reports": each(lambda w, _: walk.report(w, w.job)),
    "/reports/{report_id}/deliveries": each(
        lambda w, name: deliver.deliver(
            w.actor("supervisor"), report_of(w).id, addresses=[f"{name}@harbour.example"]
        )
    ),
    "/reports/{report_id}/fetches": each(
        lambda w, name: deliver.fetched(
            [w.actor("supervisor"), key_actor(w)][ord(name[-1]) % 2], report_of(w)
        )
    ),
    "/review": lambda w, count: measured(w, count, own_jobs="R"),
    "/sessions": measured,
    "/sites": each(lambda w, name: factories.site(factories.customer(name), name)),
    "/webhooks": each(lambda w, _: walk.webhook(w)),
    "/webhooks/{webhook_id}/attempts": each(lambda w, _: walk.attempt(webhook_of(w))),
    "/stored-queries": each(
        lambda w, name: stored_queries.store(
            w.actor("owner"), name=name, text=f'{{ customers(name: "{name}") {{ edges {{ cursor }} }} }}'
        )
    ),
    "/systems": each(lambda w, name: factories.system(factories.site(w.customer, name))),
}
LISTS = walk.lists()
PAGED = [route for route in LISTS if walk.is_paged(route)]


def path_of(world: World, route: walk.Route) -> str:
    ids = {"job_id": world.job.id, "instrument_id": world.instruments["hood"].id}
    if "report_id" in route.names:
        with company(world.id):
            ids["report_id"] = report_of(world).id
    if "webhook_id" in route.names:
        with company(world.id):
            ids["webhook_id"] = webhook_of(world).id
    if "recall_id" in route.names:
        with company(world.id):
            case = RecallCase.objects.order_by("opened_at").first() or walk.withdrawn(world)
            ids["recall_id"] = case.id
    return route.path(ids)


def asker(world: World, route: walk.Route) -> Callable[[str], Any]:
    """What gets the list with a query."""
    caller, path = walk.caller_for(world, route.needs["GET"]), path_of(world, route)
    return lambda query="": caller.get(path + query)


def whole(world: World, route: walk.Route) -> tuple[list[Any], int]:
    """All items, and in how many statements one answer gave them."""
    get, query = asker(world, route), "?limit=200" if walk.is_paged(route) else ""
    get(query)  # whatever is fetched once a process
    with CaptureQueriesContext(connection) as caught:
        answer = get(query)
    assert answer.status_code == 200, answer.content
    return answer.json()["items"], len(caught)


def pages(world: World, route: walk.Route, limit: int) -> Iterator[list[Any]]:
    """Page after page by the addresses that the answers give."""
    caller = walk.caller_for(world, route.needs["GET"])
    path = f"{path_of(world, route)}?limit={limit}"
    while path:
        page = caller.get(path).json()
        yield page["items"]
        path = (page["next"] or "").removeprefix("/api/v1")


def test_lists_are_found_and_each_is_known_here() -> None:
    assert len(LISTS) >= 18
    assert {route.template for route in LISTS} == set(GROW)


@pytest.mark.parametrize("route", LISTS, ids=str)
def test_list_takes_the_same_statements_at_both_sizes_and_is_paged_whole(
    company_a: World, route: walk.Route
) -> None:
    grow = GROW[route.template]
    grow(company_a, SMALL)
    small, few = whole(company_a, route)
    grow(company_a, LARGE - SMALL)
    large, many = whole(company_a, route)
    assert len(small) >= SMALL
    each_adds = len(small) // SMALL if route.template == "/flags" else 1
    assert len(large) == len(small) + (LARGE - SMALL) * each_adds
    assert few == many
    if walk.is_paged(route):
        found = list(pages(company_a, route, 7))
        assert [item for page in found for item in page] == large
        assert {len(page) for page in found[:-1]} == {7}
        assert 1 <= len(found[-1]) <= 7
        keys = [item["id"] for item in large]
        assert len(set(keys)) == len(keys)


@pytest.mark.parametrize("route", LISTS, ids=str)
def test_another_companys_rows_do_not_lengthen_a_list(
    company_a: World, company_b: World, route: walk.Route
) -> None:
    before = whole(company_b, route)[0]
    GROW[route.template](company_a, SMALL)
    assert whole(company_b, route)[0] == before


BAD = [
    ("colour=red", "colour"),
    ("company_id=0", "company_id"),
    ("order_by=id", "order_by"),
    ("id__gt=0", "id__gt"),
]
BAD_PAGING = [
    *(
        (f"limit={text}", "limit")
        for text in ("0", "-1", "201", "x", "", "1e2", "1.0", "9" * 40, "%D9%A3", "1%00")
    ),
    *((f"after={text}", "after") for text in ("x", "", "-", "0198f2c4", "%00", "null")),
    ("limit=3&limit=4", "limit"),
    ("after=0&after=1", "after"),
    *((f"before={text}", "before") for text in ("x", "", "-", "%00")),
    *((f"fields={text}", "fields") for text in ("", "ID", "id,", ",", "x" * 300, "%00", "nothing")),
]


def test_queries_that_mean_nothing_are_refused_by_every_list(company_a: World) -> None:
    for route in LISTS:
        get = asker(company_a, route)
        for query, name in BAD + (BAD_PAGING if walk.is_paged(route) else []):
            answer = get(f"?{query}")
            assert_problem(answer, 422, "invalid")
            assert pointers(answer) == [f"query:{name}"], (route, query)


NO_FILTER = {"after", "before", "limit", "fields"}


def filters(route: walk.Route) -> dict[str, dict[str, Any]]:
    """The filters that the document tells of, by name."""
    told = walk.operation(route, "GET").get("parameters", [])
    return {p["name"]: p["schema"] for p in told if p["in"] == "query" and p["name"] not in NO_FILTER}


def test_every_filter_told_of_is_taken_and_strict(company_a: World) -> None:
    """An id that leads nowhere gives an empty list; what is no id, no choice, no number is refused."""
    free = {"number", "verb", "name", "tag", "serial"}  # any text
    for route in LISTS:
        get = asker(company_a, route)
        for name in filters(route):
            taken = get(f"?{name}={uuid.uuid4()}")
            assert taken.status_code in (200, 422), (route, name)
            if taken.status_code == 200:
                assert taken.json()["items"] == [], (route, name)
            for text in ("%00", "'", "x" * 300, "9" * 300):
                answer = get(f"?{name}={text}")
                if name in free and answer.status_code == 200:
                    assert answer.json()["items"] == []
                else:
                    assert_problem(answer, 422, "invalid")
                    assert pointers(answer) == [f"query:{name}"], (route, name, text)


# What is nested in one answer


def points(world: World, count: int) -> None:
    """Outlets and planes of the job's system."""
    with company(world.id):
        for n in range(count):
            (factories.outlet if n % 2 else factories.plane)(world.system, f"P-{uuid.uuid4().hex[:8]}")


def more_tools(world: World, count: int) -> None:
    """Certified instruments and people on the job."""
    with company(world.id):
        for _ in range(count):
            factories.assign(
                world.job,
                factories.make_member(world.id, Role.TECHNICIAN),
                instrument(world, f"T-{uuid.uuid4().hex}"),
            )


NESTED: dict[str, list[Callable[[World, int], None]]] = {
    "/field/worklist": [points, more_tools],
    "/jobs/{job_id}": [more_tools],
    "/jobs/{job_id}/readiness": [points, more_tools],
    "/jobs/{job_id}/results": [points, measured],
    "/jobs/{job_id}/review": [points, measured],
}


@pytest.mark.parametrize("template", NESTED)
def test_what_is_nested_takes_the_same_statements_at_both_sizes(company_a: World, template: str) -> None:
    route = next(one for one in walk.routes() if one.template == template)
    counts, sizes, get = [], [], asker(company_a, route)
    for count in (SMALL, LARGE - SMALL):
        for grow in NESTED[template]:
            grow(company_a, count)
        get("")
        with CaptureQueriesContext(connection) as caught:
            answer = get("")
        assert answer.status_code == 200, answer.content
        counts.append(len(caught))
        sizes.append(len(answer.content))
    assert counts[0] == counts[1]
    assert sizes[1] > 1.5 * sizes[0]
