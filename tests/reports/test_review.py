"""Queue, review set, answers and approval, action by action."""

import uuid
import zlib
from datetime import timedelta

import pytest
from django.utils import timezone

from jobs import events
from jobs.access import Actor
from jobs.errors import (
    Conflict,
    Forbidden,
    Invalid,
    NotFound,
    PreconditionFailed,
    PreconditionRequired,
)
from jobs.models import Company, Event, Job, JobStatus, Role
from jobs.tenancy.context import company
from measurements import correct
from measurements.models import AnswerKind, Flag, FlagAnswer, Session
from reports import document as doc
from reports import review
from reports.models import Revision
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

LOW = {"s1": "95.0", "s2": "95.0", "s3": "70.0"}  # one outlet low, their sum right


def low_outlet(world: World) -> tuple[Flag, Actor]:
    """The flag of a job's low outlet, and who may answer it."""
    scene.measured(world, **LOW)
    return scene.seen(world).blocking[0].flag, scene.actor(world, "supervisor")


def rules(found: object) -> list[str]:
    return [state.flag.rule for state in found.blocking]  # type: ignore[attr-defined]


def set_company(world: World, **fields: object) -> None:
    with company(world.id):
        Company.objects.filter(id=world.id).update(**fields)


def test_a_submitted_job_stands_in_the_queue_and_its_set_names_everything(company_a: World) -> None:
    sessions = scene.measured(company_a)
    with company(company_a.id):
        entries = review.queue(scene.actor(company_a, "supervisor"))
    found = scene.seen(company_a)
    assert [(e.job.id, e.stops) for e in entries] == [(company_a.job.id, 0)]
    assert {one.session.id for one in found.measured} == set(sessions.values())
    assert [p.point.tag for s in found.systems for p in s.points] == ["MD-1", "BD-1", "S-1", "S-2", "S-3"]
    assert not found.missing
    assert not found.pending


def test_a_set_holds_the_systems_of_its_own_job(company_a: World) -> None:
    scene.measured(company_a)
    before = scene.seen(company_a)
    with company(company_a.id):
        other = factories.system(company_a.site, "AHU-9")
        factories.job(company_a.site, other)
    found = scene.seen(company_a)
    assert [one.system.tag for one in found.systems] == ["AHU-1"]
    assert found.digest == before.digest


def test_the_queue_puts_the_worse_of_two_submitted_jobs_first(company_a: World) -> None:
    scene.measured(company_a)
    with company(company_a.id):
        second = factories.job(company_a.site, company_a.system)
    hood = batches.hood(company_a, "S-1", "60.0", job=str(second.id))
    scene.post(company_a, hood)
    scene.evaluated(company_a)
    with company(company_a.id):
        Job.objects.filter(id=second.id).update(status=JobStatus.SUBMITTED)
        entries = review.queue(scene.actor(company_a, "supervisor"))
    assert [e.job.id for e in entries] == [second.id, company_a.job.id]
    assert entries[0].stops >= 1


def test_an_open_job_without_flags_is_not_in_the_queue(company_a: World) -> None:
    with company(company_a.id):
        assert review.queue(scene.actor(company_a, "supervisor")) == []


@pytest.mark.parametrize("role", ["owner", "dispatcher", "technician"])
def test_only_a_supervisor_reviews_answers_and_approves(company_a: World, role: str) -> None:
    actor, job = scene.actor(company_a, role), company_a.job
    with company(company_a.id):
        for act in (
            lambda: review.queue(actor),
            lambda: review.review_set(actor, job.id),
            lambda: review.approve(actor, job.id, seen_digest="x"),
            lambda: review.answer_flag(actor, job.id, kind=AnswerKind.ACCEPT, reason=scene.REASON),
        ):
            with pytest.raises(Forbidden):
                act()


def test_what_fails_must_be_answered_before_the_job_can_be_approved(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    found = scene.seen(company_a)
    assert rules(found) == ["out_of_tolerance"]
    with company(company_a.id), pytest.raises(Conflict) as refused:
        review.approve(scene.actor(company_a, "supervisor"), company_a.job.id, seen_digest=found.digest)
    assert [f.pointer for f in refused.value.faults] == [f"/flags/{found.blocking[0].flag.id}"]
    with company(company_a.id):
        assert Revision.objects.count() == 0


def test_an_accepted_flag_is_kept_with_reason_person_and_event(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    flag = scene.seen(company_a).blocking[0].flag
    with company(company_a.id):
        answer = review.answer_flag(
            scene.actor(company_a, "supervisor"),
            flag.id,
            kind=AnswerKind.ACCEPT,
            reason="  Damper is open. ",
        )
        event = Event.objects.get(verb="flag.answered", subject_id=flag.id)
    assert (answer.reason, answer.member_id) == ("Damper is open.", company_a.supervisor.id)
    assert event.content_digest == events.row_digest(answer)
    assert not scene.seen(company_a).blocking


@pytest.mark.parametrize("reason", ["", "too short", " " * 40, "x" * 2001])
def test_a_reason_has_ten_to_two_thousand_characters(company_a: World, reason: str) -> None:
    scene.measured(company_a, **LOW)
    flag = scene.seen(company_a).blocking[0].flag
    with company(company_a.id), pytest.raises(Invalid) as refused:
        review.answer_flag(
            scene.actor(company_a, "supervisor"), flag.id, kind=AnswerKind.ACCEPT, reason=reason
        )
    assert refused.value.faults[0].pointer == "/reason"


def test_what_is_sent_back_opens_the_job_and_a_newer_session_settles_it(company_a: World) -> None:
    sessions = scene.measured(company_a, **LOW)
    flag = scene.seen(company_a).blocking[0].flag
    supervisor = scene.actor(company_a, "supervisor")
    with company(company_a.id):
        review.answer_flag(supervisor, flag.id, kind=AnswerKind.REMEASURE, reason="Damper was still shut.")
        assert Job.objects.get().status == JobStatus.OPEN
    found = scene.seen(company_a)
    assert [state.state for state in found.blocking] == ["remeasure"]
    again = {"session": str(sessions["S-3"]), "reason": "Damper opened, measured again."}
    scene.post(company_a, batches.hood(company_a, "S-3", "83.0", supersedes=again))
    with company(company_a.id), pytest.raises(Conflict, match="newer session"):  # no rule looked yet
        review.answer_flag(supervisor, flag.id, kind=AnswerKind.ACCEPT, reason=scene.REASON)
    scene.evaluated(company_a)
    found = scene.seen(company_a)
    assert not found.blocking
    assert flag.id in {state.flag.id for state in found.past_flags}
    with company(company_a.id), pytest.raises(Conflict):
        review.answer_flag(supervisor, flag.id, kind=AnswerKind.ACCEPT, reason=scene.REASON)


def test_a_flag_that_was_cleared_stands_with_no_session(company_a: World) -> None:
    sessions = scene.measured(company_a, **LOW)
    before = scene.seen(company_a)
    flag = before.blocking[0].flag
    with company(company_a.id):
        FlagAnswer.objects.create(
            flag=flag, kind=AnswerKind.CLEARED, reason="No longer so.", answered_at=timezone.now()
        )
    for found, told in ((before, True), (scene.seen(company_a), False)):
        [one] = [one for one in found.measured if one.session.id == sessions["S-3"]]
        assert (flag.id in {state.flag.id for state in one.flags}) is told


def test_a_flag_on_a_void_session_takes_no_answer(company_a: World) -> None:
    flag, supervisor = low_outlet(company_a)
    with company(company_a.id):
        seen = Session.objects.get(id=flag.session_id).content_digest
        correct.void(supervisor, flag.session_id, seen_digest=seen, reason=scene.REASON)
        with pytest.raises(Conflict, match="is void"):  # no rule looked yet
            review.answer_flag(supervisor, flag.id, kind=AnswerKind.ACCEPT, reason=scene.REASON)
        assert not FlagAnswer.objects.filter(flag=flag).exists()


def test_flags_of_a_cancelled_job_take_no_answer(company_a: World) -> None:
    flag, supervisor = low_outlet(company_a)
    with company(company_a.id):
        Job.objects.update(status=JobStatus.CANCELLED)
        with pytest.raises(Conflict, match="cancelled"):
            review.answer_flag(supervisor, flag.id, kind=AnswerKind.ACCEPT, reason=scene.REASON)
        assert not FlagAnswer.objects.filter(flag=flag).exists()


def test_what_is_sent_back_is_named_where_it_stops_an_approval(company_a: World) -> None:
    flag, supervisor = low_outlet(company_a)
    with company(company_a.id):
        review.answer_flag(supervisor, flag.id, kind=AnswerKind.REMEASURE, reason=scene.REASON)
    scene.submit(company_a)
    seen = scene.seen(company_a).digest
    with company(company_a.id), pytest.raises(Conflict) as refused:
        review.approve(supervisor, company_a.job.id, seen_digest=seen)
    [told] = [one.detail for one in refused.value.faults if one.pointer == f"/flags/{flag.id}"]
    assert "sent back for re-measurement" in told


def test_one_accepts_no_flag_on_own_measurements(company_a: World) -> None:
    with company(company_a.id):
        scene.fine_tools(company_a)
    supervisor = scene.actor(company_a, "supervisor")
    scene.post(company_a, batches.hood(company_a, "S-3", "70.0"), actor=supervisor)
    scene.evaluated(company_a)
    flag = next(s.flag for s in scene.seen(company_a).flags if s.flag.rule == "out_of_tolerance")
    with company(company_a.id), pytest.raises(Forbidden):
        review.answer_flag(supervisor, flag.id, kind=AnswerKind.ACCEPT, reason=scene.REASON)
    with company(company_a.id):
        assert not FlagAnswer.objects.filter(flag=flag).exists()
        review.answer_flag(supervisor, flag.id, kind=AnswerKind.REMEASURE, reason=scene.REASON)


def test_a_flag_of_another_company_is_not_there(company_a: World, company_b: World) -> None:
    scene.measured(company_b, **LOW)
    flag = scene.seen(company_b).blocking[0].flag
    with company(company_a.id):
        for unknown in (flag.id, uuid.uuid4()):
            with pytest.raises(NotFound):
                review.answer_flag(
                    scene.actor(company_a, "supervisor"), unknown, kind=AnswerKind.ACCEPT, reason=scene.REASON
                )
        with pytest.raises(NotFound):
            review.review_set(scene.actor(company_a, "supervisor"), company_b.job.id)


def test_approval_freezes_what_was_seen_and_says_so_in_the_log(company_a: World) -> None:
    scene.measured(company_a)
    found = scene.seen(company_a)
    revision = scene.approved(company_a)
    data = zlib.decompress(revision.snapshot)
    with company(company_a.id):
        event = Event.objects.get(verb="job.approved")
        assert Job.objects.get().status == JobStatus.APPROVED
    assert revision.set_digest == found.digest
    assert revision.snapshot_digest == doc.digest(data) == event.content_digest
    report = doc.from_bytes(data)
    assert (report.report.revision, report.counts.passed + report.counts.conditional_pass) == (1, 5)
    assert report.report.self_approval == ""
    assert len(report.systems[0].sheets) == 2
    assert len(report.systems[0].outlets) == 3
    assert zlib.decompress(revision.readings_csv).count(b"\r\n") == 1 + 2 * 25 + 2 * 20 + 3 * 2


def test_approval_needs_the_digest_of_what_was_seen(company_a: World) -> None:
    scene.measured(company_a)
    found = scene.seen(company_a)
    supervisor = scene.actor(company_a, "supervisor")
    with company(company_a.id), pytest.raises(PreconditionRequired):
        review.approve(supervisor, company_a.job.id, seen_digest=None)
    scene.post(company_a, batches.hood(company_a, "S-3", "90.5"))
    with company(company_a.id), pytest.raises(PreconditionFailed):
        review.approve(supervisor, company_a.job.id, seen_digest=found.digest)
    newer = scene.seen(company_a)
    with company(company_a.id), pytest.raises(Conflict) as refused:
        review.approve(supervisor, company_a.job.id, seen_digest=newer.digest)
    assert "not evaluated" in refused.value.faults[0].detail


def test_every_part_of_the_set_changes_its_digest(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    digests = [scene.seen(company_a).digest]
    with company(company_a.id):
        flag = scene.seen(company_a).blocking[0].flag
        review.answer_flag(
            scene.actor(company_a, "supervisor"), flag.id, kind=AnswerKind.ACCEPT, reason=scene.REASON
        )
    digests.append(scene.seen(company_a).digest)
    with company(company_a.id):
        point = company_a.points["S-1"]
        type(point).objects.filter(id=point.id).update(design_flow=0.1, version=point.version + 1)
    digests.append(scene.seen(company_a).digest)
    set_company(company_a, version=company_a.company.version + 1)
    digests.append(scene.seen(company_a).digest)
    assert len(set(digests)) == len(digests)


def test_G1_only_a_submitted_job_is_approved_and_only_once(company_a: World) -> None:
    scene.measure(company_a)
    scene.evaluated(company_a)
    found = scene.seen(company_a)
    supervisor = scene.actor(company_a, "supervisor")
    with company(company_a.id), pytest.raises(Conflict):
        review.approve(supervisor, company_a.job.id, seen_digest=found.digest)
    scene.submit(company_a)
    scene.approved(company_a)
    with company(company_a.id), pytest.raises(Conflict) as refused:
        review.approve(supervisor, company_a.job.id, seen_digest=found.digest)
    assert "nothing changed since" in refused.value.detail


def test_G1_nobody_approves_a_job_they_measured_on_even_when_it_was_replaced(company_a: World) -> None:
    supervisor = scene.actor(company_a, "supervisor")
    with company(company_a.id):
        scene.fine_tools(company_a)
    own = batches.hood(company_a, "S-1", "60.0")
    scene.post(company_a, own, actor=supervisor)
    scene.measured(company_a)
    again = {"session": own["id"], "reason": "Measured again by the technician."}
    scene.post(company_a, batches.hood(company_a, "S-1", "90.0", supersedes=again))
    scene.evaluated(company_a)
    found = scene.seen(company_a)
    assert all(one.session.member_id != supervisor.member_id for one in found.measured)
    with company(company_a.id), pytest.raises(Forbidden):
        review.approve(supervisor, company_a.job.id, seen_digest=found.digest)
    with company(company_a.id):
        assert Revision.objects.count() == 0


def test_a_company_may_allow_self_approval_and_the_report_says_so(company_a: World) -> None:
    set_company(company_a, self_approval=True)
    with company(company_a.id):
        scene.fine_tools(company_a)
    supervisor = scene.actor(company_a, "supervisor")
    scene.post(company_a, batches.hood(company_a, "S-1", "90.0"), actor=supervisor)
    scene.evaluated(company_a)
    scene.submit(company_a)
    revision = scene.approved(company_a)
    report = doc.from_bytes(zlib.decompress(revision.snapshot)).report
    assert revision.self_approved
    assert company_a.supervisor.name in report.self_approval


def test_G3_a_session_after_approval_changes_nothing_and_a_new_approval_says_what_changed(
    company_a: World,
) -> None:
    sessions = scene.measured(company_a)
    first = scene.approved(company_a)
    again = {"session": str(sessions["S-2"]), "reason": "The hood had slipped."}
    began = (batches.now() - timedelta(minutes=5)).isoformat()
    newer = batches.hood(company_a, "S-2", "93.0", supersedes=again, started_at=began)
    scene.post(company_a, newer)
    scene.evaluated(company_a)
    with company(company_a.id):
        kept = Revision.objects.get(id=first.id)
        entries = review.queue(scene.actor(company_a, "supervisor"))
        Job.objects.filter(id=company_a.job.id).update(status=JobStatus.CANCELLED)
        assert review.queue(scene.actor(company_a, "supervisor")) == []
        Job.objects.filter(id=company_a.job.id).update(status=JobStatus.APPROVED)
    assert (kept.snapshot, kept.readings_csv) == (first.snapshot, first.readings_csv)
    assert [(e.job.id, e.after_approval) for e in entries] == [(company_a.job.id, 1)]
    second = scene.approved(company_a)
    report = doc.from_bytes(zlib.decompress(second.snapshot))
    assert (second.revision, second.supersedes_id) == (2, first.id)
    assert report.earlier is not None
    assert report.earlier.digest == first.snapshot_digest
    assert report.changes[0].what == "AHU-1 · S-2: measured again"
    assert "posted after approval" in report.changes[1].what
    assert report.changes[0].why == "The hood had slipped."
    assert "S-2" in report.systems[0].remark


def test_another_role_on_top_does_not_hinder_a_supervisor(company_a: World) -> None:
    scene.measured(company_a)
    with company(company_a.id):
        type(company_a.supervisor).objects.filter(id=company_a.supervisor.id).update(
            roles=[Role.SUPERVISOR, Role.OWNER]
        )
    assert scene.approved(company_a).revision == 1
