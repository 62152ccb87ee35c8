"""Certificates held against the maker's limits of error: at the limit, around it, range by range."""

import math

import pytest

from measurements.calc import Accuracy, JudgedPoint, RangeLimits, judge_points
from measurements.calc.calibration import limit_at

LOW = RangeLimits(0.0, 100.0, Accuracy(absolute=0.5))
HIGH = RangeLimits(0.0, 1000.0, Accuracy(of_reading=0.01, absolute=1.0))


def test_an_error_equal_to_its_limit_is_inside_however_binary_rounds() -> None:
    """Simple acceptance counts the limit itself as inside (JCGM 106:2012 8.2)."""
    for reference, shown in ((100.2, 100.5), (100.5, 100.2)):
        assert abs(shown - reference) != 0.3  # a little off in binary
        point = JudgedPoint(reference, shown, 0.0, 0.3)
        assert point.error == pytest.approx(shown - reference, abs=0.0)
        assert not point.outside
        assert not point.only_by_u
        assert point.excess == pytest.approx(1.0)
        beyond = JudgedPoint(reference, shown, 0.0, 0.2999)
        assert beyond.outside
        assert not beyond.only_by_u
        assert beyond.excess > 1.0


def test_an_uncertainty_that_reaches_over_the_limit_is_told_apart() -> None:
    inside = JudgedPoint(50.0, 50.2, 0.29, 0.5)
    reaching = JudgedPoint(50.0, 50.2, 0.31, 0.5)
    touching = JudgedPoint(50.0, 50.25, 0.25, 0.5)
    assert [p.only_by_u for p in (inside, touching, reaching)] == [False, False, True]
    assert not any(p.outside for p in (inside, touching, reaching))
    assert reaching.excess == pytest.approx(0.4)


def test_without_a_promise_nothing_is_outside() -> None:
    point = JudgedPoint(50.0, 70.0, 3.0, None)
    assert (point.outside, point.only_by_u, point.excess) == (False, False, 0.0)
    assert limit_at((), 5.0) is None
    assert limit_at((RangeLimits(0.0, 10.0, Accuracy()),), 5.0) is None


@pytest.mark.parametrize(
    ("shown", "limit"),
    [(0.0, 0.5), (50.0, 0.5), (100.0, 0.5), (100.1, 2.001), (1000.0, 11.0), (1100.0, 12.0), (-3.0, 1.03)],
)
def test_the_smallest_range_that_holds_a_reading_gives_its_limit(shown: float, limit: float) -> None:
    """Off every range the largest one's limit is taken."""
    for ranges in ((LOW, HIGH), (HIGH, LOW)):
        found = limit_at(ranges, shown)
        assert found is not None
        assert found == pytest.approx(limit)


def test_points_come_by_reference_each_with_its_own_range_s_limit() -> None:
    points = judge_points([(500.0, 507.0, 1.0), (20.0, 20.1, 0.2)], (LOW, HIGH))
    assert [(p.reference, p.U, p.limit) for p in points] == [
        (20.0, 0.2, 0.5),
        (500.0, 1.0, pytest.approx(6.07)),
    ]
    assert [p.outside for p in points] == [False, True]
    assert math.isclose(points[1].error, 7.0)
