"""A disk that is nearly full: writing is refused before anything is half stored; reading goes on."""

import json
from typing import Any

import pytest
from django.conf import settings
from django.test import Client

from jobs import disk, due
from jobs.models import Customer, DueWork
from jobs.tenancy.context import company
from measurements.models import Session
from tests.doors.client import assert_problem, signed_in, with_key, with_token
from tests.doors.mutations import make, problem_of
from tests.factories import World
from tests.measurements import batches

READ = {"query": "{ jobs(first: 1) { edges { node { id } } } }"}


@pytest.fixture
def _nearly_full(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(disk, "free_share", lambda folder: 0.049)


def assert_refused(answer: Any) -> None:
    body = assert_problem(answer, 503, "busy")
    assert answer["Retry-After"] == str(disk.RETRY_AFTER_S)
    assert "nearly full" in body["detail"]


@pytest.mark.usefixtures("_nearly_full")
class TestNearlyFull:
    def test_a_batch_is_refused_whole_and_may_be_sent_again(
        self, company_a: World, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        tablet, body = with_token(company_a.technician_token), batches.body(batches.traverse(company_a))
        assert_refused(tablet.post("/field/batches", body, key="the-same"))
        with company(company_a.id):
            assert not Session.objects.exists()
        monkeypatch.setattr(disk, "free_share", lambda folder: 0.051)
        assert tablet.post("/field/batches", body, key="the-same").status_code == 200

    def test_a_page_says_so_too(self, company_a: World) -> None:
        answer = signed_in(company_a).client.post("/me", {"name": "Other"})
        assert answer.status_code == 503
        assert "nearly full" in answer.content.decode()

    def test_reading_and_signing_in_go_on(self, company_a: World) -> None:
        assert with_key(company_a).get("/jobs").status_code == 200
        asked = json.dumps(READ).encode()
        assert "errors" not in with_key(company_a).client.post(
            "/graphql", asked, content_type="application/json", headers=company_a.bearer
        ).json()  # fmt: skip
        assert Client().post(settings.LOGIN_URL, {"email": "x", "password": "y"}).status_code == 422

    def test_a_change_by_graphql_is_refused(self, company_a: World) -> None:
        told = problem_of(make(with_key(company_a), "customer_add", body={"name": "Town"}), 503)
        assert "nearly full" in told["detail"]
        with company(company_a.id):
            assert not Customer.objects.filter(name="Town").exists()

    def test_due_work_waits_and_is_not_counted_as_tried(self, company_a: World) -> None:
        with company(company_a.id):
            due.schedule("evaluate", company_a.job.id)
        assert due.work(company_a.id) == 0
        with company(company_a.id):
            assert [row.attempts for row in DueWork.objects.filter(kind="evaluate")] == [0]


def test_what_is_free_is_asked_of_the_system(tmp_path: Any) -> None:
    share = disk.free_share(tmp_path)
    assert share is not None
    assert 0 < share < 1
    assert disk.free_share(tmp_path / "not-there") is None


def test_further_folders_are_watched(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.DISK_WATCHED = ["/var/lib/database"]
    monkeypatch.setattr(disk, "free_share", lambda folder: 0.01 if str(folder) == "/var/lib/database" else 1)
    assert disk.is_nearly_full()
    settings.DISK_FREE_PERCENT = 0
    assert not disk.is_nearly_full()
