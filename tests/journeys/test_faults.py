"""What was acknowledged stays, and is worked on once, whatever is killed, emptied or cut meanwhile."""

import json
import threading
import urllib.error
from collections import Counter
from typing import Any

import pytest
from celery import Celery

from config.local.stack import Stack
from tests.journeys import wire
from tests.journeys.conftest import Crew, kill_outright, new_key, results, start_again, wait_until
from tests.measurements import batches

pytestmark = [pytest.mark.journey, pytest.mark.fault]
BATCHES = "/api/v1/field/batches"
EVALUATED = """
query ($after: String) { jobs(first: 1) { edges { node { sessions(first: 100, after: $after) {
  pageInfo { hasNextPage endCursor }
  edges { node { id results(first: 3) { edges { node { id } } }
                 flags(first: 30) { edges { node { rule seen } } } } }
} } } } }
"""


def test_A8_a_repeat_after_a_cut_connection_gets_the_lost_answer_byte_for_byte(
    interrupted: Any, stack: Stack, crews: dict[str, Crew]
) -> None:
    made, key = crews["Lost Answer"], new_key()
    body = batches.body(batches.traverse(made.place), batches.hood(made.place, unit="L/fortnight"))
    with wire.Cutter(stack.base_url) as cutter, wire.connect(cutter.base_url) as client:
        client.sendall(wire.request(stack.base_url, made.tablet.token, BATCHES, body, key))
        with pytest.raises(ConnectionResetError):
            client.recv(1)
    head, _, lost = cutter.answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200")
    assert [one["outcome"] for one in json.loads(lost)["outcomes"]] == ["stored", "refused"]
    for _ in range(2):
        again = made.tablet.send("POST", BATCHES, body, headers={}, key=key)
        assert (again.status, again.body) == (200, lost)
        assert again.headers["Idempotent-Replayed"] == "true"
    assert len(made.sessions()) == 1
    wait_until("the event", lambda: happened(made)["session.evaluated"])
    assert happened(made)["session.stored"] == happened(made)["session.evaluated"] == 1


def test_A8_a_client_that_vanishes_without_waiting_may_ask_again(
    interrupted: Any, stack: Stack, crews: dict[str, Crew]
) -> None:
    made, key = crews["Vanished Client"], new_key()
    body = batches.body(batches.traverse(made.place))
    wire.send_and_vanish(stack.base_url, wire.request(stack.base_url, made.tablet.token, BATCHES, body, key))
    answers = [made.tablet.send("POST", BATCHES, body, headers={}, key=key) for _ in range(2)]
    assert [one.status for one in answers] == [200, 200]
    assert answers[0].body == answers[1].body
    assert [one["outcome"] for one in answers[0].json["outcomes"]] == ["stored"]
    assert len(made.sessions()) == 1


class Poster(threading.Thread):
    """Posts sessions one by one, each with its key until it is acknowledged, as a tablet does."""

    def __init__(self, made: Crew, count: int) -> None:
        super().__init__(daemon=True)
        self.crew, self.acked, self.cuts = made, list[str](), 0
        self.sessions = [batches.hood(made.place, f"S-{n % 3 + 1}") for n in range(count)]

    def run(self) -> None:
        for session in self.sessions:
            key, body = new_key(), batches.body(session)
            wait_until(session["id"], lambda key=key, body=body: self.acknowledged(body, key), 60)
            self.acked.append(session["id"])

    def acknowledged(self, body: bytes, key: str) -> bool:
        try:
            answer = self.crew.tablet.send("POST", BATCHES, body, headers={}, key=key)
        except (urllib.error.URLError, OSError):
            self.cuts += 1
            return False
        return answer.status == 200


def test_F1_what_the_killed_web_server_acknowledged_is_all_there_once(
    interrupted: Any, stack: Stack, crews: dict[str, Crew]
) -> None:
    made = crews["Killed Web"]
    posters = [Poster(made, 25) for _ in range(3)]
    for poster in posters:
        poster.start()
    wait_until("some posts", lambda: all(len(poster.acked) >= 5 for poster in posters), pause=0.01)
    kill_outright(stack, "web")
    acked = {one for poster in posters for one in poster.acked}
    start_again(stack, "web")
    assert acked <= set(made.sessions())
    for poster in posters:
        poster.join(60)
        assert poster.cuts, "the web server was not killed while this one posted"
    assert {one["id"] for poster in posters for one in poster.sessions} == set(made.sessions())


def test_F2_every_session_is_evaluated_once_although_the_worker_was_killed_and_the_queue_emptied(
    interrupted: tuple[Crew, set[str]], stack: Stack
) -> None:
    made, sent = interrupted
    wait_until("all results", lambda: results(made) == len(sent), seconds=70, pause=0.5)
    found = evaluated(made)
    assert len(found) == len(sent)
    for session in found:
        assert len(session["results"]["edges"]) == 1
        flags = [(edge["node"]["rule"], edge["node"]["seen"]) for edge in session["flags"]["edges"]]
        assert len(set(flags)) == len(flags)
    wait_until("all events numbered", lambda: happened(made)["session.evaluated"] == len(sent))
    events = made.events()
    assert [event["number"] for event in events] == list(range(1, len(events) + 1))
    for verb in ("session.stored", "session.evaluated"):
        assert {e["subject"]["id"] for e in events if e["verb"] == verb} == sent
        assert happened(made)[verb] == len(sent)
    stack.manage("verify_evidence", "--company", made.company)


def test_I4_a_message_of_another_form_or_name_is_refused_and_the_worker_lives(
    interrupted: Any, stack: Stack, crews: dict[str, Crew]
) -> None:
    made, worker = crews["Strange Message"], stack.service("worker")
    before = worker.log.stat().st_size
    broker = stack.environment["REDIS_URL"].replace("unix://", "redis+socket://", 1)
    with Celery(broker=broker, set_as_current=False) as stranger:
        stranger.send_task("jobs.no_such_task", queue="default")
        stranger.send_task("jobs.sweep", queue="default", serializer="pickle")
    assert made.send([batches.hood(made.place)], new_key()).status == 200
    wait_until("the result", lambda: results(made) == 1)

    def refused() -> bool:
        with worker.log.open() as log:
            log.seek(before)
            words = log.read()
        return "jobs.no_such_task" in words and "pickle" in words

    wait_until("both refusals in the log", refused)
    assert worker.alive()


def happened(made: Crew) -> Counter[str]:
    return Counter(event["verb"] for event in made.events())


def evaluated(made: Crew) -> list[Any]:
    """All sessions with their results and flags, by GraphQL."""
    rows: list[Any] = []
    after: str | None = None
    while True:
        asked = {"query": EVALUATED, "variables": {"after": after}}
        answer = made.office.call("POST", "/graphql", asked).json
        assert "errors" not in answer, answer
        page = answer["data"]["jobs"]["edges"][0]["node"]["sessions"]
        rows += [edge["node"] for edge in page["edges"]]
        if not page["pageInfo"]["hasNextPage"]:
            return rows
        after = page["pageInfo"]["endCursor"]
