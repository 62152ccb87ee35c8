"""Advice on an instrument's next calibration from its certificates in the register."""

from datetime import date
from typing import Any

import pytest

from jobs.instruments import Point, enter_certificate
from jobs.models import Certificate, Instrument, InstrumentKind, Quantity
from jobs.queries import visible_certificates, visible_instruments
from jobs.tenancy.context import company
from measurements.calc.interval import Reason
from measurements.intervals import Advised, advised, sessions_with
from tests import factories
from tests.factories import World
from tests.reports import scene


def tool_of(*ranges: tuple[Quantity, float, float, float]) -> Instrument:
    return factories.instrument(InstrumentKind.OTHER, *ranges)


def enter(world: World, tool: Instrument, year: int, *points: Point, **changes: Any) -> Certificate:
    values: dict[str, Any] = {
        "instrument_id": tool.id,
        "number": f"C-{year}-{len(points)}",
        "laboratory": "Vale Calibration Laboratory",
        "calibrated_on": date(year, 3, 2),
        "due_on": date(year + 1, 3, 2),
        "points": points,
    }
    return enter_certificate(world.actor("owner"), **(values | changes))


def of(world: World, tool: Instrument) -> list[Advised]:
    actor = world.actor("owner")
    rows = [one for one in visible_certificates(actor).filter(instrument=tool) if not one.superseded_by.all()]
    return advised(visible_instruments(actor).get(id=tool.id), rows)


def flow(at: float, left: float, found: float | None = None) -> Point:
    return Point(Quantity.FLOW, at, at + left, 0.0004, as_found=None if found is None else at + found)


def test_limits_are_the_makers_at_what_was_shown(company_a: World) -> None:
    """The factory's range promises its resolution and 1 % of reading."""
    with company(company_a.id):
        tool = tool_of((Quantity.FLOW, 0.0, 1.2, 0.0005))
        enter(company_a, tool, 2024, flow(0.5, 0.001))
        (one,) = of(company_a, tool)
    assert one.calibrations[0][0].limit == pytest.approx(0.0005 + 0.01 * 0.501)
    assert (one.staircase, one.chart, one.suggested) == (None, None, None)
    assert "at least two" in one.refusals[0]


def test_each_quantity_has_its_own_history(company_a: World) -> None:
    with company(company_a.id):
        tool = tool_of((Quantity.FLOW, 0.0, 1.2, 0.0005), (Quantity.VELOCITY, 0.0, 20.0, 0.01))
        enter(company_a, tool, 2023, flow(0.5, 0.0), Point(Quantity.VELOCITY, 5.0, 5.0, 0.05))
        enter(company_a, tool, 2024, flow(0.5, 0.0))
        found = {one.quantity: one for one in of(company_a, tool)}
    assert len(found[Quantity.FLOW].calibrations) == 2
    assert len(found[Quantity.VELOCITY].calibrations) == 1


def test_the_earlier_of_both_ways_is_suggested(company_a: World) -> None:
    with company(company_a.id):
        tool = tool_of((Quantity.FLOW, 0.0, 1.2, 0.0005))
        for year, error in ((2022, 0.0), (2023, 0.0016), (2024, 0.0032)):
            enter(company_a, tool, year, flow(0.5, error))
        (one,) = of(company_a, tool)
    assert one.staircase is not None
    assert one.chart is not None
    assert one.staircase.reason is Reason.LONGER
    assert one.chart.reason is Reason.DRIFT
    assert one.suggested == min((one.staircase, one.chart), key=lambda advice: advice.days)
    assert one.leading is not None
    assert one.leading.slope * 365 == pytest.approx(0.0016, rel=0.01)


def test_what_was_superseded_tells_nothing_and_of_one_day_the_last_entry_counts(company_a: World) -> None:
    with company(company_a.id):
        tool = tool_of((Quantity.FLOW, 0.0, 1.2, 0.0005))
        wrong = enter(company_a, tool, 2024, flow(0.5, 0.4))
        enter(company_a, tool, 2024, flow(0.5, 0.001), supersedes_id=wrong.id)
        enter(company_a, tool, 2024, flow(0.5, 0.002), number="C-again")
        (one,) = of(company_a, tool)
    assert [points[0].as_left for points in one.calibrations] == [pytest.approx(0.002)]


def test_without_a_range_there_is_no_promise_and_no_advice(company_a: World) -> None:
    with company(company_a.id):
        tool = factories.instrument(InstrumentKind.PITOT_TUBE, probe_factor=1.0)
        for year in (2023, 2024):
            enter(company_a, tool, year, Point(Quantity.FACTOR, 1.0, 1.0, 0.01))
        (one,) = of(company_a, tool)
    assert one.suggested is None
    assert "largest permissible error" in one.refusals[0]


def test_sessions_are_counted_by_the_instruments_they_name(company_a: World) -> None:
    scene.measured(company_a)
    with company(company_a.id):
        hood, other = company_a.instruments["hood"], tool_of((Quantity.FLOW, 0.0, 1.0, 0.1))
        assert sessions_with(hood.id)["count"] == 3
        assert sessions_with(other.id) == {"count": 0, "last": None}
