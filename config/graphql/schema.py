"""The schema: its roots, its limits and how it is carried out."""

from typing import Any

import strawberry
from strawberry.schema.config import StrawberryConfig

from config.graphql.changes import Mutation
from config.graphql.changes.inputs import SCALARS
from config.graphql.execution import AtOnce
from config.graphql.queries import Query
from jobs.http.changes import OneChange
from jobs.http.graphql_limits import Limits


class Schema(strawberry.Schema):
    def process_errors(self, errors: list[Any], execution_context: Any = None) -> None:
        """Nothing: the door logs what is the service's own fault, and tells the rest to who asked."""


schema = Schema(
    query=Query,
    mutation=Mutation,
    config=StrawberryConfig(scalar_map=SCALARS),
    execution_context_class=AtOnce,
    extensions=[Limits, OneChange],
)
