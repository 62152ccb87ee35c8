"""The page of figures: every goal of it is met or says why not."""

import pytest

from tests.benchmarks import goals
from tests.benchmarks.goals import GOALS, LINE, Found, Goal

PAGE = goals.HERE / "FIGURES.md"


@pytest.mark.parametrize(
    ("line", "name", "value", "unit"),
    [
        ("figure: intake http of copy = 0.49", "intake http of copy", 0.49, ""),
        ("figure: nested, REST / sql = 1.20 x [1.1 - 1.3]", "nested, REST / sql", 1.2, "x [1.1 - 1.3]"),
        ("figure: chart_profile_time = 2.1e-05 ms", "chart_profile_time", 2.1e-5, "ms"),
    ],
)  # fmt: skip
def test_a_line_is_read_as_it_is_printed(line: str, name: str, value: float, unit: str) -> None:
    told = LINE.fullmatch(line)
    assert told is not None
    assert (told["name"], float(told["value"]), told["unit"]) == (name, value, unit)


def test_the_worst_of_several_counts_and_a_missed_goal_gives_its_reason() -> None:
    found = [Found("x_figures", f"chart_{n}_size", value, "bytes") for n, value in enumerate((10, 7000, 20))]
    few = Goal("small", r"chart_\d_size", most=6000)
    assert few.worst(found) == found[1]
    assert not few.holds(7000.0)
    assert few.holds(6000.0)
    many = Goal("large", r"chart_\d_size", least=10)
    assert many.worst(found) == found[0]
    assert many.holds(10.0)
    assert not many.holds(9.9)
    assert Goal("none", "chart", most=1).worst(found) is None


def test_a_page_is_read_as_it_is_written() -> None:
    found = [
        Found("x_figures", "a | b = c", 1.5e-07, "x (goal 2)", "2 March 2026"),
        Found("x_figures", "d", 12.0, "", "2 March 2026"),
        Found("y_figures", "d", -3.0, "ms", "3 March 2026"),
    ]
    assert list(goals.standing(goals.page(found))) == found


def test_every_goal_stands_on_the_page_and_none_is_missed_without_a_reason() -> None:
    page = PAGE.read_text(encoding="utf-8")
    rows = {
        line.split(" | ")[0].removeprefix("| "): line for line in page.splitlines() if line.startswith("| ")
    }
    assert {goal.words for goal in GOALS} <= set(rows)
    for goal in GOALS:
        assert rows[goal.words].endswith("missed |") == (f"* **{goal.words}**" in page)
    assert "no reason is known" not in page
