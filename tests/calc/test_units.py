"""Units: every way there and back, differences, and errors that say what fits."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measurements.calc import (
    Kind,
    Refused,
    UnitError,
    difference_from_si,
    difference_to_si,
    from_si,
    to_si,
    units_of,
)
from measurements.calc.errors import all_finite
from measurements.calc.units import TABLE, find_unit

everything = [(u, name) for u in TABLE for name in u.names]


@given(st.sampled_from(everything), st.floats(-1e6, 1e6))
def test_there_and_back(entry: tuple[object, str], value: float) -> None:
    unit, name = entry
    kind = unit.kind  # type: ignore[attr-defined]
    assert from_si(to_si(value, name, kind), name, kind) == pytest.approx(value, rel=1e-12, abs=1e-9)
    assert difference_from_si(difference_to_si(value, name, kind), name, kind) == pytest.approx(
        value, rel=1e-12
    )


def test_no_spelling_is_used_twice_in_a_kind() -> None:
    spelled = [(u.kind, n) for u in TABLE for n in u.names]
    assert len(spelled) == len(set(spelled))


def test_temperature_differences_take_the_factor_only() -> None:
    assert difference_to_si(1.8, "[degF]", Kind.TEMPERATURE) == pytest.approx(1.0)
    assert to_si(1.8, "[degF]", "temperature_difference") == pytest.approx(1.0)
    assert to_si(32.0, "[degF]", "temperature") == pytest.approx(273.15)


def test_errors_name_the_field_and_what_fits() -> None:
    with pytest.raises(UnitError, match=r"readings\[3\]: is a unit of flow; pressure takes Pa") as caught:
        to_si(5.0, "cfm", Kind.PRESSURE, name="readings[3]")
    assert caught.value.input == "readings[3]"
    with pytest.raises(UnitError, match="is not a known unit"):
        to_si(5.0, "furlong", Kind.LENGTH)
    with pytest.raises(UnitError, match="no such quantity"):
        to_si(5.0, "Pa", "presure")
    with pytest.raises(Refused, match="finite"):
        to_si(float("nan"), "Pa", Kind.PRESSURE)


def test_first_name_is_the_ucum_code_and_first_unit_is_si() -> None:
    assert find_unit("in. w.g.", Kind.PRESSURE).ucum == "[in_i'H2O]"
    for kind in Kind:
        first = units_of(kind)[0]
        assert (first.factor, first.offset) == (1.0, 0.0)


def test_figures_are_finite_one_by_one_however_large_their_sum() -> None:
    all_finite("flows", [1.7e308, 1.7e308])
    all_finite("flows", list(np.array([1.0, 2.0])))
    for wrong in ([1.7e308, 1.7e308, math.inf], [1.0, 2.0, math.nan], [1.0, 2.0, True]):
        with pytest.raises(Refused, match="must be a finite number") as caught:
            all_finite("flows", wrong)
        assert caught.value.input == "flows[2]"


def test_errors_say_what_was_given() -> None:
    assert str(Refused("flow", "must be above zero", -1.5)) == "flow: must be above zero (got -1.5)"
    assert str(Refused("flow", "is needed")) == "flow: is needed"
