"""The ten most used requests, asked of a company among many and of one that is alone, by turns.

Among many, each is asked of another middle-sized company than the one before, so that its rows are not the
ones just read. Alone, it is always the same company: there is no other.
"""

import http.client
import json
import statistics
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import cycle, islice
from typing import Any
from uuid import UUID

from strawberry.relay import to_base64

from jobs.access import join_token
from jobs.tenancy.ids import uuid7
from tests.benchmarks.scale.copies import copy_id
from tests.factories import World

NESTED = """
query ($id: ID!) { node(id: $id) { ... on Job { number title status
  systems(first: 3) { edges { node { tag points(first: 20) { edges { node { tag kind designFlow } } } } } }
  sessions(first: 100) { edges { node { method finishedAt testPoint { tag }
    results(first: 1) { edges { node { verdict flow { value expandedUncertainty } } } } } } } } } }
"""
BESIDE = """
SELECT json_build_object('number', j.number, 'title', j.title, 'status', j.status,
  'systems', (SELECT json_agg(json_build_object('tag', s.tag, 'points', (
      SELECT json_agg(json_build_object('tag', p.tag, 'kind', p.kind, 'design', p.design_flow))
      FROM jobs_testpoint p WHERE p.company_id = s.company_id AND p.system_id = s.id)))
    FROM jobs_jobsystem js JOIN jobs_system s ON s.company_id = js.company_id AND s.id = js.system_id
    WHERE js.company_id = j.company_id AND js.job_id = j.id),
  'sessions', (SELECT json_agg(json_build_object('method', m.method, 'finished', m.finished_at, 'tag', p.tag,
      'verdict', r.verdict, 'flow', r.flow, 'u', r.flow_expanded))
    FROM (SELECT * FROM measurements_session WHERE company_id = j.company_id AND job_id = j.id
          ORDER BY id LIMIT 100) m
    JOIN jobs_testpoint p ON p.company_id = m.company_id AND p.id = m.test_point_id
    JOIN measurements_result r ON r.company_id = m.company_id AND r.session_id = m.id))
FROM jobs_job j WHERE j.company_id = %b AND j.id = %b
"""
"""Raw SQL for what NESTED asks."""


@dataclass(frozen=True)
class Caller:
    """A company as its people and keys reach it."""

    company: UUID
    job: UUID
    under_review: UUID
    technician: str
    key: str
    cookie: str
    batches: Iterator[bytes]

    def of_copy(self, number: int, cookie: str, batches: Iterator[bytes]) -> "Caller":
        """The same people of a copy. Secrets are those of the original; the company in a token is not."""
        company = copy_id(self.company, number)
        return Caller(
            company,
            copy_id(self.job, number),
            copy_id(self.under_review, number),
            join_token(company, self.technician.partition(".")[2]),
            join_token(company, self.key.partition(".")[2]),
            cookie,
            batches,
        )


@dataclass(frozen=True)
class Asked:
    """What is sent: method, path, headers and a body."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes = b""


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def once() -> dict[str, str]:
    return {"Content-Type": "application/json", "Idempotency-Key": str(uuid7())}


def nested(caller: Caller) -> Asked:
    body = json.dumps({"query": NESTED, "variables": {"id": to_base64("Job", caller.job)}}).encode()
    return Asked("POST", "/graphql", bearer(caller.key) | {"Content-Type": "application/json"}, body)


REQUESTS: dict[str, Callable[[Caller], Asked]] = {
    "batch of 10 sessions": lambda c: Asked(
        "POST", "/api/v1/field/batches", bearer(c.technician) | once(), next(c.batches)
    ),
    "worklist": lambda c: Asked("GET", "/api/v1/field/worklist", bearer(c.technician)),
    "state of a job": lambda c: Asked("GET", f"/api/v1/field/jobs/{c.job}/state", bearer(c.technician)),
    "jobs, page": lambda c: Asked("GET", "/jobs", {"Cookie": c.cookie}),
    "job, page": lambda c: Asked("GET", f"/jobs/{c.job}", {"Cookie": c.cookie}),
    "review queue, page": lambda c: Asked("GET", "/review", {"Cookie": c.cookie}),
    "review of a job, page": lambda c: Asked("GET", f"/review/{c.under_review}", {"Cookie": c.cookie}),
    "sessions of a job": lambda c: Asked("GET", f"/api/v1/sessions?job={c.job}&limit=100", bearer(c.key)),
    "events": lambda c: Asked("GET", "/api/v1/events?limit=100", bearer(c.key)),
    "job, nested GraphQL": nested,
}


def compare(
    servers: dict[str, int], callers: Mapping[str, Sequence[Caller]], rounds: int
) -> dict[str, dict[str, list[float]]]:
    """Milliseconds of every request by name and server. The first round warms both and is left out."""
    links = {
        name: http.client.HTTPConnection("127.0.0.1", port, timeout=60) for name, port in servers.items()
    }
    turns = {
        (server, name): islice(cycle(found), start, None)
        for server, found in callers.items()
        for start, name in enumerate(REQUESTS)
    }
    spent: dict[str, dict[str, list[float]]] = {name: {server: [] for server in servers} for name in REQUESTS}
    for turn in range(-1 - max(len(found) for found in callers.values()), rounds):
        for name, make in REQUESTS.items():
            order = list(servers) if turn % 2 else list(servers)[::-1]
            for server in order:
                milliseconds = ask(links[server], make(next(turns[server, name])), name)
                if turn >= 0:
                    spent[name][server].append(milliseconds)
    return spent


def ask(link: http.client.HTTPConnection, asked: Asked, name: str) -> float:
    """Milliseconds of one request. Ends the program when the answer is not what it should be."""
    began = time.perf_counter()
    link.request(asked.method, asked.path, asked.body, asked.headers)
    answer = link.getresponse()
    body = answer.read()
    spent = 1000 * (time.perf_counter() - began)
    if answer.status != 200 or (name.endswith("GraphQL") and b'"errors"' in body):
        raise SystemExit(f"{name}: {answer.status} {body[:400]!r}")
    return spent


def quantile(values: Sequence[float], share: float) -> float:
    return statistics.quantiles(values, n=100)[round(100 * share) - 1]


def batches_of(world: World, count: int, number: int | None = None) -> Iterator[bytes]:
    """Bodies of ten sessions of one open job of the original or of a copy of it."""
    from tests.measurements import batches

    for _ in range(count):
        sent = [batches.hood(world, f"S-{n % 10 + 1}", "89.5") for n in range(8)]
        text = batches.body(batches.traverse(world), batches.traverse(world), *sent).decode()
        yield (text if number is None else moved(text, world, number)).encode()


def moved(text: str, world: World, number: int) -> str:
    """The text with the ids of the copy in the place of the original's."""
    rows: list[Any] = [world.job, *world.points.values(), *world.instruments.values()]
    for row in rows:
        text = text.replace(str(row.id), str(copy_id(row.id, number)))
    return text
