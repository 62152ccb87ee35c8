"""From a request to a company and an actor."""

from collections.abc import Callable
from typing import Any

import pytest
from django.contrib.sessions.backends.signed_cookies import SessionStore
from django.db import connection
from django.http import HttpRequest, HttpResponse
from django.test import RequestFactory
from django.test.utils import CaptureQueriesContext

from jobs.access import Actor
from jobs.tenancy.context import company_or_none
from jobs.tenancy.ids import short_id, uuid7
from jobs.tenancy.middleware import CompanyMiddleware
from tests.factories import World, bearer


class View:
    """Remembers the company and the actor it was called with."""

    company: object = "not called"
    actor: Actor | None = None

    def __call__(self, request: HttpRequest) -> HttpResponse:
        self.company = company_or_none()
        self.actor = request.actor  # type: ignore[attr-defined]
        return HttpResponse()


def serve(
    headers: dict[str, str] | None = None, session: dict[str, Any] | None = None, user: Any = None
) -> View:
    """Run one request through the middleware."""
    request = RequestFactory().get("/", headers=headers or {})
    request.session = SessionStore()
    request.session.update(session or {})
    request.user = user
    view = View()
    CompanyMiddleware(view)(request)
    assert company_or_none() is None
    return view


def test_a_token_names_its_company(company_a: World, company_b: World) -> None:
    for world in (company_a, company_b):
        view = serve(bearer(world.key_text))
        assert view.company == world.id
        assert view.actor is not None
        assert view.actor.company_id == world.id


def test_the_company_may_be_written_in_full(company_a: World) -> None:
    secret = company_a.key_text.partition(".")[2]
    assert serve(bearer(f"{company_a.id}.{secret}")).company == company_a.id


UNKNOWN: list[Callable[[World, World], dict[str, str]]] = [
    lambda a, b: {},
    lambda a, b: bearer(""),
    lambda a, b: bearer("."),
    lambda a, b: bearer("nonsense"),
    lambda a, b: bearer(a.key_text.partition(".")[0]),
    lambda a, b: bearer(a.key_text.partition(".")[2]),
    lambda a, b: bearer(a.key_text + "x"),
    lambda a, b: bearer(f"{short_id(b.id)}.{a.key_text.partition('.')[2]}"),
    lambda a, b: bearer(f"{short_id(uuid7())}.{a.key_text.partition('.')[2]}"),
    lambda a, b: {"Authorization": f"Basic {a.key_text}"},
    lambda a, b: {"Authorization": a.key_text},
    lambda a, b: {"X-Company": str(a.id)},
]


@pytest.mark.parametrize("headers", UNKNOWN)
def test_anything_else_gives_no_company(
    company_a: World, company_b: World, headers: Callable[[World, World], dict[str, str]]
) -> None:
    view = serve(headers(company_a, company_b))
    assert (view.company, view.actor) == (None, None)


def test_a_session_names_its_company(company_a: World, company_b: World) -> None:
    user = company_a.users["owner"]
    view = serve(session={"company": str(company_a.id)}, user=user)
    assert view.company == company_a.id
    assert view.actor is not None
    assert view.actor.member_id == company_a.owner.id
    for text in (str(company_b.id), str(uuid7()), "", "x"):
        assert serve(session={"company": text}, user=user).company is None


def test_a_token_goes_before_the_session(company_a: World, company_b: World) -> None:
    session = {"company": str(company_a.id)}
    user = company_a.users["owner"]
    assert serve(bearer(company_b.key_text), session, user).company == company_b.id
    assert serve(bearer("nonsense"), session, user).company is None


def test_finding_the_actor_takes_one_statement(company_a: World) -> None:
    serve(bearer(company_a.key_text))
    with CaptureQueriesContext(connection) as queries:
        serve(bearer(company_a.key_text))
    reads = [query["sql"] for query in queries if query["sql"].startswith("SELECT")]
    assert len(reads) == 1


def test_an_actor_of_another_company_counts_as_nobody(
    company_a: World, company_b: World, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.TENANCY_ACTOR = "tests.tenancy.test_middleware.wrong_actor"
    monkeypatch.setitem(WRONG, "actor", Actor(company_id=company_b.id))
    assert serve(bearer(company_a.key_text)).company is None
    monkeypatch.setitem(WRONG, "actor", Actor(company_id=company_a.id))
    assert serve(bearer(company_a.key_text)).company == company_a.id


WRONG: dict[str, Actor] = {}


def wrong_actor(request: HttpRequest) -> Actor:
    """Stand in for the look-up of actors."""
    return WRONG["actor"]
