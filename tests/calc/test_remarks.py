"""From where the remarks on zero, velocity and evenness are made: both sides of every limit."""

import statistics

import pytest

from measurements.calc import Code, PointReading, pitot_traverse, velocity_map
from measurements.calc.method import Limits
from measurements.calc.pressures import take_pressures
from measurements.calc.remarks import (
    implausible,
    pressure_remarks,
    reading_remarks,
    velocity_remarks,
    zero_remarks,
)
from tests.calc import worlds

TAKEN = take_pressures(worlds.readings(base=100.0), worlds.PERFECT, 0.0, 0.0, 1e5)
MEAN = statistics.fmean(TAKEN.values)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_zero_may_move_by_two_steps_or_two_percent_of_the_mean(sign: float) -> None:
    fine, coarse = worlds.PERFECT, worlds.HOOD
    share = 0.02 * MEAN
    assert zero_remarks(1.0, 1.0 + sign * share * (1.0 - 1e-9), TAKEN, fine, Limits()) == []
    (moved,) = zero_remarks(1.0, 1.0 + sign * share * (1.0 + 1e-9), TAKEN, fine, Limits())
    assert moved.code is Code.ZERO_SHIFT
    assert moved.numbers == pytest.approx({"shift": sign * share, "limit": share})
    none = Limits(zero_share=0.0)
    assert zero_remarks(0.0, sign * 2.0 * coarse.resolution, TAKEN, coarse, none) == []
    assert len(zero_remarks(0.0, sign * 2.1 * coarse.resolution, TAKEN, coarse, none)) == 1
    for before, after in ((None, 0.0), (0.0, None), (None, None)):
        (told,) = zero_remarks(before, after, TAKEN, fine, Limits())
        assert told.code is Code.ZERO_NOT_CHECKED


def test_velocities_too_low_and_too_high() -> None:
    limits = Limits(low_velocity=3.0, high_velocity=60.0)
    codes = {v: [r.code for r in velocity_remarks(v, limits)] for v in (2.999, 3.0, 60.0, 60.001)}
    assert codes == {2.999: [Code.LOW_VELOCITY], 3.0: [], 60.0: [], 60.001: [Code.IMPLAUSIBLE_VELOCITY]}
    assert velocity_remarks(2.0, limits)[0].numbers == {"velocity": 2.0, "limit": 3.0}
    assert implausible(61.0, limits)[0].numbers == {"velocity": 61.0, "limit": 60.0}


def test_what_certificate_and_range_do_not_cover() -> None:
    labels = ("A1", "A2", "A3")
    assert reading_remarks(worlds.MANOMETER, (), (), labels) == []
    outside, beyond = reading_remarks(worlds.MANOMETER, (0, 2), (1,), labels)
    assert (outside.code, outside.numbers, outside.points) == (
        Code.OUTSIDE_CERTIFICATE,
        {"count": 2},
        ("A1", "A3"),
    )
    assert (beyond.code, beyond.points) == (Code.OUTSIDE_RANGE, ("A2",))
    assert beyond.numbers == {"count": 1, "low": 0.0, "high": 500.0}
    bare, open_ended = reading_remarks(worlds.HOOD, (), (0,), labels)
    assert bare.code is Code.NO_CERTIFICATE
    assert open_ended.numbers == {"count": 1}


def test_evenness_is_the_standard_deviation_over_the_mean() -> None:
    found = pitot_traverse(worlds.pitot())
    picture = velocity_map(found, worlds.RECTANGULAR)
    assert picture is not None
    speeds = [p.velocity for p in found.points]
    assert picture.evenness == pytest.approx(statistics.stdev(speeds) / statistics.fmean(speeds))
    assert picture.mean == pytest.approx(statistics.fmean(speeds))
    assert (picture.lowest, picture.highest) == (min(speeds), max(speeds))
    by_speed = {p.velocity: p.label for p in found.points}
    assert (picture.weakest, picture.strongest) == (by_speed[min(speeds)], by_speed[max(speeds)])
    assert picture.aspect == pytest.approx(worlds.RECTANGULAR.width / worlds.RECTANGULAR.depth)


def test_weak_readings_are_those_below_so_many_resolutions() -> None:
    """Ten steps of 0.1 Pa: below 1 Pa."""
    instrument = worlds.replace(worlds.PERFECT, resolution=0.1)
    values = (0.999, 1.001, 1.2, 30.0)
    read = [PointReading(1, n, v) for n, v in enumerate(values, 1)]
    taken = take_pressures(read, instrument, 0.0, 0.0, 1e5)
    found = pressure_remarks(taken, Limits(resolutions=10.0), 10.0, ("1", "2", "3", "4"))
    (near,) = [r for r in found if r.code is Code.NEAR_RESOLUTION]
    assert near.points == ("1",)
    assert near.numbers == {"count": 1, "resolution": 0.1, "lowest": 0.999}


def test_the_usual_limit_of_low_velocity_is_three_metres_a_second() -> None:
    """Common practice, no source: a Pitot tube tells little below 600 ft/min, about 3 m/s."""
    assert [len(velocity_remarks(v, Limits())) for v in (2.9, 3.0)] == [1, 0]


@pytest.mark.parametrize("pressure", [0.05, 0.5, 5.0, 2000.0])
def test_compressibility_goes_by_the_strongest_reading(pressure: float) -> None:
    """First order: the velocity reads high by p / (4 gamma P) (gamma 1.4, or near it)."""
    read = [PointReading(1, n, v) for n, v in enumerate((0.2 * pressure, pressure), 1)]
    found = take_pressures(read, worlds.PERFECT, 0.0, 0.0, 1e5).compressibility
    assert found == pytest.approx(pressure / (4.0 * 1.4 * 1e5), rel=0.02)


def test_no_pressure_at_all_counts_as_weak_even_by_a_perfect_instrument() -> None:
    """The root has no slope at zero: such a reading never goes by first order."""
    read = [PointReading(1, n, v) for n, v in enumerate((50.0, 0.0), 1)]
    taken = take_pressures(read, worlds.PERFECT, 0.0, 0.0, 1e5)
    assert (taken.strong, taken.weak) == ((0,), (1,))
