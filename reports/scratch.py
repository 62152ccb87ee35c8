"""Folders for what is made before it is kept: removed at the end, and after a process that was killed."""

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_PREFIX = "flowledger-work-"


@contextmanager
def scratch(above: Path | None = None) -> Iterator[Path]:
    """An empty folder of this machine; those whose process is dead are removed by the way.

    `above`: where it is made, by default among temporary files, which may lie in memory. A living process
    holds a lock on its folder, which ends with it however it ends.
    """
    above = above or Path(tempfile.gettempdir())
    above.mkdir(parents=True, exist_ok=True)
    _sweep(above)
    folder, lock = _held(above)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.close(lock)


def _held(above: Path) -> tuple[Path, int]:
    """A folder and the lock on it."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=above))
        try:
            lock = _locked(folder, fcntl.LOCK_EX)
        except FileNotFoundError:
            continue  # somebody else swept between the two steps
        if folder.exists():
            return folder, lock
        os.close(lock)


def _locked(folder: Path, how: int) -> int:
    number = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    try:
        fcntl.flock(number, how)
    except BaseException:
        os.close(number)
        raise
    return number


def _sweep(above: Path) -> None:
    for left in above.glob(f"{_PREFIX}*/"):
        with suppress(OSError):  # somebody else's, in use, or gone meanwhile
            lock = _locked(left, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(left, ignore_errors=True)
            os.close(lock)
