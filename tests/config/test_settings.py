"""The settings as a process meets them at start: whole, or refused."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
GOOD = {
    "PATH": "/usr/bin:/bin",
    "SECRET_KEY": "k" * 60,
    "EVENT_CHAIN_KEY": "ZXZlbnRzIGFyZSBjaGFpbmVkIHdpdGggdGhpcyBrZXk=",
    "PUBLIC_URL": "https://flow.example.org",
    "DATABASE_URL": "postgresql://flowledger_app:x@db:5432/flowledger",
    "REDIS_URL": "redis://valkey:6379/0",
}
SHOW = """
import json, config.settings as s
print(json.dumps({name: value for name, value in vars(s).items() if name.isupper()}, default=str))
"""


def start(environment: dict[str, str]) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-c", SHOW], env=environment, cwd=ROOT, capture_output=True, text=True
    )


def settings(**changes: str) -> dict:
    done = start(GOOD | changes)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_production_is_safe_without_further_settings() -> None:
    found = settings()
    assert found["DEBUG"] is False
    assert found["ALLOWED_HOSTS"] == ["flow.example.org"]
    assert found["CSRF_TRUSTED_ORIGINS"] == ["https://flow.example.org"]
    secure = ("SESSION_COOKIE_SECURE", "CSRF_COOKIE_SECURE", "SECURE_SSL_REDIRECT")
    assert [found[name] for name in secure] == [True, True, True]
    assert found["SECURE_HSTS_SECONDS"] >= 31_536_000
    assert "SECURE_PROXY_SSL_HEADER" not in found
    assert found["DATABASES"]["default"]["ATOMIC_REQUESTS"] is True


def test_a_pool_replaces_lasting_connections() -> None:
    database = settings(DATABASE_POOL="4")["DATABASES"]["default"]
    assert database["OPTIONS"]["pool"]["max_size"] == 4
    assert database["CONN_MAX_AGE"] == 0


def test_slow_tasks_end_before_the_queue_would_give_them_to_another_worker() -> None:
    found = settings()
    visible_again = found["CELERY_BROKER_TRANSPORT_OPTIONS"]["visibility_timeout"]
    assert found["CELERY_TASK_SOFT_TIME_LIMIT"] < found["CELERY_TASK_TIME_LIMIT"] < visible_again


@pytest.mark.parametrize("name", ["SECRET_KEY", "EVENT_CHAIN_KEY", "PUBLIC_URL", "DATABASE_URL", "REDIS_URL"])
def test_what_is_required_is_named_when_missing(name: str) -> None:
    done = start({k: v for k, v in GOOD.items() if k != name})
    assert done.returncode != 0
    assert f"{name} is not set" in done.stderr


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"SECRET_KEY": "secret"}, "SECRET_KEY is too short"),
        ({"ALLOWED_HOSTS": "*"}, "ALLOWED_HOSTS=*"),
        ({"DEBUG": "perhaps"}, "DEBUG='perhaps'"),
    ],
)
def test_nonsense_is_refused_at_start(change: dict[str, str], words: str) -> None:
    done = start(GOOD | change)
    assert done.returncode != 0
    assert words in done.stderr


def test_debugging_needs_nothing_and_its_keys_are_new_each_time() -> None:
    first, second = (json.loads(start({"PATH": "/usr/bin:/bin", "DEBUG": "1"}).stdout) for _ in range(2))
    assert first["SECRET_KEY"] != second["SECRET_KEY"]
    assert first["EVENT_CHAIN_KEY"] != second["EVENT_CHAIN_KEY"]
