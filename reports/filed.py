"""What a report's file says about itself: the attached snapshot, the printed digest and the printed address.

Needs no database. A file that was altered and made consistent again is found only by comparing its SHA-256
with the issued one; here it shows when text and attachment do not fit each other.
"""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import pikepdf
from django.utils.translation import gettext

from jobs.errors import Fault, Invalid
from reports import document as doc
from reports.verify import Address, parse_address

SNAPSHOT, READINGS = "snapshot.json", "readings.csv"
MOST_SNAPSHOT = 256 * 1024 * 1024
_DIGEST = re.compile(r"(?=([0-9a-f]{64}))")  # at every place: a figure may stand right before it
_SHOWS = {"Tj", "TJ", "'", '"'}


@dataclass(frozen=True)
class Filed:
    """A report's file, read."""

    snapshot_digest: str
    printed_digests: frozenset[str]
    canonical: bool
    document: doc.Document
    address: Address | None
    has_readings: bool
    pictures: tuple[str, ...] = ()
    """SHA-256 of the photos on the pages, in their order."""

    @property
    def faults(self) -> list[str]:
        """What does not fit together; empty when all does."""
        found = []
        if not self.canonical:
            found.append(f"{SNAPSHOT} is not in its canonical form: it was written by something else")
        if self.snapshot_digest not in self.printed_digests:
            found.append(f"the digest of {SNAPSHOT} is not the one printed in the report")
        if not self.has_readings:
            found.append(f"{READINGS} is not attached")
        return found + self._picture_faults()

    def _picture_faults(self) -> list[str]:
        """Photos that are not those of the snapshot, each in its place."""
        wanted = [one for one in doc.photos_of(self.document) if one.printed]
        if len(wanted) != len(self.pictures):
            return [f"the pages show {len(self.pictures)} photos, {SNAPSHOT} names {len(wanted)}"]
        return [
            f"photo {number} ({one.tag or 'of the job'}) is not the one that {SNAPSHOT} names"
            for number, (one, digest) in enumerate(zip(wanted, self.pictures, strict=True), 1)
            if one.printed != digest
        ]


def read(path: Path) -> Filed:
    """Reads a report's file. Raises Invalid when it is no PDF or carries no snapshot of this service."""
    try:
        with pikepdf.open(path) as pdf:
            return _read(pdf)
    except Invalid:
        raise
    except Exception as error:  # a damaged file breaks its reader anywhere: a number where a font was, say
        what = str(error) or type(error).__name__
        raise Invalid(
            gettext("%(name)s cannot be read as a PDF: %(error)s") % {"name": path.name, "error": what},
            [Fault("/file", gettext("no PDF"))],
        ) from None


def _read(pdf: pikepdf.Pdf) -> Filed:
    if SNAPSHOT not in pdf.attachments:
        raise Invalid(
            gettext("%(snapshot)s is not attached: this is no report.") % {"snapshot": SNAPSHOT},
            [Fault("/file", gettext("no snapshot"))],
        )
    data = pdf.attachments[SNAPSHOT].get_file().read_bytes()
    if len(data) > MOST_SNAPSHOT:
        raise Invalid(
            gettext("%(snapshot)s is far larger than a report's.") % {"snapshot": SNAPSHOT},
            [Fault("/file", gettext("too large"))],
        )
    try:
        document = doc.from_bytes(data)
    except msgspec.MsgspecError as error:
        raise Invalid(
            gettext("%(snapshot)s cannot be read: %(error)s") % {"snapshot": SNAPSHOT, "error": error},
            [Fault("/file", gettext("bad snapshot"))],
        ) from None
    return Filed(
        snapshot_digest=doc.digest(data),
        printed_digests=frozenset(_printed(pdf)),
        canonical=doc.to_bytes(document) == data,
        document=document,
        address=next(_addresses(pdf), None),
        has_readings=READINGS in pdf.attachments,
        pictures=tuple(_pictures(pdf)),
    )


def _addresses(pdf: pikepdf.Pdf) -> Iterator[Address]:
    """Public addresses among the file's links."""
    for page in pdf.pages:
        for link in page.obj.get("/Annots", ()):
            address = link.get("/A", pikepdf.Dictionary()).get("/URI")
            found = parse_address(str(address)) if address is not None else None
            if found is not None:
                yield found


def _pictures(pdf: pikepdf.Pdf) -> Iterator[str]:
    """SHA-256 of every photo that the pages draw, as it lies in the file: its JPEG, byte for byte."""
    for page in pdf.pages:
        objects = page.obj.get("/Resources", pikepdf.Dictionary()).get("/XObject", pikepdf.Dictionary())
        for instruction in pikepdf.parse_content_stream(page, "Do"):
            drawn = objects.get(str(instruction.operands[0])) if instruction.operands else None
            if drawn is not None and drawn.get("/Subtype") == "/Image":
                yield hashlib.sha256(drawn.read_raw_bytes()).hexdigest()


def _printed(pdf: pikepdf.Pdf) -> Iterator[str]:
    """SHA-256 digests in the text of the pages, however they are broken into lines."""
    for page in pdf.pages:
        text = re.sub(r"\s+", "", page_text(page))
        yield from _DIGEST.findall(text)


def page_text(page: pikepdf.Page) -> str:
    """The text of a page in the order of its content, by the fonts' own tables."""
    fonts = page.obj.get("/Resources", pikepdf.Dictionary()).get("/Font", pikepdf.Dictionary())
    tables = {str(name): _to_unicode(fonts[name]) for name in fonts.keys()}  # noqa: SIM118 (no mapping)
    table: dict[bytes, str] = {}
    parts: list[str] = []
    for instruction in pikepdf.parse_content_stream(page):
        operands, name = instruction.operands, str(instruction.operator)
        if name == "Tf":
            table = tables.get(str(operands[0]), {})
        elif name in _SHOWS:
            parts.append(_shown(operands[-1], table))
        elif name in {"ET", "T*", "Td", "TD"}:
            parts.append(" ")
    return "".join(parts)


def _shown(operand: Any, table: dict[bytes, str]) -> str:
    pieces = operand if isinstance(operand, pikepdf.Array) else [operand]
    texts = [bytes(piece) for piece in pieces if isinstance(piece, pikepdf.String)]
    return "".join(
        table.get(text[at : at + 2], "") for text in texts for at in range(0, len(text) - len(text) % 2, 2)
    )


def _to_unicode(font: Any) -> dict[bytes, str]:
    """Two-byte codes of a font and the letters they mean."""
    if "/ToUnicode" not in font:
        return {}
    lines = font.ToUnicode.read_bytes().decode("ascii", "replace").splitlines()
    pairs = (line.split() for line in lines)
    return {
        bytes.fromhex(pair[0][1:-1]): bytes.fromhex(pair[1][1:-1]).decode("utf-16-be", "replace")
        for pair in pairs
        if len(pair) == 2 and pair[0][0] == pair[1][0] == "<" and len(pair[0]) == 6
    }
