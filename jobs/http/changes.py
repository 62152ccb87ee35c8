"""What a GraphQL mutation does beside its work: one a request, repeatable like a POST, undone as a whole."""

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from graphql import (
    FieldNode,
    FragmentDefinitionNode,
    FragmentSpreadNode,
    GraphQLError,
    InlineFragmentNode,
    OperationDefinitionNode,
    OperationType,
    SelectionNode,
    get_operation_ast,
)
from strawberry.extensions import SchemaExtension

from jobs import disk
from jobs.access import Actor
from jobs.errors import Conflict, DomainError
from jobs.http import problem
from jobs.http.idempotency import HEADER, Replay, claim, keep, read_key

ENDPOINT = "POST /graphql"
_STATE = "_graphql_change"


@dataclass
class Running:
    """The change of a request: the row of its Idempotency-Key, and an answer that takes its place."""

    key_row: Any = None
    is_secret: bool = False
    instead: HttpResponse | None = None


def running(request: HttpRequest) -> Running | None:
    """The change that this request makes; None for a query."""
    return getattr(request, _STATE, None)


def begin(request: HttpRequest) -> Running:
    state = Running()
    setattr(request, _STATE, state)
    return state


def open_change(request: HttpRequest, actor: Actor, *, is_secret: bool) -> bool:
    """Claims the request's key; False when the change was made before and its answer is given again.

    Raises BadKey, Invalid for a key used with another body, Conflict when the first answer was secret, Busy
    when a disk is nearly full.
    """
    disk.require_room()
    state = running(request) or begin(request)
    digest = hashlib.sha256(request.body).hexdigest()
    try:
        state.key_row = claim(actor, ENDPOINT, read_key(request), digest)
    except Replay as replay:
        if is_secret:
            raise shown_once() from None
        state.instead = replay.response
        return False
    state.is_secret = is_secret
    return True


def shown_once() -> Conflict:
    return Conflict(
        "This was done already, and its secret is shown in the first answer only. "
        f"If that was lost, revoke what it made and repeat with a new {HEADER}."
    )


def settle(request: HttpRequest, response: Any) -> Any:
    """The answer to send. That of a change which was made is stored with its key, unless it is secret."""
    state = running(request)
    if state is None:
        return response
    if state.instead is not None:
        return state.instead
    if state.key_row is not None and not transaction.get_rollback():
        content = b"" if state.is_secret else response.content
        keep(state.key_row, response.status_code, response.headers["Content-Type"], content)
    return response


class OneChange(SchemaExtension):
    """Refuses a document that makes several changes: each is a request of its own, done whole or not."""

    def on_execute(self) -> Iterator[None]:
        context = self.execution_context
        document = context.graphql_document
        asked = get_operation_ast(document, context.operation_name) if document else None
        if document is not None and asked is not None and asked.operation is OperationType.MUTATION:
            request = context.context.request
            state = begin(request)
            if count_roots(asked, document.definitions) > 1:
                error = DomainError(
                    "Make one change a request; this document makes several. Nothing was done."
                )
                state.instead = problem.as_json(error, getattr(request, "request_id", ""))
                raise GraphQLError(error.detail)
        yield


def count_roots(operation: OperationDefinitionNode, definitions: Iterable[Any]) -> int:
    """Root fields of an operation with its fragments put in their places; those left out by @skip too."""
    fragments = {d.name.value: d for d in definitions if isinstance(d, FragmentDefinitionNode)}
    return sum(_count(one, fragments) for one in operation.selection_set.selections)


def _count(node: SelectionNode, fragments: Mapping[str, FragmentDefinitionNode]) -> int:
    if isinstance(node, FieldNode):
        return node.name.value != "__typename"
    if isinstance(node, InlineFragmentNode):
        return sum(_count(one, fragments) for one in node.selection_set.selections)
    if isinstance(node, FragmentSpreadNode) and node.name.value in fragments:
        return sum(_count(one, fragments) for one in fragments[node.name.value].selection_set.selections)
    return 0
