"""Row security alone, past the managers: what holds if the code above it is wrong."""

import pytest
from django.db import DatabaseError, connection, transaction

from jobs.models import Company
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from tests.tenancy.probe.models import Value, Visit, Work
from tests.tenancy.world import Side


def test_only_own_rows(a: Side, b: Side) -> None:
    with company(a.id):
        assert Work.unscoped.count() == 5
        assert Value.unscoped.get() == a.value
    with company(b.id):
        assert Work.unscoped.count() == 3


def test_no_rows_without_a_company(a: Side) -> None:
    assert Work.unscoped.count() == 0
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM jobs_company /* unscoped */")
        assert cursor.fetchone() == (0,)


def test_companies_see_only_themselves(inside_a: Side) -> None:
    assert Company.objects.get().id == inside_a.id
    with connection.cursor() as cursor:
        cursor.execute("SELECT id FROM jobs_company /* unscoped */")
        assert cursor.fetchall() == [(inside_a.id,)]


def test_update_and_delete_pass_foreign_rows_by(inside_a: Side, b: Side) -> None:
    assert Work.unscoped.filter(pk=b.work.pk).update(status="x") == 0
    assert Work.unscoped.filter(pk=b.work.pk)._raw_delete("default") == 0
    assert Work.unscoped.update(status="x") == 5
    with company(b.id):
        assert {work.status for work in Work.objects.all()} == {"open"}


def refusal(statement: str, *params: object) -> str:
    with pytest.raises(DatabaseError) as caught, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"{statement} /* unscoped */", params)
    return caught.value.__cause__.sqlstate  # type: ignore[union-attr, no-any-return]


def test_a_row_for_another_company_is_refused(inside_a: Side, b: Side) -> None:
    insert = "INSERT INTO probe_work (company_id, id, number, status) VALUES (%s, %s, 99, '')"
    assert refusal(insert, b.id, uuid7()) == "42501"
    assert refusal("UPDATE probe_work SET company_id = %s WHERE number = 5", b.id) == "42501"
    with company(b.id):
        assert Work.objects.count() == 3


def test_joins_see_only_own_rows(inside_a: Side, b: Side) -> None:
    assert Visit.unscoped.filter(work__number=1).count() == 1


@pytest.mark.parametrize(
    "statement",
    [
        "TRUNCATE probe_work",
        "SET ROLE flowledger_owner",
        "DROP POLICY tenant ON probe_work",
        "ALTER TABLE probe_work DISABLE ROW LEVEL SECURITY",
        "ALTER TABLE probe_value DISABLE TRIGGER ALL",
        "SET session_replication_role = replica",
        "COPY probe_work FROM STDIN",
        "CREATE TABLE mine (id int)",
    ],
)
def test_the_serving_role_cannot_open_the_wall(inside_a: Side, statement: str) -> None:
    with pytest.raises(DatabaseError) as caught, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)
    assert caught.value.__cause__.sqlstate in {"42501", "0A000"}  # type: ignore[union-attr]


def test_row_security_off_is_an_error_and_not_an_opening(inside_a: Side) -> None:
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET LOCAL row_security = off")
        cursor.execute("SELECT count(*) FROM probe_work /* unscoped */")


def test_the_owner_is_under_it_too(a: Side, owner: object) -> None:
    assert owner.execute("SELECT count(*) FROM probe_work").fetchone() == (0,)  # type: ignore[attr-defined]
