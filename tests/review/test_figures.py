"""Zero is a figure; a zero check belongs to its own manometer; the result of today's inputs counts."""

import json
from typing import Any
from uuid import UUID

from jobs.models import Company, DecisionRule, Instrument, InstrumentKind, Quantity, TestPoint
from jobs.tenancy.context import company
from measurements.current import current_results
from measurements.evaluate import evaluate_session
from measurements.inputs import inputs_of
from measurements.loading import load
from measurements.models import Flag, Result
from reports import ledger
from reports.snapshot import decision_rule
from tests import factories
from tests.factories import World
from tests.measurements import batches


def posted(world: World, one: dict[str, Any]) -> UUID:
    assert [o.outcome for o in batches.post(world, one)] == ["stored"]
    return batches.ids([one])[0]


def test_the_guard_band_that_is_printed_is_the_one_that_judges(company_a: World) -> None:
    session = posted(company_a, batches.hood(company_a))
    with company(company_a.id):
        Company.objects.update(decision_rule=DecisionRule.GUARDED, decision_parameter=0.0)
        rule = evaluate_session(session).inputs["judgement"]["rule"]
        assert "guard band of 0 U" in decision_rule(Company.objects.get())
    assert rule["guard"] == 0.0


def test_a_guard_band_is_printed_by_number_and_name(company_a: World) -> None:
    with company(company_a.id):
        house = Company.objects.get()
        house.decision_rule = DecisionRule.GUARDED
        house.decision_parameter = 1.0
        assert "guard band of 1 U (the whole of U, ILAC-G8)." in decision_rule(house)
        house.decision_parameter = 0.7
        assert "guard band of 0.7 U." in decision_rule(house)


def test_a_factor_without_doubt_is_taken_at_its_word(company_a: World) -> None:
    hood = company_a.instruments["hood"]
    with company(company_a.id):
        Instrument.objects.filter(id=hood.id).update(probe_factor=1.0, probe_factor_u=0.0)
    session = posted(company_a, batches.hood(company_a))
    with company(company_a.id):
        assert inputs_of(load(session))["calculation"]["factor"]["u"] == 0.0


def test_the_zero_of_another_manometer_corrects_nothing(company_a: World) -> None:
    with company(company_a.id):
        other = factories.instrument(InstrumentKind.MANOMETER, (Quantity.PRESSURE, -500.0, 500.0, 0.1))
    checks = batches.zero_checks(company_a, "0.1", "0.1")
    strange = [{**check, "instrument": str(other.id), "value": "9.0"} for check in checks]
    strange[0]["at"] = checks[0]["at"].replace("+00:00", "Z")
    one = batches.traverse(company_a, zero_checks=[strange[0], *checks, strange[1]])
    session = posted(company_a, one)
    with company(company_a.id):
        given = inputs_of(load(session))["calculation"]
        evaluate_session(session)
        assert not Flag.objects.filter(session=session, rule="zero_shift").exists()
    assert (given["zero_before"], given["zero_after"]) == (0.1, 0.1)


def test_inputs_that_come_back_count_again(company_a: World) -> None:
    session = posted(company_a, batches.hood(company_a))
    with company(company_a.id):
        first = evaluate_session(session)
        Company.objects.update(tolerance_above=0.02, tolerance_below=0.02)
        second = evaluate_session(session)
        Company.objects.update(tolerance_above=0.10, tolerance_below=0.10)
        third = evaluate_session(session)
        counted = current_results([session])[session]
        assert (first.tolerance_above, second.tolerance_above) == (0.10, 0.02)
        assert (third.tolerance_above, counted.tolerance_above) == (0.10, 0.10)
        assert counted.id == third.id
        assert evaluate_session(session).id == third.id
        assert Result.objects.filter(session=session).count() == 3
        assert json.dumps(third.detail, sort_keys=True) == json.dumps(first.detail, sort_keys=True)


def test_a_figure_is_shown_on_the_basis_it_was_judged_on(company_a: World) -> None:
    session = posted(company_a, batches.hood(company_a))
    with company(company_a.id):
        result = evaluate_session(session)
        TestPoint.objects.filter(id=company_a.points["S-1"].id).update(design_basis="standard")
        line = ledger.ledger(Result.objects.get(id=result.id), TestPoint.objects.get(tag="S-1"))
        assert result.flow != result.standard_flow
    assert (line.value, line.basis) == (result.flow, "actual")
    assert line.share == result.flow / line.design
