"""Where files lie: scans, photos, reports."""

import os
from pathlib import Path
from typing import Any

from django.core.files.storage import FileSystemStorage


class LastingStorage(FileSystemStorage):
    """A folder whose files are on the disk before anybody is told that they are stored.

    Django's own leaves that to the system's next half minute: a power cut would take photos and signed
    reports whose rows the database holds.
    """

    def _save(self, name: str, content: Any) -> str:
        saved: str = super()._save(name, content)  # type: ignore[misc]
        root, path = Path(self.location), Path(self.path(saved))
        for place in (path, *path.parents):
            sync(place)
            if place == root:
                break
        return saved


def sync(place: Path) -> None:
    """A file's content, or a folder's list of files, is on the disk when this returns."""
    number = os.open(place, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
