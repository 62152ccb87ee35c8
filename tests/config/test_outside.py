"""What every answer carries, what a supervisor may ask, and how log lines look."""

import json
import logging
import re

import pytest
from django.core.cache import cache
from django.test import Client
from django.test.utils import override_settings

from config.health import DUE_STANDING
from config.logs import JsonFormatter, request_id
from jobs import disk


def test_live_touches_no_database(client: Client) -> None:
    answer = client.get("/healthz")
    assert (answer.status_code, answer.json()) == (200, {"status": "ok"})


def test_ready(client: Client, transactional_db: None) -> None:
    cache.delete(DUE_STANDING)
    answer = client.get("/readyz")
    assert answer.status_code == 200
    assert answer.json() == {
        "status": "ok", "database": "ok", "valkey": "ok", "clock": "ok", "disk": "ok", "due_work_lag_s": None,
    }  # fmt: skip


def test_ready_tells_how_long_work_waits_and_that_a_disk_is_nearly_full(
    client: Client, transactional_db: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache.set(DUE_STANDING, {"work_oldest_seconds": 41.5})
    monkeypatch.setattr(disk, "free_share", lambda folder: 0.03)
    try:
        answer = client.get("/readyz")
    finally:
        cache.delete(DUE_STANDING)
    assert answer.status_code == 200
    assert (answer.json()["disk"], answer.json()["due_work_lag_s"]) == ("nearly full", 41.5)


def test_not_ready_without_valkey(client: Client, transactional_db: None) -> None:
    gone = {
        "default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": "unix:///no/such"}
    }
    with override_settings(CACHES=gone):
        answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json() == {
        "status": "not ready", "database": "ok", "valkey": "no answer", "clock": "ok", "disk": "ok",
        "due_work_lag_s": None,
    }  # fmt: skip


def test_not_ready_without_database(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone() -> None:
        raise ConnectionError("secret address of the server")

    monkeypatch.setitem(__import__("config.health").health.CHECKS, "database", gone)
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert "secret" not in answer.content.decode()


def test_headers_of_every_answer(client: Client) -> None:
    answer = client.get("/healthz")
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "same-origin"


def test_a_harmless_request_id_is_kept(client: Client) -> None:
    assert (
        client.get("/healthz", headers={"X-Request-ID": "tablet-7.42"}).headers["X-Request-ID"]
        == "tablet-7.42"
    )


@pytest.mark.parametrize("given", ["short", "x" * 65, "with blank", "a\tb-------", '"quoted-text"'])
def test_a_harmful_request_id_is_replaced(client: Client, given: str) -> None:
    assert re.fullmatch(
        r"[0-9a-f]{32}", client.get("/healthz", headers={"X-Request-ID": given}).headers["X-Request-ID"]
    )


def line(message: str, **extra: object) -> dict:
    record = logging.getLogger("t").makeRecord("t", logging.INFO, "f", 1, message, (), None, extra=extra)
    text = JsonFormatter().format(record)
    assert "\n" not in text
    return json.loads(text)


def test_a_log_line_is_one_line_of_json_with_the_request_id() -> None:
    token = request_id.set("abc")
    try:
        found = line("two\nlines", company="c1", request="never this", odd=object())
    finally:
        request_id.reset(token)
    assert found["message"] == "two\nlines"
    assert (found["request_id"], found["company"], found["level"]) == ("abc", "c1", "INFO")
    assert "request" not in found


def test_outside_a_request_there_is_no_request_id() -> None:
    assert "request_id" not in line("x")
