"""What stands between a job and its hand over, reckoned on the tablet from what it and the service know."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page

from tests.field.modules import called, module_page

pytestmark = pytest.mark.browser

JOB = {
    "id": "j",
    "status": "open",
    "remeasure": [{"flag": "f", "session": "old", "test_point": "b", "reason": "Open it"}],
    "systems": [
        {
            "id": "s",
            "tag": "AHU-1",
            "points": [
                {"id": "a", "tag": "A", "kind": "outlet", "current_session": None},
                {"id": "b", "tag": "B", "kind": "outlet", "current_session": "old"},
                {"id": "c", "tag": "C", "kind": "fan", "current_session": None},
            ],
        }
    ],
}


def session(point: str, state: str = "ready", person: str = "me", **body: Any) -> dict[str, Any]:
    usual: dict[str, Any] = {
        "started_at": "2026-03-02T09:00:00+01:00",
        "readings": [],
        "sweeps": [],
        "zero_checks": [],
    }
    return {
        "id": json.dumps([point, state, sorted(body)]), "job": "j", "point": point, "state": state,
        "person": person, "body": {**usual, "instruments": {}, **body},
    }  # fmt: skip


def known(**more: Any) -> dict[str, Any]:
    usual: dict[str, Any] = {
        "job": JOB,
        "state": None,
        "deferred": [],
        "pending": [],
        "sessions": [],
        "photos": [],
    }
    return {**usual, "person": "me", **more}


@pytest.fixture(scope="module")
def modules() -> Iterator[Page]:
    with module_page() as page:
        yield page


def reckoned(page: Page, **more: Any) -> dict[str, Any]:
    (found,) = called(page, "handover", "reckon", [[known(**more)]])
    assert "fault" not in found, found
    return dict(found)


def tags(rows: list[dict[str, Any]]) -> list[str]:
    return [row.get("tag") or row["point"]["tag"] for row in rows]


def test_what_is_on_the_tablet_counts_though_the_service_does_not_know_it(modules: Page) -> None:
    assert tags(reckoned(modules)["unmeasured"]) == ["A"]
    assert tags(reckoned(modules)["again"]) == ["B"]
    found = reckoned(modules, sessions=[session("a"), session("b", supersedes={"session": "old"})])
    assert (found["unmeasured"], found["again"]) == ([], [])
    for state in ("open", "refused"):  # these may never arrive
        found = reckoned(modules, sessions=[session("a", state)])
        assert tags(found["unmeasured"]) == ["A"]
    other = reckoned(modules, sessions=[session("b", supersedes={"session": "another"})])
    assert tags(other["again"]) == ["B"]


def test_whose_sessions_wait_is_told_apart(modules: Page) -> None:
    rows = [session("a"), session("a", "sent"), session("b", person="she"), session("b", "stored", "she")]
    found = reckoned(modules, sessions=rows)
    assert (len(found["waiting"]), len(found["others"])) == (2, 1)


def test_zero_checks_and_marks_of_what_was_not_sent_yet(modules: Page) -> None:
    reading = {"taken_at": "2026-03-02T09:05:00+01:00"}
    check = [
        {"instrument": "m", "at": "2026-03-02T09:01:00+01:00"},
        {"instrument": "m", "at": "2026-03-02T09:09:00+01:00"},
    ]
    bare: dict[str, Any] = {"instruments": {"pressure": "m"}, "readings": [reading]}
    calls = [
        [session("a", **bare)],
        [session("a", **bare, zero_checks=check)],
        [session("a", **bare, zero_checks=check[:1])],
        [session("a", **bare, zero_checks=[{**one, "instrument": "x"} for one in check])],
        [session("a", instruments={"hood": "h"}, readings=[reading])],
    ]
    assert called(modules, "handover", "lacksZero", calls) == [True, False, True, True, False]
    later = "2026-03-02T10:00:00+01:00"
    rows = [
        session("a", adjustment={"setting": "3", "marked": False}),
        session("b", adjustment={"setting": "4", "marked": True}, started_at=later),
        session("b", adjustment={"setting": "2", "marked": False}, note="first"),
    ]
    assert tags(reckoned(modules, sessions=rows)["marks"]) == ["A"]


def test_what_is_left_for_later_is_not_missing_until_it_is_measured(modules: Page) -> None:
    row = {"test_point": "a", "season": "heating", "reason": "Boiler", "at": "2026-03-01T00:00:00Z"}
    assert reckoned(modules, deferred=[row])["unmeasured"] == []
    back = {**row, "season": ""}
    assert tags(reckoned(modules, deferred=[back])["unmeasured"]) == ["A"]
    found = reckoned(modules, deferred=[row], sessions=[session("a")])
    assert (found["deferred"], found["unmeasured"]) == ([], [])
    waiting = {"job": "j", "body": {"test_point": "a", "season": "access", "reason": "Locked"}, "error": ""}
    assert [one["sent"] for one in reckoned(modules, pending=[waiting])["deferred"]] == [False]
