"""A bad instrument finds its results: which, computed how, decided by whom, and nothing else changes."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from uuid import UUID

import pytest
from django.db import connection, transaction
from django.db.utils import DatabaseError
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from jobs import due, events
from jobs.errors import Conflict, Forbidden, Invalid, NotFound
from jobs.events import digest
from jobs.models import (
    CertificatePoint,
    Company,
    DueWork,
    Event,
    InstrumentRange,
    Job,
    JobStatus,
    Member,
    Quantity,
)
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements import calc, recall
from measurements.compute import compute, figures_of
from measurements.current import current_results
from measurements.evaluate import evaluate_session
from measurements.inputs import inputs_of
from measurements.loading import QUANTITY_OF_USE, load, local_day
from measurements.models import (
    Flag,
    FlagAnswer,
    RecallCase,
    RecallDecision,
    RecallItem,
    RecallPart,
    Result,
    Session,
)
from measurements.queries import current_items, undecided_items
from measurements.recall_decisions import decide
from measurements.standin import StandIn, points_of, stand_ins
from measurements.worklist import worklist
from tests import factories
from tests.factories import World
from tests.measurements import batches, methods
from tests.measurements.conftest import make_fine
from tests.measurements.recalls import REASON, certify, items, measured, only_case, worked
from tests.races import at_once, wait_until_blocked

LIMIT = calc.RangeLimits(0.0, 100.0, calc.Accuracy(of_reading=0.01, absolute=0.5))


def point(reference: float, shown: float, U: float = 0.1) -> calc.JudgedPoint:
    return calc.judge_points([(reference, shown, U)], [LIMIT])[0]


def test_equal_to_the_limit_is_inside_and_more_is_outside() -> None:
    at = point(50.0, (50.0 + 0.5) / 0.99)  # error = 0.5 + 1 % of what was shown
    assert at.error == pytest.approx(at.limit, rel=1e-12)
    assert not at.outside
    assert at.only_by_u
    assert point(50.0, at.shown + 1e-5).outside
    assert point(50.0, 50.0 - 1.01).outside
    assert not point(50.0, 50.2).only_by_u


@given(st.decimals(min_value=1, max_value=90, places=2), st.integers(min_value=1, max_value=40))
def test_decimal_figures_at_the_limit_are_inside_in_binary_too(reference: object, tenths: int) -> None:
    promise = calc.RangeLimits(0.0, 1000.0, calc.Accuracy(absolute=tenths / 10))
    value = float(str(reference))
    shown = round(value + tenths / 10, 2)
    assert not calc.judge_points([(value, shown, 0.1)], [promise])[0].outside
    assert calc.judge_points([(value, shown + 0.01, 0.1)], [promise])[0].outside


def test_the_smallest_range_that_holds_the_reading_judges_and_no_promise_judges_nothing() -> None:
    wide = calc.RangeLimits(0.0, 1000.0, calc.Accuracy(of_span=0.02, span=1000.0))
    found = calc.judge_points([(50.0, 52.0, 0.1), (200.0, 215.0, 0.1)], [wide, LIMIT])
    assert [one.outside for one in found] == [True, False]
    assert calc.judge_points([(50.0, 99.0, 0.1)], [])[0].limit is None
    silent = calc.RangeLimits(0.0, 100.0, calc.Accuracy())
    assert not calc.judge_points([(50.0, 99.0, 0.1)], [silent])[0].outside


def used(session: UUID) -> UUID:
    """The manometer's certificate behind a session's result."""
    rows = current_results([session])[session].inputs["certificates"]
    return UUID(next(row["certificate"] for row in rows if row["use"] == "pressure"))


# A case opens


@pytest.mark.django_db
def test_a_certificate_found_outside_opens_its_case_by_itself(fine: World) -> None:
    [session] = measured(fine)
    certificate = certify(fine)
    with company(fine.id):
        assert not RecallCase.objects.exists()  # it is due, not done in the request
    worked(fine)
    case = only_case(fine)
    with company(fine.id):
        assert (case.certificate_id, case.last_good_id) == (certificate.id, used(session))
        assert (case.quantity, case.ground, case.opened_by_id) == ("pressure", "found", None)
        assert case.starts_on == case.last_good.calibrated_on
        assert case.ends_on == certificate.calibrated_on
        [item] = items(case)
        assert item.session_id == session
        opened = Event.objects.get(verb="recall.opened")
        assert (opened.subject_id, opened.content_digest) == (case.id, events.row_digest(case))
        stored = Event.objects.get(verb="recall.computed")
        assert stored.content_digest == events.row_digest(item)
        assert not DueWork.objects.exists()
        assert not RecallPart.objects.exists()


@pytest.mark.django_db
def test_a_certificate_found_inside_opens_none(fine: World) -> None:
    measured(fine)
    certify(fine, error=0.004)
    worked(fine)
    with company(fine.id):
        assert not RecallCase.objects.exists()


@pytest.mark.django_db
def test_the_last_good_is_no_entry_that_was_replaced_or_left_wrong(fine: World) -> None:
    """Newest to oldest: found bad; left outside; superseded; the one that was good."""
    today = batches.now().date()
    with company(fine.id):
        tool = fine.instruments["pressure"]
        wrong = factories.certificate(tool, on=today - timedelta(days=12))  # leaves 0.2 %, of 0.5 % allowed
        factories.certificate(tool, on=today - timedelta(days=14), supersedes=wrong)
        fair = today - timedelta(days=10)
    bad = certify(fine, on=fair, error=0.0)
    with company(fine.id):
        InstrumentRange.objects.filter(instrument=tool).update(accuracy_of_reading=0.0015)
        # as-left of factories and of conftest (0.2 %) lie outside now, that of `bad` is true
        last = recall.last_good(certify(fine), "pressure")
        assert last is not None
        assert last.id == bad.id
        InstrumentRange.objects.filter(instrument=tool).update(accuracy_of_reading=0.01)
        older = recall.last_good(bad, "pressure")
        assert older is not None
        assert older.id != wrong.id
        assert older.calibrated_on == today - timedelta(days=14)


@pytest.mark.django_db
def test_without_an_earlier_good_certificate_all_sessions_are_in_doubt(fine: World) -> None:
    sessions = measured(fine)
    certify(fine)
    with company(fine.id):
        InstrumentRange.objects.filter(instrument=fine.instruments["pressure"]).update(
            accuracy_of_reading=0.001
        )
    worked(fine)
    case = only_case(fine)
    assert (case.last_good, case.starts_on) == (None, None)
    with company(fine.id):
        assert recall.touched(case) == sessions


@pytest.mark.django_db
def test_entered_twice_by_two_workers_it_is_one_case(fine: World) -> None:
    measured(fine)
    certificate = certify(fine)
    with company(fine.id):
        one = recall._open(recall.service_actor(), certificate, "pressure", recall.RecallGround.FOUND)
        two = recall._open(recall.service_actor(), certificate, "pressure", recall.RecallGround.FOUND)
        assert one.id == two.id
        assert Event.objects.filter(verb="recall.opened").count() == 1
    worked(fine)
    with company(fine.id):
        assert RecallCase.objects.count() == 1
        assert RecallItem.objects.count() == 1


@pytest.mark.django_db
def test_an_entry_put_right_opens_no_second_case_but_moves_the_first(fine: World) -> None:
    measured(fine)
    wrong = certify(fine, error=0.03)
    worked(fine)
    case = only_case(fine)
    with company(fine.id):
        before = items(case)[0]
        decide(fine.actor("supervisor"), case.id, [before.id], kind="no_effect", reason=REASON)
    certify(fine, error=0.05, supersedes=wrong.id, number="put-right")
    worked(fine)
    with company(fine.id):
        assert RecallCase.objects.count() == 1
        [now] = items(case)
        assert now.id != before.id
        assert now.value < before.value
        assert RecallItem.objects.count() == 2
        assert undecided_items(case).count() == 1
        assert Event.objects.filter(verb="recall.reopened").get().data == {"sessions": 1}


# Which sessions


@pytest.mark.django_db
def test_the_list_is_that_of_a_brute_force_join(fine: World) -> None:
    """Sessions of many days, zones, instruments and methods; each one's day counted at its site."""
    today = batches.now()
    with company(fine.id):
        other = factories.instrument(factories.InstrumentKind.MANOMETER, (Quantity.PRESSURE, 0.0, 100.0, 0.1))
        away = factories.site(factories.customer("Far town"), "Annexe", time_zone="Pacific/Auckland")
        supply = factories.system(away, "AHU-2")
        plane = factories.plane(supply, "MD-2")
        there = factories.job(away, supply)
    sent = []
    for hours in range(0, 24 * 26, 31):
        start = today - timedelta(hours=hours)
        times = {"started_at": start.isoformat(), "finished_at": (start + timedelta(minutes=9)).isoformat()}
        sent.append(batches.traverse(fine, **times))
        sent.append(batches.traverse(fine, **times, job=str(there.id), test_point=str(plane.id)))
        sent.append(batches.hood(fine, **times))
        tools = batches.tools(fine, "probe", "temperature") | {"pressure": str(other.id)}
        sent.append(batches.traverse(fine, **times, instruments=tools, zero_checks=[]))
    for one in range(0, len(sent), 20):
        batches.post(fine, *sent[one : one + 20])
    worked(fine)
    found = certify(fine, on=today.date() - timedelta(days=2))
    worked(fine)
    case = only_case(fine)
    with company(fine.id):
        good = case.last_good.calibrated_on
        wanted = [
            one.id
            for one in Session.objects.select_related("job__site").order_by("id")
            for use, tool in one.content["instruments"].items()
            if use == "pressure"
            and tool == str(fine.instruments["pressure"].id)
            and good <= local_day(one.started_at, one.job.site.time_zone) < found.calibrated_on
        ]
        assert 20 < len(wanted) < len(sent) / 2
        assert recall.touched(case) == wanted
        assert {one.session_id for one in items(case)} == set(wanted)
        days = {local_day(s.started_at, s.job.site.time_zone) for s in Session.objects.filter(id__in=wanted)}
        assert min(days) >= good
        assert max(days) < found.calibrated_on


@pytest.mark.django_db
def test_a_session_that_comes_late_joins_and_reopens_a_closed_case(fine: World) -> None:
    measured(fine)
    certify(fine)
    worked(fine)
    case = only_case(fine)
    with company(fine.id):
        decide(fine.actor("supervisor"), case.id, [items(case)[0].id], kind="customer_told", reason=REASON)
        assert Event.objects.get(verb="recall.closed").data == {"sessions": 1}
    late = measured(fine, 0.85)
    with company(fine.id):
        assert {one.session_id for one in undecided_items(case)} == set(late)
        assert Event.objects.get(verb="recall.reopened").data == {"sessions": 1}


@pytest.mark.django_db
def test_a_case_that_touches_nothing_is_closed_with_a_count_of_nought(fine: World) -> None:
    certify(fine)
    worked(fine)
    with company(fine.id):
        assert Event.objects.get(verb="recall.closed").data == {"sessions": 0}
    measured(fine)
    with company(fine.id):
        assert Event.objects.filter(verb="recall.reopened").count() == 1


# Computed anew


@pytest.mark.django_db
def test_the_found_error_moves_the_flow_as_physics_says_and_nothing_stored_changes(fine: World) -> None:
    """Pressures 3 % too high are flows 1.5 % too high: v goes with the root of p (ISO 3966)."""
    [session] = measured(fine)
    with company(fine.id):
        before = Result.objects.values().get(session=session)
        evidence = Session.objects.values().get(id=session)
    certify(fine, error=0.03)
    worked(fine)
    with company(fine.id):
        [item] = items(only_case(fine))
        # the good certificate took 0.2 % off already
        assert item.value / item.result.value == pytest.approx((1.002 / 1.03) ** 0.5, rel=3e-4)
        assert item.shift == pytest.approx(
            (item.value - item.result.value) / item.result.value_expanded, rel=1e-12
        )
        assert item.moved == (abs(item.shift) > recall.MOVED)
        assert Result.objects.values().get(session=session) == before
        assert Session.objects.values().get(id=session) == evidence
        assert Result.objects.count() == 1


@pytest.mark.django_db
def test_a_verdict_that_turns_is_told_and_stands_first(fine: World) -> None:
    """0.82 of 0.9 m³/s lies inside −10 % and falls out when 6 % of pressure go."""
    sessions = measured(fine, 0.9, 0.818, 0.95)
    certify(fine, error=0.06)
    worked(fine)
    with company(fine.id):
        found = items(only_case(fine))
        assert found[0].session_id == sessions[1]
        assert found[0].verdict_changed
        assert (found[0].result.accepted, found[0].accepted) == (True, False)
        assert [one.verdict_changed for one in found[1:]] == [False, False]


def every_method(world: World) -> list[dict[str, object]]:
    made = [make(world) for make in (batches.traverse, batches.hood, batches.sweep, batches.centreline)]
    return made + [make(world) for make in methods.SESSIONS.values()]


@pytest.mark.django_db
def test_with_the_points_that_were_used_every_method_gives_the_same_digits(fine: World) -> None:
    with company(fine.id):
        methods.equip(fine)
    sent = every_method(fine)
    for one in sent:
        batches.post(fine, one)
    worked(fine)
    tried = 0
    with company(fine.id):
        results = list(current_results(batches.ids(sent)).values())
        assert len(results) == len(sent)
        for result in results:
            for row in result.inputs["certificates"]:
                quantity = QUANTITY_OF_USE[row["use"]].value
                points = points_of([row["certificate"]], quantity).get(row["certificate"], ())
                same = StandIn(UUID(row["instrument"]), quantity, points)
                inputs = stand_ins([result], same)[result.id]
                assert digest(inputs) == digest(result.inputs), (result.inputs["method"], row["use"])
                tried += 1
            figures = figures_of(result.inputs)
            assert figures == compute(result.inputs).figures
            assert figures["value"] == result.value
    assert tried > 40


@pytest.mark.django_db
def test_with_other_points_every_use_of_every_method_gives_another_figure(fine: World) -> None:
    """So no use is overlooked. A figure may stay where an input hardly enters: then its uncertainty moves."""
    with company(fine.id):
        methods.equip(fine)
    sent = every_method(fine)
    for one in sent:
        batches.post(fine, one)
    worked(fine)
    with company(fine.id):
        for result in current_results(batches.ids(sent)).values():
            if result.outcome != "computed":
                continue
            for row in result.inputs["certificates"]:
                quantity = QUANTITY_OF_USE[row["use"]].value
                points = points_of([row["certificate"]], quantity).get(row["certificate"], ())
                if not points:
                    continue
                other = tuple(
                    calc.CertificatePoint(p.reference, p.indicated + 0.01 * abs(p.indicated) + p.U, p.U, p.k)
                    for p in points
                )
                inputs = stand_ins([result], StandIn(UUID(row["instrument"]), quantity, other))[result.id]
                assert inputs != result.inputs, (result.inputs["method"], row["use"])


@pytest.mark.django_db
@pytest.mark.parametrize("error", [-0.2, -0.03, 0.0, 0.002, 0.01, 0.07])
def test_any_error_gives_what_an_evaluation_with_these_points_gives(fine: World, error: float) -> None:
    """Independent way: the found points in the tool's place before the inputs are made, then all as usual."""
    [session] = measured(fine)
    points = tuple(calc.CertificatePoint(v, v * (1.0 + error), 0.05, 2.0) for v in (5.0, 25.0, 50.0, 100.0))
    with company(fine.id):
        stand_in = StandIn(fine.instruments["pressure"].id, "pressure", points)
        [result] = current_results([session]).values()
        shifted = figures_of(stand_ins([result], stand_in)[result.id])
        assert shifted == usual(session, points)


def usual(session: UUID, points: tuple[calc.CertificatePoint, ...]) -> dict[str, object]:
    loaded = load(session)
    rows = tuple(
        CertificatePoint(
            quantity="pressure", reference=p.reference, as_left=p.indicated, expanded_uncertainty=p.U,
            coverage_factor=p.k,
        )
        for p in points
    )  # fmt: skip
    tool = replace(loaded.tools["pressure"], points=rows)
    changed = replace(loaded, tools={**loaded.tools, "pressure": tool})
    return compute(inputs_of(changed)).figures


@pytest.mark.django_db
def test_a_point_far_from_the_readings_refuses_and_says_so(fine: World) -> None:
    measured(fine)
    certify(fine, references=(0.5, 1.0))
    worked(fine)
    with company(fine.id):
        [item] = items(only_case(fine))
        assert (item.outcome, item.verdict, item.value) == ("refused", "not_decidable", None)
        assert "certificate" in item.refusal
        assert item.verdict_changed
        assert item.moved


# A certificate withdrawn


@pytest.mark.django_db
def test_a_withdrawn_certificate_puts_the_days_it_spoke_for_in_doubt(fine: World) -> None:
    sessions = measured(fine)
    with company(fine.id):
        certificate = used(sessions[0])
        made = recall.withdraw(fine.actor("owner"), certificate, reason="The laboratory withdrew it.")
        again = recall.withdraw(fine.actor("owner"), certificate, reason="The laboratory withdrew it.")
        assert [one.id for one in again] == [one.id for one in made]
    worked(fine)
    [case] = made
    with company(fine.id):
        assert (case.ground, case.ends_on) == ("withdrawn", None)
        assert case.opened_by_id == fine.owner.id
        assert case.starts_on == case.certificate.calibrated_on
        assert {one.session_id for one in items(case)} == set(sessions)
        assert recall.last_good(certify(fine), "pressure").id != case.certificate_id
        assert Event.objects.get(verb="recall.opened").member_id == fine.owner.id


@pytest.mark.django_db
def test_the_entry_in_a_withdrawn_ones_place_says_what_was_shown(fine: World) -> None:
    sessions = measured(fine)
    with company(fine.id):
        old = used(sessions[0])
        [case] = recall.withdraw(fine.actor("owner"), old, reason="A point was mistyped.")
    worked(fine)
    with company(fine.id):
        start = case.certificate.calibrated_on
        before = items(case)[0].value
    certify(fine, on=start, supersedes=old, error=0.0, number="put-right")
    worked(fine)
    with company(fine.id):
        case.refresh_from_db()
        assert recall.stand_in_of(case).points[1].correction == 0.0  # as left, true
        assert items(case)[0].value != before


# Decisions


@pytest.fixture
def opened(fine: World) -> World:
    """A case of three sessions."""
    measured(fine, 0.9, 0.91, 0.92)
    certify(fine)
    worked(fine)
    return fine


def decided(world: World, kind: str, *, role: str = "supervisor", reason: str = REASON, some: int = 3):
    with company(world.id):
        case = RecallCase.objects.get()
        ids = [one.id for one in items(case)][:some]
        return decide(world.actor(role), case.id, ids, kind=kind, reason=reason)


@pytest.mark.django_db
def test_many_are_decided_at_once_and_the_last_one_closes_the_case(opened: World) -> None:
    assert len(decided(opened, "no_effect", some=2)) == 2
    with company(opened.id):
        assert undecided_items(RecallCase.objects.get()).count() == 1
        assert not Event.objects.filter(verb="recall.closed").exists()
    assert len(decided(opened, "no_effect")) == 1  # the same again adds nothing for the two
    with company(opened.id):
        assert Event.objects.get(verb="recall.closed").data == {"sessions": 3}
        rows = {row.id: row for row in RecallDecision.objects.all()}
        told = Event.objects.filter(verb="recall.decided")
        assert {UUID(one.data["decision"]): one.content_digest for one in told} == {
            key: events.row_digest(row) for key, row in rows.items()
        }
        assert {row.member_id for row in rows.values()} == {opened.supervisor.id}


@pytest.mark.django_db
def test_the_newest_decision_counts_and_all_are_kept(opened: World) -> None:
    decided(opened, "no_effect")
    decided(opened, "reissue", reason="On second thought the report goes out anew.")
    with company(opened.id):
        assert RecallDecision.objects.count() == 6
        newest = {one.decisions.all()[0].kind for one in items(RecallCase.objects.get())}
        assert newest == {"reissue"}
        assert Event.objects.filter(verb="recall.closed").count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize(("reason", "told"), [("too short", 10), ("x" * 2001, 2000), ("   y     ", 10)])
def test_a_reason_is_needed_and_bounded(opened: World, reason: str, told: int) -> None:
    with pytest.raises(Invalid, match=str(told)):
        decided(opened, "no_effect", reason=reason)
    with company(opened.id):
        assert not RecallDecision.objects.exists()


@pytest.mark.django_db
def test_who_may_open_and_decide(opened: World) -> None:
    for role in ("technician", "dispatcher", "owner"):
        with pytest.raises(Forbidden):
            decided(opened, "no_effect", role=role)
    with company(opened.id), pytest.raises(Forbidden):
        recall.withdraw(
            opened.actor("technician"), opened.certificates["hood"].id, reason="Not mine to withdraw."
        )
    with company(opened.id):
        assert not RecallDecision.objects.exists()
        assert RecallCase.objects.count() == 1


@pytest.mark.django_db
def test_who_measured_does_not_say_that_it_has_no_effect(fine: World) -> None:
    with company(fine.id):
        Member.objects.filter(id=fine.technician.id).update(roles=["technician", "supervisor"])
        fine.technician.refresh_from_db()
    measured(fine)
    certify(fine)
    worked(fine)
    with pytest.raises(Forbidden, match="yourself"):
        decided(fine, "no_effect", role="technician")
    assert len(decided(fine, "reissue", role="technician")) == 1
    with company(fine.id):
        Company.objects.update(self_approval=True)
    assert len(decided(fine, "no_effect", role="technician")) == 1


@pytest.mark.django_db
def test_strange_items_and_kinds_are_refused_whole(opened: World) -> None:
    with company(opened.id):
        case = RecallCase.objects.get()
        known = [one.id for one in items(case)]
        actor = opened.actor("supervisor")
        for ids, kind in ([known[0], uuid7()], "no_effect"), ([], "no_effect"), (known, "forget"):
            with pytest.raises(Invalid):
                decide(actor, case.id, ids, kind=kind, reason=REASON)
        with pytest.raises(NotFound):
            decide(actor, uuid7(), known, kind="no_effect", reason=REASON)
        assert not RecallDecision.objects.exists()


@pytest.mark.django_db
def test_what_was_computed_anew_or_is_of_a_cancelled_job_is_not_sent_back(opened: World) -> None:
    with company(opened.id):
        case, actor = RecallCase.objects.get(), opened.actor("supervisor")
        older = [one.id for one in items(case)]
        Job.objects.update(status=JobStatus.CANCELLED)
        with pytest.raises(Conflict, match=f"cancelled job \\({opened.job.number}\\)"):
            decide(actor, case.id, older, kind="remeasure", reason=REASON)
        newer = RecallItem.objects.get(id=older[0])
        newer.id, newer.basis_digest = uuid7(), "0" * 64
        newer.computed_at += timedelta(seconds=1)
        newer.save(force_insert=True)
        with pytest.raises(Conflict, match="computed anew"):
            decide(actor, case.id, older, kind="no_effect", reason=REASON)
        assert not RecallDecision.objects.exists()


@pytest.mark.django_db
def test_another_company_has_none_of_it(opened: World, company_b: World) -> None:
    with company(opened.id):
        case = RecallCase.objects.get()
        ids = [one.id for one in items(case)]
        certificate = case.certificate_id
    with company(company_b.id):
        actor = company_b.actor("supervisor")
        assert not RecallCase.objects.exists()
        with pytest.raises(NotFound):
            decide(actor, case.id, ids, kind="no_effect", reason=REASON)
        with pytest.raises(Invalid, match="leads to nothing"):
            recall.withdraw(actor, certificate, reason="It is another company's.")


@pytest.mark.django_db
def test_measuring_again_stands_in_the_worklist_until_a_session_replaces_it(opened: World) -> None:
    with company(opened.id):
        Job.objects.update(status=JobStatus.ISSUED)
        [first, *_] = items(RecallCase.objects.get())
    decided(opened, "remeasure", some=1, reason="Measure again with another manometer.")
    with company(opened.id):
        flag = Flag.objects.get(rule="recalled_instrument")
        assert (flag.session_id, flag.severity) == (first.session_id, "stop")
        assert Job.objects.get(id=opened.job.id).status == JobStatus.OPEN
        evaluate_session(first.session_id)  # a fresh look at the old session does not take it back
        [asked] = worklist(batches.technician(opened)).content["jobs"][0]["remeasure"]
        assert asked["session"] == str(first.session_id)
        assert asked["reason"] == "Measure again with another manometer."
        answer = FlagAnswer.objects.get(flag=flag)
        told = Event.objects.filter(verb="flag.answered", content_digest=events.row_digest(answer))
        assert told.exists()
    again = {"session": str(first.session_id), "reason": "Measured again after the recall."}
    batches.post(opened, batches.traverse(opened, supersedes=again))
    worked(opened)
    with company(opened.id):
        assert worklist(batches.technician(opened)).content["jobs"][0]["remeasure"] == []
        assert FlagAnswer.objects.filter(flag=flag).order_by("answered_at").last().kind == "cleared"
        with pytest.raises(Conflict, match="replaced"):
            actor, case = opened.actor("supervisor"), RecallCase.objects.get()
            decide(actor, case.id, [first.id], kind="remeasure", reason="Once more, please do it.")


@pytest.mark.django_db
def test_another_decision_takes_the_request_back(opened: World) -> None:
    decided(opened, "remeasure", some=1)
    decided(opened, "customer_told", some=1, reason="The customer was told and wants no new visit.")
    with company(opened.id):
        assert worklist(batches.technician(opened)).content["jobs"][0]["remeasure"] == []
        kinds = list(FlagAnswer.objects.order_by("answered_at", "id").values_list("kind", flat=True))
        assert kinds[-2:] == ["remeasure", "cleared"]
    decided(opened, "remeasure", some=1)
    with company(opened.id):
        assert len(worklist(batches.technician(opened)).content["jobs"][0]["remeasure"]) == 1
        assert Flag.objects.filter(rule="recalled_instrument").count() == 1


@pytest.mark.django_db
def test_the_tables_take_no_change(opened: World) -> None:
    decided(opened, "no_effect")
    with company(opened.id):
        for model in (RecallCase, RecallItem, RecallDecision):
            with pytest.raises(DatabaseError), transaction.atomic():
                model.objects.update(id=uuid7())
            with pytest.raises(DatabaseError), transaction.atomic():
                model.objects.all()._raw_delete("default")


@pytest.mark.django_db
def test_statements_do_not_grow_with_the_sessions(fine: World) -> None:
    sessions = measured(fine, *(0.9 + 0.01 * n for n in range(9)))
    counts = []
    with company(fine.id):
        case = recall._open(recall.service_actor(), certify(fine), "pressure", recall.RecallGround.FOUND)
        for some in sessions[:1], sessions[1:3], sessions[3:]:
            with CaptureQueriesContext(connection) as caught:
                assert recall.keep(case, recall.computed(case, some)) == len(some)
            counts.append(len(caught))
    assert counts[1] == counts[2]


# At once


@pytest.fixture
def committed(transactional_db: None) -> World:
    world = factories.make_world()
    with company(world.id):
        make_fine(world)
    measured(world, 0.9, 0.91)
    return world


def test_two_workers_on_one_case_store_each_session_once(committed: World) -> None:
    certify(committed)
    at_once(*[lambda: due.work(committed.id)] * 3)
    worked(committed)
    with company(committed.id):
        case = RecallCase.objects.get()
        assert RecallItem.objects.count() == current_items(case).count() == 2
        assert not RecallPart.objects.exists()
        assert not DueWork.objects.exists()


def test_two_deciders_at_once_are_both_kept_and_the_case_is_closed_once(committed: World) -> None:
    certify(committed)
    worked(committed)

    def act(kind: str):
        return lambda: decided(committed, kind, some=2)

    found = at_once(act("no_effect"), act("reissue"))
    assert [len(one) for one in found] == [2, 2]
    with company(committed.id):
        assert RecallDecision.objects.count() == 4
        assert Event.objects.filter(verb="recall.closed").count() == 1


def test_a_job_that_is_sent_back_while_it_changes_keeps_both_changes(committed: World) -> None:
    certify(committed)
    worked(committed)
    with company(committed.id):
        Job.objects.update(status=JobStatus.ISSUED)
        before = Job.objects.get(id=committed.job.id).version
    with ThreadPoolExecutor(1) as other:
        with company(committed.id):
            job = Job.objects.select_for_update(no_key=True).get(id=committed.job.id)  # its flags may come
            sent_back = other.submit(decided, committed, "remeasure", some=1)
            wait_until_blocked()
            Job.objects.filter(id=job.id).update(version=job.version + 1)
        sent_back.result()
        other.submit(lambda: connection.close()).result()
    with company(committed.id):
        after = Job.objects.get(id=committed.job.id)
    assert (after.status, after.version) == (JobStatus.OPEN, before + 2)


def test_two_who_withdraw_at_once_open_one_case(committed: World) -> None:
    def act():
        with company(committed.id):
            certificate = committed.certificates["pressure"].id
            return recall.withdraw(committed.actor("owner"), certificate, reason="It was withdrawn.")

    one, two = at_once(act, act)
    assert [c.id for c in one] == [c.id for c in two]
    with company(committed.id):
        assert RecallCase.objects.count() == 1
        assert Event.objects.filter(verb="recall.opened").count() == 1
