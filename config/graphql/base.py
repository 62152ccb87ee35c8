"""What every type of the schema is made of: rows that the actor may see, figures that never stand alone."""

from typing import Any

import strawberry
from django.db.models import QuerySet
from strawberry import relay

from jobs.http.graphql import actor_of
from jobs.queries import visible
from jobs.tenancy.strawberry import register

register()


class Seen(relay.Node):
    """Base of every type: its rows are what the actor may see."""

    @classmethod
    def get_queryset(cls, queryset: QuerySet[Any], info: strawberry.Info) -> QuerySet[Any]:
        return visible(queryset, actor_of(info))


@strawberry.type(
    description="A figure never stands alone: value ± expanded uncertainty (95.45 %), with its unit."
)
class Figure:
    value: float
    expanded_uncertainty: float | None
    unit: str


def figure(value: float | None, expanded: float | None, unit: str) -> Figure | None:
    return None if value is None else Figure(value=value, expanded_uncertainty=expanded, unit=unit)
