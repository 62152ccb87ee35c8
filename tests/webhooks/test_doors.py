"""Webhooks by REST: what is refused, that secrets show once, and that the feed never skips an event."""

import threading
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection, transaction
from django.utils import timezone

from jobs import events, quotas
from jobs.models import Allowance, Event
from jobs.tenancy.context import company
from reports.models import Webhook
from tests import factories
from tests.doors import walk
from tests.doors.client import assert_problem, pointers, signed_in, with_key, with_token
from tests.factories import World

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("loopback")]
URL = "http://127.0.0.5:9000/hook"


def test_the_secret_is_in_the_first_answer_only(company_a: World) -> None:
    owner = signed_in(company_a)
    made = owner.post("/webhooks", {"url": URL}, key="one")
    assert made.status_code == 201
    secret = made.json()["secret"]
    assert secret.startswith("whsec_")
    again = owner.post("/webhooks", {"url": URL}, key="one")
    assert again.status_code == 409
    assert secret not in again.content.decode()
    place = made["Location"].removeprefix("/api/v1")
    for answer in (owner.get(place), owner.get("/webhooks")):
        assert answer.status_code == 200
        assert secret not in answer.content.decode()
        assert "secret" not in answer.content.decode()
    renewed = owner.post(f"{place}/rotate", {"overlap_hours": 1})
    assert renewed.json()["secret"] != secret
    assert renewed.json()["former_until"] is not None
    ended = owner.post(f"{place}/rotate", {"overlap_hours": 0})
    assert ended.json()["former_until"] is None


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "/url"),
        ({"url": "http://hooks.harbour-air.com:22/"}, "/url"),
        ({"url": "file:///etc/passwd"}, "/url"),
        ({"url": "https://user:pw@hooks.harbour-air.com/"}, "/url"),
        ({"url": "http://127.0.0.1:9000/"}, "/url"),
        ({"url": "http://2130706433/"}, "/url"),
        ({"url": "http://①②⑦.0.0.1/"}, "/url"),
        ({"url": "https://a.com/" + "x" * 500}, "/url"),
        ({"url": 7}, "/url"),
        ({"url": URL, "verbs": ["job.eaten"]}, "/verbs"),
        ({"url": URL, "verbs": "job.planned"}, "/verbs"),
        ({"url": URL, "verbs": ["job.planned"] * 200}, "/verbs"),
        ({"url": URL, "description": "x" * 201}, "/description"),
        ({"url": URL, "active": "yes"}, "/active"),
        ({"url": URL, "secret": "whsec_mine"}, "/secret"),
        ({"url": URL, "cursor": 0}, "/cursor"),
    ],
)
def test_W1_W2_what_is_wrong_is_refused_at_its_place(company_a: World, body: Any, pointer: str) -> None:
    answer = signed_in(company_a).post("/webhooks", body)
    assert_problem(answer, 422, "invalid")
    assert pointers(answer)[0].startswith(pointer)
    with company(company_a.id):
        assert not Webhook.objects.exists()


def test_a_change_is_checked_as_well_and_needs_what_was_seen(company_a: World) -> None:
    owner = signed_in(company_a)
    made = owner.post("/webhooks", {"url": URL})
    place = made["Location"].removeprefix("/api/v1")
    tag = {"If-Match": '"1"'}
    assert_problem(owner.send("PATCH", place, {"url": "http://127.0.0.1/"}, **tag), 422, "invalid")
    changed = owner.send("PATCH", place, {"active": False, "verbs": ["job.planned", "job.planned"]}, **tag)
    assert changed.status_code == 200
    assert (changed.json()["off_reason"], changed.json()["verbs"]) == ("owner", ["job.planned"])
    assert_problem(owner.send("PATCH", place, {"active": True}, **tag), 412, "changed-meanwhile")
    for act, body in (("sample", None), ("replay", {"after": 0})):
        assert_problem(owner.post(f"{place}/{act}", body), 409, "conflict")


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"after": 0, "since": "2026-01-01T00:00:00Z"},
        {"after": -1},
        {"after": 10**15},
        {"since": "yesterday"},
    ],
)
def test_a_replay_needs_one_good_start(company_a: World, body: Any) -> None:
    owner = signed_in(company_a)
    place = owner.post("/webhooks", {"url": URL})["Location"].removeprefix("/api/v1")
    assert_problem(owner.post(f"{place}/replay", body), 422, "invalid")


def test_there_is_a_bound_on_how_many(company_a: World) -> None:
    owner = signed_in(company_a)
    with company(company_a.id):
        for _ in range(quotas.USUAL[quotas.Kind.WEBHOOKS]):
            walk.webhook(company_a)
    assert_problem(owner.post("/webhooks", {"url": URL}), 403, "over-quota")


def test_operators_may_allow_fewer(company_a: World) -> None:
    owner = signed_in(company_a)
    with company(company_a.id):
        Allowance.objects.create(webhooks=1)
    assert owner.post("/webhooks", {"url": URL}).status_code == 201
    assert_problem(owner.post("/webhooks", {"url": URL}), 403, "over-quota")


def test_a_key_with_the_scope_may_and_one_without_may_not(company_a: World) -> None:
    with company(company_a.id):
        allowed, other = (factories.make_key(company_a.id, [scope])[1] for scope in ("webhooks", "plan"))
    made = with_token(allowed).post("/webhooks", {"url": URL})
    assert made.status_code == 201
    place = made["Location"].removeprefix("/api/v1")
    assert with_token(allowed).get(place).status_code == 200
    assert_problem(with_token(other).get(place), 403, "forbidden")
    assert_problem(with_token(other).post("/webhooks", {"url": URL}), 403, "forbidden")


def test_without_a_key_to_keep_secrets_none_is_made(company_a: World, settings: Any) -> None:
    settings.SIGNING_KEYS = []
    answer = signed_in(company_a).post("/webhooks", {"url": URL})
    assert_problem(answer, 409, "conflict")
    assert "SIGNING_KEY" in answer.json()["detail"]


def test_events_of_webhooks_name_the_host_only(company_a: World) -> None:
    owner = signed_in(company_a)
    made = owner.post("/webhooks", {"url": URL + "/very-secret"})
    owner.send("DELETE", made["Location"].removeprefix("/api/v1"), None)
    with company(company_a.id):
        told = list(Event.objects.filter(subject_type="webhook").values_list("verb", "data"))
    assert {verb for verb, _ in told} == {"webhook.made", "webhook.removed"}
    assert all(data["host"] == "http://127.0.0.5:9000" for _, data in told)
    assert "very-secret" not in str(told)


def test_tries_can_be_read_and_filtered(company_a: World) -> None:
    owner = signed_in(company_a)
    with company(company_a.id):
        row = walk.webhook(company_a)
        walk.attempt(row)
    place = f"/webhooks/{row.id}/attempts"
    item = owner.get(place).json()["items"][0]
    assert (item["outcome"], item["words"], item["status"], item["verb"]) == (
        "delivered", "Delivered", 204, "webhook.sample",
    )  # fmt: skip
    assert owner.get(f"{place}?outcome=failed").json()["items"] == []
    assert_problem(owner.get(f"{place}?outcome=eaten"), 422, "invalid")


# The feed


@pytest.mark.django_db(transaction=True)
def test_a_reader_of_the_feed_skips_nothing_while_slow_transactions_commit_late(company_a: World) -> None:
    """Events recorded early and committed late come after the reader's place, never before it."""
    recorded: set[str] = set()
    lock, stop = threading.Lock(), threading.Event()

    def write(slow: float) -> None:
        try:
            for n in range(12):
                with company(company_a.id):
                    made = events.record(company_a.actor("owner"), "job.changed", "job", company_a.job.id)
                    stop.wait(slow * (n % 3))
                with lock:
                    recorded.add(str(made.id))
        finally:
            connection.close()

    def count() -> None:
        try:
            while not stop.wait(0.005):
                with company(company_a.id):
                    events.sequence(limit=3)
        finally:
            connection.close()

    writers = [threading.Thread(target=write, args=(slow,)) for slow in (0.0, 0.02, 0.05)]
    sequencers = [threading.Thread(target=count) for _ in range(2)]
    for thread in [*writers, *sequencers]:
        thread.start()
    seen: list[dict[str, Any]] = []
    reader, after = with_key(company_a), 0
    end = timezone.now() + timedelta(seconds=60)
    while timezone.now() < end:
        writing = any(thread.is_alive() for thread in writers)
        items = reader.get(f"/events?after={after}&limit=5").json()["items"]
        seen += items
        after = items[-1]["number"] if items else after
        if not items and not writing and recorded <= {one["id"] for one in seen}:
            break
    stop.set()
    for thread in [*writers, *sequencers]:
        thread.join(30)
    assert [one["number"] for one in seen] == list(range(1, len(seen) + 1))
    assert recorded <= {one["id"] for one in seen}
    assert len(recorded) == 36
    assert not transaction.get_connection().in_atomic_block
