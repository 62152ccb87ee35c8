"""Photos as a tablet would send them, and files that somebody else might."""

import hashlib
import io
import struct
import zlib
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from PIL import Image, ImageDraw

from jobs.access import actor_for_token
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements import uploads
from measurements.models import Photo, PhotoKind, PhotoSubject
from tests.factories import World


def drawn(width: int = 640, height: int = 480, shade: int = 90) -> Image.Image:
    """A damper's quadrant with its lever, so that a page that shows it has something to show."""
    image = Image.new("RGB", (width, height), (shade, 120, 130))
    draw = ImageDraw.Draw(image)
    box = (width * 0.2, height * 0.2, width * 0.8, height * 0.8)
    draw.ellipse(box, fill=(206, 212, 214), outline=(40, 50, 56), width=max(2, width // 160))
    draw.line(
        (width / 2, height / 2, width * 0.72, height * 0.3), fill=(160, 68, 20), width=max(4, width // 50)
    )
    return image


def jpeg(width: int = 640, height: int = 480, shade: int = 90, **options: Any) -> bytes:
    return encoded(drawn(width, height, shade), "JPEG", quality=85, **options)


def png(width: int = 320, height: int = 240) -> bytes:
    return encoded(drawn(width, height), "PNG")


def webp(width: int = 320, height: int = 240, **options: Any) -> bytes:
    return encoded(drawn(width, height), "WEBP", **options)


def encoded(image: Image.Image, form: str, **options: Any) -> bytes:
    target = io.BytesIO()
    image.save(target, form, **options)
    return target.getvalue()


def with_place(form: str = "JPEG") -> bytes:
    """With a place on earth in its Exif, as a camera writes it."""
    image = drawn()
    exif = image.getexif()
    exif[0x010F] = "Invented camera"
    place = exif.get_ifd(0x8825)
    place[1], place[2], place[3], place[4] = "N", (51.0, 30.0, 0.0), "W", (0.0, 7.0, 0.0)
    return encoded(image, form, exif=exif.tobytes())


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def png_bomb(width: int = 30_000, height: int = 30_000) -> bytes:
    """Some kilobytes that would unfold to 900 million pixels."""
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    rows = zlib.compress(bytes((width // 8 + 1) * 400))
    signature = b"\x89PNG\r\n\x1a\n"
    return signature + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def animated(form: str) -> bytes:
    frames = [drawn(64, 48, shade) for shade in (60, 200)]
    return encoded(frames[0], form, save_all=True, append_images=frames[1:], duration=100)


SVG = b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'
HTML = b"<!doctype html><script>alert(1)</script>"


def declaration(world: World, data: bytes, tag: str | None = "S-1", **changes: Any) -> dict[str, Any]:
    """The JSON that announces a photo."""
    usual = {
        "id": str(uuid7()),
        "job": str(world.job.id),
        "test_point": str(world.points[tag].id) if tag else None,
        "kind": "photo",
        "subject": "mark",
        "text": "Lever at 4 of 9, marked in red",
        "taken_at": "2026-03-02T09:38:00.120+01:00",
        "type": "image/jpeg",
        "size": len(data),
        "digest": hashlib.sha256(data).hexdigest(),
    }
    return usual | changes


def note(
    world: World, text: str = "The ceiling tile was missing.", tag: str | None = "S-1", **changes: Any
) -> Any:
    """The JSON of a note."""
    usual = declaration(world, b"", tag, kind="note", subject="plain", text=text)
    for name in ("type", "size", "digest"):
        del usual[name]
    return usual | changes


def stored(world: World, data: bytes | None = None, tag: str | None = "S-1", **changes: Any) -> Photo:
    """A photo that came from the technician's tablet. Opens the company itself."""
    content = jpeg() if data is None else data
    with company(world.id):
        actor = actor_for_token(world.technician_token)
        assert actor is not None
        declared = _declared(declaration(world, content, tag, **changes))
        uploads.announce(actor, declared)
        made = uploads.receive(actor, declared.id, offset=0, data=content, complete=True)
        assert made.refusal is None
        assert made.upload.photo is not None
        return made.upload.photo


def noted(
    world: World, text: str = "The ceiling tile was missing.", tag: str | None = "S-1", **changes: Any
) -> Photo:
    """A note that came from the technician's tablet."""
    with company(world.id):
        actor = actor_for_token(world.technician_token)
        assert actor is not None
        made = uploads.announce(actor, _declared(note(world, text, tag, **changes)))
        assert made.photo is not None
        return made.photo


def _declared(body: dict[str, Any]) -> uploads.Declared:
    return uploads.Declared(
        id=UUID(body["id"]),
        job=UUID(body["job"]),
        test_point=UUID(body["test_point"]) if body["test_point"] else None,
        session=UUID(body["session"]) if body.get("session") else None,
        kind=PhotoKind(body["kind"]),
        subject=PhotoSubject(body["subject"]),
        text=body["text"],
        taken_at=datetime.fromisoformat(body["taken_at"]).astimezone(UTC),
        type=body.get("type", ""),
        size=body.get("size", 0),
        digest=body.get("digest", ""),
    )
