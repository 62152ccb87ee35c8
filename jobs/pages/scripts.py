"""Serves the browser's scripts that set-up fetched, so that no script of others stands in this repository."""

import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from django.contrib.staticfiles.finders import BaseFinder
from django.core.files.storage import FileSystemStorage

PLACE = Path(sys.prefix) / "share" / "flowledger" / "scripts"
FOLDER = "scripts/"


class Fetched(FileSystemStorage):
    """The scripts under the names that pages use; for reading only."""

    def path(self, name: str) -> str:
        return str(PLACE / name.removeprefix(FOLDER))


class ScriptFinder(BaseFinder):
    """Finds them for collectstatic and for serving during development."""

    storage = Fetched()

    def check(self, **kwargs: Any) -> list[Any]:
        return []

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:
        found = [str(PLACE / path.removeprefix(FOLDER))] if path in _names() else []
        return found if find_all else (found[0] if found else [])

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterator[tuple[str, Fetched]]:
        for name in _names():
            yield name, self.storage


def _names() -> list[str]:
    return sorted(f"{FOLDER}{file.name}" for file in PLACE.glob("*.js"))
