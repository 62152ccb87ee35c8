"""How the tables are spread when an instance is set up for very many companies.

`DATABASE_PARTITIONS` and `DATABASE_SHARDING` are read when a table is made, by `migrate`, and by nothing
else: a table stays as it was made, and code that reads and writes does not know. How an existing instance
moves stands in DEVELOPERS.md.
"""

from collections.abc import Iterator
from typing import Any

from django.conf import settings

from .detect import company_column, is_company

# Models (lower-case labels) whose tables gain rows with every reading and every act. Sessions stay whole:
# each reading's foreign key looks one up, which costs more through partitions.
GROWING = frozenset(
    {
        "measurements.reading",
        "measurements.sweep",
        "measurements.result",
        "jobs.event",
        "jobs.eventposition",
    }
)
CITUS = "citus"


def partitions_of(model: Any) -> int:
    """Return how many partitions the model's table is made of; 0: it is one table."""
    wanted = int(getattr(settings, "DATABASE_PARTITIONS", 0))
    growing = GROWING | frozenset(getattr(settings, "TENANCY_GROWING", ()))
    return wanted if model._meta.label_lower in growing else 0


def partition_names(model: Any) -> list[str]:
    """Return the names of the partitions that `migrate` makes of the model's table."""
    return [f"{model._meta.db_table}_p{number}" for number in range(partitions_of(model))]


def is_sharded() -> bool:
    """Tell whether tables are made on a sharding PostgreSQL."""
    return getattr(settings, "DATABASE_SHARDING", "") == CITUS


def policy(column: str) -> str:
    """Return the rule of a table's policy.

    Wrapped in a SELECT the company is looked up once a statement; a sharding database refuses subqueries in
    policies and names the company in each shard's plan by itself.
    """
    return f"({column} = app_company())" if is_sharded() else f"({column} = (SELECT app_company()))"


def distribution(model: Any, company_table: str) -> Iterator[str]:
    """Yield the statement that spreads a new, empty table over the nodes by company.

    Before any foreign key is added: they are refused to a table that is not distributed.
    """
    column = company_column(model)
    if column is None or not is_sharded():
        return
    table = _literal(model._meta.db_table)
    beside = "" if is_company(model) else f", colocate_with => {_literal(company_table)}"
    yield f"SELECT create_distributed_table({table}, '{column}'{beside})"


def _literal(name: str) -> str:
    return "'" + name.replace("'", "''") + "'"
