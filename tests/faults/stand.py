"""The stand: PostgreSQL, Valkey, web, two workers and beat as config.local starts them, watched.

Settings of the database are those of a world that stays (it syncs to disk); its data are removed at the end.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import psycopg

from config.local import keys as keyring
from config.local import postgres, stack
from config.local.places import World, is_root, passing_world
from config.local.process import Service, die_with_parent
from tests.faults import defects, processes
from tests.faults.proxy import Proxy

ROOT = Path(__file__).resolve().parents[2]
CLIENTS = 4
COMPANIES = ("Ridge Air Balance", "Estuary Testing")
DISK_MB, START_S = 300, 240
FAKETIME = next(iter(sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))), None)
RIGHT = "+0 x1"
"""What sets a clock of libfaketime right: its rate too, which an offset alone leaves as it was."""
SERVE_S, QUIET_S = 90, 150.0
Connection = psycopg.Connection[tuple[Any, ...]]


@dataclass(frozen=True)
class Plan:
    """What is asked of a run."""

    seed: int
    folder: Path
    defects: tuple[str, ...] = ()
    sweep_s: int = 15
    small_disk: bool = False
    clocks: bool = False
    """Services run under libfaketime, so that F9 may set the clock of each."""
    pause_s: float = 0.0
    traverses: float = 0.5
    quiet_s: float = QUIET_S
    """How long the workers have for what is left when the clients rest."""
    slow: float = 1.0
    """How many times as long everything may take before it counts as never."""


@dataclass
class Stand:
    """All processes of a run."""

    plan: Plan
    stack: stack.Stack
    database: postgres.Postgres
    port: int = 0
    proxy: Proxy | None = None
    clients: list["subprocess.Popen[bytes]"] = field(default_factory=list)
    companies: dict[str, Any] = field(default_factory=dict)
    held: set[str] = field(default_factory=set)
    """Services that stay down for the moment."""
    seeded: set[str] = field(default_factory=set)
    """Ids of sessions and digests of batches from before the load."""
    spells: list[tuple[float, float]] = field(default_factory=list)
    """From when to when poison was about."""
    is_ending: bool = False
    restarts: int = 0
    _places: dict[Path, int] = field(default_factory=dict)
    _acks: list[tuple[float, float]] = field(default_factory=list)

    # Services

    def service(self, name: str) -> Service:
        return self.stack.service(name)

    def pids(self, name: str) -> list[int]:
        """The process of a service and all that came of it, the root first."""
        process = self.service(name).process
        return processes.tree(process.pid) if process is not None and process.poll() is None else []

    def children(self, name: str) -> list[int]:
        return self.pids(name)[1:]

    def kill(self, name: str) -> None:
        """SIGKILL to a service and all that came of it, and waits for their end."""
        self.finish_off(self.pids(name))

    def finish_off(self, pids: list[int]) -> None:
        processes.send(pids, signal.SIGKILL)
        for service in list(self.stack.running):
            if service.process is not None and service.process.pid in pids:
                service.process.wait(processes.END_S)
        processes.wait_gone(pids)

    def watch(self) -> None:
        """Starts again what has ended, within a second; runs until the stand ends."""
        while not self.is_ending:
            for service in list(self.stack.running):
                if service.name not in self.held and not service.alive():
                    self.restart(service)
            time.sleep(0.2)

    def restart(self, service: Service) -> None:
        if service.name == "PostgreSQL":
            postgres.forget_dead_server(self.stack.world.postgres)
        self.restarts += 1
        service.start()

    @property
    def log_files(self) -> list[Path]:
        return sorted(self.stack.world.logs.glob("*.log"))

    # Database and queue

    @contextmanager
    def administrator(self, name: str = postgres.DATABASE) -> Iterator[Connection]:
        """A connection past row security, for the checker and for some faults."""
        with psycopg.connect(
            host=str(self.stack.world.sockets), user="postgres", dbname=name, autocommit=True
        ) as connection:
            yield connection

    def valkey(self) -> Any:
        import redis

        path = self.stack.environment["REDIS_URL"].removeprefix("unix://")
        return redis.Redis(unix_socket_path=path, socket_timeout=5)

    # Load

    def start_clients(self) -> None:
        assert self.proxy is not None
        config = {
            "folder": str(self.plan.folder), "stop": str(self.plan.folder / "stop"), "seed": self.plan.seed,
            "port": self.proxy.port, "companies": self.companies, "pause": self.plan.pause_s,
            "traverses": self.plan.traverses, "slow": self.plan.slow,
        }  # fmt: skip
        path = self.plan.folder / "clients.json"
        path.write_text(json.dumps(config))
        for index in range(CLIENTS):
            log = (self.plan.folder / f"client-{index}.log").open("ab")
            command = [sys.executable, "-m", "tests.faults.load", str(path), str(index)]
            made = subprocess.Popen(
                command,
                cwd=ROOT,
                env=self.stack.environment,
                stdout=log,
                stderr=log,
                start_new_session=True,
                preexec_fn=lambda: die_with_parent(signal.SIGKILL),
            )
            self.clients.append(made)

    def stop_clients(self) -> list[str]:
        """Lets each client finish what it began. Returns those that ended badly."""
        (self.plan.folder / "stop").touch()
        ends = [client.wait(300 * self.plan.slow) for client in self.clients]
        return [f"client {n} ended with {code}" for n, code in enumerate(ends) if code]

    def notes(self, what: str) -> int:
        """How many lines of a kind the clients have written."""
        mark = f'"what": "{what}"'
        files = self.plan.folder.glob("client-*.jsonl")
        return sum(path.read_text().count(mark) for path in files)

    def acks(self) -> list[tuple[float, float]]:
        """(begun, at) of all batches acknowledged so far."""
        for path in self.plan.folder.glob("client-*.jsonl"):
            with path.open("rb") as file:
                file.seek(self._places.get(path, 0))
                text = file.read()
            whole = text[: text.rfind(b"\n") + 1]
            self._places[path] = self._places.get(path, 0) + len(whole)
            for line in whole.splitlines():
                if b'"what": "ack"' in line:
                    row = json.loads(line)
                    self._acks.append((row["begun"], row["at"]))
        return self._acks

    def first_ack_after(self, moment: float) -> float | None:
        """Seconds from a moment until the end of the first batch that was sent after it and stored."""
        deadline = time.monotonic() + SERVE_S * self.plan.slow
        while time.monotonic() < deadline:
            if found := [at for begun, at in self.acks()[-400:] if begun >= moment]:
                return min(found) - moment
            time.sleep(0.05)
        return None


@contextmanager
def started(plan: Plan) -> Iterator[Stand]:
    """A stand that serves, without load; everything is ended and removed afterwards."""
    settings = postgres.COMMON | postgres.LASTING
    if "commit" in plan.defects:
        settings = settings | {"synchronous_commit": "off", "wal_writer_delay": "10s"}
    mode = postgres.Mode(settings, postgres.TRUST_SOCKET, postgres.FOR_TESTS.owner_rights)
    secrets = keyring.new_keys() | {"DATABASE_APP_PASSWORD": "", "DATABASE_OWNER_PASSWORD": ""}
    plan.folder.mkdir(parents=True, exist_ok=True)
    processes.adopt_orphans()
    with passing_world() as world, small_disk(world, plan), stack.services(world, mode, secrets) as made:
        stand = Stand(plan, made, postgres.Postgres(world, mode))
        stand.port = stack.free_port()
        stand.proxy = Proxy(stand.port, plan.seed)
        watcher = threading.Thread(target=stand.watch, daemon=True)
        try:
            start_rest(stand)
            stand.proxy.start()
            watcher.start()
            yield stand
        finally:
            stand.is_ending = True
            processes.send([one.pid for one in stand.clients if one.poll() is None], signal.SIGKILL)
            # Not joined before the services are down: those it started would be ended with it.
            shutil.copytree(world.logs, plan.folder / "log", dirs_exist_ok=True)
            made.stop()
            if watcher.ident:
                watcher.join(10)
            if stand.proxy.port:
                stand.proxy.stop()


def start_rest(stand: Stand) -> None:
    """Migrates, fills, and starts web, two workers and beat as config.local does."""
    made, plan = stand.stack, stand.plan
    made.base_url = f"http://127.0.0.1:{stand.port}"
    made.environment |= {
        "PUBLIC_URL": made.base_url, "ALLOWED_HOSTS": f"127.0.0.1,{urlsplit(made.base_url).hostname}",
        "SWEEP_SECONDS": str(plan.sweep_s), "REQUESTS_A_MINUTE": "1000000",
        "FAULT_AT_FILE": str(plan.folder / "fault_at"), "FAULT_DEFECT": " ".join(plan.defects),
        "DISK_WATCHED": str(made.world.postgres),
    }  # fmt: skip
    made.migrate()
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.seed", *COMPANIES],
        cwd=ROOT, env=made.environment, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    stand.companies = json.loads(done.stdout.splitlines()[-1])
    web = stack.web(made, stand.port)
    if "straight" in plan.defects:
        web = replace(web, command=[*web.command[:-1], "tests.faults.defects:application"])
    beat = with_app(stack.beat(made))
    services = (web, *(a_worker(made, number) for number in (1, 2)), beat)
    if plan.clocks:
        services = tuple(with_clock(stand, one) for one in services)
    made.start(*(replace(one, start_seconds=START_S) for one in services))
    if "constraint" in plan.defects:  # not before: the service would see it and refuse to serve
        with stand.administrator() as connection:
            defects.drop_constraint(connection)


def clock_of(stand: Stand, name: str) -> Path:
    """Which holds by how much the clock of a service is set ahead."""
    return stand.plan.folder / f"clock-{name}"


def with_clock(stand: Stand, service: Service) -> Service:
    """The service with a clock of its own, right at first. Its monotonic clock stays what it is."""
    own = clock_of(stand, service.name)
    own.write_text(RIGHT)
    return replace(
        service,
        environment={
            **service.environment, "LD_PRELOAD": str(FAKETIME), "FAKETIME_TIMESTAMP_FILE": str(own),
            "FAKETIME_NO_CACHE": "1", "FAKETIME_DONT_FAKE_MONOTONIC": "1", "DONT_FAKE_MONOTONIC": "1",
        },
    )  # fmt: skip


def with_app(service: Service) -> Service:
    """A worker or beat by tests.faults.worker."""
    command = list(service.command)
    command[command.index("-A") + 1] = "tests.faults.worker"
    return replace(service, command=command)


def a_worker(made: stack.Stack, number: int) -> Service:
    """A worker of config.local with one process, a name of its own, and the places of tests.faults.worker."""
    usual, name = with_app(stack.worker(made)), f"worker{number}@{made.world.name}"
    command = list(usual.command)
    command[command.index("--hostname") + 1] = name
    command[command.index("--concurrency") + 1] = "1"
    return replace(
        usual, name=f"worker{number}", command=command, log=made.world.logs / f"worker{number}.log",
        is_ready=lambda: stack.pings(made.environment["REDIS_URL"], name),
    )  # fmt: skip


@contextmanager
def small_disk(world: World, plan: Plan) -> Iterator[None]:
    """For F7: the database's folder and the files' on small disks in memory. Needs root."""
    mounted: list[Path] = []
    if plan.small_disk and is_root():
        for folder in (world.postgres, world.home / "media"):
            folder.mkdir(parents=True, exist_ok=True)
            options = f"size={DISK_MB}m,mode=0700"
            if world.account and folder == world.postgres:
                options += f",uid={world.account.uid},gid={world.account.gid}"
            subprocess.run(["/bin/mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)], check=True)
            mounted.append(folder)
        os.environ["FAULT_SMALL_DISK"] = "1"
    try:
        yield
    finally:
        for folder in mounted:
            subprocess.run(["/bin/umount", str(folder)], check=False)
