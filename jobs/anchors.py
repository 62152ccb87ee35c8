"""Heads of the companies' chains, written down daily in a file outside the database.

Whoever holds the database can cut a chain's tail and set its head back, and every link that is left holds.
The anchors tell: one line of JSON a company and day, each sealed with a keyed MAC over the line before and
itself, so that no line can be changed or taken out unseen. Lines are only added. Keep copies elsewhere, best
where nothing can be removed: only a file that is cut at its end says nothing.
"""

import fcntl
import hmac
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import IO, Any
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from jobs import due, events
from jobs.models import Affiliation
from jobs.storage import sync
from jobs.tenancy.context import company, current_company

ANCHOR = "anchor"
FIRST_SEAL = "0" * 64
BLOCK = 1 << 16
_PURPOSE = b"flowledger anchor\n"


@dataclass(frozen=True)
class Head:
    """A head of the current company's chain that somebody wrote down, and who did."""

    number: int
    mac: str
    source: str


def anchor_file() -> Path:
    return Path(settings.ANCHOR_FILE)


def companies() -> list[UUID]:
    """Every company that has people."""
    return sorted(set(Affiliation.objects.values_list("company_ref", flat=True)))


def due_today() -> list[UUID]:
    """Makes the anchor of the day due for each company that has none yet. Returns which."""
    written = {line["company"] for line in _of_day(_today())}
    late = [one for one in companies() if str(one) not in written]
    for one in late:
        with company(one):
            due.schedule(ANCHOR, one)
    return late


@due.handler(ANCHOR)
def run(claim: due.Claim) -> None:
    """Writes the anchor, then finishes: done twice it is one line."""
    write()
    with transaction.atomic():
        claim.finish()


def write() -> bool:
    """Adds the head of today of the current company; false when it stands there or the log is empty."""
    with transaction.atomic():
        number, mac = events.chain_head()
    if not number:
        return False
    now = timezone.now()
    line = {
        "company": str(current_company()),
        "day": _today().isoformat(),
        "number": number,
        "mac": mac,
        "at": events.stamp(now),
    }
    with _opened() as file:
        for one in _of_day(_today(), file):
            if one["company"] == line["company"]:
                return False
        _add(file, line)
    return True


def _today() -> date:
    return timezone.now().date()


@contextmanager
def _opened() -> Iterator[IO[bytes]]:
    """The file, made if need be, locked against other writers of this machine."""
    path = anchor_file()
    new = not path.exists()
    path.parent.mkdir(parents=True, exist_ok=True)
    with os.fdopen(os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o600), "r+b") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        if new:
            sync(path.parent)
        yield file


def _add(file: IO[bytes], line: dict[str, Any]) -> None:
    """One line, on the disk before this returns. What a crash left of an earlier line gets its end first."""
    before = next(_backwards(file), None)
    line["seal"] = _seal(before["seal"] if before else FIRST_SEAL, line)
    end = file.seek(0, os.SEEK_END)
    file.seek(max(end - 1, 0))
    torn = end > 0 and file.read(1) != b"\n"
    file.write((b"\n" if torn else b"") + events.canonical(line) + b"\n")
    file.flush()
    os.fsync(file.fileno())


def _seal(before: str, line: Mapping[str, Any]) -> str:
    """HMAC-SHA-256 over the seal of the line before and this line's content."""
    content = {name: line[name] for name in ("company", "day", "number", "mac", "at")}
    message = _PURPOSE + before.encode() + b"\n" + events.canonical(content)
    return hmac.digest(settings.EVENT_CHAIN_KEY, message, "sha256").hex()


def _read(text: bytes) -> dict[str, Any] | None:
    """A line; None when it is none, e.g. the torn end of a write that was never answered."""
    try:
        line = json.loads(text)
    except ValueError:
        return None
    names = ("company", "day", "number", "mac", "at", "seal")
    return line if isinstance(line, dict) and all(name in line for name in names) else None


def _backwards(file: IO[bytes]) -> Iterator[dict[str, Any]]:
    """Whole lines from the last to the first."""
    place, rest = file.seek(0, os.SEEK_END), b""
    while place > 0:
        size = min(BLOCK, place)
        place -= size
        file.seek(place)
        pieces = (file.read(size) + rest).split(b"\n")
        rest = pieces[0]
        yield from (line for piece in reversed(pieces[1:]) if (line := _read(piece)))
    if line := _read(rest):
        yield line


def _of_day(day: date, file: IO[bytes] | None = None) -> list[dict[str, Any]]:
    """The lines of a day, which stand at the end."""
    if file is None:
        if not anchor_file().exists():
            return []
        with anchor_file().open("rb") as opened:
            return _of_day(day, opened)
    found = []
    for line in _backwards(file):
        if line["day"] < day.isoformat():
            break
        found.append(line)
    return found


def known() -> tuple[list[Head], list[tuple[int, str]]]:
    """The current company's heads in the file, and what is wrong with the file: number of a line, in words.

    A line whose seal does not hold tells no head.
    """
    heads, broken, before = [], [], FIRST_SEAL
    own = str(current_company())
    for number, line in _lines():
        if not hmac.compare_digest(_seal(before, line), str(line["seal"])):
            broken.append((number, "this line of the anchors was changed, or lines before it were taken out"))
        elif line["company"] == own:
            heads.append(Head(int(line["number"]), str(line["mac"]), f"the anchor of {line['day']}"))
        before = str(line["seal"])
    return heads, broken


def _lines() -> Iterator[tuple[int, dict[str, Any]]]:
    if anchor_file().exists():
        with anchor_file().open("rb") as file:
            for number, text in enumerate(file, 1):
                if line := _read(text):
                    yield number, line


def last_day() -> date | None:
    """The day of the current company's last anchor."""
    own = str(current_company())
    days = [str(line["day"]) for _, line in _lines() if line["company"] == own]
    return datetime.fromisoformat(days[-1]).date() if days else None


def by_number(heads: Iterable[Head]) -> Mapping[int, Sequence[Head]]:
    found: dict[int, list[Head]] = {}
    for head in heads:
        found.setdefault(head.number, []).append(head)
    return found
