"""Keeps clear of a full disk: what could not be stored whole is refused before it starts.

A database whose disk is full goes down, and a half-written file is none. So a share of every disk that this
process can see stays free: requests that write are refused, and due work waits, until there is room again.
"""

import os
from pathlib import Path

from django.conf import settings

from jobs.errors import Busy

RETRY_AFTER_S = 30
NEARLY_FULL = (
    "The disk of this service is nearly full, so nothing new is stored for now."
    " All that is stored stays and can be read; send this again later."
)


def watched() -> list[Path]:
    """Folders that this service writes to, and further ones that DISK_WATCHED names."""
    own: list[str | Path] = [settings.VAR_ROOT, settings.MEDIA_ROOT, settings.ANCHOR_FILE.parent]
    return list(dict.fromkeys(Path(one) for one in [*own, *settings.DISK_WATCHED]))


def free_share(folder: Path) -> float | None:
    """What is free of a folder's disk for this process, 0 to 1; None when it cannot be known."""
    try:
        found = os.statvfs(folder)
    except OSError:
        return None
    return found.f_bavail / found.f_blocks if found.f_blocks else None


def is_nearly_full() -> bool:
    """Whether one of the disks has less free than the installation keeps."""
    least = settings.DISK_FREE_PERCENT / 100
    shares = (free_share(folder) for folder in watched())
    return any(share is not None and share < least for share in shares)


def require_room() -> None:
    """Raises Busy when a disk is nearly full."""
    if is_nearly_full():
        raise Busy(NEARLY_FULL, retry_after=RETRY_AFTER_S)
