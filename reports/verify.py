"""Is this file the one that was issued? Asked by anyone who holds the report, without an account.

The printed address carries company, number and an unguessable key. Whatever is wrong with it, the answer is
the same, so that nothing can be learnt by guessing.
"""

import hashlib
import hmac
import re
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import IO

from jobs.tenancy.context import company
from jobs.tenancy.ids import parse_id
from reports.models import Issue

CHUNK = 1 << 20
MOST_BYTES = 64 * 1024 * 1024
_NUMBER = re.compile(r"[A-Za-z0-9-]{1,40}")
_PATH = re.compile(r"/check/(?P<company>[a-z2-7]{26})/(?P<number>[A-Za-z0-9-]{1,40})/(?P<key>[\w-]{1,43})/?$")


class Standing(StrEnum):
    """What a file or a printed report is."""

    CURRENT = "current"
    SUPERSEDED = "superseded"
    UNKNOWN = "unknown"


SENTENCES = {
    Standing.CURRENT: "This is the report as it was issued, to the last byte, and it is current.",
    Standing.SUPERSEDED: "This is a report as it was issued, to the last byte; a later revision replaces it.",
    Standing.UNKNOWN: "This file was not issued under this number: it is not ours, or it was altered.",
}


@dataclass(frozen=True)
class Address:
    """Company, number and key as they stand in the printed address; any of them may be wrong."""

    company: str
    number: str
    key: str


@dataclass(frozen=True)
class Printed:
    """A revision that was issued under the number, with the digest of its file once it is made."""

    revision: int
    issued_at: datetime
    snapshot_digest: str
    sha256: str = ""


@dataclass(frozen=True)
class PublicReport:
    """What the public page tells of a report."""

    number: str
    company: str
    revision: int
    issued_at: datetime
    snapshot_digest: str
    standing: Standing
    newest: int
    revisions: tuple[Printed, ...]


@dataclass(frozen=True)
class Finding:
    """What a file is: its digest, its standing, and which revision when it is one."""

    sha256: str
    standing: Standing
    revision: int | None = None
    issued_at: datetime | None = None
    newest: int | None = None

    @property
    def sentence(self) -> str:
        return SENTENCES[self.standing]


def parse_address(text: str) -> Address | None:
    """Reads a printed address or its path; None when it is not one."""
    match = _PATH.search(text.strip()[:400])
    return Address(match["company"], match["number"], match["key"]) if match else None


def find(address: Address) -> PublicReport | None:
    """The report at a public address; None for an unknown company, number or key alike."""
    try:
        company_id = parse_id(address.company)
    except ValueError:
        return None
    if not _NUMBER.fullmatch(address.number):
        return None
    with company(company_id):
        rows = Issue.objects.filter(number=address.number).select_related("company", "revision")
        rows = rows.defer("revision__snapshot", "revision__readings_csv").prefetch_related("files")
        issued = sorted(rows, key=lambda made: int(made.revision.revision))
    meant = [one for one in issued if hmac.compare_digest(one.address_key.encode(), address.key.encode())]
    return _public(meant[0], issued) if meant else None


def _public(made: Issue, issued: list[Issue]) -> PublicReport:
    newest = issued[-1].revision.revision
    return PublicReport(
        number=made.number,
        company=made.company.name,
        revision=made.revision.revision,
        issued_at=made.issued_at,
        snapshot_digest=made.revision.snapshot_digest,
        standing=Standing.CURRENT if made.revision.revision == newest else Standing.SUPERSEDED,
        newest=newest,
        revisions=tuple(_printed(one) for one in issued),
    )


def _printed(made: Issue) -> Printed:
    file = next(iter(made.files.all()), None)
    return Printed(
        revision=made.revision.revision,
        issued_at=made.issued_at,
        snapshot_digest=made.revision.snapshot_digest,
        sha256=file.sha256 if file else "",
    )


def judge(report: PublicReport, sha256: str) -> Finding:
    """Compares a file's digest with the files issued under the report's number."""
    for one in report.revisions:
        if one.sha256 and hmac.compare_digest(one.sha256, sha256):
            current = one.revision == report.newest
            standing = Standing.CURRENT if current else Standing.SUPERSEDED
            return Finding(sha256, standing, one.revision, one.issued_at, report.newest)
    return Finding(sha256, Standing.UNKNOWN)


def file_digest(file: IO[bytes]) -> str:
    """SHA-256 of a file, read in pieces."""
    digest = hashlib.sha256()
    while chunk := file.read(CHUNK):
        digest.update(chunk)
    return digest.hexdigest()
