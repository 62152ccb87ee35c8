"""Units of what is planned and of what instruments show: names as written, to SI.

Arithmetic has the full table (measurements/calc/units.py), which this room may not import; a test holds the
two together. SI value = (value + offset) * factor. Sources: NIST SP 811 appendix B.8; UCUM 2.1.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

from jobs.models.instrument import Quantity
from jobs.models.plan import Measurand

FOOT, INCH, POUND, GRAVITY = 0.3048, 0.0254, 0.45359237, 9.80665
INCH_OF_WATER = INCH * 1000.0 * GRAVITY


class UnknownUnit(ValueError):
    """The text names no unit of this quantity; the message says which fit."""


class Figure(NamedTuple):
    """A number as given and its text."""

    value: float
    text: str


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of a quantity; `name` is the UCUM code, `symbol` what people read."""

    name: str
    symbol: str
    factor: float
    offset: float = 0.0

    def to_si(self, value: float) -> float:
        return (value + self.offset) * self.factor

    def difference_to_si(self, value: float) -> float:
        """A difference, resolution or uncertainty: by the factor only."""
        return value * self.factor

    def from_si(self, value: float) -> float:
        return value / self.factor - self.offset


_PRESSURE = {
    Unit("Pa", "Pa", 1.0): (),
    Unit("hPa", "hPa", 100.0): (),
    Unit("kPa", "kPa", 1000.0): (),
    Unit("mbar", "mbar", 100.0): (),
    Unit("[in_i'H2O]", "inH2O", INCH_OF_WATER): ("inH2O", "in H2O", "in. w.g.", "inWC", "in wg"),
    Unit("mm[H2O]", "mmH2O", GRAVITY): ("mmH2O",),
    Unit("[in_i'Hg]", "inHg", 3386.389): ("inHg", "in Hg"),
    Unit("mm[Hg]", "mmHg", 133.322387415): ("mmHg",),
    Unit("{in_i'H2O_39.2F}", "inH2O_39F", 249.082): ("inH2O_39F", "inH2O_4C"),
    Unit("{in_i'H2O_60F}", "inH2O_60F", 248.84): ("inH2O_60F",),
    Unit("{in_i'H2O_20C}", "inH2O_68F", 248.642): ("inH2O_20C", "inH2O_68F"),
    Unit("bar", "bar", 1e5): (),
    Unit("[psi]", "psi", POUND * GRAVITY / INCH**2): ("psi",),
    Unit("[ft_i'H2O]", "ftH2O", 12.0 * INCH_OF_WATER): ("ftH2O", "ft H2O"),
    Unit("m[H2O]", "mH2O", 1000.0 * GRAVITY): ("mH2O",),
}
_TABLE: dict[Quantity, dict[Unit, tuple[str, ...]]] = {
    Quantity.PRESSURE: _PRESSURE,
    Quantity.ABSOLUTE_PRESSURE: _PRESSURE,
    Quantity.VELOCITY: {
        Unit("m/s", "m/s", 1.0): (),
        Unit("[ft_i]/min", "ft/min", FOOT / 60.0): ("ft/min", "fpm"),
        Unit("[ft_i]/s", "ft/s", FOOT): ("ft/s",),
    },
    Quantity.FLOW: {
        Unit("m3/s", "m³/s", 1.0): ("m³/s",),
        Unit("m3/h", "m³/h", 1.0 / 3600.0): ("m³/h",),
        Unit("L/s", "L/s", 0.001): ("l/s",),
        Unit("L/min", "L/min", 0.001 / 60.0): ("l/min",),
        Unit("[cft_i]/min", "ft³/min", FOOT**3 / 60.0): ("ft3/min", "ft³/min", "cfm", "CFM"),
        Unit("[gal_us]/min", "gal/min", 231.0 * INCH**3 / 60.0): ("gal/min", "gpm"),
    },
    Quantity.LENGTH: {
        Unit("m", "m", 1.0): (),
        Unit("mm", "mm", 0.001): (),
        Unit("cm", "cm", 0.01): (),
        Unit("[in_i]", "in", INCH): ("in", '"'),
        Unit("[ft_i]", "ft", FOOT): ("ft", "'"),
    },
    Quantity.TEMPERATURE: {
        Unit("K", "K", 1.0): (),
        Unit("Cel", "°C", 1.0, 273.15): ("°C", "degC", "C"),
        Unit("[degF]", "°F", 5.0 / 9.0, 459.67): ("°F", "degF", "F"),
    },
    Quantity.HUMIDITY: {Unit("1", "1", 1.0): (), Unit("%", "%", 0.01): ()},
    Quantity.FACTOR: {Unit("1", "1", 1.0): (), Unit("%", "%", 0.01): ()},
    Quantity.SPEED: {
        Unit("/s", "1/s", 1.0): ("1/s", "Hz"),
        Unit("/min", "1/min", 1.0 / 60.0): ("1/min", "rpm", "{rpm}", "r/min"),
    },
    Quantity.VOLTAGE: {Unit("V", "V", 1.0): ()},
    Quantity.CURRENT: {Unit("A", "A", 1.0): ()},
    Quantity.POWER: {
        Unit("W", "W", 1.0): (),
        Unit("kW", "kW", 1000.0): (),
        Unit("[HP]", "hp", 550.0 * FOOT * POUND * GRAVITY): ("hp",),
    },
    Quantity.CARBON_DIOXIDE: {Unit("1", "1", 1.0): (), Unit("[ppm]", "ppm", 1e-6): ("ppm",)},
    Quantity.CONCENTRATION: {
        Unit("/m3", "1/m³", 1.0): ("1/m3", "1/m³"),
        Unit("/L", "1/L", 1000.0): ("1/L",),
        Unit("/[cft_i]", "1/ft³", 1.0 / FOOT**3): ("1/ft3", "1/ft³"),
    },
    Quantity.SOUND_LEVEL: {Unit("dB", "dB", 1.0): ()},
}
_BY_NAME: dict[tuple[Quantity, str], Unit] = {
    (quantity, name): unit
    for quantity, units in _TABLE.items()
    for unit, others in units.items()
    for name in (unit.name, *others)
}


DESIGNED_IN = {
    Measurand.PRESSURE: Quantity.PRESSURE,
    Measurand.EXTERNAL_STATIC: Quantity.PRESSURE,
    Measurand.FAN_STATIC_PRESSURE: Quantity.PRESSURE,
    Measurand.VELOCITY: Quantity.VELOCITY,
    Measurand.OUTDOOR_SHARE: Quantity.FACTOR,
    Measurand.HEAD: Quantity.LENGTH,
    Measurand.HEAT: Quantity.POWER,
    Measurand.NC_RATING: Quantity.FACTOR,
}
"""In what each measurand's design is entered. A flow has `design_flow`, a leakage test brings its class."""


def find_unit(text: str, quantity: Quantity) -> Unit:
    """The unit written `text`. Raises UnknownUnit with those that fit."""
    found = _BY_NAME.get((quantity, text.strip()))
    if found is None:
        raise UnknownUnit(
            f"'{text.strip()[:20]}' is no unit of {quantity.value}; use {units_line(quantity)}."
        )
    return found


def units_of(quantity: Quantity) -> tuple[Unit, ...]:
    return tuple(_TABLE[quantity])


def units_line(quantity: Quantity) -> str:
    """The symbols that fit, for a sentence."""
    return ", ".join(unit.symbol for unit in _TABLE[quantity])


def to_si(value: float, unit: str, quantity: Quantity) -> float:
    """A value in a unit as SI. Raises UnknownUnit, or ValueError when it is not a finite number."""
    found = find_unit(unit, quantity).to_si(value)
    if not math.isfinite(found):
        raise ValueError("is not a finite number")
    return found
