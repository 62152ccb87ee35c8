"""What the service counts and times, for operators. Never a company, a person or a figure in a label."""

import os

from billiard import current_process
from prometheus_client import Counter, Histogram, values

FAST = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
SLOW = (0.05, 0.25, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0, 120.0)


def own_file() -> int | str:
    """What a process's file of counts is named by: a worker's place in its pool, else the process.

    A pool starts processes anew for ever; each goes on with the counts of the one before it in its place,
    so that neither files nor the time to read them grow.
    """
    place = getattr(current_process(), "index", None)
    return os.getpid() if place is None else f"{os.getppid()}-{place}"


if "PROMETHEUS_MULTIPROC_DIR" in os.environ:
    values.ValueClass = values.MultiProcessValue(own_file)  # type: ignore[no-untyped-call]

REQUESTS = Histogram(
    "flowledger_request_seconds",
    "Time of a request until its answer was ready, by address of the code and class of status.",
    ("method", "route", "status"),
    buckets=FAST,
)
WORK = Histogram(
    "flowledger_work_seconds",
    "Time of one piece of due work, by kind and outcome: done, failed, lost (another worker had it).",
    ("kind", "outcome"),
    buckets=SLOW,
)
PARKED = Counter("flowledger_work_parked", "Work given up after its last attempt, by kind.", ("kind",))
SEALS = Counter("flowledger_events_refused", "Events that waited with a seal that is not the service's own.")
"""Any value above 0 means that somebody wrote into the database past the service."""
