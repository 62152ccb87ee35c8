"""Several acts at once, each on a thread and a database connection of its own."""

import threading
import time
from collections.abc import Callable
from typing import Any

from django.db import connection

from jobs.errors import DomainError


def at_once(
    *acts: Callable[[], Any], told: tuple[type[Exception], ...] = (DomainError,), seconds: float = 60
) -> list[Any]:
    """Runs each in a thread of its own behind one barrier: what each returned or the error it told, in order.

    They are connected before the barrier, so that they meet in the act. Raises what else one raised, and
    AssertionError when one did not end in time.
    """
    barrier, found = threading.Barrier(len(acts)), [None] * len(acts)
    other: list[BaseException] = []

    def run(index: int) -> None:
        try:
            connection.ensure_connection()
            barrier.wait(seconds)
            found[index] = acts[index]()
        except told as error:
            found[index] = error  # type: ignore[call-overload]
        except BaseException as error:  # reported by the calling thread
            other.append(error)
            barrier.abort()
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(n,), daemon=True) for n in range(len(acts))]
    for thread in threads:
        thread.start()
    end = time.monotonic() + seconds
    for thread in threads:
        thread.join(max(0.0, end - time.monotonic()))
    if other:
        raise other[0]
    assert not any(thread.is_alive() for thread in threads), f"not all ended in {seconds} s"
    return found


def wait_until_blocked() -> None:
    """Until some connection waits for a lock that this one holds."""
    for _ in range(500):
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_stat_clear_snapshot()")  # else one who came later is not seen
            cursor.execute(
                "SELECT count(*) FROM pg_stat_activity WHERE pg_backend_pid() = ANY(pg_blocking_pids(pid))"
            )
            if cursor.fetchone()[0]:
                return
        time.sleep(0.01)
    raise AssertionError("nobody waited for the lock")
