"""Compilers that name the company in every statement on a tenant table.

A statement that finds its rows by id alone asks every node of a sharding database, and a statement
without a company finds nothing under row security without saying so. Both fail here, loudly.
"""

from typing import Any

from django.db.backends.postgresql import compiler as stock
from django.db.models.expressions import Col, Value
from django.db.models.lookups import Exact
from django.db.models.sql.compiler import SQLInsertCompiler as PlainInsertCompiler

from ..context import NoCompany, WrongCompany, company_or_none, is_across_companies
from ..detect import COMPANY_FIELD, company_column, is_company, is_tenant

UNSCOPED_MARK = "/* unscoped */"


def _is_unscoped(query: Any) -> bool:
    return bool(getattr(query, "unscoped", False))


def _require_company(query: Any) -> None:
    """Raise NoCompany if the statement would run on a tenant table without a company."""
    if company_or_none() is not None or _is_unscoped(query) or is_across_companies():
        return
    if query.model is not None and company_column(query.model):
        raise NoCompany(f"no company is set for a statement on {query.model._meta.label}")


def _marked(query: Any, sql: str) -> str:
    return f"{sql} {UNSCOPED_MARK}" if sql and _is_unscoped(query) else sql


def _restrict(query: Any) -> None:
    """Add `company_id = <current company>` to an UPDATE or DELETE."""
    company = company_or_none()
    if company is None or _is_unscoped(query) or not company_column(query.model):
        return
    meta = query.model._meta
    field = meta.pk if is_company(query.model) else meta.get_field(COMPANY_FIELD)
    column = Col(query.get_initial_alias(), field)
    query.where.add(Exact(column, Value(company, field.target_field if field.is_relation else field)), "AND")


class SQLCompiler(stock.SQLCompiler):
    """SELECT."""

    query: Any

    def as_sql(self, *args: Any, **kwargs: Any) -> tuple[str, Any]:
        """Return the statement and its parameters."""
        _require_company(self.query)
        sql, params = super().as_sql(*args, **kwargs)
        return _marked(self.query, sql), params


class SQLInsertCompiler(stock.SQLInsertCompiler):
    """INSERT."""

    query: Any

    def assemble_as_sql(self, fields: Any, value_rows: Any) -> Any:
        """Use plain VALUES for tenant tables.

        `INSERT … SELECT unnest()` without ON CONFLICT or RETURNING becomes a COPY on a sharding
        database, and COPY is refused under row security.
        """
        if company_column(self.query.model):
            return PlainInsertCompiler.assemble_as_sql(self, fields, value_rows)
        return super().assemble_as_sql(fields, value_rows)


class SQLDeleteCompiler(SQLCompiler, stock.SQLDeleteCompiler):
    """DELETE."""

    query: Any

    def _as_sql(self, query: Any) -> Any:
        if not _is_unscoped(self.query):  # `query` is another one where the delete needs joins
            _restrict(query)
        return super()._as_sql(query)  # type: ignore[misc]


class SQLUpdateCompiler(SQLCompiler, stock.SQLUpdateCompiler):
    """UPDATE."""

    query: Any

    def as_sql(self, *args: Any, **kwargs: Any) -> tuple[str, Any]:
        """Return the statement; the company is in its WHERE and never in its SET."""
        _require_company(self.query)
        if is_tenant(self.query.model):
            self._drop_company()
        return super().as_sql(*args, **kwargs)

    def pre_sql_setup(self, *args: Any, **kwargs: Any) -> Any:
        """Settle the joins, then add the company to what is left of the WHERE."""
        answer = super().pre_sql_setup(*args, **kwargs)
        _restrict(self.query)
        return answer

    def _drop_company(self) -> None:
        """Leave the company out of SET: a row never moves to another company."""
        kept = []
        for field, model, value in self.query.values:
            if field.name != COMPANY_FIELD:
                kept.append((field, model, value))
            elif company_or_none() not in (None, getattr(value, "pk", value)):
                raise WrongCompany(f"{self.query.model._meta.label}: the row belongs to another company")
        self.query.values = kept


class SQLAggregateCompiler(SQLCompiler, stock.SQLAggregateCompiler):
    """SELECT of aggregates over a subquery."""
