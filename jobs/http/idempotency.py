"""Idempotency-Key on unsafe requests: the same key and body get the same answer, byte for byte.

The key's row is written first, in the request's own transaction, and carries the answer when that commits.
So a crash leaves nothing behind, two at once queue on the row, and a failed request may run again.
"""

import hashlib
import re
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils.translation import gettext_noop
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import bulk
from jobs.access import Actor
from jobs.errors import Conflict, DomainError, Fault, Invalid
from jobs.http import problem
from jobs.http.parsing import body_of
from jobs.models import IdempotencyKey
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import uuid7

HEADER = "Idempotency-Key"
_TOKEN = re.compile(r'^(?:"([\x20\x21\x23-\x5b\x5d-\x7e]{1,200})"|([!#$%&\'*+\-.^_`|~0-9A-Za-z:/]{1,200}))$')


CLAIM = """
INSERT INTO jobs_idempotencykey (company_id, id, principal, endpoint, key, request_digest, status,
                                 content_type, body, location, created_at)
VALUES (%b, %b, %b, %b, %b, %b, 0, '', ''::bytea, '', now())
ON CONFLICT (company_id, principal, endpoint, key) DO NOTHING RETURNING id
"""
KEEP = """
UPDATE jobs_idempotencykey SET status = %b, content_type = %b, body = %b, location = %b
WHERE company_id = %b AND id = %b
"""


class BadKey(DomainError):
    status, code, title = 400, "idempotency-key", gettext_noop("Idempotency-Key is missing or malformed")


def read_key(request: Request | HttpRequest) -> str:
    """The key from the header, bare or quoted, 1 to 200 visible characters. Raises BadKey."""
    text = request.headers.get(HEADER)
    match = _TOKEN.match(text) if text is not None else None
    if match is None:
        raise BadKey(
            f"Send an '{HEADER}' header of 1 to 200 visible characters, such as a UUID, "
            "the same for each repeat.",
            [Fault(f"header:{HEADER}", "missing" if text is None else "malformed")],
        )
    return match.group(1) or match.group(2)


class Repeatable:
    """Mixin for APIView: every POST needs a key; a repeat gets the stored answer."""

    _key_row: Any = None
    repeatable_methods = ("POST",)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)  # type: ignore[misc]
        if request.method in self.repeatable_methods:
            self._key_row = open_key(request, request._request.actor)  # type: ignore[attr-defined]

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        try:
            return super().dispatch(request, *args, **kwargs)  # type: ignore[misc]
        except Replay as replay:
            return replay.response

    def handle_exception(self, exc: Exception) -> Response:
        if isinstance(exc, Replay):
            raise exc
        self._key_row = None
        return super().handle_exception(exc)  # type: ignore[misc,no-any-return]

    def finalize_response(self, request: Any, response: Any, *args: Any, **kwargs: Any) -> Any:
        response = super().finalize_response(request, response, *args, **kwargs)  # type: ignore[misc]
        if self._key_row is not None:
            response.render()
            self.keep_answer(self._key_row, response)
        return response

    def keep_answer(self, row: Any, response: Response) -> None:
        """Stores the answer for repeats."""
        location = response.headers.get("Location", "")
        keep(row, response.status_code, response.headers.get("Content-Type", ""), response.content, location)


class ShownOnce(Repeatable):
    """For answers that hold a secret: it is never stored, so a repeat is told that it was done."""

    def keep_answer(self, row: Any, response: Response) -> None:
        told = Conflict(
            "This was done already, and its secret is shown in the first answer only. "
            f"If that was lost, revoke what it made and repeat with a new {HEADER}."
        )
        keep(row, told.status, problem.MEDIA_TYPE, problem.as_json(told).content)


class Replay(Exception):
    """Ends the request with the answer given before."""

    def __init__(self, response: HttpResponse) -> None:
        super().__init__("replayed")
        self.response = response


def open_key(request: Request, actor: Actor) -> Any:
    """Claims the key of a REST request. Raises what `claim` raises."""
    return claim(actor, f"{request.method} {request.path}"[:200], read_key(request), _digest(request))


def claim(actor: Actor, endpoint: str, key: str, body_digest: str) -> Any:
    """Claims a key, or raises Replay with the stored answer. Raises Invalid when the body differs.

    A concurrent request with the same key waits here until the first commits, at most the lock timeout
    (then 409 with Retry-After by the problem handler).
    """
    row = uuid7()
    if bulk.fetch(CLAIM, [actor.company_id, row, actor.principal, endpoint, key, body_digest]):
        return row
    seen = IdempotencyKey.objects.get(principal=actor.principal, endpoint=endpoint, key=key)
    if seen.request_digest != body_digest:
        raise Invalid(
            f"This {HEADER} was used for another body or query. Use a new key for a new request.",
            [Fault(f"header:{HEADER}", "used with another body")],
        )
    answer = HttpResponse(bytes(seen.body), status=seen.status, content_type=seen.content_type)
    answer["Idempotent-Replayed"] = "true"
    if seen.location:
        answer["Location"] = seen.location
    raise Replay(answer)


def _digest(request: Request) -> str:
    """Over what is asked for: the body, and the query when there is one (a preview is not an import)."""
    body, query = body_of(request), request._request.META.get("QUERY_STRING", "")
    return hashlib.sha256(body + (b"\0?" + query.encode() if query else b"")).hexdigest()


def keep(row: Any, status: int, content_type: str, body: bytes, location: str = "") -> None:
    """Stores an answer with its key, in the transaction of the work."""
    bulk.fetch(KEEP, [status, content_type, body, location, current_company(), row])
