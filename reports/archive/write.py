"""Writes a whole company into one archive, of one state of the database, with flat memory."""

import hashlib
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
from django.conf import settings
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.migrations.loader import MigrationLoader
from django.utils import timezone

from jobs import events
from jobs.models import Company, UnnumberedEvent
from jobs.tenancy.context import current_company
from measurements.calc import CALCULATION_VERSION
from reports.archive import files, manifest, tables
from reports.evidence import left_out as left_out_digests
from reports.evidence import one_snapshot

README = """\
A company's whole data, as it stood at one moment. manifest.json tells what is here: each member with its
size and SHA-256, a JSON Schema for each table, what was left out and why. tables/ holds a file a table, one
row a line of JSON. files/ holds scans, photos and reports under the names that the rows give. What was
posted by tablets stands, byte for byte, in the column body of tables/measurements_batch.jsonl (zlib, base64).
"""


@dataclass(frozen=True)
class Written:
    """What an archive came out as."""

    manifest: manifest.Manifest
    manifest_digest: str
    size: int

    @property
    def row_count(self) -> int:
        return sum(one.rows for one in self.manifest.members)

    @property
    def file_count(self) -> int:
        return sum(one.name.startswith("files/") for one in self.manifest.members)


def write(path: Path, beat: Callable[[], None] = lambda: None) -> Written:
    """Writes the current company to `path` (ZIP64). `beat` is called now and then while it goes on."""
    number_events()
    with (
        one_snapshot(current_company()),
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive,
    ):
        made = _write(archive, beat)
        data = manifest.encode(made)
        _add(archive, manifest.NAME, [data])
    return Written(made, manifest.digest(data), path.stat().st_size)


def number_events() -> None:
    """Numbers what waits, so that the export's head covers what was done before it was begun."""
    done = 1
    while done:
        with transaction.atomic():
            done = events.sequence()


def _write(archive: zipfile.ZipFile, beat: Callable[[], None]) -> manifest.Manifest:
    house, (number, mac) = Company.objects.get(), events.chain_head()
    members = [_add(archive, "README.txt", [README.encode()])]
    members += [_add_table(archive, table, beat) for table in tables.tables()]
    lost = []
    for one in files.kept():
        beat()
        if what := one.fault():
            lost.append(manifest.Lost(one.name, one.sha256, what))
        else:
            members.append(_add_file(archive, one))
    return manifest.Manifest(
        company=manifest.House(house.id, house.name),
        origin=settings.PUBLIC_URL,
        made_at=timezone.now(),
        code=code(),
        chain=manifest.Chain(number, mac, UnnumberedEvent.objects.count()),
        members=members,
        schemas={table.name: table.schema() for table in tables.tables()},
        left_out=left_out(),
        lost=lost,
    )


def code() -> manifest.Code:
    leaves = MigrationLoader(None, ignore_no_migrations=True).graph.leaf_nodes()
    own = {app: name for app, name in leaves if app in ("jobs", "measurements", "reports")}
    return manifest.Code(own, CALCULATION_VERSION)


def left_out() -> list[manifest.LeftOut]:
    """Everything that the export does not hold."""
    named = [*tables.LEFT_OUT_TABLES.items(), *tables.SECRETS.items(), *tables.ELSEWHERE]
    return [manifest.LeftOut(what, reason) for what, reason in named]


def _add_table(archive: zipfile.ZipFile, table: tables.Table, beat: Callable[[], None]) -> manifest.Member:
    count = 0

    def chunks() -> Iterator[bytes]:
        nonlocal count
        known = left_out_digests().get(table.name, {}) if any(c.digest for c in table.columns) else {}
        for lines in tables.rows(table):
            lines = [_with_digests(line, known) for line in lines] if known else lines
            count += len(lines)
            beat()
            yield b"\n".join(lines) + b"\n"

    made = _add(archive, f"tables/{table.name}.jsonl", chunks())
    made.table, made.rows = table.name, count
    return made


def _with_digests(line: bytes, known: Mapping[str, Mapping[str, str]]) -> bytes:
    """A row with the digests of what did not come here either, as they came."""
    row = msgspec.json.decode(line)
    told = {f"{name}_sha256": sha256 for name, sha256 in known.get(row["id"], {}).items()}
    return msgspec.json.encode({**row, **told})


def _add_file(archive: zipfile.ZipFile, one: files.Kept) -> manifest.Member:
    with closing(default_storage.open(one.name)) as file:
        return _add(archive, f"files/{one.name}", _read(file), packed=False)


def _read(file: Any) -> Iterator[bytes]:
    while chunk := file.read(files.CHUNK):
        yield chunk


def _add(
    archive: zipfile.ZipFile, name: str, chunks: Iterable[bytes], *, packed: bool = True
) -> manifest.Member:
    """Writes one member chunk by chunk, counted and hashed on the way."""
    size, found = 0, hashlib.sha256()
    with archive.open(name if packed else zipfile.ZipInfo(name), "w", force_zip64=True) as member:
        for chunk in chunks:
            member.write(chunk)
            found.update(chunk)
            size += len(chunk)
    return manifest.Member(name, size, found.hexdigest())
