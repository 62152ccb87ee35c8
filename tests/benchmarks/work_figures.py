"""Figures of due work: pieces of nothing a second by the database's rows, beside tasks of Celery alone.

Run: python -m tests.benchmarks.work_figures. It starts a PostgreSQL and a Valkey of its own and two workers
of two processes: the service's, and one of a bare application that acknowledges late, as ours does. A worker
is held (SIGSTOP) while its work is sent, then let go until queue and table are empty. Queueing is measured at
40 a second, from before the sending transaction until the handler runs. Both take turns; medians.
"""

import os
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID, uuid4

from celery import Celery
from celery.signals import worker_init

from config.celery import app as service
from tests.benchmarks.intake_figures import figure
from tests.benchmarks.own import ROOT, own_database

PIECES, LOOKS, RATE, ROUNDS, COMPANIES = 1000, 160, 40, 5, 4
NOTHING, TOLD, BARE_QUEUE = "figures.nothing", "figures.told", "figures-bare"
QUEUE = os.environ.get("REDIS_URL", "redis://127.0.0.1:6379/0").replace("unix://", "redis+socket://", 1)

bare = Celery("bare", broker=QUEUE, set_as_current=False)
bare.conf.update(
    task_ignore_result=True, task_acks_late=True, worker_prefetch_multiplier=4, task_serializer="json",
    task_default_queue=BARE_QUEUE, broker_connection_retry_on_startup=True,
)  # fmt: skip


def queue() -> Any:
    import redis

    return redis.Redis.from_url(os.environ["REDIS_URL"])


@bare.task(name=NOTHING)
def nothing() -> None:
    """Bare work."""


@bare.task(name=TOLD)
def told(name: str) -> None:
    queue().hset(TOLD, name, time.time())


@worker_init.connect
def ready(sender: Any, **_: Any) -> None:
    """Our worker learns the same two kinds of work."""
    if sender.app is not service:
        return
    import django

    django.setup()
    from jobs import due

    def do_nothing(claim: due.Claim) -> None:
        finish(claim)

    def tell(claim: due.Claim) -> None:
        told(str(claim.subject_id))
        finish(claim)

    due.handler(NOTHING)(do_nothing)
    due.handler(TOLD)(tell)


def finish(claim: Any) -> None:
    from django.db import transaction

    with transaction.atomic():
        claim.finish()


def main() -> None:
    own_database("config.settings")
    from tests import factories

    worlds = [factories.make_world(f"Figures {n}").id for n in range(COMPANIES)]
    module = "tests.benchmarks.work_figures"
    with worker(f"{module}:service", "default") as ours, worker(f"{module}:bare", BARE_QUEUE) as theirs:
        report(Contenders(worlds, ours, theirs))


@contextmanager
def worker(application: str, name: str) -> Iterator[int]:
    """A worker of two processes; its process group."""
    command = [sys.executable, "-m", "celery", "-A", application, "worker", "--concurrency", "2"]
    command += ["--queues", name, "--hostname", f"{name}@figures", "--loglevel", "ERROR"]
    command += ["--without-gossip", "--without-mingle"]
    process = subprocess.Popen(command, cwd=ROOT, start_new_session=True)
    try:
        yield process.pid
    finally:
        process.terminate()
        process.wait(60)


class Contenders:
    """Ways to have the same work done; each returns pieces a second, or seconds of queueing."""

    def __init__(self, companies: list[UUID], ours: int, theirs: int) -> None:
        self.companies, self.ours, self.theirs = companies, ours, theirs
        self.queue = queue()

    def schedule(self, n: int, kind: str, subject: UUID) -> None:
        from jobs import due
        from jobs.tenancy.context import company

        with company(self.companies[n % len(self.companies)]):
            due.schedule(kind, subject)

    def is_done(self) -> bool:
        from jobs.models import DueWork
        from jobs.tenancy.context import company

        if any(self.queue.llen(name) for name in ("default", BARE_QUEUE)) or self.queue.hlen("unacked"):
            return False
        for one in self.companies:
            with company(one):
                if DueWork.objects.exists():
                    return False
        return True

    def until_done(self) -> None:
        deadline = time.monotonic() + 120
        while not self.is_done():
            if time.monotonic() > deadline:
                raise SystemExit("the work is never done")
            time.sleep(0.02)

    def rate(self, group: int, send: Any) -> float:
        self.until_done()
        os.killpg(group, signal.SIGSTOP)
        for n in range(PIECES):
            send(n)
        began = time.perf_counter()
        os.killpg(group, signal.SIGCONT)
        self.until_done()
        return PIECES / (time.perf_counter() - began)

    def ours_a_second(self) -> float:
        return self.rate(self.ours, lambda n: self.schedule(n, NOTHING, uuid4()))

    def bare_a_second(self) -> float:
        return self.rate(self.theirs, lambda n: nothing.delay())

    def waits(self, send: Any) -> list[float]:
        """Seconds from before the sending until the handler ran, at an even rate."""
        self.until_done()
        self.queue.delete(TOLD)
        sent, start = dict[str, float](), time.time()
        for n in range(LOOKS):
            time.sleep(max(0.0, start + n / RATE - time.time()))
            name = uuid4()
            sent[str(name)] = time.time()
            send(n, name)
        self.until_done()
        ran = {name.decode(): float(at) for name, at in self.queue.hgetall(TOLD).items()}
        return sorted(ran[name] - at for name, at in sent.items())

    def our_waits(self) -> list[float]:
        return self.waits(lambda n, name: self.schedule(n, TOLD, name))

    def bare_waits(self) -> list[float]:
        return self.waits(lambda n, name: told.delay(str(name)))


def report(by: Contenders) -> None:
    time.sleep(5)  # both workers are up
    by.ours_a_second(), by.bare_a_second()  # untimed: connections and plans
    rates, waits = list[tuple[float, float]](), list[tuple[float, float]]()
    for _ in range(ROUNDS):
        rates.append((by.ours_a_second(), by.bare_a_second()))
        late = [sorted(found)[int(0.95 * LOOKS)] for found in (by.our_waits(), by.bare_waits())]
        waits.append((late[0], late[1]))
    for name, at in (("with rows in the database", 0), ("of Celery alone", 1)):
        figure(f"pieces of work a second, {name}", statistics.median(one[at] for one in rates), "1/s")
        figure(f"queueing p95, {name}", 1000 * statistics.median(one[at] for one in waits), "ms")
    figure("due work of Celery alone", statistics.median(a / b for a, b in rates), "x")
    figure("queueing p95 over Celery alone", statistics.median(a / b for a, b in waits), "x")


if __name__ == "__main__":
    main()
