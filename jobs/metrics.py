"""What the service counts and times, for operators. Never a company, a person or a figure in a label."""

from prometheus_client import Counter, Histogram

FAST = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
SLOW = (0.05, 0.25, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0, 120.0)

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
