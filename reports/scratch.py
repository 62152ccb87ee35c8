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
    with _locked(above / f"{_PREFIX}{os.getuid()}.lock", os.O_RDWR | os.O_CREAT):
        _sweep(above)
        folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=above))
        held = os.open(folder, os.O_RDONLY)
        fcntl.flock(held, fcntl.LOCK_EX)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.close(held)


@contextmanager
def _locked(path: Path, flags: int, how: int = fcntl.LOCK_EX) -> Iterator[None]:
    number = os.open(path, flags | os.O_NOFOLLOW, 0o600)
    try:
        fcntl.flock(number, how)
        yield
    finally:
        os.close(number)


def _sweep(above: Path) -> None:
    for left in above.glob(f"{_PREFIX}*/"):
        # somebody else's, in use, or gone meanwhile
        with suppress(OSError), _locked(left, os.O_RDONLY, fcntl.LOCK_EX | fcntl.LOCK_NB):
            shutil.rmtree(left)
