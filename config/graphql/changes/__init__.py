"""The changes of the schema, by room: hand-written, over the same actions that REST calls.

A change answers with its result or with a problem; it is made whole or not at all, one a request.
"""

from strawberry.tools import create_type

from config.graphql.changes import register
from config.graphql.changes.base import CHANGES, field_of

ROOMS = (register,)
Mutation = create_type("Mutation", [field_of(one) for one in CHANGES.values()])

__all__ = ["CHANGES", "ROOMS", "Mutation"]
