"""What a photo's file is by its content: JPEG, PNG or WebP, one picture, whole, and nothing else in it.

A tablet draws each photo anew before it is kept, so that place, time and camera are gone from the file. A
file that still holds them is refused and not cleaned here: what was sent is what is kept, under one digest,
and what must not be kept never lies here at all.

Formats: ITU-T T.81 (JPEG), PNG third edition (W3C), RFC 9649 (WebP).
"""

import io
import struct
import warnings
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from django.utils.translation import gettext, gettext_noop
from PIL import Image

from jobs.errors import Fault, Invalid
from measurements.models import PhotoType

MOST_BYTES = 8 * 1024 * 1024
MOST_PIXELS = 4096 * 4096
MOST_PROFILE = 64 * 1024
TAKEN = "JPEG, PNG and WebP photos are taken"
STRIP = "draw the photo anew without metadata, as the tablet's page does, and send that"
_PNG = b"\x89PNG\r\n\x1a\n"
_FORMATS = {PhotoType.JPEG: "JPEG", PhotoType.PNG: "PNG", PhotoType.WEBP: "WEBP"}
ENDINGS = {PhotoType.JPEG: "jpg", PhotoType.PNG: "png", PhotoType.WEBP: "webp"}


@dataclass(frozen=True)
class Size:
    """Of a picture, in pixels."""

    width: int
    height: int


class NoPhoto(Invalid):
    """The file is none that is taken."""

    code = "no-photo"
    title = gettext_noop("This file is not taken as a photo")


def check_photo(data: bytes, declared: str) -> Size:
    """The size of a picture after looking at every part of its file and decoding it whole. Raises NoPhoto."""
    kind = sniff(data)
    if kind is None:
        raise _refused(gettext("is none of these: %(taken)s, told by their content") % {"taken": TAKEN})
    if kind != declared:
        raise _refused(
            gettext("was announced as %(declared)s and is %(value)s")
            % {"declared": declared, "value": kind.value}
        )
    _WALKS[kind](data)
    return _decode(data, kind)


def sniff(data: bytes) -> PhotoType | None:
    """What a file says it is in its first bytes."""
    if data.startswith(b"\xff\xd8\xff"):
        return PhotoType.JPEG
    if data.startswith(_PNG):
        return PhotoType.PNG
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return PhotoType.WEBP
    return None


def _refused(detail: str) -> NoPhoto:
    return NoPhoto(f"The file {detail}.", [Fault("/content", detail)])


def _decode(data: bytes, kind: PhotoType) -> Size:
    try:
        with warnings.catch_warnings(), Image.open(io.BytesIO(data), formats=[_FORMATS[kind]]) as image:
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            width, height = image.size
            if width * height > MOST_PIXELS:
                raise _refused(
                    gettext("has %(width)s x %(height)s pixels; at most %(most_pixels)s are taken")
                    % {"width": width, "height": height, "most_pixels": MOST_PIXELS}
                )
            if getattr(image, "n_frames", 1) != 1:
                raise _refused(gettext("moves; only a single picture is taken"))
            image.load()
            return Size(width, height)
    except NoPhoto:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _refused(
            gettext("has far more than %(most_pixels)s pixels") % {"most_pixels": MOST_PIXELS}
        ) from None
    except Exception:  # a decoder fails in many ways on a file that is none
        raise _refused(gettext("cannot be decoded: it is damaged or cut off")) from None


# JPEG: segments up to the scan, the scan's data, more of both, the end

_APP0, _APP2, _APP14, _COMMENT = 0xE0, 0xE2, 0xEE, 0xFE
_START_OF_SCAN, _END = 0xDA, 0xD9
_PICTURE = {*range(0xC0, 0xD0), _START_OF_SCAN, 0xDB, 0xDC, 0xDD} - {0xC8}
"""Segments that a decoder needs: frames, tables, scans, restart intervals."""
_NAMES = {0xE1: "Exif or XMP (place, time, camera)", 0xED: "IPTC", _COMMENT: "a comment"}


def _walk_jpeg(data: bytes) -> None:
    at = 2
    while True:
        marker, at = _marker(data, at)
        if marker == _END:
            break
        if not (marker in _PICTURE or 0xE0 <= marker <= 0xEF or marker == _COMMENT):
            raise _refused(gettext("is no proper JPEG: a marker stands where none may"))
        length = int.from_bytes(data[at : at + 2], "big")
        if length < 2 or at + length > len(data):
            raise _refused(gettext("is cut off"))
        _segment(marker, data[at + 2 : at + length])
        at += length
        if marker == _START_OF_SCAN:
            at = _scan_end(data, at)
    if at != len(data):
        raise _refused(gettext("has something after the end of its picture"))


def _marker(data: bytes, at: int) -> tuple[int, int]:
    """The next marker and where it ends; fill bytes before it may be."""
    if data[at : at + 1] != b"\xff":
        raise _refused(gettext("is cut off") if at >= len(data) else gettext("is no proper JPEG"))
    while data[at : at + 1] == b"\xff":
        at += 1
    if at >= len(data):
        raise _refused(gettext("is cut off"))
    return data[at], at + 1


def _segment(marker: int, body: bytes) -> None:
    """Refuses a segment that holds more than the picture."""
    if marker not in _PICTURE:
        usual = (
            (marker == _APP0 and body.startswith(b"JFIF\0") and len(body) <= 16)
            or (marker == _APP14 and body.startswith(b"Adobe") and len(body) <= 12)
            or (marker == _APP2 and body.startswith(b"ICC_PROFILE\0") and len(body) <= MOST_PROFILE)
        )
        if not usual:
            raise _refused(
                gettext("holds %(what)s: %(remedy)s")
                % {"what": _NAMES.get(marker, "data of a program or camera"), "remedy": STRIP}
            )


def _scan_end(data: bytes, at: int) -> int:
    """Where the next marker begins after the data of a scan."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            raise _refused(gettext("is cut off"))
        after = data[at + 1]
        if after == 0x00 or 0xD0 <= after <= 0xD7:
            at += 2
        elif after == 0xFF:
            at += 1
        else:
            return at


# PNG: chunks with a checksum each

_PNG_CHUNKS = {
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"sBIT", b"bKGD", b"pHYs",
    b"iCCP", b"cICP",
}  # fmt: skip


def _walk_png(data: bytes) -> None:
    at, name = len(_PNG), b""
    while name != b"IEND":
        head = data[at : at + 8]
        if len(head) < 8:
            raise _refused(gettext("is cut off"))
        length, name = struct.unpack(">I4s", head)
        end = at + 12 + length
        if end > len(data):
            raise _refused(gettext("is cut off"))
        if name not in _PNG_CHUNKS or (name == b"iCCP" and length > MOST_PROFILE):
            raise _refused(
                gettext("holds data beside its picture (%(part)s): %(remedy)s")
                % {"part": f"{name.decode('latin-1')!r}", "remedy": STRIP}
            )
        if zlib.crc32(data[at + 4 : end - 4]) != int.from_bytes(data[end - 4 : end], "big"):
            raise _refused(gettext("is damaged: a checksum does not fit"))
        at = end
    if at != len(data):
        raise _refused(gettext("has something after the end of its picture"))


# WebP: chunks in a RIFF file

_WEBP_CHUNKS = {b"VP8 ", b"VP8L", b"VP8X", b"ALPH", b"ICCP"}


def _walk_webp(data: bytes) -> None:
    told = int.from_bytes(data[4:8], "little") + 8
    if told > len(data):
        raise _refused(gettext("is cut off"))
    if told < len(data):
        raise _refused(gettext("has something after the end of its picture"))
    for name, length in _riff_chunks(data):
        if name in {b"ANIM", b"ANMF"}:
            raise _refused(gettext("moves; only a single picture is taken"))
        if name not in _WEBP_CHUNKS or (name == b"ICCP" and length > MOST_PROFILE):
            raise _refused(
                gettext("holds data beside its picture (%(part)s): %(remedy)s")
                % {"part": f"{name.decode('latin-1')!r}", "remedy": STRIP}
            )


def _riff_chunks(data: bytes) -> Iterator[tuple[bytes, int]]:
    at = 12
    while at < len(data):
        name, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        at += 8 + length + length % 2
        if at > len(data):
            raise _refused(gettext("is cut off"))
        yield name, length


_WALKS: dict[PhotoType, Callable[[bytes], None]] = {
    PhotoType.JPEG: _walk_jpeg,
    PhotoType.PNG: _walk_png,
    PhotoType.WEBP: _walk_webp,
}
