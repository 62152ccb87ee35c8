"""Migrations forwards and backwards, run by the owner under forced row security."""

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from django.db import IntegrityError, NotSupportedError, connection, migrations, transaction
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.state import ProjectState

from jobs.models import User
from jobs.tenancy.audit import faults
from jobs.tenancy.context import NoCompany, company
from jobs.tenancy.ids import uuid7
from tests.database import become_app, become_owner, drop_database, owner_connection
from tests.tenancy.probe.models import Tool, Value, Visit, Work
from tests.tenancy.world import Side, make_side

LAST = "0004_settle"


def migrate_probe(target: str | None) -> None:
    """Take the probe app to a migration, as the owner."""
    become_owner()
    try:
        MigrationExecutor(connection).migrate([("probe", target)])
    finally:
        become_app()


@pytest.fixture
def sides(transactional_db: None) -> Iterator[list[Side]]:
    """Two companies with rows; the probe app is brought back to its last migration afterwards."""
    yield [make_side("A", 5), make_side("B", 3)]
    migrate_probe(LAST)


@pytest.fixture
def as_owner(sides: list[Side]) -> Iterator[None]:
    """Connect as the owner."""
    become_owner()
    yield
    become_app()


def remarks(side: Side) -> list[str]:
    with company(side.id):
        return list(Work.objects.order_by("number").values_list("remark", flat=True))


def test_back_and_forth_with_rows_of_two_companies(sides: list[Side]) -> None:
    migrate_probe("0001_initial")
    migrate_probe(LAST)
    assert faults() == []
    for side, count in zip(sides, (5, 3), strict=True):
        assert remarks(side) == ["filled"] + ["none"] * (count - 1)
        with company(side.id):
            assert Visit.objects.get().main_tool == side.tool


def test_code_backwards_sees_the_rows_of_all_companies_too(sides: list[Side]) -> None:
    migrate_probe("0003_fill")
    migrate_probe("0002_columns")
    for side, count in zip(sides, (5, 3), strict=True):
        assert remarks(side) == [None] * count


def test_to_nothing_and_back(sides: list[Side]) -> None:
    migrate_probe(None)
    with connection.cursor() as cursor:
        cursor.execute("SELECT relname FROM pg_class WHERE relname LIKE 'probe%' AND relkind = 'r'")
        assert cursor.fetchall() == []
    migrate_probe(LAST)
    assert faults() == []
    assert remarks(sides[0]) == []


def test_new_foreign_keys_are_composite(sides: list[Side]) -> None:
    tool_of_b = sides[1].tool
    with company(sides[0].id), pytest.raises(IntegrityError), transaction.atomic():
        Visit.objects.update(main_tool_id=tool_of_b.id)


def run(operation: Any) -> None:
    state = ProjectState.from_apps(apps)
    with connection.schema_editor() as editor:
        operation.database_forwards("probe", editor, state, state)


def test_a_plain_data_migration_says_that_it_sees_nothing(as_owner: None) -> None:
    codes: list[Callable[[Any, Any], object]] = [
        lambda known, editor: known.get_model("probe", "Work").objects.count(),
        lambda known, editor: known.get_model("probe", "Work").objects.update(status="x"),
        lambda known, editor: known.get_model("probe", "Work").objects.filter(number=1).delete(),
    ]
    for code in codes:
        with pytest.raises(NoCompany):
            run(migrations.RunPython(code))


def test_a_new_foreign_key_is_checked_against_the_rows(sides: list[Side]) -> None:
    field = Visit._meta.get_field("main_tool")
    become_owner()
    try:
        with connection.schema_editor() as editor:
            (name,) = editor._constraint_names(Visit, [field.column], foreign_key=True)
            editor.execute(editor._delete_fk_sql(Visit, name))
        become_app()
        with company(sides[0].id):
            Visit.objects.update(main_tool_id=uuid7())
        become_owner()
        with pytest.raises(IntegrityError), connection.schema_editor() as editor:
            editor.execute(editor._create_fk_sql(Visit, field, "_fk_again"))
        become_app()
        with company(sides[0].id):
            Visit.objects.update(main_tool=sides[0].tool)
        become_owner()
        with connection.schema_editor() as editor:
            editor.execute(editor._create_fk_sql(Visit, field, "_fk_again"))
    finally:
        become_app()
    assert faults() == []


def test_a_constraint_is_found_by_the_columns_that_were_asked_for(as_owner: None) -> None:
    """The company's column is added for foreign keys of tenant tables only, and only if nothing was found."""
    cases: list[tuple[Any, list[str] | None, dict[str, bool], int]] = [
        (Visit, ["main_tool_id"], {"foreign_key": True}, 1),  # stands on company and column
        (Visit, ["company_id"], {"foreign_key": True}, 1),  # stands on the one column that was asked for
        (Visit, ["note"], {"foreign_key": True}, 0),
        (Work, ["number"], {"unique": True}, 0),  # only its key with the company is unique
        (Work, ["company_id", "number"], {"unique": True}, 1),
        (Visit, None, {"foreign_key": True}, 4),
        (Visit, None, {"unique": True, "primary_key": False}, 0),
        (User, None, {"foreign_key": True}, 0),  # a shared table without a foreign key
    ]
    with connection.schema_editor() as editor:
        for model, columns, asked, found in cases:
            names = editor._constraint_names(model, columns, **asked)
            assert len(names) == found, (model, columns, asked, names)


def test_the_company_column_stays(as_owner: None) -> None:
    field = Tool._meta.get_field("company")
    for change in ("add_field", "remove_field"):
        with pytest.raises(NotSupportedError), connection.schema_editor() as editor:
            getattr(editor, change)(Tool, field)


def test_opening_and_closing_an_append_only_table(as_owner: None) -> None:
    (constraint,) = Value._meta.constraints
    with connection.schema_editor() as editor:
        editor.remove_constraint(Value, constraint)
    become_app()
    assert [fault.name for fault in faults()] == ["probe_value"]
    become_owner()
    with connection.schema_editor() as editor:
        editor.add_constraint(Value, constraint)
    become_app()
    assert faults() == []


def test_migrations_say_what_the_models_say(as_owner: None) -> None:
    call_command("makemigrations", check=True, dry_run=True, verbosity=0)


def test_the_whole_service_to_nothing_and_back(db: None) -> None:
    name = f"{connection.settings_dict['NAME']}_whole"
    drop_database(name)
    with owner_connection("postgres", autocommit=True) as owner:
        owner.execute(f'CREATE DATABASE "{name}"')
    try:
        for command in (["migrate"], ["migrate", "jobs", "zero"], ["migrate"]):
            manage(name, settings.DATABASE_OWNER_ROLE, *command)
            if command[-1] == "zero":
                with owner_connection(name) as owner:
                    tables = owner.execute(
                        "SELECT relname FROM pg_class"
                        " WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace"
                    )
                    left = {table for (table,) in tables.fetchall()}
                    assert left <= {"django_migrations", "django_session"}  # neither hangs on the jobs app
        assert "no fault" in manage(name, settings.DATABASE_APP_ROLE, "audit_tenancy")
    finally:
        drop_database(name)


def manage(database: str, role: str, *command: str) -> str:
    """Run a management command on another database and return what it prints."""
    known = connection.settings_dict
    url = f"postgresql://{role}@/{database}?host={known['HOST']}&port={known['PORT'] or 5432}"
    environment = {**os.environ, "DATABASE_URL": url, "DJANGO_SETTINGS_MODULE": "tests.settings"}
    done = subprocess.run(
        [sys.executable, "manage.py", *command, "--skip-checks"],
        cwd=settings.BASE_DIR,
        env=environment,
        capture_output=True,
        text=True,
        timeout=400,  # a whole migrate on a machine that does much else
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
