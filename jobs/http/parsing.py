"""JSON from outside, read strictly: what a lenient reader would guess at is refused with a reason."""

import json
import math
from collections.abc import Mapping
from typing import IO, Any

from django.core.exceptions import RequestDataTooBig
from django.http import UnreadablePostError
from django.utils.translation import gettext_noop
from rest_framework.parsers import BaseParser
from rest_framework.request import Request

from jobs.errors import DomainError, TooLarge

DEPTH = 32


class BadJson(DomainError):
    status, code, title = 400, "bad-json", gettext_noop("The body is not proper JSON")


class BadEncoding(DomainError):
    status, code, title = (
        415,
        "unsupported-media-type",
        gettext_noop("This kind of body is not understood here"),
    )


def read_json(body: bytes) -> Any:
    """The value of a JSON text (RFC 8259) in UTF-8.

    Raises BadJson for a byte order mark, other encodings, doubled names, NaN and Infinity, numbers that no
    float holds, lone surrogates, the character NUL and nesting deeper than 32.
    """
    if body.startswith(b"\xef\xbb\xbf"):
        raise BadJson("The body starts with a byte order mark; send plain UTF-8 without one.")
    try:
        value = json.loads(
            body.decode("utf-8"),
            object_pairs_hook=_object,
            parse_constant=_no_constant,
            parse_float=_number,
            parse_int=_whole,
        )
    except UnicodeDecodeError as error:
        raise BadJson(f"The body is not UTF-8 (byte {error.start}).") from None
    except json.JSONDecodeError as error:
        raise BadJson(f"{error.msg} at line {error.lineno}, column {error.colno}.") from None
    except RecursionError:
        raise _too_deep() from None
    _check(value)
    return value


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        double = next(name for name in names if names.count(name) > 1)
        raise BadJson(f"The name {double[:80]!r} stands twice in one object; which one counts is not clear.")
    return found


def _no_constant(text: str) -> None:
    raise BadJson(f"{text} is not a number in JSON; leave the field out or send null where that is allowed.")


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise BadJson(f"The number {text[:40]} is too large.")
    return value


def _whole(text: str) -> int:
    if len(text) > 20:
        raise BadJson(f"The number {text[:20]}… has too many digits.")
    return int(text)


def _too_deep() -> BadJson:
    return BadJson(f"The body is nested more than {DEPTH} deep.")


def _check(value: Any) -> None:
    """Depth and texts, level by level."""
    level, depth = [value], 0
    while level:
        if depth > DEPTH:
            raise _too_deep()
        below: list[Any] = []
        for item in level:
            if isinstance(item, dict):
                below.extend(item)
                below.extend(item.values())
            elif isinstance(item, list):
                below.extend(item)
            elif isinstance(item, str):
                _check_text(item)
        level, depth = below, depth + 1


def _check_text(text: str) -> None:
    halves = () if text.isascii() else (letter for letter in text if "\ud800" <= letter <= "\udfff")
    if "\0" in text or any(halves):
        raise BadJson("A text holds the character NUL or half a surrogate pair, which cannot be stored.")


def body_of(request: Request) -> bytes:
    """The bytes of the body, once, within the size limit. Raises TooLarge, BadEncoding or BadJson."""
    encoding = request.headers.get("Content-Encoding", "identity").strip().lower()
    if encoding != "identity":
        raise BadEncoding("Send the body as it is, without Content-Encoding.")
    try:
        return bytes(request._request.body)
    except RequestDataTooBig:
        raise TooLarge("The body is larger than this service takes. Send it in smaller parts.") from None
    except UnreadablePostError:
        raise BadJson("The body ended early; send it again.") from None


class StrictJsonParser(BaseParser):
    """The only parser of the REST doors."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        request: Request = (parser_context or {})["request"]
        charset = (request._request.content_params or {}).get("charset", "utf-8").lower()
        if charset not in {"utf-8", "utf8"}:
            raise BadEncoding("Send JSON in UTF-8.")
        return read_json(body_of(request))
