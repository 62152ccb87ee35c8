"""Conversion factors against NIST SP 811 and exact definitions."""

import pytest

from measurements.calc.units import Kind, from_si, to_si, units_of
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


PUBLISHED = {
    Kind.PRESSURE: {
        "Pa": 1.0,
        "hPa": 1e2,
        "kPa": 1e3,
        "bar": 1e5,
        "mbar": 1e2,
        "[in_i'H2O]": 2.490889e2,
        "{in_i'H2O_39.2F}": 2.49082e2,
        "{in_i'H2O_60F}": 2.4884e2,
        "{in_i'H2O_20C}": 2.48642e2,
        "mm[H2O]": 9.80665,
        "[ft_i'H2O]": 2.989067e3,
        "{ft_i'H2O_39.2F}": 2.988984e3,
        "m[H2O]": 9.80665e3,
        "[in_i'Hg]": 3.386389e3,
        "mm[Hg]": 1.333224e2,
        "[psi]": 6.894757e3,
        "atm": 1.01325e5,
    },
    Kind.VELOCITY: {"m/s": 1.0, "[ft_i]/min": 5.08e-3, "[ft_i]/s": 3.048e-1, "km/h": 2.777778e-1},
    Kind.FLOW: {
        "m3/s": 1.0,
        "m3/h": 2.777778e-4,
        "L/s": 1e-3,
        "L/min": 1.666667e-5,
        "[cft_i]/min": 4.719474e-4,
        "[gal_us]/min": 6.309020e-5,
    },
    Kind.LENGTH: {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "[in_i]": 2.54e-2, "[ft_i]": 3.048e-1},
    Kind.AREA: {"m2": 1.0, "mm2": 1e-6, "[sft_i]": 9.290304e-2, "[sin_i]": 6.4516e-4},
    Kind.VOLUME: {
        "m3": 1.0,
        "L": 1e-3,
        "[cft_i]": 2.831685e-2,
        "[gal_us]": 3.785412e-3,
        "[gal_br]": 4.54609e-3,
    },
    Kind.TEMPERATURE: {"K": 1.0, "Cel": 1.0, "[degF]": 5.555556e-1},
    Kind.TEMPERATURE_DIFFERENCE: {"K": 1.0, "[degF]": 5.555556e-1},
    Kind.FRACTION: {"1": 1.0, "%": 1e-2, "[ppm]": 1e-6},
    Kind.DENSITY: {"kg/m3": 1.0, "[lb_av]/[cft_i]": 1.601846e1},
    Kind.MASS: {"kg": 1.0, "[lb_av]": 4.535924e-1, "[gr]": 6.479891e-5},
    Kind.MASS_FLOW: {"kg/s": 1.0, "[lb_av]/min": 7.559873e-3},
    Kind.POWER: {
        "W": 1.0,
        "kW": 1e3,
        "[HP]": 7.456999e2,
        "{hp_electric}": 7.46e2,
        "[Btu_IT]/h": 2.930711e-1,
        "{ton_refrigeration}": 3.516853e3,
    },
    Kind.SPEED: {"/s": 1.0, "/min": 1.666667e-2},
    Kind.TIME: {"s": 1.0, "min": 60.0, "h": 3600.0},
    Kind.ANGLE: {"rad": 1.0, "deg": 1.745329e-2},
    Kind.VOLTAGE: {"V": 1.0},
    Kind.CURRENT: {"A": 1.0},
    Kind.ENTHALPY: {"J/kg": 1.0, "kJ/kg": 1e3, "[Btu_IT]/[lb_av]": 2.326e3},
    Kind.SOUND_LEVEL: {"dB": 1.0},
    Kind.CONCENTRATION: {"/m3": 1.0, "/L": 1e3, "/[cft_i]": 3.531467e1},
    Kind.FLOW_COEFFICIENT: {
        "{m3/s/Pa^0.5}": 1.0,
        "{L/s/Pa^0.5}": 1e-3,
        "{m3/h/Pa^0.5}": 2.777778e-4,
        "{L/s/kPa^0.5}": 3.162278e-5,
        "{Kv}": 8.784105e-7,
        "{Cv}": 7.598054e-7,
        "{cfm/inH2O^0.5}": 2.990312e-5,
    },
    Kind.FLOW_PER_AREA: {
        "m3/s/m2": 1.0,
        "L/s/m2": 1e-3,
        "m3/h/m2": 2.777778e-4,
        "[cft_i]/min/(100.[sft_i])": 5.08e-5,
    },
    Kind.VISCOSITY: {"Pa.s": 1.0, "mPa.s": 1e-3},
    Kind.SPECIFIC_HEAT: {"J/kg/K": 1.0, "[Btu_IT]/[lb_av]/[degF]": 4.1868e3},
}
"""SI value of one unit, to the seven digits of NIST SP 811 appendix B.8 (from memory where no record above
has it); coefficients of flow and concentrations by the algebra of those units, worked out apart by hand."""


@pytest.mark.parametrize("kind", list(Kind))
def test_every_unit_is_worth_what_is_published(kind: Kind) -> None:
    ours = {u.ucum: u.factor for u in units_of(kind)}
    assert ours == pytest.approx(PUBLISHED[kind], rel=3e-7)


def test_only_temperatures_start_elsewhere() -> None:
    offsets = {u.ucum: u.offset for kind in Kind for u in units_of(kind) if u.offset}
    assert offsets == {"Cel": 273.15, "[degF]": 459.67}


def test_kv_of_cv() -> None:
    """Kv = 0.86498 Cv (trade: Cv = 1.1561 Kv)."""
    assert from_si(to_si(1.0, "{Cv}", "flow_coefficient"), "{Kv}", "flow_coefficient") == pytest.approx(
        0.86498, rel=1e-5
    )
