"""The examples of the OpenAPI document are real: each is sent, and answered as the document says."""

import base64
import json
from collections.abc import Callable
from typing import Any
from uuid import UUID

import pytest
from django.db import transaction

from jobs import tokens
from jobs.access import hash_secret
from jobs.models import Invitation, User
from jobs.rest import examples as ids
from jobs.tenancy.context import company
from reports import removal
from reports.outgoing import addresses
from tests.doors import walk
from tests.doors.client import Caller
from tests.doors.examples import Example, answers, faults, operations, requests, send, stand_for
from tests.doors.examples import unknown_ids as strangers
from tests.doors.test_mutations_like_rest import BEFORE, CALLERS, SIGNING_FILE, announced, ids_of
from tests.factories import World
from tests.reports import certificates

REQUESTS, ANSWERS = requests(), answers()


def test_each_operation_with_a_body_shows_one() -> None:
    seen = 0
    for method, template, operation in operations():
        content = operation.get("requestBody", {}).get("content", {})
        if content:
            seen += 1
            assert any(one.get("examples") for one in content.values()), (method, template)
            for kind in ("application/json", "text/csv", "application/xml"):
                assert kind not in content or content[kind].get("examples"), (method, template, kind)
    assert seen > 55


def test_each_id_means_the_same_in_all_examples() -> None:
    for one in REQUESTS + ANSWERS:
        assert not strangers(json.dumps(one.value)), one


@pytest.mark.parametrize(
    "one", [one for one in REQUESTS + ANSWERS if one.kind == "application/json"], ids=str
)
def test_an_example_keeps_to_its_schema(one: Example) -> None:
    assert faults(one.value, one.schema) == []


def test_a_wrong_example_would_be_seen() -> None:
    (one,) = (one for one in REQUESTS if one.name == "job_plan")
    for wrong in (
        {"site": "the library"},
        {"starts_on": "Monday"},
        {"systems": ids.SYSTEM},
        {"colour": "red"},
    ):
        assert faults({**one.value, **wrong}, one.schema), wrong


# What has to be there before


def invited(world: World) -> dict[str, UUID]:
    with company(world.id):
        secret = ids.INVITATION.partition(".")[2]
        first = Invitation.objects.earliest("created_at").id
        Invitation.objects.filter(id=first).update(secret_hash=hash_secret(secret))
    return {}


def coded(world: World) -> dict[str, UUID]:
    with company(world.id):
        row, _ = tokens.start_pairing(world.actor("owner"), device_name="Tablet 3")
        row.code_hash = tokens._hash_code(ids.PAIRING_CODE.replace("-", ""))
        row.save()
    return {}


def known_person(world: World) -> dict[str, UUID]:
    user = User.objects.get(id=world.users["technician"].id)
    user.email = ids.EMAIL
    user.set_password(ids.WORDS)
    user.save()
    return {}


PREPARED: dict[str, Callable[[World], dict[str, UUID]]] = BEFORE | {
    "device_pair": coded,
    "device_sign_in": known_person,
    "field_photo_part": announced,
    "invitation_accept": invited,
}
ALONE = {"device_pair", "invitation_accept", "public_check"}


def caller_of(world: World, one: Example) -> Caller:
    if one.name in ALONE:
        return Caller()
    made = CALLERS.get(one.name)
    return made(world) if made else walk.caller_for(world, walk.needed()[one.method, one.template])


@pytest.fixture
def world(db: None, monkeypatch: pytest.MonkeyPatch) -> World:
    monkeypatch.setattr(addresses, "check_where", lambda where: [])  # no network here
    monkeypatch.setattr(removal, "_lacks", lambda export: "")  # as if a worker had made the export
    return walk.full_world(ids.COMPANY_NAME)


def test_each_example_is_taken_and_answered_as_the_document_says(world: World) -> None:
    wrong = {}
    pkcs12 = base64.b64encode(SIGNING_FILE).decode()
    for one in REQUESTS:
        with transaction.atomic():
            own = ids_of(world) | {
                "instrument_id": world.instruments["pressure"].id,
                "session_id": walk.session_at(world, "MD-1"),
            }
            own |= PREPARED[one.name](world) if one.name in PREPARED else {}
            known = stand_for(world) | {ids.PKCS12: pkcs12}
            if one.name == "signing_certificate_enter":
                known[ids.WORDS] = certificates.PASSWORD
            answer = send(caller_of(world, one), one, own, known)
            transaction.set_rollback(True)
        if found := against_document(one, answer):
            wrong[str(one)] = found
    assert not wrong, "\n".join(f"{name}: {found}" for name, found in wrong.items())
    assert len(REQUESTS) > 55


def against_document(one: Example, answer: Any) -> list[str]:
    """What is not as the document says of the answer to an example."""
    status, told = str(answer.status_code), one.operation["responses"]
    if status not in told or status >= "3":
        return [f"{status} {answer.content[:400]!r}"]
    content = told[status].get("content", {})
    kind = answer["Content-Type"].partition(";")[0] if answer.content else ""
    if not kind and not content:
        return []
    if kind not in content:
        return [f"{status} is answered as {kind or 'nothing'}, documented is {[*content] or 'nothing'}"]
    body = answer.json()
    return faults(body, content[kind]["schema"]) + refused(body)


def refused(body: Any) -> list[str]:
    """Sessions of a batch that were not stored."""
    outcomes = body.get("outcomes", []) if isinstance(body, dict) else []
    return [str(one) for one in outcomes if one["outcome"] != "stored"]
