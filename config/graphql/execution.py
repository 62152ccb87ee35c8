"""How a query is carried out: series of readings are answered whole, not value by value."""

from typing import Any

from django.contrib.postgres.aggregates.mixins import OrderableAggMixin
from django.db.models import Aggregate, TextField
from msgspec import Raw
from strawberry.schema.schema import StrawberryGraphQLCoreExecutionContext

EMPTY = Raw(b"[]")


class Column(OrderableAggMixin, Aggregate):  # type: ignore[misc]
    """The values of a column as the text of a JSON array, made by the database."""

    function = "json_agg"
    template = "%(function)s(%(distinct)s%(expressions)s %(order_by)s)::text"
    output_field = TextField()


class AtOnce(StrawberryGraphQLCoreExecutionContext):
    """Takes a JSON array from the database as it is, for a list of values of one scalar type.

    A session has many readings with nine columns each. Reading and completing every value by itself takes
    many times as long as all the rest of a query.
    """

    def complete_list_value(
        self,
        return_type: Any,
        field_details_list: Any,
        info: Any,
        path: Any,
        result: Any,
        position_context: Any,
    ) -> Any:
        if type(result) is Raw:
            return result
        return super().complete_list_value(
            return_type, field_details_list, info, path, result, position_context
        )
