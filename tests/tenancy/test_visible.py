"""What somebody may see is narrowed to their company by the query itself; row security stands behind it."""

import inspect
from collections.abc import Callable, Iterator
from types import ModuleType
from typing import Any

import pytest

import jobs.queries
import measurements.interval_checks
import measurements.photos
import measurements.queries
import reports.exports
import reports.queries
from jobs.access import Actor, TokenKind
from jobs.errors import Forbidden, NotSignedIn
from jobs.tenancy.context import company
from tests.factories import World

MODULES = (
    *(jobs.queries, measurements.queries, measurements.interval_checks, measurements.photos),
    *(reports.queries, reports.exports),
)


def narrowed(module: ModuleType) -> Iterator[Callable[..., Any]]:
    """Functions of a module that give the rows that an actor may see."""
    for name, one in inspect.getmembers(module, inspect.isfunction):
        if name.startswith("visible_") and one.__module__ == module.__name__:
            yield one


QUERIES = [pytest.param(one, id=f"{one.__module__}.{one.__name__}") for m in MODULES for one in narrowed(m)]


def rows(query: Callable[..., Any], actor: Any, world: World) -> Any:
    extra = {"webhook_id": world.job.id, "instrument_id": world.job.id}
    wanted = list(inspect.signature(query).parameters)[1:]
    return query(actor, *(extra[name] for name in wanted))


@pytest.mark.parametrize("query", QUERIES)
def test_rows_are_narrowed_to_the_company_of_who_asks(
    query: Callable[..., Any], company_a: World, company_b: World
) -> None:
    with company(company_b.id):
        stranger = company_b.actor("owner")
    with company(company_a.id):
        asked = rows(query, stranger, company_a)
        assert company_b.id in asked.query.sql_with_params()[1]
        assert not asked.exists()


@pytest.mark.parametrize("query", QUERIES)
def test_who_may_not_read_gets_no_rows(query: Callable[..., Any], company_a: World) -> None:
    with company(company_a.id):
        with pytest.raises(NotSignedIn):
            rows(query, None, company_a)
        with pytest.raises(Forbidden):
            rows(query, Actor(company_a.id, kind=TokenKind.INTEGRATION), company_a)
