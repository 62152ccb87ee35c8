"""Numbers as typed: each is read as the one thing it can mean, or refused."""

import contextlib
import math
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.sheets.figures import Mark, NoFigure, decimal_mark, read_figure

MARKS = st.sampled_from(list(Mark))
NUMBERS = st.decimals(
    min_value=Decimal("-99999999"), max_value=Decimal("99999999"), places=None, allow_nan=False
).map(lambda number: number.quantize(Decimal("0.0001")))


def written(number: Decimal, mark: Mark, group: str) -> str:
    """A number in one of the usual ways, e.g. 1.234,5 with mark "," and group "."."""
    text = f"{number:,f}".rstrip("0").rstrip(".") if "." in f"{number:f}" else f"{number:,f}"
    return text.replace(".", "§").replace(",", group).replace("§", mark.value)


@settings(deadline=None)  # a busy machine is no fault of the text
@given(NUMBERS, MARKS, st.sampled_from(["", " ", "'", "\u202f", "other"]))
def test_what_a_file_with_a_known_mark_says_is_read_back(number: Decimal, mark: Mark, group: str) -> None:
    text = written(number, mark, mark.other.value if group == "other" else group)
    figure = read_figure(text)
    assert figure.shows in (None, mark)
    assert figure.value(mark) == float(number)


@settings(deadline=None)  # a busy machine is no fault of the text
@given(NUMBERS, MARKS, st.sampled_from(["", " ", "other"]))
def test_without_a_known_mark_it_is_read_back_or_refused(number: Decimal, mark: Mark, group: str) -> None:
    figure = read_figure(written(number, mark, mark.other.value if group == "other" else group))
    if figure.ambiguous:
        with pytest.raises(NoFigure, match="may mean"):
            figure.value(None)
    else:
        assert figure.value(None) == float(number)


@settings(deadline=None)  # a busy machine is no fault of the text
@given(st.text(max_size=50) | st.text(alphabet="0123456789.,' +-e%mL/s", max_size=20))
def test_any_text_gives_a_finite_number_or_a_reason(text: str) -> None:
    with contextlib.suppress(NoFigure):
        assert math.isfinite(read_figure(text).value(Mark.POINT))


@pytest.mark.parametrize("text", ["1,234", "1.234", "12,500", "999.999 L/s"])
def test_two_meanings_need_another_cell(text: str) -> None:
    figure = read_figure(text)
    with pytest.raises(NoFigure, match=r"may mean .* write"):
        figure.value(None)
    low, high = sorted((figure.value(Mark.POINT), figure.value(Mark.COMMA)))
    assert high == pytest.approx(1000 * low)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("900 L/s", 900.0, "L/s"),
        ("250mm", 250.0, "mm"),
        ('12"', 12.0, '"'),
        ("−12.5", -12.5, ""),
        ("0,125", 0.125, ""),
        (".5", 0.5, ""),
        ("1,234,567", 1234567.0, ""),
        ("1'234.5 m3/h", 1234.5, "m3/h"),
        ("1234,567", 1234.567, ""),
    ],
)
def test_clear_ones(text: str, value: float, unit: str) -> None:
    figure = read_figure(text)
    assert (figure.value(None), figure.unit) == (value, unit)


@pytest.mark.parametrize(
    "text",
    ["", "nan", "inf", "1..2", "1,2,3", "12 34", "--3", "-1+1", "0x10", "١٢", "1'-6\"", "5.", "9" * 50],
)
def test_others_are_refused(text: str) -> None:
    with pytest.raises(NoFigure):
        figure = read_figure(text)
        if figure.unit:  # "0x10" is 0 with an unknown unit, which the column refuses
            raise NoFigure(figure.unit)


def test_the_files_mark_is_that_of_most_and_a_mixture_is_told() -> None:
    figures = [read_figure(text) for text in ("12.5", "0.4", "1,234", "7,5", "100")]
    assert decimal_mark(figures) == (Mark.POINT, Mark.COMMA)
    assert decimal_mark(figures[:3]) == (Mark.POINT, None)
    assert decimal_mark([read_figure("100")]) == (None, None)
