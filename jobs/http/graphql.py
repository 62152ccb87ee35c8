"""The GraphQL door: who may ask, how much, and how errors are told."""

import logging
import re
from collections.abc import Iterator
from typing import Any

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.utils.decorators import method_decorator
from django.views.decorators.csrf import csrf_exempt
from graphql import (
    DocumentNode,
    FieldNode,
    FragmentDefinitionNode,
    FragmentSpreadNode,
    GraphQLError,
    InlineFragmentNode,
    IntValueNode,
    Node,
    OperationDefinitionNode,
    SelectionSetNode,
    VariableNode,
)
from strawberry.django.views import GraphQLView
from strawberry.extensions import SchemaExtension
from strawberry.types import ExecutionResult, Info

from jobs import errors
from jobs.access import Action, Actor, require
from jobs.http import changes, problem
from jobs.http.auth import check_csrf
from jobs.http.parsing import read_json

log = logging.getLogger(__name__)
PAGE = 50
MOST_A_PAGE = 2 * PAGE  # also what a list gives that is asked without 'first'
MOST_OBJECTS = 20_000
MOST_EXPANDED = 5_000
MAX_DEPTH, MAX_ALIASES, MAX_TOKENS = 24, 15, 2_000
_SUGGESTION = re.compile(r"\s*Did you mean .*\?$", re.DOTALL)


def actor_of(info: Info) -> Actor:
    """The actor of the running request."""
    return info.context.request.actor  # type: ignore[no-any-return]


@method_decorator(csrf_exempt, name="dispatch")  # checked below, for cookies only
class Graph(GraphQLView):
    """POST of one JSON operation by somebody who may read. No GET, no batches, no uploads, no console."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.update(graphql_ide=None, allow_queries_via_get=False, multipart_uploads_enabled=False)
        super().__init__(**kwargs)

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        request_id = getattr(request, "request_id", "")
        try:
            refuse_unless_served(request)
            return changes.settle(request, super().dispatch(request, *args, **kwargs))  # type: ignore[no-any-return]
        except Exception as exc:
            transaction.set_rollback(True)
            error = problem.translate(exc)
            if error.status >= 500:
                log.error("unexpected failure", exc_info=exc)
            return problem.as_json(error, request_id)

    def process_result(self, request: HttpRequest, result: ExecutionResult, strict: bool = False) -> Any:
        if result.errors:
            transaction.set_rollback(True)
            if changes.running(request) is not None:
                result.data = None  # it tells of a change that was undone
        data: dict[str, Any] = {"data": result.data}
        if result.errors:
            data["errors"] = [told(error) for error in result.errors]
        return data


def refuse_unless_served(request: HttpRequest) -> None:
    """Raises a domain error unless it is a JSON POST by an actor who may read."""
    if request.method != "POST":
        raise problem.MethodNotAllowed('Ask by POST with a JSON body: {"query": …, "variables": …}.')
    if request.content_type != "application/json":
        raise problem.UnsupportedMediaType("Send the operation as application/json.")
    actor = require(getattr(request, "actor", None), Action.READ)
    if actor.token_id is None:
        check_csrf(request)
    check_operation(read_json(request.body))


def check_operation(asked: Any) -> None:
    """Raises a domain error unless it is one operation: a query text, variables, perhaps a name."""
    if isinstance(asked, list):
        raise errors.DomainError("Send one operation a request; batches are not taken.")
    if not isinstance(asked, dict) or not isinstance(asked.get("query"), str):
        raise errors.DomainError('The body must be an object with a text as "query".')
    if not isinstance(asked.get("variables") or {}, dict):
        raise errors.DomainError('"variables" must be an object.')
    if not isinstance(asked.get("operationName") or "", str):
        raise errors.DomainError('"operationName" must be a text.')


def told(error: GraphQLError) -> dict[str, Any]:
    """An error for the client: domain errors with their code, the rest without inside knowledge."""
    original = error.original_error
    content: dict[str, Any] = {"message": _SUGGESTION.sub("", error.message)}
    if original is not None:
        known = problem.translate(original)
        if known.status >= 500:
            log.error("unexpected failure in a query", exc_info=original)
        content["message"] = known.detail
        content["extensions"] = {"code": known.code, "status": known.status}
    if error.path:
        content["path"] = error.path
    if error.locations:
        content["locations"] = [{"line": at.line, "column": at.column} for at in error.locations]
    return content


class ListCost(SchemaExtension):
    """Refuses a query whose lists could multiply to more objects than a request may fetch.

    Before that, one whose fragments would unfold to more than anybody writes: the limits on depth and
    aliases walk every spread, so a few fragments that each spread the next one twice would keep them busy.
    """

    def on_parse(self) -> Iterator[None]:
        yield
        document = self.execution_context.graphql_document
        if document is not None and _unfolded(document) > MOST_EXPANDED:
            raise GraphQLError(
                f"This query, with its fragments, is far deeper or longer than {MOST_EXPANDED} fields."
            )

    def on_execute(self) -> Iterator[None]:
        context = self.execution_context
        document = context.graphql_document
        if document is not None:
            fragments = {
                d.name.value: d for d in document.definitions if isinstance(d, FragmentDefinitionNode)
            }
            variables = context.variables or {}
            for definition in document.definitions:
                if isinstance(definition, OperationDefinitionNode):
                    cost = _objects(definition.selection_set, fragments, variables)
                    if cost > MOST_OBJECTS:
                        raise GraphQLError(
                            f"This query could fetch {cost} objects, more than {MOST_OBJECTS}. "
                            "Ask for fewer at once with 'first', or in several queries."
                        )
        yield


def _unfolded(document: DocumentNode) -> float:
    """How many selections a document has with every fragment put in its place; infinite for a circle.

    Raises GraphQLError for a fragment that is not there.
    """
    fragments = {d.name.value: d for d in document.definitions if isinstance(d, FragmentDefinitionNode)}
    known: dict[str, float] = {}

    def size(chosen: SelectionSetNode | None) -> float:
        return sum(map(one, chosen.selections)) if chosen else 0

    def one(node: Node) -> float:
        if isinstance(node, FragmentSpreadNode):
            return spread(node.name.value)
        return 1 + size(getattr(node, "selection_set", None))

    def spread(name: str) -> float:
        if name not in fragments:
            raise GraphQLError(f"There is no fragment {name[:80]!r} in this query.")
        if name not in known:
            known[name] = float("inf")  # until its size is known: whoever comes back here goes in a circle
            known[name] = 1 + size(fragments[name].selection_set)
        return known[name]

    try:
        return sum(size(getattr(d, "selection_set", None)) for d in document.definitions)
    except RecursionError:
        return float("inf")


def _objects(
    chosen: SelectionSetNode | None, fragments: dict[str, FragmentDefinitionNode], variables: dict[str, Any]
) -> int:
    """How many objects a selection can fetch: each connection counts its page times what it holds."""
    if chosen is None:
        return 0
    total = 0
    for node in chosen.selections:
        if isinstance(node, FieldNode):
            if node.selection_set is None:
                continue
            inner = _objects(node.selection_set, fragments, variables)
            itself = node.name.value not in ("edges", "node", "pageInfo")
            is_list = _is_connection(node, fragments)
            total += _page(node, variables) * (1 + inner) if is_list else inner + itself
        elif isinstance(node, InlineFragmentNode):
            total += _objects(node.selection_set, fragments, variables)
        elif isinstance(node, FragmentSpreadNode) and node.name.value in fragments:
            total += _objects(fragments[node.name.value].selection_set, fragments, variables)
    return total


def _is_connection(node: FieldNode, fragments: dict[str, FragmentDefinitionNode]) -> bool:
    names = set(_names(node.selection_set, fragments))
    return bool(names & {"edges", "pageInfo", "totalCount"})


def _names(chosen: SelectionSetNode | None, fragments: dict[str, FragmentDefinitionNode]) -> Iterator[str]:
    """Names of the fields of a selection, those in its fragments too."""
    for node in chosen.selections if chosen else ():
        if isinstance(node, FieldNode):
            yield node.name.value
        elif isinstance(node, InlineFragmentNode):
            yield from _names(node.selection_set, fragments)
        elif isinstance(node, FragmentSpreadNode) and node.name.value in fragments:
            yield from _names(fragments[node.name.value].selection_set, fragments)


def _page(node: FieldNode, variables: dict[str, Any]) -> int:
    for argument in node.arguments or ():
        if argument.name.value in ("first", "last"):
            if isinstance(argument.value, IntValueNode):
                return max(1, int(argument.value.value))
            if isinstance(argument.value, VariableNode):
                given = variables.get(argument.value.name.value)
                return given if isinstance(given, int) and given > 0 else MOST_A_PAGE
    return MOST_A_PAGE
