"""Many rows in few statements: columns as binary arrays, statements sent together.

Django's cursor binds on the client: arrays become SQL text, which halves the speed of an insert. Here psycopg
binds on the server, and each column is packed into the wire form of a PostgreSQL array in one go. The caller
names the company in every statement, as everywhere; hooks on the connection see each statement.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import chain, repeat
from struct import pack
from typing import Any
from uuid import UUID

import psycopg
from django.db import connection, transaction
from django.utils.translation import gettext
from psycopg.adapt import Dumper
from psycopg.pq import Format

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SINCE_2000 = 946_684_800
"""Seconds from 1970 to the epoch of PostgreSQL's timestamps."""


class Packed:
    """One column as the binary form of a one-dimensional array."""

    __slots__ = ("data",)
    oid, element_oid = 0, 0

    def __init__(self, count: int, body: bytes, nulls: bool = False) -> None:
        self.data = pack(">iiiii", 1, int(nulls), self.element_oid, count, 1) + body if count else empty(self)


def empty(column: Packed) -> bytes:
    return pack(">iii", 0, 0, column.element_oid)


class Uuids(Packed):
    """uuid[] from the ids' 16 bytes each."""

    oid, element_oid = 2951, 2950

    def __init__(self, ids: Sequence[bytes]) -> None:
        prefix = b"\x00\x00\x00\x10"
        super().__init__(len(ids), prefix + prefix.join(ids) if ids else b"")


class Int2s(Packed):
    oid, element_oid = 1005, 21

    def __init__(self, values: Sequence[int]) -> None:
        body = pack(">" + "ih" * len(values), *chain.from_iterable(zip(repeat(2), values)))
        super().__init__(len(values), body)


class Floats(Packed):
    """float8[]."""

    oid, element_oid = 1022, 701

    def __init__(self, values: Sequence[float]) -> None:
        body = pack(">" + "id" * len(values), *chain.from_iterable(zip(repeat(8), values)))
        super().__init__(len(values), body)


class Times(Packed):
    """timestamptz[] from microseconds since 1970 (see `microseconds`)."""

    oid, element_oid = 1185, 1184

    def __init__(self, values: Sequence[int]) -> None:
        ticks = [value - SINCE_2000 * 1_000_000 for value in values]
        body = pack(">" + "iq" * len(ticks), *chain.from_iterable(zip(repeat(8), ticks)))
        super().__init__(len(values), body)


class Texts(Packed):
    """text[]; None is NULL."""

    oid, element_oid = 1009, 25

    def __init__(self, values: Sequence[str | None]) -> None:
        packed = {value: _text(value) for value in set(values)}  # most columns repeat a few words
        body = b"".join([packed[value] for value in values])
        super().__init__(len(values), body, None in packed)


def _text(value: str | None) -> bytes:
    if value is None:
        return b"\xff\xff\xff\xff"
    data = value.encode()
    return len(data).to_bytes(4, "big") + data


class _PackedDumper(Dumper):
    format = Format.BINARY

    def dump(self, obj: Packed) -> bytes:
        return obj.data


_DUMPERS: list[tuple[type[Packed], type[Dumper]]] = [
    (kind, type(f"{kind.__name__}Dumper", (_PackedDumper,), {"oid": kind.oid}))
    for kind in (Uuids, Int2s, Floats, Times, Texts)
]


def id_bytes(ids: Iterable[UUID]) -> list[bytes]:
    return [i.bytes for i in ids]


def microseconds(moment: datetime) -> int:
    """Microseconds since 1970 of an aware datetime, exact from 1900 to 2100."""
    return round(moment.timestamp() * 1e6)


def moment(micros: int) -> datetime:
    """The moment of microseconds since 1970, in UTC."""
    return EPOCH + timedelta(microseconds=micros)


@dataclass
class Statement:
    """One statement with %b placeholders. After `run_together`: its rows and how many it touched."""

    sql: str
    parameters: Sequence[Any]
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    count: int = 0


def fetch(sql: str, parameters: Sequence[Any]) -> list[tuple[Any, ...]]:
    """The rows of one statement with %b placeholders, bound and prepared on the server.

    For a statement that nearly every request needs: no model, no plan made anew. In the caller's transaction.
    """
    statement = Statement(sql, parameters)
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("fetch() needs transaction.atomic()")
    connection.ensure_connection()
    _show(statement)
    with connection.wrap_database_errors:
        cursor = _cursor(connection.connection).execute(sql, parameters)
        return cursor.fetchall() if cursor.description else []


def run_together(statements: Sequence[Statement]) -> None:
    """Sends the statements in one message, in the caller's transaction, and collects the answers.

    Raises Django's database errors. Must run in `transaction.atomic()`.
    """
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError(gettext("run_together() needs transaction.atomic()"))
    connection.ensure_connection()
    server = connection.connection
    with connection.wrap_database_errors:
        cursors = []
        try:
            with server.pipeline():
                for statement in statements:
                    _show(statement)
                    cursor = _cursor(server)
                    cursors.append(cursor.execute(statement.sql, statement.parameters))
        except psycopg.Error:
            # One behind the failure may count as prepared, though the server passed over it. psycopg's own
            # rollbacks forget all plans for that reason; one to a savepoint is sent without its knowledge.
            server._prepared.clear()
            raise
        for statement, cursor in zip(statements, cursors, strict=True):
            statement.count = cursor.rowcount
            statement.rows = cursor.fetchall() if cursor.description else []


def _cursor(server: Any) -> Any:
    """A cursor that binds on the server. The connection learns of packed columns once."""
    if not getattr(server, "knows_packed", False):
        for kind, dumper in _DUMPERS:
            server.adapters.register_dumper(kind, dumper)
        server.knows_packed = True
    return psycopg.Cursor(server)


def _show(statement: Statement) -> None:
    """Lets hooks and the query log see what goes past Django's own cursor."""
    seen = {"connection": connection, "cursor": None}
    for hook in connection.execute_wrappers:
        hook(lambda *_: None, statement.sql, statement.parameters, False, seen)
    if connection.queries_logged:
        connection.queries_log.append({"sql": statement.sql, "time": "0"})
