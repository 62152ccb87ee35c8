"""Lists as NDJSON: all rows in one answer, a JSON object a line, memory flat.

Each chunk is read in a transaction of its own, since the request's has ended when the body is sent, and for
whom the token stands is asked again each time. The last line, `{"end": {"items": n}}`, says that nothing was
cut off; whoever does not see it goes on with `?after=`.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from django.http import StreamingHttpResponse
from rest_framework.request import Request
from rest_framework.utils.encoders import JSONEncoder

from jobs.access import Action, Actor, may, still_there
from jobs.errors import Fault, Invalid
from jobs.tenancy.context import company

MEDIA_TYPE = "application/x-ndjson"
CHUNK = 500
Shown = Callable[[list[Any]], Sequence[dict[str, Any]]]


def is_wanted(request: Request) -> bool:
    """Whether NDJSON is asked for. Raises Invalid for parameters that only pages have."""
    if request.method != "GET" or MEDIA_TYPE not in request.headers.get("Accept", ""):
        return False
    faults = [
        Fault(f"query:{name}", "A stream gives all items; leave this out.")
        for name in ("limit", "before")
        if name in request.query_params
    ]
    if faults:
        raise Invalid("These parameters are for pages, not for a stream.", faults)
    return True


def as_lines(actor: Actor, action: Action, chunks: Iterator[list[Any]], show: Shown) -> StreamingHttpResponse:
    """The answer: every row of `chunks` as `show` has it, as long as the actor may do `action`."""
    response = StreamingHttpResponse(_lines(actor, action, chunks, show), content_type=MEDIA_TYPE)
    response.headers["Cache-Control"] = "private, no-store"
    response.headers["X-Accel-Buffering"] = "no"
    return response


def _lines(actor: Actor, action: Action, chunks: Iterator[list[Any]], show: Shown) -> Iterator[bytes]:
    encode = JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode
    sent = 0
    while True:
        with company(actor.company_id):
            now = still_there(actor)
            if now is None or not may(now, action):
                return  # without the last line: the receiver sees that it was cut
            rows = next(chunks, None)
            if rows is None:
                break
            text = "".join(f"{encode(one)}\n" for one in show(rows))
        sent += len(rows)
        yield text.encode()
    yield f"{encode({'end': {'items': sent}})}\n".encode()
