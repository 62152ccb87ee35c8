"""Makes what people wrote safe to print: characters, lengths, links.

PDF/A and PDF/UA forbid glyphs that the font lacks and text that maps to non-characters, so both are settled
before layout. Limits come from measuring what makes layout slow: words without a break and stacked accents.
"""

import re
import unicodedata
from typing import Any, TypeVar
from urllib.parse import urlsplit

import msgspec

from reports.document import Content
from reports.render.fonts import sans_characters

T = TypeVar("T", bound=Content)

TEXT_LIMIT = 20_000  # characters of one field
WORD_LIMIT = 400  # characters without a break
MARKS_LIMIT = 4  # combining marks on one letter
UNKNOWN = "\ufffd"  # shown for a character that the font lacks
CUT = "…"

_FORBIDDEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u00ad\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufe00-\ufe0f\ufeff\ufff0-\ufffb"
    "\ufffe\uffff\ud800-\udfff]"
)
_LONG_WORD = re.compile(rf"(\S{{{WORD_LIMIT}}})\S+")
_SCHEMES = ("http", "https", "mailto")


def clean(text: str) -> str:
    """The text without control, direction and invisible characters, unknown ones marked, lengths capped."""
    if text.isascii() and text.isprintable() and len(text) <= WORD_LIMIT:
        return text
    cut = len(text) > TEXT_LIMIT
    text = unicodedata.normalize("NFC", _FORBIDDEN.sub("", text[:TEXT_LIMIT].replace("\t", " ")))
    text = _LONG_WORD.sub(rf"\1{CUT}", _known(text))
    return text + CUT if cut else text


def _known(text: str) -> str:
    """Replace runs of characters without a glyph by one mark each, and drop accents beyond the limit."""
    known, out, marks = sans_characters(), [], 0
    for character in text:
        marks = marks + 1 if unicodedata.combining(character) else 0
        if marks > MARKS_LIMIT:
            continue
        if character == "\n" or ord(character) in known:
            out.append(character)
        elif not out or out[-1] != UNKNOWN:
            out.append(UNKNOWN)
    return "".join(out)


def cleaned(content: T) -> T:
    """A document or an issue with every text field cleaned, whatever its place."""
    return msgspec.convert(_walk(msgspec.to_builtins(content)), type(content))


def shortened(text: str, limit: int) -> str:
    """One line of at most `limit` characters."""
    line = " ".join(text.split())
    return line if len(line) <= limit else line[: limit - 1].rstrip() + CUT


def _walk(value: Any) -> Any:
    """Clean all strings of a plain tree of dicts and lists."""
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, dict):
        return {key: _walk(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_walk(item) for item in value]
    return value


def safe_link(address: str) -> str:
    """The address if it may be a link (http, https, mailto with something behind it), else an empty text."""
    address = clean(address).strip()
    try:
        parts = urlsplit(address)
    except ValueError:
        return ""
    usable = parts.scheme in _SCHEMES and (parts.netloc or (parts.scheme == "mailto" and parts.path))
    return address if usable else ""


def anchor(text: str) -> str:
    """Name of a sheet's destination, from letters, digits and hyphens only; empty for an empty text."""
    plain = re.sub(r"[^A-Za-z0-9-]+", "-", text).strip("-")[:80]
    return f"sheet-{plain}" if plain else ""
