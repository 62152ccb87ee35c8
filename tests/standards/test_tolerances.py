"""Shares of design, as proportional balancing uses them."""

import pytest

from measurements.calc.conformity import judge_value, tolerance_of
from tests.standards.records import record

pytestmark = pytest.mark.standards


def test_shares_of_design_and_the_outlet_that_stays_open() -> None:
    """Trade method: outlets are brought to the share of the lowest one, whose damper is left open."""
    r = record("tol-ratio")
    shares = [
        judge_value(m, 0.0, tolerance_of(d, -0.1, 0.1), design=d).share or 0.0
        for m, d in zip(r.value("measured"), r.value("design"), strict=True)
    ]
    lowest = min(shares)
    r.check(ratio=shares, index=shares.index(lowest), spread_max_over_min=max(shares) / lowest)
