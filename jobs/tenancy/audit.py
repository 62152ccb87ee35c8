"""Audit of the database's catalogue, run as the serving role. An empty list, or the service stays shut."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.conf import settings
from django.contrib.postgres.constraints import ExclusionConstraint
from django.db import connection, models

from .allowed import DEFINER_FUNCTIONS, GLOBAL_MODELS, OTHER_TABLES
from .audit_rules import RULES
from .constraints import TRIGGERS, AppendOnly
from .context import company_var
from .detect import COMPANY_MODEL, company_column


@dataclass(frozen=True)
class Fault:
    """A rule that is broken, and the table, key, policy, function or right that breaks it."""

    rule: str
    name: str

    def __str__(self) -> str:
        return f"{self.rule}: {self.name}"


def faults() -> list[Fault]:
    """Return every fault of the catalogue, and every table that differs from the models."""
    with company_var(None), connection.cursor() as cursor:
        return [*_catalogue_faults(cursor), *_model_faults(cursor)]


def _catalogue_faults(cursor: Any) -> Iterator[Fault]:
    parameters = {
        "app": settings.DATABASE_APP_ROLE,
        "company": apps.get_model(COMPANY_MODEL)._meta.db_table,
        "definers": sorted(DEFINER_FUNCTIONS),
        "tables": sorted({*_global_tables(), *OTHER_TABLES}),
    }
    for rule, query in RULES.items():
        cursor.execute(query, parameters)
        yield from [Fault(rule, str(row[0])) for row in cursor.fetchall()]


def concrete_models() -> list[type[models.Model]]:
    """Return every model that has a table of its own, also those made for many-to-many fields."""
    every = apps.get_models(include_auto_created=True)
    return [model for model in every if model._meta.managed and not model._meta.proxy]


def unlisted_models() -> list[type[models.Model]]:
    """Return the models that neither belong to a company nor stand on the list of shared ones."""
    return [
        model
        for model in concrete_models()
        if company_column(model) is None and model._meta.label_lower not in GLOBAL_MODELS
    ]


def append_only_tables() -> set[str]:
    """Return the tables whose models ask to be append-only."""
    return {
        model._meta.db_table
        for model in concrete_models()
        if any(isinstance(constraint, AppendOnly) for constraint in model._meta.constraints)
    }


def _global_tables() -> Iterator[str]:
    return (m._meta.db_table for m in concrete_models() if m._meta.label_lower in GLOBAL_MODELS)


def _model_faults(cursor: Any) -> Iterator[Fault]:
    for model in unlisted_models():
        yield Fault("model without a company that is not on the list", str(model._meta.label))
    expected = {m._meta.db_table: company_column(m) for m in concrete_models() if company_column(m)}
    keys = _primary_keys(cursor)
    for table, column in expected.items():
        key = ["id"] if column == "id" else ["company_id", "id"]
        if keys.get(table) != key:
            yield Fault("tenant model whose table lacks its key", table)
    closed = _closed_tables(cursor)
    for table in sorted(append_only_tables() - closed):
        yield Fault("append-only model whose table lacks its triggers", table)
    for name in sorted(_exclusions() - _stored_exclusions(cursor)):
        yield Fault("model whose table lacks its exclusion constraint", name)


def _exclusions() -> set[str]:
    return {
        f"{model._meta.db_table} {constraint.name}"
        for model in concrete_models()
        for constraint in model._meta.constraints
        if isinstance(constraint, ExclusionConstraint)
    }


def _stored_exclusions(cursor: Any) -> set[str]:
    cursor.execute(
        "SELECT c.relname || ' ' || k.conname FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid"
        " WHERE k.contype = 'x' AND NOT k.condeferrable AND c.relnamespace = 'public'::regnamespace"
    )
    return {name for (name,) in cursor.fetchall()}


def _primary_keys(cursor: Any) -> dict[str, list[str]]:
    """Return the columns of each table's primary key, in order."""
    cursor.execute(
        "SELECT c.relname, array_agg(a.attname::text ORDER BY array_position(k.conkey, a.attnum))"
        " FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid"
        " JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = ANY (k.conkey)"
        " WHERE k.contype = 'p' AND c.relnamespace = 'public'::regnamespace GROUP BY c.relname"
    )
    return dict(cursor.fetchall())


def _closed_tables(cursor: Any) -> set[str]:
    """Return the tables with both append-only triggers enabled."""
    cursor.execute(
        "SELECT c.relname FROM pg_trigger g JOIN pg_class c ON c.oid = g.tgrelid"
        " WHERE g.tgname = ANY (%s) AND g.tgenabled IN ('O', 'A')"
        " AND g.tgfoid = 'public.append_only'::regproc AND c.relnamespace = 'public'::regnamespace"
        " GROUP BY c.relname HAVING count(*) = 2",
        [list(TRIGGERS)],
    )
    return {name for (name,) in cursor.fetchall()}
