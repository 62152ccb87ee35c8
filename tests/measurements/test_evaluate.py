"""From session to result: right figures, once, recomputable, and whatever dies on the way."""

from datetime import timedelta
from uuid import UUID

import pytest
from celery import current_app
from django.utils import timezone

from jobs import due, tasks
from jobs.models import DensityBasis, DueWork, Event
from jobs.tenancy.context import company, company_var
from measurements.evaluate import evaluate_session, recompute, run
from measurements.models import Flag, Result
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.measurements.conftest import make_fine
from tests.races import at_once


def evaluate(world: World, sent: dict[str, object]) -> Result:
    with company(world.id):
        return evaluate_session(UUID(str(sent["id"])))


@pytest.mark.django_db
def test_a_traverse_gives_the_flow_that_its_pressures_stand_for(fine: World) -> None:
    sent = batches.traverse(fine, flow=0.9)
    batches.post(fine, sent)
    result = evaluate(fine, sent)
    assert result.outcome == "computed"
    assert result.flow == pytest.approx(0.9, rel=0.01)
    assert result.flow_expanded / result.flow < 0.06
    assert result.verdict == "pass"
    assert result.accepted is True
    assert result.design_flow == pytest.approx(0.9)
    assert {row["use"] for row in result.inputs["certificates"]} >= {"pressure", "probe", "temperature"}
    assert result.detail["results"]["flow"]["budget"]


@pytest.mark.django_db
@pytest.mark.parametrize("make", [batches.traverse, batches.hood, batches.sweep, batches.centreline])
def test_a_result_is_recomputed_from_its_stored_inputs_to_the_same_digits(fine: World, make) -> None:
    sent = make(fine)
    batches.post(fine, sent)
    result = evaluate(fine, sent)
    with company(fine.id):
        stored = Result.objects.get(id=result.id)
    assert stored.outcome == "computed"
    assert recompute(stored) == stored.content_digest
    stored.inputs["calculation"]["air"]["temperature"] += 0.1
    assert recompute(stored) != stored.content_digest


@pytest.mark.django_db
def test_a_design_at_standard_density_is_compared_at_standard_density(fine: World) -> None:
    point = fine.points["MD-1"]
    with company(fine.id):
        point.design_basis = DensityBasis.STANDARD
        point.save()
    sent = batches.traverse(fine)
    batches.post(fine, sent)
    result = evaluate(fine, sent)
    assert result.share_of_design == pytest.approx(result.standard_flow / 0.9)
    assert result.share_of_design != pytest.approx(result.flow / 0.9, rel=1e-4)


@pytest.mark.django_db
def test_the_points_tolerance_wins_then_the_jobs_then_the_companys(fine: World) -> None:
    seen = []
    for owner in ("company", "job", "point"):
        with company(fine.id):
            row = {"company": fine.company, "job": fine.job, "point": fine.points["S-1"]}[owner]
            row.tolerance_below = {"company": 0.2, "job": 0.15, "point": 0.05}[owner]
            row.save()
        sent = batches.hood(fine)
        batches.post(fine, sent)
        seen.append(evaluate(fine, sent).tolerance_below)
    assert seen == [0.2, 0.15, 0.05]


@pytest.mark.django_db
def test_without_a_barometer_the_sites_elevation_stands_in(fine: World) -> None:
    sent = batches.traverse(fine, conditions=batches.conditions(barometric_pressure=None))
    batches.post(fine, sent)
    result = evaluate(fine, sent)
    assert result.inputs["calculation"]["air"]["altitude"] == 120.0
    assert result.outcome == "computed"


@pytest.mark.django_db
def test_a_refusal_is_a_stored_outcome_with_its_reason(fine: World) -> None:
    sent = batches.traverse(fine, conditions=batches.conditions(air_temperature=batches.amount("150", "Cel")))
    batches.post(fine, sent)
    result = evaluate(fine, sent)
    assert (result.outcome, result.flow, result.verdict) == ("refused", None, "not_decidable")
    assert "temperature" in result.refusal
    assert recompute(result) == result.content_digest


@pytest.mark.django_db
def test_evaluated_twice_it_is_one_result_and_one_event(fine: World) -> None:
    sent = batches.hood(fine)
    batches.post(fine, sent)
    assert evaluate(fine, sent).id == evaluate(fine, sent).id
    with company(fine.id):
        assert Event.objects.filter(verb="session.evaluated").count() == 1
        assert (
            Event.objects.get(verb="session.evaluated").content_digest == Result.objects.get().content_digest
        )


@pytest.mark.django_db
def test_an_unknown_session_is_parked_not_lost(fine: World) -> None:
    other = factories.make_world(factories.SECOND)
    sent = batches.hood(fine)
    batches.post(fine, sent)
    with company(other.id):
        due.schedule("evaluate", UUID(sent["id"]))
    for _ in range(due.ATTEMPTS):
        with company(other.id):
            DueWork.objects.update(due_at=timezone.now())
        due.work(other.id)
    with company(other.id):
        assert DueWork.objects.get(kind="evaluate").state == "parked"
        assert not Result.objects.exists()


@pytest.fixture
def committed(transactional_db: None) -> World:
    world = factories.make_world(factories.FIRST)
    with company(world.id):
        return make_fine(world)


def test_a_killed_workers_work_is_taken_up_again(committed: World) -> None:
    sent = batches.hood(committed)
    batches.post(committed, sent)
    with company(committed.id):
        lost = due.claim(["evaluate"])  # a worker takes it and dies before it writes anything
        assert due.claim(["evaluate"]) is None
        DueWork.objects.filter(id=lost.id).update(lease_until=timezone.now() - timedelta(seconds=1))
    assert due.work(committed.id) == 1
    with company(committed.id):
        assert Result.objects.count() == 1
        assert not DueWork.objects.filter(kind="evaluate").exists()
    with company_var(committed.id), pytest.raises(due.LeaseLost):
        run(lost)  # it was only slow: what it would write is refused
    with company(committed.id):
        assert Result.objects.count() == 1


def test_work_is_found_when_the_queue_was_emptied(committed: World, monkeypatch) -> None:
    sent: list[tuple[str, list[str]]] = []
    monkeypatch.setattr(current_app, "send_task", lambda name, args, **_: sent.append((name, args)))
    batches.post(committed, batches.hood(committed), batches.hood(committed, "S-2"))
    sent.clear()  # the messages are lost
    tasks.sweep()
    for name, args in sent:
        {"jobs.work": tasks.work, "jobs.number_events": tasks.number_events}[name](*args)
    with company(committed.id):
        assert Result.objects.count() == 2


def test_two_workers_at_once_make_one_result(committed: World) -> None:
    sent = batches.traverse(committed)
    batches.post(committed, sent)

    def one() -> None:
        with company(committed.id):
            evaluate_session(UUID(sent["id"]))

    at_once(one, one)
    with company(committed.id):
        assert Result.objects.count() == 1
        flags = list(Flag.objects.values_list("rule", flat=True))
        assert len(flags) == len(set(flags))
