"""Figures of intake: readings a second, beside COPY of the same rows and the usual DRF way, in one run.

Run: python -m tests.benchmarks.intake_figures. It starts a PostgreSQL of its own (passing: commits are not
synced, for all contenders alike) and a web server with two processes, as the service runs. A batch holds 20
traverses of 25 readings. COPY is binary, 500 rows a commit on one connection, into a table with the same
indexes and foreign keys but without row security. The peer takes the same rows by a list serializer and
bulk_create behind the same sign-in. No worker runs, so that nothing but intake is measured; the due work and
the events are written. One reading a request is a session of a single reading, beside pgbench, which commits
one row of the same table at a time over as many connections. Contenders take turns; each line is the median
of the rounds.
"""

import http.client
import json
import os
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any
from uuid import UUID

from tests.benchmarks.own import ROOT, own_database

SESSIONS, READINGS, CONNECTIONS = 20, 25, 4
ROWS = SESSIONS * READINGS
BATCHES, PEER_BATCHES, ROUNDS = 24, 6, 5
ONES, PGBENCH_S = 300, 2
HISTORY = 40
"""Batches stored before anything is measured."""
SETTINGS = "tests.benchmarks.peer_settings"


def main() -> None:
    own_database(SETTINGS)
    run = Run()
    with Web() as web:
        run.report(web.port)


ONE_ROW = """INSERT INTO figures_reading (company_id, id, session_id, instrument_id, place, run, line, point,
  quantity, value, entered, unit, taken_at) VALUES ('{company}', uuidv7(), '{session_id}', '{instrument_id}',
  '', 1, 1, 1, '{quantity}', {value}, '{entered}', '{unit}', now())"""


class Web:
    """The web server, as config.local starts it, with the peer's address; `changes`: other environment."""

    def __init__(self, **changes: str) -> None:
        self.changes = changes

    def __enter__(self) -> "Web":
        from config.local.stack import answers, free_port

        self.port = free_port()
        address = f"http://127.0.0.1:{self.port}"
        environment = os.environ | {"PUBLIC_URL": address, "ALLOWED_HOSTS": "127.0.0.1"} | self.changes
        options = ["--interface", "wsgi", "--host", "127.0.0.1", "--port", str(self.port)]
        options += ["--workers", "2", "--blocking-threads", "2", "--no-ws", "--log-level", "error"]
        command = [sys.executable, "-m", "granian", *options, "config.wsgi:application"]
        self.process = subprocess.Popen(command, cwd=ROOT, env=environment, stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 300
        while not answers(f"{address}/healthz"):
            if self.process.poll() is not None or time.monotonic() > deadline:
                raise SystemExit("the web server did not start")
            time.sleep(0.1)
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(20)


class Run:
    """One company, and every contender's way to store the same rows."""

    def __init__(self) -> None:
        from django.db import connection

        from jobs.access import actor_for_token
        from jobs.tenancy.context import company
        from tests import factories
        from tests.database import owner_connection

        self.world = factories.make_world()
        with company(self.world.id):
            self.actor = actor_for_token(self.world.technician_token)
        self.owner = owner_connection()
        self.fill()
        connection.close()  # plans made for empty tables would be kept

    def fill(self) -> None:
        """Some history, and what the planner knows of it, as in a database that has been in use."""
        for _ in range(HISTORY):
            self.store(self.batch())
        self.owner.commit()
        self.owner.autocommit = True
        self.owner.execute("ANALYZE")
        self.owner.autocommit = False

    def store(self, text: bytes) -> None:
        from jobs.tenancy.context import company
        from measurements.intake import post_batch

        with company(self.world.id):
            post_batch(self.actor, text)

    def make_table(self) -> None:
        """For COPY. Made when the web server is up: at its start it refuses a table without row security."""
        self.owner.execute(
            "CREATE TABLE figures_reading (LIKE measurements_reading INCLUDING DEFAULTS INCLUDING INDEXES,"
            " FOREIGN KEY (company_id, session_id) REFERENCES measurements_session (company_id, id),"
            " FOREIGN KEY (company_id, instrument_id) REFERENCES jobs_instrument (company_id, id),"
            " FOREIGN KEY (company_id) REFERENCES jobs_company (id))"
        )
        self.owner.commit()

    # Bodies, made outside the timing

    def batch(self) -> bytes:
        from tests.measurements import batches

        values = batches.pressures(0.9)
        sent = [batches.traverse(self.world, readings=batches.readings(values)) for _ in range(SESSIONS)]
        return batches.body(*sent)

    def rows(self, count: int) -> list[list[dict[str, Any]]]:
        """The rows of as many batches, for sessions that stand."""
        from jobs.tenancy.context import company
        from measurements.intake import post_batch
        from measurements.models import Reading

        text = self.batch()
        with company(self.world.id):
            post_batch(self.actor, text)
            sessions = {UUID(one["id"]) for one in json.loads(text)["sessions"]}
            names = ("session_id", "instrument_id", "place", "run", "line", "point", "quantity", "value")
            names += ("entered", "unit", "taken_at")
            found = list(Reading.objects.filter(session__in=sessions).order_by("id").values(*names))
        from jobs.tenancy.ids import uuid7

        return [[{"id": uuid7(), **row} for row in found] for _ in range(count)]

    # Contenders: each returns readings a second

    def intake(self) -> float:
        bodies = [self.batch() for _ in range(BATCHES)]
        return rate([lambda text=text: self.store(text) for text in bodies])

    def peer(self) -> float:
        from jobs.tenancy.context import company
        from tests.benchmarks.peer_urls import take

        def store(text: bytes) -> None:
            with company(self.world.id):
                take(json.loads(text))

        bodies = [as_json(rows) for rows in self.rows(PEER_BATCHES)]
        return rate([lambda text=text: store(text) for text in bodies])

    def copy(self) -> float:
        kinds = ["uuid", "uuid", "uuid", "uuid", "text", "int2", "int2", "int2", "text", "float8", "text"]
        kinds += ["text"]
        order = ("id", "session_id", "instrument_id", "place", "run", "line", "point", "quantity", "value")
        order += ("entered", "unit", "taken_at")
        statement = f"COPY figures_reading (company_id, {', '.join(order)}) FROM STDIN (FORMAT binary)"

        def store(rows: list[tuple[Any, ...]]) -> None:
            with self.owner.cursor() as cursor, cursor.copy(statement) as copying:
                copying.set_types([*kinds, "timestamptz"])
                for row in rows:
                    copying.write_row(row)
            self.owner.commit()

        all_rows = [
            [(self.world.id, *(row[name] for name in order)) for row in rows] for rows in self.rows(BATCHES)
        ]
        return rate([lambda rows=rows: store(rows) for rows in all_rows])

    def intake_http(self, connections: int = CONNECTIONS) -> float:
        bodies = [self.batch() for _ in range(BATCHES * 2)]
        return self.over_http("/api/v1/field/batches", bodies, connections)

    def intake_http_one(self) -> float:
        return self.intake_http(1)

    def peer_http(self) -> float:
        bodies = [as_json(rows) for rows in self.rows(PEER_BATCHES * 2)]
        return self.over_http("/peer/readings", bodies, CONNECTIONS)

    def intake_ones(self) -> float:
        """Batches of one session with one reading."""
        from tests.measurements import batches

        one = batches.hood(self.world)["readings"][:1]
        bodies = [batches.body(batches.hood(self.world, readings=one)) for _ in range(ONES)]
        return self.over_http("/api/v1/field/batches", bodies, CONNECTIONS, rows=1)

    def one_row_commits(self) -> float:
        """What the database alone commits, a row a time; without row security, events and due work."""
        from config.local.postgres import PACKAGED

        script = ONE_ROW.format(company=self.world.id, **self.rows(1)[0][0])
        known = self.owner.info
        with tempfile.NamedTemporaryFile("w", suffix=".sql") as file:
            file.write(script)
            file.flush()
            command = [str(PACKAGED / "pginstall" / "bin" / "pgbench"), "-n", f"-c{CONNECTIONS}", "-j1"]
            command += [f"-T{PGBENCH_S}", "-M", "prepared", "-f", file.name, "-h", known.host]
            command += ["-p", str(known.port), "-U", known.user, known.dbname]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
        found = re.search(r"tps = ([\d.]+)", done.stdout)
        assert found is not None, done.stdout
        return float(found[1])

    def repeat(self) -> float:
        """The second send of known batches, in process."""
        bodies = [self.batch() for _ in range(BATCHES)]
        for text in bodies:
            self.store(text)
        return rate([lambda text=text: self.store(text) for text in bodies])

    def over_http(self, path: str, bodies: Sequence[bytes], connections: int, rows: int = ROWS) -> float:
        from jobs.tenancy.ids import uuid7

        waiting, wrong = list(bodies), []

        def post() -> None:
            server = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
            while True:
                try:
                    text = waiting.pop()
                except IndexError:
                    return server.close()
                headers = {"Authorization": f"Bearer {self.world.technician_token}"}
                headers |= {"Content-Type": "application/json", "Idempotency-Key": str(uuid7())}
                server.request("POST", path, text, headers)
                answer = server.getresponse()
                content = answer.read()
                if answer.status != 200 or b"refused" in content:
                    wrong.append(content[:500])

        threads = [threading.Thread(target=post) for _ in range(connections)]
        started = time.perf_counter()
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        spent = time.perf_counter() - started
        if wrong:
            raise SystemExit(f"not stored: {wrong[0]!r}")
        return rows * len(bodies) / spent

    def report(self, port: int) -> None:
        self.port = port
        self.make_table()
        contenders: dict[str, Callable[[], float]] = {
            "copy": self.copy,
            "intake": self.intake,
            "repeat": self.repeat,
            "drf bulk_create": self.peer,
            "intake http": self.intake_http,
            "intake http, 1 connection": self.intake_http_one,
            "intake http, one reading a request": self.intake_ones,
            "one-row commits": self.one_row_commits,
            "drf bulk_create http": self.peer_http,
        }
        found: dict[str, list[float]] = {name: [] for name in contenders}
        for _ in range(ROUNDS):
            for name, run in contenders.items():
                found[name].append(run())
        middle = {name: statistics.median(values) for name, values in found.items()}
        for name, value in middle.items():
            figure(f"readings a second, {name}", value, "1/s")
        for name, other in (
            ("intake", "copy"),
            ("intake", "drf bulk_create"),
            ("repeat", "intake"),
            ("intake http", "copy"),
            ("intake http, 1 connection", "copy"),
            ("intake http", "drf bulk_create http"),
            ("intake http, one reading a request", "one-row commits"),
        ):
            paired = statistics.median(a / b for a, b in zip(found[name], found[other], strict=True))
            figure(f"{name} of {other}", paired, "")


def rate(work: Sequence[Callable[[], None]]) -> float:
    work[0]()  # warm: connection, caches
    started = time.perf_counter()
    for one in work[1:]:
        one()
    return ROWS * (len(work) - 1) / (time.perf_counter() - started)


def as_json(rows: list[dict[str, Any]]) -> bytes:
    return json.dumps(rows, default=str).encode()


def figure(name: str, value: float, unit: str) -> None:
    shown = f"{value:.0f}" if value >= 100 else f"{value:.2f}"
    print(f"figure: {name} = {shown} {unit}".rstrip())


if __name__ == "__main__":
    main()
