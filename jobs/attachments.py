"""Files that come with certificates: what they are by their content, where they lie, and that they are whole.

A file is stored under its company's id and its own id, never under a name from outside.
"""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import IO, Any

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.http import FileResponse
from django.utils.translation import gettext

from jobs.dcc.xml import read_xml
from jobs.errors import Fault, Invalid, NotFound, TooLarge
from jobs.models import Certificate, CertificateFile, FileKind
from jobs.tenancy.context import current_company
from jobs.tenancy.ids import uuid7

MOST_BYTES, MOST_FILES = 8 * 1024 * 1024, 5
_PNG, _JPEG, _PDF = b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"%PDF-"
_XML_STARTS = (b"<", b"\xef\xbb\xbf<", b"\xff\xfe<\0", b"\xfe\xff\0<")
MEDIA = {
    FileKind.PDF: "application/pdf",
    FileKind.PNG: "image/png",
    FileKind.JPEG: "image/jpeg",
    FileKind.XML: "application/xml",
}
_ENDINGS = {FileKind.PDF: "pdf", FileKind.PNG: "png", FileKind.JPEG: "jpg", FileKind.XML: "xml"}
TAKEN = "PDF, PNG, JPEG and XML files are taken"


@dataclass(frozen=True)
class Attachment:
    """A file that was looked at: the name it had, what it is, its bytes."""

    name: str
    kind: FileKind
    data: bytes

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


def read_attachment(name: str, data: bytes, pointer: str = "/file") -> Attachment:
    """Looks at a file from outside. Raises TooLarge, or Invalid when it is none of the kinds or bad XML."""
    if len(data) > MOST_BYTES:
        raise TooLarge(
            gettext("The file has %(count)s bytes; at most %(most_bytes)s are taken. Scan it coarser.")
            % {"count": len(data), "most_bytes": MOST_BYTES}
        )
    if not data:
        raise Invalid(
            gettext("The file is empty."), [Fault(pointer, gettext("is empty; choose the file again"))]
        )
    kind = sniff(data)
    if kind is None:
        raise Invalid(
            gettext("%(taken)s, told by their content.") % {"taken": TAKEN},
            [Fault(pointer, gettext("is none of these: %(taken)s") % {"taken": TAKEN})],
        )
    if kind is FileKind.XML:
        read_xml(data)
    return Attachment(plain_name(name, kind), kind, data)


def sniff(data: bytes) -> FileKind | None:
    """What a file is by its first bytes, whatever its name says."""
    if data.startswith(_PDF):
        return FileKind.PDF
    if data.startswith(_PNG):
        return FileKind.PNG
    if data.startswith(_JPEG):
        return FileKind.JPEG
    start = data[:200].lstrip()
    return FileKind.XML if start.startswith(_XML_STARTS) else None


def plain_name(name: str, kind: FileKind) -> str:
    """The last part of a name, printable, with the ending of what the file is."""
    last = name.replace("\\", "/").rpartition("/")[2]
    kept = "".join(sign for sign in last if sign.isprintable() and sign not in '<>:"|?*').strip(" .")
    stem, dot, ending = kept.rpartition(".")
    if dot and ending.lower() in {*_ENDINGS.values(), "jpeg"}:
        kept = stem
    return f"{kept[:110] or 'certificate'}.{_ENDINGS[kind]}"


def attachment_faults(files: Sequence[Attachment]) -> list[Fault]:
    """What is wrong with the files of one certificate together."""
    found = []
    if len(files) > MOST_FILES:
        found.append(
            Fault(
                "/file",
                gettext("at most %(most_files)s files belong to one certificate")
                % {"most_files": MOST_FILES},
            )
        )
    if len({one.sha256 for one in files}) < len(files):
        found.append(Fault("/file", gettext("one file is there twice")))
    return found


def new_rows(certificate: Certificate, files: Iterable[Attachment]) -> list[CertificateFile]:
    """Unsaved rows of a certificate's files."""
    rows = []
    for one in files:
        row_id = uuid7()
        rows.append(
            CertificateFile(
                id=row_id,
                certificate=certificate,
                name=one.name,
                kind=one.kind,
                size=len(one.data),
                sha256=one.sha256,
                stored=f"certificates/{current_company()}/{row_id}.{_ENDINGS[one.kind]}",
            )
        )
    return rows


def store(rows: Sequence[CertificateFile], files: Sequence[Attachment]) -> None:
    """Writes the files to the storage; the last step of entering, for a storage rolls nothing back. When one
    fails, those before it are removed again."""
    done: list[str] = []
    try:
        for row, one in zip(rows, files, strict=True):
            name = default_storage.save(row.stored, ContentFile(one.data))
            done.append(name)
            if name != row.stored:
                raise FileExistsError(row.stored)
    except BaseException:
        for name in done:
            default_storage.delete(name)
        raise


def opened(row: CertificateFile) -> IO[Any]:
    """The stored file. Raises NotFound when the storage lost it."""
    try:
        return default_storage.open(row.stored)
    except FileNotFoundError:
        raise NotFound(
            gettext("The file is missing from the storage; its digest is kept. Restore it.")
        ) from None


def is_whole(row: CertificateFile) -> bool:
    """Whether the stored file is there and has the digest that its row keeps."""
    if not default_storage.exists(row.stored):
        return False
    with default_storage.open(row.stored) as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == row.sha256


def file_response(row: CertificateFile) -> FileResponse:
    """The file as it was entered, byte for byte, for saving only: no browser opens it in our name."""
    response = FileResponse(
        opened(row), as_attachment=True, filename=row.name, content_type=MEDIA[FileKind(row.kind)]
    )
    response["Cache-Control"] = "private, max-age=3600"
    response["ETag"] = f'"{row.sha256}"'
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response
