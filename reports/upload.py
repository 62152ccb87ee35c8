"""Takes a file's SHA-256 while it arrives and keeps nothing of it: neither in memory nor on disk."""

import hashlib
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler
from django.http import HttpRequest
from django.utils.translation import gettext

from jobs.errors import Fault, Invalid, TooLarge
from reports.verify import MOST_BYTES

SPARE_BYTES = 64 * 1024  # of the form round the file


class Digested(UploadedFile):
    """A file of which only name, size and digest are known."""

    def __init__(self, name: str, size: int, sha256: str) -> None:
        super().__init__(file=None, name=name, size=size)
        self.sha256 = sha256


class DigestHandler(FileUploadHandler):
    """Reads a file in pieces into a digest."""

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        super().new_file(*args, **kwargs)
        self.digest, self.read = hashlib.sha256(), 0

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        self.digest.update(raw_data)
        self.read += len(raw_data)

    def file_complete(self, file_size: int) -> Digested:
        return Digested(self.file_name or "", self.read, self.digest.hexdigest())


def digest_only(request: HttpRequest) -> None:
    """Makes the request's files be digested only; before anything of the body is read.

    Raises TooLarge when the request says it is larger than a report can be; a request without a length is
    read to its end by the server's own limit.
    """
    try:
        length = int(request.META.get("CONTENT_LENGTH") or 0)
    except ValueError:
        length = 0
    if length > MOST_BYTES + SPARE_BYTES:
        raise TooLarge(
            gettext("The file is larger than %(most_bytes)s MB; no report is that large.")
            % {"most_bytes": MOST_BYTES // 1024 // 1024}
        )
    request.upload_handlers = [DigestHandler(request)]


def uploaded_digest(files: Any) -> str:
    """The digest of the one file named `file`. Raises Invalid."""
    found = files.get("file")
    if not isinstance(found, Digested) or not found.size:
        raise Invalid(gettext("Choose the report's file."), [Fault("/file", gettext("is missing or empty"))])
    return found.sha256
