"""Which tables a company has, in an order in which they can be filled, and the one form of their rows.

A row is one line of JSON (RFC 8259), its columns by name in the model's order. Whole numbers and binary64
numbers are written as PostgreSQL writes them: the shortest digits that read back as the same number; what is
not finite as "NaN", "Infinity", "-Infinity". Moments are UTC, RFC 3339, to the microsecond; bytes base64
(RFC 4648); JSON columns stand in place as they are stored. The JSON Schema of a table and the check of a
file that comes in are made of the same description.
"""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal
from uuid import UUID

import msgspec
from django.apps import apps
from django.contrib.postgres.fields import ArrayField
from django.db import connection, models
from psycopg import sql

from jobs.models import Company, EventPosition
from jobs.tenancy.context import current_company
from jobs.tenancy.detect import COMPANY_FIELD, is_tenant, is_tenant_link
from reports.evidence import KINDS

LEFT_OUT_TABLES: dict[str, str] = {
    "jobs.IdempotencyKey": "answers kept for repeats of requests to this service; some show a key once",
    "jobs.CompanyExport": "exports made here; their files do not contain one another",
    "jobs.Allowance": "set by the operators of this service, for this service",
    "jobs.Removal": "a removal asked for here is carried out here or not at all",
    "measurements.PhotoUpload": "photos that have not arrived whole; the tablet sends them again",
    "measurements.PhotoPart": "photos that have not arrived whole; the tablet sends them again",
}
"""Tables that no export holds, by label, each with the reason."""
SECRETS: dict[str, str] = {
    "jobs.AccessToken.secret_hash": "SHA-256 of a bearer token",
    "jobs.Invitation.secret_hash": "SHA-256 of an invitation's link",
    "jobs.PairingCode.code_hash": "SHA-256 of a pairing code",
    "jobs.CalendarAddress.secret_hash": "SHA-256 of a calendar's address",
    "jobs.UnnumberedEvent.seal": "made with a key of this service and of no use elsewhere",
    "reports.Delivery.secret_hash": "SHA-256 of a link to a report",
    "reports.SigningCertificate.encrypted_key": "a private key",
    "reports.Webhook.secret": "signs what is sent to a webhook",
    "reports.Webhook.former_secret": "signed what was sent to a webhook",
}
"""Columns that no export holds, by label, each with the reason."""
NO_SECRETS: dict[str, str] = {
    "jobs.EventPosition.mac": "a link of the log's chain tells nothing of the key it was made with",
    "jobs.ChainHead.mac": "the last link of the log's chain",
    "jobs.CompanyImport.head_mac": "a link of a chain",
    "reports.Issue.address_key": "printed in the report",
}
"""Columns whose name sounds like a secret and that are none, each with the reason."""
ELSEWHERE: tuple[tuple[str, str], ...] = (
    (
        "passwords",
        "they belong to people, who may work in several companies, and stand in none of the tables",
    ),
    ("sign-ins of people, second factors", "the same"),
)
"""What is left out and stands in no table of the company."""


@dataclass(frozen=True)
class Column:
    """One column of a table.

    `left_out`: it is a secret; then `digest` says that the SHA-256 of its bytes takes its place (as
    `<name>_sha256`), since the row is evidence and its digest covers the column.
    """

    name: str
    field: "models.Field[Any, Any]"
    left_out: bool = False
    digest: bool = False

    @property
    def shown(self) -> str:
        """Its name in a row of JSON; empty when it has no place there."""
        if not self.left_out:
            return self.name
        return f"{self.name}_sha256" if self.digest else ""

    @property
    def type(self) -> Any:
        """What msgspec holds a value against."""
        if self.left_out:
            return Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]
        found = _type(self.field)
        return found | None if self.field.null else found

    @property
    def is_bytes(self) -> bool:
        return isinstance(self.field, models.BinaryField)


@dataclass(frozen=True)
class Table:
    """One table of companies."""

    model: type[models.Model]
    columns: tuple[Column, ...]

    @property
    def label(self) -> str:
        return str(self.model._meta.label)

    @property
    def name(self) -> str:
        """In the database and in an export."""
        return str(self.model._meta.db_table)

    @property
    def company(self) -> str:
        """The column that says to whom a row belongs."""
        return "id" if self.model is Company else f"{COMPANY_FIELD}_id"

    @property
    def order(self) -> str:
        """By which column its rows are in order: the log by its numbers, so that it can be chained anew."""
        return "number" if self.model is EventPosition else "id"

    @property
    def points_at_itself(self) -> bool:
        return any(column.field.related_model is self.model for column in self.columns)

    @property
    def shape(self) -> type[msgspec.Struct]:
        """A row, as msgspec checks it: no field missing, none unknown."""
        return _shape(self.label)

    def schema(self) -> dict[str, Any]:
        """JSON Schema (2020-12) of a row."""
        (made,), definitions = msgspec.json.schema_components([self.shape])
        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            **definitions[made["$ref"].rpartition("/")[2]],
            "additionalProperties": False,
        }


def _type(field: Any) -> Any:
    if isinstance(field, models.ForeignKey):
        return UUID
    if isinstance(field, ArrayField):
        return list[_type(field.base_field)]  # type: ignore[misc]
    for kind, found in _TYPES:
        if isinstance(field, kind):
            longest = field.max_length if kind is models.CharField else None
            return Annotated[found, msgspec.Meta(max_length=longest)] if longest else found
    raise TypeError(f"{field}: say in reports/archive/tables.py how it is written")


_TYPES: tuple[tuple[type["models.Field[Any, Any]"], Any], ...] = (
    (models.UUIDField, UUID),
    (models.CharField, str),
    (models.TextField, str),
    (models.BooleanField, bool),
    (models.FloatField, float | Literal["NaN", "Infinity", "-Infinity"]),
    (models.IntegerField, int),
    (models.DateTimeField, Annotated[dt.datetime, msgspec.Meta(tz=True)]),
    (models.DateField, dt.date),
    (models.TimeField, dt.time),
    (models.BinaryField, bytes),
    (models.JSONField, Any),
)


@cache
def _shape(label: str) -> type[msgspec.Struct]:
    table = by_label()[label]
    fields = [(column.shown, column.type) for column in table.columns if column.shown]
    return msgspec.defstruct(table.name, fields, forbid_unknown_fields=True)


@cache
def tables() -> tuple[Table, ...]:
    """Every table of a company that an export holds: each after those it points at."""
    return tuple(_table(model) for model in ordered(_models()))


def ordered(some: Sequence[type[models.Model]]) -> list[type[models.Model]]:
    """Models in an order in which each comes after those it points at."""
    found: list[type[models.Model]] = []

    def add(model: type[models.Model], above: tuple[type[models.Model], ...] = ()) -> None:
        if model in above:
            raise TypeError(f"{model._meta.label}: tables point at each other in a circle")
        for field in model._meta.concrete_fields:
            target: Any = field.related_model
            if is_tenant_link(model, field) and target is not model and target in some:
                add(target, (*above, model))
        if model not in found:
            found.append(model)

    for model in some:
        add(model)
    return found


@cache
def by_label() -> Mapping[str, Table]:
    return {table.label: table for table in tables()}


def every_model() -> list[type[models.Model]]:
    """The company's own row and every table of companies, whether an export holds it or not."""
    return [Company, *(model for model in apps.get_models(include_auto_created=True) if is_tenant(model))]


def _models() -> list[type[models.Model]]:
    own = {"jobs", "measurements", "reports"}
    return [
        model
        for model in every_model()
        if model._meta.app_label in own and model._meta.label not in LEFT_OUT_TABLES
    ]


def _table(model: type[models.Model]) -> Table:
    evidence = {one for kind in KINDS for one in (kind.model, *kind.covers)}
    columns = []
    for field in model._meta.concrete_fields:
        secret = f"{model._meta.label}.{field.name}" in SECRETS
        columns.append(Column(field.attname, field, secret, secret and model in evidence))
    return Table(model, tuple(columns))


def rows(table: Table, size: int = 2000) -> Iterator[list[bytes]]:
    """The current company's rows as lines of JSON in the order of their ids, some at a time.

    In a transaction; a cursor of the server holds the place, so memory stays flat.
    """
    columns = sql.SQL(", ").join(_out(column) for column in table.columns if column.shown)
    statement = sql.SQL(
        "SELECT row_to_json(r)::text FROM (SELECT {} FROM {} WHERE {} = %s ORDER BY {}) AS r"
    ).format(columns, *map(sql.Identifier, (table.name, table.company, table.order)))
    with connection.chunked_cursor() as cursor:
        cursor.execute(_text(statement), [current_company()])
        while found := cursor.fetchmany(size):
            yield [line.encode() for (line,) in found]


def _out(column: Column) -> sql.Composable:
    name = sql.Identifier(column.name)
    if column.digest:
        return sql.SQL("encode(sha256({}), 'hex') AS {}").format(name, sql.Identifier(column.shown))
    if column.is_bytes:
        return sql.SQL("translate(encode({0}, 'base64'), E'\\n', '') AS {0}").format(name)
    return name


def store(table: Table, lines: Iterable[bytes], made: Mapping[str, sql.Composable]) -> int:
    """Inserts rows as they stand in an export; `made` fills columns that have no place there.

    Returns how many. Raises whatever the database says of a row that does not fit.
    """
    came = [column for column in table.columns if not column.left_out]
    shapes = sql.SQL(", ").join(
        sql.SQL("{} {}").format(sql.Identifier(column.name), sql.SQL(_db_type(column))) for column in came
    )
    values = [_in(column) for column in came] + list(made.values())
    names = [column.name for column in came] + list(made)
    statement = sql.SQL(
        "INSERT INTO {} ({}) SELECT {} FROM json_to_recordset(%s::json) AS r ({}) WHERE r.{} = %s RETURNING 1"
    ).format(
        sql.Identifier(table.name),
        sql.SQL(", ").join(map(sql.Identifier, names)),
        sql.SQL(", ").join(values),
        shapes,
        sql.Identifier(table.company),
    )
    text = b"[" + b",".join(lines) + b"]"
    with connection.cursor() as cursor:
        cursor.execute(_text(statement), [text.decode(), current_company()])
        return int(cursor.rowcount)


def _in(column: Column) -> sql.Composable:
    name = sql.Identifier("r", column.name)
    if column.is_bytes:
        return sql.SQL("decode({}, 'base64')").format(name)
    if isinstance(column.field, models.JSONField) and not column.field.null:
        return sql.SQL("coalesce({}, 'null'::jsonb)").format(name)
    return name


def _db_type(column: Column) -> Any:
    """Type of a column as it is read from JSON; bytes are a text there."""
    return "text" if column.is_bytes else column.field.db_type(connection)


def _text(statement: sql.Composable) -> str:
    connection.ensure_connection()
    return statement.as_string(connection.connection)
