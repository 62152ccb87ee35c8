"""One table of units: UCUM codes and the symbols of the trade, to and from SI.

Factors are exact by definition where a definition exists (international foot and pound, g_n = 9.80665
m/s2). The inch of water is the conventional one, 249.08891 Pa; instruments set for water at 60 or 68 degF
read 0.10 to 0.18 % differently. Sources: NIST SP 811 appendix B.8; UCUM 2.1.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from .errors import UnitError, finite

FOOT, INCH, POUND, GRAVITY = 0.3048, 0.0254, 0.45359237, 9.80665
INCH_OF_WATER = INCH * 1000.0 * GRAVITY
BTU = 1055.05585262


class Kind(StrEnum):
    """What a unit measures; SI unit in the comment."""

    PRESSURE = "pressure"  # Pa
    VELOCITY = "velocity"  # m/s
    FLOW = "flow"  # m3/s
    LENGTH = "length"  # m
    AREA = "area"  # m2
    VOLUME = "volume"  # m3
    TEMPERATURE = "temperature"  # K
    TEMPERATURE_DIFFERENCE = "temperature_difference"  # K
    FRACTION = "fraction"  # 1
    DENSITY = "density"  # kg/m3
    MASS = "mass"  # kg
    MASS_FLOW = "mass_flow"  # kg/s
    POWER = "power"  # W
    SPEED = "speed"  # revolutions per second
    TIME = "time"  # s
    ANGLE = "angle"  # rad
    VOLTAGE = "voltage"  # V
    CURRENT = "current"  # A
    ENTHALPY = "enthalpy"  # J/kg
    SPECIFIC_HEAT = "specific_heat"  # J/(kg K)
    SOUND_LEVEL = "sound_level"  # dB
    CONCENTRATION = "concentration"  # particles/m3
    FLOW_COEFFICIENT = "flow_coefficient"  # m3/s at 1 Pa, flow over the root of the pressure difference
    FLOW_PER_AREA = "flow_per_area"  # m3/s/m2
    VISCOSITY = "viscosity"  # Pa s


@dataclass(frozen=True, slots=True)
class Unit:
    """SI value = (value + offset) * factor; names: every spelling that is accepted, UCUM first."""

    names: tuple[str, ...]
    kind: Kind
    factor: float
    offset: float = 0.0

    @property
    def ucum(self) -> str:
        """The UCUM code."""
        return self.names[0]


def _row(kind: Kind, factor: float, *names: str, offset: float = 0.0) -> Unit:
    return Unit(names, kind, factor, offset)


_DEGREE_F = 5.0 / 9.0
_FT3 = FOOT**3
_GALLON = 231.0 * INCH**3
_PSI = POUND * GRAVITY / INCH**2

TABLE: tuple[Unit, ...] = (
    _row(Kind.PRESSURE, 1.0, "Pa"),
    _row(Kind.PRESSURE, 100.0, "hPa"),
    _row(Kind.PRESSURE, 1000.0, "kPa"),
    _row(Kind.PRESSURE, 1e5, "bar"),
    _row(Kind.PRESSURE, 100.0, "mbar"),
    _row(Kind.PRESSURE, INCH_OF_WATER, "[in_i'H2O]", "inH2O", "in H2O", "in. w.g.", "inWC", "in wg"),
    _row(Kind.PRESSURE, 249.082, "{in_i'H2O_39.2F}", "inH2O_39F", "inH2O_4C"),
    _row(Kind.PRESSURE, 248.84, "{in_i'H2O_60F}", "inH2O_60F"),
    _row(Kind.PRESSURE, 248.642, "{in_i'H2O_20C}", "inH2O_20C", "inH2O_68F"),
    _row(Kind.PRESSURE, GRAVITY, "mm[H2O]", "mmH2O"),
    _row(Kind.PRESSURE, 12.0 * INCH_OF_WATER, "[ft_i'H2O]", "ftH2O", "ft H2O"),
    _row(Kind.PRESSURE, 12.0 * 249.082, "{ft_i'H2O_39.2F}", "ftH2O_39F", "ftH2O_4C"),
    _row(Kind.PRESSURE, 1000.0 * GRAVITY, "m[H2O]", "mH2O"),
    _row(Kind.PRESSURE, 3386.389, "[in_i'Hg]", "inHg", "in Hg"),
    _row(Kind.PRESSURE, 133.322387415, "mm[Hg]", "mmHg"),
    _row(Kind.PRESSURE, _PSI, "[psi]", "psi"),
    _row(Kind.PRESSURE, 101325.0, "atm"),
    _row(Kind.VELOCITY, 1.0, "m/s"),
    _row(Kind.VELOCITY, FOOT / 60.0, "[ft_i]/min", "ft/min", "fpm"),
    _row(Kind.VELOCITY, FOOT, "[ft_i]/s", "ft/s"),
    _row(Kind.VELOCITY, 1.0 / 3.6, "km/h"),
    _row(Kind.FLOW, 1.0, "m3/s", "m³/s"),
    _row(Kind.FLOW, 1.0 / 3600.0, "m3/h", "m³/h"),
    _row(Kind.FLOW, 0.001, "L/s", "l/s"),
    _row(Kind.FLOW, 0.001 / 60.0, "L/min", "l/min"),
    _row(Kind.FLOW, _FT3 / 60.0, "[cft_i]/min", "ft3/min", "ft³/min", "cfm", "CFM"),
    _row(Kind.FLOW, _GALLON / 60.0, "[gal_us]/min", "gal/min", "gpm"),
    _row(Kind.LENGTH, 1.0, "m"),
    _row(Kind.LENGTH, 0.001, "mm"),
    _row(Kind.LENGTH, 0.01, "cm"),
    _row(Kind.LENGTH, INCH, "[in_i]", "in", '"'),
    _row(Kind.LENGTH, FOOT, "[ft_i]", "ft", "'"),
    _row(Kind.AREA, 1.0, "m2", "m²"),
    _row(Kind.AREA, 1e-6, "mm2", "mm²"),
    _row(Kind.AREA, FOOT**2, "[sft_i]", "ft2", "ft²"),
    _row(Kind.AREA, INCH**2, "[sin_i]", "in2", "in²"),
    _row(Kind.VOLUME, 1.0, "m3", "m³"),
    _row(Kind.VOLUME, 0.001, "L", "l"),
    _row(Kind.VOLUME, _FT3, "[cft_i]", "ft3", "ft³"),
    _row(Kind.VOLUME, _GALLON, "[gal_us]", "gal"),
    _row(Kind.VOLUME, 0.00454609, "[gal_br]", "UK gal"),
    _row(Kind.TEMPERATURE, 1.0, "K"),
    _row(Kind.TEMPERATURE, 1.0, "Cel", "°C", "degC", "C", offset=273.15),
    _row(Kind.TEMPERATURE, _DEGREE_F, "[degF]", "°F", "degF", "F", offset=459.67),
    _row(Kind.TEMPERATURE_DIFFERENCE, 1.0, "K", "Cel", "°C", "degC"),
    _row(Kind.TEMPERATURE_DIFFERENCE, _DEGREE_F, "[degF]", "°F", "degF"),
    _row(Kind.FRACTION, 1.0, "1"),
    _row(Kind.FRACTION, 0.01, "%"),
    _row(Kind.FRACTION, 1e-6, "[ppm]", "ppm"),
    _row(Kind.DENSITY, 1.0, "kg/m3", "kg/m³"),
    _row(Kind.DENSITY, POUND / _FT3, "[lb_av]/[cft_i]", "lb/ft3", "lb/ft³"),
    _row(Kind.MASS, 1.0, "kg"),
    _row(Kind.MASS, POUND, "[lb_av]", "lb"),
    _row(Kind.MASS, POUND / 7000.0, "[gr]", "gr"),
    _row(Kind.MASS_FLOW, 1.0, "kg/s"),
    _row(Kind.MASS_FLOW, POUND / 60.0, "[lb_av]/min", "lb/min"),
    _row(Kind.POWER, 1.0, "W"),
    _row(Kind.POWER, 1000.0, "kW"),
    _row(Kind.POWER, 550.0 * FOOT * POUND * GRAVITY, "[HP]", "hp"),
    _row(Kind.POWER, 746.0, "{hp_electric}", "hp(E)"),
    _row(Kind.POWER, BTU / 3600.0, "[Btu_IT]/h", "Btu/h"),
    _row(Kind.POWER, 12000.0 * BTU / 3600.0, "{ton_refrigeration}", "ton"),
    _row(Kind.SPEED, 1.0, "/s", "1/s", "Hz"),
    _row(Kind.SPEED, 1.0 / 60.0, "/min", "1/min", "rpm", "{rpm}", "r/min"),
    _row(Kind.TIME, 1.0, "s"),
    _row(Kind.TIME, 60.0, "min"),
    _row(Kind.TIME, 3600.0, "h"),
    _row(Kind.ANGLE, 1.0, "rad"),
    _row(Kind.ANGLE, 3.141592653589793 / 180.0, "deg", "°"),
    _row(Kind.VOLTAGE, 1.0, "V"),
    _row(Kind.CURRENT, 1.0, "A"),
    _row(Kind.ENTHALPY, 1.0, "J/kg"),
    _row(Kind.ENTHALPY, 1000.0, "kJ/kg"),
    _row(Kind.ENTHALPY, BTU / POUND, "[Btu_IT]/[lb_av]", "Btu/lb"),
    _row(Kind.SOUND_LEVEL, 1.0, "dB"),
    _row(Kind.CONCENTRATION, 1.0, "/m3", "1/m3", "1/m³"),
    _row(Kind.CONCENTRATION, 1000.0, "/L", "1/L"),
    _row(Kind.CONCENTRATION, 1.0 / _FT3, "/[cft_i]", "1/ft3", "1/ft³"),
    _row(Kind.FLOW_COEFFICIENT, 1.0, "{m3/s/Pa^0.5}", "m3/s/Pa^0.5"),
    _row(Kind.FLOW_COEFFICIENT, 0.001, "{L/s/Pa^0.5}", "L/s/Pa^0.5"),
    _row(Kind.FLOW_COEFFICIENT, 1.0 / 3600.0, "{m3/h/Pa^0.5}", "m3/h/Pa^0.5"),
    _row(Kind.FLOW_COEFFICIENT, 0.001 / 1000.0**0.5, "{L/s/kPa^0.5}", "L/s/kPa^0.5"),
    _row(Kind.FLOW_COEFFICIENT, 1.0 / 3600.0 / 1e5**0.5, "{Kv}", "Kv", "m3/h/bar^0.5"),
    _row(Kind.FLOW_COEFFICIENT, _GALLON / 60.0 / _PSI**0.5, "{Cv}", "Cv", "gpm/psi^0.5"),
    _row(Kind.FLOW_COEFFICIENT, _FT3 / 60.0 / INCH_OF_WATER**0.5, "{cfm/inH2O^0.5}", "cfm/inH2O^0.5"),
    _row(Kind.FLOW_PER_AREA, 1.0, "m3/s/m2"),
    _row(Kind.FLOW_PER_AREA, 0.001, "L/s/m2"),
    _row(Kind.FLOW_PER_AREA, 1.0 / 3600.0, "m3/h/m2"),
    _row(Kind.FLOW_PER_AREA, _FT3 / 60.0 / (100.0 * FOOT**2), "[cft_i]/min/(100.[sft_i])", "cfm/100ft2"),
    _row(Kind.VISCOSITY, 1.0, "Pa.s", "Pa s"),
    _row(Kind.VISCOSITY, 0.001, "mPa.s", "mPa s", "cP"),
    _row(Kind.SPECIFIC_HEAT, 1.0, "J/kg/K", "J/(kg K)"),
    _row(Kind.SPECIFIC_HEAT, BTU / POUND / _DEGREE_F, "[Btu_IT]/[lb_av]/[degF]", "Btu/(lb F)"),
)

_BY_KIND: dict[tuple[Kind, str], Unit] = {(u.kind, name): u for u in TABLE for name in u.names}


def find_unit(unit: str, kind: Kind | str, *, name: str = "unit") -> Unit:
    """The unit written `unit` of the quantity `kind`. Errors: UnitError naming what fits instead."""
    quantity = _kind(kind, name)
    found = _BY_KIND.get((quantity, unit))
    if found is None:
        others = sorted({u.kind.value for u in TABLE if unit in u.names})
        known = ", ".join(u.ucum for u in TABLE if u.kind is quantity)
        wrong = f"is a unit of {' and '.join(others)}" if others else "is not a known unit"
        raise UnitError(name, f"{wrong}; {quantity.value} takes {known}", unit)
    return found


def to_si(value: float, unit: str, kind: Kind | str, *, name: str = "value") -> float:
    """`value` in `unit` as SI. Errors: UnitError (unknown or unfitting unit), Refused (not finite)."""
    found = find_unit(unit, kind, name=name)
    return (finite(name, value) + found.offset) * found.factor


def from_si(value: float, unit: str, kind: Kind | str, *, name: str = "value") -> float:
    """An SI `value` in `unit`; the inverse of `to_si`."""
    found = find_unit(unit, kind, name=name)
    return finite(name, value) / found.factor - found.offset


def difference_to_si(value: float, unit: str, kind: Kind | str, *, name: str = "value") -> float:
    """A difference or an uncertainty in `unit` as SI: by the factor only (1.8 degF is 1 K)."""
    return finite(name, value) * find_unit(unit, kind, name=name).factor


def difference_from_si(value: float, unit: str, kind: Kind | str, *, name: str = "value") -> float:
    """An SI difference or uncertainty in `unit`: by the factor only."""
    return finite(name, value) / find_unit(unit, kind, name=name).factor


def units_of(kind: Kind | str) -> tuple[Unit, ...]:
    """All units of a quantity, in the table's order."""
    quantity = _kind(kind, "kind")
    return tuple(u for u in TABLE if u.kind is quantity)


def _kind(kind: Kind | str, name: str) -> Kind:
    try:
        return Kind(kind)
    except ValueError as error:
        raise UnitError(name, f"has no such quantity; choose one of {', '.join(Kind)}", kind) from error
