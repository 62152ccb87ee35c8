"""Tables spread over partitions or nodes: what migrate writes, and what holds of it in a real database."""

import os
import subprocess
from collections.abc import Iterator
from typing import Any

import psycopg
import pytest
from django.conf import settings
from django.db import connection
from django.test import override_settings

from config.local.postgres import PACKAGED
from jobs.models import Company, Event, Instrument
from jobs.tenancy import growth
from jobs.tenancy.audit_rules import RULES
from measurements.models import Reading
from tests.database import drop_database, owner_connection
from tests.factories import World
from tests.measurements import batches
from tests.tenancy.test_migrations import manage

PARTITIONS = 3
SPREAD = "test_spread"
DUMPED = ("--data-only", "--load-via-partition-root")
LOADED = {"PGOPTIONS": "-c session_replication_role=replica"}


def statements(*models: type[Any]) -> list[str]:
    """What the schema editor would send to make the models' tables, comments and parameters aside."""
    with connection.schema_editor(collect_sql=True, atomic=False) as editor:
        for model in models:
            editor.create_model(model)
    return [text for one in editor.collected_sql for text in one.split(";\n") if not text.startswith("--")]


def test_partitions_are_made_with_the_table(db: None) -> None:
    with override_settings(DATABASE_PARTITIONS=2):
        sent = statements(Event)
    assert sent[0].endswith('PRIMARY KEY ("company_id", "id")) PARTITION BY HASH ("company_id");')
    assert [one.rstrip(";") for one in sent[1:11]] == [
        'CREATE TABLE "jobs_event_p0" PARTITION OF "jobs_event" FOR VALUES WITH (MODULUS 2, REMAINDER 0)',
        'REVOKE ALL ON "jobs_event_p0" FROM "flowledger_app"',
        'CREATE TABLE "jobs_event_p1" PARTITION OF "jobs_event" FOR VALUES WITH (MODULUS 2, REMAINDER 1)',
        'REVOKE ALL ON "jobs_event_p1" FROM "flowledger_app"',
        *(
            line
            for table in ("jobs_event", "jobs_event_p0", "jobs_event_p1")
            for line in (
                f'ALTER TABLE "{table}" ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY',
                f'CREATE POLICY tenant ON "{table}" USING (company_id = (SELECT app_company()))'
                " WITH CHECK (company_id = (SELECT app_company()))",
            )
        ),
    ]
    triggers = [one for one in sent if "append_only_all" in one]
    assert [one.split(" ON ")[1].split()[0] for one in triggers] == [
        '"jobs_event"',
        '"jobs_event_p0"',
        '"jobs_event_p1"',
    ]


@pytest.mark.parametrize(("only_shown", "checked"), [(True, ()), (False, ("jobs_event_p0",))])
def test_a_new_link_is_checked_in_each_partition_and_none_is_asked_for_where_it_is_only_shown(
    db: None, monkeypatch: pytest.MonkeyPatch, only_shown: bool, checked: tuple[str, ...]
) -> None:
    editor: Any = connection.schema_editor(collect_sql=only_shown, atomic=False)
    monkeypatch.setattr(editor, "partitions", lambda table: [f"{table}_p0"])
    link = editor._create_fk_sql(Event, Event._meta.get_field("member"), "_fk")
    assert link.partitions == checked


@pytest.mark.parametrize("columns", [None, ["company_id"], ["member_id"]])
def test_links_of_partitions_are_left_to_the_link_of_the_whole(
    db: None, monkeypatch: pytest.MonkeyPatch, columns: list[str] | None
) -> None:
    editor: Any = connection.schema_editor()
    found = editor._constraint_names(Event, columns, foreign_key=True)
    assert found
    monkeypatch.setattr(editor, "_inherited_constraints", lambda model: {found[0]})
    assert editor._constraint_names(Event, columns, foreign_key=True) == found[1:]


def test_tables_are_spread_over_nodes_before_they_are_linked(db: None) -> None:
    with override_settings(DATABASE_SHARDING=growth.CITUS, DATABASE_PARTITIONS=0):
        sent = [one.rstrip(";") for one in statements(Company, Instrument, Reading)]
    assert [one for one in sent if "create_distributed_table" in one] == [
        "SELECT create_distributed_table('jobs_company', 'id')",
        "SELECT create_distributed_table('jobs_instrument', 'company_id', colocate_with => 'jobs_company')",
        "SELECT create_distributed_table('measurements_reading', 'company_id',"
        " colocate_with => 'jobs_company')",
    ]
    policies = [one.partition(" ON ")[2] for one in sent if one.startswith("CREATE POLICY")]
    assert policies == [
        '"jobs_company" USING (id = app_company()) WITH CHECK (id = app_company())',
        '"jobs_instrument" USING (company_id = app_company()) WITH CHECK (company_id = app_company())',
        '"measurements_reading" USING (company_id = app_company()) WITH CHECK (company_id = app_company())',
    ]
    spread = max(n for n, one in enumerate(sent) if "create_distributed_table" in one)
    linked = min(n for n, one in enumerate(sent) if "FOREIGN KEY" in one)
    assert spread < linked
    for one in sent:
        for refused in ("INITIALLY DEFERRED", "ON DELETE CASCADE", "IDENTITY"):
            assert refused not in one.upper()


def test_nothing_is_spread_unless_asked(db: None) -> None:
    with override_settings(DATABASE_PARTITIONS=0):
        sent = "\n".join(statements(Company, Event, Reading))
    assert "PARTITION" not in sent
    assert "create_distributed_table" not in sent


@pytest.fixture
def spread(db: None) -> Iterator[str]:
    """A second database with partitions, made by migrate, empty."""
    drop_database(SPREAD)
    with owner_connection("postgres", autocommit=True) as owner:
        owner.execute(f'CREATE DATABASE "{SPREAD}"')
    before = os.environ.get("DATABASE_PARTITIONS")
    os.environ["DATABASE_PARTITIONS"] = str(PARTITIONS)
    try:
        manage(SPREAD, settings.DATABASE_OWNER_ROLE, "migrate")
        yield SPREAD
    finally:
        if before is None:
            del os.environ["DATABASE_PARTITIONS"]
        else:
            os.environ["DATABASE_PARTITIONS"] = before
        drop_database(SPREAD)


def as_app(database: str) -> psycopg.Connection[Any]:
    known = connection.settings_dict
    return psycopg.connect(
        dbname=database, host=known["HOST"], port=known["PORT"], user=settings.DATABASE_APP_ROLE
    )


@pytest.mark.django_db(transaction=True)
def test_an_instance_moves_and_partitions_hold_what_tables_hold(spread: str, company_a: World) -> None:
    batches.post(company_a, batches.traverse(company_a))
    move(connection.settings_dict["NAME"], spread)
    assert "no fault" in manage(spread, settings.DATABASE_APP_ROLE, "audit_tenancy")
    part = part_of(spread, company_a.id)
    with as_app(spread) as app:
        assert app.execute("SELECT count(*) FROM measurements_reading").fetchone() == (0,)
        app.execute(f"SET LOCAL app.company = '{company_a.id}'")
        assert app.execute("SELECT count(*) FROM measurements_reading").fetchone() == (50,)
    for refused in (f"SELECT * FROM {part}", f"INSERT INTO {part} SELECT * FROM measurements_reading"):
        with as_app(spread) as app, pytest.raises(psycopg.errors.InsufficientPrivilege):
            app.execute(f"SET LOCAL app.company = '{company_a.id}'")
            app.execute(refused)
    with owner_connection(spread) as owner:  # forced: without its company also the owner sees nothing
        assert owner.execute(f"SELECT count(*) FROM {part}").fetchone() == (0,)
    for refused in (f"UPDATE {part} SET value = 0", f"DELETE FROM {part}", f"TRUNCATE {part}"):
        with owner_connection(spread) as owner, pytest.raises(psycopg.errors.ObjectNotInPrerequisiteState):
            owner.execute(f"SET LOCAL app.company = '{company_a.id}'")
            owner.execute(refused)


def part_of(database: str, company: Any) -> str:
    """The partition that holds a company's readings."""
    with owner_connection(database) as owner:
        owner.execute(f"SET LOCAL app.company = '{company}'")
        found = owner.execute("SELECT DISTINCT tableoid::regclass::text FROM measurements_reading").fetchall()
    ((name,),) = found
    return str(name)


def move(source: str, target: str) -> None:
    """As DEVELOPERS.md tells: the rows alone, by the administrator, into tables that migrate made."""
    known = connection.settings_dict
    where = ["--host", str(known["HOST"]), "--port", str(known["PORT"] or 5432), "--username", "postgres"]
    programs = PACKAGED / "pginstall" / "bin"
    kept = [
        f"--exclude-table={name}" for name in ("django_migrations", "django_content_type", "auth_permission")
    ]
    dump = subprocess.run(
        [programs / "pg_dump", *where, *DUMPED, *kept, source],
        capture_output=True,
        check=True,
    )
    load = [programs / "psql", *where, "--quiet", "-v", "ON_ERROR_STOP=1", "--single-transaction", target]
    loaded = subprocess.run(
        load, input=dump.stdout, capture_output=True, check=False, env=os.environ | LOADED
    )
    assert loaded.returncode == 0, loaded.stderr


@pytest.mark.parametrize(
    ("rule", "fault"),
    [
        ("reaches past its whole", "GRANT SELECT ON {part} TO flowledger_app"),
        ("without forced row security", "ALTER TABLE {part} NO FORCE ROW LEVEL SECURITY"),
        ("lacks a partition", "ALTER TABLE measurements_reading DETACH PARTITION {part}"),
        ("append-only table that may", "DROP TRIGGER append_only_all ON {part}"),
    ],
)
def test_the_audit_knows_partitions(db: None, rule: str, fault: str) -> None:
    """Planted in a partitioned twin of the readings' table, in a transaction that is rolled back."""
    with owner_connection() as owner:
        if not settings.DATABASE_PARTITIONS:
            owner.execute("ALTER TABLE measurements_reading RENAME TO whole_before")
        for one in (*_twin(), fault.format(part="measurements_reading_p1")):
            owner.execute(one)
        query = next(query for name, query in RULES.items() if rule in name)
        parameters = {"app": settings.DATABASE_APP_ROLE, "company": "jobs_company"}
        found = {str(row[0]) for row in owner.execute(query, parameters).fetchall()}
        owner.rollback()
    assert found & {"measurements_reading", "measurements_reading_p1"}


def _twin() -> list[str]:
    """A table of readings in two partitions, closed as migrate closes it, unless there is one already."""
    if settings.DATABASE_PARTITIONS:
        return []
    with override_settings(DATABASE_PARTITIONS=2):
        sent = [one.rstrip(";") for one in statements(Reading)]
    wanted = ("CREATE TABLE", "ALTER TABLE", "REVOKE", "GRANT", "CREATE POLICY", "CREATE TRIGGER")
    return [one for one in sent if one.startswith(wanted) and "FOREIGN KEY" not in one]
