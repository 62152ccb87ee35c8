"""The audit finds planted faults. Each is planted by the owner in a transaction that is rolled back."""

import importlib
from typing import Any

import psycopg
import pytest
from celery.signals import worker_init
from django.conf import settings
from django.core.management import call_command
from django.test.utils import override_settings

from jobs.apps import audit_worker
from jobs.tenancy import audit, startup
from jobs.tenancy.audit import Fault, faults
from jobs.tenancy.audit_rules import RULES

Owner = psycopg.Connection[Any]

BARE = "USING (company_id = app_company()) WITH CHECK (company_id = app_company())"

# rule (a part of its words), what the fault names, how it is planted
PLANTED = [
    ("without forced row security", "probe_tool", "ALTER TABLE probe_tool NO FORCE ROW LEVEL SECURITY"),
    ("without forced row security", "probe_tool", "ALTER TABLE probe_tool DISABLE ROW LEVEL SECURITY"),
    ("without forced row security", "probe_tool", "DROP POLICY tenant ON probe_tool"),
    ("without forced row security", "late", "CREATE TABLE late (company_id uuid NOT NULL, id uuid)"),
    (
        "reaches past its whole",
        "late_p0",
        "CREATE TABLE late (company_id uuid, id uuid, PRIMARY KEY (company_id, id))"
        " PARTITION BY HASH (company_id);"
        "CREATE TABLE late_p0 PARTITION OF late FOR VALUES WITH (MODULUS 2, REMAINDER 0)",
    ),
    (
        "lacks a partition",
        "late",
        "CREATE TABLE whole (company_id uuid, id uuid, PRIMARY KEY (company_id, id))"
        " PARTITION BY HASH (company_id);"
        "CREATE TABLE whole_p0 PARTITION OF whole FOR VALUES WITH (MODULUS 1, REMAINDER 0);"
        "CREATE TABLE late (company_id uuid, id uuid, PRIMARY KEY (company_id, id))"
        " PARTITION BY HASH (company_id);"
        "CREATE TABLE late_p0 PARTITION OF late FOR VALUES WITH (MODULUS 2, REMAINDER 0)",
    ),
    (
        "lacks a partition",
        "late",
        "CREATE TABLE late (company_id uuid, id uuid, PRIMARY KEY (company_id, id))"
        " PARTITION BY HASH (company_id);"
        "CREATE TABLE late_p0 PARTITION OF late FOR VALUES WITH (MODULUS 2, REMAINDER 0)",
    ),
    ("may be null", "late", "CREATE TABLE late (company_id uuid, id uuid)"),
    ("not the standard one", "probe_tool open", "CREATE POLICY open ON probe_tool USING (true)"),
    ("not the standard one", "probe_tool tenant", "ALTER POLICY tenant ON probe_tool USING (true)"),
    ("not the standard one", "probe_tool tenant", "ALTER POLICY tenant ON probe_tool WITH CHECK (true)"),
    (
        "not the standard one",
        "probe_tool tenant",
        "ALTER POLICY tenant ON probe_tool USING (company_id = app_company() OR serial = 'x')"
        " WITH CHECK (company_id = app_company() OR serial = 'x')",
    ),
    (
        "not the standard one",
        "jobs_company tenant",
        "ALTER POLICY tenant ON jobs_company USING (true) WITH CHECK (true)",
    ),
    (  # its words stand elsewhere
        "function of policies or triggers",
        "app_company",
        "CREATE FUNCTION app_company_too() RETURNS uuid LANGUAGE sql STABLE"
        " AS $$ select nullif(current_setting('app.company', true), '')::uuid $$;"
        "CREATE OR REPLACE FUNCTION app_company() RETURNS uuid LANGUAGE sql STABLE"
        " AS $$ select null::uuid $$",
    ),
    (
        "function of policies or triggers",
        "app_company",
        "CREATE OR REPLACE FUNCTION app_company() RETURNS uuid LANGUAGE sql STABLE"
        " AS $$ SELECT company_id FROM probe_tool LIMIT 1 $$",
    ),
    (
        "function of policies or triggers",
        "append_only",
        "CREATE OR REPLACE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql"
        " AS $$ BEGIN RETURN NULL; END $$",
    ),
    (
        "function of policies or triggers",
        "removal_due",
        "CREATE OR REPLACE FUNCTION removal_due() RETURNS boolean LANGUAGE sql STABLE AS $$ SELECT true $$",
    ),
    (
        "runs as its owner changed",
        "remove_company_rows",
        "CREATE OR REPLACE FUNCTION remove_company_rows(company uuid, victim text, most integer)"
        " RETURNS bigint LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp"
        " AS $$ BEGIN DELETE FROM jobs_event; RETURN 0; END $$",
    ),
    ("does not begin with the company", "late", "CREATE UNIQUE INDEX late ON probe_tool (serial)"),
    (
        "does not begin with the company",
        "late",
        "CREATE UNIQUE INDEX late ON probe_tool (serial, company_id)",
    ),
    ("does not begin with the company", "late", "CREATE UNIQUE INDEX late ON probe_tool (lower(serial))"),
    ("does not begin with the company", "late", "CREATE UNIQUE INDEX late ON jobs_company (name)"),
    (
        "does not begin with the company",
        "late",
        "ALTER TABLE jobs_personassignment ADD CONSTRAINT late"
        " EXCLUDE USING gist (member_id WITH =, tstzrange(starts_at, ends_at) WITH &&)",
    ),
    (
        "lacks its exclusion constraint",
        "jobs_personassignment person_once_at_a_time",
        "ALTER TABLE jobs_personassignment DROP CONSTRAINT person_once_at_a_time",
    ),
    (
        "switched off",
        "jobs_personassignment person_travel",
        "ALTER TABLE jobs_personassignment DISABLE TRIGGER person_travel",
    ),
    (
        "function of policies or triggers",
        "person_travel",
        "CREATE OR REPLACE FUNCTION person_travel() RETURNS trigger LANGUAGE plpgsql"
        " AS $$ BEGIN RETURN NEW; END $$",
    ),
    (
        "does not compare the company",
        "probe_value late",
        "CREATE UNIQUE INDEX alone ON probe_tool (id);"
        "ALTER TABLE probe_value ADD CONSTRAINT late FOREIGN KEY (tool_id) REFERENCES probe_tool (id)",
    ),
    (
        "does not compare the company",
        "probe_value late",
        "CREATE UNIQUE INDEX other ON probe_tool (company_id, id, serial);"
        "ALTER TABLE probe_value ADD CONSTRAINT late FOREIGN KEY (tool_id, company_id)"
        " REFERENCES probe_tool (company_id, id)",
    ),
    (
        "from a shared table",
        "django_session late",
        "ALTER TABLE django_session ADD company uuid;"
        "ALTER TABLE django_session ADD CONSTRAINT late FOREIGN KEY (company) REFERENCES jobs_company (id)",
    ),
    (
        "acts in the database",
        "probe_value late",
        "ALTER TABLE probe_value ADD CONSTRAINT late FOREIGN KEY (company_id, tool_id)"
        " REFERENCES probe_tool (company_id, id) ON DELETE CASCADE",
    ),
    (
        "not validated",
        "probe_value late",
        "ALTER TABLE probe_value ADD CONSTRAINT late FOREIGN KEY (company_id, tool_id)"
        " REFERENCES probe_tool (company_id, id) NOT VALID",
    ),
    (
        "rights it must not have",
        "maintain on probe_tool",
        "GRANT TRUNCATE ON probe_tool TO flowledger_app",
    ),
    ("rights it must not have", "maintain on probe_tool", "GRANT TRIGGER ON probe_tool TO flowledger_app"),
    ("rights it must not have", "create on schema", "GRANT CREATE ON SCHEMA public TO flowledger_app"),
    ("open to every role", "probe_tool", "GRANT SELECT ON probe_tool TO PUBLIC"),
    ("append-only table that may", "probe_value", "GRANT UPDATE ON probe_value TO flowledger_app"),
    ("append-only table that may", "probe_value", "GRANT UPDATE (number) ON probe_value TO flowledger_app"),
    ("append-only table that may", "probe_value", "DROP TRIGGER append_only_row ON probe_value"),
    ("append-only table that may", "probe_value", "ALTER TABLE probe_value DISABLE TRIGGER append_only_all"),
    (
        "append-only model whose table",
        "probe_value",
        "DROP TRIGGER append_only_row ON probe_value; DROP TRIGGER append_only_all ON probe_value",
    ),
    (
        "not on the list",
        "peek()",
        "CREATE FUNCTION peek() RETURNS int LANGUAGE sql SECURITY DEFINER AS $$ SELECT 1 $$",
    ),
    (
        "without a fixed search_path",
        "peek()",
        "CREATE FUNCTION peek() RETURNS int LANGUAGE sql SECURITY DEFINER AS $$ SELECT 1 $$",
    ),
    ("view without security_invoker", "peek", "CREATE VIEW peek AS SELECT * FROM probe_tool"),
    ("view without security_invoker", "peek", "CREATE MATERIALIZED VIEW peek AS SELECT * FROM probe_tool"),
    (
        "schema besides public",
        "attic",
        "CREATE SCHEMA attic; GRANT USAGE ON SCHEMA attic TO flowledger_app;"
        "CREATE VIEW attic.peek AS SELECT * FROM probe_tool; GRANT SELECT ON attic.peek TO flowledger_app",
    ),
    ("table without company_id", "stray", "CREATE TABLE stray (id int)"),
    ("whose table lacks its key", "probe_mark", "ALTER TABLE probe_mark DROP CONSTRAINT probe_mark_pkey"),
    (
        "whose table lacks its key",
        "probe_mark",
        "DROP POLICY tenant ON probe_mark; ALTER TABLE probe_mark DROP COLUMN company_id CASCADE",
    ),
]


def seen_by(owner: Owner) -> set[Fault]:
    """The audit's answer inside the owner's transaction, less that it is the owner who asks."""
    cursor = owner.cursor()
    found = {*audit._catalogue_faults(cursor), *audit._model_faults(cursor)}
    return found - {Fault("connected as another role than the serving role", settings.DATABASE_OWNER_ROLE)}


def test_a_clean_database_has_no_fault(db: None) -> None:
    assert faults() == []


@pytest.mark.parametrize(("rule", "name", "plant"), PLANTED)
def test_planted_faults_are_found(owner: Owner, rule: str, name: str, plant: str) -> None:
    assert seen_by(owner) == set()
    owner.execute(plant)
    assert any(rule in fault.rule and name in fault.name for fault in seen_by(owner)), seen_by(owner)


def test_every_rule_has_a_planted_fault(owner: Owner) -> None:
    elsewhere = {"connected as another role than the serving role"}
    for rule in set(RULES) - elsewhere:
        assert any(words in rule for words, _, _ in PLANTED), rule


def test_both_forms_of_the_policy_are_right(owner: Owner) -> None:
    owner.execute("DROP POLICY tenant ON probe_tool")
    owner.execute(f"CREATE POLICY tenant ON probe_tool {BARE}")
    assert seen_by(owner) == set()


def test_a_view_that_asks_as_its_reader_is_right(owner: Owner) -> None:
    owner.execute("CREATE VIEW peek WITH (security_invoker = true) AS SELECT * FROM probe_tool")
    assert seen_by(owner) == set()


def test_the_owner_must_not_serve(db: None) -> None:
    with override_settings(DATABASE_APP_ROLE=settings.DATABASE_OWNER_ROLE):
        found = faults()
    names = {fault.name for fault in found if "rights it must not have" in fault.rule}
    assert "role attribute" in names
    assert "create on schema public" in names
    assert any(name.startswith("owns table probe_tool") for name in names)
    assert any(fault.rule.startswith("connected as another role") for fault in found)


def test_a_model_on_no_list(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audit, "GLOBAL_MODELS", audit.GLOBAL_MODELS - {"sessions.session"})
    rules = {(fault.rule, fault.name) for fault in faults()}
    assert rules == {
        ("model without a company that is not on the list", "sessions.Session"),
        ("table without company_id that is not on the list", "django_session"),
    }


def test_a_process_with_a_fault_does_not_start(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    closed: list[int] = []
    monkeypatch.setattr(startup.connections, "close_all", lambda: closed.append(1))  # keeps the transaction
    startup.refuse_on_fault()
    assert closed == [1]  # or the processes that are forked then would share it
    monkeypatch.setattr(audit, "GLOBAL_MODELS", audit.GLOBAL_MODELS - {"sessions.session"})
    told: list[str] = []
    monkeypatch.setattr(startup.logger, "critical", lambda text, fault: told.append(text % fault))
    with pytest.raises(SystemExit, match="2 faults"):
        startup.refuse_on_fault()
    assert sorted(one.rpartition(": ")[2] for one in told) == ["django_session", "sessions.Session"]
    with pytest.raises(SystemExit):
        call_command("audit_tenancy")


def test_a_worker_with_a_fault_does_not_start(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> None:
        raise SystemExit("fault")

    monkeypatch.setattr(startup, "refuse_on_fault", refuse)
    assert any(receiver() is audit_worker for _, receiver in worker_init.receivers)
    with pytest.raises(SystemExit):
        audit_worker()


def test_the_web_server_asks_the_audit_first(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(startup, "refuse_on_fault", lambda: asked.append(1))
    importlib.reload(importlib.import_module("config.wsgi"))
    assert asked


def test_the_command_reports_a_clean_database(db: None, capsys: pytest.CaptureFixture[str]) -> None:
    call_command("audit_tenancy")
    assert "no fault" in capsys.readouterr().out
