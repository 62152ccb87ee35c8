"""Photos made ready for paper and for lists: smaller, in plain colours, nothing else in the file."""

import contextlib
import hashlib
import io
from dataclasses import dataclass
from typing import IO, Any

from PIL import Image, ImageCms

LONG_SIDE, QUALITY = 1000, 78
"""Of a print, pixels: 290 dots to the inch at the width of a column."""
SMALL_SIDE, SMALL_QUALITY = 320, 70


@dataclass(frozen=True)
class Print:
    """A JPEG in sRGB with its size in pixels."""

    data: bytes
    width: int
    height: int

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


def print_of(file: IO[Any]) -> Print:
    """The print of a photo that was looked at before. The same photo gives the same bytes."""
    return _drawn(file, LONG_SIDE, QUALITY)


def thumbnail(file: IO[Any]) -> bytes:
    """A small JPEG for lists."""
    return _drawn(file, SMALL_SIDE, SMALL_QUALITY).data


def _drawn(file: IO[Any], side: int, quality: int) -> Print:
    with Image.open(file) as image:
        image.draft("RGB", (2 * side, 2 * side))  # JPEG only: decodes no more than is needed
        plain = _on_white(_in_srgb(image))
        plain.thumbnail((side, side), Image.Resampling.LANCZOS)
        target = io.BytesIO()
        plain.save(target, "JPEG", quality=quality, optimize=True)
        return Print(target.getvalue(), *plain.size)


def _in_srgb(image: Image.Image) -> Image.Image:
    """Colours by the profile of the file, where it has one that can be read."""
    profile = image.info.get("icc_profile")
    if profile and image.mode == "RGB":
        with contextlib.suppress(ImageCms.PyCMSError, OSError, ValueError, TypeError):
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            turned = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"))
            if turned is not None:
                return turned
    return image


def _on_white(image: Image.Image) -> Image.Image:
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        layer = image.convert("RGBA")
        ground = Image.new("RGBA", layer.size, "white")
        return Image.alpha_composite(ground, layer).convert("RGB")
    return image.convert("RGB") if image.mode != "RGB" else image.copy()
