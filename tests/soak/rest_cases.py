"""Requests made by schemathesis from the published OpenAPI document, sent to the service itself.

Half of them are as the document allows, half break it somewhere. Ids of an address are often the company's
own, so that what stands behind them is reached. Each request's work is undone.
"""

import json
import random
from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from typing import Any
from urllib.parse import quote, urlencode

import schemathesis
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test.client import BOUNDARY, MULTIPART_CONTENT, encode_multipart
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.core import NOT_SET

from tests.doors import walk
from tests.factories import World
from tests.soak.silence import inside

schemathesis.serializer.alias("application/partial-upload", "application/octet-stream")
PREFIX = "/api/v1"
BULK = {"/field/batches"}
"""Operations with a body so deep that a case takes long to make: they get fewer."""


@dataclass
class Found:
    """Counts, and each case that went wrong in a form that can be sent again."""

    cases: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    unlike: list[str] = field(default_factory=list)


@cache
def operations() -> tuple[Any, ...]:
    """Each operation of the document."""
    document = json.loads(json.dumps(walk.schema(), default=str))
    found = schemathesis.openapi.from_dict(document).get_all_operations()
    return tuple(one.ok() for one in found)


def run(world: World, a_operation: int, number: int, *, part: float = 1.0) -> Found:
    """So many cases for each operation, drawn by a seed. `part`: of the operations."""
    found, own = Found(), walk.ids_of(world)
    chosen = list(operations())
    random.Random(number).shuffle(chosen)
    for operation in chosen[: max(1, round(len(chosen) * part))]:
        few = max(1, a_operation // 4) if operation.path.removeprefix(PREFIX) in BULK else a_operation
        _try(world, operation, few, number, own, found)
    return found


def _try(world: World, operation: Any, cases: int, number: int, own: dict[str, Any], found: Found) -> None:
    action = walk.needed().get((operation.method.upper(), operation.path.removeprefix(PREFIX)))
    caller = walk.caller_for(world, action)
    modes = [GenerationMode.POSITIVE, GenerationMode.NEGATIVE]
    cases_of = st.one_of(*(operation.as_strategy(generation_mode=mode) for mode in modes))

    @seed(number)
    @settings(
        max_examples=cases, database=None, deadline=None, derandomize=False, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=cases_of, known=st.sampled_from((True, True, False)))
    def one(case: Any, known: bool) -> None:
        _send(caller, case, own if known else {}, found)

    try:
        one()
    except Exception as error:  # a schema that cannot be broken has no negative cases
        if "Unsatisfiable" not in type(error).__name__:
            raise


def _send(caller: Any, case: Any, own: dict[str, Any], found: Found) -> None:
    names = {**(case.path_parameters or {}), **own}
    path = case.operation.path
    for name, value in names.items():
        path = path.replace("{" + name + "}", quote(str(value), safe=""))
    query = urlencode(dict(case.query or {}), doseq=True, errors="surrogatepass")
    body, kind = _body(case)
    headers = {
        k: v for k, v in dict(case.headers or {}).items() if k.lower() not in ("authorization", "cookie")
    }
    headers = {k: str(v) for k, v in headers.items() if "\n" not in str(v) and "\r" not in str(v)}
    if random.Random(found.cases).random() < 0.7:  # most carry what the door wants besides
        headers |= {"Idempotency-Key": f"case-{found.cases}", "If-Match": '"1"'}
    with transaction.atomic():
        answer = caller.client.generic(
            case.method, path + (f"?{query}" if query else ""), body, content_type=kind,
            headers={**headers, **caller.headers},
        )  # fmt: skip
        content = b"".join(answer.streaming_content) if answer.streaming else answer.content
        transaction.set_rollback(True)
    _judge(case, path, query, body, answer, content, found)


def _body(case: Any) -> tuple[bytes, str]:
    body, kind = case.body, case.media_type or "application/json"
    if body is NOT_SET or body is None:
        return b"", kind
    if isinstance(body, bytes):
        return body, kind
    if kind == "multipart/form-data" and isinstance(body, dict):
        parts = {name: _part(name, value) for name, value in body.items() if value is not None}
        return encode_multipart(BOUNDARY, parts), MULTIPART_CONTENT
    if kind.endswith("json"):
        return json.dumps(body, default=str).encode("utf-8", "surrogatepass"), kind
    return str(body).encode("utf-8", "surrogatepass"), kind


def _part(name: str, value: Any) -> Any:
    """A field of a form as text, or a file where the document has one."""
    if isinstance(value, bytes):
        return SimpleUploadedFile(f"{name}.bin", value)
    text = value if isinstance(value, str) else json.dumps(value, default=str)
    return text.encode("utf-8", "surrogatepass").decode("utf-8", "replace")


def _judge(case: Any, path: str, query: str, body: bytes, answer: Any, content: bytes, found: Found) -> None:
    told = f"{case.method} {path}?{query} {body[:2000]!r} -> {answer.status_code} {content[:300]!r}"
    found.cases += 1
    found.statuses[answer.status_code] += 1
    if answer.status_code >= 500:
        found.failures.append(told)
    if answer.status_code >= 400:
        if answer["Content-Type"] != "application/problem+json":
            found.unlike.append(told)
        if hit := inside(content, f"{path}{query}{body!r}"):
            found.told.append(f"{hit!r} in {told}")
