"""The drill: back up under load, lose everything, restore to a moment, and prove what came back.

Run: make drill (BATCHES=200 for more, RESTORES=30). An own PostgreSQL that syncs, checks pages and archives
its WAL, with Valkey and the web server, takes batches by HTTP as from a tablet; meanwhile a base backup is
taken. A moment is noted between two later batches. Then the server is killed, its data folder set aside, and
the backup restored to that moment: every batch acknowledged before it has to be there whole, none after it.
The restored service has to go on: a batch sent again gets the answer of the first time and stores nothing,
one that was lost is taken again, the work that was due is done by a worker, and the evidence holds. Then
once more to the archive's end, which tells what a lost machine takes with it. Last, a segment of the WAL is
taken away: both restores must fail loudly. RESTORES=30 restores as often to moments drawn between batches,
each looked at for every reading and proved by the evidence. Prints figures; exits with 1 for a fault.
"""

import hashlib
import http.client
import json
import os
import random
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from config import backup
from config.local import postgres, stack, valkey
from config.local.keys import kept_keys
from config.local.process import Service, StartFailed
from tests.benchmarks.own import OUTER, ROOT
from tests.config import lost_server
from tests.config.lost_server import Cluster, wait_until

BATCHES = int(os.environ.get("BATCHES", "24"))
RESTORES, SEED = int(os.environ.get("RESTORES", "0")), 1
BATCH_SESSIONS, FILES = 5, 5
SPARE, PAUSE_S = 600, 0.3
"""While a slow disk takes its time with the backup: further batches, and the seconds between them."""
ROW_COUNT = "select count(*) from measurements_reading"


def main() -> None:
    if "--seed" in sys.argv:
        seed()
        return
    for name in OUTER:
        os.environ.pop(name, None)
    begun = time.perf_counter()
    with lost_server.cluster() as cluster:
        os.environ["PG_BIN"] = str(postgres.programs(cluster.world.account))
        faults = Drill(cluster).run()
    figure("whole drill", time.perf_counter() - begun, "s")
    for fault in faults:
        print(f"fault: {fault}")
    raise SystemExit(1 if faults else 0)


def figure(name: str, value: float, unit: str = "") -> None:
    shown = f"{value:.2f}" if isinstance(value, float) else str(value)
    print(f"figure: drill, {name} = {shown} {unit}".rstrip(), flush=True)


def seed() -> None:
    """A company with a technician on a tablet; prints bodies to post, and who posts them."""
    import django

    django.setup()
    from tests import factories
    from tests.measurements import batches
    from tests.reports import scene

    world = factories.make_world()
    scene.whole(world)  # the factories' certificates get their events
    values = batches.pressures(0.9)
    for _ in range(BATCHES * 2 + SPARE):
        sent = [
            batches.traverse(world, readings=batches.readings(values), zero_checks=batches.zero_checks(world))
            for _ in range(BATCH_SESSIONS)
        ]
        print(json.dumps({"body": batches.body(*sent).decode(), "ids": batches_ids(sent)}))
    print(json.dumps({"token": world.technician_token, "company": str(world.id)}))


def batches_ids(sent: list[dict[str, Any]]) -> list[str]:
    return [one["id"] for one in sent]


@dataclass(frozen=True)
class Batch:
    """A batch that was acknowledged."""

    key: str
    body: bytes
    ids: list[str]
    answer: bytes
    at: datetime
    """The database's clock once the answer was there."""


@dataclass
class Drill:
    """One drill on a cluster. `acked` in the order of acknowledgement."""

    cluster: Cluster
    acked: list[Batch] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    waiting: list[dict[str, Any]] = field(default_factory=list)
    token: str = ""
    company: str = ""
    port: int = 0
    backed: int = 0
    """Batches acknowledged when the backup was taken."""

    def run(self) -> list[str]:
        made = self.stack_on(self.cluster.database)
        made.migrate()
        lines = self.beside(
            made, sys.executable, "-m", "tests.benchmarks.restore_figures", "--seed"
        ).splitlines()
        who = json.loads(lines.pop())
        self.token, self.company = who["token"], who["company"]
        self.waiting = [json.loads(line) for line in lines]
        with self.serving(made):
            place, until = self.fill(made)
            self.cluster.lose()
        self.to_the_moment(place, until)
        self.to_other_moments(place)
        self.to_the_end(place)
        self.without_a_segment(place, until)
        return self.faults

    # The service

    def stack_on(self, database: postgres.Postgres, media: str = "media") -> stack.Stack:
        """What web and worker need to run on a database; the same keys each time."""
        world = self.cluster.world
        environment = stack.base_environment(world, kept_keys(world.home / "keys.env"))
        made = stack.Stack(world, environment, owner_url=database.url(postgres.OWNER))
        self.port = self.port or stack.free_port()
        address = f"http://127.0.0.1:{self.port}"
        made.environment |= {
            "DATABASE_URL": database.url(postgres.APP),
            "REDIS_URL": f"unix://{valkey.socket_of(world)}",
            "PUBLIC_URL": address,
            "ALLOWED_HOSTS": "127.0.0.1",
            "MEDIA_ROOT": str(world.home / media),
            "REQUESTS_A_MINUTE": "1000000",
            "REQUESTS_A_MINUTE_COMPANY": "1000000",
            "LOG_LEVEL": "ERROR",
        }
        return made

    @contextmanager
    def serving(self, made: stack.Stack) -> Iterator[None]:
        """Valkey and the web server, until the end of the block."""
        try:
            patiently(made, valkey.valkey(made.world, valkey.PASSING), stack.web(made, self.port))
            yield
        finally:
            made.stop()

    def beside(self, made: stack.Stack, *command: str) -> str:
        """A program's output. Raises SystemExit with what it says when it fails."""
        done = subprocess.run(
            command, cwd=ROOT, env=made.environment, capture_output=True, text=True, check=False
        )
        if done.returncode:
            raise SystemExit(f"{' '.join(command[1:3])} failed:\n{done.stdout}{done.stderr}")
        return done.stdout

    # The load

    def post(self, key: str, body: bytes) -> tuple[int, bytes]:
        server = http.client.HTTPConnection("127.0.0.1", self.port, timeout=lost_server.PATIENCE_S)
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        server.request("POST", "/api/v1/field/batches", body, headers | {"Idempotency-Key": key})
        answer = server.getresponse()
        try:
            return answer.status, answer.read()
        finally:
            server.close()

    def store(self, count: int = 1) -> None:
        """Posts the next batches; each is acknowledged when this returns."""
        for _ in range(count):
            if not self.waiting:
                raise SystemExit("no batches are left: the backup took too long")
            told = self.waiting.pop(0)
            body = told["body"].encode()
            key = hashlib.sha256(body).hexdigest()[:32]
            status, answer = self.post(key, body)
            if status != 200 or outcomes(answer) != {"stored"}:
                raise SystemExit(f"a batch was not stored: {status} {answer[:500]!r}")
            self.acked.append(Batch(key, body, told["ids"], answer, self.clock()))

    def clock(self) -> datetime:
        with self.cluster.connect() as connection:
            row = connection.execute("select clock_timestamp()").fetchone()
        assert row is not None
        assert isinstance(row[0], datetime)
        return row[0]

    def fill(self, made: stack.Stack) -> tuple[Path, datetime]:
        """Batches before, while and after the backup. Returns the backup and the moment."""
        media = Path(made.environment["MEDIA_ROOT"])
        media.mkdir()
        for n in range(FILES):
            (media / f"{n}.bin").write_bytes(os.urandom(100_000))
        begun = time.perf_counter()
        self.store(BATCHES // 3)
        with ThreadPoolExecutor(1) as beside:
            at = time.perf_counter()
            taking = beside.submit(
                backup.take, self.cluster.world.home / "backups", self.cluster.address, media
            )
            before = len(self.acked)
            while not taking.done() or len(self.acked) == before:
                self.store()
                if len(self.acked) > BATCHES:
                    wait([taking], PAUSE_S)
            place = taking.result()
            self.backed = len(self.acked)
        figure("backup taken and checked under load", time.perf_counter() - at, "s")
        figure("batches acknowledged meanwhile", len(self.acked) - before)
        self.store(BATCHES // 6)
        self.cluster.archived()
        self.store(BATCHES // 6)
        until = self.cluster.moment()
        self.store(BATCHES // 6)
        self.cluster.archived()
        self.store(BATCHES // 6)  # these stand in no segment that was archived
        spent = time.perf_counter() - begun
        figure("batches acknowledged in all", len(self.acked))
        figure("readings a second, meanwhile", len(self.acked) * BATCH_SESSIONS * 25 / spent, "1/s")
        for name, folder in (("base backup", place / backup.BASE), ("archived WAL", self.cluster.wal),
                             ("stored files kept", place.parent / backup.FILES)):  # fmt: skip
            size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
            figure(name, size / 1e6, "MB")
        return place, until

    # The way back

    def to_the_moment(self, place: Path, until: datetime) -> None:
        before = [one for one in self.acked if one.at < until]
        after = [one for one in self.acked if one.at >= until]
        begun = time.perf_counter()
        with self.cluster.restored(place, until) as database:
            figure("from nothing to a database that serves", time.perf_counter() - begun, "s")
            made = self.stack_on(database, "media-back")
            files = backup.bring_files(place, Path(made.environment["MEDIA_ROOT"]))
            if files != FILES:
                self.faults.append(f"{files} of {FILES} stored files came back")
            wanted, missing, other, later, readings = self.compared(database, before)
            figure("acknowledged before the moment, sessions", wanted)
            figure("of these missing", missing)
            figure("of these with another reading", other)
            lost = sum(len(batch.ids) for batch in after)
            figure("acknowledged after the moment and lost, as asked, sessions", lost)
            figure("readings there", readings)
            if missing or other:
                self.faults.append(
                    "of what was acknowledged before the moment, something is missing or altered"
                )
            if later:
                self.faults.append("something of after the moment is there")
            # Its start proves the catalogue (audit_tenancy); then a worker does what was due.
            with self.serving(made):
                figure("from nothing to a service that answers", time.perf_counter() - begun, "s")
                self.goes_on(database, before, after)
                patiently(made, stack.worker(made), stack.beat(made))
                wait_until(partial(nothing_due, database), "the work that was due is done")
                figure("from nothing to all work done", time.perf_counter() - begun, "s")
            self.proved(made, database)

    def to_other_moments(self, place: Path) -> None:
        """Between two batches each, drawn from those whose log is archived; whole, and the evidence holds."""
        draw, good, spent = random.Random(SEED), 0, []
        # The first batch behind the backup; the last one behind which something else is in the archive.
        first, last = self.backed + 1, len(self.acked) - BATCHES // 6 - 1
        for _ in range(RESTORES):
            number = draw.randint(first, last)
            begun = time.perf_counter()
            with self.cluster.restored(place, self.acked[number - 1].at, "again") as database:
                spent.append(time.perf_counter() - begun)
                _, *wrong, _ = self.compared(database, self.acked[:number])
                try:
                    self.beside(
                        self.stack_on(database), sys.executable, "manage.py", "verify_evidence", "--recompute"
                    )
                except SystemExit as error:
                    wrong.append(1)
                    self.faults.append(f"after a restore behind batch {number}: {str(error)[-800:]}")
            if any(wrong):
                self.faults.append(f"a restore behind batch {number} is not whole: {wrong}")
            good += not any(wrong)
        if RESTORES:
            figure("restores to moments drawn", RESTORES)
            figure("of these whole, their evidence proved", good)
            figure("median of these restores", statistics.median(spent), "s")

    def to_the_end(self, place: Path) -> None:
        """Without a moment: what a lost machine takes with it stood in the segment that was not archived."""
        with self.cluster.restored(place, None, "end") as database:
            there = self.sessions(database)
        lost = [one for one in self.acked if not there.issuperset(one.ids)]
        if any(one not in self.acked[-(BATCHES // 6) :] for one in lost):
            self.faults.append("batches of an archived segment are missing")
        figure("of a lost machine, sessions in no archived segment", sum(len(one.ids) for one in lost))
        span = (self.acked[-1].at - lost[0].at).total_seconds() if lost else 0.0
        figure("of a lost machine, these cover the last (at most archive_timeout, 60)", span, "s")

    def without_a_segment(self, place: Path, until: datetime) -> None:
        """A restore must not end early in silence, neither to the moment nor to the end."""
        _, end = backup.end_of(place)
        segments = sorted(p for p in self.cluster.wal.iterdir() if backup.SEGMENT.fullmatch(p.name))
        size = segments[0].stat().st_size
        later = [
            p
            for p in segments
            if int(p.name[8:16], 16) * ((1 << 32) // size) + int(p.name[16:], 16) > end // size
        ]
        later[0].unlink()
        for moment, refusal in ((until, StartFailed), (None, backup.BackupFault)):
            try:
                with self.cluster.restored(place, moment, "gap"):
                    self.faults.append("a restore without a segment of the WAL ended in silence")
            except refusal as error:
                where = "the moment" if moment else "the end"
                print(f"a segment of the WAL missing, to {where}: {last_words(error)}")

    # What has to hold

    def sessions(self, database: postgres.Postgres) -> set[str]:
        return {row[0] for row in rows(database, "select id::text from measurements_session")}

    def compared(self, database: postgres.Postgres, before: list[Batch]) -> tuple[int, int, int, int, int]:
        """Sessions acknowledged before the moment; of these missing, and with other readings than were sent;
        sessions there of later; readings there."""
        there, wanted = self.sessions(database), {one for batch in before for one in batch.ids}
        readings: dict[str, list[tuple[Any, ...]]] = {}
        for session, run, line, point, entered in rows(
            database, "select session_id::text, run, line, point, entered from measurements_reading"
        ):
            readings.setdefault(session, []).append((run, line, point, entered))
        other = [
            session["id"]
            for batch in before
            for session in json.loads(batch.body)["sessions"]
            if sorted(readings.get(session["id"], ()))
            != sorted((r["run"], r["line"], r["point"], r["value"]) for r in session["readings"])
        ]
        count = sum(len(found) for found in readings.values())
        return len(wanted), len(wanted - there), len(other), len(there - wanted), count

    def goes_on(self, database: postgres.Postgres, before: list[Batch], after: list[Batch]) -> None:
        """The last batch before the moment sent again, by its key and by another; and one that was lost."""
        last, lost = before[-1], after[0]
        count = rows(database, ROW_COUNT)
        if self.post(last.key, last.body) != (200, last.answer):
            self.faults.append("a batch sent again by its key got another answer than the first time")
        status, answer = self.post(f"{last.key}-2", last.body)
        if status != 200 or "stored" in outcomes(answer) or rows(database, ROW_COUNT) != count:
            self.faults.append(f"a batch sent again by another key was stored twice: {answer[:300]!r}")
        status, answer = self.post(lost.key, lost.body)
        if status != 200 or outcomes(answer) != {"stored"}:
            self.faults.append(f"a batch that was lost was not taken again: {status} {answer[:300]!r}")

    def proved(self, made: stack.Stack, database: postgres.Postgres) -> None:
        """Every session has its result and every event its number; then the service's own proofs."""
        open_ends = rows(
            database,
            "select (select count(*) from measurements_session s where not exists (select from"
            " measurements_result r where r.company_id = s.company_id and r.session_id = s.id)),"
            " (select count(*) from jobs_unnumberedevent)",
        )
        if open_ends != [(0, 0)]:
            self.faults.append(f"sessions without a result, events without a number: {open_ends}")
        for command in (
            [sys.executable, "manage.py", "audit_tenancy"],
            [sys.executable, "manage.py", "verify_evidence", "--recompute"],
            [backup.program("pg_amcheck"), "--all", "--heapallindexed", "--install-missing",
             "--maintenance-db", f"{self.cluster.address} dbname=postgres"],
        ):  # fmt: skip
            begun = time.perf_counter()
            name = Path(command[0]).name if len(command) > 4 else command[2]
            try:
                self.beside(made, *command)
            except SystemExit as error:
                self.faults.append(f"{name}: {str(error)[-800:]}")
            figure(name, time.perf_counter() - begun, "s")


def patiently(made: stack.Stack, *services: Service) -> None:
    """Starts services and waits as long as a busy machine may take."""
    for one in services:
        one.start_seconds = lost_server.START_S
    made.start(*services)


def outcomes(answer: bytes) -> set[str]:
    return {one["outcome"] for one in json.loads(answer)["outcomes"]}


def rows(database: postgres.Postgres, query: str) -> list[tuple[Any, ...]]:
    """Read as the administrator, past the product."""
    import psycopg

    with psycopg.connect(
        host=str(database.world.sockets), user="postgres", dbname=postgres.DATABASE, autocommit=True
    ) as connection:
        return connection.execute(query.encode()).fetchall()


def nothing_due(database: postgres.Postgres) -> bool:
    """Whether all work is done or parked, and every event numbered."""
    return rows(
        database,
        "select count(*) + (select count(*) from jobs_unnumberedevent) from jobs_duework"
        " where state <> 'parked' and due_at <= now()",
    ) == [(0,)]


def last_words(error: Exception) -> str:
    """PostgreSQL's own reason (of no client, so without user and database), else the first line."""
    told = [line for line in str(error).splitlines() if "] @ FATAL" in line] or str(error).splitlines()
    return told[0].strip()


if __name__ == "__main__":
    main()
