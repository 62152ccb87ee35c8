"""Ends work that takes too long, from within, so that its failure is recorded and its worker lives."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def limited(seconds: float) -> Iterator[None]:
    """Raises TimeoutError in the block when it lasts longer. Only a process's main thread can be ended so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, frame: FrameType | None) -> None:
        raise TimeoutError(f"not done within {seconds:g} s")

    before = signal.signal(signal.SIGALRM, end)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
