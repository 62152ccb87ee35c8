"""Keeps clear of a wrong clock: moments of evidence, ends of keys and leases are read off this process's own.

The database's clock is the one that all processes share. A process compares its own with it when it starts,
when it jumped (the monotonic clock tells), and whenever it is asked whether it can serve. One that is off
serves nobody and does no work until it is right again, so that another process does.
"""

import logging
import time
from typing import NamedTuple

from django.db import DatabaseError, connection

from jobs.errors import Busy

log = logging.getLogger(__name__)
MOST_OFF_S = 10.0
"""Well below the lease of due work."""
JUMP_S, LOOK_S = 1.0, 2.0
"""What two clocks of a process may part unasked, and what a question may take to be believed."""
RETRY_AFTER_S = 5
WRONG = "The clock of this server is wrong, so it answers nothing for now. Send this again later."


class _Seen(NamedTuple):
    """What was found at the last look: seconds ahead of the database, and of the monotonic clock."""

    ahead: float
    gap: float


_seen: _Seen | None = None


def _wall() -> float:
    return time.clock_gettime(time.CLOCK_REALTIME)


def _gap() -> float:
    return _wall() - time.monotonic()


def _was_wrong() -> bool:
    return _seen is not None and abs(_seen.ahead) > MOST_OFF_S


def look() -> bool:
    """Compares with the database's clock. Returns whether this one is wrong.

    Good to half of what the question takes; a longer one than LOOK_S tells nothing new and is asked again
    next time. Raises DatabaseError.
    """
    global _seen
    before, began = _wall(), time.monotonic()
    with connection.cursor() as cursor:
        cursor.execute("SELECT extract(epoch FROM clock_timestamp())::float8")
        (there,) = cursor.fetchone()
    ahead = 0.5 * (before + _wall()) - there
    if time.monotonic() - began <= LOOK_S:
        _seen = _Seen(ahead, _gap())
        if _was_wrong():
            log.error("the clock is %.0f s ahead of the database's", ahead)
    return _was_wrong()


def is_wrong() -> bool:
    """Whether the clock is off; asks the database when it jumped since the last look, or was wrong then.

    Without the database nothing new is known, and nothing is stored either.
    """
    if _seen is not None and abs(_gap() - _seen.gap) <= JUMP_S and not _was_wrong():
        return False
    try:
        return look()
    except DatabaseError:
        return _was_wrong()


def require_right() -> None:
    """Raises Busy when the clock is wrong."""
    if is_wrong():
        raise Busy(WRONG, retry_after=RETRY_AFTER_S)
