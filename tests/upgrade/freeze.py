"""Freezes a small company as this release stores it, for the upgrade test of all later ones.

    python -m tests.upgrade.freeze 0.1.0

Writes tests/upgrade/releases/0.1.0.json (what it is: migrations, keys, ids, rows, digest) and 0.1.0.zip (the
dump of the database with its schema, and the stored files). Once a release is out its files are never
rewritten.
"""

import argparse
import base64
import hashlib
import json
import os
import subprocess
import sys
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import psycopg
from psycopg import sql

from config.local.postgres import PACKAGED

ROOT = Path(__file__).resolve().parents[2]
RELEASES = Path(__file__).with_name("releases")
DUMP, FILES = "database.sql", "files/"
Connection = psycopg.Connection[tuple[Any, ...]]
APPS = ("jobs", "measurements", "reports")
KEYS = {
    "SECRET_KEY": "of-frozen-test-data-only-never-of-a-service-that-runs",
    "EVENT_CHAIN_KEY": base64.urlsafe_b64encode(b"chain key of frozen test data...").decode(),
    "SIGNING_KEY": base64.urlsafe_b64encode(b"sealing key of frozen test data.").decode(),
    "PUBLIC_URL": "http://127.0.0.1:8000",
}
"""Keys of the frozen data, which are no secret: nothing else is under them."""
EMPTY: dict[str, str] = {
    "admin.LogEntry": "Django's admin, used by operators alone",
    "auth.Group": "not used",
    "auth.Group_permissions": "not used",
}
"""Tables that need no row, each with the reason; every other has one."""


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.upgrade.freeze", description=__doc__)
    parser.add_argument("release")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if not given.inside:
        raise SystemExit(outside(given.release))
    import django

    django.setup()
    write(given.release)


def outside(release: str) -> int:
    """On a PostgreSQL of its own, with the keys of frozen data."""
    inside = [sys.executable, "-m", "tests.upgrade.freeze", release, "--inside"]
    command = [sys.executable, "-m", "config.local", "exec", "--test", "--", *inside]
    servers = {name: value for name, value in os.environ.items() if not name.startswith("DATABASE_")}
    return subprocess.run(command, cwd=ROOT, env=servers | KEYS, check=False).returncode


def write(release: str) -> None:
    from django.conf import settings

    from tests.upgrade import world

    migrate()
    told = world.build()
    rows = count_rows()
    RELEASES.mkdir(exist_ok=True)
    path = RELEASES / f"{release}.zip"
    media = Path(settings.MEDIA_ROOT)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr(DUMP, dump())
        kept = sorted(one for one in media.rglob("*") if one.is_file())
        for one in kept:
            archive.write(one, FILES + str(one.relative_to(media)))
    state = {
        "release": release,
        "frozen_at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "migrations": applied(),
        "calculation_versions": versions(told),
        "rows": rows,
        "files": len(kept),
        "keys": KEYS,
        "told": told,
    }
    path.with_suffix(".json").write_text(json.dumps(state, indent=1, sort_keys=True) + "\n")
    print(
        f"{path.relative_to(ROOT)}: {path.stat().st_size} bytes, {sum(rows.values())} rows, {len(kept)} files"
    )


def migrate() -> None:
    parts = urlsplit(os.environ["DATABASE_OWNER_URL"])
    environment = os.environ | {"DATABASE_URL": parts.geturl(), "DATABASE_STATEMENT_TIMEOUT": "0"}
    subprocess.run([sys.executable, "manage.py", "migrate", "-v0"], cwd=ROOT, env=environment, check=True)


def dump() -> bytes:
    """Schema, rights and rows, read by the administrator past row security."""
    command = [
        PACKAGED / "pginstall" / "bin" / "pg_dump",
        "--host",
        socket_folder(),
        "--username",
        "postgres",
    ]
    command += ["--restrict-key", "frozen", database()]
    return subprocess.run(command, capture_output=True, check=True).stdout


def applied() -> dict[str, list[str]]:
    """Names of the migrations under the data, by app."""
    with administrator() as connection:
        rows = connection.execute("select app, name from django_migrations order by app, name").fetchall()
    found: dict[str, list[str]] = {}
    for app, name in rows:
        found.setdefault(str(app), []).append(str(name))
    return found


def versions(told: dict[str, Any]) -> list[str]:
    from uuid import UUID

    from jobs.tenancy.context import company
    from measurements.models import Result

    with company(UUID(told["company"])):
        return sorted(set(Result.objects.values_list("calculation_version", flat=True)))


def count_rows() -> dict[str, int]:
    """Rows by model. Raises SystemExit for a table without any that has no reason for it."""
    from django.apps import apps

    with administrator() as connection:
        found = {
            model._meta.label: counted(connection, model._meta.db_table)
            for model in apps.get_models(include_auto_created=True)
        }
    lacking = sorted(label for label, number in found.items() if not number and label not in EMPTY)
    if lacking:
        raise SystemExit(f"no row is frozen of {', '.join(lacking)}: build one in tests/upgrade/world.py")
    return found


def administrator() -> Connection:
    return psycopg.connect(host=socket_folder(), user="postgres", dbname=database())


def counted(connection: Connection, table: str) -> int:
    row = connection.execute(sql.SQL("select count(*) from {}").format(sql.Identifier(table))).fetchone()
    assert row is not None
    return int(row[0])


def socket_folder() -> str:
    return parse_qs(urlsplit(os.environ["DATABASE_URL"]).query)["host"][0]


def database() -> str:
    return urlsplit(os.environ["DATABASE_URL"]).path.removeprefix("/")


if __name__ == "__main__":
    main()
