"""Conversion factors against NIST SP 811 and exact definitions."""

import pytest

from measurements.calc.units import Kind, from_si, to_si
from tests.standards.records import record

pytestmark = pytest.mark.standards

FACTORS = [
    ("unit-inh2o-conv", "[in_i'H2O]", Kind.PRESSURE, 1.0),
    ("unit-inh2o-39", "inH2O_39F", Kind.PRESSURE, 1.0),
    ("unit-inh2o-60", "inH2O_60F", Kind.PRESSURE, 1.0),
    ("unit-inh2o-20", "inH2O_20C", Kind.PRESSURE, 1.0),
    ("unit-fth2o-39", "ftH2O_39F", Kind.PRESSURE, 1.0),
    ("unit-mmh2o", "mmH2O", Kind.PRESSURE, 1.0),
    ("unit-mmhg", "mmHg", Kind.PRESSURE, 1.0),
    ("unit-psi", "psi", Kind.PRESSURE, 1.0),
    ("unit-atm", "atm", Kind.PRESSURE, 1.0),
    ("unit-fpm", "ft/min", Kind.VELOCITY, 1.0),
    ("unit-cfm-ls", "cfm", Kind.FLOW, 1000.0),
    ("unit-gal", "gal", Kind.VOLUME, 1.0),
    ("unit-ukgal", "UK gal", Kind.VOLUME, 1.0),
    ("unit-lb", "lb", Kind.MASS, 1.0),
    ("unit-lbft3", "lb/ft3", Kind.DENSITY, 1.0),
    ("unit-grain", "gr", Kind.MASS, 1.0),
    ("unit-ton", "ton", Kind.POWER, 1.0),
    ("unit-hp-el", "hp(E)", Kind.POWER, 1.0),
    ("unit-btulbf", "Btu/(lb F)", Kind.SPECIFIC_HEAT, 0.001),
]


@pytest.mark.parametrize(("name", "unit", "kind", "scale"), FACTORS)
def test_factor(name: str, unit: str, kind: Kind, scale: float) -> None:
    r = record(name)
    r.check(to=to_si(1.0, unit, kind) * scale)


@pytest.mark.parametrize("name", ["unit-f-1", "unit-f-2", "unit-f-4"])
def test_fahrenheit(name: str) -> None:
    r = record(name)
    kelvin = to_si(r.value("t"), "[degF]", Kind.TEMPERATURE)
    r.check(t=from_si(kelvin, "Cel", Kind.TEMPERATURE), T=kelvin)


def test_against_a_unit_library() -> None:
    r = record("unit-pint")
    r.check(
        Q=to_si(r.value("Q"), "[cft_i]/min", "flow"),
        p=to_si(r.value("p"), "[in_i'H2O]", "pressure"),
        V=to_si(r.value("V"), "[ft_i]/min", "velocity"),
    )
