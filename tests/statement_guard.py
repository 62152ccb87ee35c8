"""Fails a test whose code sends a statement on a tenant table without the company's value.

Such a statement would ask every node of a sharding database, and leans on row security alone. Exempt
are statements of the `unscoped` manager, which the compiler marks, and those of the owner, who migrates.
"""

import re
import uuid
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

from django.apps import apps
from django.conf import settings
from django.db import connection
from django.db.backends.signals import connection_created

from jobs.tenancy.backend.compiler import UNSCOPED_MARK
from jobs.tenancy.context import company_or_none
from jobs.tenancy.detect import company_column

READS_OR_WRITES = re.compile(r"\s*\(*\s*(select|insert|update|delete|with|merge|table)\b", re.IGNORECASE)


class StatementWithoutCompany(AssertionError):
    """A statement on a tenant table did not name the company."""


@cache
def tenant_tables() -> re.Pattern[str]:
    """Return what finds the name of a tenant table in SQL."""
    names = [model._meta.db_table for model in apps.get_models() if company_column(model)]
    return re.compile(rf"\b({'|'.join(map(re.escape, names))})\b")


def values(params: Any) -> Iterator[Any]:
    """Yield every parameter, also those inside lists, mappings and wrappers of psycopg."""
    items: Iterable[Any] = params.values() if isinstance(params, dict) else params or ()
    for item in items:
        if isinstance(item, list | tuple | dict):
            yield from values(item)
        else:
            yield item


def find_fault(sql: str, params: Any) -> str | None:
    """Return what is wrong with a statement, or None."""
    if not READS_OR_WRITES.match(sql) or UNSCOPED_MARK in sql or not tenant_tables().search(sql):
        return None
    company = company_or_none()
    if company is None:
        return f"statement on a tenant table without a company: {sql}"
    if str(company) in sql or any(_is(value, company) for value in values(params)):
        return None
    return f"statement on a tenant table does not name its company: {sql}"


def _is(value: Any, company: uuid.UUID) -> bool:
    return value == company or (isinstance(value, str) and company in _as_uuids(value))


def _as_uuids(text: str) -> set[uuid.UUID]:
    try:
        return {uuid.UUID(text)}
    except ValueError:
        return set()


class Guard:
    """Wraps every execution and remembers the faults, in case the code swallows the error."""

    def __init__(self) -> None:
        self.found: list[str] = []

    def __call__(self, execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        if context["connection"].settings_dict["USER"] == settings.DATABASE_OWNER_ROLE:
            return execute(sql, params, many, context)
        for one in params if many else [params]:
            if fault := find_fault(sql, one):
                self.found.append(fault)
                raise StatementWithoutCompany(fault)
        return execute(sql, params, many, context)

    def watch(self, sender: Any = None, connection: Any = None, **kwargs: Any) -> None:
        """Watch a connection, also one that another thread has just opened."""
        if self not in connection.execute_wrappers:
            connection.execute_wrappers.append(self)

    def leave(self) -> None:
        """Stop watching this thread's connection."""
        while self in connection.execute_wrappers:
            connection.execute_wrappers.remove(self)


@contextmanager
def watching() -> Iterator[Guard]:
    """Watch all statements until the end of the block; fail at its end if one was wrong."""
    guard = Guard()
    connection_created.connect(guard.watch)
    guard.watch(connection=connection)
    try:
        yield guard
    finally:
        connection_created.disconnect(guard.watch)
        guard.leave()
    if guard.found:
        raise StatementWithoutCompany(guard.found[0])
