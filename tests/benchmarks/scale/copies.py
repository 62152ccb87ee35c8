"""Copies of whole companies in SQL, a statement a table, run by the database's administrator.

Every id of a copy is that of the original with the copy's number in three of its random bytes, so that rows
stay ordered by time; ids inside JSON follow. Copies are written row by row of the original, the companies in
turn: so a company's rows lie scattered as if all had worked at once. Digests and the log's chain are those of
the original: a copy can be read and worked with, but is no evidence (`manage.py verify_evidence` says so).
"""

from collections.abc import Iterator
from typing import Any
from uuid import UUID

HEX = "[0-9a-f]"
IN_TEXT = f"({HEX}{{8}}-{HEX}{{4}}-[78]{HEX}{{3}}-{HEX}{{4}}-{HEX}{{2}}){HEX}{{6}}({HEX}{{4}})"
IN_JSON = f"regexp_replace(value::text, '{IN_TEXT}', '\\1' || lpad(to_hex(n), 6, '0') || '\\2', 'g')::jsonb"
FUNCTIONS = (
    "CREATE FUNCTION pg_temp.moved(id uuid, n int) RETURNS uuid LANGUAGE sql IMMUTABLE AS"
    " $$ SELECT encode(overlay(uuid_send(id) PLACING substr(int4send(n), 2) FROM 12), 'hex')::uuid $$",
    "CREATE FUNCTION pg_temp.moved(value jsonb, n int) RETURNS jsonb LANGUAGE sql IMMUTABLE AS"
    f" $$ SELECT {IN_JSON} $$",
)
COLUMNS = """
SELECT c.relname, a.attname, a.atttypid::regtype::text
FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND NOT c.relispartition
  AND a.attnum > 0 AND NOT a.attisdropped AND (c.relname = 'jobs_company' OR EXISTS (
    SELECT FROM pg_attribute x WHERE x.attrelid = c.oid AND x.attname = 'company_id' AND NOT x.attisdropped))
ORDER BY c.relname, a.attnum
"""
PEOPLE = (
    "INSERT INTO jobs_user (id, password, last_login, email, is_active, is_operator, created_at)"
    " SELECT pg_temp.moved(u.id, n), u.password, u.last_login, n || '.' || u.email, u.is_active,"
    " u.is_operator, u.created_at FROM jobs_user u JOIN jobs_affiliation f ON f.user_id = u.id"
    " CROSS JOIN generate_series(%(first)s::int, %(last)s::int) n WHERE f.company_ref = %(company)s",
    "INSERT INTO jobs_affiliation (id, user_id, company_ref)"
    " SELECT pg_temp.moved(f.id, n), pg_temp.moved(f.user_id, n), pg_temp.moved(f.company_ref, n)"
    " FROM jobs_affiliation f CROSS JOIN generate_series(%(first)s::int, %(last)s::int) n"
    " WHERE f.company_ref = %(company)s",
)


def copy_id(original: UUID, number: int) -> UUID:
    """The id of a row in a copy, as `moved` makes it."""
    return UUID(bytes=original.bytes[:11] + number.to_bytes(3, "big") + original.bytes[14:])


def copy_company(administrator: Any, company: UUID, numbers: range) -> None:
    """Copies all rows of a company into as many new companies as there are numbers."""
    if not numbers:
        return
    parameters = {"company": company, "first": numbers[0], "last": numbers[-1]}
    with administrator.transaction():
        administrator.execute("SET LOCAL session_replication_role = replica")
        administrator.execute("SET LOCAL work_mem = '256MB'")
        for statement in FUNCTIONS:
            administrator.execute(statement)
        for statement in (*PEOPLE, *_statements(administrator)):
            administrator.execute(statement, parameters)
        for name in ("moved(uuid, int)", "moved(jsonb, int)"):
            administrator.execute(f"DROP FUNCTION pg_temp.{name}")


def _statements(administrator: Any) -> Iterator[str]:
    tables: dict[str, dict[str, str]] = {}
    for table, column, kind in administrator.execute(COLUMNS).fetchall():
        tables.setdefault(table, {})[column] = kind
    for table, columns in tables.items():
        key = "id" if table == "jobs_company" else "company_id"
        names = ", ".join(f'"{name}"' for name in columns)
        values = ", ".join(_moved(f't."{name}"', kind) for name, kind in columns.items())
        first = 't."session_id"' if table in ("measurements_reading", "measurements_sweep") else 't."id"'
        yield (
            f'INSERT INTO "{table}" ({names}) SELECT {values} FROM "{table}" t'
            " CROSS JOIN generate_series(%(first)s::int, %(last)s::int) n"
            f' WHERE t."{key}" = %(company)s ORDER BY {first}, n, t."id"'
        )


def _moved(column: str, kind: str) -> str:
    if kind in ("uuid", "jsonb"):
        return f"pg_temp.moved({column}, n)"
    if kind == "uuid[]":
        return f"ARRAY(SELECT pg_temp.moved(x, n) FROM unnest({column}) x)"
    return column
