"""Backups and their way back: the database's files with its WAL, and the stored files, all under SHA-256.

    python -m config.backup take --to BACKUPS          a base backup and the files that are not there yet
    python -m config.backup check BACKUPS/2026-03-02T05-00-00Z
    python -m config.backup restore BACKUPS/2026-… --into NEW_DATA_FOLDER --wal ARCHIVE [--until MOMENT]
    python -m config.backup files BACKUPS/2026-… --into MEDIA_FOLDER

A base backup holds every table as it lies on the disk: row-level security hides nothing from it. With the
archived WAL it leads to any moment after it was taken. Where a segment is missing it never ends earlier in
silence: without a moment the restore is refused, with one PostgreSQL itself ends when it can't reach it.
A backup that is not whole is refused before anything is written. BACKUP_URL names a role with REPLICATION,
PG_BIN the folder of PostgreSQL's programs where they are not on the PATH. Stored files never change, so each
is copied once.
"""

import argparse
import hashlib
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

BASE, FILES, LIST, MANIFEST = "base", "files", "files.jsonl", "backup_manifest"
SEGMENT = re.compile(r"[0-9A-F]{24}")
"""Name of a whole segment of the WAL: timeline, and its number in two parts."""


class BackupFault(Exception):
    """What is wrong with a backup, or why none was made."""


def program(name: str) -> str:
    folder = os.environ.get("PG_BIN", "")
    return str(Path(folder) / name) if folder else name


def run(*command: str) -> None:
    """Raises BackupFault with what the program says."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise BackupFault(f"{Path(command[0]).name}: {(done.stderr or done.stdout).strip()[-2000:]}")


def take(to: Path, database: str, media: Path) -> Path:
    """Makes a backup below `to` and returns its folder. A half-made one never gets its name."""
    place = to / f"{datetime.now(UTC):%Y-%m-%dT%H-%M-%SZ}"
    draft = place.with_name(f".{place.name}.draft")
    draft.mkdir(parents=True, mode=0o700)
    base = str(draft / BASE)
    run(
        program("pg_basebackup"), "--dbname", database, "--pgdata", base, "--wal-method", "stream",
        "--checkpoint", "fast", "--manifest-checksums", "SHA256", "--no-password",
    )  # fmt: skip
    # After the database: a file is stored before the row that names it, so none is missing.
    with (draft / LIST).open("w") as names:
        for line in keep_files(media, to / FILES):
            names.write(json.dumps(line) + "\n")
    draft.rename(place)
    check(place)
    return place


def keep_files(media: Path, store: Path) -> Iterator[dict[str, object]]:
    """Copies files that are not kept yet under their digest; yields path, size and SHA-256 of every file."""
    for path in sorted(one for one in media.rglob("*") if one.is_file()):
        digest = digest_of(path)
        kept = store / digest[:2] / digest
        if not kept.exists():
            kept.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            draft = kept.with_suffix(".draft")
            shutil.copyfile(path, draft)
            if digest_of(draft) != digest:
                raise BackupFault(f"{path} changed while it was copied; it should never change")
            draft.rename(kept)
        yield {"path": str(path.relative_to(media)), "size": path.stat().st_size, "sha256": digest}


def digest_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def listed(place: Path) -> Iterator[tuple[str, str]]:
    """Path and digest of every file of a backup."""
    with (place / LIST).open() as names:
        for line in names:
            row = json.loads(line)
            yield row["path"], row["sha256"]


def check(place: Path) -> int:
    """Reads all of it. Returns the number of files; raises BackupFault for the first fault."""
    check_database(place)
    count = 0
    for name, digest in listed(place):
        whole_file(place, name, digest)
        count += 1
    return count


def check_database(place: Path) -> None:
    """Reads the database's part against its manifest. Raises BackupFault for what is missing or altered."""
    if not (place / BASE / MANIFEST).is_file():
        raise BackupFault(f"{place} is no whole backup: it has no {BASE}/{MANIFEST}")
    run(program("pg_verifybackup"), "--exit-on-error", str(place / BASE))


def whole_file(place: Path, name: str, digest: str) -> Path:
    """Where a stored file of a backup is kept. Raises BackupFault when it is missing or altered."""
    kept = place.parent / FILES / digest[:2] / digest
    if not kept.exists():
        raise BackupFault(f"the file of {name} is missing: {kept}")
    if digest_of(kept) != digest:
        raise BackupFault(f"the file of {name} is not what was stored: {kept}")
    return kept


def unreachable(place: Path, wal: Path) -> list[str]:
    """Segments after the backup that the archive lacks or holds cut short, though later ones are there."""
    if not wal.is_dir():
        raise BackupFault(f"{wal} is no folder: --wal names the one that archive_command fills")
    size = next(p.stat().st_size for p in (place / BASE / "pg_wal").iterdir() if SEGMENT.fullmatch(p.name))
    parts = (1 << 32) // size  # of one of the names' two numbers
    timeline, end = end_of(place)
    found, whole = {end // size - 1}, set()
    for path in wal.iterdir():
        if SEGMENT.fullmatch(path.name):
            number = int(path.name[8:16], 16) * parts + int(path.name[16:], 16)
            found.add(number)
            if path.stat().st_size == size:
                whole.add(number)
    return [
        f"{timeline:08X}{number // parts:08X}{number % parts:08X}"
        for number in range(end // size, max(found) + 1)
        if number not in whole
    ]


def end_of(place: Path) -> tuple[int, int]:
    """Timeline and place in the WAL at which a backup ends."""
    told = json.loads((place / BASE / MANIFEST).read_text())["WAL-Ranges"][-1]
    high, low = told["End-LSN"].split("/")
    return int(told["Timeline"]), int(high, 16) << 32 | int(low, 16)


def restore(place: Path, into: Path, wal: Path, until: datetime | None = None) -> list[str]:
    """Makes a data folder in which PostgreSQL recovers when it starts: to the moment, or to the WAL's end.

    Returns the segments that the archive lacks; without a moment they are a BackupFault.
    """
    if into.exists() and any(into.iterdir()):
        raise BackupFault(f"{into} is not empty; a restore never writes over anything")
    check_database(place)
    lacking = unreachable(place, wal)
    if lacking and until is None:
        raise BackupFault(
            f"{wal} lacks {lacking[0]}: all that was written from there on would be missing. Find it, or name"
            " with --until a moment before it"
        )
    shutil.copytree(place / BASE, into, dirs_exist_ok=True, copy_function=shutil.copyfile)
    into.chmod(0o700)
    place_of = f"{shlex.quote(str(wal))}/%f"
    settings = {
        # pg_receivewal calls the segment that it writes .partial
        "restore_command": f"cp {place_of} %p 2>/dev/null || cp {place_of}.partial %p",
        "recovery_target_action": "promote",
    }
    if until is not None:
        settings["recovery_target_time"] = until.astimezone(UTC).isoformat()
    with (into / "postgresql.auto.conf").open("a") as conf:
        for name, value in settings.items():
            quoted = value.replace("'", "''")
            conf.write(f"{name} = '{quoted}'\n")
    (into / "recovery.signal").touch(mode=0o600)
    return lacking


def bring_files(place: Path, into: Path) -> int:
    """Puts the stored files of a backup back, each checked. Returns how many."""
    count = 0
    for name, digest in listed(place):
        target = into / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.exists():
            shutil.copyfile(whole_file(place, name, digest), target)
        if digest_of(target) != digest:
            raise BackupFault(f"{target} is not what was stored")
        count += 1
    return count


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m config.backup", description="Backups and back.")
    parts = parser.add_subparsers(dest="part", required=True)
    one = parts.add_parser("take")
    one.add_argument("--to", type=Path, required=True)
    one.add_argument("--media", type=Path, default=Path(os.environ.get("MEDIA_ROOT", "var/media")))
    parts.add_parser("check").add_argument("place", type=Path)
    one = parts.add_parser("restore")
    one.add_argument("place", type=Path)
    one.add_argument("--into", type=Path, required=True)
    one.add_argument("--wal", type=Path, required=True)
    one.add_argument("--until", type=datetime.fromisoformat)
    one = parts.add_parser("files")
    one.add_argument("place", type=Path)
    one.add_argument("--into", type=Path, required=True)
    given = parser.parse_args(words)
    try:
        print(_done(given))
    except BackupFault as fault:
        print(f"no: {fault}", file=sys.stderr)
        return 1
    return 0


def _done(given: argparse.Namespace) -> str:
    if given.part == "take":
        database = os.environ.get("BACKUP_URL", "")
        if not database:
            raise BackupFault("BACKUP_URL is not set: the address of a role with REPLICATION")
        return f"taken and checked: {take(given.to, database, given.media)}"
    if given.part == "check":
        return f"whole: the database and {check(given.place)} files"
    if given.part == "restore":
        if given.until is not None and given.until.tzinfo is None:
            raise BackupFault("--until needs an offset, e.g. 2026-03-02T08:00:00Z")
        lacking = restore(given.place, given.into, given.wal, given.until)
        if lacking:
            print(f"{given.wal} lacks {lacking[0]}: no moment after it can be reached", file=sys.stderr)
        return f"start PostgreSQL on {given.into}; then run audit_tenancy and verify_evidence"
    return f"{bring_files(given.place, given.into)} files are in {given.into}"


if __name__ == "__main__":
    raise SystemExit(main())
