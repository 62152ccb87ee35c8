"""Advice on intervals and En numbers: what follows from the formulas by hand, and what is refused."""

import math
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc.errors import Refused
from measurements.calc.interval import (
    LONGEST_LOOK,
    Found,
    Reason,
    Steps,
    control_chart,
    en_number,
    staircase,
    trends,
)

START = date(2020, 1, 1)


def found(day: int, left: float, **changes: Any) -> Found:
    values: dict[str, Any] = {"reference": 100.0, "U": 0.2, "limit": 2.0}
    return Found(START + timedelta(days=day), as_left=left, **(values | changes))


def yearly(*errors: float, **changes: Any) -> list[Sequence[Found]]:
    return [(found(365 * n, error, **changes),) for n, error in enumerate(errors)]


# the staircase


@pytest.mark.parametrize(
    ("error", "days", "reason"),
    [
        (0.0, 456, Reason.LONGER),
        (1.6, 456, Reason.LONGER),
        (-1.6, 456, Reason.LONGER),
        (1.61, 365, Reason.SAME),
        (2.0, 365, Reason.SAME),
        (2.01, 182, Reason.SHORTER),
        (-5.0, 182, Reason.SHORTER),
    ],
)
def test_the_staircase_by_the_share_of_the_limit(error: float, days: int, reason: Reason) -> None:
    advice = staircase(yearly(0.0, error))
    assert (advice.days, advice.reason) == (days, reason)
    assert advice.due_on == START + timedelta(days=365 + days)


def test_the_error_as_found_counts_not_as_left() -> None:
    advice = staircase([(found(0, 0.0),), (found(365, 0.0, as_found=3.0),)])
    assert advice.reason is Reason.SHORTER
    assert advice.leading.found == 3.0


def test_the_worst_point_leads_by_its_own_limit() -> None:
    small = found(365, 0.5, reference=10.0, limit=0.5)
    large = found(365, 1.0, reference=100.0, limit=2.0)
    advice = staircase([(found(0, 0.0),), (small, large)])
    assert (advice.leading, advice.reason) == (small, Reason.SAME)


def test_steps_are_bounded() -> None:
    assert staircase(yearly(0.0, 5.0), Steps(least=300)).days == 300
    assert staircase(yearly(0.0, 0.0), Steps(most=400)).days == 400
    assert staircase([(found(0, 0.0),), (found(2000, 0.0),)]).days == Steps().most


def test_only_the_last_two_calibrations_count_for_the_staircase() -> None:
    assert staircase([(found(0, 9.0),), (found(1000, 0.0),), (found(1200, 0.0),)]).days == 250


# the control chart


def test_a_steady_drift_without_much_uncertainty_is_carried_to_the_limit() -> None:
    """0.4 a year from 0.8: at 2.0 three years later, less what U takes."""
    advice = control_chart(yearly(0.0, 0.4, 0.8, U=1e-6))
    assert advice.reason is Reason.DRIFT
    assert advice.days == pytest.approx(3 * 365, abs=1)


def test_the_uncertainty_takes_its_share_of_the_way() -> None:
    """By hand: |level + slope t| + 2 u(t) = limit at the day told, below it the day before."""
    history = yearly(0.0, 0.4, 0.8)
    (trend,) = trends(history)
    days = control_chart(history).days
    assert trend.reach(days) < 2.0 <= trend.reach(days + 1)
    assert days < 3 * 365


def test_an_adjustment_is_no_drift() -> None:
    """Found 0.5 high after each year and set back to nought: the drift is 0.5 a year from nought."""
    history = [(found(0, 0.0, U=1e-6),)]
    history += [(found(365 * n, 0.0, as_found=0.5, U=1e-6),) for n in (1, 2, 3)]
    (trend,) = trends(history)
    assert trend.slope * 365 == pytest.approx(0.5)
    assert trend.level == pytest.approx(0.0, abs=1e-9)
    assert control_chart(history).days == pytest.approx(4 * 365, abs=1)


def test_without_adjustments_it_is_the_plain_weighted_line() -> None:
    """Two equal certificates: slope by difference, u by both U (closed form)."""
    (trend,) = trends(yearly(0.1, 0.3, U=0.2))
    assert trend.slope == pytest.approx(0.2 / 365)
    assert trend.u_slope == pytest.approx(0.1 * math.sqrt(2) / 365)
    assert trend.u_level == pytest.approx(0.1)
    assert trend.u(-365) == pytest.approx(0.1)
    assert trend.scatter is None


def test_a_better_certificate_weighs_more() -> None:
    near = [(found(0, 0.0, U=0.01),), (found(365, 1.0, U=10.0),), (found(730, 0.0, U=0.01),)]
    (trend,) = trends(near)
    assert trend.error(-365) == pytest.approx(0.0, abs=1e-5)


def test_errors_that_scatter_more_than_their_u_widen_it() -> None:
    (calm,) = trends(yearly(0.0, 0.0, 0.0, 0.0))
    (wild,) = trends(yearly(0.0, 1.0, -1.0, 0.0))
    assert calm.scatter == 1.0
    assert wild.scatter is not None
    assert wild.scatter > 3.0
    assert wild.u_slope == pytest.approx(calm.u_slope * wild.scatter)


def test_no_drift_gives_the_longest_interval_and_says_so() -> None:
    advice = control_chart(yearly(0.0, 0.0, 0.0, 0.0, U=1e-3))
    assert (advice.days, advice.reason) == (Steps().most, Reason.NO_DRIFT)


@pytest.mark.parametrize("error", [1.9, 2.0, -2.5])
def test_a_limit_that_is_reached_now_gives_no_days(error: float) -> None:
    advice = control_chart(yearly(error, error, error))
    assert (advice.days, advice.reason) == (0, Reason.REACHED)


def test_the_point_that_drifts_first_leads() -> None:
    history = [
        (found(365 * n, 0.1 * n, reference=10.0, U=1e-6), found(365 * n, 0.4 * n, U=1e-6)) for n in range(3)
    ]
    assert control_chart(history).leading.reference == 100.0


def test_references_a_little_apart_are_one_point() -> None:
    history = [(found(0, 0.0, reference=99.9),), (found(365, 0.1, reference=100.2),)]
    assert trends(history)[0].points == 2
    assert trends([(found(0, 0.0, reference=0.0),), (found(365, 0.1, reference=0.0),)])[0].points == 2


# refusals


def test_refusals_say_what_is_missing() -> None:
    with pytest.raises(Refused, match="at least two"):
        staircase(yearly(0.0))
    with pytest.raises(Refused, match="at least two"):
        control_chart([])
    with pytest.raises(Refused, match="largest permissible error"):
        staircase(yearly(0.0, 0.1, limit=None))
    with pytest.raises(Refused, match="share no point"):
        control_chart([(found(0, 0.0, reference=10.0),), (found(365, 0.0),)])
    with pytest.raises(Refused, match="share no point"):
        control_chart(yearly(0.0, 0.1, limit=None))
    with pytest.raises(Refused, match="oldest first"):
        control_chart([(found(365, 0.0),), (found(0, 0.0),)])
    with pytest.raises(Refused, match="one day"):
        control_chart([(found(0, 0.0), found(1, 0.0, reference=10.0)), (found(365, 0.0),)])
    with pytest.raises(Refused):
        control_chart(yearly(0.0, 0.1), k=0.0)


@pytest.mark.parametrize(
    "changes", [{"U": 0.0}, {"U": math.nan}, {"k": -1.0}, {"limit": 0.0}, {"as_found": math.inf}]
)
def test_senseless_points_are_refused(changes: dict[str, float]) -> None:
    with pytest.raises(Refused):
        found(0, 0.0, **changes)


@pytest.mark.parametrize(
    "changes", [{"near": 0.0}, {"longer": 1.0}, {"shorter": 1.0}, {"least": 0}, {"most": LONGEST_LOOK + 1}]
)
def test_senseless_steps_are_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(Refused):
        Steps(**changes)


# En


def test_en_by_hand() -> None:
    """3-4-5: U 0.3 and 0.4 make 0.5."""
    one = en_number(10.25, 0.3, 10.0, 0.4)
    assert (one.U, one.en, one.agree) == (pytest.approx(0.5), pytest.approx(0.5), True)
    assert en_number(10.0, 0.3, 10.5, 0.4).en == pytest.approx(-1.0)
    assert en_number(10.0, 0.3, 10.5, 0.4).agree
    assert not en_number(10.0, 0.3, 10.51, 0.4).agree


def test_a_common_part_cancels_in_the_difference() -> None:
    """U^2 = 0.5^2 + 0.5^2 - 2 * 0.3^2 = 0.32."""
    assert pytest.approx(math.sqrt(0.32)) == en_number(1.0, 0.5, 1.4, 0.5, common=0.3).U


@pytest.mark.parametrize(
    "given_",
    [
        (math.nan, 1, 1, 1, 0),
        (1, 0, 1, 1, 0),
        (1, 1, 1, -1, 0),
        (1, 1, 1, 2, 1.5),
        (1, 1, 1, 1, 1),
        (1, 1, 1, 1, -1),
    ],
)
def test_senseless_comparisons_are_refused(given_: tuple[float, ...]) -> None:
    x1, u1, x2, u2, common = given_
    with pytest.raises(Refused):
        en_number(x1, u1, x2, u2, common=common)


sizes = st.floats(0.01, 100.0)


@given(st.floats(-1e3, 1e3), sizes, st.floats(-1e3, 1e3), sizes)
def test_en_turns_its_sign_with_the_order(x1: float, u1: float, x2: float, u2: float) -> None:
    assert en_number(x1, u1, x2, u2).en == pytest.approx(-en_number(x2, u2, x1, u1).en)


@given(st.lists(st.floats(-3.0, 3.0), min_size=2, max_size=6), st.floats(0.01, 1.0))
def test_no_advice_goes_past_the_limit(errors: list[float], U: float) -> None:
    """On the day told the reach of no point is above its limit, unless it was reached already."""
    history = yearly(*errors, U=U)
    advice = control_chart(history)
    if advice.reason is not Reason.REACHED:
        assert all(one.reach(advice.days) <= one.limit + 1e-9 for one in trends(history))
    assert 0 <= advice.days <= Steps().most
