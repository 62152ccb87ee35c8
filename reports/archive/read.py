"""Opens an export that came from outside: trusted in nothing until every byte of it was held against the
manifest, and the manifest against the digest that its owner told.
"""

import hashlib
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO
from uuid import UUID

import msgspec

from jobs.errors import Invalid
from reports.archive import files, tables
from reports.archive.manifest import MOST_BYTES, NAME, Manifest, Member, decode
from reports.archive.manifest import digest as digest_of

MOST_MEMBERS = 2_000_000
MOST_LINE = 128 * 1024 * 1024
MOST_CHUNK = 8 * 1024 * 1024
FILES, TABLES, README = "files/", "tables/", "README.txt"


@dataclass(frozen=True)
class Archive:
    """An export whose every member was checked."""

    zip: zipfile.ZipFile
    manifest: Manifest
    digest: str

    @property
    def company_id(self) -> UUID:
        return self.manifest.company.id

    @property
    def files(self) -> dict[str, Member]:
        """Members that are files of the storage, by their place there."""
        named = {one.name: one for one in self.manifest.members}
        return {name.removeprefix(FILES): one for name, one in named.items() if name.startswith(FILES)}

    def lines(self, table: tables.Table, size: int = 500) -> Iterator[list[bytes]]:
        """Rows of a table, some at a time, never many bytes."""
        chunk: list[bytes] = []
        held = 0
        with self.zip.open(f"{TABLES}{table.name}.jsonl") as member:
            while line := member.readline(MOST_LINE):
                chunk.append(line.rstrip(b"\n"))
                held += len(line)
                if len(chunk) >= size or held > MOST_CHUNK:
                    yield chunk
                    chunk, held = [], 0
        if chunk:
            yield chunk

    @contextmanager
    def file(self, name: str) -> Iterator[IO[bytes]]:
        with self.zip.open(FILES + name) as member:
            yield member


@contextmanager
def opened(path: Path, digest: str) -> Iterator[Archive]:
    """An export after all checks that need no database. `digest`: SHA-256 of its manifest, as told by whoever
    made it, by another way than the file. Raises Invalid with what is wrong; then nothing was stored.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            found = _manifest(archive, digest.strip().lower())
            _check_names(archive, found)
            _check_tables(found)
            for one in found.members:
                _check(archive, found, one)
            yield Archive(archive, found, digest.strip().lower())
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, UnicodeDecodeError) as error:
        raise Invalid(f"The file is no whole ZIP archive of an export: {error}") from None


def _manifest(archive: zipfile.ZipFile, digest: str) -> Manifest:
    if len(archive.infolist()) > MOST_MEMBERS:
        raise Invalid(f"The archive has more than {MOST_MEMBERS} members.")
    try:
        with archive.open(NAME) as member:
            data = member.read(MOST_BYTES + 1)
    except KeyError:
        raise Invalid(f"The archive has no {NAME}: it is no export.") from None
    if len(data) > MOST_BYTES:
        raise Invalid(f"{NAME} is too large.")
    if digest_of(data) != digest:
        raise Invalid(
            f"{NAME} has the SHA-256 {digest_of(data)}, not the one you gave. The file is "
            "another one, or it was altered: ask whoever made it."
        )
    return decode(data)


def _check_names(archive: zipfile.ZipFile, found: Manifest) -> None:
    """The archive holds what the manifest names, once each, and every name is a plain place."""
    there = [info.filename for info in archive.infolist()]
    named = [NAME, *(one.name for one in found.members)]
    for names, where in ((there, "the archive"), (named, NAME)):
        if len(set(names)) != len(names):
            raise Invalid(f"A name stands twice in {where}.")
    if odd := sorted(set(there) ^ set(named)):
        raise Invalid(f"Archive and {NAME} do not name the same members: {_few(odd)}.")
    expected = {README, *(f"{TABLES}{table.name}.jsonl" for table in tables.tables())}
    plain = {one.name for one in found.members if not one.name.startswith(FILES)}
    if odd := sorted(plain ^ expected):
        raise Invalid(f"Tables do not fit this service: {_few(odd)}. Bring both to the same version.")
    places = [one.name.removeprefix(FILES) for one in found.members if one.name.startswith(FILES)]
    if odd := [name for name in places if not files.is_place_of(name, found.company.id)]:
        raise Invalid(f"Files lie at places that are not this company's: {_few(odd)}.")


def _check_tables(found: Manifest) -> None:
    """Both sides describe every table alike, so that each column has its place."""
    own = {table.name: table.schema() for table in tables.tables()}
    if odd := sorted(name for name in own.keys() | found.schemas.keys()
                     if own.get(name) != found.schemas.get(name)):  # fmt: skip
        raise Invalid(
            f"These tables are made in another way here: {_few(odd)}. Bring both to the same version "
            f"(the export was written by {found.code.migrations})."
        )


def _few(names: list[str]) -> str:
    return ", ".join(name[:80] for name in names[:5]) + (" …" if len(names) > 5 else "")


def _check(archive: zipfile.ZipFile, found: Manifest, one: Member) -> None:
    """Size, digest and, of a table, every row. Stops reading at the size that the manifest tells."""
    with archive.open(one.name) as member:
        counted = _Counted(member, one)
        name = one.name.removeprefix(TABLES).removesuffix(".jsonl")
        known = {table.name: table for table in tables.tables()}
        if one.name.startswith(TABLES):
            _check_rows(counted, one, known[name], found.company.id)
        else:
            while counted.read():
                pass
        counted.check()


class _Counted:
    """Reads a member, counts and hashes what comes."""

    def __init__(self, member: IO[bytes], told: Member) -> None:
        self.member, self.told, self.size, self.sha256 = member, told, 0, hashlib.sha256()

    def _took(self, data: bytes) -> bytes:
        self.size += len(data)
        if self.size > self.told.size:
            raise Invalid(f"{self.told.name} is longer than its manifest says.")
        self.sha256.update(data)
        return data

    def read(self) -> bytes:
        return self._took(self.member.read(min(files.CHUNK, self.told.size - self.size + 1)))

    def line(self) -> bytes:
        return self._took(self.member.readline(min(MOST_LINE, self.told.size - self.size + 1)))

    def check(self) -> None:
        if self.size != self.told.size or self.sha256.hexdigest() != self.told.sha256:
            raise Invalid(f"{self.told.name} does not have the size and SHA-256 that its manifest tells.")


def _check_rows(counted: _Counted, one: Member, table: tables.Table, company_id: UUID) -> None:
    decoder: msgspec.json.Decoder[msgspec.Struct] = msgspec.json.Decoder(table.shape)
    own: Callable[[msgspec.Struct], UUID] = lambda row: getattr(row, table.company)  # noqa: E731
    count = 0
    while line := counted.line():
        count += 1
        if not line.endswith(b"\n"):
            raise Invalid(f"{one.name}, line {count}: is cut off or too long.")
        try:
            row = decoder.decode(line)
        except (msgspec.MsgspecError, UnicodeDecodeError) as error:
            raise Invalid(f"{one.name}, line {count}: {error}") from None
        if own(row) != company_id:
            raise Invalid(f"{one.name}, line {count}: the row belongs to another company.")
    if (count, one.table) != (one.rows, table.name):
        raise Invalid(f"{one.name} has {count} rows, its manifest tells {one.rows}.")
