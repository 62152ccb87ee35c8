"""The guard on statements, which every other test leans on."""

from uuid import UUID

import pytest
from django.db import connection

from jobs.tenancy.context import company, company_var
from jobs.tenancy.ids import uuid7
from tests.statement_guard import Guard, StatementWithoutCompany, find_fault, watching
from tests.tenancy.probe.models import Work
from tests.tenancy.world import Side

ID = UUID("01a20000-0000-7000-8000-000000000001")  # fixed: it stands in test names

RIGHT = [
    (f"SELECT 1 FROM probe_work WHERE company_id = '{ID}'", None),
    ("SELECT 1 FROM probe_work WHERE company_id = %s", [ID]),
    ("SELECT 1 FROM probe_work WHERE company_id = %s", [str(ID)]),
    ("SELECT 1 FROM probe_work WHERE company_id = %s", [ID.hex]),
    ("INSERT INTO probe_work SELECT * FROM unnest(%s)", [[ID, ID]]),
    ("SELECT 1 FROM probe_work WHERE company_id = %(c)s", {"c": ID}),
    ("SELECT 1 FROM probe_work /* unscoped */", None),
    ("SELECT 1 FROM django_session", None),
    ("SELECT 1 FROM probe_workshop", None),
    ("SAVEPOINT probe_work", None),
]
WRONG = [
    ("SELECT 1 FROM probe_work", None),
    ('SELECT 1 FROM "probe_work" WHERE id = %s', [uuid7()]),
    ("  (select 1 from public.probe_work)", None),
    ("WITH x AS (SELECT 1 FROM probe_work) SELECT 1 FROM x", []),
    ("INSERT INTO probe_work (id) VALUES (%s)", [uuid7()]),
    ("UPDATE probe_work SET number = 1 WHERE company_id = app_company()", None),
    ("DELETE FROM probe_work WHERE id = ANY (%s)", [[uuid7()]]),
    ("SELECT 1 FROM django_session, jobs_company", None),
]


@pytest.mark.parametrize(("sql", "params"), RIGHT)
def test_right_statements_pass(sql: str, params: object, db: None) -> None:
    with company_var(ID):
        assert find_fault(sql, params) is None


@pytest.mark.parametrize(("sql", "params"), WRONG)
def test_wrong_statements_are_named(sql: str, params: object, db: None) -> None:
    with company_var(ID):
        assert "does not name its company" in str(find_fault(sql, params))
    assert "without a company" in str(find_fault(sql, params))


def test_a_wrong_statement_is_stopped_and_remembered(inside_a: Side) -> None:
    with pytest.raises(StatementWithoutCompany), watching() as inner:
        # The outer guard, of this test itself, would stop it as well and fail the test.
        outer = [one for one in connection.execute_wrappers if one is not inner]
        connection.execute_wrappers[:] = [inner]
        try:
            with pytest.raises(StatementWithoutCompany), connection.cursor() as cursor:
                cursor.execute("SELECT count(*) FROM probe_work")
        finally:
            connection.execute_wrappers[:] = [*outer, inner]
        assert len(inner.found) == 1


def test_the_guard_watches_every_test(inside_a: Side, statement_guard: Guard) -> None:
    assert statement_guard in connection.execute_wrappers
    with company(inside_a.id):
        assert Work.objects.count() == 5
    assert statement_guard.found == []
