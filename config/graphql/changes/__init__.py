"""The changes of the schema, by room: hand-written, over the same actions that REST calls.

A change tells its result or a problem; it is made whole or not at all, one a request.
"""

from strawberry.tools import create_type

from config.graphql.changes import (
    company,
    corrections,
    field,
    instruments,
    leaving,
    people,
    plan,
    recalls,
    register,
    review,
    rules,
    schedule,
    webhooks,
)
from config.graphql.changes.base import CHANGES, field_of

ROOMS = (
    company,
    people,
    register,
    schedule,
    plan,
    instruments,
    field,
    review,
    corrections,
    recalls,
    rules,
    webhooks,
    leaving,
)
Mutation = create_type("Mutation", [field_of(one) for one in CHANGES.values()])

__all__ = ["CHANGES", "ROOMS", "Mutation"]
