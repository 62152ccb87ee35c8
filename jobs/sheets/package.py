"""The zip archive an XLSX file is, opened so that no archive can cost more than its limits."""

import io
import posixpath
import zipfile
import zlib
from collections.abc import Iterator
from typing import Any, Protocol
from xml.parsers import expat

from django.utils.translation import gettext

from jobs.sheets.grid import refuse

MOST_MEMBERS = 500
MOST_UNPACKED = 64 * 1024 * 1024
MOST_PART = 24 * 1024 * 1024
MOST_RATIO = 200
MOST_ELEMENTS = 1_600_000
MOST_DEPTH = 60
MOST_TOKEN = 1024 * 1024
_CHUNK = 64 * 1024
_ENCRYPTED = 0x1
DAMAGED = "is damaged or no workbook; open it in a spreadsheet and save it anew as .xlsx"
BOMB = "unpacks to far more than a schedule holds; copy the table into a new workbook"


class Handler(Protocol):
    """What a part's reader does at each tag; `names` come without their namespace."""

    def start(self, name: str, attributes: dict[str, str]) -> None: ...
    def end(self, name: str) -> None: ...
    def text(self, data: str) -> None: ...


class Package:
    """A workbook's parts by path. Raises Invalid for archives that are damaged, locked or bombs."""

    def __init__(self, data: bytes) -> None:
        try:
            self.archive = zipfile.ZipFile(io.BytesIO(data))
        except (zipfile.BadZipFile, ValueError, NotImplementedError):
            raise refuse("file", DAMAGED) from None
        members = self.archive.infolist()
        if len(members) > MOST_MEMBERS or sum(member.file_size for member in members) > MOST_UNPACKED:
            raise refuse("file", BOMB)
        self.members = {member.filename: member for member in members}
        if len(self.members) != len(members):
            raise refuse(
                "file", gettext("holds two parts of one name; open it in a spreadsheet and save it anew")
            )

    def has(self, path: str) -> bool:
        return path in self.members

    def read(self, path: str, handler: Handler) -> None:
        """Feeds a part through an XML parser that takes no document type, hence no entities."""
        parser, fed = _parser(handler), 0
        try:
            for chunk in self._chunks(path):
                parser.Parse(chunk, False)
                fed += len(chunk)
                if fed - parser.CurrentByteIndex > MOST_TOKEN:  # one tag without end, parsed again each time
                    raise refuse("file", BOMB)
            parser.Parse(b"", True)
        except Stop:
            return
        except (expat.ExpatError, zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError):
            raise refuse("file", DAMAGED) from None

    def _chunks(self, path: str) -> Iterator[bytes]:
        member = self.members.get(path)
        if member is None:
            raise refuse("file", DAMAGED)
        if member.flag_bits & _ENCRYPTED:
            raise refuse("file", gettext("is locked with a password; save it without one"))
        if member.file_size > min(MOST_PART, max(1, member.compress_size) * MOST_RATIO + 100_000):
            raise refuse("file", BOMB)
        with self.archive.open(member) as part:
            while chunk := part.read(_CHUNK):
                yield chunk


class Stop(Exception):
    """A handler has all that it wants."""


def _parser(handler: Handler) -> Any:
    """An expat parser for a handler; local names only, since two families of namespaces are in use."""
    names: dict[str, str] = {}
    left, depth = MOST_ELEMENTS, 0

    def local(name: str) -> str:
        return names.get(name) or names.setdefault(name, name.rpartition(" ")[2])

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal left, depth
        left -= 1
        depth += 1
        if left < 0 or depth > MOST_DEPTH:
            raise refuse("file", BOMB)
        handler.start(names.get(name) or local(name), attributes)

    def end(name: str) -> None:
        nonlocal depth
        depth -= 1
        handler.end(names.get(name) or local(name))

    def no_document_type(*ignored: Any) -> None:
        raise refuse(
            "file", gettext("holds a document type declaration, which no workbook needs; save it anew")
        )

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.CommentHandler = lambda data: None
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler = handler.text
    parser.StartDoctypeDeclHandler = no_document_type
    return parser


class Relations:
    """Handler of a .rels part: targets by id and by the last word of their type."""

    def __init__(self, base: str) -> None:
        self.base, self.by_id, self.by_type = base, {}, {}  # type: str, dict[str, str], dict[str, str]

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "Relationship" and attributes.get("TargetMode") != "External":
            target = posixpath.normpath(posixpath.join("/" + self.base, attributes.get("Target", ""))).lstrip(
                "/"
            )
            self.by_id[attributes.get("Id", "")] = target
            self.by_type[attributes.get("Type", "").rpartition("/")[2]] = target

    def end(self, name: str) -> None: ...

    def text(self, data: str) -> None: ...


def relations(package: Package, path: str) -> Relations:
    """What a part points to, e.g. of "xl/workbook.xml"; paths from the archive's root."""
    folder, _, name = path.rpartition("/")
    found = Relations(folder)
    package.read(posixpath.join(folder, "_rels", f"{name}.rels"), found)
    return found
