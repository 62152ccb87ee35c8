"""The GraphQL door: who may ask, how much, and how errors are told."""

import logging
import re
from dataclasses import replace
from typing import Any

import msgspec
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.urls import resolve, reverse
from django.utils.decorators import method_decorator
from django.views import View
from django.views.decorators.csrf import csrf_exempt
from graphql import (
    GraphQLError,
    GraphQLSchema,
    OperationDefinitionNode,
    parse,
    specified_rules,
    validate,
)
from strawberry.django.context import StrawberryDjangoContext
from strawberry.schema.base import BaseSchema
from strawberry.schema.exceptions import CannotGetOperationTypeError, InvalidOperationTypeError
from strawberry.types import ExecutionResult, Info
from strawberry.types.graphql import OperationType

from jobs import errors, stored_queries
from jobs.access import Action, Actor, require
from jobs.http import changes, problem
from jobs.http.auth import check_csrf
from jobs.http.graphql_limits import MAX_TOKENS, RULES, refuse_endless
from jobs.http.parsing import read_json

log = logging.getLogger(__name__)
_SUGGESTION = re.compile(r"\s*Did you mean .*\?$", re.DOTALL)
_ABOUT_INPUT = ("Argument ", "Variable ")
"""How those errors of carrying a query out begin that are about what was sent."""


def actor_of(info: Info) -> Actor:
    """The actor of the running request."""
    return info.context.request.actor  # type: ignore[no-any-return]


@method_decorator(csrf_exempt, name="dispatch")  # checked below, for cookies only
class Graph(View):
    """POST of one JSON operation by somebody who may read. No GET, no batches, no uploads, no console."""

    schema: BaseSchema | None = None

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        request_id = getattr(request, "request_id", "")
        try:
            return changes.settle(request, self.answer(request))  # type: ignore[no-any-return]
        except Exception as exc:
            transaction.set_rollback(True)
            error = problem.translate(exc)
            if error.status >= 500:
                log.error("unexpected failure", exc_info=exc)
            return problem.as_json(error, request_id)

    def answer(self, request: HttpRequest) -> HttpResponse:
        """Raises a domain error unless it is served and one operation of the document can be chosen."""
        asked = read_served(request)
        assert self.schema is not None
        try:
            result = self.schema.execute_sync(
                asked["query"],
                variable_values=asked.get("variables"),
                operation_name=asked.get("operationName"),
                context_value=StrawberryDjangoContext(request=request, response=HttpResponse()),
                allowed_operation_types={OperationType.QUERY, OperationType.MUTATION},
            )
        except CannotGetOperationTypeError:
            raise errors.DomainError(
                "Say by 'operationName' which operation of the document is meant."
            ) from None
        except InvalidOperationTypeError:
            raise errors.DomainError("Only queries and mutations are served.") from None
        data = self.process_result(request, result)
        status = 200 if result.data is not None or any(one.path for one in result.errors or ()) else 400
        return HttpResponse(msgspec.json.encode(data), status=status, content_type="application/json")

    def process_result(self, request: HttpRequest, result: ExecutionResult) -> dict[str, Any]:
        """What is answered; an error of any part undoes the request."""
        if result.errors:
            transaction.set_rollback(True)
            if changes.running(request) is not None:
                result.data = None  # it tells of a change that was undone
        data: dict[str, Any] = {"data": result.data}
        if result.errors:
            data["errors"] = [told(error) for error in result.errors]
        if result.extensions:
            data["extensions"] = result.extensions
        return data


def read_served(request: HttpRequest) -> dict[str, Any]:
    """The operation of a request. Raises a domain error unless it is a JSON POST by an actor who may read."""
    if request.method != "POST":
        raise problem.MethodNotAllowed('Ask by POST with a JSON body: {"query": …, "variables": …}.')
    if request.content_type != "application/json":
        raise problem.UnsupportedMediaType("Send the operation as application/json.")
    actor: Actor | None = getattr(request, "actor", None)
    limited = actor is not None and actor.stored_only
    actor = require(replace(actor, stored_only=False) if actor is not None else None, Action.READ)
    if actor.token_id is None:
        check_csrf(request)
    asked = read_json(request.body)
    check_operation(asked)
    if "id" in asked:
        asked = {**asked, "query": stored_queries.text_of(actor, asked["id"])}
    elif limited:
        raise errors.Forbidden('This key asks stored queries only: send {"id": …, "variables": …}.')
    request.actor = actor  # type: ignore[attr-defined]  # it asks what it is limited to
    return dict(asked)


def served_schema() -> BaseSchema:
    """The schema that this service serves."""
    found: BaseSchema = resolve(reverse("graphql")).func.view_initkwargs["schema"]  # type: ignore[attr-defined]
    return found


def check_document(text: str) -> None:
    """Raises Invalid unless a text is one operation that this service would carry out."""
    try:
        wrong = _wrong_with(text)
    except GraphQLError as error:
        wrong = [error]
    if wrong:
        faults = [errors.Fault("/text", _SUGGESTION.sub("", one.message)) for one in wrong[:20]]
        raise errors.Invalid("The query is not valid; see 'errors'.", faults)


def _wrong_with(text: str) -> list[GraphQLError]:
    document = parse(text, max_tokens=MAX_TOKENS)
    refuse_endless(document)
    if sum(isinstance(one, OperationDefinitionNode) for one in document.definitions) != 1:
        return [GraphQLError("Store one operation at a time.")]
    schema: GraphQLSchema = served_schema()._schema  # type: ignore[attr-defined]
    return validate(schema, document, (*specified_rules, *RULES))


def check_operation(asked: Any) -> None:
    """Raises a domain error unless it is one operation: a query text, variables, perhaps a name."""
    if isinstance(asked, list):
        raise errors.DomainError("Send one operation a request; batches are not taken.")
    if not isinstance(asked, dict) or not isinstance(asked.get("id", asked.get("query")), str):
        raise errors.DomainError('The body must be an object with a text as "query", or as "id".')
    if "id" in asked and "query" in asked:
        raise errors.DomainError('Send the "query" or the "id" of a stored one, not both.')
    if not isinstance(asked.get("variables") or {}, dict):
        raise errors.DomainError('"variables" must be an object.')
    if not isinstance(asked.get("operationName") or "", str):
        raise errors.DomainError('"operationName" must be a text.')


def told(error: GraphQLError) -> dict[str, Any]:
    """An error for the client: domain errors with their code, the rest without inside knowledge."""
    original = error.original_error
    if isinstance(original, GraphQLError):
        original = None  # a variable of another type
    if original is None and error.path and not error.message.startswith(_ABOUT_INPUT):
        original = error  # an answer that does not fit the schema: the service's own fault
    content: dict[str, Any] = {"message": _SUGGESTION.sub("", error.message)}
    content["extensions"] = {"code": errors.DomainError.code, "status": errors.DomainError.status}
    if original is not None:
        known = problem.translate(original)
        if known.status >= 500:
            log.error("unexpected failure in a query", exc_info=original)
        content["message"] = known.detail
        content["extensions"] = {"code": known.code, "status": known.status}
        if known.faults:
            content["extensions"]["errors"] = [vars(fault) for fault in known.faults]
    if error.path:
        content["path"] = error.path
    if error.locations:
        content["locations"] = [{"line": at.line, "column": at.column} for at in error.locations]
    return content
