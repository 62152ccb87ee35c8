"""One stack of real processes for all journeys, and companies in it."""

import json
import os
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import redis

from config.local.demo.client import Answer, Client
from config.local.stack import Stack, free_port, start_all, test_services
from tests.measurements import batches

ROOT = Path(__file__).resolve().parents[2]
SWEEP_SECONDS = 1
COMPANIES = ["Killed Worker", "Lost Answer", "Vanished Client", "Killed Web", "Told Others"]
COMPANIES += ["Strange Message"]


@pytest.fixture(scope="package")
def stack() -> Iterator[Stack]:
    """PostgreSQL, Valkey, web, worker and beat, with a quick sweep."""
    with test_services() as made:
        made.environment |= {"SWEEP_SECONDS": str(SWEEP_SECONDS), "REQUESTS_A_MINUTE": "100000"}
        made.environment |= {"WEBHOOK_TEST_NETWORKS": "127.0.0.4/30"}
        start_all(made, free_port())
        yield made


@dataclass(frozen=True)
class Crew:
    """A company's technician with a tablet, and an office that reads with a key."""

    company: str
    place: Any  # what tests.measurements.batches takes for a world
    tablet: Client
    office: Client
    owner: str  # their e-mail

    def send(self, sessions: list[dict[str, Any]], key: str) -> Answer:
        return self.tablet.send("POST", "/api/v1/field/batches", batches.body(*sessions), headers={}, key=key)

    def sessions(self) -> dict[str, dict[str, Any]]:
        """All stored sessions by id."""
        rows = self.office.all("/api/v1/sessions?limit=200")
        found = {row["id"]: row for row in rows}
        assert len(found) == len(rows)
        return found

    def events(self) -> list[dict[str, Any]]:
        return self.office.all("/api/v1/events?limit=200")


@pytest.fixture(scope="package")
def crews(stack: Stack) -> dict[str, Crew]:
    """A company of its own for each journey, by name."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.journeys.seed", *COMPANIES],
        cwd=ROOT, env=stack.environment, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    made = json.loads(done.stdout.splitlines()[-1])
    return {name: crew_of(stack, known) for name, known in made.items()}


def crew_of(stack: Stack, known: dict[str, Any]) -> Crew:
    place = SimpleNamespace(
        job=SimpleNamespace(id=known["job"]),
        points={tag: SimpleNamespace(id=one) for tag, one in known["points"].items()},
        instruments={use: SimpleNamespace(id=one) for use, one in known["instruments"].items()},
    )
    tablet, office = (Client(stack.base_url, token=known[name]) for name in ("tablet", "key"))
    return Crew(known["company"], place, tablet, office, known["owner"])


def new_key() -> str:
    return str(uuid.uuid4())


def wait_until(what: str, true: Callable[[], Any], seconds: float = 30, pause: float = 0.1) -> Any:
    """Asks again and again; returns the first answer that is true."""
    deadline = time.monotonic() + seconds
    while not (found := true()):
        assert time.monotonic() < deadline, f"{what}: not within {seconds:g} s"
        time.sleep(pause)
    return found


def kill_outright(stack: Stack, name: str) -> None:
    """SIGKILL to a service that this stack started, and to all that it started."""
    process = stack.service(name).process
    assert process is not None
    os.killpg(process.pid, signal.SIGKILL)
    process.wait(10)


def start_again(stack: Stack, name: str) -> None:
    stack.service(name).start()
    stack.service(name).wait_ready()


@pytest.fixture(scope="package")
def interrupted(stack: Stack, crews: dict[str, Crew]) -> tuple[Crew, set[str]]:
    """A worker killed outright in the middle of its work, with the queue emptied; then a new one.

    What it had in hands is taken up again when its lease is over, so the other journeys run meanwhile.
    """
    made = crews["Killed Worker"]
    sent = [batches.traverse(made.place, "MD-1", flow=0.9) for _ in range(60)]
    sent += [batches.hood(made.place, f"S-{n % 3 + 1}", "61.0") for n in range(40)]
    answer = made.send(sent, new_key())
    assert answer.status == 200, answer.body
    wait_until("a first result", lambda: results(made), pause=0.02)
    kill_outright(stack, "worker")
    with redis.Redis(unix_socket_path=stack.environment["REDIS_URL"].removeprefix("unix://")) as queue:
        queue.flushall()
    done = results(made)
    assert 0 < done < len(sent), "the worker was not killed in the middle"
    start_again(stack, "worker")
    return made, {one["id"] for one in sent}


def results(of: Crew) -> int:
    """How many sessions have a result."""
    return sum(row["result"] is not None for row in of.sessions().values())
