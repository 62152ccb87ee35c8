"""Fixtures of the tenancy tests."""

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from jobs.tenancy.context import company
from tests.database import owner_connection
from tests.tenancy.world import Side, make_side


@pytest.fixture
def a(db: None) -> Side:
    """Company A, which has five works."""
    return make_side("A", 5)


@pytest.fixture
def b(db: None) -> Side:
    """Company B, which has three works."""
    return make_side("B", 3)


@pytest.fixture
def inside_a(a: Side, b: Side) -> Iterator[Side]:
    """Run the test as company A, while B exists as well."""
    with company(a.id):
        yield a


@pytest.fixture
def owner(db: None) -> Iterator[psycopg.Connection[Any]]:
    """Give a transaction of the tables' owner, rolled back at the end."""
    connection = owner_connection()
    try:
        yield connection
    finally:
        connection.rollback()
        connection.close()
