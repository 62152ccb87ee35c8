"""A PostgreSQL that archives its WAL, is lost and comes back from a backup: for tests and `make drill`."""

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import psycopg

from config import backup
from config.local import postgres
from config.local.places import World, passing_world
from config.local.process import Service, StartFailed

PATIENCE_S = 300.0
START_S = 240.0


def wait_until(is_so: Callable[[], object], what: str) -> None:
    """Waits for a condition, long enough for a busy machine."""
    deadline = time.monotonic() + PATIENCE_S
    while not is_so():
        if time.monotonic() > deadline:
            raise AssertionError(f"not within {PATIENCE_S:g} s: {what}")
        time.sleep(0.02)


def archiving(wal: Path, **changes: str) -> postgres.Mode:
    """As a server of a company runs, and as docker-compose.yml has it; `changes`: settings beside these."""
    copy = f"cp %p {wal}/.%f && mv {wal}/.%f {wal}/%f"
    settings = {"archive_mode": "on", "archive_timeout": "60", "archive_command": copy}
    return postgres.Mode(
        postgres.COMMON | postgres.LASTING | settings | changes,
        postgres.TRUST_SOCKET + "local replication postgres trust\n",  # pg_basebackup's kind of connection
        postgres.FOR_TESTS.owner_rights,
    )


@dataclass
class Cluster:
    """A server with its archive; `restored` makes others of it, on the same socket, one at a time."""

    world: World
    wal: Path
    settings: dict[str, str]
    running: list[Service] = field(default_factory=list)

    @property
    def database(self) -> postgres.Postgres:
        return self._on(self.world)

    def _on(self, world: World, wal: Path | None = None) -> postgres.Postgres:
        return postgres.Postgres(world, archiving(wal or self.wal, **self.settings))

    @property
    def address(self) -> str:
        """BACKUP_URL."""
        return f"host={self.world.sockets} user=postgres"

    def connect(self) -> "psycopg.Connection[tuple[object, ...]]":
        return self.database.connect()

    def start(self, database: postgres.Postgres | None = None) -> Service:
        """Starts the server, or one whose data folder was restored, and waits until it answers."""
        service = replace((database or self.database).service(), start_seconds=START_S)
        self.running.append(service)
        service.start()
        service.wait_ready()
        return service

    def lose(self) -> None:
        """Kills what runs, without a checkpoint, as a machine that is lost."""
        while self.running:
            process = self.running.pop().process
            if process is not None and process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()

    def archived(self) -> None:
        """Ends the WAL's segment and waits until it is archived."""
        with self.connect() as connection:
            # A switch in an empty segment does nothing: something has to stand in it.
            connection.execute("select pg_create_restore_point('drill')")
            row = connection.execute("select pg_walfile_name(pg_switch_wal())").fetchone()
        assert row is not None
        wait_until((self.wal / str(row[0])).exists, f"{row[0]} is in the archive")

    @property
    def received(self) -> Path:
        """Where pg_receivewal writes."""
        return self.wal.with_name(f"{self.wal.name}-received")

    def receive(self) -> "subprocess.Popen[bytes]":
        """Starts pg_receivewal, which ends with the server."""
        postgres.open_folder(self.received)
        command = [backup.program("pg_receivewal"), "--dbname", self.address, "--directory"]
        made = subprocess.Popen([*command, str(self.received), "--no-loop", "--synchronous"])
        wait_until(self.is_received, "pg_receivewal is connected")
        return made

    def is_received(self) -> bool:
        """Whether all that is committed is on the receiver's disk."""
        with self.connect() as connection:
            row = connection.execute(
                "select count(*) from pg_stat_replication where flush_lsn >= pg_current_wal_flush_lsn()"
            ).fetchone()
        return row == (1,)

    def moment(self) -> datetime:
        """The server's clock, with nothing committed in the same instant."""
        with self.connect() as connection:
            row = connection.execute("select clock_timestamp() from pg_sleep(0.05)").fetchone()
            connection.execute("select pg_sleep(0.05)")
        assert row is not None
        assert isinstance(row[0], datetime)
        return row[0]

    @contextmanager
    def restored(
        self, place: Path, until: datetime | None, name: str = "back", archive: Path | None = None
    ) -> Iterator[postgres.Postgres]:
        """Recovers from a backup and serves. Raises StartFailed when the server ends instead.

        `archive`: another than that of `archive_command`. It archives into a folder of its own: the next
        restore would follow its timeline, not the lost one.
        """
        folder = self.world.postgres.with_name(f"{self.world.postgres.name}-{name}")
        wal = folder.with_name(f"{folder.name}-wal")
        try:
            source = archive or self.wal
            backup.restore(place, folder, source, until)
            postgres.open_folder(wal)
            if self.world.account:
                for path in (wal, folder, *folder.rglob("*"), *source.iterdir()):
                    os.chown(path, self.world.account.uid, self.world.account.gid)
            shutil.copy2(self.world.postgres / "pg_hba.conf", folder / "pg_hba.conf")
            database = self._on(replace(self.world, postgres=folder), wal)
            server = self.start(database)
            wait_until(lambda: not recovering(server, database), "the recovery is over")
            yield database
        finally:
            self.lose()
            for path in (folder, wal):
                shutil.rmtree(path, ignore_errors=True)


def recovering(server: Service, database: postgres.Postgres) -> bool:
    if not server.alive():
        raise StartFailed(f"PostgreSQL ended while it recovered. {server.evidence()}")
    try:
        with database.connect() as connection:
            found = connection.execute("select pg_is_in_recovery()").fetchone()
    except psycopg.OperationalError:
        return True  # it is ending, which the next look tells
    return bool(found and found[0])


@contextmanager
def cluster(**settings: str) -> Iterator[Cluster]:
    """A server that archives, in a world of its own; all is removed at the end."""
    with passing_world() as world:
        wal = world.postgres.with_name(f"{world.postgres.name}-wal")
        postgres.open_folder(wal)
        made = Cluster(world, wal, settings)
        try:
            if world.account:
                os.chown(wal, world.account.uid, world.account.gid)
            made.database.prepare()
            made.start()
            made.database.make_roles()
            yield made
        finally:
            made.lose()
            for path in (wal, made.received):
                shutil.rmtree(path, ignore_errors=True)
