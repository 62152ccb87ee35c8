"""The whole service on one machine: PostgreSQL, Valkey, web server, worker and beat, started in this order.

    with local_stack() as stack:
        httpx.get(stack.base_url + "/healthz")

`services()` gives the first two only (tests, management commands). With DATABASE_URL or REDIS_URL in the
environment that server is used instead of an own one.
"""

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from urllib.error import URLError
from urllib.parse import urlsplit
from urllib.request import urlopen

from celery import Celery

from config.local import certificate, postgres, valkey
from config.local import keys as keyring
from config.local.places import CHECKOUT, VAR, PlaceError, World, kept_world, passing_world
from config.local.process import Service, StartFailed

WEB_WORKERS = 2
TASK_WORKERS = 2
QUEUES = "default,render,webhooks,long"
SET_BY_STACK = "FLOWLEDGER_SET_BY_STACK"  # names of the variables that a stack has set for its command


@dataclass
class Stack:
    """What runs, and the environment to reach it."""

    world: World
    environment: dict[str, str]  # what web and worker get: the serving role's address, the keys
    owner_url: str = ""  # the migrate step's address
    base_url: str = ""
    running: list[Service] = field(default_factory=list)

    def start(self, *services: Service) -> None:
        """Starts the services side by side and waits until all are ready."""
        for service in services:
            self.running.append(service)
            service.start()
        for service in services:
            service.wait_ready()

    def stop(self) -> None:
        """Stops everything, the last started first."""
        while self.running:
            self.running.pop().stop()

    def ended(self) -> Service | None:
        """A service that has ended by itself, if any."""
        return next((service for service in self.running if not service.alive()), None)

    def service(self, name: str) -> Service:
        """The running service of that name."""
        return next(service for service in self.running if service.name == name)

    def as_owner(self) -> dict[str, str]:
        """The environment of the migrate step."""
        if not self.owner_url:
            raise PlaceError(
                "DATABASE_URL names your own server:"
                " set DATABASE_OWNER_URL too (the role that owns the tables)."
            )
        return self.environment | {"DATABASE_URL": self.owner_url, "DATABASE_STATEMENT_TIMEOUT": "0"}

    def for_command(self) -> dict[str, str]:
        """The environment of a command beside the stack: the owner's address and the web server's too."""
        extra = {"DATABASE_OWNER_URL": self.owner_url, "BASE_URL": self.base_url}
        all_of_it = self.environment | {name: value for name, value in extra.items() if value}
        person = given()
        ours = [name for name, value in all_of_it.items() if person.get(name) != value]
        return all_of_it | {SET_BY_STACK: ",".join(ours)}

    def manage(self, *arguments: str) -> None:
        """Runs manage.py as the serving role.

        Raises:
            StartFailed: it failed; the message holds what it printed.
        """
        run_manage(self.environment, *arguments)

    def migrate(self) -> None:
        """Brings the database to the newest form, as the owner."""
        run_manage(self.as_owner(), "migrate", "--verbosity", "0")


def run_manage(environment: Mapping[str, str], *arguments: str) -> None:
    """Runs a management command to its end; its output is kept for the error."""
    command = [sys.executable, str(CHECKOUT / "manage.py"), *arguments]
    done = subprocess.run(command, env=environment, cwd=CHECKOUT, capture_output=True, text=True)
    if done.returncode:
        raise StartFailed(f"manage.py {' '.join(arguments)} failed:\n{done.stdout}{done.stderr}")


def free_port(preferred: int = 0) -> int:
    """A free loopback port: the preferred one if it is free, else one the system picks."""
    for port in dict.fromkeys((preferred, 0)):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise PlaceError("This machine has no free port on 127.0.0.1.")


@contextmanager
def services(world: World, mode: postgres.Mode, keys: Mapping[str, str]) -> Iterator[Stack]:
    """PostgreSQL and Valkey, or the servers that the environment names."""
    stack = Stack(world, base_environment(world, keys))
    try:
        start_database(stack, mode, keys)
        start_valkey(stack, valkey.LASTING if mode is postgres.KEPT else valkey.PASSING)
        yield stack
    finally:
        stack.stop()


def given() -> dict[str, str]:
    """The environment as the person gave it: without what an outer stack has set for its command.

    So a test that runs beside its own PostgreSQL can start a whole second stack of its own.
    """
    ours = os.environ.get(SET_BY_STACK, "").split(",")
    return {name: value for name, value in os.environ.items() if name not in ours and name != SET_BY_STACK}


def base_environment(world: World, keys: Mapping[str, str]) -> dict[str, str]:
    """The environment common to all processes; what the person gave wins over what we would choose."""
    person = given()
    chosen = {"SECRET_KEY": keys["SECRET_KEY"], "EVENT_CHAIN_KEY": keys["EVENT_CHAIN_KEY"]}
    chosen |= {"PUBLIC_URL": "http://127.0.0.1:8000", "VAR_ROOT": str(world.home)}
    chosen |= {name: keys[name] for name in ("SIGNING_KEY", "SIGNING_CERTIFICATE_PASSWORD")}
    if "SIGNING_CERTIFICATE" not in person:
        kept = certificate.kept_certificate(world.home / "signing.p12", keys["SIGNING_CERTIFICATE_PASSWORD"])
        chosen["SIGNING_CERTIFICATE"] = str(kept)
    fixed = {"DJANGO_SETTINGS_MODULE": "config.settings", "PYTHONPATH": str(CHECKOUT)}
    return chosen | person | fixed


def start_database(stack: Stack, mode: postgres.Mode, keys: Mapping[str, str]) -> None:
    """Starts PostgreSQL with its roles, or takes the server in DATABASE_URL."""
    if given().get("DATABASE_URL"):
        stack.owner_url = stack.environment.pop("DATABASE_OWNER_URL", "")
        return
    database = postgres.Postgres(
        stack.world, mode, keys["DATABASE_APP_PASSWORD"], keys["DATABASE_OWNER_PASSWORD"]
    )
    database.prepare()
    stack.start(database.service())
    database.make_roles()
    stack.owner_url = database.url(postgres.OWNER)
    stack.environment["DATABASE_URL"] = database.url(postgres.APP)


def start_valkey(stack: Stack, persistence: tuple[str, ...]) -> None:
    """Starts Valkey, or takes the server in REDIS_URL."""
    if given().get("REDIS_URL"):
        return
    stack.start(valkey.valkey(stack.world, persistence))
    stack.environment["REDIS_URL"] = f"unix://{valkey.socket_of(stack.world)}"


def web(stack: Stack, port: int) -> Service:
    """The web server: granian, two processes, on 127.0.0.1."""
    command = [
        sys.executable,
        "-m",
        "granian",
        "--interface",
        "wsgi",
        "--host",
        "127.0.0.1",
        "--port",
        str(port),
    ]
    command += [
        "--workers",
        str(WEB_WORKERS),
        "--blocking-threads",
        "2",
        "--no-ws",
        "--respawn-failed-workers",  # one that was killed takes nobody else down
        "--respawn-interval",
        "0.5",
        "--workers-kill-timeout",
        "10",
    ]
    return Service(
        name="web",
        command=[*command, "config.wsgi:application"],
        log=stack.world.logs / "web.log",
        environment=stack.environment,
        is_ready=lambda: answers(f"http://127.0.0.1:{port}/readyz"),
        folder=CHECKOUT,
        stop_seconds=15,
    )


def answers(url: str) -> bool:
    """Whether the address answers 200."""
    try:
        with urlopen(url, timeout=5) as response:  # noqa: S310 - our own loopback address
            return bool(response.status == 200)
    except (URLError, OSError):
        return False


def worker(stack: Stack) -> Service:
    """The Celery worker, for all queues."""
    name = f"worker@{stack.world.name}"
    command = [sys.executable, "-m", "celery", "-A", "config.celery", "worker", "--hostname", name]
    command += ["--concurrency", str(TASK_WORKERS), "--queues", QUEUES, "--loglevel", "INFO"]
    return Service(
        name="worker",
        command=[*command, "--without-gossip", "--without-mingle"],
        log=stack.world.logs / "worker.log",
        environment=stack.environment,
        is_ready=lambda: pings(stack.environment["REDIS_URL"], name),
        folder=CHECKOUT,
        stop_seconds=30,
    )


def pings(redis_url: str, name: str) -> bool:
    """Whether the worker of that name answers over the queue."""
    with Celery(broker=redis_url.replace("unix://", "redis+socket://", 1), set_as_current=False) as asker:
        return bool(asker.control.ping(destination=[name], timeout=0.5))


def beat(stack: Stack) -> Service:
    """The clock that sends the sweep; ready when it has written its own files (their endings vary)."""
    schedule = stack.world.home / "beat" / "schedule"
    shutil.rmtree(schedule.parent, ignore_errors=True)
    schedule.parent.mkdir()
    command = [sys.executable, "-m", "celery", "-A", "config.celery", "beat", "--schedule", str(schedule)]
    return Service(
        name="beat",
        command=[*command, "--pidfile", "", "--loglevel", "INFO"],
        log=stack.world.logs / "beat.log",
        environment=stack.environment,
        is_ready=lambda: any(schedule.parent.iterdir()),
        folder=CHECKOUT,
        stop_seconds=10,
    )


def start_all(stack: Stack, port: int) -> None:
    """Migrates, then starts web, worker and beat and waits until all are ready."""
    stack.base_url = f"http://127.0.0.1:{port}"
    public = given().get("PUBLIC_URL", stack.base_url)
    hosts = f"127.0.0.1,localhost,{urlsplit(public).hostname}"
    stack.environment |= {"PUBLIC_URL": public, "ALLOWED_HOSTS": given().get("ALLOWED_HOSTS", hosts)}
    stack.migrate()
    stack.start(web(stack, port), worker(stack), beat(stack))


@contextmanager
def test_services() -> Iterator[Stack]:
    """PostgreSQL and Valkey for one test run: own folders, own keys, removed at the end."""
    with passing_world() as world:
        keys = keyring.new_keys() | {"DATABASE_APP_PASSWORD": "", "DATABASE_OWNER_PASSWORD": ""}
        with services(world, postgres.FOR_TESTS, keys) as stack:
            yield stack


@contextmanager
def kept_services(name: str = "local") -> Iterator[Stack]:
    """PostgreSQL and Valkey of a world that stays (var/NAME), with the keys of var/local.env."""
    with (
        kept_world(name) as world,
        services(world, postgres.KEPT, keyring.kept_keys(VAR / "local.env")) as stack,
    ):
        yield stack


@contextmanager
def local_stack(port: int = 0, name: str | None = None) -> Iterator[Stack]:
    """Everything, ready to use. Without a name the data are removed at the end; else they stay in var/NAME.

    Args:
        port: the web server's port on 127.0.0.1 if it is free; 0 takes any free one.
    """
    with kept_services(name) if name else test_services() as stack:
        start_all(stack, free_port(port))
        yield stack


def watch(stack: Stack) -> Service:
    """Waits until a service ends by itself, and returns it."""
    while True:
        if gone := stack.ended():
            return gone
        time.sleep(0.2)


def forget(name: str) -> None:
    """Removes all data of a world that stays."""
    with kept_world(name) as world:
        shutil.rmtree(world.postgres, ignore_errors=True)
    shutil.rmtree(VAR / name, ignore_errors=True)
