"""The company's way from the code to the database."""

import threading
import uuid
from collections.abc import Iterator

import pytest
from django.db import DatabaseError, connection, transaction
from django.db.models import QuerySet

from jobs.tenancy import context
from jobs.tenancy.backend.base import DatabaseWrapper
from jobs.tenancy.context import (
    NoCompany,
    after_commit,
    company,
    company_or_none,
    company_var,
    current_company,
    set_company_sql,
    stream,
)
from jobs.tenancy.ids import uuid7
from tests.statement_guard import Guard
from tests.tenancy.probe.models import Work
from tests.tenancy.world import Side, make_side


def told() -> str:
    """What the database thinks the company is."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_setting('app.company', true)")
        (value,) = cursor.fetchone()
        return value or ""


def test_no_company_is_loud(db: None, a: Side) -> None:
    with pytest.raises(NoCompany):
        current_company()
    for run in (
        Work.objects.count,
        lambda: Work(number=1),
        lambda: Work.objects.update(number=1),
        lambda: Work.objects.filter(number=1).delete(),
        lambda: list(Work.objects.all()),
        lambda: list(QuerySet(Work)),  # past the manager
        lambda: a.work.delete(),
        lambda: a.work.refresh_from_db(),
        lambda: a.work.visits.count(),
    ):
        with pytest.raises(NoCompany):
            run()


def test_only_a_uuid_is_a_company(db: None) -> None:
    for wrong in ("x'; DROP TABLE jobs_company; --", str(uuid7()), 7):
        with pytest.raises(TypeError), company(wrong):  # type: ignore[arg-type]
            pass
    value = uuid7()
    assert set_company_sql(value) == f"SET LOCAL app.company = '{value}'"
    assert set_company_sql(None) == "SET LOCAL app.company = ''"


def test_nested_companies(a: Side, b: Side) -> None:
    with company(a.id):
        with company(b.id):
            assert Work.unscoped.count() == 3
        assert Work.unscoped.count() == 5
        with company_var(b.id):
            assert Work.unscoped.count() == 3
        assert Work.unscoped.count() == 5
        with company_var(None):
            assert Work.unscoped.count() == 0
    assert Work.unscoped.count() == 0
    assert company_or_none() is None


def test_the_outer_company_is_back_after_an_error(a: Side, b: Side) -> None:
    with company(a.id):
        with pytest.raises(ValueError, match="stop"), company(b.id):
            assert Work.unscoped.count() == 3
            raise ValueError("stop")
        assert Work.unscoped.count() == 5
        with pytest.raises(DatabaseError), company(b.id), connection.cursor() as cursor:
            cursor.execute("SELECT 1 / 0")
        assert Work.unscoped.count() == 5
        assert told() == str(a.id)


def test_an_error_in_the_database_is_not_hidden_by_the_way_out(a: Side, b: Side) -> None:
    with company(a.id):
        with (
            pytest.raises(DatabaseError, match="division"),
            transaction.atomic(),
            company_var(b.id),
            connection.cursor() as cursor,
        ):
            cursor.execute("SELECT 1 / 0")
        assert told() == str(a.id)


@pytest.mark.django_db(transaction=True)
def test_a_transaction_takes_the_company_and_leaves_nothing() -> None:
    a = make_side("A", 2)
    with company_var(a.id), transaction.atomic():
        assert told() == str(a.id)
        assert Work.objects.count() == 2
    assert told() == ""


@pytest.mark.django_db(transaction=True)
def test_a_company_without_a_transaction_is_refused() -> None:
    a = make_side("A", 2)
    for fresh in (False, True):
        if fresh:
            connection.close()  # a connection not yet open must not slip through
        with company_var(a.id), pytest.raises(transaction.TransactionManagementError, match="no transaction"):
            Work.objects.count()


@pytest.mark.django_db(transaction=True)
def test_time_limits_of_a_transaction(settings: object) -> None:
    settings.DATABASE_LOCK_TIMEOUT = 1234  # type: ignore[attr-defined]
    settings.DATABASE_STATEMENT_TIMEOUT = 5678  # type: ignore[attr-defined]
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT current_setting('lock_timeout'), current_setting('statement_timeout')")
        assert cursor.fetchone() == ("1234ms", "5678ms")


@pytest.mark.django_db(transaction=True)
def test_after_commit_has_its_own_transaction() -> None:
    a = make_side("A", 2)
    seen: list[int] = []
    with company(a.id):
        after_commit(lambda: seen.append(Work.objects.count()))
        assert seen == []
        Work.objects.create(number=3)
    assert seen == [3]


@pytest.mark.django_db(transaction=True)
def test_a_bare_hook_after_commit_is_refused() -> None:
    a = make_side("A", 2)
    with pytest.raises(transaction.TransactionManagementError), company(a.id):
        transaction.on_commit(lambda: Work.objects.count())


@pytest.mark.django_db(transaction=True)
def test_a_stream_runs_after_the_transaction() -> None:
    a = make_side("A", 4)

    def numbers() -> Iterator[int]:
        for work in Work.objects.order_by("number").iterator(chunk_size=2):
            yield work.number

    with company(a.id):
        chunks = stream(numbers)
    assert list(chunks) == [1, 2, 3, 4]
    with company(a.id):
        chunks = stream(numbers)
    next(chunks)
    chunks.close()  # type: ignore[attr-defined]
    assert company_or_none() is None
    assert not connection.in_atomic_block


@pytest.mark.django_db(transaction=True)
def test_companies_at_the_same_time() -> None:
    sides = [make_side("A", 5), make_side("B", 3)]
    start = threading.Barrier(4)
    wrong: list[object] = []

    def work(side: Side, expected: int) -> None:
        try:
            start.wait(10)
            for _ in range(25):
                with company(side.id):
                    counts = (Work.objects.count(), Work.unscoped.count())
                if counts != (expected, expected):
                    wrong.append(counts)
        except Exception as error:  # reported by the main thread
            wrong.append(error)
        finally:
            connection.close()

    threads = [
        threading.Thread(target=work, args=(side, n)) for side, n in zip(sides * 2, (5, 3) * 2, strict=True)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert wrong == []


@pytest.mark.django_db(transaction=True)
def test_a_pooled_connection_forgets_the_company(statement_guard: Guard) -> None:
    sides = [make_side("A", 5), make_side("B", 3)]
    known = connection.settings_dict
    options = {**known["OPTIONS"], "pool": {"min_size": 1, "max_size": 1, "timeout": 5}}
    pooled = DatabaseWrapper({**known, "OPTIONS": options, "CONN_MAX_AGE": 0}, alias="pooled")

    def ask(value: uuid.UUID | None) -> tuple[int, int]:
        with company_var(value):
            pooled.set_autocommit(False)
            with pooled.cursor() as cursor:
                cursor.execute("SELECT pg_backend_pid(), (SELECT count(*) FROM probe_work /* unscoped */)")
                row: tuple[int, int] = cursor.fetchone()
            pooled.commit()
            pooled.set_autocommit(True)
            pooled.close()
        return row

    try:
        answers = [ask(value) for value in (sides[0].id, sides[1].id, None, sides[0].id)]
    finally:
        pooled.close_pool()
    assert [count for _, count in answers] == [5, 3, 0, 5]
    assert len({pid for pid, _ in answers}) == 1


def test_across_companies_opens_the_guard_but_not_the_wall(a: Side) -> None:
    with context.across_companies():
        assert Work.unscoped.count() == 0
    assert not context.is_across_companies()
