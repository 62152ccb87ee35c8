"""The drill: back up under load, lose everything, restore to a moment, and prove what came back.

Run: make drill (BATCHES=200 for more). An own PostgreSQL that syncs, checks pages and archives its WAL takes
batches; meanwhile a base backup is taken. A moment is chosen between two later batches. Then the server is
killed, its data folder set aside, and the backup restored to that moment: every batch acknowledged before it
has to be there whole, none after it, and the chain of evidence has to hold, as have the stored files. Last,
a segment of the WAL is taken away: the restore must fail loudly. Prints figures; exits with 1 for a fault.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from config import backup
from config.local import postgres
from config.local.keys import kept_keys
from config.local.places import World, passing_world
from config.local.process import Service, StartFailed
from config.local.stack import base_environment

ROOT = Path(__file__).resolve().parents[2]
BATCHES = int(os.environ.get("BATCHES", "60"))
OWN = ("DATABASE_URL", "DATABASE_OWNER_URL", "REDIS_URL", "BASE_URL", "PUBLIC_URL", "ALLOWED_HOSTS")


def archiving(wal: Path) -> postgres.Mode:
    """As a server of a company runs, and as docker-compose.yml has it."""
    copy = f"cp %p {wal}/.%f && mv {wal}/.%f {wal}/%f"
    settings = {"archive_mode": "on", "archive_timeout": "60", "archive_command": copy}
    return postgres.Mode(
        postgres.COMMON | postgres.LASTING | settings, postgres.TRUST_SOCKET, postgres.FOR_TESTS.owner_rights
    )


def main() -> None:
    if "--fill" in sys.argv or "--prove" in sys.argv:
        inside()
        return
    for name in OWN:
        os.environ.pop(name, None)
    with passing_world() as world:
        faults = drill(world)
    for fault in faults:
        print(f"fault: {fault}")
    raise SystemExit(1 if faults else 0)


def drill(world: World) -> list[str]:
    """What did not come back; empty when all did."""
    place, account = world.home / "drill", world.account
    wal = world.postgres.with_name(f"{world.postgres.name}-wal")
    place.mkdir()
    postgres.open_folder(wal)
    if account:
        os.chown(wal, account.uid, account.gid)
    database = postgres.Postgres(world, archiving(wal), "", "")
    try:
        database.prepare()
        server = started(database)
        database.make_roles()
        begun = time.perf_counter()
        run(world, database, "--fill", place)
        print(f"figure: drill, filled and backed up under load = {time.perf_counter() - begun:.1f} s")
        kill(server)
        told = json.loads((place / "acked.json").read_text())
        return [*restored(world, wal, place, told), *without_a_segment(world, wal, place, told)]
    finally:
        shutil.rmtree(wal, ignore_errors=True)


def started(database: postgres.Postgres) -> Service:
    server = database.service()
    server.start()
    server.wait_ready()
    return server


def kill(server: Service) -> None:
    """Without a checkpoint, as a machine that is lost."""
    assert server.process is not None
    os.killpg(server.process.pid, signal.SIGKILL)
    server.process.wait()


def run(
    world: World, database: postgres.Postgres, part: str, place: Path
) -> subprocess.CompletedProcess[str]:
    """This module once more, beside the server."""
    environment = base_environment(world, kept_keys(world.home / "keys.env")) | {
        "DATABASE_URL": database.url(postgres.APP),
        "REDIS_URL": f"unix://{world.sockets}/no-valkey.sock",
        "BACKUP_URL": f"host={world.sockets} user=postgres",
        "PG_BIN": str(postgres.programs(world.account)),
        "MEDIA_ROOT": str(world.home / ("media" if part == "--fill" else "media-back")),
        "LOG_LEVEL": "ERROR",
    }
    command = [sys.executable, "-m", "tests.benchmarks.restore_figures", part, str(place)]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    print(done.stdout, end="")
    if done.returncode:
        raise SystemExit(f"{part} failed:\n{done.stdout}{done.stderr}")
    return done.stdout


def laid_out(world: World, wal: Path, place: Path, until: datetime, name: str) -> postgres.Postgres:
    """A data folder made from the backup, ready to recover to the moment."""
    folder = world.postgres.with_name(f"{world.postgres.name}-{name}")
    backup.restore(Path(json.loads((place / "acked.json").read_text())["backup"]), folder, wal, until)
    if world.account:
        for path in (folder, *folder.rglob("*")):
            os.chown(path, world.account.uid, world.account.gid)
    shutil.copy2(world.postgres / "pg_hba.conf", folder / "pg_hba.conf")
    return postgres.Postgres(replace(world, postgres=folder), archiving(wal), "", "")


def restored(world: World, wal: Path, place: Path, told: dict[str, Any]) -> list[str]:
    begun = time.perf_counter()
    database = laid_out(world, wal, place, datetime.fromisoformat(told["until"]), "back")
    faults: list[str] = []
    try:
        server = started(database)
        while recovering(database):
            time.sleep(0.05)
        print(f"figure: drill, from nothing to a database that serves = {time.perf_counter() - begun:.2f} s")
        files = backup.bring_files(Path(told["backup"]), world.home / "media-back")
        print(f"figure: drill, stored files back, each checked = {files}")
        faults = [
            line.removeprefix("fault: ")
            for line in run(world, database, "--prove", place).splitlines()
            if line.startswith("fault: ")
        ]
        kill(server)
    finally:
        shutil.rmtree(database.world.postgres, ignore_errors=True)
    return faults


def recovering(database: postgres.Postgres) -> bool:
    with database.connect() as connection:
        found = connection.execute("select pg_is_in_recovery()").fetchone()
    return bool(found and found[0])


def without_a_segment(world: World, wal: Path, place: Path, told: dict[str, Any]) -> list[str]:
    """A restore must not end early in silence."""
    segments = sorted(
        path for path in wal.iterdir() if len(path.name) == 24 and path.name > told["wal_at_backup"]
    )
    segments[0].unlink()
    database = laid_out(world, wal, place, datetime.fromisoformat(told["until"]), "gap")
    try:
        server = started(database)
        for _ in range(600):
            if not server.alive():
                break
            time.sleep(0.1)
        if not server.alive():
            raise StartFailed("it ended")
        in_silence = not recovering(database)
        kill(server)
        return ["a restore without a segment of the WAL ended in silence"] if in_silence else []
    except StartFailed:
        print("figure: drill, a segment of the WAL missing: the restore fails = 1")
        return []
    finally:
        shutil.rmtree(database.world.postgres, ignore_errors=True)


# Beside the server


def inside() -> None:
    import django

    place = Path(sys.argv[-1])
    if "--fill" in sys.argv:
        from tests.benchmarks.intake_figures import migrate

        migrate()
        django.setup()
        fill(place)
    else:
        django.setup()
        prove(place)


def fill(place: Path) -> None:
    """Batches before, while and after the backup, each with the database's clock once it was stored."""
    from concurrent.futures import ThreadPoolExecutor

    from django.conf import settings
    from django.core.files.base import ContentFile
    from django.core.files.storage import default_storage
    from django.db import connection

    from tests.benchmarks.intake_figures import Run

    made, acked = Run(), []

    def store() -> None:
        text = made.batch()
        made.store(text)
        with connection.cursor() as cursor:
            cursor.execute("select clock_timestamp()")
            acked.append(
                [cursor.fetchone()[0].isoformat(), [one["id"] for one in json.loads(text)["sessions"]]]
            )

    for n in range(5):
        default_storage.save(f"drill/{n}.bin", ContentFile(os.urandom(100_000)))
    for _ in range(BATCHES // 3):
        store()
    with ThreadPoolExecutor(1) as beside:
        taking = beside.submit(
            backup.take, place / "backups", os.environ["BACKUP_URL"], Path(settings.MEDIA_ROOT)
        )
        while not taking.done() or len(acked) < BATCHES * 2 // 3:
            store()
    with connection.cursor() as cursor:
        cursor.execute("select pg_walfile_name(pg_current_wal_lsn())")
        at_backup = cursor.fetchone()[0]
    switch()
    for _ in range(BATCHES // 6):
        store()
    time.sleep(0.2)
    with connection.cursor() as cursor:
        cursor.execute("select clock_timestamp()")
        until = cursor.fetchone()[0].isoformat()
    time.sleep(0.2)
    for _ in range(BATCHES // 6):
        store()
    switch()
    told = {
        "backup": str(taking.result()), "until": until, "acked": acked, "company": str(made.world.id),
        "wal_at_backup": at_backup,
    }  # fmt: skip
    (place / "acked.json").write_text(json.dumps(told))


def switch() -> None:
    """Ends the WAL's segment and waits until it is archived."""
    import psycopg

    with psycopg.connect(os.environ["BACKUP_URL"], dbname="postgres", autocommit=True) as connection:
        row = connection.execute("select pg_walfile_name(pg_switch_wal())").fetchone()
        assert row is not None
        for _ in range(600):
            last = connection.execute("select last_archived_wal from pg_stat_archiver").fetchone()
            if last and last[0] and last[0] >= row[0]:
                return
            time.sleep(0.05)
    raise SystemExit("the WAL was not archived")


def prove(place: Path) -> None:
    """What is there and what should be; then the chain of evidence and PostgreSQL's own check."""
    from uuid import UUID

    from jobs.tenancy.context import company
    from measurements.models import Reading, Session

    told = json.loads((place / "acked.json").read_text())
    until = datetime.fromisoformat(told["until"])
    before = {i for at, ids in told["acked"] if datetime.fromisoformat(at) < until for i in ids}
    after = {i for at, ids in told["acked"] if datetime.fromisoformat(at) > until for i in ids}
    with company(UUID(told["company"])):
        there = {str(i) for i in Session.objects.values_list("id", flat=True)}
        readings = Reading.objects.count()
    print(f"figure: drill, acknowledged before the moment = {len(before)} sessions")
    print(f"figure: drill, of these missing = {len(before - there)}")
    print(f"figure: drill, acknowledged after the moment and there = {len(after & there)}")
    print(f"figure: drill, readings there = {readings}")
    if before - there or after & there:
        print("fault: the restored database does not stand at the moment")
    for command in (
        [sys.executable, "manage.py", "audit_tenancy"],
        [sys.executable, "manage.py", "verify_evidence"],
        [backup.program("pg_amcheck"), "--all", "--heapallindexed", "--install-missing",
         "--maintenance-db", f"{os.environ['BACKUP_URL']} dbname=postgres"],
    ):  # fmt: skip
        begun = time.perf_counter()
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
        name = Path(command[0]).name if len(command) > 3 else command[2]
        print(f"figure: drill, {name} = {time.perf_counter() - begun:.1f} s")
        if done.returncode:
            print(f"fault: {name}: {(done.stdout + done.stderr)[-500:]}")


if __name__ == "__main__":
    main()
