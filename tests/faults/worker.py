"""Worker's and beat's Celery application with places where a worker can be told to kill itself, and a defect.

A file named by FAULT_AT_FILE holds the name of a place; the worker that comes there first removes the file
and dies as by a power cut. Production runs config.celery, which knows nothing of this.
"""

import os
import select
import signal
import time
from pathlib import Path
from typing import Any
from uuid import UUID

import django
from celery.signals import beat_init, worker_init

from config.celery import app

FILE = Path(os.environ.get("FAULT_AT_FILE", "/nonexistent"))


def at(place: str) -> None:
    """Dies here when told to."""
    try:
        if FILE.read_text() != place:
            return
        FILE.unlink()
    except OSError:
        return
    os.kill(os.getpid(), signal.SIGKILL)


def sleep_by_select() -> None:
    """Under libfaketime Python's own sleep fails: its end is told by a clock that is not faked."""

    def sleep(seconds: float) -> None:
        select.select([], [], [], seconds)

    time.sleep = sleep


def install() -> None:
    """Wraps what the worker does with the places."""
    from jobs import due
    from reports import issue

    do, finish, render = due.do, due.Claim.finish, issue.render_report

    def doing(company_id: UUID, piece: Any) -> None:
        at("claimed")
        do(company_id, piece)
        at("after_commit")

    def finishing(claim: Any) -> None:
        finish(claim)
        at("before_commit")

    def rendering(*args: Any, **options: Any) -> Any:
        at("rendering")
        return render(*args, **options)

    due.do, issue.render_report = doing, rendering
    due.Claim.finish = finishing  # type: ignore[method-assign,assignment]


def register_poison() -> None:
    """Kinds of work that can't be done: it loops, it kills its worker, it eats memory."""
    from jobs import due

    def loop(claim: Any) -> None:
        while True:
            hash(claim)

    def die(claim: Any) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    def eat(claim: Any) -> None:
        eaten = []
        while True:
            eaten.append(bytearray(1 << 26))

    for kind, handler in zip(("faults.loop", "faults.die", "faults.eat"), (loop, die, eat), strict=True):
        due.handler(kind)(handler)


@beat_init.connect
@worker_init.connect
def bear_other_clocks(**_: Any) -> None:
    if "LD_PRELOAD" in os.environ:
        sleep_by_select()


@worker_init.connect
def ready(**_: Any) -> None:
    django.setup()
    install()
    register_poison()


@app.task(name="faults.evaluate")
def evaluate(company_id: str, ids: list[str]) -> None:
    """The defect 'straight': work that stands in the queue only."""
    from jobs.tenancy.context import company
    from measurements.evaluate import evaluate_session

    with company(UUID(company_id)):
        for one in ids:
            evaluate_session(UUID(one))
