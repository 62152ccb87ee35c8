"""Serves IBM Plex from its packages among the static files, so that no font stands in this repository."""

from collections.abc import Iterable, Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from django.contrib.staticfiles.finders import BaseFinder
from django.core.files.storage import FileSystemStorage

FACES = {
    "flow/plex-sans.ttf": ("fontpkg_ibm_plex_sans", "IBMPlexSans[wdth,wght].ttf"),
    "flow/plex-sans-italic.ttf": ("fontpkg_ibm_plex_sans", "IBMPlexSans-Italic[wdth,wght].ttf"),
    "flow/plex-mono.ttf": ("fontpkg_ibm_plex_mono", "IBMPlexMono-Regular.ttf"),
}


def face(name: str) -> Path:
    """Where a face lies. Raises KeyError for a name that is none, FileNotFoundError without the package."""
    package, file = FACES[name]
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        raise FileNotFoundError(f"the package {package} is not installed: install requirements.txt")
    return Path(spec.origin).parent / "files" / file


class Packaged(FileSystemStorage):
    """The faces under the names that the stylesheet uses; for reading only."""

    def path(self, name: str) -> str:
        return str(face(name))


class FontFinder(BaseFinder):
    """Finds the faces for collectstatic and for serving during development."""

    storage = Packaged()

    def check(self, **kwargs: Any) -> list[Any]:
        return []

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:
        found = [str(face(path))] if path in FACES else []
        return found if find_all else (found[0] if found else [])

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterator[tuple[str, Packaged]]:
        for name in FACES:
            yield name, self.storage
