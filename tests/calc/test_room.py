"""Rooms under pressure: direction, air changes, recovery, gaps, remarks, refusals, and the small sums."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import Accuracy, Code, Estimate, Instrument, MethodResult, Refused
from measurements.calc.places import Readings
from measurements.calc.plan import Sharing
from measurements.calc.room import Direction, RoomPressure, room_pressure
from measurements.calc.room_models import decay_model
from measurements.calc.rooms import (
    air_change_rate,
    decay_rate,
    flow_per_area,
    measuring_points,
    opening_flow,
    particle_limit,
    recovery_time,
    removal_time,
    uniformity,
)
from measurements.calc.simulate import monte_carlo
from measurements.calc.uncertainty import Effect
from tests.calc.worlds import HOOD, PERFECT

ONE_PASCAL = Instrument(accuracy=Accuracy(absolute=math.sqrt(3.0)), resolution=0.0, low=-100.0, high=100.0)
COUNTER = Instrument(accuracy=Accuracy(of_reading=0.1))
TIMES = tuple(60.0 * i for i in range(8))
COUNTS = tuple(1e6 * math.exp(-0.006 * t) * (1.0 + 0.02 * (-1) ** i) for i, t in enumerate(TIMES))


def room(values: tuple[float, ...] = (-6.0, -6.4, -5.8), **changes: object) -> RoomPressure:
    """An isolation room, wanted at least 2.5 Pa below its corridor."""
    plain = RoomPressure(Readings(values, ONE_PASCAL, "dp-1", zero=0.0), wanted=Direction.NEGATIVE, least=2.5)
    return replace(plain, **changes)  # type: ignore[arg-type]


def codes(result: MethodResult) -> set[Code]:
    return {r.code for r in result.remarks}


def test_pressure_keeps_its_sign() -> None:
    found = room_pressure(room())
    assert found.main.value == pytest.approx(-6.0666667)
    assert found.limits == (None, -2.5)
    assert found.classes == {"direction": "negative", "wanted_direction": "met"}
    assert codes(found) == {Code.NO_CERTIFICATE}
    positive = room_pressure(room((6.0,), wanted=Direction.POSITIVE))
    assert positive.limits == (2.5, None)
    assert room_pressure(room(wanted=None, least=None)).limits is None
    assert room_pressure(room(least=None)).limits == (None, 0.0)


@pytest.mark.parametrize(
    ("pressure", "direction", "wanted", "code"),
    [
        (-2.1, "negative", "met", None),
        (-1.9, "undecided", "undecided", Code.DIRECTION_UNDECIDED),
        (0.0, "undecided", "undecided", Code.DIRECTION_UNDECIDED),
        (1.9, "undecided", "undecided", Code.DIRECTION_UNDECIDED),
        (2.1, "positive", "not_met", Code.DIRECTION_WRONG),
    ],
)
def test_direction(pressure: float, direction: str, wanted: str, code: Code | None) -> None:
    """U is 2 Pa."""
    found = room_pressure(room((pressure,)))
    assert pytest.approx(2.0, rel=1e-4) == found.main.U
    assert found.classes == {"direction": direction, "wanted_direction": wanted}
    assert codes(found) == {Code.NO_CERTIFICATE} | ({code} if code else set())


def test_air_changes_from_outlets() -> None:
    places = ((1, 1, 1), (2, 1, 1), (1, 2, 1))
    found = room_pressure(
        room(
            supply_flow=Readings((0.100, 0.104, 0.080), HOOD, "hood", places),
            volume=Estimate(60.0, 1.2, 10.0),
        )
    )
    supply, changes = found.results["supply_flow"], found.results["air_changes"]
    assert supply.value == pytest.approx(0.182)
    assert changes.value == pytest.approx(0.182 / 60.0)
    rows = {r.name: r for r in changes.budget}
    assert rows["Room volume"].contribution == pytest.approx(changes.value * 0.02)
    specification = (0.03 * 0.182 + 2 * 0.003) / math.sqrt(3.0)
    assert rows["Supply flow: instrument specification"].contribution == pytest.approx(specification / 60.0)
    s = 0.004 / math.sqrt(2.0)
    assert rows["Supply flow: repeated readings"].contribution == pytest.approx(
        math.hypot(s / math.sqrt(2.0), s) / 60.0
    )
    assert [p.label for p in found.parts] == ["outlet 1", "outlet 2"]
    assert [p.figures[0].value for p in found.parts] == pytest.approx([0.102, 0.080])
    # U of an outlet: the hood's specification, and the scatter of repeats over the root of their number.
    each = [
        2.0
        * math.hypot(
            (0.03 * q + 0.003) / math.sqrt(3.0), s / math.sqrt(n), HOOD.resolution / math.sqrt(12.0 * n)
        )
        for q, n in ((0.102, 2), (0.080, 1))
    ]
    assert [p.figures[0].U for p in found.parts] == pytest.approx(each)


def test_recovery_by_regression() -> None:
    found = room_pressure(room(concentration=Readings(COUNTS, COUNTER, times=TIMES)))
    rate, time = found.results["recovery_rate"], found.results["recovery_time"]
    assert rate.value == pytest.approx(0.006, rel=0.02)
    assert time.value == pytest.approx(math.log(100.0) / rate.value)
    assert time.u / time.value == pytest.approx(rate.u / rate.value)
    assert rate.dof == pytest.approx(6.0)
    proportional = {r.name: r.contribution for r in rate.budget}.get(
        "Concentration: instrument specification"
    )
    assert proportional is None or proportional < 1e-9 * rate.value
    remark = found.remark(Code.RECOVERY_EXTRAPOLATED)
    assert remark is not None
    assert remark.numbers["wanted"] == 100.0
    assert remark.numbers["reached"] == pytest.approx(max(COUNTS) / min(COUNTS))


def test_first_order_agrees_with_monte_carlo() -> None:
    values: dict[str, float | Sequence[float]] = {
        "time": TIMES,
        "concentration": COUNTS,
        "scatter": (1.0,) * 8,
    }
    found = room_pressure(room(concentration=Readings(COUNTS, COUNTER, times=TIMES)))
    rows = {r.name: r for r in found.results["recovery_rate"].budget}
    s = rows["Scatter about the decay"].u
    drawn = monte_carlo(
        decay_model,
        values,
        [Effect("s", "scatter", (s,) * 8, Sharing.POOLED)],
        output="recovery_rate",
        trials=60_000,
    )
    assert found.results["recovery_rate"].u == pytest.approx(drawn.u, rel=0.02)
    assert found.results["recovery_rate"].value == pytest.approx(drawn.value, rel=1e-3)


def test_a_decay_that_is_not_one() -> None:
    floor = tuple(1e6 * math.exp(-0.03 * t) + 1e5 for t in TIMES)
    assert Code.POOR_FIT in codes(room_pressure(room(concentration=Readings(floor, COUNTER, times=TIMES))))
    clean = tuple(1e6 * math.exp(-0.012 * t) for t in TIMES)
    found = codes(room_pressure(room(concentration=Readings(clean, COUNTER, times=TIMES))))
    assert found == {Code.NO_CERTIFICATE}


def test_air_through_the_door_s_gap() -> None:
    inward = Readings((-0.8, -0.9), Instrument(accuracy=Accuracy(of_reading=0.03)))
    found = room_pressure(room(door_velocity=inward, door_gap_area=Estimate(0.02, 0.001)))
    flow = found.results["transfer_flow"]
    assert flow.value == pytest.approx(-0.85 * 0.02)
    assert {r.name: r for r in flow.budget}["Area of the door's gap"].contribution == pytest.approx(0.00085)
    assert Code.DIRECTION_CONTRADICTED not in codes(found)
    outward = replace(inward, values=(0.8, 0.85))
    wrong = room_pressure(room(door_velocity=outward, door_gap_area=Estimate(0.02, 0.001)))
    remark = wrong.remark(Code.DIRECTION_CONTRADICTED)
    assert remark is not None
    assert remark.numbers["velocity"] == pytest.approx(0.825)
    undecided = room_pressure(room((0.5,), door_velocity=outward, door_gap_area=Estimate(0.02, 0.001)))
    assert Code.DIRECTION_CONTRADICTED not in codes(undecided)


@given(st.floats(0.1, 90.0))
def test_a_room_and_its_mirror(pressure: float) -> None:
    above = room_pressure(room((pressure,), wanted=None, least=None))
    below = room_pressure(room((-pressure,), wanted=None, least=None))
    assert below.main.value == -above.main.value
    assert below.main.u == above.main.u
    pair = {above.classes["direction"], below.classes["direction"]}
    assert pair in ({"positive", "negative"}, {"undecided"})


@given(st.permutations(range(8)), st.floats(0.01, 100.0))
def test_neither_order_nor_unit_of_the_counts_matters(order: list[int], unit: float) -> None:
    counts = Readings(tuple(unit * COUNTS[i] for i in order), COUNTER, times=tuple(TIMES[i] for i in order))
    found = room_pressure(room(concentration=counts)).results["recovery_rate"]
    plain = room_pressure(room(concentration=Readings(COUNTS, COUNTER, times=TIMES))).results["recovery_rate"]
    assert found.value == pytest.approx(plain.value)
    assert found.u == pytest.approx(plain.u)


def test_budget_shares_add_to_one() -> None:
    found = room_pressure(
        room(
            supply_flow=Readings((0.1, 0.08), HOOD),
            volume=Estimate(60.0, 1.2),
            concentration=Readings(COUNTS, COUNTER, times=TIMES),
            door_velocity=Readings((-0.8,), Instrument(accuracy=Accuracy(of_reading=0.03))),
            door_gap_area=Estimate(0.02, 0.001),
        )
    )
    assert set(found.results) == {
        "pressure",
        "supply_flow",
        "air_changes",
        "recovery_rate",
        "recovery_time",
        "transfer_flow",
        "door_velocity",
    }
    for result in found.results.values():
        assert math.fsum(row.share for row in result.budget) == pytest.approx(1.0, abs=1e-9)


def test_readings_near_the_resolution() -> None:
    fine = Instrument(accuracy=Accuracy(absolute=0.2), resolution=1.0)
    found = room_pressure(room(pressure=Readings((-6.0,), fine)))
    assert {Code.NEAR_RESOLUTION, Code.ZERO_NOT_CHECKED} <= codes(found)


GAP = Estimate(0.02, 0.001)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"pressure": Readings((), PERFECT)}, "pressure"),
        ({"pressure": Readings((math.nan,), PERFECT)}, "pressure[0]"),
        ({"wanted": Direction.UNDECIDED}, "wanted"),
        ({"wanted": None}, "wanted"),
        ({"least": -1.0}, "least"),
        ({"volume": Estimate(60.0, 1.0)}, "supply_flow"),
        ({"supply_flow": Readings((0.1,), HOOD)}, "volume"),
        ({"supply_flow": Readings((0.1,), HOOD), "volume": Estimate(0.0, 1.0)}, "volume"),
        ({"supply_flow": Readings((0.1, -0.1), HOOD), "volume": Estimate(60.0, 1.0)}, "supply_flow[1]"),
        ({"supply_flow": Readings((0.1,), HOOD), "volume": Estimate(60.0, -1.0)}, "volume.u"),
        ({"door_gap_area": GAP}, "door_velocity"),
        ({"door_velocity": Readings((0.5,), PERFECT)}, "door_gap_area"),
        ({"concentration": Readings((3.0, 2.0), COUNTER, times=(0.0, 1.0))}, "concentration"),
        ({"concentration": Readings((3.0, 2.0, 1.0), COUNTER)}, "concentration.times"),
        ({"concentration": Readings((3.0, 2.0, 1.0), COUNTER, times=(1.0,) * 3)}, "concentration.times"),
        ({"concentration": Readings((3.0, 2.0, 0.0), COUNTER, times=(0.0, 1.0, 2.0))}, "concentration[2]"),
        ({"concentration": Readings((1.0, 2.0, 3.0), COUNTER, times=(0.0, 1.0, 2.0))}, "concentration"),
        (
            {"concentration": Readings((3.0, 2.0, 1.0), COUNTER, times=(0.0, 1.0, math.nan))},
            "concentration.times[2]",
        ),
    ],
)
def test_refusals(changes: dict[str, object], named: str) -> None:
    with pytest.raises(Refused) as caught:
        room_pressure(room(**changes))  # type: ignore[arg-type]
    assert caught.value.input == named


@given(st.floats(0.0005, 0.02), st.floats(0.001, 0.5))
def test_removal_recovery_and_decay_agree(rate: float, remaining: float) -> None:
    time = removal_time(rate, remaining)
    assert decay_rate(1.0, remaining, time) == pytest.approx(rate)
    assert recovery_time(rate, 1.0 / remaining) == pytest.approx(time)


@given(st.floats(0.001, 0.1), st.floats(0.1, 50.0))
def test_an_opening_lets_the_same_through_either_way(area: float, pressure: float) -> None:
    flow = opening_flow(area, pressure, 1.2)
    assert opening_flow(area, -pressure, 1.2) == -flow
    assert opening_flow(2.0 * area, 4.0 * pressure, 1.2) == pytest.approx(4.0 * flow)


def test_small_sums_at_their_edges() -> None:
    """Removal: 99 % in 46 min at 6 air changes an hour (a usual table of hygiene guides, from memory)."""
    assert removal_time(6.0 / 3600.0, 0.01) / 60.0 == pytest.approx(46.05, abs=0.01)
    assert measuring_points(1.6) == 4
    assert measuring_points(1.61) == 5
    assert measuring_points(2.5) == 5
    assert air_change_rate(0.0, 10.0) == 0.0
    assert flow_per_area(1.0, 4.0) == 0.25
    assert not uniformity((0.3, 0.5)).within(0.2)
    assert particle_limit(9.0, 0.1e-6) == pytest.approx(1e9)
    assert particle_limit(1.0, 0.1e-6) == pytest.approx(10.0)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: removal_time(0.0, 0.1),
        lambda: removal_time(0.01, 1.5),
        lambda: decay_rate(1.0, 2.0, 10.0),
        lambda: recovery_time(0.01, 1.0),
        lambda: opening_flow(0.0, 1.0, 1.2),
        lambda: opening_flow(0.1, 1.0, 0.0),
        lambda: measuring_points(-1.0),
        lambda: uniformity((0.4,)),
        lambda: uniformity((-0.4, -0.5)),
        lambda: particle_limit(10.0, 1e-6),
        lambda: particle_limit(5.0, 0.5),
        lambda: air_change_rate(1.0, 0.0),
    ],
)
def test_small_sums_refuse(wrong: object) -> None:
    with pytest.raises(Refused):
        wrong()  # type: ignore[operator]
