"""RFC 9457 problem details for everything that goes wrong at the API."""

import logging
from collections.abc import Callable
from typing import Any

from django.contrib.sessions.exceptions import SessionInterrupted
from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.core.exceptions import ValidationError as ModelInvalid
from django.db import DatabaseError, IntegrityError, InterfaceError, OperationalError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse, UnreadablePostError
from django.utils.translation import gettext_noop
from rest_framework import exceptions
from rest_framework.renderers import JSONRenderer
from rest_framework.response import Response
from rest_framework.views import set_rollback

from jobs import errors

log = logging.getLogger(__name__)
UNEXPECTED = "Something went wrong here. Nothing was stored; the request may be repeated."
MEDIA_TYPE = "application/problem+json"
LOCK_NOT_AVAILABLE, STATEMENT_TIMEOUT = "55P03", "57014"
DAMAGED = ("XX001", "XX002")  # a page whose checksum fails: never a wrong figure
BROKEN_REFERENCE, DOUBLE = "23503", "23505"


def body(error: errors.DomainError, request_id: str = "") -> dict[str, Any]:
    """The problem as a JSON object: type, title, status, detail, errors, instance."""
    content: dict[str, Any] = {
        "type": f"/problems/{error.code}",
        "title": error.title,
        "status": error.status,
        "detail": error.detail,
    }
    if error.faults:
        content["errors"] = [{"pointer": f.pointer, "detail": f.detail} for f in error.faults]
    if request_id:
        content["instance"] = f"urn:request:{request_id}"
    return content


def handle(exc: Exception, context: dict[str, Any]) -> Response:
    """The exception handler of the REST doors. Rolls the request's transaction back."""
    set_rollback()
    request = context.get("request")
    if request is not None:  # a view that speaks YAML or PDF tells its problems in JSON too
        request.accepted_renderer, request.accepted_media_type = JSONRenderer(), MEDIA_TYPE
    error = translate(exc)
    if error.status >= 500:
        log.error("unexpected failure", exc_info=exc)
    return response(error, getattr(request, "request_id", ""))


def response(error: errors.DomainError, request_id: str) -> Response:
    """The problem as a DRF answer; for a door that refuses and yet keeps what it noted."""
    made = Response(body(error, request_id), status=error.status, content_type=MEDIA_TYPE)
    _headers(made, error)
    return made


def _headers(response: Response | HttpResponse, error: errors.DomainError) -> None:
    if error.status == 401:
        response["WWW-Authenticate"] = "Bearer"
    if error.retry_after is not None:
        response["Retry-After"] = str(error.retry_after)


def translate(exc: Exception) -> errors.DomainError:
    """Any exception as a domain error that tells nothing of the inside."""
    if isinstance(exc, errors.DomainError):
        return exc
    for kind, turn in _TURNS:
        if isinstance(exc, kind):
            return turn(exc)
    return Unexpected(UNEXPECTED)


class Unexpected(errors.DomainError):
    status, code, title = 500, "unexpected", gettext_noop("Unexpected failure")


class MethodNotAllowed(errors.DomainError):
    status, code, title = 405, "method-not-allowed", gettext_noop("This address does not take that method")


class UnsupportedMediaType(errors.DomainError):
    status, code, title = (
        415,
        "unsupported-media-type",
        gettext_noop("This kind of body is not understood here"),
    )


class NotAcceptable(errors.DomainError):
    status, code, title = 406, "not-acceptable", gettext_noop("No answer in that form")


_BY_STATUS: dict[int, type[errors.DomainError]] = {
    401: errors.NotSignedIn,
    403: errors.Forbidden,
    405: MethodNotAllowed,
    406: NotAcceptable,
    413: errors.TooLarge,
    415: UnsupportedMediaType,
    429: errors.TooMany,
}


def _of_api(exc: Any) -> errors.DomainError:
    """DRF's own exceptions, by their status."""
    status = exc.status_code
    if status == 404:
        return errors.NotFound()
    if status >= 500:
        return Unexpected(UNEXPECTED)
    return _BY_STATUS.get(status, errors.DomainError)(str(exc.detail))


def of_database(exc: DatabaseError) -> errors.DomainError:
    """By SQLSTATE only: constraint names and values stay inside."""
    state = getattr(exc.__cause__, "sqlstate", None)
    if state == LOCK_NOT_AVAILABLE:
        return errors.Conflict("Somebody else is changing this right now; try again.", retry_after=1)
    if state == BROKEN_REFERENCE:
        return errors.Invalid("An id in the input leads to nothing in your company.")
    if state == DOUBLE:
        return errors.Conflict("Something with the same name, number or id exists already.")
    if isinstance(exc, IntegrityError):
        return errors.Invalid("The values contradict each other or what is stored.")
    if isinstance(exc, OperationalError) or state == STATEMENT_TIMEOUT:
        return away()
    if state in DAMAGED:
        log.critical("the database found damaged pages: restore them from a backup")
        return errors.Busy("What was asked for cannot be read at present. The operator is told.")
    return Unexpected(UNEXPECTED)


def away() -> errors.Busy:
    """The database does not answer. Whether a change was stored is not always known: a repeat tells."""
    return errors.Busy(
        "The database is busy or away. Send the same request again, with the same Idempotency-Key.",
        retry_after=2,
    )


def _of_session(exc: BaseException) -> errors.DomainError:
    """The session could not be kept after the view: the database went away, or somebody signed out."""
    cause = exc.__cause__ or exc.__context__
    while cause is not None:
        if isinstance(cause, OperationalError):
            return away()
        cause = cause.__cause__ or cause.__context__
    return errors.NotSignedIn("This sign-in ended meanwhile. Sign in, then look whether the change was made.")


def faults_of(detail: Any, pointer: str = "") -> list[errors.Fault]:
    """DRF's nested error lists and dicts as pointers and sentences."""
    if isinstance(detail, dict):
        found = []
        for name, inner in detail.items():
            here = pointer if name == "non_field_errors" else f"{pointer}/{_escape(str(name))}"
            found += faults_of(inner, here)
        return found
    if isinstance(detail, list):
        if all(not isinstance(inner, (dict, list)) for inner in detail):
            return [errors.Fault(pointer or "/", str(inner)) for inner in detail]
        found = []
        for index, inner in enumerate(detail):
            found += faults_of(inner, f"{pointer}/{index}") if inner else []
        return found
    return [errors.Fault(pointer or "/", str(detail))]


def _model_faults(exc: ModelInvalid) -> list[errors.Fault]:
    if hasattr(exc, "error_dict"):
        return faults_of({name: [str(m) for m in found] for name, found in exc.message_dict.items()})
    return [errors.Fault("/", message) for message in exc.messages]


def _escape(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1")


def as_json(error: errors.DomainError, request_id: str = "") -> JsonResponse:
    """The same outside DRF."""
    response = JsonResponse(body(error, request_id), status=error.status, content_type=MEDIA_TYPE)
    _headers(response, error)
    return response


def wants_problem(request: HttpRequest) -> bool:
    return request.path.startswith(("/api/", "/graphql"))


_NOT_VALID = "Some fields are not valid; see 'errors'."
_TURNS: list[tuple[type[Exception], Callable[[Any], errors.DomainError]]] = [
    (exceptions.ValidationError, lambda exc: errors.Invalid(_NOT_VALID, faults_of(exc.detail))),
    (ModelInvalid, lambda exc: errors.Invalid(_NOT_VALID, _model_faults(exc))),
    (exceptions.APIException, _of_api),
    (RequestDataTooBig, lambda exc: errors.TooLarge("The request is larger than this service takes.")),
    (SuspiciousOperation, lambda exc: errors.DomainError("The request is malformed.")),
    (SessionInterrupted, _of_session),
    (UnreadablePostError, lambda exc: errors.DomainError("The request ended early; send it again.")),
    (Http404, lambda exc: errors.NotFound()),
    (PermissionDenied, lambda exc: errors.Forbidden("You may not do this.")),
    (DatabaseError, of_database),
    (
        MemoryError,
        lambda exc: errors.Busy("There is no memory for this at present; try again.", retry_after=5),
    ),
    (InterfaceError, lambda exc: away()),  # the connection was lost before
]
