"""What ordinary migrations wrote into the catalogue."""

from typing import Any

import psycopg
import pytest
from django.apps import apps
from django.db import connection

from jobs.tenancy.audit import append_only_tables
from jobs.tenancy.detect import company_column, is_tenant, is_tenant_link

FOREIGN_KEYS = """
    SELECT k.confrelid::regclass::text, k.condeferrable, k.condeferred,
           array_agg(a.attname::text ORDER BY u.n), array_agg(b.attname::text ORDER BY u.n)
    FROM pg_constraint k, unnest(k.conkey, k.confkey) WITH ORDINALITY u (own, other, n)
    JOIN pg_attribute a ON a.attnum = u.own JOIN pg_attribute b ON b.attnum = u.other
    WHERE k.contype = 'f' AND k.conparentid = 0 AND k.conrelid = %s::regclass
      AND a.attrelid = k.conrelid AND b.attrelid = k.confrelid GROUP BY k.oid"""

TENANT_MODELS = [model for model in apps.get_models() if is_tenant(model)]


@pytest.mark.parametrize("model", TENANT_MODELS, ids=lambda model: model._meta.label)
def test_keys_of_every_tenant_table(db: None, model: object) -> None:
    meta = model._meta  # type: ignore[attr-defined]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_get_constraintdef(oid) FROM pg_constraint"
            " WHERE contype = 'p' AND conrelid = %s::regclass",
            [meta.db_table],
        )
        assert cursor.fetchall() == [("PRIMARY KEY (company_id, id)",)]
        cursor.execute(FOREIGN_KEYS, [meta.db_table])
        found = {(table, tuple(own), tuple(other)) for table, _, _, own, other in cursor.fetchall()}
        cursor.execute(FOREIGN_KEYS, [meta.db_table])
        assert all(deferrable and not deferred for _, deferrable, deferred, *_ in cursor.fetchall())
    links = [field for field in meta.local_fields if is_tenant_link(model, field)]  # type: ignore[arg-type]
    expected = {
        (link.remote_field.model._meta.db_table, ("company_id", link.column), ("company_id", "id"))
        for link in links
    }
    assert found == expected | {("jobs_company", ("company_id",), ("id",))}


def test_row_security_is_forced_on_all(db: None) -> None:
    tables = [model._meta.db_table for model in apps.get_models() if company_column(model)]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.relname FROM pg_class c JOIN pg_policy p ON p.polrelid = c.oid"
            " WHERE c.relrowsecurity AND c.relforcerowsecurity AND c.relname = ANY (%s)",
            [tables],
        )
        assert sorted(name for (name,) in cursor.fetchall()) == sorted(tables)


def test_privileges_on_append_only_tables(db: None) -> None:
    assert "probe_value" in append_only_tables()
    with connection.cursor() as cursor:
        for table in append_only_tables():
            cursor.execute(
                "SELECT array_agg(p ORDER BY p) FROM unnest(ARRAY['DELETE', 'INSERT', 'SELECT', 'TRUNCATE',"
                " 'UPDATE', 'REFERENCES', 'TRIGGER']) p WHERE has_table_privilege(%s, p)",
                [table],
            )
            written_by_a_function = table == "jobs_tombstone"
            allowed = ["SELECT"] if written_by_a_function else ["INSERT", "SELECT"]
            assert cursor.fetchone() == (allowed,)


@pytest.mark.parametrize(
    "statement", ["TRUNCATE probe_value", "UPDATE probe_value SET number = 2", "DELETE FROM probe_value"]
)
def test_the_triggers_stop_the_owner(owner: psycopg.Connection[Any], statement: str) -> None:
    owner.execute("ALTER TABLE probe_value NO FORCE ROW LEVEL SECURITY")
    owner.execute("SET LOCAL session_replication_role = replica")  # a row without those it points at
    owner.execute(
        "INSERT INTO probe_value (company_id, id, visit_id, number)"
        " SELECT u, u, u, 1 FROM gen_random_uuid() u"
    )
    owner.execute("SET LOCAL session_replication_role = origin")
    with pytest.raises(psycopg.errors.ObjectNotInPrerequisiteState, match="append-only"):
        owner.execute(statement)


def test_global_tables_are_left_alone(db: None) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT relrowsecurity FROM pg_class WHERE relname = 'django_session'")
        assert cursor.fetchone() == (False,)
