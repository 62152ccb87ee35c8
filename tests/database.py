"""The two roles of the test run: the owner makes the database, every test runs as the serving role."""

from typing import Any

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


def drop_database(name: str) -> None:
    """Drop a database although threads may still hold connections to it."""
    with owner_connection("postgres", autocommit=True) as owner:
        owner.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
