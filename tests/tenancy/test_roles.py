"""The test run itself: without the right role, every other test of isolation would prove nothing."""

from django.conf import settings
from django.db import connection


def test_tests_run_as_the_serving_role(db: None) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT current_user, session_user, rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb"
            " FROM pg_roles WHERE rolname = current_user"
        )
        assert cursor.fetchone() == (settings.DATABASE_APP_ROLE, settings.DATABASE_APP_ROLE, False)
