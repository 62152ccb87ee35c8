"""Where a job stands, as a tablet asks for it: sessions, states of points, what is missing; who may ask."""

from functools import partial
from typing import Any
from uuid import UUID

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from jobs.models import Job, JobStatus, Member, PointKind, System, TestPoint
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.correct import void
from measurements.evaluate import evaluate_session
from measurements.models import AnswerKind, Flag, FlagAnswer, Session
from tests import factories
from tests.factories import World, bearer
from tests.measurements import batches

pytestmark = pytest.mark.django_db
API = "/api/v1"


def ask(client: Client, world: World, job: Any = None, token: str = "", **headers: str) -> Any:
    path = f"{API}/field/jobs/{job or world.job.id}/state"
    return client.get(path, headers=bearer(token or world.technician_token) | headers)


def state(world: World) -> dict[str, Any]:
    answer = ask(Client(), world)
    assert answer.status_code == 200, answer.content
    found: dict[str, Any] = answer.json()
    return found


def states(found: dict[str, Any]) -> dict[str, str]:
    return {point["tag"]: point["state"] for system in found["systems"] for point in system["points"]}


def lacks(found: dict[str, Any], kind: str) -> list[str]:
    return [one["point"] for one in found["missing"] if one["kind"] == kind]


def evaluated(world: World, *sent: dict[str, Any]) -> None:
    with company(world.id):
        for one in sent:
            evaluate_session(UUID(one["id"]))


def measured(world: World, *sent: dict[str, Any]) -> None:
    assert [one.outcome for one in batches.post(world, *sent)] == ["stored"] * len(sent)
    evaluated(world, *sent)


def sent_back(world: World, rule: str, reason: str = "Open the damper first") -> None:
    with company(world.id):
        FlagAnswer.objects.create(
            flag=Flag.objects.get(rule=rule, answers=None), kind=AnswerKind.REMEASURE, reason=reason,
            member=world.supervisor, answered_at=timezone.now(),
        )  # fmt: skip


def test_a_job_without_sessions_lacks_every_point_that_needs_a_figure(fine: World) -> None:
    with company(fine.id):
        factories.outlet(fine.system, "FAN-1", kind=PointKind.FAN, design_flow=None)
    found = state(fine)
    assert found["job"] == str(fine.job.id)
    assert (found["status"], found["sessions"], found["flags"]) == ("open", [], [])
    assert set(states(found).values()) == {"to_do"}
    needed = {p["tag"]: p["needed"] for s in found["systems"] for p in s["points"]}
    assert needed["FAN-1"] is False
    assert sorted(lacks(found, "session")) == ["BD-1", "MD-1", "S-1", "S-2", "S-3"]


def test_a_session_goes_from_measured_to_done_with_its_line(fine: World) -> None:
    sent = batches.hood(fine, flow="89.6")
    batches.post(fine, sent)
    found = state(fine)
    (line,) = found["sessions"]
    assert (line["id"], line["evaluated"], line["result"]) == (sent["id"], False, None)
    assert states(found)["S-1"] == "measured"
    assert lacks(found, "evaluation") == ["S-1"]
    evaluated(fine, sent)
    found = state(fine)
    (line,) = found["sessions"]
    assert states(found)["S-1"] == "done"
    assert lacks(found, "evaluation") == []
    assert (line["member_name"], line["method"]) == (fine.technician.name, "hood_reading")
    assert (line["counts"], line["stands"], line["evaluated"]) == ("current", True, True)
    result = line["result"]
    assert (result["measurand"], result["unit"]) == ("flow", "m³/s")
    assert result["value"] == pytest.approx(0.0896, rel=0.02)
    assert 0.0 < result["expanded_uncertainty"] < 0.01
    assert result["k"] > 1.9
    assert result["share"] == pytest.approx(result["value"] / 0.09)
    assert result["verdict"] in ("pass", "conditional_pass")


def test_flags_are_told_until_they_are_answered(fine: World) -> None:
    sent = batches.hood(fine, flow="60.0")
    measured(fine, sent)
    found = state(fine)
    assert states(found)["S-1"] == "flagged"
    flag = next(one for one in found["sessions"][0]["flags"] if one["rule"] == "out_of_tolerance")
    assert (flag["severity"], flag["answered"]) == ("stop", None)
    assert all(flag[name] for name in ("id", "seen", "expected", "advice"))
    with company(fine.id):
        for row in Flag.objects.all():
            FlagAnswer.objects.create(
                flag=row, kind=AnswerKind.ACCEPT, reason="As the engineer wants it", member=fine.supervisor,
                answered_at=timezone.now(),
            )  # fmt: skip
    found = state(fine)
    assert (states(found)["S-1"], found["sessions"][0]["flags"]) == ("done", [])


def test_a_request_stands_until_the_point_is_measured_again(fine: World) -> None:
    old = batches.hood(fine, flow="60.0")
    measured(fine, old)
    sent_back(fine, "out_of_tolerance")
    found = state(fine)
    assert states(found)["S-1"] == "remeasure"
    (lack,) = [one for one in found["missing"] if one["kind"] == "remeasure"]
    assert (lack["point"], lack["reason"]) == ("S-1", "Open the damper first")
    asked = next(one for one in found["sessions"][0]["flags"] if one["id"] == lack["flag"])["answered"]
    assert (asked["kind"], asked["by"]) == ("remeasure", fine.supervisor.name)
    new = batches.hood(fine, supersedes={"session": old["id"], "reason": "Damper opened"})
    batches.post(fine, new)
    found = state(fine)  # the worker has not looked yet, and still nobody is asked twice
    assert states(found)["S-1"] == "measured"
    assert lacks(found, "remeasure") == []
    by_id = {one["id"]: one for one in found["sessions"]}
    assert (by_id[old["id"]]["counts"], by_id[old["id"]]["flags"]) == ("superseded", [])
    assert by_id[new["id"]]["supersedes"] == old["id"]
    evaluated(fine, new)
    assert states(state(fine))["S-1"] == "done"


def test_a_void_session_counts_no_more(fine: World) -> None:
    sent = batches.hood(fine)
    measured(fine, sent)
    with company(fine.id):
        seen = Session.objects.get(id=sent["id"]).content_digest
        void(fine.actor("supervisor"), UUID(sent["id"]), seen_digest=seen, reason="It was another outlet.")
    found = state(fine)
    (line,) = found["sessions"]
    assert (line["counts"], line["stands"]) == ("void", False)
    assert states(found)["S-1"] == "to_do"
    assert "S-1" in lacks(found, "session")


def test_of_two_rounds_the_newest_stands(fine: World) -> None:
    first, last = batches.hood(fine, flow="60.0"), batches.hood(fine, flow="89.0")
    last["started_at"] = last["finished_at"] = batches.now().isoformat()
    measured(fine, first, last)
    found = state(fine)
    assert {one["id"]: one["stands"] for one in found["sessions"]} == {first["id"]: False, last["id"]: True}
    point = next(p for s in found["systems"] for p in s["points"] if p["tag"] == "S-1")
    assert point["sessions"] == [last["id"]]


def test_an_evaluation_that_gives_no_figure_says_why(fine: World) -> None:
    sent = batches.traverse(fine, conditions={"air_temperature": batches.amount("480", "Cel")})
    assert batches.post(fine, sent)[0].outcome == "stored"
    evaluated(fine, sent)
    line = state(fine)["sessions"][-1]
    assert (line["evaluated"], line["result"]) == (True, None)
    assert line["refusal"]


def test_zero_checks_that_were_left_out_are_missing(fine: World) -> None:
    measured(fine, batches.traverse(fine, zero_checks=[]))
    assert lacks(state(fine), "zero_check") == ["MD-1"]


def test_every_damper_of_a_balanced_system_lacks_its_mark_until_it_has_one(fine: World) -> None:
    measured(fine, batches.hood(fine, "S-1"), batches.hood(fine, "S-2"))
    assert lacks(state(fine), "mark") == []  # nothing was balanced
    first = batches.hood(fine, "S-1", adjustment={"setting": "3 of 6", "done": "closed by one"})
    measured(fine, first)
    assert lacks(state(fine), "mark") == ["S-1", "S-2"]  # S-3 was not measured yet
    marked = batches.hood(
        fine, "S-1", adjustment={"setting": "3 of 6", "marked": True},
        supersedes={"session": first["id"], "reason": "Marked now"}, started_at=batches.now().isoformat(),
        finished_at=batches.now().isoformat(),
    )  # fmt: skip
    measured(fine, marked)
    assert lacks(state(fine), "mark") == ["S-2"]


def test_an_unchanged_state_is_304(client: Client, fine: World) -> None:
    measured(fine, batches.hood(fine))
    tag = ask(client, fine).headers["ETag"]
    same = ask(client, fine, **{"If-None-Match": f'"x", W/{tag}'})
    assert (same.status_code, same.content) == (304, b"")
    assert same.headers["ETag"] == tag

    def renamed() -> None:
        Member.objects.filter(id=fine.technician.id).update(name="N. Body", version=2)

    def point_exchanged() -> None:  # as many points as before, and none changed
        fine.points["S-3"].delete()
        factories.outlet(fine.system, "S-3")

    for change in (
        lambda: batches.post(fine, batches.hood(fine, "S-2")),
        lambda: TestPoint.objects.filter(tag="S-1").update(tag="S-01", version=2),
        lambda: System.objects.update(tag="AHU-01", version=2),
        renamed,
        point_exchanged,
        lambda: fine.job.job_systems.create(system=factories.system(fine.site, "EF-1")),
        lambda: Job.objects.update(status=JobStatus.SUBMITTED),
    ):
        with company(fine.id):
            change()
        found = ask(client, fine, **{"If-None-Match": tag})
        assert found.status_code == 200, change
        tag = found.headers["ETag"]


def test_who_may_ask(client: Client, fine: World) -> None:
    other = factories.make_world(factories.SECOND)
    unknown, foreign = ask(client, fine, uuid7()), ask(client, fine, other.job.id)
    assert unknown.status_code == foreign.status_code == 404
    shown = [{k: v for k, v in one.json().items() if k != "instance"} for one in (unknown, foreign)]
    assert shown[0] == shown[1]
    assert ask(client, fine, token=fine.key_text).status_code == 403
    assert ask(client, fine, token=fine.tablet).status_code == 403
    assert ask(client, fine, token="x.y").status_code == 401
    assert client.get(f"{API}/field/jobs/{fine.job.id}/state").status_code == 401


def test_the_number_of_statements_does_not_grow(client: Client, fine: World) -> None:
    def widen(number: int) -> None:
        sent = []
        with company(fine.id):
            for _ in range(number):
                system = factories.system(fine.site, uuid7().hex[-6:])
                fine.job.job_systems.create(system=system)
                fine.points["X"] = factories.outlet(system, "S-1")
                factories.plane(system)
                sent.append(batches.hood(fine, "X", "60.0", adjustment={"setting": "open"}))
        measured(fine, *sent)
        sent_back_all(fine)

    counts = []
    for more in (2, 8):
        widen(more)
        ask(client, fine)
        with CaptureQueriesContext(connection) as seen:
            partial(ask, client, fine)()
        counts.append(len(seen))
    assert counts[0] == counts[1]


def sent_back_all(world: World) -> None:
    with company(world.id):
        for flag in Flag.objects.filter(rule="out_of_tolerance", answers=None):
            FlagAnswer.objects.create(
                flag=flag, kind=AnswerKind.REMEASURE, reason="Open the damper first",
                member=world.supervisor, answered_at=timezone.now(),
            )  # fmt: skip
