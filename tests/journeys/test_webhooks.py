"""From a reading on a tablet to another system: real web server, real worker, the example's receiver."""

import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from config.local.demo.client import Client
from config.local.stack import Stack, free_port
from tests.factories import PASSWORD
from tests.journeys.conftest import ROOT, Crew, kill_outright, new_key, start_again, wait_until
from tests.measurements import batches

pytestmark = [pytest.mark.journey, pytest.mark.fault]
PROGRAM = ROOT / "examples" / "webhook_receiver" / "receiver.py"
HOST = "127.0.0.5"


@contextmanager
def receiving(secret: str, port: int, store: Path) -> Iterator[subprocess.Popen[str]]:
    """The example as a process of its own, killed outright at the end."""
    command = [sys.executable, str(PROGRAM), "--host", HOST, "--port", str(port), "--store", str(store)]
    environment = os.environ | {"WEBHOOK_SECRET": secret}
    with subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert "listening" in process.stdout.readline()
            yield process
        finally:
            process.kill()


def kept(store: Path) -> list[tuple[Any, ...]]:
    if not store.exists():
        return []
    with sqlite3.connect(store) as base:
        rows = base.execute("SELECT id, number, kind, body FROM event ORDER BY number")
        return list(rows.fetchall())


def owner_of(stack: Stack, made: Crew) -> Client:
    owner = Client(stack.base_url)
    owner.sign_in(made.owner, PASSWORD)
    return owner


def test_W8_what_happens_while_receiver_and_worker_are_away_arrives_signed_and_once(
    stack: Stack, crews: dict[str, Crew], tmp_path: Path
) -> None:
    made, port, store = crews["Told Others"], free_port(), tmp_path / "events.sqlite"
    owner = owner_of(stack, made)
    hook = owner.post("/api/v1/webhooks", {"url": f"http://{HOST}:{port}/hook"})
    attempts = f"/api/v1/webhooks/{hook['id']}/attempts"
    sent = [batches.hood(made.place, f"S-{n % 3 + 1}", "61.0") for n in range(30)]
    assert made.send(sent, new_key()).status == 200
    wait_until("a failed try", lambda: owner.all(attempts), seconds=60)
    assert {one["outcome"] for one in owner.all(attempts)} == {"unreachable"}
    kill_outright(stack, "worker")
    assert made.send([batches.traverse(made.place, "MD-1", flow=0.9)], new_key()).status == 200
    start_again(stack, "worker")
    with receiving(hook["secret"], port, store):
        owner.post(f"/api/v1/webhooks/{hook['id']}/sample")  # wakes it from its rest
        wait_until("the evaluations", lambda: evaluated(made) == 31, seconds=100, pause=0.5)
        wait_until("all events", lambda: logged(made) <= numbers(store), seconds=100, pause=0.5)
        rows = kept(store)
        assert len({row[0] for row in rows}) == len(rows)
        before = len(numbers(store))
        owner.post(f"/api/v1/webhooks/{hook['id']}/replay", {"after": 0})
        wait_until("the replay", lambda: len(numbers(store)) > before, seconds=100)
        wait_until("first events", lambda: 1 in numbers(store), seconds=100, pause=0.5)
        wait_until("whole log", lambda: logged(made, first=1) <= numbers(store), seconds=100, pause=0.5)
    final = kept(store)
    assert {row[0] for row in rows} <= {row[0] for row in final}
    told = {row[1]: json.loads(row[3]) for row in final if row[1]}
    for event in made.events():
        body = told[event["number"]]
        assert (body["type"], body["data"]["id"]) == (event["verb"], event["id"])
        assert body["data"]["data"] == event["data"]


def evaluated(made: Crew) -> int:
    return sum(event["verb"] == "session.evaluated" for event in made.events())


def numbers(store: Path) -> set[int]:
    return {row[1] for row in kept(store) if row[1] is not None}


def logged(made: Crew, first: int = 0) -> set[int]:
    """Numbers of the log from the webhook's making on, or from the first."""
    events = made.events()
    start = first or next(event["number"] for event in events if event["verb"] == "webhook.made")
    return {event["number"] for event in events if event["number"] >= start}


def test_secrets_are_in_no_log(stack: Stack, crews: dict[str, Crew]) -> None:
    owner = owner_of(stack, crews["Told Others"])
    hook = owner.post("/api/v1/webhooks", {"url": f"http://{HOST}:{free_port()}/path-that-is-secret"})
    owner.post(f"/api/v1/webhooks/{hook['id']}/sample")
    attempts = f"/api/v1/webhooks/{hook['id']}/attempts"
    wait_until("a try", lambda: owner.all(attempts), seconds=60)
    owner.call("DELETE", f"/api/v1/webhooks/{hook['id']}", expect=204)
    for file in stack.world.logs.glob("*.log"):
        text = file.read_text(errors="replace")
        assert hook["secret"] not in text
        assert "path-that-is-secret" not in text, file
