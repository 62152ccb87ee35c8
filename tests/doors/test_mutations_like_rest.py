"""GraphQL changes what REST changes, for the same people, in the same words, with the same things stored."""

import base64
import json
import re
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any
from uuid import UUID

import pytest
from django.apps import apps
from django.db import transaction
from django.utils import timezone
from graphql import (
    GraphQLEnumType,
    GraphQLInputObjectType,
    GraphQLList,
    GraphQLNonNull,
    GraphQLScalarType,
)
from strawberry.relay import to_base64

from config.graphql.changes import CHANGES
from config.graphql.changes.base import Change, Repeats
from config.graphql.changes.inputs import MOST_ITEMS
from jobs import calendars
from jobs.access import Action
from jobs.http.idempotency import Repeatable, ShownOnce
from jobs.models import (
    AccessToken,
    Certificate,
    Company,
    DueState,
    DueWork,
    IdempotencyKey,
    Member,
    TokenKind,
)
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from jobs.tenancy.models import TenantModel
from measurements import photos
from measurements.models import Flag, Session
from reports import removal, review, signers
from reports.outgoing import addresses
from tests.doors import walk
from tests.doors.client import Caller, signed_in, with_token
from tests.doors.mutations import arguments, as_rest, camel, document, inner, send, snake, variables
from tests.doors.test_foreign_ids import BATCH_PLACES, BODIES, at, contents, day, put
from tests.doors.test_routes import callers
from tests.factories import FIRST, SECOND, World
from tests.measurements import batches, pictures
from tests.reports import certificates, scene

FILE = "the body is a file, sent in its own form by REST"
NOBODY_YET = "for somebody without an account or token; this door is for those who may read"
TABLE: dict[str, str] = {
    "calendar_make": "calendarMake",
    "calendar_revoke": "calendarRevoke",
    "certificate_digital": FILE,
    "certificate_enter": "certificateEnter",
    "certificate_table_enter": "certificateTableEnter",
    "company_change": "companyChange",
    "customer_add": "customerAdd",
    "customer_change": "customerChange",
    "delivery_end": "deliveryEnd",
    "device_pair": NOBODY_YET,
    "device_renew": "deviceRenew",
    "device_revoke": "deviceRevoke",
    "device_sign_in": "comes from a tablet nobody is signed in on, which may not read",
    "device_sign_out": "deviceSignOut",
    "export_ask": "exportAsk",
    "field_batch_post": "fieldBatchPost",
    "field_photo_announce": "fieldPhotoAnnounce",
    "field_photo_cancel": "fieldPhotoCancel",
    "field_photo_part": FILE,
    "flag_answer": "flagAnswer",
    "instrument_add": "instrumentAdd",
    "instrument_change": "instrumentChange",
    "interval_check_add": "intervalCheckAdd",
    "invitation_accept": NOBODY_YET,
    "invitation_withdraw": "invitationWithdraw",
    "invite": "invite",
    "job_approve": "jobApprove",
    "job_assign_instrument": "jobAssignInstrument",
    "job_assign_person": "jobAssignPerson",
    "job_cancel": "jobCancel",
    "job_change": "jobChange",
    "job_defer": "jobDefer",
    "job_document_send": "jobDocumentSend",
    "job_plan": "jobPlan",
    "job_submit": "jobSubmit",
    "job_unassign_instrument": "jobUnassignInstrument",
    "job_unassign_person": "jobUnassignPerson",
    "integration_add": "integrationAdd",
    "integration_change": "integrationChange",
    "integration_end": "integrationEnd",
    "key_make": "keyMake",
    "key_revoke": "keyRevoke",
    "me_change": "meChange",
    "member_change": "memberChange",
    "member_forget": "memberForget",
    "member_sign_out": "memberSignOut",
    "pairing_start": "pairingStart",
    "photo_choose": "photoChoose",
    "photo_correct": "photoCorrect",
    "photo_erase": "photoErase",
    "photo_remove": "photoRemove",
    "photo_restore": "photoRestore",
    "point_add": "pointAdd",
    "point_change": "pointChange",
    "public_check": FILE,
    "recall_decide": "recallDecide",
    "recall_withdraw": "recallWithdraw",
    "removal_ask": "removalAsk",
    "removal_withdraw": "removalWithdraw",
    "report_deliver": "reportDeliver",
    "report_render": "reportRender",
    "revision_issue": "revisionIssue",
    "rule_set": "ruleSet",
    "schedule_import": "scheduleImport",
    "session_correct": "sessionCorrect",
    "session_void": "sessionVoid",
    "sign_in_end": "signInEnd",
    "sign_in_end_others": "signInEndOthers",
    "signing_certificate_enter": "signingCertificateEnter",
    "signing_certificate_withdraw": "signingCertificateWithdraw",
    "site_add": "siteAdd",
    "site_change": "siteChange",
    "stored_query_add": "storedQueryAdd",
    "stored_query_forget": "storedQueryForget",
    "system_add": "systemAdd",
    "system_change": "systemChange",
    "travel_forget": "travelForget",
    "travel_set": "travelSet",
    "webhook_change": "webhookChange",
    "webhook_make": "webhookMake",
    "webhook_remove": "webhookRemove",
    "webhook_replay": "webhookReplay",
    "webhook_rotate": "webhookRotate",
    "webhook_sample": "webhookSample",
}
"""By operation of REST that changes something: the change of GraphQL, or why there is none (with blanks)."""

UNSAFE = ("POST", "PUT", "PATCH", "DELETE")
ROUTES: dict[str, tuple[walk.Route, str]] = {
    walk.operation(route, method)["operationId"]: (route, method)
    for route in walk.routes()
    for method in UNSAFE
    if method.lower() in walk.schema()["paths"].get("/api/v1" + route.template, {})
}
DONE = sorted(name for name, told in TABLE.items() if " " not in told)


def test_each_operation_that_changes_something_has_its_change_or_a_reason() -> None:
    assert set(TABLE) == set(ROUTES)
    assert {TABLE[name] for name in DONE} == {camel(name) for name in CHANGES}
    assert all(TABLE[name] == camel(name) for name in DONE)


@pytest.mark.parametrize("name", DONE)
def test_a_change_wants_what_its_operation_wants(name: str) -> None:
    one, (route, method) = CHANGES[name], ROUTES[name]
    assert one.needs is route.needs[method]
    assert [f"{place}_id" for place in one.places] == route.names
    assert one.repeats is repeats(route, method)
    parameters = walk.operation(route, method).get("parameters", [])
    assert (one.seen is not None) == ("If-Match" in {told["name"] for told in parameters})
    assert (one.seen is int) == (one.seen is not None and versioned(name, method))
    if one.takes is not None:
        told = set(arguments(name)["input"].type.of_type.fields)  # type: ignore[union-attr]
        assert told == {camel(field) for field in body_shape(route, method)["properties"]}


def repeats(route: walk.Route, method: str) -> Repeats:
    if method != "POST" or not issubclass(route.view, Repeatable):
        return Repeats.HARMLESS
    return Repeats.SHOWN_ONCE if issubclass(route.view, ShownOnce) else Repeats.ANSWERED


def versioned(name: str, method: str) -> bool:
    return method == "PATCH" or name == "job_cancel"


def body_shape(route: walk.Route, method: str) -> dict[str, Any]:
    content = walk.operation(route, method)["requestBody"]["content"]
    return walk.resolved(content["application/json"]["schema"])


# Inputs: typed, bounded


FREE = {("fieldBatchPost", "batch"), ("scheduleImport", "columns"), ("CorrectionChangeInput", "value")}
"""Where REST takes free JSON too, and who reads it checks it."""


def kinds_below(kind: Any, seen: set[str]) -> Iterator[GraphQLInputObjectType]:
    found = inner(kind)
    if isinstance(found, GraphQLInputObjectType) and found.name not in seen:
        seen.add(found.name)
        yield found
        for field in found.fields.values():
            yield from kinds_below(field.type, seen)


def test_no_free_json_where_rest_has_a_shape() -> None:
    free = set()
    for name in DONE:
        for arg, found in arguments(name).items():
            free |= {(camel(name), arg)} if inner(found.type).name == "JSON" else set()
            for kind in kinds_below(found.type, set()):
                free |= {(kind.name, at) for at, f in kind.fields.items() if inner(f.type).name == "JSON"}
    assert free == FREE


def test_a_list_longer_than_any_bound_is_refused(company_a: World) -> None:
    point = certificate_of(company_a)["points"][0]
    body = certificate_of(company_a) | {"points": [point] * (MOST_ITEMS + 1)}
    found = by_graphql(company_a, "certificate_enter", walk_ids(company_a, "instrument_id"), body)
    assert found["problem"]["status"] == 422
    assert found["problem"]["faults"] == [{"pointer": "/points", "detail": f"at most {MOST_ITEMS} items"}]


# Who may


def sample(kind: Any) -> Any:
    """Something of this type, sensible or not."""
    if isinstance(kind, GraphQLNonNull):
        return sample(kind.of_type)
    if isinstance(kind, GraphQLList):
        return [sample(kind.of_type)]
    if isinstance(kind, GraphQLInputObjectType):
        needed = {k: f for k, f in kind.fields.items() if isinstance(f.type, GraphQLNonNull)}
        return {name: sample(field.type) for name, field in needed.items()}
    if isinstance(kind, GraphQLEnumType):
        return next(iter(kind.values))
    assert isinstance(kind, GraphQLScalarType)
    new = str(uuid7())
    values = {
        "ID": new, "UUID": new, "Int": 1, "Float": 1.0, "Boolean": True, "Digits": "1", "JSON": {},
        "Date": "2026-03-02", "DateTime": "2026-03-02T08:00:00Z", "Time": "08:00",
    }  # fmt: skip
    return values.get(kind.name, "x" * 12)


def samples(name: str) -> dict[str, Any]:
    return {
        arg: sample(found.type)
        for arg, found in arguments(name).items()
        if isinstance(found.type, GraphQLNonNull)
    }


def told_no(answer: Any, name: str) -> int | None:
    """401 or 403 where GraphQL lets nobody in, wherever it says so."""
    if answer.status_code != 200:
        assert answer["Content-Type"] == "application/problem+json"
        status = answer.json()["status"]
    else:
        assert "errors" not in answer.json(), (name, answer.content)
        found = answer.json()["data"][camel(name)]["problem"]
        status = found["status"] if found else 200
        assert status < 500, found
    return status if status in (401, 403) else None


def test_each_caller_may_make_just_the_changes_that_they_may_by_rest(company_a: World) -> None:
    who = {name: caller for name, (caller, _) in callers(company_a).items()} | {"nobody": Caller()}
    wrong, let_in = [], Counter[str]()
    for name in DONE:
        route, method = ROUTES[name]
        path, query, given = (
            route.path(walk.unknown_ids(route.names)),
            document(name, given=samples(name)),
            samples(name),
        )
        for whose, caller in who.items():
            with transaction.atomic():
                rest = walk.call(caller, method, path)
                transaction.set_rollback(True)
            with transaction.atomic():
                graph = send(caller, query, given)
                transaction.set_rollback(True)
            refused = rest.status_code if rest.status_code in (401, 403) else None
            let_in[whose] += refused is None
            if told_no(graph, name) != refused:
                wrong.append((whose, name, rest.status_code, graph.content))
    assert not wrong
    assert 0 < let_in["technician"] < let_in["supervisor"] < len(DONE)
    assert let_in["nobody"] == let_in["tablet:nobody"] == 0


# The same bodies


SIGNING_FILE = certificates.pkcs12_of(certificates.identity("Northgate Air Balance"))


def signing() -> dict[str, str]:
    return {"file": base64.b64encode(SIGNING_FILE).decode(), "password": certificates.PASSWORD}


def certificate_of(w: World) -> dict[str, Any]:
    figures = dict.fromkeys(("reference", "as_found", "as_left"), "0.1") | {"expanded_uncertainty": "0.001"}
    return {
        "number": "C-9", "laboratory": "Vale", "calibrated_on": day(-2), "due_on": day(300),
        "points": [{"quantity": "flow", "unit": "m3/s", "coverage_factor": 2} | figures],
    }  # fmt: skip


INSTRUMENT = {
    "serial": "M-2041", "name": "Digital manometer", "kind": "manometer",
    "probe_length": {"value": "500", "unit": "mm"},
    "ranges": [
        {
            "quantity": "pressure", "unit": "Pa", "minimum": "0", "maximum": "2500", "resolution": "0.1",
            "accuracy_absolute": "0.3", "accuracy_of_reading": 0.005,
        }
    ],
}  # fmt: skip
POINT = {
    "kind": "plane", "shape": "rectangular", "width": {"value": "500", "unit": "mm"},
    "height": {"value": "400", "unit": "mm"}, "design_flow": {"value": "900.0", "unit": "L/s"},
    "design_basis": "actual", "tolerance_below": 0.05,
}  # fmt: skip
PLAIN: dict[str, Callable[[World], Any]] = {
    "certificate_table_enter": lambda w: (
        "Serial,Number,Laboratory,Calibrated on,Due on,Quantity,Unit,Reference,As found,As left,U,k\n"
        f"{w.instruments['hood'].serial},C-7,Vale,{day(-3)},{day(300)},flow,L/s,100,100.1,100.0,0.6,2\n"
    ),
    "company_change": lambda w: {
        "decision_rule": "guarded", "decision_parameter": 1.0, "day_starts": "06:30", "reminder_days": [30],
    },
    "customer_add": lambda w: {"name": "Town of Ash", "contact_email": "desk@ash.example"},
    "customer_change": lambda w: {"contact_name": "R. Reed", "address": ""},
    "instrument_add": lambda w: INSTRUMENT,
    "instrument_change": lambda w: {"name": "Hood, mended", "ranges": INSTRUMENT["ranges"]},
    "integration_add": lambda w: {"name": "Portal", "contact": "it@portal.example", "purpose": "Reads"},
    "integration_change": lambda w: {"purpose": "Reads reports"},
    "invite": lambda w: {"email": "m.okafor@example.org", "name": "M. Okafor", "roles": ["technician"]},
    "job_change": lambda w: {
        "title": "Balance of halls", "systems": [str(w.system.id)], "tolerance_below": 0.05,
    },
    "key_make": lambda w: {
        "name": "Portal", "scopes": ["read"], "expires_at": f"{day(30)}T08:00:00Z",
        "integration": str(ids_of(w)["integration_id"]),
    },
    "me_change": lambda w: {"unit_system": "IP"},
    "member_change": lambda w: {"name": "A. Nother", "roles": ["technician", "supervisor"]},
    "pairing_start": lambda w: {"name": "Tablet 3"},
    "point_add": lambda w: POINT | {
        "system": str(w.system.id), "tag": "MD-9", "parent": str(w.points["BD-1"].id),
    },
    "point_change": lambda w: {
        "design": {"of": "pressure", "unit": "Pa", "value": "15.0", "low": "10"}, "location": "Roof",
        "parent": str(w.points["BD-1"].id),
    },
    "recall_withdraw": lambda w: {
        "certificate": str(certificate_id(w)), "reason": "Its laboratory withdrew it.",
    },
    "removal_ask": lambda w: {"export": str(ids_of(w)["export_id"]), "name": w.company.name},
    "rule_set": lambda w: {"name": "severity", "severity": "remark", "why": scene.REASON},
    "signing_certificate_enter": lambda w: signing(),
    "site_add": lambda w: {
        "customer": str(w.customer.id), "name": "Depot", "elevation": {"value": "120.5", "unit": "m"},
        "time_zone": "Europe/London",
    },
    "site_change": lambda w: {"elevation": {"value": 300, "unit": "[ft_i]"}},
    "stored_query_add": lambda w: {"name": "Jobs", "text": "{ jobs { edges { node { number } } } }"},
    "system_change": lambda w: {"kind": "exhaust"},
    "webhook_change": lambda w: {"description": "Reports only", "verbs": ["report.issued"]},
    "webhook_make": lambda w: {"url": "https://hooks.example.com/flow", "verbs": ["report.issued"]},
    "webhook_rotate": lambda w: {"overlap_hours": 2},
}  # fmt: skip


def certificate_id(world: World) -> UUID:
    """Of a certificate that was not withdrawn."""
    with company(world.id):
        found: UUID = Certificate.objects.get(instrument=world.instruments["pressure"]).id
        return found


def body_of(world: World, name: str) -> Any:
    """A good body for an operation; of bytes and text, a table."""
    route, method = ROUTES[name]
    made = PLAIN.get(name) or BODIES.get((method, route.template))
    if name == "field_batch_post":
        return {"sent_at": timezone.now().isoformat(), "sessions": [batches.traverse(world)]}
    return made(world) if made else {}


def more_of(name: str, body: Any) -> dict[str, Any]:
    """Arguments that are neither ids of the path nor the input."""
    if name == "field_batch_post":
        return {"batch": body}
    if name in ("certificate_table_enter", "schedule_import"):
        return {"text": body.decode() if isinstance(body, bytes) else body}
    return dict(walk.WORDS) if name == "rule_set" else {}


def walk_ids(world: World, *names: str) -> dict[str, UUID]:
    return {"instrument_id": world.instruments["hood"].id} if names else {}


def ask(caller: Caller, name: str, ids: dict[str, Any], body: Any, seen: Any = 1) -> Any:
    """The answer of GraphQL's door to what REST would be sent."""
    one = CHANGES[name]
    if one.seen is str and seen == 1:
        seen = "1"
    given = variables(one, ids, body if one.takes else None, seen, **more_of(name, body))
    return send(caller, document(name, given=given), given, **{"X-Request-ID": walk.PROBLEM_ID})


def by_graphql(world: World, name: str, ids: dict[str, Any], body: Any, seen: Any = 1) -> dict[str, Any]:
    answer = ask(walk.caller_for(world, CHANGES[name].needs), name, ids, body, seen).json()
    assert "errors" not in answer, (name, answer["errors"])
    found: dict[str, Any] = answer["data"][camel(name)]
    return found


@pytest.fixture
def worlds(db: None) -> tuple[World, World]:
    """The company that has things, and the one that asks for them."""
    return walk.full_world(FIRST), walk.full_world(SECOND)


# Foreign ids


def foreign_sets(one: Change, own: dict[str, UUID], other: dict[str, UUID]) -> Iterator[dict[str, UUID]]:
    names = [f"{place}_id" for place in one.places]
    yield {name: other[name] for name in names}
    if len(names) > 1:
        for name in names:
            yield {n: (other if n == name else own)[n] for n in names}


@pytest.mark.parametrize("form", [str, "global"])
def test_B1_in_every_argument_a_foreign_id_looks_like_an_unknown_one(
    worlds: tuple[World, World], form: Any
) -> None:
    theirs, ours = worlds
    others, own = ids_of(theirs), ids_of(ours)
    before = contents(theirs)
    tried = 0
    for name in DONE:
        one = CHANGES[name]
        if not one.places:
            continue
        body, caller = body_of(ours, name), caller_of(ours, name)
        for foreign in foreign_sets(one, own, others):
            unknown = {n: i if i == own[n] else uuid7() for n, i in foreign.items()}
            first, second = (
                ask(caller, name, {n: spelled(i, form) for n, i in ids.items()}, body)
                for ids in (foreign, unknown)
            )
            assert seen_of(first) == seen_of(second), name
            found = first.json()["data"][camel(name)]["problem"]
            assert found["status"] == 404, (name, found)
            tried += 1
    assert tried > 40
    assert contents(theirs) == before


def spelled(key: UUID, form: Any) -> str:
    return to_base64("Job", key) if form == "global" else str(key)


def seen_of(answer: Any) -> tuple[int, dict[str, str], bytes]:
    return answer.status_code, dict(answer.headers), answer.content


def id_places(kind: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where an input has ids, in REST's names."""
    if isinstance(kind, GraphQLNonNull):
        yield from id_places(kind.of_type, at)
    elif isinstance(kind, GraphQLList):
        yield from id_places(kind.of_type, (*at, 0))
    elif isinstance(kind, GraphQLInputObjectType):
        for name, field in kind.fields.items():
            yield from id_places(field.type, (*at, snake(name)))
    elif kind.name == "ID":
        yield at


def test_B2_in_every_input_a_foreign_id_looks_like_an_unknown_one(worlds: tuple[World, World]) -> None:
    theirs, ours = worlds
    own = ids_of(ours)
    before = contents(theirs), contents(ours)
    tried = 0
    for name in DONE:
        if CHANGES[name].takes is None:
            continue
        for place in id_places(arguments(name)["input"].type):
            good, foreign = body_of(ours, name), at(body_of(theirs, name), place)
            caller = walk.caller_for(ours, CHANGES[name].needs)
            first, second = (
                ask(caller, name, own, put(good, place, value)) for value in (foreign, str(uuid7()))
            )
            assert seen_of(first) == seen_of(second), (name, place)
            found = first.json()["data"][camel(name)]["problem"]
            assert found["status"] == 422, (name, place, found)
            assert f"/{place[0]}" in found["faults"][0]["pointer"], (name, found)
            tried += 1
    assert tried >= 20
    assert (contents(theirs), contents(ours)) == before


@pytest.mark.parametrize("place", BATCH_PLACES, ids=lambda place: place[-1])
def test_B2_in_a_batch_too(worlds: tuple[World, World], place: tuple[Any, ...]) -> None:
    theirs, ours = worlds

    def batch(world: World) -> dict[str, Any]:
        known = ids_of(world)["session_id"]
        return batches.traverse(world, supersedes={"session": str(known), "reason": "Hoses were swapped."})

    good, foreign = batch(ours), at(batch(theirs), place)
    caller, before = walk.caller_for(ours, Action.MEASURE), contents(theirs)
    sent_at = timezone.now().isoformat()
    query = document("field_batch_post", "sessions { session outcome faults { pointer detail } }")
    first, second = (
        send(caller, query, {"batch": {"sent_at": sent_at, "sessions": [put(good, place, value)]}})
        for value in (foreign, str(uuid7()))
    )
    assert first.json() == second.json()
    assert [o["outcome"] for o in first.json()["data"]["fieldBatchPost"]["sessions"]] == ["refused"]
    assert contents(theirs) == before


# What is wrong, in the same words


WRONG = {"String": ("x" * 50_000, ""), "ID": ("nonsense",), "Int": (-1, 10**9), "Float": (-1e9, 1e9),
         "Digits": ("1,5", "1e999"), "QuantityInput": ({"value": "1", "unit": "furlong"},),
         "Date": ("0001-01-01",), "DateTime": ("9999-12-31T23:59:59Z",)}  # fmt: skip


def spoilt(name: str, good: Any) -> Iterator[tuple[str, Any]]:
    """A good body with one thing wrong, as far as GraphQL lets that through to who reads it."""
    kind = inner(arguments(name)["input"].type)
    for field, told in kind.fields.items():
        for value in WRONG.get(inner(told.type).name, ()):
            bare = told.type.of_type if isinstance(told.type, GraphQLNonNull) else told.type
            yield snake(field), good | {snake(field): [value] if isinstance(bare, GraphQLList) else value}


def test_problems_are_told_in_the_words_of_rest(worlds: tuple[World, World]) -> None:
    world = worlds[1]
    own, wrong, problems = ids_of(world), [], 0
    for name in (name for name in DONE if CHANGES[name].takes is not None):
        caller, (route, method) = walk.caller_for(world, CHANGES[name].needs), ROUTES[name]
        for field, body in spoilt(name, body_of(world, name)):
            with transaction.atomic():
                rest = walk.call(caller, method, route.path(own), body)
                transaction.set_rollback(True)
            with transaction.atomic():
                told = ask(caller, name, own, body).json()["data"][camel(name)]["problem"]
                transaction.set_rollback(True)
            assert rest.status_code < 500, (name, field)
            problems += told is not None
            if told is None and rest.status_code >= 400:
                wrong.append((name, field, rest.content))
            elif told is not None:
                found = as_rest(told) | {"instance": told["instance"]}
                if found != rest.json() or told["status"] != rest.status_code:
                    wrong.append((name, field, rest.content, told))
    assert not wrong, "\n".join(map(str, wrong))
    assert problems > 60


# What is stored


MOMENT = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d\.\d+")
DIGEST = re.compile(r"\b[0-9a-f]{64}\b")
ID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}|\b[0-9a-f]{32}\b")
DRAWN = re.compile(r"\b[0-9a-f]{8}\b")
TENANT = [m for m in apps.get_models() if issubclass(m, TenantModel) and m is not IdempotencyKey]
LEFT_OUT = {"company_id", "clock_offset_s", "address_key"}
"""Of no account here, drawn by lot, or told by the clock of this test."""


class Told:
    """A company's rows in words that two companies have alike: ids by what they name, no moments of now."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.names: dict[str, str] = {str(world.id): "company"}
        with company(world.id):
            for model in TENANT:
                for number, row in enumerate(model.objects.order_by("id").values_list("id", flat=True)):
                    self.names[str(row)] = f"{model._meta.label} {number}"

    def rows(self) -> Counter[str]:
        found: Counter[str] = Counter()
        with company(self.world.id):
            for model in TENANT:
                for row in model.objects.values():
                    told = {name: self.plain(at) for name, at in row.items() if name not in LEFT_OUT}
                    found[f"{model._meta.label} {json.dumps(told, sort_keys=True)}"] += 1
        return found

    def plain(self, value: Any) -> Any:
        if isinstance(value, bytes | memoryview):
            return "bytes"
        if isinstance(value, dict):
            return {self.plain(name): self.plain(at) for name, at in value.items()}
        if isinstance(value, list | tuple):
            return [self.plain(one) for one in value]
        return value if value is None or isinstance(value, bool | int | float) else self.text(str(value))

    def text(self, text: str) -> str:
        text = ID.sub(lambda found: self.names.get(str(UUID(found[0])), "new"), text)
        text = DRAWN.sub("drawn", DIGEST.sub("digest", MOMENT.sub("moment", text)))
        return text.replace(FIRST, "The firm").replace(SECOND, "The firm")


def seen_before(world: World, name: str) -> Any:
    """What a person saw who asks for it now."""
    with company(world.id):
        if name == "job_approve":
            return review.review_set(world.actor("supervisor"), world.job.id).digest
        if name in ("session_correct", "session_void"):
            return Session.objects.get(id=ids_of(world)["session_id"]).content_digest
        if name == "flag_answer":
            return review.NO_ANSWER
        return Company.objects.get().version if name == "company_change" else 1


def submitted(world: World) -> dict[str, UUID]:
    scene.submit(world)
    return {}


def approved(world: World) -> dict[str, UUID]:
    scene.submit(world)
    return {"revision_id": scene.approved(world).id}


def given_up(world: World) -> dict[str, UUID]:
    """No report is being made."""
    with company(world.id):
        DueWork.objects.filter(kind="render").update(state=DueState.PARKED)
    return {}


def announced(world: World) -> dict[str, UUID]:
    body = pictures.declaration(world, pictures.jpeg())
    assert with_token(world.technician_token).post("/field/photos", body).status_code == 201
    return {"photo_id": UUID(body["id"])}


def removed(world: World) -> dict[str, UUID]:
    with company(world.id):
        photos.remove(world.actor("technician"), ids_of(world)["photo_id"], reason=scene.REASON)
    return {}


def subscribed(world: World) -> dict[str, UUID]:
    member = ids_of(world)["member_id"]
    with company(world.id):
        calendars.make_address(world.actor("owner"), member)
    return {}


def flagged(world: World) -> dict[str, UUID]:
    with company(world.id):
        return {"flag_id": Flag.objects.filter(answers__isnull=True).first().id}  # type: ignore[union-attr]


def left(world: World) -> dict[str, UUID]:
    member = walk.ids_of(world)["member_id"]
    with company(world.id):
        Member.objects.filter(id=member).update(active=False)
    return {}


def signs(world: World) -> dict[str, UUID]:
    with company(world.id):
        signers.enter(world.actor("owner"), file=SIGNING_FILE, password=certificates.PASSWORD)
    return {}


def leaving(world: World) -> dict[str, UUID]:
    with company(world.id):
        name, export = world.company.name, ids_of(world)["export_id"]
        removal.ask(world.actor("owner"), export_id=export, name=name)
    return {}


BEFORE: dict[str, Callable[[World], dict[str, UUID]]] = {
    "calendar_revoke": subscribed,
    "flag_answer": flagged,
    "field_photo_cancel": announced,
    "job_approve": submitted,
    "member_forget": left,
    "photo_erase": given_up,
    "photo_restore": removed,
    "removal_withdraw": leaving,
    "report_render": given_up,
    "revision_issue": approved,
    "signing_certificate_withdraw": signs,
}
"""What has to be done before, so that a change has something to do."""

CALLERS: dict[str, Callable[[World], Caller]] = {
    "calendar_revoke": lambda world: signed_in(world, "owner"),
    "device_renew": lambda world: with_token(world.technician_token),
    "device_sign_out": lambda world: with_token(world.technician_token),
    "me_change": lambda world: signed_in(world, "technician"),
    "sign_in_end": lambda world: signed_in(world, "technician"),
    "stored_query_forget": lambda world: signed_in(world, "owner"),
    "sign_in_end_others": lambda world: signed_in(world, "technician"),
}


def ids_of(world: World) -> dict[str, UUID]:
    """Ids of REST's addresses, and a sign-in: the technician's on the tablet."""
    with company(world.id):
        token = AccessToken.objects.get(member=world.technician, kind=TokenKind.PERSON)
        return walk.ids_of(world) | {"sign_in_id": token.id}


def caller_of(world: World, name: str) -> Caller:
    made = CALLERS.get(name)
    return made(world) if made else walk.caller_for(world, CHANGES[name].needs)


Stored = tuple[Counter[str], Counter[str]]


def stored(
    world: World, name: str, act: Callable[[dict[str, Any]], Any], usual: tuple[Told, Counter[str]]
) -> tuple[Any, Stored]:
    """The problem of an act, and the rows that it adds and takes away; then all is undone."""
    with transaction.atomic():
        ids, (told, before) = ids_of(world), usual
        if name in BEFORE:
            ids |= BEFORE[name](world)
            told = Told(world)
            before = told.rows()
        found = act(ids)
        after = told.rows()
        transaction.set_rollback(True)
    return found, (after - before, before - after)


def by_rest(world: World, name: str, ids: dict[str, Any]) -> Any:
    route, method = ROUTES[name]
    body, seen = body_of(world, name), seen_before(world, name)
    sent = body.encode() if isinstance(body, str) else body
    answer = walk.call(caller_of(world, name), method, route.path(ids), sent, **{"If-Match": f'"{seen}"'})
    return answer.json() if answer.status_code >= 400 else None


def as_change(world: World, name: str, ids: dict[str, Any]) -> Any:
    caller, seen = caller_of(world, name), seen_before(world, name)
    answer = ask(caller, name, ids, body_of(world, name), seen).json()
    assert "errors" not in answer, (name, answer["errors"])
    return answer["data"][camel(name)]["problem"]


def test_both_doors_store_the_same(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each change by REST in one company and by GraphQL in another: the same rows, events and their data."""
    noon = batches.now()
    monkeypatch.setattr(batches, "now", lambda: noon)
    monkeypatch.setattr(addresses, "check_where", lambda where: [])  # no network here
    monkeypatch.setattr(removal, "_lacks", lambda export: "")  # as if a worker had made the export
    one, other = walk.full_world(FIRST), walk.full_world(SECOND)
    usual, other_usual = ((told, told.rows()) for told in (Told(one), Told(other)))
    wrong = {}
    for name in DONE:
        problem, left = stored(one, name, partial(by_rest, one, name), usual)
        other_problem, right = stored(other, name, partial(as_change, other, name), other_usual)
        if problem or other_problem:
            wrong[name] = [problem, other_problem]
        elif left != right:
            wrong[name] = [(a - b, b - a) for a, b in zip(left, right, strict=True)]
        elif not left[0] and not left[1]:
            wrong[name] = ["nothing was stored"]
    assert not wrong, "\n".join(f"{name}: {told}" for name, told in wrong.items())


def test_the_comparison_sees_a_difference(company_a: World, company_b: World) -> None:
    """The same name in both companies is none, another name is one."""
    pairs = []
    for names in (("Depot", "Depot"), ("Depot", "Annexe")):
        added = []
        for world, name in zip((company_a, company_b), names, strict=True):
            told = Told(world)
            before = told.rows()
            with transaction.atomic():
                body = {"name": name, "customer": str(world.customer.id)}
                by_graphql(world, "site_add", {}, body)
                added.append(told.rows() - before)
                transaction.set_rollback(True)
        pairs.append(added)
    assert pairs[0][0] == pairs[0][1]
    assert pairs[1][0] != pairs[1][1]
