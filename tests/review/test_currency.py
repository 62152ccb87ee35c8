"""What an approval binds rests on what is known: results and flags follow a change of their inputs."""

from typing import Any
from uuid import UUID

import pytest
from django.utils import timezone

from jobs import dispatch, due, register
from jobs.errors import Conflict
from jobs.models import Company, DueState, DueWork, Job, JobStatus, TestPoint
from jobs.tenancy.context import company
from measurements.compute import compute
from measurements.evaluate import evaluate_session
from measurements.inputs import inputs_of
from measurements.loading import load
from measurements.models import AnswerKind, Flag, Result
from measurements.rules import apply_rules
from measurements.submit import submit_job
from reports import issue, review
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene


def posted(world: World, one: dict[str, Any]) -> UUID:
    assert [o.outcome for o in batches.post(world, one)] == ["stored"]
    return batches.ids([one])[0]


def approve(world: World) -> Any:
    found = scene.accept_all(world)
    with company(world.id):
        return review.approve(scene.actor(world, "supervisor"), world.job.id, seen_digest=found.digest)


def state(world: World, flag: Flag) -> str | None:
    newest = flag.answers.order_by("-answered_at", "-id").first()
    return newest.kind if newest else None


def change_design(world: World, flow: float) -> None:
    with company(world.id):
        point = TestPoint.objects.get(id=world.points["S-1"].id)
        register.change_point(
            world.actor("dispatcher"), point.id, seen=point.version, changes={"design_flow": flow}
        )


def test_a_design_changed_after_the_evaluation_is_judged_before_approval(company_a: World) -> None:
    sessions = scene.measured(company_a)
    change_design(company_a, 0.2)
    found = scene.accept_all(company_a)
    assert [one.session.id for one in found.pending] == [sessions["S-1"]]
    with company(company_a.id), pytest.raises(Conflict) as refused:
        review.approve(scene.actor(company_a, "supervisor"), company_a.job.id, seen_digest=found.digest)
    assert "changed" in refused.value.faults[0].detail
    scene.evaluated(company_a)
    approve(company_a)
    with company(company_a.id):
        newest = Result.objects.filter(session=sessions["S-1"]).latest("computed_at")
        assert (newest.design_flow, newest.verdict) == (0.2, "fail")


def test_an_approval_without_a_second_look_is_refused_too(company_a: World) -> None:
    """The look came before the change of a table that the set's digest does not hold: a certificate."""
    sessions = scene.measured(company_a)
    found = scene.accept_all(company_a)
    with company(company_a.id):
        factories.certificate(company_a.instruments["hood"], on=timezone.now().date())
    with company(company_a.id), pytest.raises(Conflict):
        review.approve(scene.actor(company_a, "supervisor"), company_a.job.id, seen_digest=found.digest)
    assert {one.session.id for one in scene.seen(company_a).pending} == {
        sessions[tag] for tag in ("S-1", "S-2", "S-3")
    }


def test_the_rule_of_the_house_that_is_printed_is_the_one_that_judged(company_a: World) -> None:
    sessions = scene.measured(company_a)
    with company(company_a.id):
        Company.objects.update(decision_rule="guarded", decision_parameter=1.0, version=7)
    assert len(scene.seen(company_a).pending) == len(sessions)
    scene.evaluated(company_a)
    assert scene.seen(company_a).pending == []
    with company(company_a.id):
        newest = Result.objects.filter(session=sessions["S-1"]).latest("computed_at")
        assert newest.inputs["judgement"]["rule"]["kind"] == "guarded"


def test_nothing_is_due_again_while_nothing_changed(company_a: World) -> None:
    scene.measured(company_a)
    assert scene.seen(company_a).pending == []
    with company(company_a.id):
        assert not DueWork.objects.filter(kind="evaluate").exists()


def test_a_design_that_comes_back_gets_a_result_of_its_own_and_then_stands(company_a: World) -> None:
    sessions = scene.measured(company_a)
    usual = company_a.points["S-1"].design_flow
    for count, flow in enumerate((0.2, usual, 0.2, usual), 2):
        change_design(company_a, flow)
        assert [one.session.id for one in scene.seen(company_a).pending] == [sessions["S-1"]]
        scene.evaluated(company_a)
        assert scene.seen(company_a).pending == []
        with company(company_a.id):
            rows = Result.objects.filter(session=sessions["S-1"]).order_by("computed_at", "id")
            assert [one.design_flow for one in rows] == [usual, 0.2, usual, 0.2, usual][:count]


def test_a_certificate_entered_late_clears_its_flag(company_a: World) -> None:
    with company(company_a.id):
        hood = factories.instrument(
            factories.InstrumentKind.FLOW_HOOD, (factories.Quantity.FLOW, 0.01, 1.2, 1e-4)
        )
    session = posted(company_a, batches.hood(company_a, instruments={"hood": str(hood.id)}))
    scene.evaluated(company_a)
    with company(company_a.id):
        flag = Flag.objects.get(session=session, rule="without_certificate")
        factories.certificate(hood)
        submit_job(batches.technician(company_a), company_a.job.id)
    scene.evaluated(company_a)
    with company(company_a.id):
        assert state(company_a, flag) == AnswerKind.CLEARED


def test_who_is_assigned_late_clears_the_flag(company_a: World) -> None:
    with company(company_a.id):
        actor = company_a.actor("supervisor")
    one = batches.hood(company_a)
    assert batches.post(company_a, one, actor=actor)[0].outcome == "stored"
    session = batches.ids([one])[0]
    scene.evaluated(company_a)
    with company(company_a.id):
        flag = Flag.objects.get(session=session, rule="technician_not_assigned")
        dispatch.assign_person(
            company_a.actor("dispatcher"), company_a.job.id, member_id=company_a.supervisor.id
        )
    scene.evaluated(company_a)
    with company(company_a.id):
        assert state(company_a, flag) == AnswerKind.CLEARED


def test_an_accepted_deficiency_that_is_none_any_more_is_not_printed(company_a: World) -> None:
    sessions = scene.measured(company_a, s1="70.0")
    scene.accept_all(company_a)
    with company(company_a.id):
        flag = Flag.objects.get(session=sessions["S-1"], rule="out_of_tolerance")
        assert state(company_a, flag) == AnswerKind.ACCEPT
    change_design(company_a, 0.07)
    scene.seen(company_a)
    scene.evaluated(company_a)
    found = scene.seen(company_a)
    assert flag.id not in {one.flag.id for one in found.flags}
    with company(company_a.id):
        assert state(company_a, flag) == AnswerKind.CLEARED


def test_a_flag_is_not_raised_on_what_was_superseded_meanwhile(company_a: World) -> None:
    old = batches.hood(company_a, flow="30.0")
    session = posted(company_a, old)
    with company(company_a.id):
        loaded = load(session)
        computed = compute(inputs_of(loaded))
    newer = batches.hood(company_a, supersedes={"session": old["id"], "reason": "Hood sat badly."})
    newest = posted(company_a, newer)
    with company(company_a.id):
        evaluate_session(newest)
        apply_rules(loaded, computed)
        assert not Flag.objects.filter(session=session).exists()


def test_an_evaluation_given_up_has_a_fresh_start_when_the_supervisor_looks(company_a: World) -> None:
    session = posted(company_a, batches.hood(company_a))
    with company(company_a.id):
        DueWork.objects.filter(kind="evaluate").update(state=DueState.PARKED, attempts=3, error="gone")
    scene.evaluated(company_a)
    assert [one.session.id for one in scene.seen(company_a).pending] == [session]
    scene.evaluated(company_a)
    assert scene.seen(company_a).pending == []


def test_looking_at_an_approved_job_changes_nothing(company_a: World) -> None:
    scene.measured(company_a)
    approve(company_a)
    with company(company_a.id):
        factories.certificate(company_a.instruments["hood"], on=timezone.now().date())
    assert scene.seen(company_a).pending == []
    with company(company_a.id):
        assert not DueWork.objects.filter(kind="evaluate").exists()


def test_what_came_before_approval_did_so_when_looked_at_again(company_a: World) -> None:
    sessions = scene.measured(company_a)
    approve(company_a)
    with company(company_a.id):
        Company.objects.update(tolerance_above=0.2, version=9)
    scene.seen(company_a)
    scene.evaluated(company_a)
    with company(company_a.id):
        assert Result.objects.filter(session=sessions["S-1"]).count() == 2
        assert not Flag.objects.filter(rule="posted_after_approval").exists()


@pytest.mark.parametrize("status", [JobStatus.OPEN, JobStatus.SUBMITTED, JobStatus.CANCELLED])
def test_a_job_sent_back_or_cancelled_issues_nothing(company_a: World, status: JobStatus) -> None:
    scene.measured(company_a)
    revision = approve(company_a)
    with company(company_a.id):
        Job.objects.filter(id=company_a.job.id).update(status=status)
        with pytest.raises(Conflict, match="since this revision was approved"):
            issue.issue(scene.actor(company_a, "supervisor"), revision.id)


def test_the_assignment_is_looked_at_once(company_a: World) -> None:
    with company(company_a.id):
        due.schedule("assignment", company_a.job.id)
    assert due.work(company_a.id) == 1
    with company(company_a.id):
        assert not DueWork.objects.exists()
