"""A clock that jumped: the process answers nothing and works nothing until it is right; others go on."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.db import DatabaseError
from django.test import Client

from jobs import clock, due, tasks
from jobs.models import DueWork
from jobs.tenancy.context import company
from measurements.models import Session
from tests.doors.client import assert_problem, signed_in, with_key, with_token
from tests.factories import World
from tests.measurements import batches
from tests.statement_guard import Guard

HOUR, DAY = 3600.0, 86400.0


@pytest.fixture
def jump(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[float], None]]:
    """Sets the clock of this process ahead by some seconds, or right again."""
    real = clock._wall

    def act(seconds: float) -> None:
        monkeypatch.setattr(clock, "_wall", lambda: real() + seconds)

    yield act
    monkeypatch.undo()
    clock.look()


def assert_refused(answer: Any) -> None:
    body = assert_problem(answer, 503, "busy")
    assert answer["Retry-After"] == str(clock.RETRY_AFTER_S)
    assert "clock" in body["detail"]


@pytest.mark.parametrize("seconds", [HOUR, -HOUR, -DAY, 40 * DAY])
def test_nothing_is_stored_or_shown_by_a_process_whose_clock_jumped(
    company_a: World, jump: Callable[[float], None], seconds: float
) -> None:
    tablet, body = with_token(company_a.technician_token), batches.body(batches.traverse(company_a))
    jump(seconds)
    assert_refused(tablet.post("/field/batches", body, key="the-same"))
    assert_refused(with_key(company_a).get("/jobs"))
    with company(company_a.id):
        assert not Session.objects.exists()
    jump(0.0)
    assert tablet.post("/field/batches", body, key="the-same").status_code == 200


def test_pages_say_so_in_words_and_supervisors_are_answered(
    company_a: World, jump: Callable[[float], None]
) -> None:
    page = signed_in(company_a).client
    jump(HOUR)
    answer = page.get("/jobs")
    assert answer.status_code == 503
    assert "The clock of this server is wrong" in answer.content.decode()
    assert Client().get("/healthz").status_code == 200
    ready = Client().get("/readyz")
    assert (ready.status_code, ready.json()["clock"]) == (503, "wrong, or not known")
    jump(0.0)
    assert page.get("/jobs").status_code == 200


def test_due_work_waits_for_another_worker_and_is_not_counted_as_tried(
    company_a: World, jump: Callable[[float], None]
) -> None:
    with company(company_a.id):
        due.schedule("evaluate", company_a.job.id)
    jump(-DAY)
    assert due.work(company_a.id) == 0
    assert tasks.sweep() == 0  # returns before it tells anything
    assert tasks.number_events(str(company_a.id)) == 0
    with company(company_a.id):
        assert [row.attempts for row in DueWork.objects.filter(kind="evaluate")] == [0]
    jump(0.0)
    assert due.work(company_a.id) > 0


def test_what_a_clock_that_jumped_in_the_middle_would_have_dated_is_not_kept(
    company_a: World, jump: Callable[[float], None]
) -> None:
    with company(company_a.id):
        due.schedule("evaluate", company_a.job.id)
        claim = due.claim(["evaluate"])
        assert claim is not None
        jump(HOUR)
        with pytest.raises(due.LeaseLost):
            claim.finish()
        with pytest.raises(due.LeaseLost):
            claim.put_back(timedelta(days=1))
        assert DueWork.objects.filter(kind="evaluate", state="claimed").exists()
        jump(0.0)
        claim.finish()
        assert not DueWork.objects.filter(kind="evaluate").exists()


def test_a_question_that_took_long_tells_nothing(
    db: None, jump: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process that stood still in the middle of it would take its own pause for a wrong clock."""
    jump(HOUR)
    monkeypatch.setattr(clock, "LOOK_S", -1.0)
    assert not clock.is_wrong()
    monkeypatch.setattr(clock, "LOOK_S", 2.0)
    assert clock.is_wrong()
    monkeypatch.setattr(clock, "LOOK_S", -1.0)
    assert clock.is_wrong(), "nor does it make a wrong clock right"


def test_some_seconds_are_borne_and_a_clock_that_runs_right_costs_no_question(
    company_a: World, jump: Callable[[float], None], statement_guard: Guard, django_assert_num_queries: Any
) -> None:
    jump(9.5)
    assert not clock.is_wrong()
    with django_assert_num_queries(0):
        assert not clock.is_wrong()
    jump(11.0)
    assert clock.is_wrong()


def test_a_clock_that_drifts_slowly_is_seen_by_who_asks_whether_the_process_is_ready(
    db: None, jump: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both clocks of a host drift alike, so that no jump tells."""
    jump(HOUR)
    gap = clock._gap()
    monkeypatch.setattr(clock, "_seen", clock._Seen(0.0, gap))
    assert not clock.is_wrong()
    assert Client().get("/readyz").status_code == 503
    assert clock.is_wrong()


def test_without_the_database_nothing_is_known(
    jump: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone() -> bool:
        raise DatabaseError("away")

    with monkeypatch.context() as patch:
        patch.setattr(clock, "look", gone)
        patch.setattr(clock, "_seen", None)
        assert not clock.is_wrong()
