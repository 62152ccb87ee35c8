"""The two roles of the test run: the owner makes the database, every test runs as the serving role."""

from typing import Any
from uuid import UUID

import psycopg
from django.conf import settings
from django.db import connection

# Filled by migrations and read by Django itself.
KEPT_TABLES = {"django_migrations", "django_content_type", "auth_permission"}


def become(role: str) -> None:
    """Connect as another role from now on. A pool would go on serving the role it was opened with."""
    connection.close()
    connection.close_pool()
    connection.settings_dict["USER"] = role


def become_owner() -> None:
    """Connect as the owner of the tables."""
    become(settings.DATABASE_OWNER_ROLE)


def become_app() -> None:
    """Connect as the role that serves requests."""
    become(settings.DATABASE_APP_ROLE)


def owner_connection(database: str | None = None, **kwargs: Any) -> psycopg.Connection[Any]:
    """Return a connection of the owner, outside Django and its guards."""
    known = connection.settings_dict
    return psycopg.connect(
        dbname=database or known["NAME"],
        host=known["HOST"],
        port=known["PORT"],
        user=settings.DATABASE_OWNER_ROLE,
        cursor_factory=psycopg.ClientCursor,
        **kwargs,
    )


def empty_database() -> None:
    """Truncate every table, also the append-only ones, whose triggers sleep meanwhile."""
    with owner_connection(autocommit=True) as owner:
        owner.execute("SET session_replication_role = replica")
        tables = owner.execute(
            "SELECT relname, quote_ident(relname) FROM pg_class WHERE relkind IN ('r', 'p')"
            " AND NOT relispartition AND relnamespace = 'public'::regnamespace"
        ).fetchall()
        names = ", ".join(quoted for name, quoted in tables if name not in KEPT_TABLES)
        owner.execute(f"TRUNCATE {names} CASCADE")


class Kept:
    """All rows as they are now, those of one company, to be put back into the emptied tables exactly so.

    What takes seconds to make and is made the same for each test of a file, is made once.
    """

    def __init__(self, company: UUID) -> None:
        self._setting = f"SET app.company = '{company}'"
        self._columns: dict[str, str] = {}
        with owner_connection(autocommit=True) as owner:
            owner.execute(self._setting)
            owner.execute("DROP SCHEMA IF EXISTS kept CASCADE")
            owner.execute("CREATE SCHEMA kept")
            for table, columns in owner.execute(_COLUMNS).fetchall():
                owner.execute(f"CREATE TABLE kept.{table} AS SELECT {columns} FROM public.{table}")
                if owner.execute(f"SELECT 1 FROM kept.{table} LIMIT 1").fetchone():
                    self._columns[table] = columns

    def put_back(self) -> None:
        """Fills the tables with what was kept; no trigger sees it."""
        with owner_connection() as owner:
            owner.execute("SET session_replication_role = replica")
            owner.execute(self._setting)
            for table, columns in self._columns.items():
                owner.execute(
                    f"INSERT INTO public.{table} ({columns}) OVERRIDING SYSTEM VALUE"
                    f" SELECT {columns} FROM kept.{table}"
                )

    def drop(self) -> None:
        """Else other tests find tables twice."""
        with owner_connection(autocommit=True) as owner:
            owner.execute("DROP SCHEMA IF EXISTS kept CASCADE")


_COLUMNS = """
SELECT quote_ident(relname), string_agg(quote_ident(attname), ', ' ORDER BY attnum)
FROM pg_class JOIN pg_attribute ON attrelid = pg_class.oid
WHERE relkind IN ('r', 'p') AND NOT relispartition AND relnamespace = 'public'::regnamespace
  AND relname NOT IN ('django_migrations', 'django_content_type', 'auth_permission')
  AND attnum > 0 AND NOT attisdropped AND attgenerated = '' GROUP BY relname
"""


def drop_database(name: str) -> None:
    """Drop a database although threads may still hold connections to it."""
    with owner_connection("postgres", autocommit=True) as owner:
        owner.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
