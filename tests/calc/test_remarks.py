"""From where the remarks on zero, velocity and evenness are made: both sides of every limit."""

import statistics

import pytest

from measurements.calc import Code, pitot_traverse, velocity_map
from measurements.calc.method import Limits
from measurements.calc.pressures import take_pressures
from measurements.calc.remarks import implausible, reading_remarks, velocity_remarks, zero_remarks
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
