"""A straight line through calibration data: against numpy, its doubt away from the data, refusals."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc.errors import Refused
from measurements.calc.line import fit_line

X = (10.0, 12.0, 15.0, 17.0, 20.0, 24.0)
Y = (0.31, 0.28, 0.20, 0.17, 0.11, 0.02)


def test_a_line_and_its_uncertainties_as_numpy_has_them() -> None:
    found = fit_line(X, Y)
    (slope, intercept), covariance = np.polyfit(X, Y, 1, cov=True)
    assert (found.slope, found.intercept) == pytest.approx((slope, intercept))
    assert (found.u_slope, found.u_intercept) == pytest.approx(np.sqrt(np.diag(covariance)))
    assert found.r * found.u_slope * found.u_intercept == pytest.approx(covariance[0, 1])
    assert found.dof == 4.0


@given(st.floats(-50.0, 50.0), st.floats(0.0, 30.0))
def test_the_line_does_not_depend_on_its_origin(origin: float, x: float) -> None:
    plain, moved = fit_line(X, Y).at(x), fit_line(X, Y, origin).at(x)
    assert (moved.value, moved.u) == pytest.approx((plain.value, plain.u), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("x", "y", "named", "why"),
    [
        (X[:2], Y[:2], "points", "at least three"),
        (X, Y[:5], "points", "as many y as x"),
        ((1.0, math.nan, 3.0), Y[:3], "x[1]", "finite"),
        (X[:3], (1.0, 2.0, math.inf), "y[2]", "finite"),
        ((20.0, 20.0, 20.0), Y[:3], "x", "has no spread: no line can be told"),
    ],
)
def test_points_that_tell_no_line(x: tuple[float, ...], y: tuple[float, ...], named: str, why: str) -> None:
    with pytest.raises(Refused, match=why) as caught:
        fit_line(x, y)
    assert caught.value.input == named
