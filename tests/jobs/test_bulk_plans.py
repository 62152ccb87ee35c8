"""Statements sent together are prepared by the server; a failure among them spoils none of their plans."""

import pytest
from django.db import IntegrityError, connection

from jobs.bulk import Statement, run_together
from jobs.tenancy.context import company
from tests.factories import World


def test_a_statement_that_a_failure_kept_from_being_prepared_is_asked_again(company_a: World) -> None:
    def fine() -> Statement:
        return Statement("SELECT %b::int + 1", [1])

    with company(company_a.id), connection.cursor() as cursor:
        cursor.execute("SAVEPOINT before")
        for _ in range(2):  # psycopg looks at a rollback's outcome only when its text is new to it
            cursor.execute("ROLLBACK TO SAVEPOINT before")
        for _ in range(connection.connection.prepare_threshold):  # at its next run it is prepared
            run_together([fine()])
        with pytest.raises(IntegrityError):
            run_together([taken(company_a), fine()])
        cursor.execute("ROLLBACK TO SAVEPOINT before")
        again = fine()
        run_together([again])
        assert again.rows == [(2,)]


def taken(world: World) -> Statement:
    return Statement("INSERT INTO jobs_company SELECT * FROM jobs_company WHERE id = %b", [world.id])
