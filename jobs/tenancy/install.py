"""SQL of the first migration: the functions that policies and triggers call, and the privileges."""

from django.conf import settings


def _role() -> str:
    name: str = settings.DATABASE_APP_ROLE
    return '"' + name.replace('"', '""') + '"'


def INSTALL_SQL() -> list[str]:
    """Return the statements, for RunSQL, that must run before the first table is made."""
    role = _role()
    return [
        "CREATE FUNCTION app_company() RETURNS uuid LANGUAGE sql STABLE PARALLEL SAFE "
        "AS $$ SELECT nullif(current_setting('app.company', true), '')::uuid $$",
        "CREATE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION 'table % is append-only: add a row that supersedes', tg_table_name "
        "USING ERRCODE = '55000'; END $$",
        "REVOKE CREATE ON SCHEMA public FROM PUBLIC",
        f"GRANT USAGE ON SCHEMA public TO {role}",
        f"ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO {role}",
        f"ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT USAGE ON SEQUENCES TO {role}",
    ]


def UNINSTALL_SQL() -> list[str]:
    """Return the statements that undo INSTALL_SQL()."""
    role = _role()
    return [
        f"ALTER DEFAULT PRIVILEGES IN SCHEMA public REVOKE ALL ON TABLES FROM {role}",
        f"ALTER DEFAULT PRIVILEGES IN SCHEMA public REVOKE ALL ON SEQUENCES FROM {role}",
        "DROP FUNCTION append_only()",
        "DROP FUNCTION app_company()",
    ]
