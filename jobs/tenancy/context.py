"""Which company this code runs for, and how the database is told.

The company is a context variable. The database learns it by `SET LOCAL` when a transaction begins
(backend/base.py) or when the company changes inside one (here), never for a whole session.
"""

import uuid
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TypeVar

from django.db import connection, transaction
from psycopg.pq import TransactionStatus

T = TypeVar("T")

_company: ContextVar[uuid.UUID | None] = ContextVar("company", default=None)
_across: ContextVar[bool] = ContextVar("across_companies", default=False)


class NoCompany(Exception):
    """Code that needs a company ran without one."""


class WrongCompany(Exception):
    """A row of one company was about to be written for another."""


def current_company() -> uuid.UUID:
    """Return the id of the company this code runs for; raise NoCompany if none is set."""
    if (value := _company.get()) is None:
        raise NoCompany("no company is set: open one with jobs.tenancy.context.company(id)")
    return value


def company_or_none() -> uuid.UUID | None:
    """Return the id of the company this code runs for, or None."""
    return _company.get()


def set_company_sql(value: uuid.UUID | None) -> str:
    """Return the statement that tells the database the company for the rest of the transaction.

    A literal, because SET takes no parameters and a sharding database passes on SET LOCAL but not
    set_config(). It is built from a UUID object only, so no text from outside can get in.
    """
    if value is None:
        return "SET LOCAL app.company = ''"
    return f"SET LOCAL app.company = '{uuid.UUID(bytes=value.bytes)}'"


def _tell_database() -> None:
    """Set the company of the open transaction, if there is one that still takes statements."""
    if not connection.in_atomic_block or connection.needs_rollback or connection.connection is None:
        return
    if connection.connection.info.transaction_status == TransactionStatus.INERROR:
        return  # the rollback to come restores the company of the outer block
    with connection.cursor() as cursor:
        cursor.execute(set_company_sql(_company.get()))


@contextmanager
def company_var(value: uuid.UUID | None) -> Iterator[None]:
    """Set the company without opening a transaction; transactions begun inside take it."""
    if value is not None and not isinstance(value, uuid.UUID):
        raise TypeError(f"a company id is a uuid.UUID, not {type(value).__name__}")
    before = _company.get()
    _company.set(value)
    try:
        _tell_database()
        yield
    finally:
        _company.set(before)  # not reset(token): a generator may end in another context
        _tell_database()  # SET LOCAL outlives a released savepoint


@contextmanager
def company(value: uuid.UUID) -> Iterator[None]:
    """Run as one company in a transaction. Tasks, commands, tests and streams use this."""
    with company_var(value), transaction.atomic():
        yield


@contextmanager
def across_companies() -> Iterator[None]:
    """Let statements without a company through the backend's guard (migrations only).

    Row security still stands: as the serving role such a statement sees no row.
    """
    before = _across.get()
    _across.set(True)
    try:
        yield
    finally:
        _across.set(before)


def is_across_companies() -> bool:
    """Tell whether across_companies() is open."""
    return _across.get()


def after_commit(action: Callable[[], object]) -> None:
    """Call `action` after the commit, for the present company and in a transaction of its own."""
    value = current_company()

    def run() -> None:
        with company(value):
            action()

    transaction.on_commit(run)


def stream(chunks: Callable[[], Iterable[T]]) -> Iterator[T]:
    """Yield what `chunks()` yields, for the present company and in a transaction of its own.

    For streaming responses: their body is made after the view's transaction has ended.
    """
    value = current_company()

    def run() -> Iterator[T]:
        with company(value):
            yield from chunks()

    return run()
