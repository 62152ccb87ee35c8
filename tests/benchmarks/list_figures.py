"""Figures of long lists: a page of 100 sessions deep in a list of 300,000, beside its first page.

Run: python -m tests.benchmarks.list_figures. It starts a PostgreSQL of its own and a web server with two
processes, as the service runs. The sessions are copies of one that a tablet posted, made in SQL with ids of
their own; keysets have to carry, not evidence. Both pages are asked for by turns over one connection.
"""

import http.client
import statistics
import time
from typing import Any
from uuid import UUID

from tests.benchmarks.intake_figures import SETTINGS, Web, figure
from tests.benchmarks.own import own_database

SESSIONS, DEPTH, PAGE, ROUNDS = 300_000, 290_000, 100, 60
COPY = """
INSERT INTO measurements_session ({names})
SELECT {values} FROM measurements_session CROSS JOIN generate_series(1, {count}) n
"""


def main() -> None:
    own_database(SETTINGS)
    world, deep = made()
    with Web() as web:
        report(web.port, world.key_text, deep)


def made() -> tuple[Any, UUID]:
    """A company with many sessions, and the one after which the deep page begins."""
    from django.db import connection

    from tests import factories
    from tests.database import owner_connection
    from tests.measurements import batches
    from tests.reports import scene

    world = factories.make_world()
    scene.post(world, batches.hood(world))
    connection.close()
    with owner_connection(autocommit=True) as owner:
        owner.execute(f"SET app.company = '{world.id}'")
        columns = owner.execute(
            "SELECT column_name FROM information_schema.columns WHERE table_name = 'measurements_session'"
        )
        names = [name for (name,) in columns.fetchall()]
        values = ["uuidv7(n * interval '-1 ms')" if name == "id" else name for name in names]
        owner.execute(COPY.format(names=", ".join(names), values=", ".join(values), count=SESSIONS))
        owner.execute("VACUUM ANALYZE measurements_session")
        row = owner.execute(
            "SELECT id FROM measurements_session ORDER BY id DESC OFFSET %s LIMIT 1", [DEPTH]
        ).fetchone()
    assert row is not None
    return world, row[0]


def report(port: int, key: str, deep: UUID) -> None:
    server = http.client.HTTPConnection("127.0.0.1", port, timeout=60)

    def taken(path: str) -> float:
        began = time.perf_counter()
        server.request("GET", path, headers={"Authorization": f"Bearer {key}"})
        answer = server.getresponse()
        content = answer.read()
        spent = time.perf_counter() - began
        if answer.status != 200 or content.count(b'"method"') < PAGE:
            raise SystemExit(f"{path}: {answer.status} {content[:300]!r}")
        return spent

    paths = {"first": f"/api/v1/sessions?limit={PAGE}"}
    paths["deep"] = f"{paths['first']}&after={deep}"
    for path in paths.values():
        for _ in range(6):
            taken(path)  # untimed: plans and caches of both processes
    times = [{name: taken(path) for name, path in paths.items()} for _ in range(ROUNDS)]
    for name in paths:
        figure(f"page of {PAGE} sessions, {name}", 1000 * statistics.median(t[name] for t in times), "ms")
    ratio = statistics.median(t["deep"] / t["first"] for t in times)
    figure(f"page of {PAGE} at depth {DEPTH} over the first", ratio, "x")


if __name__ == "__main__":
    main()
