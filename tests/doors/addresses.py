"""Every page of the service, found in its URL conf, and something to fill its address with."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any
from uuid import UUID

from django.urls import URLPattern, URLResolver, get_resolver

from jobs import schedule_drafts as drafts
from jobs.models import ScheduleDraft
from jobs.tenancy.context import company
from measurements.models import RecallCase
from tests.doors import walk
from tests.factories import World

_PLACE = re.compile(r"<(?:(\w+):)?(\w+)>")
_KINDS = re.compile(r"\(\?P<(\w+)>(\w+)[^)]*\)")
NOT_PAGES = ("api/v1/", "admin/", "graphql")
WORDS = {"rule": "zero_shift", "code": "not-found", "kind": "csv"}


@dataclass(frozen=True)
class Page:
    """One address of a page, such as /jobs/{job_id}/change, with its name in the URL conf."""

    name: str
    template: str
    ids: tuple[str, ...]
    texts: tuple[str, ...]

    def path(self, filled: dict[str, Any]) -> str:
        return self.template.format(**{**dict.fromkeys(self.texts, "nothing"), **WORDS, **filled})

    def __str__(self) -> str:
        return self.name


@cache
def pages() -> tuple[Page, ...]:
    """All pages: what config/urls.py serves besides REST, GraphQL and the operators' rooms."""
    return tuple(_pages("/", get_resolver("config.urls").url_patterns))


def _pages(prefix: str, patterns: Iterable[Any]) -> Iterator[Page]:
    for entry in patterns:
        text = str(entry.pattern)
        if text.startswith(NOT_PAGES):
            continue
        if isinstance(entry, URLResolver):
            yield from _pages(prefix + text, entry.url_patterns)
        elif isinstance(entry, URLPattern):
            yield _page(prefix, text, entry)


def _page(prefix: str, text: str, entry: URLPattern) -> Page:
    plain = _KINDS.sub(r"{\1}", text).removeprefix("^").removesuffix("$").replace("\\.", ".")
    ids = tuple(name for kind, name in _PLACE.findall(text) if kind == "uuid")
    texts = tuple(name for kind, name in _PLACE.findall(text) if kind != "uuid")
    return Page(entry.name or text, prefix + _PLACE.sub(r"{\2}", plain), ids, texts)


def ids_of(world: World) -> dict[str, UUID]:
    """An id of the company for each name in an address of a page. A new name needs an entry here."""
    with company(world.id):
        return walk.ids_of(world) | {
            "case_id": RecallCase.objects.earliest("opened_at").id,
            "draft_id": _draft(world).id,
        }


def _draft(world: World) -> ScheduleDraft:
    sheet = b"System,Tag,Kind\nAHU-1,S-10,outlet\n"
    kept = ScheduleDraft.objects.filter(site=world.site).first()
    return kept or drafts.start_draft(world.actor("dispatcher"), world.site.id, sheet, file_name="s.csv")
