"""From a document to the finished file: blocks, parts of about ten pages, contents, join."""

import hashlib
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from reports.document import Document, Issue, digest, photos_of, to_bytes
from reports.render.join import SIGNATURE_FIELD, Attachment, Metadata, join
from reports.render.lists import KIND_WORDS
from reports.render.pages import Entry, blocks, contents, cover
from reports.render.parts import Limits, Part, Presses, RenderFailed
from reports.render.templating import PAPERS, page_rules, part_html
from reports.render.text import anchor, cleaned, shortened

Paper = Literal["A4", "Letter"]
PART_PAGES = 10
_STAMP = "<p>Page of 0123456789</p>"
_FRONT_TRIES = 3


@dataclass(frozen=True, slots=True)
class RenderedReport:
    """The finished file: where it is, how many pages, SHA-256 of its bytes, size in bytes."""

    path: Path
    pages: int
    sha256: str
    size: int
    peak_mb: float = 0.0  # of the largest part


def render_report(
    document: Document,
    issue: Issue | None,
    *,
    workdir: Path,
    readings_csv: bytes,
    paper: Paper = "A4",
    processes: int = 2,
    limits: Limits | None = None,
    pictures: Mapping[str, bytes] = MappingProxyType({}),
) -> RenderedReport:
    """Render a document into `workdir/report.pdf`; without an issue every page says that it is a draft.

    `pictures`: JPEG prints of its photos by their SHA-256; other content never gets in. The same arguments
    give the same bytes. Raises RenderFailed with the part and the reason when a part takes too long or too
    much memory or holds what cannot be shown, and msgspec.ValidationError when the document does not fit its
    own types.
    """
    if paper not in PAPERS:
        raise RenderFailed(f"unknown paper {paper!r}: choose one of {', '.join(PAPERS)}")
    snapshot = to_bytes(document)
    _refuse_twins(document)
    workdir.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory(prefix="parts-", dir=workdir) as scratch,
        Presses(processes, limits or Limits(), _laid_out(document, pictures, scratch)) as presses,
    ):
        work = _Work(
            cleaned(document), issue and cleaned(issue), digest(snapshot), paper, Path(scratch), presses
        )
        parts, stamp = work.parts()
        files = _attachments(snapshot, readings_csv)
        target = Path(scratch) / "report.pdf"
        pages = join(parts, stamp, target, work.metadata(), files)
        data = target.read_bytes()
        path = target.replace(workdir / "report.pdf")
    peak = max(p.peak_mb for p in parts)
    return RenderedReport(path, pages, hashlib.sha256(data).hexdigest(), len(data), peak)


def _laid_out(document: Document, pictures: Mapping[str, bytes], scratch: str) -> Path:
    """The prints that the document shows, in a folder, each under its SHA-256. Raises RenderFailed."""
    folder = Path(scratch) / "pictures"
    folder.mkdir()
    for name in {one.printed for one in photos_of(document) if one.printed}:
        data = pictures.get(name, b"")
        if hashlib.sha256(data).hexdigest() != name:
            raise RenderFailed(f"the print {name[:16]}… of a photo is missing or was altered")
        (folder / name).write_bytes(data)
    return folder


def _refuse_twins(document: Document) -> None:
    """Each sheet needs a destination of its own."""
    seen: dict[str, str] = {}
    for sheet in (s for system in document.systems for s in system.sheets):
        name = anchor(sheet.anchor)
        if not name or name in seen:
            other = f"is that of {seen[name]} too" if name else "has no letter or digit"
            raise RenderFailed(
                f"sheet {sheet.tag}: its anchor {sheet.anchor!r} {other}: give each sheet its own"
            )
        if not sheet.runs:
            raise RenderFailed(f"sheet {sheet.tag} holds no run: a traverse sheet needs at least one")
        seen[name] = sheet.tag


def _attachments(snapshot: bytes, readings: bytes) -> list[Attachment]:
    return [
        Attachment(
            "snapshot.json", snapshot, "application/json", "Source", "Snapshot from which the report was made"
        ),
        Attachment("readings.csv", readings, "text/csv", "Data", "Readings of the report"),
    ]


def pack(sizes: Sequence[int], limit: int = PART_PAGES) -> list[tuple[int, int]]:
    """Ranges of neighbours whose sizes add up to at most `limit` (a larger one stands alone)."""
    ranges, start, total = [], 0, 0
    for k, size in enumerate(sizes):
        if k > start and total + size > limit:
            ranges.append((start, k))
            start, total = k, 0
        total += size
    if sizes:
        ranges.append((start, len(sizes)))
    return ranges


@dataclass(slots=True)
class _Work:
    """One rendering: what all its steps need."""

    document: Document
    issue: Issue | None
    digest: str
    paper: Paper
    folder: Path
    presses: Presses
    labels: dict[str, str] | None = None

    def parts(self) -> tuple[list[Part], Path]:
        """All parts in order, and the one-line part for the page numbers."""
        pieces = list(blocks(self.document, self.issue, self.digest))
        entries = [e for piece in pieces for e in piece.entries]
        self.labels = {e.anchor: e.title for e in entries} | {
            k: v for piece in pieces for k, v in piece.labels.items()
        }
        bodies = ["".join(p.html for p in pieces[a:b]) for a, b in pack([p.pages for p in pieces])]
        names = [f"{k:03d}" for k in range(1, len(bodies) + 1)]
        jobs = [self._job(name, body) for name, body in zip(names, bodies, strict=True)]
        small = [self._stamp(), self._job("front", self._front(entries, {}))]
        *rest, stamp, front = self.presses.render([*jobs, *small])  # the small ones fill the gaps at the end
        return [self._numbered_front(entries, front, rest), *rest], stamp.path

    def _numbered_front(self, entries: Sequence[Entry], front: Part, rest: Sequence[Part]) -> Part:
        """Cover and contents with the page numbers; again if the numbers changed its length."""
        for _ in range(_FRONT_TRIES):
            numbers: dict[str, int] = {}
            at = front.pages
            for part in rest:
                numbers |= {name: at + page + 1 for name, page in part.anchors.items()}
                at += part.pages
            before = front.pages
            front = self.presses.render([self._job("front", self._front(entries, numbers))])[0]
            if front.pages == before:
                return front
        raise RenderFailed("the contents page does not settle at one length")

    def _front(self, entries: Sequence[Entry], numbers: dict[str, int]) -> str:
        return cover(self.document, self.issue, self.digest) + contents(entries, numbers)

    def _job(self, name: str, body: str) -> tuple[str, Path]:
        html = part_html(self.title, self.document.company.language, self.paper, self._rules(), body)
        return html, self.folder / f"{name}.pdf"

    def _stamp(self) -> tuple[str, Path]:
        """A page without running heads, so that its only font is that of the footer."""
        language = self.document.company.language
        return part_html("Page numbers", language, self.paper, "", _STAMP), self.folder / "stamp.pdf"

    @property
    def title(self) -> str:
        """Title of the file."""
        number = f"{self.issue.number}, " if self.issue else ""
        return shortened(f"{number}{self.document.report.title}: {self.document.report.project}", 200)

    def _rules(self) -> str:
        if self.issue is None:
            right, foot = f"Draft, not issued · {self.document.report.job}", "Draft, not issued"
        else:
            words = KIND_WORDS[self.document.kind]
            right = f"{words} {self.issue.number} · revision {self.issue.revision}"
            foot = f"sha256 {self.digest[:32]}"
        return page_rules(self.paper, shortened(self.document.company.name, 60), shortened(right, 52), foot)

    def metadata(self) -> Metadata:
        """What the join writes about the file; the time comes from the content, never from the clock."""
        r = self.document.report
        made = r.approved.at or datetime.combine(r.measured_to, time(), UTC)
        return Metadata(
            title=self.title,
            author=self.document.company.name,
            made=self.issue.issued_at if self.issue else made,
            language=self.document.company.language,
            labels=self.labels or {},
            signature_field=SIGNATURE_FIELD if self.issue and self.issue.to_be_signed else "",
        )
