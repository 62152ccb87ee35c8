"""Two questions a supervisor asks: is the process alive (/healthz), and can it serve (/readyz).

/readyz also tells, for operators to read, whether a disk is nearly full and how long due work has waited.
"""

import logging
from collections.abc import Callable
from typing import Any

from django.core.cache import cache
from django.db import connection, transaction
from django.http import HttpRequest, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from jobs import clock, disk

logger = logging.getLogger(__name__)


@transaction.non_atomic_requests
@require_safe
@never_cache
def live(request: HttpRequest) -> JsonResponse:
    """200 as long as the process answers; touches nothing else."""
    return JsonResponse({"status": "ok"})


def database_answers() -> None:
    """Raises when the database does not answer a query inside a transaction."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("select 1")


def valkey_answers() -> None:
    """Raises when the cache does not answer."""
    cache.get("readyz")


def clock_is_right() -> None:
    """Raises when the clock is off by more than some seconds from the database's."""
    if clock.look():
        raise ValueError("the clock is wrong")


DUE_STANDING = "due:standing"
"""Where the sweep of due work keeps what it found: `work_oldest_seconds`."""


def standing() -> dict[str, Any]:
    """What does not decide whether this process can serve. Lag of due work in seconds; None: not known."""
    try:
        lag = (cache.get(DUE_STANDING) or {}).get("work_oldest_seconds")
    except Exception:  # without the cache nothing is known of it
        lag = None
    return {"disk": "nearly full" if disk.is_nearly_full() else "ok", "due_work_lag_s": lag}


CHECKS: dict[str, Callable[[], None]] = {
    "database": database_answers,
    "valkey": valkey_answers,
    "clock": clock_is_right,
}
FAILED = {"clock": "wrong, or not known"}


def answer(name: str, check: Callable[[], None]) -> str:
    """Whether a part is as it should be. Why it is not is for the log, not for strangers."""
    try:
        check()
    except Exception:  # any failure at all means "not ready"
        logger.warning("%s is not as it should be", name, exc_info=True)
        return FAILED.get(name, "no answer")
    return "ok"


@transaction.non_atomic_requests
@require_safe
@never_cache
def ready(request: HttpRequest) -> JsonResponse:
    """200 when database and Valkey answer and the clock is right, else 503; says each, then what stands."""
    answers = {name: answer(name, check) for name, check in CHECKS.items()}
    good = all(value == "ok" for value in answers.values())
    content = {"status": "ok" if good else "not ready", **answers, **standing()}
    return JsonResponse(content, status=200 if good else 503)
