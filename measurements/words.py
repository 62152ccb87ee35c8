"""Figures in sentences, in the units the company works in."""

from jobs.models import Measurand, UnitSystem
from measurements.calc.units import from_si

FLOW = {UnitSystem.SI: ("L/s", "L/s"), UnitSystem.IP: ("cfm", "cfm")}
PRESSURE = {UnitSystem.SI: ("Pa", "Pa"), UnitSystem.IP: ("inH2O", "inH2O")}
VELOCITY = {UnitSystem.SI: ("m/s", "m/s"), UnitSystem.IP: ("ft/min", "ft/min")}


def _figure(value: float, unit: tuple[str, str], kind: str) -> str:
    return f"{three_digits(from_si(value, unit[0], kind))} {unit[1]}"


def three_digits(value: float) -> str:
    """Three significant digits, without an exponent, with a proper minus."""
    text = f"{value:.3g}"
    return (f"{float(text):.0f}" if "e" in text and abs(value) >= 1.0 else text).replace("-", "−")


def flow(value: float, system: str) -> str:
    """A flow in m³/s, e.g. "92.5 L/s"."""
    return _figure(value, FLOW[UnitSystem(system)], "flow")


def pressure(value: float, system: str) -> str:
    """A pressure in Pa, e.g. "12.5 Pa"."""
    return _figure(value, PRESSURE[UnitSystem(system)], "pressure")


def velocity(value: float, system: str) -> str:
    """A velocity in m/s."""
    return _figure(value, VELOCITY[UnitSystem(system)], "velocity")


def shown(value: float, quantity: str, system: str) -> str:
    """A reading of any quantity."""
    known = {"flow": flow, "pressure": pressure, "velocity": velocity}
    return known[quantity](value, system) if quantity in known else three_digits(value)


UNITS_OF: dict[Measurand, tuple[str, dict[UnitSystem, tuple[str, str]]]] = {
    Measurand.FLOW: ("flow", FLOW),
    Measurand.PRESSURE: ("pressure", PRESSURE),
    Measurand.EXTERNAL_STATIC: ("pressure", PRESSURE),
    Measurand.FAN_STATIC_PRESSURE: ("pressure", PRESSURE),
    Measurand.VELOCITY: ("velocity", VELOCITY),
    Measurand.OUTDOOR_SHARE: ("fraction", {UnitSystem.SI: ("%", "%"), UnitSystem.IP: ("%", "%")}),
    Measurand.LEAKAGE: (
        "flow_per_area",
        {UnitSystem.SI: ("L/s/m2", "L/s per m²"), UnitSystem.IP: ("cfm/100ft2", "cfm per 100 ft²")},
    ),
    Measurand.HEAD: ("length", {UnitSystem.SI: ("m", "m"), UnitSystem.IP: ("ft", "ft")}),
    Measurand.HEAT: ("power", {UnitSystem.SI: ("kW", "kW"), UnitSystem.IP: ("Btu/h", "Btu/h")}),
    Measurand.NC_RATING: ("fraction", {UnitSystem.SI: ("1", ""), UnitSystem.IP: ("1", "")}),
}
"""The kind of each measurand and the unit that people read it in."""


def measurand(value: float, name: str, system: str) -> str:
    """A figure of a measurand, e.g. "−12.5 Pa"."""
    kind, units = UNITS_OF[Measurand(name)]
    return _figure(value, units[UnitSystem(system)], kind).strip()


def limits(low: float | None, high: float | None, name: str, system: str) -> str:
    """Limits of a measurand, e.g. "at most 0.3 L/s per m²"."""
    sides = (("low", low), ("high", high))
    shown = {side: measurand(value, name, system) for side, value in sides if value is not None}
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
