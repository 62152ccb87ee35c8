"""Processes of the stand: who belongs to whom, and how they are ended. Only what the stand started."""

import ctypes
import os
import signal
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

PR_SET_CHILD_SUBREAPER = 36
END_S = 60


def adopt_orphans() -> None:
    """Orphans of killed services become this process's children, so that it can wait for them."""
    ctypes.CDLL(None, use_errno=True).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def parents() -> dict[int, int]:
    """Parent by process, of all that run."""
    found = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with suppress(OSError):
                fields = (folder / "stat").read_text().rpartition(")")[2].split()
                found[int(folder.name)] = int(fields[1])
    return found


def tree(root: int) -> list[int]:
    """A process and all that came of it, the root first."""
    of, found = parents(), [root]
    for known in found:
        found += [pid for pid, parent in of.items() if parent == known]
    return found


def send(pids: Iterable[int], number: signal.Signals) -> None:
    for pid in pids:
        with suppress(ProcessLookupError):
            os.kill(pid, number)


def is_there(pid: int) -> bool:
    """Whether it still runs; one that has ended and was not waited for does not count."""
    try:
        return (Path("/proc") / str(pid) / "stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def wait_gone(pids: Iterable[int], seconds: float = END_S) -> None:
    """Waits for killed processes to end, taking in those that became ours."""
    left, deadline = set(pids), time.monotonic() + seconds
    while left and time.monotonic() < deadline:
        for pid in list(left):
            with suppress(OSError):  # not our child: its parent waits for it
                os.waitpid(pid, os.WNOHANG)
            if not is_there(pid):
                left.discard(pid)
        time.sleep(0.01)
    assert not left, f"processes {sorted(left)} did not end"
