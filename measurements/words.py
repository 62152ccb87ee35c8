"""Figures in sentences, in the units the company works in."""

import math
from decimal import Decimal

from jobs.models import Measurand, UnitSystem
from measurements.calc.uncertainty import rounded
from measurements.calc.units import difference_from_si, from_si

FLOW = {UnitSystem.SI: ("L/s", "L/s"), UnitSystem.IP: ("cfm", "cfm")}
PRESSURE = {UnitSystem.SI: ("Pa", "Pa"), UnitSystem.IP: ("inH2O", "inH2O")}
VELOCITY = {UnitSystem.SI: ("m/s", "m/s"), UnitSystem.IP: ("ft/min", "ft/min")}
LENGTH = {UnitSystem.SI: ("m", "m"), UnitSystem.IP: ("ft", "ft")}


def _alike(unit: str, words: str) -> dict[UnitSystem, tuple[str, str]]:
    """A unit that is the same in both systems."""
    return {UnitSystem.SI: (unit, words), UnitSystem.IP: (unit, words)}


QUANTITIES: dict[str, tuple[str, dict[UnitSystem, tuple[str, str]]]] = {
    "flow": ("flow", FLOW),
    "water_flow": ("flow", {UnitSystem.SI: ("L/s", "L/s"), UnitSystem.IP: ("gpm", "gpm")}),
    "pressure": ("pressure", PRESSURE),
    "water_pressure": ("pressure", {UnitSystem.SI: ("kPa", "kPa"), UnitSystem.IP: ("ftH2O", "ftH2O")}),
    "absolute_pressure": ("pressure", {UnitSystem.SI: ("hPa", "hPa"), UnitSystem.IP: ("inHg", "inHg")}),
    "velocity": ("velocity", VELOCITY),
    "length": ("length", LENGTH),
    "area": ("area", {UnitSystem.SI: ("m2", "m²"), UnitSystem.IP: ("ft2", "ft²")}),
    "temperature": ("temperature", {UnitSystem.SI: ("°C", "°C"), UnitSystem.IP: ("°F", "°F")}),
    "temperature_difference": (
        "temperature_difference",
        {UnitSystem.SI: ("K", "K"), UnitSystem.IP: ("°F", "°F")},
    ),
    "kinematic_viscosity": (
        "area",  # over a second: the factors are those of areas
        {UnitSystem.SI: ("mm2", "mm²/s"), UnitSystem.IP: ("mm2", "cSt")},
    ),
    "humidity": ("fraction", _alike("%", "%")),
    "share": ("fraction", _alike("%", "%")),
    "carbon_dioxide": ("fraction", _alike("ppm", "ppm")),
    "power": ("power", {UnitSystem.SI: ("kW", "kW"), UnitSystem.IP: ("hp", "hp")}),
    "voltage": ("voltage", _alike("V", "V")),
    "current": ("current", _alike("A", "A")),
    "speed": ("speed", _alike("r/min", "r/min")),
    "time": ("time", _alike("s", "s")),
    "sound_level": ("sound_level", _alike("dB", "dB")),
    "concentration": (
        "concentration",
        {UnitSystem.SI: ("1/m3", "per m³"), UnitSystem.IP: ("1/ft3", "per ft³")},
    ),
    "factor": ("fraction", _alike("1", "")),
}
"""The kind of each quantity of readings and remarks, and the unit that people read it in."""

DECIMALS = {"temperature": 1, "absolute_pressure": 1, "speed": 0, "sound_level": 1}
"""Quantities whose figures have at least so many decimals, not three digits only."""


def _figure(value: float, unit: tuple[str, str], kind: str) -> str:
    return f"{three_digits(from_si(value, unit[0], kind))} {unit[1]}".strip()


def three_digits(value: float) -> str:
    """Three significant digits, without an exponent, with a proper minus."""
    text = f"{value:.3g}"
    return (f"{Decimal(text):f}" if "e" in text else text).replace("-", "−")


def flow(value: float, system: str) -> str:
    """A flow in m³/s, e.g. "92.5 L/s"."""
    return shown(value, "flow", system)


def pressure(value: float, system: str) -> str:
    """A pressure in Pa, e.g. "12.5 Pa"."""
    return shown(value, "pressure", system)


def velocity(value: float, system: str) -> str:
    """A velocity in m/s."""
    return shown(value, "velocity", system)


def shown(value: float, quantity: str, system: str) -> str:
    """A figure in SI of one of QUANTITIES, e.g. "21.4 °C". Raises KeyError for another quantity."""
    if not math.isfinite(value):
        return "a figure without limit"
    kind, units = QUANTITIES[quantity]
    unit = units[UnitSystem(system)]
    if quantity in DECIMALS and abs(figure := from_si(value, unit[0], kind)) >= 1.0:
        return f"{figure:.{DECIMALS[quantity]}f} {unit[1]}".replace("-", "−")
    return _figure(value, unit, kind)


def pair(value: float, spread: float, quantity: str, system: str) -> str:
    """A figure with its uncertainty, rounded together as in reports: "144 ± 12 L/s". KeyError as `shown`."""
    kind, units = QUANTITIES[quantity]
    return _pair(value, spread, kind, units[UnitSystem(system)])


def _pair(value: float, spread: float, kind: str, unit: tuple[str, str]) -> str:
    if not (math.isfinite(value) and math.isfinite(spread)):
        return "a figure without limit"
    if spread == 0.0:
        return _figure(value, unit, kind)
    texts = rounded(from_si(value, unit[0], kind), abs(difference_from_si(spread, unit[0], kind)))
    return f"{' ± '.join(texts)} {unit[1]}".strip().replace("-", "−")


def counted(count: float, noun: str) -> str:
    """A number of things, e.g. "1 reading", "3 readings"."""
    whole = round(count)
    return f"{whole} {noun}{'' if whole == 1 else 's'}"


UNITS_OF: dict[Measurand, tuple[str, dict[UnitSystem, tuple[str, str]]]] = {
    Measurand.FLOW: ("flow", FLOW),
    Measurand.PRESSURE: ("pressure", PRESSURE),
    Measurand.EXTERNAL_STATIC: ("pressure", PRESSURE),
    Measurand.FAN_STATIC_PRESSURE: ("pressure", PRESSURE),
    Measurand.VELOCITY: ("velocity", VELOCITY),
    Measurand.OUTDOOR_SHARE: ("fraction", _alike("%", "%")),
    Measurand.LEAKAGE: (
        "flow_per_area",
        {UnitSystem.SI: ("L/s/m2", "L/s per m²"), UnitSystem.IP: ("cfm/100ft2", "cfm per 100 ft²")},
    ),
    Measurand.HEAD: ("length", LENGTH),
    Measurand.HEAT: ("power", {UnitSystem.SI: ("kW", "kW"), UnitSystem.IP: ("Btu/h", "Btu/h")}),
    Measurand.NC_RATING: ("fraction", _alike("1", "")),
}
"""The kind of each measurand and the unit that people read it in."""


def measurand(value: float, name: str, system: str, *, liquid: bool = False) -> str:
    """A figure of a measurand, e.g. "−12.5 Pa". `liquid`: a flow is that of a liquid."""
    if liquid and name == Measurand.FLOW:
        return shown(value, "water_flow", system)
    kind, units = UNITS_OF[Measurand(name)]
    return _figure(value, units[UnitSystem(system)], kind)


def measurand_pair(value: float, spread: float, name: str, system: str, *, liquid: bool = False) -> str:
    """A measurand with its U, rounded together. `liquid`: a flow is that of a liquid."""
    if liquid and name == Measurand.FLOW:
        return pair(value, spread, "water_flow", system)
    kind, units = UNITS_OF[Measurand(name)]
    return _pair(value, spread, kind, units[UnitSystem(system)])


def limits(low: float | None, high: float | None, name: str, system: str, *, liquid: bool = False) -> str:
    """Limits of a measurand, e.g. "at most 0.3 L/s per m²". `liquid`: a flow is that of a liquid."""
    sides = (("low", low), ("high", high))
    shown = {
        side: measurand(value, name, system, liquid=liquid) for side, value in sides if value is not None
    }
    if len(shown) == 2:
        return f"{shown['low']} to {shown['high']}"
    return f"at least {shown['low']}" if "low" in shown else f"at most {shown['high']}"


def percent(share: float, digits: int = 1) -> str:
    """A share, e.g. "92.4 %"."""
    return f"{100.0 * share:.{digits}f} %".replace("-", "−")


def listed(labels: "list[str] | tuple[str, ...]", most: int = 8) -> str:
    """A few labels, then how many more."""
    rest = len(labels) - most
    return ", ".join(labels[:most]) + (f" and {rest} more" if rest > 0 else "")
