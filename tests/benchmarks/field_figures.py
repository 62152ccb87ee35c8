"""Figures of the field: fifty tablets at once beside COPY, the worklist, a job's state and its page.

Run: python -m tests.benchmarks.field_figures. It starts a PostgreSQL of its own (passing: commits are not
synced, for all contenders alike) and a web server with two processes, as the service runs. Fifty tablets of
five companies, each with a person's sign-in and a connection of its own, start at one moment and post batches
of 500 readings one after another; COPY stores as many rows on one connection in the same round. Then a job of
200 points, its outlets measured and evaluated, is read over HTTP by one client.
"""

import gzip
import http.client
import statistics
import threading
import time
from collections.abc import Sequence
from typing import Any

from tests.benchmarks.intake_figures import ROWS, SESSIONS, Run, Web, figure
from tests.benchmarks.own import own_database

COMPANIES, TABLETS, BATCHES, ROUNDS = 5, 50, 4, 5
SYSTEMS, OUTLETS = 10, 18
"""Of the job that is read; each system has a main and a branch too, which makes 200 points."""
READS = 40


def main() -> None:
    own_database("config.settings", REQUESTS_A_MINUTE="1000000")
    run, job = Run(), LargeJob()
    tablets = make_tablets()
    with Web() as web:
        run.port = web.port
        run.make_table()
        batches_figures(run, tablets)
        job.report(web.port)


class Tablet:
    """A person signed in on a tablet of a company, with batches to post."""

    def __init__(self, world: Any, token: str) -> None:
        self.world, self.token = world, token
        self.bodies: list[bytes] = []
        self.spent: list[float] = []
        self.wrong: list[bytes] = []

    def fill(self) -> None:
        from tests.measurements import batches

        values = batches.pressures(0.9)
        self.bodies = [
            batches.body(
                *(batches.traverse(self.world, readings=batches.readings(values)) for _ in range(SESSIONS))
            )
            for _ in range(BATCHES)
        ]

    def post(self, port: int, together: threading.Barrier) -> None:
        """Posts all batches over one connection; remembers what each took, in seconds."""
        from jobs.tenancy.ids import uuid7

        server = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
        head = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        together.wait()
        for text in self.bodies:
            began = time.perf_counter()
            server.request("POST", "/api/v1/field/batches", text, head | {"Idempotency-Key": str(uuid7())})
            answer = server.getresponse()
            content = answer.read()
            self.spent.append(time.perf_counter() - began)
            if answer.status != 200 or content.count(b'"stored"') != SESSIONS:
                self.wrong.append(content[:500])
        server.close()


def make_tablets() -> list[Tablet]:
    from django.db import connection

    from jobs.access import Role
    from jobs.models import Device, TokenKind
    from jobs.tenancy.context import company
    from tests import factories

    found = []
    for number in range(COMPANIES):
        world = factories.make_world(f"Company {number}")
        with company(world.id):
            for _ in range(TABLETS // COMPANIES):
                member = factories.make_member(world.id, Role.TECHNICIAN)
                device = Device.objects.create(name="Tablet", enrolled_by=world.owner)
                _, text = factories.token(TokenKind.PERSON, device=device, member=member)
                found.append(Tablet(world, text))
    connection.close()
    return found


def batches_figures(run: Run, tablets: Sequence[Tablet]) -> None:
    """Rounds of all tablets and of COPY by turns; the first round warms both."""
    rates: dict[str, list[float]] = {"copy": [], "tablets": []}
    spent: list[float] = []
    for turn in range(ROUNDS + 1):
        rate, times = post_all(run.port, tablets)
        copied = run.copy()
        if turn:
            rates["tablets"].append(rate)
            rates["copy"].append(copied)
            spent += times
    figure("readings a second, copy", statistics.median(rates["copy"]), "1/s")
    figure(f"readings a second, {TABLETS} tablets at once", statistics.median(rates["tablets"]), "1/s")
    paired = [a / b for a, b in zip(rates["tablets"], rates["copy"], strict=True)]
    figure(f"{TABLETS} tablets of copy", statistics.median(paired), "")
    parts = statistics.quantiles(spent, n=100)
    figure(f"batch of {ROWS} readings, {TABLETS} tablets at once, p50", 1000 * parts[49], "ms")
    figure(f"batch of {ROWS} readings, {TABLETS} tablets at once, p95", 1000 * parts[94], "ms")
    lone = tablets[0]
    times = [one for _ in range(5) for one in post_all(run.port, [lone])[1]]
    parts = statistics.quantiles(times, n=100)
    figure(f"batch of {ROWS} readings, one tablet, p50", 1000 * parts[49], "ms")
    figure(f"batch of {ROWS} readings, one tablet, p95", 1000 * parts[94], "ms")


def post_all(port: int, tablets: Sequence[Tablet]) -> tuple[float, list[float]]:
    """Readings a second, and what each batch took in seconds. Ends the program when one was not stored."""
    for tablet in tablets:
        tablet.fill()
        tablet.spent = []
    together = threading.Barrier(len(tablets) + 1)
    threads = [threading.Thread(target=tablet.post, args=(port, together)) for tablet in tablets]
    for thread in threads:
        thread.start()
    together.wait()
    began = time.perf_counter()
    for thread in threads:
        thread.join()
    seconds = time.perf_counter() - began
    if wrong := next((tablet.wrong[0] for tablet in tablets if tablet.wrong), None):
        raise SystemExit(f"not stored: {wrong!r}")
    return len(tablets) * BATCHES * ROWS / seconds, [one for tablet in tablets for one in tablet.spent]


class LargeJob:
    """A job of 200 points, its outlets measured and evaluated, read by a tablet and by a browser."""

    def __init__(self) -> None:
        from django.db import connection

        from jobs import due
        from jobs.tenancy.context import company
        from tests import factories
        from tests.measurements import batches
        from tests.reports import scene

        self.world = factories.make_world("Saltmarsh Air")
        with company(self.world.id):
            scene.fine_tools(self.world)
            self.world.job.job_systems.all().delete()
            for number in range(SYSTEMS):
                self.add(factories.system(self.world.site, f"AHU-{number + 11}"))
        sent = [
            batches.hood(self.world, tag, f"{86 + n % 9}.{n % 10}")
            for n, tag in enumerate(tag for tag in self.world.points if "/" in tag)
        ]
        for start in range(0, len(sent), 100):
            batches.post(self.world, *sent[start : start + 100])
        due.work(self.world.id)
        connection.close()

    def add(self, system: Any) -> None:
        from tests import factories

        self.world.job.job_systems.create(system=system)
        main = factories.plane(system, position=1)
        branch = factories.round_plane(system, parent=main, position=2)
        for n in range(OUTLETS):
            tag = f"S-{n + 1}"
            point = factories.outlet(system, tag, parent=branch, position=3 + n, location=f"Room {n + 1}")
            self.world.points[f"{system.tag}/{tag}"] = point

    def report(self, port: int) -> None:
        self.port = port
        points = SYSTEMS * (OUTLETS + 2)
        bearer = {"Authorization": f"Bearer {self.world.technician_token}"}
        state = f"/api/v1/field/jobs/{self.world.job.id}/state"
        for name, path in (("worklist", "/api/v1/field/worklist"), ("state of a job", state)):
            self.read(f"{name}, {points} points", path, bearer)
        cookie = {"Cookie": self.cookie()}
        page = f"/jobs/{self.world.job.id}"
        body = self.read(f"page of a job, {points} points", page, cookie, again=False)
        mark = b'hx-get="'
        now = body[body.index(mark) + len(mark) :].partition(b'"')[0].decode()
        milliseconds, answer, _ = self.get(now, cookie)
        if answer.status != 204:
            raise SystemExit(f"the page's part answered {answer.status} though nothing changed")
        figure(f"page of a job, {points} points, a look at what did not change", milliseconds, "ms")

    def read(self, name: str, path: str, head: dict[str, str], *, again: bool = True) -> bytes:
        """Prints what a read takes and weighs, and the same once it was seen. Returns the body."""
        milliseconds, answer, body = self.get(path, head)
        if answer.status != 200:
            raise SystemExit(f"{path}: {answer.status} {body[:300]!r}")
        figure(name, milliseconds, "ms")
        figure(f"{name}, plain", len(body) / 1000, "kB")
        figure(f"{name}, gzip", len(gzip.compress(body, 6)) / 1000, "kB")
        if again:
            milliseconds, same, _ = self.get(path, head | {"If-None-Match": answer.headers["ETag"]})
            if same.status != 304:
                raise SystemExit(f"{path}: {same.status} though nothing changed")
            figure(f"{name}, 304", milliseconds, "ms")
        figure(f"{name}, statements", self.statements(path, head), "")
        return body

    def get(self, path: str, head: dict[str, str]) -> tuple[float, http.client.HTTPResponse, bytes]:
        """Median milliseconds of several reads over one connection, the last answer and its body."""
        server = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        reads = [self.once(server, path, head) for _ in range(READS)]
        server.close()
        return statistics.median(one[0] for one in reads), *reads[-1][1:]

    def once(
        self, server: http.client.HTTPConnection, path: str, head: dict[str, str]
    ) -> tuple[float, http.client.HTTPResponse, bytes]:
        began = time.perf_counter()
        server.request("GET", path, headers=head)
        answer = server.getresponse()
        body = answer.read()
        return 1000 * (time.perf_counter() - began), answer, body

    def cookie(self) -> str:
        """Of the dispatcher, signed in on the pages."""
        from tests.doors.client import signed_in

        caller = signed_in(self.world, "dispatcher")
        return "; ".join(f"{name}={one.value}" for name, one in caller.client.cookies.items())

    def statements(self, path: str, head: dict[str, str]) -> float:
        """How many statements the read takes, in process."""
        from django.conf import settings
        from django.db import connection
        from django.test import Client
        from django.test.utils import CaptureQueriesContext

        settings.ALLOWED_HOSTS = ["*"]
        client = Client()
        name, _, value = head.get("Cookie", "").partition("=")
        if name:
            client.cookies[name] = value
        with CaptureQueriesContext(connection) as seen:
            found = client.get(path, headers={k: v for k, v in head.items() if k != "Cookie"})
        if found.status_code != 200:
            raise SystemExit(f"{path}: {found.status_code} in process")
        return len(seen)


if __name__ == "__main__":
    main()
