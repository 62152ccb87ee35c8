"""Is this file the one that was issued? Asked by anyone who holds the report, without an account.

The printed address carries company, number and an unguessable key. Whatever is wrong with it, the answer is
the same, so that nothing can be learnt by guessing.
"""

import hashlib
import hmac
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import IO
from uuid import UUID

from django.utils.translation import gettext, gettext_noop

from jobs.tenancy.context import company
from jobs.tenancy.ids import parse_id
from reports import recalled
from reports.models import Issue, IssuedFile, SignatureLevel

CHUNK = 1 << 20
MOST_BYTES = 64 * 1024 * 1024
_NUMBER = re.compile(r"[A-Za-z0-9-]{1,40}")
_PATH = re.compile(r"/check/(?P<company>[a-z2-7]{26})/(?P<number>[A-Za-z0-9-]{1,40})/(?P<key>[\w-]{1,43})/?$")


class Standing(StrEnum):
    """What a file or a printed report is."""

    CURRENT = "current"
    SUPERSEDED = "superseded"
    UNDER_RECALL = "under_recall"
    UNKNOWN = "unknown"


SENTENCES = {
    Standing.CURRENT: gettext_noop(
        "This is the report as it was issued, to the last byte, and it is current."
    ),
    Standing.SUPERSEDED: gettext_noop(
        "This is a report as it was issued, to the last byte; a later revision replaces it."
    ),
    Standing.UNDER_RECALL: gettext_noop(
        "This is the report as it was issued, to the last byte; no later one replaces it."
    ),
    Standing.UNKNOWN: gettext_noop(
        "This file was not issued under this number: it is not ours, or it was altered."
    ),
}


@dataclass(frozen=True)
class Address:
    """Company, number and key as they stand in the printed address; any of them may be wrong."""

    company: str
    number: str
    key: str


@dataclass(frozen=True)
class Signed:
    """How an issued file is signed: level (none, B-B, B-T), by whom, when, SHA-256 of the certificate."""

    level: str = SignatureLevel.NONE.value
    signer: str = ""
    at: datetime | None = None
    fingerprint: str = ""

    @property
    def sentence(self) -> str:
        if self.level == SignatureLevel.NONE:
            return gettext("The file is not signed; its SHA-256 is kept.")
        trusted = self.level == SignatureLevel.B_T
        inside = gettext(
            "The file is signed by %(who)s (PAdES %(level)s: with a trusted time inside the signature)."
        )
        own = gettext("The file is signed by %(who)s (PAdES %(level)s: the time is the signer's own).")
        return (inside if trusted else own) % {"who": self.signer, "level": self.level}


@dataclass(frozen=True)
class Printed:
    """A revision that was issued under the number, with the digest of its file once it is made.

    `recall`: that it is under recall, in a sentence; empty when it is not.
    """

    revision: int
    issued_at: datetime
    snapshot_digest: str
    sha256: str = ""
    recall: str = ""
    signed: Signed | None = None


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
    recall: str = ""


@dataclass(frozen=True)
class Finding:
    """What a file is: its digest, its standing, and which revision when it is one."""

    sha256: str
    standing: Standing
    revision: int | None = None
    issued_at: datetime | None = None
    newest: int | None = None
    recall: str = ""
    signed: Signed | None = None

    @property
    def sentence(self) -> str:
        return f"{gettext(SENTENCES[self.standing])} {self.recall}".strip()


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
        given = address.key.encode()
        meant = [one for one in issued if hmac.compare_digest(one.address_key.encode(), given)]
        notices = recalled.under_recall([one.id for one in issued]) if meant else {}
    recalls = {made: notice.sentence for made, notice in notices.items()}
    return _public(meant[0], issued, recalls) if meant else None


def _public(made: Issue, issued: list[Issue], recalls: Mapping[UUID, str]) -> PublicReport:
    newest = issued[-1].revision.revision
    recall = recalls.get(made.id, "")
    return PublicReport(
        number=made.number,
        company=made.company.name,
        revision=made.revision.revision,
        issued_at=made.issued_at,
        snapshot_digest=made.revision.snapshot_digest,
        standing=_standing(made.revision.revision == newest, recall),
        newest=newest,
        revisions=tuple(_printed(one, recalls.get(one.id, "")) for one in issued),
        recall=recall,
    )


def _standing(newest: bool, recall: str) -> Standing:
    """What was replaced is told as that, with its recall beside it."""
    if not newest:
        return Standing.SUPERSEDED
    return Standing.UNDER_RECALL if recall else Standing.CURRENT


def _printed(made: Issue, recall: str) -> Printed:
    file = next(iter(made.files.all()), None)
    return Printed(
        revision=made.revision.revision,
        issued_at=made.issued_at,
        snapshot_digest=made.revision.snapshot_digest,
        sha256=file.sha256 if file else "",
        recall=recall,
        signed=_signed(file) if file else None,
    )


def _signed(file: IssuedFile) -> Signed:
    return Signed(file.signature_level, file.signer, file.signed_at, file.certificate_fingerprint)


def judge(report: PublicReport, sha256: str) -> Finding:
    """Compares a file's digest with the files issued under the report's number."""
    for one in report.revisions:
        if one.sha256 and hmac.compare_digest(one.sha256, sha256):
            standing = _standing(one.revision == report.newest, one.recall)
            at = one.issued_at
            return Finding(sha256, standing, one.revision, at, report.newest, one.recall, one.signed)
    return Finding(sha256, Standing.UNKNOWN)


def file_digest(file: IO[bytes]) -> str:
    """SHA-256 of a file, read in pieces."""
    digest = hashlib.sha256()
    while chunk := file.read(CHUNK):
        digest.update(chunk)
    return digest.hexdigest()
