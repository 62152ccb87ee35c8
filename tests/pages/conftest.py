"""Browsers without a browser: clients that sign in as people do, and the words that a page shows."""

import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser

import pytest
from django.core.cache import cache
from django.http import HttpResponse
from django.test import Client
from playwright.sync_api import Browser

from jobs.http import limits
from tests.factories import PASSWORD, World
from tests.pages.browser import chromium

In = Callable[..., Client]


@pytest.fixture(autouse=True)
def _no_limits_from_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counters of tries live beside the database and would outlast a test."""
    cache.clear()
    limits._local.clear()
    # no quarter of an hour ends within a test
    monkeypatch.setattr(limits, "_key", lambda name, seconds: f"limit:{name}:{seconds}")


@pytest.fixture
def signed_in(company_a: World) -> In:
    """A client signed in by form as a role of the first company, or of `world`."""

    def sign_in(role: str, world: World | None = None, **kwargs: bool) -> Client:
        client = Client(**kwargs)
        email = (world or company_a).users[role].email
        answer = client.post("/signin", {"email": email, "password": PASSWORD})
        assert answer.status_code == 302, words(answer)
        return client

    return sign_in


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """For journeys; not for longer than a file, since Django's own tests cannot run beside its loop."""
    with chromium() as found:
        yield found


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.silent = 0

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.silent += tag in {"script", "style", "title"}

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in {"script", "style", "title"}

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.found.append(data)


def words(response: HttpResponse) -> str:
    """The text of a page, blanks made single."""
    parser = _Words()
    parser.feed(response.content.decode())
    return " ".join(" ".join(parser.found).split())


def value_of(response: HttpResponse, name: str) -> str:
    """What a field of the page's form holds."""
    found = re.search(rf'name="{name}" value="([^"]*)"', response.content.decode())
    assert found, f"no field {name} on the page"
    return found[1]
