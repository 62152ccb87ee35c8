"""What REST gives, GraphQL gives: the same to the same people, in the same order, by the same filters."""

import re
from dataclasses import replace
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from graphql import GraphQLNonNull, is_leaf_type
from strawberry.relay import to_base64

from config.graphql.rows import KINDS
from jobs.access import may
from jobs.http.graphql_limits import MOST_A_PAGE, is_connection
from jobs.models import Customer, Role
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from tests import factories
from tests.doors import graph, test_lists, walk
from tests.doors.client import signed_in
from tests.factories import FIRST, SECOND, World

READS = {
    "calendar": "calendar",
    "certificate_file": "certificate.files.url",
    "certificate_list": "instrument.certificates",
    "certificate_read": "certificate",
    "company": "company",
    "customer_list": "customers",
    "customer_read": "customer",
    "device": "device",
    "device_list": "devices",
    "event_list": "events",
    "export": "export",
    "export_file": "export.url",
    "export_list": "exports",
    "field_job_state": "jobState",
    "field_system_balance": "systemBalance",
    "field_worklist": "worklist",
    "flag_list": "flags",
    "instrument_due": "calibrationsDue",
    "instrument_list": "instruments",
    "instrument_read": "instrument",
    "interval_check_list": "instrument.checks",
    "invitation": "invitation",
    "invitation_list": "invitations",
    "job_candidates": "jobCandidates",
    "job_deferrals": "job.deferrals",
    "job_list": "jobs",
    "job_read": "job",
    "job_readiness": "jobReadiness",
    "job_results": "jobResults",
    "job_review": "jobReview",
    "job_revisions": "job.revisions",
    "integration": "integration",
    "integration_list": "integrations",
    "key": "key",
    "key_list": "keys",
    "me": "me",
    "member": "member",
    "member_list": "members",
    "member_sign_in_list": "memberSignIns",
    "method_list": "measuringMethods",
    "photo": "photo",
    "photo_choices": "job.photos.choice",
    "photo_file": "photo.url",
    "photo_list": "photos",
    "photo_thumbnail": "photo.thumbnailUrl",
    "plan": "plan",
    "point_list": "points",
    "point_read": "point",
    "recall_documents": "recallDocuments",
    "recall_list": "recalls",
    "recall_read": "recall",
    "recall_sessions": "recall.sessions",
    "removal": "removal",
    "report": "report",
    "report_deliveries": "report.deliveries",
    "report_fetches": "report.fetches",
    "report_file": "report.url",
    "report_workbook": "report.workbookUrl",
    "reports": "reports",
    "result_get": "result",
    "review_queue": "reviewQueue",
    "revision": "revision",
    "rules": "rules",
    "session_get": "session",
    "session_list": "sessions",
    "sign_in_list": "signIns",
    "signing_certificate": "signing",
    "site_list": "sites",
    "stored_query": "storedQuery",
    "stored_query_list": "storedQueries",
    "site_read": "site",
    "system_list": "systems",
    "system_read": "system",
    "travel_list": "travelTimes",
    "webhook": "webhook",
    "webhook_attempt_list": "webhook.attempts",
    "webhook_list": "webhooks",
}
"""By operation of REST, the field that answers it. A file is fetched by the address that the field gives."""
WITHOUT = {
    "certificate_table_template": "an empty form to be filled in, the same for everybody",
    "field_photo_upload": "how far one upload is, for the tablet that sends it",
    "schedule_export": "a file made when it is asked for, by its address",
    "site_model": "a file of an open standard, by its address",
    "snapshot_schema": "a public document that is the same for every company",
}
"""Operations that no field answers, and why."""


def operations() -> dict[str, walk.Route]:
    """Every GET of REST by its operation."""
    found = {}
    for route in walk.routes():
        told = walk.schema()["paths"].get("/api/v1" + route.template, {})
        if "get" in told:
            found[told["get"]["operationId"]] = route
    return found


def field_at(path: str) -> Any:
    """A field of the schema by its way from the root."""
    kind: Any = graph.QUERY
    for name in path.split("."):
        field = kind.fields[name]
        kind = graph.node_of(field)
    return field


@pytest.fixture
def worlds(db: None) -> tuple[World, World]:
    found = walk.full_world(FIRST), walk.full_world(SECOND)
    for world in found:
        test_lists.logged(world, 3)
    return found


def test_every_read_of_REST_has_a_field_or_a_reason() -> None:
    assert set(operations()) == set(READS) | set(WITHOUT)
    assert not set(READS) & set(WITHOUT)
    for path in READS.values():
        assert field_at(path), path


def test_every_root_field_is_told_of_here() -> None:
    known = {path.split(".")[0] for path in READS.values()}
    more = {"node", "check", "revisions", "ruleSettings"}  # a POST of REST, and lists that its pages show
    assert set(graph.QUERY.fields) == known | more


def test_what_may_be_hidden_may_be_null() -> None:
    for name in ("node", *graph.object_types()):
        kind = graph.CORE.type_map["Node" if name == "node" else name]
        if any(one.name == "Node" for one in getattr(kind, "interfaces", ())):
            for told, field in kind.fields.items():  # type: ignore[union-attr]
                other = graph.node_of(field)
                is_row = any(one.name == "Node" for one in getattr(other, "interfaces", ()))
                if is_row and not is_connection(field):
                    assert not isinstance(field.type, GraphQLNonNull), f"{name}.{told}"
    for told, field in graph.QUERY.fields.items():
        assert told == "measuringMethods" or not isinstance(field.type, GraphQLNonNull), told


# The same rows with the same values, in the same order

LISTS = {
    "/company/exports": "exports",
    "/customers": "customers", "/devices": "devices", "/events": "events", "/flags": "flags",
    "/instruments": "instruments",
    "/integrations": "integrations", "/invitations": "invitations", "/jobs": "jobs", "/keys": "keys",
    "/members": "members", "/photos": "photos", "/points": "points", "/recalls": "recalls",
    "/reports": "reports", "/sessions": "sessions", "/sites": "sites", "/systems": "systems",
    "/stored-queries": "storedQueries", "/travel": "travelTimes", "/webhooks": "webhooks",
}  # fmt: skip
OTHERWISE = {
    "askedBy",
    "issuedBy",
    "openedBy",
    "signedBy",
    "revision",
    "supersededBy",
    "kind",
    "sentBy",
    "member",
}
"""Names that lead to a thing here and to a text or another thing there."""


def camel(name: str) -> str:
    head, *rest = name.split("_")
    return head + "".join(part.capitalize() for part in rest)


def like(value: Any) -> Any:
    """A value of either door, so that the same are equal."""
    if isinstance(value, dict) and set(value) == {"uuid"}:
        return value["uuid"]
    return re.sub(r"(\.\d+)?(Z|\+00:00)$", "", value) if isinstance(value, str) else value


def comparable(kind: Any, item: dict[str, Any]) -> dict[str, str]:
    """By name in REST the selection that must say the same."""
    found = {}
    for name, value in item.items():
        field = kind.fields.get(camel(name))
        if name == "id":
            found[name] = "uuid"
        elif field is not None and not isinstance(value, dict | list) and camel(name) not in OTHERWISE:
            other = graph.node_of(field)
            if is_leaf_type(other):
                found[name] = camel(name)
            elif not is_connection(field) and "uuid" in other.fields:
                found[name] = f"{camel(name)} {{ uuid }}"
    return found


@pytest.mark.parametrize(("template", "root"), LISTS.items())
def test_a_list_says_what_that_of_REST_says(worlds: Any, template: str, root: str) -> None:
    world = worlds[0]
    items = signed_in(world, "owner").get(f"{template}?limit=100").json()["items"]
    assert items
    kind = graph.node_of(graph.QUERY.fields[root])
    names = comparable(kind, items[0])
    assert len(names) >= 3, names
    query = f"{{ {root}(first: 100) {{ edges {{ node {{ {' '.join(names.values())} }} }} }} }}"
    answer = graph.post(signed_in(world, "owner").client, query).json()
    assert "errors" not in answer, answer["errors"]
    rows = [edge["node"] for edge in answer["data"][root]["edges"]]
    for name, selection in names.items():
        told = selection.split(" ")[0]
        assert [like(row[told]) for row in rows] == [like(item[name]) for item in items], name


def test_filters_are_those_of_REST_with_their_meaning(worlds: Any) -> None:
    """Each filter of each list: an id that leads nowhere, and one that leads to something."""
    world = worlds[0]
    caller, tried = signed_in(world, "owner"), 0
    for template, root in LISTS.items():
        route = next(one for one in walk.routes() if one.template == template)
        told = walk.operation(route, "GET").get("parameters", [])
        known = {p["name"] for p in told if p["in"] == "query"} - {"after", "before", "limit", "fields"}
        field = graph.QUERY.fields[root]
        assert {camel(name) for name in known} == set(field.args) - {"first", "after", "last", "before"}, root
        for name in known:
            kind = str(field.args[camel(name)].type)
            for value in WANTED.get(name, lambda w: [])(world):
                rest = caller.get(f"{template}?limit=100&{name}={value}")
                literal = {"ID": f'"{value}"', "String": f'"{value}"', "Date": f'"{value}"'}.get(kind, value)
                literal = f'"{value}"' if kind == "DateTime" else literal
                query = (
                    f"{{ {root}(first: 100, {camel(name)}: {literal}) {{ edges {{ node {{ uuid }} }} }} }}"
                )
                answer = graph.post(caller.client, query).json()
                if rest.status_code == 422:
                    assert answer["errors"][0]["extensions"]["code"] == "invalid", (root, name, value)
                    continue
                here = [edge["node"]["uuid"] for edge in answer["data"][root]["edges"]]
                assert here == [item["id"] for item in rest.json()["items"]], (root, name, value)
                tried += 1
    assert tried > 30


WANTED: dict[str, Any] = {
    "site": lambda w: [w.site.id, uuid4()],
    "customer": lambda w: [w.customer.id, uuid4()],
    "system": lambda w: [w.system.id, uuid4()],
    "member": lambda w: [w.technician.id, uuid4()],
    "job": lambda w: [w.job.id, uuid4()],
    "test_point": lambda w: [w.points["S-1"].id, uuid4()],
    "session": lambda w: [walk.session_at(w, "S-1"), uuid4()],
    "subject": lambda w: [w.job.id, uuid4()],
    "status": lambda w: ["open", "issued", "nothing"],
    "kind": lambda w: ["outlet", "flow_hood", "nothing"],
    "active": lambda w: ["true", "false"],
    "in_service": lambda w: ["true", "false"],
    "open": lambda w: ["true", "false"],
    "role": lambda w: ["supervisor", "nothing"],
    "severity": lambda w: ["stop", "warning", "nothing"],
    "state": lambda w: ["computed", "superseded", "void", "nothing"],
    "method": lambda w: ["hood_reading", "nothing"],
    "name": lambda w: [w.customer.name, w.site.name],
    "tag": lambda w: ["S-1", "AHU-1"],
    "serial": lambda w: [w.instruments["hood"].serial],
    "number": lambda w: [1, 7],
    "verb": lambda w: ["session.stored", "x"],
    "ends_from": lambda w: [w.job.ends_on, "2099-01-01"],
    "starts_until": lambda w: [w.job.starts_on, "1999-01-01"],
    "started_from": lambda w: ["2001-01-01T00:00:00Z", "2099-01-01T00:00:00Z"],
    "started_before": lambda w: ["2001-01-01T00:00:00Z", "2099-01-01T00:00:00Z"],
}


def test_an_id_of_the_schema_is_as_good_as_that_of_REST(company_a: World) -> None:
    query = "query ($site: ID!) { site(id: $site) { uuid } jobs(site: $site) { edges { node { uuid } } } }"
    ids = [str(company_a.site.id), to_base64("Site", company_a.site.id)]
    first, second = (graph.post(Client(), query, {"site": one}, **company_a.bearer).json() for one in ids)
    assert first == second
    assert first["data"]["jobs"]["edges"]
    wrong = graph.post(
        Client(), query, {"site": to_base64("Job", company_a.job.id)}, **company_a.bearer
    ).json()
    assert {one["extensions"]["code"] for one in wrong["errors"]} == {"invalid"}


# Pages both ways


def connections() -> list[str]:
    return sorted(name for name, field in graph.QUERY.fields.items() if is_connection(field))


PAGE = "{ pageInfo { hasNextPage hasPreviousPage startCursor endCursor } edges { cursor node { uuid } } }"


def page(client: Client, root: str, given: str) -> Any:
    answer = graph.post(client, f"{{ {root}({given}) {PAGE} }}").json()
    assert "errors" not in answer, answer["errors"]
    return answer["data"][root]


def walked(client: Client, root: str, forwards: bool) -> list[str]:
    """Every item of a list, two at a time, from one end or from the other."""
    count, beyond, end, more = (
        ("first", "after", "endCursor", "hasNextPage")
        if forwards
        else ("last", "before", "startCursor", "hasPreviousPage")
    )
    found: list[str] = []
    given = f"{count}: 2"
    while True:
        part = page(client, root, given)
        keys = [edge["node"]["uuid"] for edge in part["edges"]]
        found += keys if forwards else keys[::-1]
        if not part["pageInfo"][more]:
            return found if forwards else found[::-1]
        given = f'{count}: 2, {beyond}: "{part["pageInfo"][end]}"'


def test_every_list_is_paged_whole_both_ways_by_keyset(worlds: Any) -> None:
    client = graph.everybody(worlds[0])
    with CaptureQueriesContext(connection) as caught:
        for root in connections():
            whole = [edge["node"]["uuid"] for edge in page(client, root, "first: 100")["edges"]]
            assert walked(client, root, True) == walked(client, root, False) == whole, root
            if len(whole) > 2:
                middle = page(
                    client, root, f'first: 1, after: "{page(client, root, "first: 1")["edges"][0]["cursor"]}"'
                )
                assert middle["pageInfo"]["hasPreviousPage"], root
    assert not [one["sql"] for one in caught if " OFFSET " in one["sql"]]


def test_a_nested_list_is_paged_both_ways_for_each_of_many(company_a: World) -> None:
    query = """{ sites(first: 9) { edges { node { systems(first: 9) { edges { node { uuid
      all: points(first: 50) { edges { cursor node { uuid } } }
      head: points(first: 2) { pageInfo { hasNextPage hasPreviousPage endCursor } edges { node { uuid } } }
      tail: points(last: 2) { pageInfo { hasNextPage hasPreviousPage } edges { node { uuid } } }
    } } } } } } }"""
    with company(company_a.id):
        for n in range(3):
            other = factories.system(company_a.site, f"AHU-{n + 7}")
            for m in range(n + 1):
                factories.outlet(other, f"S-{m}")
    answer = graph.post(Client(), query, **company_a.bearer).json()
    found = [
        edge["node"] for site in answer["data"]["sites"]["edges"] for edge in site["node"]["systems"]["edges"]
    ]
    assert len(found) == 4
    for system in found:
        every, head, tail = (
            [edge["node"]["uuid"] for edge in system[name]["edges"]] for name in ("all", "head", "tail")
        )
        assert head == every[:2]
        assert tail == every[-2:]
        assert system["head"]["pageInfo"]["hasNextPage"] == (len(every) > 2)
        assert system["tail"]["pageInfo"]["hasPreviousPage"] == (len(every) > 2)


@pytest.mark.parametrize(
    "given",
    ["first: 0", "first: -1", f"first: {MOST_A_PAGE + 1}", "first: 1, last: 1", 'after: "x"', 'before: ""',
     'after: "\\u0000"', f'after: "{"a" * 26}x"', "last: 101"],
)  # fmt: skip
def test_a_page_that_cannot_be_is_refused_in_words(company_a: World, given: str) -> None:
    lists = f"({given}) {{ edges {{ cursor }} }}"
    for query in (f"{{ customers{lists} }}", f"{{ sites {{ edges {{ node {{ systems{lists} }} }} }} }}"):
        answer = graph.post(Client(), query, **company_a.bearer).json()
        assert [one["extensions"]["code"] for one in answer["errors"]] == ["invalid"], answer
    ok = graph.post(
        Client(), '{ events(after: "999999999999999999") { edges { cursor } } }', **company_a.bearer
    )
    assert ok.json()["data"]["events"]["edges"] == []


def test_a_list_without_a_number_gives_a_page(company_a: World) -> None:
    with company(company_a.id):
        for n in range(60):
            factories.customer(f"Customer {n}")
    found = graph.post(
        Client(), "{ customers { pageInfo { hasNextPage } edges { cursor } } }", **company_a.bearer
    ).json()
    assert len(found["data"]["customers"]["edges"]) == 50
    assert found["data"]["customers"]["pageInfo"]["hasNextPage"]


# Who may


def test_a_root_field_is_for_those_whom_REST_lets_in(worlds: Any) -> None:
    world, wrong = worlds[0], []
    values = graph.values_of(world)
    clients = {role: signed_in(world, role.value).client for role in Role}
    with company(world.id):
        actors = {role: world.actor(role) for role in Role}
    for operation, path in READS.items():
        root = path.split(".")[0]
        action, field = operations()[operation].needs["GET"], graph.QUERY.fields[root]
        if graph.required(field) == ["id"] or root in ("me", "calendar") or "." in path:
            continue  # of oneself, and one's own or for planners anybody's
        asked = graph.asked(root, field)
        if given := graph.arguments(graph.required(field)):
            asked = asked.replace(root, root + given, 1)
        query, variables = graph.with_variables(f"{{ {asked} }}", values)
        for role, client in clients.items():
            answer = graph.post(client, query, variables).json()
            codes = {one["extensions"]["code"] for one in answer.get("errors", ())}
            allowed = action is None or may(actors[role], action)
            if codes != (set() if allowed else {"forbidden"}):
                wrong.append((root, role, codes))
    assert not wrong


def test_what_one_may_not_see_leaves_the_rest(company_a: World) -> None:
    client = signed_in(company_a, "technician").client
    answer = graph.post(client, "{ keys { edges { cursor } } jobs { edges { node { number } } } }").json()
    assert answer["data"]["keys"] is None
    assert answer["data"]["jobs"]["edges"]
    assert answer["errors"][0]["extensions"]["code"] == "forbidden"
    assert answer["errors"][0]["path"] == ["keys"]


# Two companies

UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


def everything(client: Client, values: dict[str, Any]) -> dict[str, str]:
    """By type, the answer to all that can be asked of it."""
    found = {}
    for name in graph.object_types():
        way, kind = graph.reachable()[name], graph.CORE.type_map[name]
        query, variables = graph.with_variables(way.query(graph.whole(kind)), values)
        found[name] = graph.post(client, query, variables).content.decode()
    return found


def test_B5_nothing_of_another_company_is_in_any_answer(worlds: Any) -> None:
    one, other = worlds
    mine = everything(graph.everybody(one), graph.values_of(one))
    theirs = everything(graph.everybody(other), graph.values_of(other))
    shared = {name: set(UUID.findall(mine[name])) & set(UUID.findall(theirs[name])) for name in mine}
    assert sum(len(UUID.findall(text)) for text in mine.values()) > 100
    assert not {name: ids for name, ids in shared.items() if ids}


def test_B5_ids_of_another_company_lead_nowhere_as_unknown_ones_do(worlds: Any) -> None:
    one, other = worlds
    client, ids = graph.everybody(other), walk.ids_of(one)
    tried = 0
    for root, field in graph.QUERY.fields.items():
        if graph.required(field) != ["id"] or root == "node":
            continue
        kind = graph.node_of(field).name
        name = f"{re.sub('([A-Z])', lambda at: '_' + at[0].lower(), root)}_id"
        query = f"query ($id: ID!) {{ {root}(id: $id) {{ uuid }} node(id: $id) {{ uuid }} }}"
        unknown = uuid7()
        for form in (str, lambda key, kind=kind: to_base64(kind, key)):
            foreign, nothing = (
                graph.post(client, query, {"id": form(key)}).content for key in (ids[name], unknown)
            )
            assert foreign == nothing, root
            assert b'"errors"' not in foreign, foreign
            tried += 1
    assert tried >= 30
    for name, given in (("job", ids["job_id"]), ("recall", ids["recall_id"])):
        for root, field in graph.QUERY.fields.items():
            if graph.required(field) == [name]:
                query = f"query ($x: ID!) {{ {root}({name}: $x) {{ __typename }} }}"
                foreign, nothing = (
                    graph.post(client, query, {"x": str(key)}).json() for key in (given, unknown)
                )
                assert foreign == nothing, root
                assert foreign["data"][root] is None


def test_a_filter_by_an_id_of_another_company_finds_nothing(worlds: Any) -> None:
    one, other = worlds
    query = (
        "query ($job: ID!) { sessions(job: $job) { edges { cursor } } flags(job: $job) { edges { cursor } } }"
    )
    answer = graph.post(graph.everybody(other), query, {"job": str(one.job.id)}).json()
    assert answer["data"] == {"sessions": {"edges": []}, "flags": {"edges": []}}


# Things of their own


def test_readings_and_sweeps_are_columns_in_the_order_of_the_traverse(worlds: Any) -> None:
    world = worlds[0]
    session = walk.session_at(world, "BD-1")
    rest = signed_in(world).get(f"/sessions/{session}").json()
    names = " ".join(camel(name) for name in rest["readings"])
    query = (
        f"query ($id: ID!) {{ session(id: $id) {{ readings {{ {names} }} content contentDigest state }} }}"
    )
    found = graph.post(signed_in(world).client, query, {"id": str(session)}).json()["data"]["session"]
    for name, column in rest["readings"].items():
        assert [like(one) for one in found["readings"][camel(name)]] == [like(one) for one in column], name
    assert found["content"] == rest["content"]
    assert (found["state"], found["contentDigest"]) == (rest["state"], rest["content_digest"])


def test_too_many_readings_in_one_answer_are_refused(worlds: Any, monkeypatch: Any) -> None:
    monkeypatch.setattr("config.graphql.measurements.MOST_READINGS", 40)
    session = str(walk.session_at(worlds[0], "BD-1"))
    client = signed_in(worlds[0]).client
    one = "query ($id: ID!) { session(id: $id) { readings { value } } }"
    assert "errors" not in graph.post(client, one, {"id": session}).json()
    part = "session(id: $id) { readings { value } }"
    twice = f"query ($id: ID!) {{ a: {part} b: {part} }}"
    answer = graph.post(client, twice, {"id": session}).json()
    assert answer["errors"][0]["extensions"]["code"] == "too-large"


def test_the_digest_to_approve_is_that_of_REST(worlds: Any) -> None:
    caller = signed_in(worlds[0], "supervisor")
    rest = caller.get(f"/jobs/{worlds[0].job.id}/review")
    query = "query ($job: ID!) { jobReview(job: $job) { digest flags { etag flag { uuid } } } }"
    found = graph.post(caller.client, query, {"job": str(worlds[0].job.id)}).json()["data"]["jobReview"]
    assert found["digest"] == rest.json()["digest"]
    assert [one["etag"] for one in found["flags"]] == [one["etag"] for one in rest.json()["flags"]]


def test_an_unforeseen_failure_tells_nothing(company_a: World, monkeypatch: Any) -> None:
    def broken(actor: Any) -> Any:
        raise RuntimeError("SELECT secret FROM inner_place")

    monkeypatch.setitem(KINDS, Customer, replace(KINDS[Customer], rows=broken))
    answer = graph.post(Client(), "{ customers { edges { cursor } } }", **company_a.bearer)
    text = answer.content.decode()
    assert "secret" not in text
    assert "RuntimeError" not in text
    assert answer.json()["errors"][0]["extensions"]["code"] == "unexpected"
