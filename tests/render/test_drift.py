"""The picture of drift: its finding, what lies where, and odd input."""

import re
from datetime import date, timedelta
from xml.etree import ElementTree

import pytest

from reports.render.charts import DriftLine, DriftPoint, days_between, drift_chart

DUE = date(2026, 6, 1)


def points(*errors: tuple[float, float]) -> list[DriftPoint]:
    return [DriftPoint(date(2022 + n, 3, 2), found, left, 0.4) for n, (found, left) in enumerate(errors)]


def drawn(
    found: list[DriftPoint], limit: float | None = 2.0, due: date | None = DUE, title: str = "It drifts"
) -> str:
    line = [DriftLine(day, 0.1, 0.3) for day in days_between(found[-1].on, due or found[-1].on)]
    return drift_chart(found, line, limit, due, "L/s", title)


def test_the_title_is_the_finding_and_comes_first() -> None:
    svg = drawn(points((0.0, 0.0), (0.5, 0.5)), title="It drifts by <1 L/s> a year")
    tree = ElementTree.fromstring(svg)
    assert tree[0].tag.endswith("title")
    assert tree[0].text == "It drifts by <1 L/s> a year"


def test_every_calibration_is_a_dot_and_every_adjustment_a_square() -> None:
    svg = drawn(points((0.0, 0.0), (0.5, 0.0), (0.6, 0.6)))
    assert svg.count("<circle") == 3
    assert len(re.findall(r'<rect [^>]*width="6" height="6"', svg)) == 1


def test_the_band_the_prediction_and_the_day_are_drawn_only_when_they_are_there() -> None:
    found = points((0.0, 0.0), (0.5, 0.5))
    whole, bare = drawn(found), drift_chart(found, [], None, None, "L/s", "No promise")
    assert "c-band" in whole
    assert "advised 2026-06-01" in whole
    assert "stroke-dasharray" in whole
    for word in ("c-band", "advised", "stroke-dasharray"):
        assert word not in bare


def test_a_later_calibration_lies_further_right_and_a_larger_error_higher() -> None:
    svg = drawn(points((0.0, 0.0), (0.5, 0.5), (1.0, 1.0)))
    places = [(float(x), float(y)) for x, y in re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)"', svg)]
    assert places == sorted(places)
    assert [y for _, y in places] == sorted((y for _, y in places), reverse=True)


def test_one_day_and_wild_figures_still_make_a_picture() -> None:
    ElementTree.fromstring(drawn(points((1e9, 1e9)), limit=1e-9, due=None))
    ElementTree.fromstring(drawn(points((0.0, 0.0)), limit=None, due=date(2022, 3, 2)))


@pytest.mark.parametrize("days", [0, 1, 10, 3000])
def test_days_between_hold_both_ends_once(days: int) -> None:
    first = date(2024, 1, 1)
    found = days_between(first, first + timedelta(days=days))
    assert found == sorted(set(found))
    assert found[0] == first
    assert found[-1] >= first + timedelta(days=days)
