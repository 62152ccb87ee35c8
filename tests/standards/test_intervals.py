"""Intervals of calibration and the agreement of two instruments, against published figures."""

from datetime import date, timedelta

import pytest

from measurements.calc.interval import Found, en_number, staircase, trends
from tests.standards.records import record

pytestmark = pytest.mark.standards
START = date(2000, 1, 1)


def test_the_line_of_the_gums_thermometer() -> None:
    """The drift's line is that of GUM H.3 with time in place of temperature: 1000 days are a kelvin."""
    r = record("int-gum-h3")
    pairs = zip(r.value("temperature"), r.value("correction"), strict=True)
    seen = [
        (Found(START + timedelta(days=round(1000 * t)), reference=20.0, as_left=b, U=1e-4, limit=1.0),)
        for t, b in pairs
    ]
    (trend,) = trends(seen)
    last = 1000 * r.value("temperature")[-1]
    r.check(
        intercept=trend.error(20_000 - last),
        u_intercept=trend.u(20_000 - last),
        slope=1000 * trend.slope,
        u_slope=1000 * trend.u_slope,
        predicted=trend.error(30_000 - last),
        u_predicted=trend.u(30_000 - last),
    )


def test_en_numbers_of_a_printed_table() -> None:
    r = record("int-en")
    pairs = [(x, r.value("U"), r.value("reference"), r.value("U_reference")) for x in r.value("value")]
    r.check(en=[en_number(*pair).en for pair in pairs])


def test_the_staircase_goes_up_within_80_percent_and_down_outside() -> None:
    r = record("int-staircase")
    first = (Found(START, 100.0, 0.0, 0.1, limit=2.0),)
    steps = [
        staircase([first, (Found(START + timedelta(days=365), 100.0, 2.0 * share, 0.1, limit=2.0),)])
        for share in r.value("share")
    ]
    r.check(step=[one.reason.value for one in steps])
