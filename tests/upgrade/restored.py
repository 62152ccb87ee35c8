"""A frozen release in a database of its own, beside the one of the tests, as an installation has it."""

import json
import os
import subprocess
import sys
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
from django.conf import settings
from django.db import connection
from django.test import override_settings
from psycopg import sql

from config.environment import Environment
from config.local.postgres import PACKAGED
from tests.database import become, drop_database, owner_connection
from tests.upgrade.freeze import DUMP, FILES, RELEASES

PROGRAMS = PACKAGED / "pginstall" / "bin"
Rows = dict[str, dict[str, dict[str, Any]]]
"""By table, by row: the columns."""
OTHERS = ("django_migrations", "django_content_type", "auth_permission")
"""Tables that migrate itself writes."""


@dataclass(frozen=True)
class Frozen:
    """What was frozen of a release."""

    release: str
    state: dict[str, Any]

    @property
    def archive(self) -> Path:
        return RELEASES / f"{self.release}.zip"

    @property
    def told(self) -> dict[str, Any]:
        """Ids and secrets by name."""
        found: dict[str, Any] = self.state["told"]
        return found

    @property
    def migrations(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = self.state["migrations"]
        return found


def releases() -> list[Frozen]:
    """All that were frozen, the oldest first."""
    found = [Frozen(path.stem, json.loads(path.read_text())) for path in RELEASES.glob("*.json")]
    return sorted(found, key=lambda one: [int(part) for part in one.release.split(".")])


def where() -> list[str]:
    known = connection.settings_dict
    return ["--host", str(known["HOST"]), "--port", str(known["PORT"] or 5432), "--username", "postgres"]


def restore(frozen: Frozen, database: str) -> None:
    """Makes the database as the release left it: schema, rights, rows."""
    drop_database(database)
    with owner_connection("postgres", autocommit=True) as owner:
        owner.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(database)))
    with owner_connection(database, autocommit=True) as owner:  # the owner's, as migrate makes it
        owner.execute("CREATE EXTENSION btree_gist")
    with zipfile.ZipFile(frozen.archive) as archive:
        dump = archive.read(DUMP)
    load = [PROGRAMS / "psql", *where(), "--quiet", "-v", "ON_ERROR_STOP=1", "--single-transaction", database]
    done = subprocess.run(load, input=dump, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()


def unpack(frozen: Frozen, media: Path) -> None:
    """The stored files."""
    with zipfile.ZipFile(frozen.archive) as archive:
        for name in archive.namelist():
            if name.startswith(FILES):
                target = media / name.removeprefix(FILES)
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(archive.read(name))


@contextmanager
def copied(source: str, target: str) -> Iterator[None]:
    """A second database like the first, for something that spoils it."""
    connection.close()
    drop_database(target)
    with owner_connection("postgres", autocommit=True) as owner:
        allow = sql.SQL("ALTER DATABASE {} ALLOW_CONNECTIONS {}")
        owner.execute(allow.format(sql.Identifier(source), sql.Literal(False)))
        try:
            owner.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [source]
            )
            make = sql.SQL("CREATE DATABASE {} TEMPLATE {}")
            owner.execute(make.format(sql.Identifier(target), sql.Identifier(source)))
        finally:
            owner.execute(allow.format(sql.Identifier(source), sql.Literal(True)))
    try:
        yield
    finally:
        drop_database(target)


def manage(
    frozen: Frozen, database: str, role: str, *words: str, **environment: str
) -> "subprocess.CompletedProcess[str]":
    """A management command of the service, under the keys of the frozen data."""
    known = connection.settings_dict
    url = f"postgresql://{role}@/{database}?host={known['HOST']}&port={known['PORT'] or 5432}"
    more = frozen.state["keys"] | {"DATABASE_URL": url, "DJANGO_SETTINGS_MODULE": "config.settings"}
    return subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=settings.BASE_DIR,
        env={**os.environ, **more, "DATABASE_STATEMENT_TIMEOUT": "0", **environment},
        capture_output=True,
        text=True,
        timeout=600,  # on a machine that does much else
    )


@contextmanager
def inside(frozen: Frozen, database: str, media: Path) -> Iterator[None]:
    """Django connected to the database as the serving role, with the keys and files of the frozen data."""
    known, keys = connection.settings_dict, Environment(frozen.state["keys"])
    before = known["NAME"]
    become(settings.DATABASE_APP_ROLE)
    known["NAME"] = database
    try:
        with override_settings(
            SECRET_KEY=keys.text("SECRET_KEY"),
            EVENT_CHAIN_KEY=keys.key("EVENT_CHAIN_KEY"),
            SIGNING_KEYS=[keys.key("SIGNING_KEY")],
            PUBLIC_URL=keys.text("PUBLIC_URL"),
            MEDIA_ROOT=str(media),
            ANCHOR_FILE=media.with_name("anchors.jsonl"),
        ):
            yield
    finally:
        become(settings.DATABASE_APP_ROLE)
        known["NAME"] = before


# What stands in the tables


def rows(database: str, columns: Mapping[str, list[str]] | None = None) -> Rows:
    """Every row of every table, past row security; of the named columns where some are named."""
    with psycopg.connect(
        host=connection.settings_dict["HOST"], port=connection.settings_dict["PORT"] or 5432,
        user="postgres", dbname=database,
    ) as administrator:  # fmt: skip
        there = columns_of(administrator)
        found: Rows = {}
        for table, names in there.items():
            chosen = names if columns is None else [one for one in columns.get(table, ()) if one in names]
            if chosen and table not in OTHERS:
                found[table] = _of_table(administrator, table, chosen)
    return found


def columns_of(administrator: psycopg.Connection[Any]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    query = (
        "SELECT c.relname, a.attname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid"
        " WHERE c.relkind IN ('r', 'p') AND NOT c.relispartition AND a.attnum > 0 AND NOT a.attisdropped"
        " AND c.relnamespace = 'public'::regnamespace ORDER BY 1, a.attnum"
    )
    for table, column in administrator.execute(query).fetchall():
        found.setdefault(table, []).append(column)
    return found


def _of_table(administrator: psycopg.Connection[Any], table: str, columns: list[str]) -> dict[str, Any]:
    """Text of each column, so that every digit of a number counts."""
    key = [one for one in ("company_id", "id") if one in columns] or columns[:1]
    chosen = sql.SQL(", ").join(sql.SQL("{}::text").format(sql.Identifier(one)) for one in columns)
    query = sql.SQL("SELECT {} FROM {}").format(chosen, sql.Identifier(table))
    made = [dict(zip(columns, row, strict=True)) for row in administrator.execute(query).fetchall()]
    return {" ".join(str(row[one]) for one in key): row for row in made}


def altered(before: Rows, after: Rows, meant: Mapping[str, str]) -> list[str]:
    """Rows that are gone, columns that are gone and values that differ; `meant`: those that may, by name."""
    found = set()
    for table, old in before.items():
        new = after.get(table, {})
        for key, row in old.items():
            if key not in new:
                found.add(f"{table}: row {key} is gone")
                continue
            for column, value in row.items():
                if column not in new[key]:
                    found.add(f"{table}.{column} is gone")
                elif new[key][column] != value:
                    told = f"{value!r:.80} to {new[key][column]!r:.80}"
                    found.add(f"{table}.{column} of row {key} went from {told}")
    return sorted(one for one in found if not any(one.startswith(name) for name in meant))


def schema_of(database: str) -> str:
    """All that stands in the catalogue, in the order of names, without the tables of tests."""
    command = [PROGRAMS / "pg_dump", *where(), "--schema-only", "--restrict-key", "x"]
    command += ["--exclude-schema", "kept", "--exclude-table", "probe_*"]
    command += ["--exclude-table", "django_migrations", database]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout
