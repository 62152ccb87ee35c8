"""Figures of nested reads: a job with systems, sessions and results, by GraphQL, REST, the database alone.

Run: python -m tests.benchmarks.nested_figures. It starts a PostgreSQL of its own and a web server with two
processes, as the service runs. The limit is one statement that makes the whole answer in the database
(json_agg) through a prepared cursor, behind the same door: the same server, sign-in, transaction and row
security. REST's answer of the same job tells every figure of a result, GraphQL and the limit the ledger line.
Contenders take turns in each round, in an order that goes round; each ratio is the median of its rounds.
"""

import http.client
import json
import statistics
import time
from collections.abc import Callable
from typing import Any

from tests.benchmarks.intake_figures import SETTINGS, Web
from tests.benchmarks.own import own_database

SYSTEMS, POINTS, READINGS, JOBS = 5, 3, 90, 8
ROUNDS = 31
LINE = "value { value expandedUncertainty unit } verdict shareOfDesign { value expandedUncertainty }"
SESSION = "uuid method startedAt finishedAt result { %s } %s"
SERIES = "readings { run line point quantity value entered unit takenAt }"
NESTED = """query ($id: ID!) { job(id: $id) { number title status systems(first: 10) { edges { node { tag name
  points(first: 10) { edges { node { tag kind sessions(first: 10) { edges { node { %s } } } } } } } } } } }"""
BRIEF = NESTED % (SESSION % (LINE, ""))
WHOLE = NESTED % (SESSION % (LINE, SERIES))


def main() -> None:
    own_database(SETTINGS)
    world, jobs = made()
    with Web() as web:
        report(web.port, world.key_text, jobs)


def made() -> tuple[Any, list[str]]:
    """A company with jobs, each of 5 systems with 3 points, measured once with 90 readings."""
    from django.db import connection
    from django.utils import timezone

    from jobs import due
    from jobs.tenancy.context import company
    from measurements.models import Reading, Session
    from tests import factories
    from tests.database import owner_connection
    from tests.measurements import batches
    from tests.reports import scene

    world, jobs = factories.make_world(), []
    for n in range(JOBS):
        with company(world.id):
            systems = [factories.system(world.site, f"S{n}-{m}") for m in range(SYSTEMS)]
            points = [factories.outlet(one, f"P-{k}") for one in systems for k in range(POINTS)]
            job = factories.job(world.site, *systems)
        jobs.append(str(job.id))
        scene.post(
            world,
            *[batches.hood(world, "S-1", "88.0", job=str(job.id), test_point=str(one.id)) for one in points],
        )
        with company(world.id):
            rows = [
                Reading(
                    session=session, run=1, line=1, point=at + 1, quantity="flow", value=0.088,
                    entered="88.0", unit="L/s", taken_at=timezone.now(),
                )
                for session in Session.objects.filter(job=job)
                for at in range(READINGS - 2)
            ]  # fmt: skip
            Reading.objects.bulk_create(rows)
    due.work(world.id)
    owner = owner_connection()
    owner.autocommit = True
    owner.execute("ANALYZE")
    owner.close()
    connection.close()
    return world, jobs


def report(port: int, key: str, jobs: list[str]) -> None:
    server = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}

    def asked(method: str, path: str, body: bytes | None = None) -> bytes:
        server.request(method, path, body, headers)
        answer = server.getresponse()
        content = answer.read()
        if answer.status != 200 or b'"errors"' in content:
            raise SystemExit(f"{path}: {answer.status} {content[:300]!r}")
        return content

    def graphql(query: str) -> Callable[[str], bytes]:
        return lambda job: asked(
            "POST", "/graphql", json.dumps({"query": query, "variables": {"id": job}}).encode()
        )

    contenders: dict[str, Callable[[str], bytes]] = {
        "json_agg": lambda job: asked("GET", f"/peer/nested/{job}"),
        "REST": lambda job: asked("GET", f"/api/v1/jobs/{job}/results"),
        "GraphQL": graphql(BRIEF),
        "json_agg with readings": lambda job: asked("GET", f"/peer/nested/{job}?readings=1"),
        "GraphQL with readings": graphql(WHOLE),
    }
    times = taken(contenders, jobs)
    for name, job in ((name, jobs[0]) for name in contenders):
        size = len(contenders[name](job)) / 1024
        print(f"figure: nested read, {name} = {1000 * statistics.median(times[name]):.1f} ms, {size:.1f} KB")
    for name, limit in (
        ("REST", "json_agg"),
        ("GraphQL", "json_agg"),
        ("GraphQL with readings", "json_agg with readings"),
    ):
        ratios = sorted(one / other for one, other in zip(times[name], times[limit], strict=True))
        low, high = ratios[len(ratios) // 10], ratios[-len(ratios) // 10]
        middle = statistics.median(ratios)
        print(f"figure: nested read, {name} / {limit} = {middle:.2f} x [{low:.2f} - {high:.2f}]")


def taken(contenders: dict[str, Callable[[str], bytes]], jobs: list[str]) -> dict[str, list[float]]:
    """Seconds of each contender in each round, all of a round for one job."""
    times: dict[str, list[float]] = {name: [] for name in contenders}
    names = list(contenders)
    for name in names:
        for job in jobs:
            contenders[name](job)  # untimed: plans, caches of both processes
    for turn in range(ROUNDS):
        job = jobs[turn % len(jobs)]
        for name in names[turn % len(names) :] + names[: turn % len(names)]:
            began = time.perf_counter()
            contenders[name](job)
            times[name].append(time.perf_counter() - began)
    return times


if __name__ == "__main__":
    main()
