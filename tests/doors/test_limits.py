"""Limits on how often: by person, key and address; with the cache away too."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from django.core.cache import cache
from django.core.management import call_command
from django.test import Client, RequestFactory

from jobs.errors import TooMany
from jobs.http import limits
from tests.doors.client import Caller, assert_problem, signed_in, with_key
from tests.factories import World


@pytest.fixture
def few(settings: Any) -> None:
    settings.REQUESTS_A_MINUTE = settings.REQUESTS_A_MINUTE_UNKNOWN = 3


def flood(caller: Caller, count: int = 4) -> Any:
    for _ in range(count):
        answer = caller.get("/me")
    return answer


QUERY = json.dumps({"query": "{ jobs(first: 1) { edges { cursor } } }"})


def by_graphql(caller: Caller) -> Any:
    return caller.client.post("/graphql", QUERY, content_type="application/json", headers=caller.headers)


def by_page(caller: Caller) -> Any:
    return caller.client.get("/jobs", headers=caller.headers)


def by_rest(caller: Caller) -> Any:
    return caller.get("/me")


DOORS = (by_rest, by_graphql, by_page)


class Away:
    """A cache that does not answer."""

    def __getattr__(self, name: str) -> Any:
        raise ConnectionError("no answer")


def assert_refused(answer: Any) -> None:
    """A problem for programs, a page of words for people; both say when to come back."""
    assert 0 < int(answer["Retry-After"]) <= 61
    if answer["Content-Type"].startswith("text/html"):
        assert answer.status_code == 429
        assert "wait and try again" in answer.content.decode()
    else:
        assert_problem(answer, 429, "too-many")


class TestRequests:
    @pytest.mark.usefixtures("few")
    def test_too_many_of_one_key(self, company_a: World, company_b: World) -> None:
        refused = flood(with_key(company_a))
        assert_problem(refused, 429, "too-many")
        assert 0 < int(refused["Retry-After"]) <= 61
        assert with_key(company_b).get("/me").status_code == 200
        assert signed_in(company_a).get("/me").status_code == 200

    @pytest.mark.usefixtures("few")
    def test_too_many_of_strangers_from_one_address(self, company_a: World) -> None:
        assert_problem(flood(Caller()), 429)
        assert with_key(company_a).get("/me").status_code == 200
        assert_problem(Caller().post("/devices/pair", {"company": "x", "code": "y"}), 429)

    @pytest.mark.usefixtures("few")
    @pytest.mark.parametrize("refused_at", DOORS)
    def test_rest_graphql_and_pages_count_together(
        self, company_a: World, company_b: World, refused_at: Callable[[Caller], Any]
    ) -> None:
        one = with_key(company_a)
        assert [door(one).status_code for door in DOORS] == [200, 200, 200]
        assert_refused(refused_at(one))
        assert [door(with_key(company_b)).status_code for door in DOORS] == [200, 200, 200]

    @pytest.mark.parametrize("refused_at", DOORS)
    def test_a_company_is_held_to_its_own_figure_at_every_door(
        self, company_a: World, company_b: World, refused_at: Callable[[Caller], Any]
    ) -> None:
        call_command("set_allowance", str(company_a.id), requests_a_minute=3)
        asking = [with_key(company_a), signed_in(company_a), signed_in(company_a, "supervisor")]
        answers = [door(one).status_code for door, one in zip(DOORS, asking, strict=True)]
        assert answers == [200, 200, 200]
        other = signed_in(company_a, "technician")
        refused = refused_at(other)
        assert_refused(refused)
        assert "Your company asks" in refused.content.decode()
        assert other.client.post("/signout").status_code == 302
        assert refused_at(signed_in(company_b)).status_code == 200

    @pytest.mark.usefixtures("few")
    def test_a_strangers_page_is_not_counted(self, company_a: World) -> None:
        assert [Client().get("/signin").status_code for _ in range(5)] == [200] * 5
        assert_problem(flood(Caller()), 429)
        assert_problem(by_graphql(Caller()), 429, "too-many")

    @pytest.mark.usefixtures("few")
    def test_without_the_cache_work_goes_on_and_the_limit_holds(
        self, company_a: World, monkeypatch: Any
    ) -> None:
        monkeypatch.setattr(limits, "cache", Away())
        assert with_key(company_a).get("/me").status_code == 200
        assert_problem(flood(with_key(company_a)), 429)


class TestCounting:
    def test_counts_up_in_a_window(self) -> None:
        assert [limits.count("x", 1000) for _ in range(3)] == [1, 2, 3]
        assert limits.count("y", 1000) == 1
        assert limits.counted("x", 1000) == 3
        limits.forget("x", 1000)
        assert limits.counted("x", 1000) == 0

    def test_next_window_starts_anew(self, monkeypatch: Any) -> None:
        now = 1_000_000.0
        monkeypatch.setattr(limits.time, "time", lambda: now)
        limits.count("x", 900)
        now += 900
        assert limits.count("x", 900) == 1

    def test_refusal_says_how_long(self, monkeypatch: Any) -> None:
        monkeypatch.setattr(limits.time, "time", lambda: 900_100.0)
        limits.limit("x", 1, 900, "Wait.")
        with pytest.raises(TooMany) as refused:
            limits.limit("x", 1, 900, "Wait.")
        assert refused.value.retry_after == 800

    def test_counter_that_ran_out_in_between(self, monkeypatch: Any) -> None:
        class Odd:
            kept: dict[str, int] = {}

            def add(self, *args: Any) -> bool:
                return False

            def incr(self, key: str) -> int:
                raise ValueError(key)

            def set(self, key: str, value: int, seconds: int) -> None:
                self.kept[key] = value

        monkeypatch.setattr(limits, "cache", Odd())
        assert limits.count("x", 10) == 1
        assert list(Odd.kept.values()) == [1]

    def test_a_cache_that_failed_is_left_alone_for_a_while(self, monkeypatch: Any) -> None:
        calls = []

        class Failing:
            def incr(self, *args: Any) -> int:
                calls.append(args)
                raise TimeoutError

        monkeypatch.setattr(limits, "cache", Failing())
        for _ in range(5):
            limits.count("x", 1000)
        assert len(calls) == 1
        assert limits.counted("x", 1000) == 5

    def test_names_of_people_are_not_in_the_cache(self, monkeypatch: Any) -> None:
        seen: list[str] = []
        monkeypatch.setattr(cache, "add", lambda key, *args: seen.append(key) or True)
        limits.count("password:somebody@example.org:192.0.2.1", 900)
        assert seen
        assert "somebody" not in seen[0]


class TestAddress:
    @pytest.mark.parametrize(
        ("peer", "forwarded", "proxy", "expected"),
        [
            ("192.0.2.9", "198.51.100.1", False, "192.0.2.9"),
            ("10.0.0.2", "198.51.100.1", True, "198.51.100.1"),
            ("10.0.0.2", "203.0.113.5, 198.51.100.1", True, "198.51.100.1"),
            ("10.0.0.2", None, True, "10.0.0.2"),
            ("2001:db8:1:2:3::4", None, False, "2001:db8:1:2::/64"),
            ("::ffff:192.0.2.9", None, False, "192.0.2.9"),
            ("", None, False, "local"),
            ("10.0.0.2", "nonsense", True, "local"),
        ],
    )
    def test_is_the_nearest_one_that_can_be_trusted(
        self, settings: Any, peer: str, forwarded: str | None, proxy: bool, expected: str
    ) -> None:
        settings.BEHIND_PROXY = proxy
        more = {"HTTP_X_FORWARDED_FOR": forwarded} if forwarded else {}
        assert limits.address_of(RequestFactory().get("/", REMOTE_ADDR=peer, **more)) == expected
