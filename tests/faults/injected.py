"""The faults, by the names of the plan. Each does its harm, mends it, and tells in words what it did.

A fault returns the moment from which the service is asked to serve again (Unix time). Those of F6 and F7
count from the moment of the mend: nobody serves while frozen or full.
"""

import os
import random
import resource
import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg

from config.local.places import is_root
from tests.faults import processes
from tests.faults.proxy import Line
from tests.faults.stand import RIGHT, Stand, clock_of

Fault = Callable[[Stand, random.Random], "Done"]
FAULTS: dict[str, Fault] = {}
LIMIT_S: dict[str, float] = {"F1": 3, "F7": 30, "F8": 15}
FULL = {
    "F1": 50, "F2": 100, "F3": 50, "F4": 50, "F5": 80, "F5-kill": 20, "F6": 100, "F7": 10, "F8": 30, "F9": 50,
    "F10": 100, "F11": 20, "F12": 1, "F13": 10, "F14": 5, "F15": 10, "F16": 30, "P12": 5,
}  # fmt: skip
"""Rounds of the whole proof: 20 for each place where a worker dies (F2), each harm to the queue (F5) and each
part that is frozen (F6), 10 for each way of a clock (F9), 20 minutes of bad lines (F10)."""
WORKERS = ("worker1", "worker2")
PLACES = ("claimed", "rendering", "before_commit", "after_commit")
"""Where a worker can be told to die (tests.faults.worker)."""
JUMPS = ("+1h", "-1h", "-1d", "+40d", "+0 x2")
"""As libfaketime reads them."""
POISON = ("faults.loop", "faults.die", "faults.eat")
"""Kinds of work that its workers can't do."""


def limit_of(name: str) -> float:
    """Seconds within which a batch sent after the fault should be stored, on a machine of its own."""
    return LIMIT_S.get(name, 10)


class Skipped(Exception):
    """This machine cannot do it; the message says why."""


@dataclass(frozen=True)
class Done:
    words: str
    since: float


def fault(name: str) -> Callable[[Fault], Fault]:
    def register(function: Fault) -> Fault:
        FAULTS[name] = function
        return function

    return register


@fault("F1")
def web_killed(stand: Stand, draw: random.Random) -> Done:
    """A process of the web server, or the whole of it."""
    pids = stand.pids("web")
    if draw.random() < 0.34 or len(pids) < 2:
        stand.finish_off(pids)
        return Done("web server killed", time.time())
    stand.finish_off([draw.choice(pids[1:])])
    return Done("one web process killed", time.time())


@fault("F2")
def worker_killed(stand: Stand, draw: random.Random) -> Done:
    """A worker at a place in its work, or at any moment."""
    path, place = stand.plan.folder / "fault_at", draw.choice((*PLACES, "anywhere"))
    if place != "anywhere":
        draft = path.with_suffix(".draft")
        draft.write_text(place)
        draft.rename(path)
        deadline = time.monotonic() + 20
        while path.exists() and time.monotonic() < deadline:
            time.sleep(0.02)
        if not path.exists():
            return Done(f"worker killed: {place}", time.time())
        path.unlink(missing_ok=True)
    name = draw.choice(WORKERS)
    pids = stand.pids(name)
    stand.finish_off(pids if draw.random() < 0.5 or len(pids) < 2 else pids[1:2])
    return Done(f"{name} killed", time.time())


@fault("F3")
def database_killed(stand: Stand, draw: random.Random) -> Done:
    stand.kill("PostgreSQL")
    return Done("PostgreSQL killed", time.time())


@fault("F4")
def backend_ended(stand: Stand, draw: random.Random) -> Done:
    """Some connections of the service are ended by the server."""
    with stand.administrator() as connection:
        rows = connection.execute(
            "select pid from pg_stat_activity where usename = 'flowledger_app'"
            " and backend_type = 'client backend'"
        ).fetchall()
        chosen = draw.sample([row[0] for row in rows], min(len(rows), draw.choice((1, 2, 8))))
        for pid in chosen:
            connection.execute("select pg_terminate_backend(%s)", [pid])
    return Done(f"{len(chosen)} backends ended", time.time())


@fault("F5")
def queue_lost(stand: Stand, draw: random.Random) -> Done:
    return draw.choice((queue_killed, queue_wiped, queue_read_only, queue_out_of_memory))(stand, draw)


@fault("F5-kill")
def queue_killed(stand: Stand, draw: random.Random) -> Done:
    stand.kill("Valkey")
    return Done("Valkey killed", time.time())


def queue_wiped(stand: Stand, draw: random.Random) -> Done:
    with stand.valkey() as queue:
        queue.flushall()
    return Done("Valkey wiped", time.time())


def queue_read_only(stand: Stand, draw: random.Random) -> Done:
    with stand.valkey() as queue:
        begun = time.time()
        queue.execute_command("REPLICAOF", "127.0.0.1", "1")
        time.sleep(draw.uniform(2, 5))
        queue.execute_command("REPLICAOF", "NO", "ONE")
    return Done("Valkey read-only", begun)


def queue_out_of_memory(stand: Stand, draw: random.Random) -> Done:
    with stand.valkey() as queue:
        begun = time.time()
        queue.config_set("maxmemory", "1mb")
        time.sleep(draw.uniform(2, 5))
        queue.config_set("maxmemory", "0")
    return Done("Valkey out of memory", begun)


@fault("F6")
def frozen(stand: Stand, draw: random.Random) -> Done:
    """A part stands still for up to half a minute and goes on where it was."""
    name = draw.choice(("PostgreSQL", "Valkey", "web", *WORKERS))
    pids = stand.pids(name)
    chosen = pids if name == "PostgreSQL" else [draw.choice(pids[1:] or pids)]
    seconds = draw.uniform(5, 30)
    processes.send(chosen, signal.SIGSTOP)
    time.sleep(seconds)
    processes.send(chosen, signal.SIGCONT)
    return Done(f"{name} frozen for {seconds:.0f} s", time.time())


@fault("F7")
def disk_full(stand: Stand, draw: random.Random) -> Done:
    """The guard's last 5 %, or all of it: the database's disk or the files'."""
    if not (stand.plan.small_disk and is_root()):
        raise Skipped("F7 needs root, for small disks in memory")
    world = stand.stack.world
    folder = draw.choice((world.postgres, world.home / "media"))
    to_the_brim = draw.random() < 0.5
    filler = folder / "filler"
    total = os.statvfs(folder)
    size = total.f_bavail * total.f_frsize - (
        0 if to_the_brim else int(0.03 * total.f_blocks * total.f_frsize)
    )
    with filler.open("wb") as file, suppress(OSError):
        left = size
        while left > 0:
            file.write(b"\0" * min(left, 1 << 20))
            left -= 1 << 20
    time.sleep(draw.uniform(3, 8))
    filler.unlink()
    return Done(f"{folder.name} {'full' if to_the_brim else 'nearly full'}", time.time())


@fault("F8")
def power_cut(stand: Stand, draw: random.Random) -> Done:
    """Everything dies, in any order; then everything is started."""
    names = [service.name for service in stand.stack.running]
    draw.shuffle(names)
    stand.held |= set(names)
    pids = [pid for name in names for pid in stand.pids(name)]
    for name in names:
        stand.kill(name)
    processes.wait_gone(pids)
    stand.held.clear()
    return Done("everything killed", time.time())


@fault("F9")
def clock(stand: Stand, draw: random.Random) -> Done:
    """The clock of the web server, of a worker or of beat jumps, or runs twice as fast; then it is right."""
    if not stand.plan.clocks:
        raise Skipped("F9 needs libfaketime (Debian's package faketime); the system's clock is never set")
    name, jump = draw.choice(("web", "web", *WORKERS, "beat")), draw.choice(JUMPS)
    own, seconds = clock_of(stand, name), draw.uniform(5, 20)
    own.write_text(jump)
    time.sleep(seconds)
    own.write_text(RIGHT)
    return Done(f"clock of {name} at {jump} for {seconds:.0f} s", time.time())


@fault("F10")
def bad_line(stand: Stand, draw: random.Random) -> Done:
    """Slow, thin, cut after the answer was given, or deaf."""
    assert stand.proxy is not None
    lines = {
        "slow": Line(delay_s=0.3, jitter_s=0.2), "thin": Line(bytes_per_s=20_000.0), "cut": Line(cut=0.2),
        "deaf": Line(is_deaf=True),
    }  # fmt: skip
    name, seconds = draw.choice(list(lines)), draw.uniform(5, 20)
    stand.proxy.line = lines[name]
    time.sleep(seconds)
    stand.proxy.line = Line()
    return Done(f"line {name} for {seconds:.0f} s", time.time())


@fault("F11")
def pressure(stand: Stand, draw: random.Random) -> Done:
    """A row that everybody needs is held, or most connections are taken."""
    seconds = draw.uniform(5, 15)
    if draw.random() < 0.5:
        with stand.administrator() as connection, connection.transaction():
            connection.execute("select 1 from jobs_job for update")
            time.sleep(seconds)
        return Done(f"jobs held for {seconds:.0f} s", time.time())
    taken, sockets = list[Any](), str(stand.stack.world.sockets)
    with suppress(psycopg.OperationalError):
        while len(taken) < 120:
            taken.append(psycopg.connect(host=sockets, user="flowledger_app", dbname="flowledger"))
    time.sleep(seconds)
    for one in taken:
        one.close()
    return Done(f"{len(taken)} connections taken for {seconds:.0f} s", time.time())


@fault("F12")
def restore(stand: Stand, draw: random.Random) -> Done:
    raise Skipped("F12, backup and restore, is not part of these runs")


@fault("F13")
def rot(stand: Stand, draw: random.Random) -> Done:
    """A byte of a stored report turns: it is not served. Then it turns back."""
    files = sorted((stand.stack.world.home / "media").rglob("*.pdf"))
    if not files:
        return Done("no report to damage yet", time.time())
    path = draw.choice(files)
    data = bytearray(path.read_bytes())
    place = draw.randrange(len(data))
    data[place] ^= 1
    with path.open("r+b") as file:
        file.seek(place)
        file.write(data[place : place + 1])
    time.sleep(3)
    data[place] ^= 1
    with path.open("r+b") as file:
        file.seek(place)
        file.write(data[place : place + 1])
    return Done("a byte of a report turned and back", time.time())


@fault("F14")
def migration(stand: Stand, draw: random.Random) -> Done:
    """Columns and an index come and go under load; the first try may be killed in the middle."""
    steps = (
        "alter table measurements_session add column if not exists probe_of_faults integer",
        "create index concurrently if not exists probe_of_faults on measurements_reading (taken_at)",
        "drop index if exists probe_of_faults",
        "alter table measurements_session drop column if exists probe_of_faults",
    )
    if draw.random() < 0.5:
        threading.Timer(draw.uniform(0.05, 0.5), end_migration, [stand]).start()
    tries = 0
    for step in steps:
        for _ in range(20):
            tries += 1
            try:
                with stand.administrator() as connection:
                    connection.execute("set application_name = 'migration'")
                    connection.execute("set lock_timeout = '3s'")
                    connection.execute(step.encode())
                break
            except psycopg.Error:
                time.sleep(0.5)
        else:
            raise AssertionError(f"never done under load: {step}")
    return Done(f"migrated under load in {tries} tries", time.time())


def end_migration(stand: Stand) -> None:
    with suppress(psycopg.Error), stand.administrator() as connection:
        connection.execute(
            "select pg_terminate_backend(pid) from pg_stat_activity where application_name = 'migration'"
        )


@fault("F15")
def memory(stand: Stand, draw: random.Random) -> Done:
    """A web process or a worker's child gets no more memory than it has, for some seconds."""
    pids = stand.children(draw.choice(("web", *WORKERS)))
    if not pids:
        return Done("nobody to starve", time.time())
    pid = draw.choice(pids)
    with suppress(OSError, ProcessLookupError):
        pages = int((Path("/proc") / str(pid) / "statm").read_text().split()[0])
        before = resource.prlimit(pid, resource.RLIMIT_AS)
        resource.prlimit(pid, resource.RLIMIT_AS, (pages * resource.getpagesize() + (4 << 20), before[1]))
        time.sleep(draw.uniform(3, 8))
        resource.prlimit(pid, resource.RLIMIT_AS, before)
    return Done("a process without memory", time.time())


@fault("F16")
def rolling(stand: Stand, draw: random.Random) -> Done:
    """New processes of the web server take over from the old ones; a worker is asked to end."""
    begun = time.time()
    processes.send(stand.pids("web")[:1], signal.SIGHUP)
    processes.send(stand.pids(draw.choice(WORKERS))[:1], signal.SIGTERM)
    time.sleep(8)
    return Done("web renewed and a worker asked to end", begun)


@fault("P12")
def poison(stand: Stand, draw: random.Random) -> Done:
    """Work that can't be done, of three kinds, in one company: parked after three attempts, with reasons."""
    company = draw.choice([one["company"] for one in stand.companies.values()])
    with stand.administrator() as connection:
        for kind in POISON:
            connection.execute(
                "insert into jobs_duework"
                " (company_id, id, kind, subject_id, state, attempts, due_at, error, created_at) values"
                " (%s, gen_random_uuid(), %s, gen_random_uuid(), 'due', 0, now(), '', now())",
                [company, kind],
            )
        begun = time.time()
        most_s = max(300.0, stand.plan.quiet_s)  # it waits for its turn behind what is older
        while time.time() < begun + most_s:
            left = connection.execute(
                "select count(*) from jobs_duework where kind like 'faults.%' and state <> 'parked'"
            ).fetchone()
            if left == (0,):
                break
            time.sleep(0.5)
        rows = connection.execute(
            "select kind, state, attempts, error from jobs_duework where kind like 'faults.%'"
        ).fetchall()
    wrong = [row for row in rows if row[1] != "parked" or row[2] > 3 or not row[3]]
    assert not wrong, f"poison that is not parked with its reason after three attempts: {wrong}"
    stand.spells.append((begun, time.time()))
    return Done(f"poison parked after {time.time() - begun:.0f} s", time.time())
