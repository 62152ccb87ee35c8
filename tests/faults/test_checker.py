"""The checker's own parts: it sees what it must see."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.faults import checker
from tests.faults.load import Answer, digest_of, is_to_repeat
from tests.faults.run import schedule

PLAIN = """[ERROR] consumer: Connection to broker lost
Traceback (most recent call last):
  File "x.py", line 1, in run
redis.exceptions.ConnectionError: Connection closed by server.

During handling of the above exception, another exception occurred:

Traceback (most recent call last):
  File "y.py", line 2, in run
ValueError: no such thing
"""


def test_every_plain_traceback_and_the_last_of_a_json_line_are_seen() -> None:
    assert list(checker.classes_in(PLAIN.splitlines())) == ["redis.exceptions.ConnectionError", "ValueError"]
    line = json.dumps({"message": "failed", "traceback": PLAIN})
    assert list(checker.classes_in([line, line[:50]])) == ["ValueError"]


def test_only_classes_that_nothing_explains_are_told(tmp_path: Path) -> None:
    log = tmp_path / "web.log"
    log.write_text(PLAIN)
    assert dict(checker.tracebacks([log])) == {"web: ValueError": 1}


@pytest.mark.parametrize(
    ("row", "is_trouble"),
    [
        ({"status": 503, "retry_after": True}, False),
        ({"status": 503, "retry_after": False}, True),
        ({"status": 500, "retry_after": True}, True),
        ({"status": 502, "retry_after": True}, True),
    ],
)
def test_a_failure_that_does_not_say_when_to_come_again_is_trouble(
    row: dict[str, Any], is_trouble: bool
) -> None:
    meant = checker.Meant()
    checker.take(meant, {"what": "status", "path": "/", "told": "", **row})
    assert bool(meant.trouble) is is_trouble


@pytest.mark.parametrize("what", checker.BAD)
def test_what_a_client_saw_that_must_not_be_is_trouble(what: str) -> None:
    meant = checker.Meant()
    checker.take(meant, {"what": what})
    assert meant.trouble


def test_one_digit_makes_another_digest() -> None:
    row = {"run": 1, "line": 1, "point": 1, "quantity": "flow", "unit": "L/s",
           "taken_at": "2026-01-01T00:00:00+00:00"}  # fmt: skip
    one, other = ({"readings": [{**row, "value": value}]} for value in ("89.0", "89.1"))
    assert digest_of(one) != digest_of(other)


def test_a_decision_is_final_and_a_moment_is_asked_again() -> None:
    def answer(status: int, **headers: str) -> Answer:
        return Answer(status, headers, b"", 0.0)

    assert is_to_repeat(answer(503))
    assert is_to_repeat(answer(409, **{"retry-after": "1"}))
    assert not is_to_repeat(answer(409))
    assert not is_to_repeat(answer(422))


def test_the_same_seed_draws_the_same_faults() -> None:
    def drawn(seed: int) -> list[tuple[str, float]]:
        return [(name, draw.random()) for name, draw in schedule(seed, {"F1": 3, "F3": 3})]

    assert drawn(7) == drawn(7)
    assert drawn(7) != drawn(8)
