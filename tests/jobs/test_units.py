"""The units of planning are those of the arithmetic."""

import pytest

from jobs.models import Quantity
from jobs.units import UnknownUnit, find_unit, to_si, units_of
from measurements.calc import units as calc
from measurements.checked import KINDS


@pytest.mark.parametrize("quantity", list(Quantity))
def test_each_unit_is_worth_the_same_in_the_arithmetic(quantity: Quantity) -> None:
    assert units_of(quantity)
    for unit in units_of(quantity):
        for value in (0.0, 1.0, 37.5):
            same = calc.to_si(value, unit.name, KINDS[quantity])
            assert unit.to_si(value) == pytest.approx(same, rel=1e-14)
        assert find_unit(unit.symbol, quantity) is unit or unit.symbol == unit.name


@pytest.mark.parametrize("quantity", list(Quantity))
def test_every_name_known_here_is_known_there(quantity: Quantity) -> None:
    for other in calc.units_of(KINDS[quantity]):
        for name in other.names:
            try:
                unit = find_unit(name, quantity)
            except UnknownUnit:
                continue
            assert (unit.factor, unit.offset) == pytest.approx((other.factor, other.offset), rel=1e-14)


def test_what_does_not_fit_is_refused_with_what_does() -> None:
    with pytest.raises(UnknownUnit, match=r"'Pa' is no unit of flow; use m³/s, m³/h, L/s"):
        find_unit("Pa", Quantity.FLOW)
    with pytest.raises(ValueError, match="finite"):
        to_si(float("inf"), "L/s", Quantity.FLOW)


def test_a_difference_ignores_the_offset() -> None:
    fahrenheit = find_unit("°F", Quantity.TEMPERATURE)
    assert fahrenheit.difference_to_si(1.8) == pytest.approx(1.0)
    assert fahrenheit.to_si(32.0) == pytest.approx(273.15)
    assert fahrenheit.from_si(273.15) == pytest.approx(32.0)
