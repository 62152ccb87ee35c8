"""Forms of the pages filled in by chance: what they show is kept, a few fields are something else.

The forms are those that each page shows to each role, so a new one is in it. Each request's work is undone.
"""

import random
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import quote_from_bytes, urljoin, urlsplit

from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client

from tests.doors import addresses
from tests.doors.client import signed_in
from tests.factories import World
from tests.soak.silence import inside

ROLES = ("owner", "dispatcher", "supervisor", "technician")
NOBODY = "00000000-0000-7000-8000-000000000000"
ODD = (
    "", " ", "\x00", "ü", "\ud800", "\u202e7", "١٢٣", "1,5", "-1", "0", "1e999", "-1e-400", "NaN", "inf",
    "9" * 400, "2026-02-30", "0001-01-01", "9999-12-31", "2026-03-02T25:00", "24:00", "🜁" * 50, "'\"><b>",
    "../../x", "{}", "[]", "null", "true", "%", "%s %(a)s {0}", "a\r\nb: c", "x" * 100_000, "=1+1", "0" * 36,
    NOBODY, "Europe/Nowhere", "a@b", "https://", "-", "12 L/s", "1 2 3",
)  # fmt: skip
FILES = (
    b"", b"\x00" * 40, b"PK\x03\x04broken", b"%PDF-1.7 broken", b"<?xml version='1.0'?><a>", b"\xfc;1\n",
    b"System,Tag,Kind\n\x00,,\n", b"\xff\xfe" * 30, b"a," * 5000,
)  # fmt: skip


@dataclass(frozen=True)
class Form:
    """A form as a page shows it: where it goes, and its fields with what stands in them."""

    method: str
    action: str
    is_multipart: bool
    fields: tuple[tuple[str, str], ...]
    files: tuple[str, ...]


class _Reader(HTMLParser):
    """The forms of one page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.page, self.found, self.open = page, [], None  # type: ignore[var-annotated]
        self.select = self.area = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.open = (told, [], [])
        if self.open is None:
            return
        _, fields, files = self.open
        name = told.get("name", "")
        if tag == "input" and told.get("type") == "file" and name:
            files.append(name)
        elif (
            tag in ("input", "button")
            and name
            and ("checked" in told or told.get("type") not in ("checkbox", "radio"))
        ):
            fields.append((name, told.get("value", "")))
        elif tag == "select":
            self.select = name
        elif tag == "option" and self.select and ("selected" in told or self.select not in dict(fields)):
            fields[:] = [one for one in fields if one[0] != self.select]
            fields.append((self.select, told.get("value", "")))
        elif tag == "textarea" and name:
            self.area = name
            fields.append((name, ""))

    def handle_data(self, data: str) -> None:
        if self.open is not None and self.area:
            self.open[1][-1] = (self.area, self.open[1][-1][1] + data)

    def handle_endtag(self, tag: str) -> None:
        if tag == "select":
            self.select = ""
        elif tag == "textarea":
            self.area = ""
        elif tag == "form" and self.open is not None:
            told, fields, files = self.open
            action = urlsplit(urljoin(self.page, told.get("action", "")))
            self.found.append(
                Form(
                    told.get("method", "get").upper(), action.path,
                    told.get("enctype") == "multipart/form-data", tuple(fields), tuple(files),
                )
            )  # fmt: skip
            self.open = None


def forms_of(world: World, pages: Sequence[addresses.Page]) -> Iterator[tuple[Client, str, Form]]:
    """Each form of these pages, once for each role that is shown it."""
    ids = addresses.ids_of(world)
    for role in ROLES:
        client, known = signed_in(world, role).client, set()
        for page in pages:
            place = page.path({**dict.fromkeys(page.ids, NOBODY), **ids})
            with transaction.atomic():
                answer = client.get(place)
                is_page = str(answer.get("Content-Type", "")).startswith("text/html")
                text = answer.content.decode() if is_page and not answer.streaming else ""
                transaction.set_rollback(True)
            reader = _Reader(place)
            reader.feed(text)
            for one in reader.found:
                like = (one.method, re.sub(r"[0-9a-f-]{36}", "", one.action), tuple(n for n, _ in one.fields))
                if like not in known:
                    known.add(like)
                    yield client, role, one


@dataclass
class Found:
    """Counts, and what went wrong in a form that can be sent again."""

    forms: int = 0
    cases: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def run(world: World, cases: int, number: int, *, part: float = 1.0) -> Found:
    """So many cases, the forms in turn in an order drawn by the seed. `part`: of the pages."""
    found, draw = Found(), random.Random(number)
    pages = [one for one in addresses.pages() if one.name != "signout"]
    draw.shuffle(pages)
    forms = list(forms_of(world, pages[: round(len(pages) * part)]))
    found.forms = len(forms)
    draw.shuffle(forms)
    for n in range(cases):
        client, role, form = forms[n % len(forms)]
        _send(client, role, form, draw, found)
    return found


def _send(client: Client, role: str, form: Form, draw: random.Random, found: Found) -> None:
    fields = [list(one) for one in form.fields if one[0] != "csrfmiddlewaretoken"]
    for one in draw.sample(fields, min(len(fields), draw.choice((0, 1, 1, 2, 4)))):
        one[1] = draw.choice(ODD)
    if fields and draw.random() < 0.15:
        fields.remove(draw.choice(fields))
    if fields and draw.random() < 0.15:
        fields.append([draw.choice(fields)[0], draw.choice(ODD)])
    files = {name: draw.choice(FILES) for name in form.files if draw.random() < 0.8}
    kept = client.cookies.copy()
    with transaction.atomic():
        answer = _ask(client, form, [(name, value) for name, value in fields], files)
        content = b"".join(answer.streaming_content) if answer.streaming else answer.content
        transaction.set_rollback(True)
    client.cookies = kept
    found.cases += 1
    found.statuses[answer.status_code] += 1
    hit = inside(content, repr(fields)) if answer.status_code >= 400 else ""
    if answer.status_code >= 500 or hit:
        sent = repr(fields)[:1500] + repr(files)[:300]
        found.wrong.append(f"{role} {form.method} {form.action} {sent} -> {answer.status_code} {hit!r}")


def _ask(client: Client, form: Form, fields: list[tuple[str, str]], files: dict[str, bytes]) -> Any:
    if form.is_multipart or files:
        parts: dict[str, Any] = {}
        for name, value in fields:
            parts.setdefault(name, []).append(value.encode("utf-8", "surrogatepass"))
        parts |= {name: SimpleUploadedFile("ü.csv", data) for name, data in files.items()}
        return client.post(form.action, parts)
    text = "&".join(f"{quoted(name)}={quoted(value)}" for name, value in fields)
    if form.method == "GET":
        return client.get(f"{form.action}?{text}")
    return client.post(form.action, text, content_type="application/x-www-form-urlencoded")


def quoted(text: str) -> str:
    return quote_from_bytes(text.encode("utf-8", "surrogatepass"))
