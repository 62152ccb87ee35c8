"""Stacks of real processes in tests: one for all journeys in browsers, others where a stack is broken.

The database is migrated once in a run, then copied, since migrating takes a quarter of a minute. The copy is
what `pg_dump` makes of the first stack's database before anything is in it, so rows, rights and policies are
those that `migrate` made.
"""

import fcntl
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import psycopg

from config.local.postgres import PACKAGED
from config.local.stack import Stack, free_port, start_all, test_services
from tests.pages.seeds import planter

PROGRAMS = PACKAGED / "pginstall" / "bin"
SWEEP_SECONDS = 2
"""What waits for another try comes soon; a stack with nothing to do takes some hundredths of a processor."""
RECEIVERS = "127.0.0.4/30"
"""Where tests/webhooks/receivers.py listens."""
_migrate = Stack.migrate


@contextmanager
def shared() -> Iterator[Stack]:
    """A stack in which companies of many tests stand side by side."""
    with test_services() as made:
        made.environment |= {"SWEEP_SECONDS": str(SWEEP_SECONDS), "WEBHOOK_TEST_NETWORKS": RECEIVERS}
        start_all(made, free_port())
        with planter(made):
            yield made


def migrate_once() -> None:
    """From now on stacks of this test run take the copy, once there is one."""
    Stack.migrate = _migrated  # type: ignore[assignment,method-assign]


def _migrated(stack: Stack) -> None:
    place = os.environ.get("VAR_ROOT")  # of the run, whose end removes it
    if not place or not stack.owner_url or _has_tables(stack):
        _migrate(stack)
        return
    copy = Path(place) / "migrated.sql"
    with copy.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not copy.exists():
            _migrate(stack)
            _run("pg_dump", stack, "--file", f"{copy}.part")
            os.replace(f"{copy}.part", copy)
            return
    _run(
        "psql", stack, "--quiet", "--set", "ON_ERROR_STOP=1", "--single-transaction",
        "--output", os.devnull, "--file", str(copy),
    )  # fmt: skip


def _has_tables(stack: Stack) -> bool:
    with psycopg.connect(stack.owner_url) as owner:
        return owner.execute("SELECT to_regclass('django_migrations')").fetchone() != (None,)


def _run(program: str, stack: Stack, *words: str) -> None:
    """As the administrator, whom row security does not hold."""
    url = urlsplit(stack.owner_url)
    where = parse_qs(url.query)
    at = ["--host", where["host"][0], "--port", where["port"][0], "--username", "postgres"]
    command = [str(PROGRAMS / program), *at, *words, url.path.lstrip("/")]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
