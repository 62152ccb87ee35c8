"""Which files of the storage belong to a company, told by its rows: scans, photos, prints, reports."""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from uuid import UUID

from django.core.files.storage import default_storage
from django.db.models import Exists, OuterRef

from jobs.models import CertificateFile
from measurements.models import Photo, PhotoChange, PhotoChangeKind
from reports.models import IssuedFile, PhotoChoice
from reports.photos import print_name

CHUNK = 1 << 20
_PART = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,120}")


@dataclass(frozen=True)
class Kept:
    """A file that a row speaks of: its place in the storage and the SHA-256 that the row keeps."""

    name: str
    sha256: str

    def fault(self) -> str:
        """What is wrong with it in the storage, in words; empty when it is whole."""
        if not default_storage.exists(self.name):
            return "missing"
        with default_storage.open(self.name) as file:
            whole = hashlib.file_digest(file, "sha256").hexdigest() == self.sha256
        return "" if whole else "altered"


def kept() -> Iterator[Kept]:
    """Every file of the current company, each once; not those of erased photos. Memory holds the names."""
    seen: set[str] = set()
    for one in _named():
        if one.name not in seen:
            seen.add(one.name)
            yield one


def _named() -> Iterator[Kept]:
    gone = PhotoChange.objects.filter(kind=PhotoChangeKind.ERASED)
    photos = Photo.objects.exclude(stored="").exclude(Exists(gone.filter(photo=OuterRef("id"))))
    prints = PhotoChoice.objects.exclude(print_digest="")
    prints = prints.exclude(Exists(gone.filter(photo=OuterRef("photo_id"))))
    for rows in (
        CertificateFile.objects.order_by("id").values_list("stored", "sha256"),
        photos.order_by("id").values_list("stored", "digest"),
        IssuedFile.objects.order_by("id").values_list("name", "sha256"),
    ):
        for name, sha256 in rows.iterator(chunk_size=2000):
            yield Kept(name, sha256)
    for photo, sha256 in prints.order_by("id").values_list("photo_id", "print_digest").iterator():
        yield Kept(print_name(photo, sha256), sha256)


def lying(company_id: UUID) -> Iterator[str]:
    """Every file in the places of a company, also those of which no row speaks: what was put there by a
    process that was killed before it could write the row."""
    for room in _listed("")[0]:
        yield from lying_in(f"{room}/{company_id}")


def lying_in(folder: str) -> Iterator[str]:
    """Every file below a folder of the storage."""
    folders, names = _listed(folder)
    yield from (f"{folder}/{name}" for name in names)
    for inner in folders:
        yield from lying_in(f"{folder}/{inner}")


def _listed(folder: str) -> tuple[list[str], list[str]]:
    """Folders and files in a folder of the storage; none where there is none."""
    try:
        return default_storage.listdir(folder)
    except FileNotFoundError:
        return [], []


def is_place_of(name: str, company_id: UUID) -> bool:
    """Whether a name is a place in the storage that belongs to a company: '<room>/<company>/…', plain."""
    parts = name.split("/")
    plain = all(_PART.fullmatch(part) and ".." not in part for part in parts)
    return plain and len(parts) in (3, 4) and parts[1] == str(company_id) and len(name) <= 200
