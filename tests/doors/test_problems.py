"""Whatever goes wrong at the API is answered as a problem, and tells nothing of the inside."""

import re
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from django.core.exceptions import SuspiciousOperation
from django.db import DatabaseError, IntegrityError, InterfaceError, OperationalError, connection
from django.test import Client

from jobs import errors
from jobs.http import problem
from jobs.models import Company, Member
from jobs.tenancy.context import company
from tests.doors.client import Caller, assert_problem, signed_in, with_key
from tests.factories import World

INSIDE = re.compile(
    r"Traceback|/srv/|\.py\b|site-packages|psycopg|django|SELECT |INSERT |jobs_\w+|0x[0-9a-f]{6}", re.I
)


def assert_silent(answer: Any) -> None:
    assert not INSIDE.search(answer.content.decode()), answer.content


class TestForm:
    @pytest.mark.parametrize("path", ["/api/v1/nothing", "/api/v1/", "/api/", "/api/v2/jobs", "/api/v1/me/"])
    def test_unknown_address(self, db: None, path: str) -> None:
        answer = Client().get(path)
        assert_problem(answer, 404, "not-found")
        assert_silent(answer)

    def test_id_that_is_none(self, company_a: World) -> None:
        assert_problem(with_key(company_a).get("/members/not-an-id"), 404)

    @pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "FOO"])
    def test_method_that_is_not_served(self, company_a: World, method: str) -> None:
        answer = signed_in(company_a).send(method, "/members", {})
        assert_problem(answer, 405, "method-not-allowed")
        assert answer["Allow"] == "GET, HEAD"

    def test_method_cannot_be_overridden(self, company_a: World) -> None:
        answer = signed_in(company_a).post("/members", {}, **{"X-HTTP-Method-Override": "GET"})
        assert_problem(answer, 405)

    def test_head_is_get_without_a_body(self, company_a: World) -> None:
        caller = signed_in(company_a)
        answer = caller.client.head("/api/v1/company")
        assert answer.status_code == 200
        assert answer["ETag"] == caller.get("/company")["ETag"]
        assert answer.content == b""

    def test_form_that_cannot_be_given(self, company_a: World) -> None:
        assert_problem(with_key(company_a).get("/me", Accept="text/html"), 406, "not-acceptable")
        assert with_key(company_a).get("/me", Accept="text/html, */*;q=0.1").status_code == 200

    def test_nobody(self, db: None) -> None:
        answer = Caller().get("/members")
        assert_problem(answer, 401, "not-signed-in")
        assert answer["WWW-Authenticate"] == "Bearer"

    def test_host_that_is_not_ours(self, company_a: World) -> None:
        answer = Client().get("/api/v1/me", headers={**company_a.bearer, "Host": "evil.example"})
        assert_problem(answer, 400)
        assert "evil" not in answer.content.decode()

    def test_cookie_without_the_csrf_token(self, company_a: World) -> None:
        caller = signed_in(company_a, enforce_csrf_checks=True)
        assert_problem(caller.post("/keys", {"name": "x", "scopes": ["read"]}), 403)
        assert caller.get("/me").status_code == 200

    def test_cookie_with_the_csrf_token(self, company_a: World) -> None:
        caller = signed_in(company_a, enforce_csrf_checks=True)
        caller.client.get("/company")
        token = caller.client.cookies["csrftoken"].value
        made = caller.post("/keys", {"name": "x", "scopes": ["read"]}, **{"X-CSRFToken": token})
        assert made.status_code == 201

    def test_request_id_of_the_caller_is_kept_when_harmless(self, db: None) -> None:
        answer = Caller().get("/me", **{"X-Request-ID": "tablet-7.0001"})
        assert answer.json()["instance"] == "urn:request:tablet-7.0001"
        odd = Caller().get("/me", **{"X-Request-ID": "<script>"})
        assert "script" not in odd.content.decode()

    @pytest.mark.parametrize(
        "query", ["?" + "&".join(f"p{n}=1" for n in range(10_000)), "?active=%00", "?%FF=1"]
    )
    def test_odd_queries(self, company_a: World, query: str) -> None:
        answer = with_key(company_a).get(f"/members{query}")
        assert answer.status_code in {400, 422}
        assert_problem(answer, answer.status_code)
        assert len(answer.content) < 20_000


def fail(error: Exception) -> Any:
    def raising(*args: Any, **kwargs: Any) -> Any:
        raise error

    return raising


class TestUnexpected:
    @pytest.mark.parametrize(
        ("error", "status"),
        [
            (RuntimeError("/srv/secret.py SELECT * FROM jobs_member"), 500),
            (KeyError("password"), 500),
            (DatabaseError("jobs_member"), 500),
            (IntegrityError('insert into "jobs_member" violates "member_user"'), 422),
            (OperationalError("connection to 10.0.0.5 failed"), 503),
            (SuspiciousOperation("jobs_x"), 400),
        ],
    )
    def test_inside_a_view(self, company_a: World, monkeypatch: Any, error: Exception, status: int) -> None:
        monkeypatch.setattr("jobs.rest.people.visible_members", fail(error))
        answer = with_key(company_a).get("/members")
        assert_problem(answer, status)
        assert_silent(answer)

    def test_outside_a_view(self, company_a: World, monkeypatch: Any) -> None:
        monkeypatch.setattr("jobs.tenancy.middleware.claimed_company", fail(RuntimeError("jobs_member")))
        client = Client(raise_request_exception=False)
        answer = client.get("/api/v1/me", headers=company_a.bearer)
        assert_problem(answer, 500, "unexpected")
        assert_silent(answer)

    @pytest.mark.parametrize("error", [OperationalError("10.0.0.5 refused"), InterfaceError("closed")])
    @pytest.mark.parametrize("path", ["/api/v1/me", "/"])
    def test_the_database_goes_away_outside_a_view(
        self, company_a: World, monkeypatch: Any, error: Exception, path: str
    ) -> None:
        monkeypatch.setattr("jobs.tenancy.middleware.claimed_company", fail(error))
        answer = Client(raise_request_exception=False).get(path, headers=company_a.bearer)
        assert (answer.status_code, answer["Retry-After"]) == (503, "2")
        assert_silent(answer)

    @pytest.mark.parametrize(
        ("error", "status"),
        [(OperationalError("10.0.0.5 refused"), 503), (DatabaseError("Forced update affected no rows"), 401)],
    )
    def test_the_session_cannot_be_kept(
        self, company_a: World, monkeypatch: Any, error: Exception, status: int
    ) -> None:
        caller = signed_in(company_a)  # its first request lists the sign-in, so the session is saved
        monkeypatch.setattr(Session, "save", fail(error))
        answer = caller.get("/me")
        assert_problem(answer, status)
        assert answer.get("Retry-After") == ("2" if status == 503 else None)
        assert_silent(answer)

    def test_undoes_the_work(self, company_a: World, monkeypatch: Any) -> None:
        monkeypatch.setattr("jobs.rest.people.tagged", fail(RuntimeError("late")))
        path = f"/members/{company_a.technician.id}"
        assert_problem(signed_in(company_a).patch(path, {"name": "Changed"}, 1), 500)
        with company(company_a.id):
            assert Member.objects.get(id=company_a.technician.id).version == 1


class TestDatabase:
    def raised(self, sql: str) -> errors.DomainError:
        with pytest.raises(DatabaseError) as caught, connection.cursor() as cursor:
            cursor.execute(sql)
        return problem.translate(caught.value)

    @pytest.mark.parametrize(
        ("state", "status"),
        [
            ("55P03", 409),
            ("23503", 422),
            ("23505", 409),
            ("23514", 422),
            ("57014", 503),
            ("XX001", 503),
            ("42501", 500),
            ("22003", 500),
        ],
    )
    def test_by_its_state(self, db: None, state: str, status: int) -> None:
        told = self.raised(
            f"DO $$ BEGIN RAISE EXCEPTION 'jobs_member secret' USING ERRCODE = '{state}'; END $$"
        )
        assert told.status == status
        assert "secret" not in told.detail

    def test_lock_says_when_to_try_again(self, db: None) -> None:
        told = self.raised("DO $$ BEGIN RAISE EXCEPTION 'x' USING ERRCODE = '55P03'; END $$")
        assert told.retry_after == 1


class TestPointers:
    @pytest.mark.parametrize(
        ("detail", "pointers"),
        [
            ({"a": ["x"]}, ["/a"]),
            ({"a": [{}, {"b": ["x", "y"]}]}, ["/a/1/b", "/a/1/b"]),
            ({"non_field_errors": ["x"]}, ["/"]),
            ({"a": {"non_field_errors": ["x"]}}, ["/a"]),
            ({"a/b": ["x"]}, ["/a~1b"]),
            (["x"], ["/"]),
            ({"a": {"0": ["x"]}}, ["/a/0"]),
        ],
    )
    def test_lead_to_the_place(self, detail: Any, pointers: list[str]) -> None:
        assert [fault.pointer for fault in problem.faults_of(detail)] == pointers


class TestPlaces:
    @pytest.mark.parametrize("path", ["/admin/", "/admin/login/", "/admin/jobs/user/", "/admin/nothing"])
    @pytest.mark.parametrize("role", ["nobody", "owner"])
    def test_admin_is_nowhere_for_others(self, company_a: World, path: str, role: str) -> None:
        client = Client() if role == "nobody" else signed_in(company_a).client
        assert client.get(path).status_code == 404

    def test_admin_shows_people_to_operators_and_nothing_of_companies(self, company_a: World) -> None:
        user = company_a.users["dispatcher"]
        user.is_operator = True
        user.save()
        client = Client()
        client.force_login(user)
        page = client.get("/admin/")
        assert page.status_code == 200
        assert client.get("/admin/jobs/user/").status_code == 200
        assert client.get(f"/admin/jobs/user/{user.id}/change/").status_code == 200
        for name in ("member", "company", "job", "affiliation"):
            assert client.get(f"/admin/jobs/{name}/").status_code == 404
        assert client.get("/admin/jobs/user/add/").status_code == 403

    @pytest.mark.parametrize("path", ["/.git/config", "/static/../manage.py", "/media/x.pdf", "/__debug__/"])
    def test_what_is_not_for_the_web_is_not_there(self, db: None, path: str) -> None:
        assert Client().get(path).status_code == 404

    def test_a_page_fails_as_a_page(self, db: None) -> None:
        answer = Client().get("/nothing/here")
        assert answer.status_code == 404
        assert answer["Content-Type"].startswith("text/html")
        assert answer["X-Request-ID"] in answer.content.decode()

    def test_every_kind_of_problem_has_a_page(self, company_a: World) -> None:
        kinds, todo = set(), [errors.DomainError]
        while todo:
            kind = todo.pop()
            kinds.add(kind.code)
            todo += kind.__subclasses__()
        for code in kinds:
            page = Client().get(f"/problems/{code}")
            assert page.status_code == 200, code
            assert code in page.content.decode()
        assert Client().get("/problems/nonsense").status_code == 404


def test_company_is_named_by_the_token_only(company_a: World, company_b: World) -> None:
    for query in (f"company_id={company_b.id}", f"company={company_b.id}"):
        assert_problem(with_key(company_a).get(f"/members?{query}"), 422)
    owner = signed_in(company_a)
    assert_problem(owner.patch("/company", {"company_id": str(company_b.id), "paper": "Letter"}, 1), 422)
    with company(company_b.id):
        assert Company.objects.get().version == 1
