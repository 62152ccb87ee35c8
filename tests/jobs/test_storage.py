"""Files are on the disk before anybody is told that they are stored."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from jobs.storage import LastingStorage


def noting(synced: list[tuple[str, bytes]]) -> Callable[[int], None]:
    """An fsync that notes of what, and what a file held then."""

    def fsync(number: int) -> None:
        path = Path(os.readlink(f"/proc/self/fd/{number}"))
        synced.append((str(path), path.read_bytes() if path.is_file() else b""))

    return fsync


def test_P1_a_file_and_the_folders_that_lead_to_it_are_synced_when_all_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[tuple[str, bytes]] = []
    monkeypatch.setattr(os, "fsync", noting(synced))
    storage = LastingStorage(location=tmp_path / "media")
    name = storage.save("photos/a company/one.jpg", ContentFile(b"x" * 300_000))
    place = tmp_path / "media" / name
    assert synced[0] == (str(place), b"x" * 300_000)
    folders = [tmp_path / "media", tmp_path / "media" / "photos", place.parent]
    assert [path for path, _ in synced[1:]] == [str(one) for one in reversed(folders)]


def test_a_second_of_the_name_is_kept_beside_it(tmp_path: Path) -> None:
    storage = LastingStorage(location=tmp_path)
    first, second = (storage.save("a/b.pdf", ContentFile(data)) for data in (b"1", b"2"))
    assert first != second
    assert [storage.open(name).read() for name in (first, second)] == [b"1", b"2"]


def test_the_service_stores_so() -> None:
    assert isinstance(default_storage, LastingStorage)
