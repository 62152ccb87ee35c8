"""Figures as text: the one place where SI numbers become display units, digits and signs.

Rounding by the GUM (JCGM 100, 7.2.6), as the calculation has it: the expanded uncertainty gets two
significant digits (one if it was stated with one), the value ends at the same decimal place.
Figures without an uncertainty get a fixed number of decimals for their unit. The
ledger line (value ± U, unit, share of design, verdict) has the same order wherever it is shown.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Final

from django.utils.translation import gettext_noop

from measurements.calc.uncertainty import rounded as gum_rounded
from reports.document import Measured, Quantity, Result, UnitSystem, Verdict

# Between number and unit a no-break space: the typeface's thin space is an eighth of an em, lost at 8 pt.
MINUS, THIN, UNIT_SPACE, PLUS_MINUS = "\u2212", "\u202f", "\u00a0", "±"
FIGURE_SPACE, POINT_SPACE = "\u2007", "\u2008"
NOTHING: Final = "–"
_SMALL_FLOW = 100.0  # leaks and the like, below which whole units say too little
_PLAIN_LIMIT = 1e9  # beyond this a figure is written with a power of ten

VERDICT_WORDS: Final = {
    Verdict.PASS: gettext_noop("Pass"),
    Verdict.CONDITIONAL_PASS: gettext_noop("Conditional pass"),
    Verdict.CONDITIONAL_FAIL: gettext_noop("Conditional fail"),
    Verdict.FAIL: gettext_noop("Fail"),
    Verdict.NOT_DECIDABLE: gettext_noop("Not decidable"),
}


@dataclass(frozen=True, slots=True)
class Unit:
    """A display unit: symbol, display = factor * SI + offset, decimals where no uncertainty is known."""

    symbol: str
    factor: float = 1.0
    offset: float = 0.0
    decimals: int = 2


Q = Quantity
_COMMON = {
    Q.HUMIDITY: Unit("%", 100, 0, 0),
    Q.FRACTION: Unit("%", 100, 0, 1),
    Q.NUMBER: Unit("", 1, 0, 3),
    Q.TIME: Unit("s", 1, 0, 0),
    Q.RATING: Unit("", 1, 0, 0),
    Q.SPEED: Unit("1/min", 60, 0, 0),
    Q.RATE: Unit("1/h", 3600, 0, 1),
    Q.VOLTAGE: Unit("V", 1, 0, 1),
    Q.CURRENT: Unit("A", 1, 0, 2),
    Q.SOUND_LEVEL: Unit("dB", 1, 0, 1),
    Q.CARBON_DIOXIDE: Unit("ppm", 1e6, 0, 0),
    Q.VISCOSITY: Unit("mPa·s", 1000, 0, 3),
    Q.LEAK_COEFFICIENT: Unit("L/s at 1 Pa", 1000, 0, 4),
    Q.LEAK_FACTOR: Unit("L/(s·m²) at 1 Pa", 1000, 0, 5),
}
# By definition 1 in = 0.0254 m, 1 lb = 0.45359237 kg; conventional inH2O 249.08891 Pa, inHg 3386.389 Pa.
_FOOT, _POUND, _INCH_WATER, _INCH_MERCURY = 0.3048, 0.45359237, 249.08891, 3386.389
_GALLON, _PSI, _BTU = 231 * 0.0254**3, _POUND * 9.80665 / 0.0254**2, 1055.05585262
_HORSEPOWER = 550 * _FOOT * _POUND * 9.80665
_SI = _COMMON | {
    Q.FLOW: Unit("L/s", 1000, 0, 0),
    Q.LIQUID_FLOW: Unit("L/s", 1000, 0, 3),
    Q.LIQUID_PRESSURE: Unit("kPa", 0.001, 0, 2),
    Q.VELOCITY: Unit("m/s", 1, 0, 2),
    Q.PRESSURE: Unit("Pa", 1, 0, 1),
    Q.ABSOLUTE_PRESSURE: Unit("hPa", 0.01, 0, 1),
    Q.LENGTH: Unit("mm", 1000, 0, 0),
    Q.AREA: Unit("m²", 1, 0, 4),
    Q.TEMPERATURE: Unit("°C", 1, 0, 1),
    Q.TEMPERATURE_DIFFERENCE: Unit("K", 1, 0, 1),
    Q.DENSITY: Unit("kg/m³", 1, 0, 3),
    Q.HEAD: Unit("m", 1, 0, 2),
    Q.POWER: Unit("kW", 0.001, 0, 3),
    Q.HEAT: Unit("kW", 0.001, 0, 2),
    Q.CONCENTRATION: Unit("1/m³", 1, 0, 0),
    Q.LEAKAGE: Unit("L/(s·m²)", 1000, 0, 3),
    Q.FLOW_COEFFICIENT: Unit("Kv", 3600 * 1e5**0.5, 0, 2),
    Q.MASS_FLOW: Unit("kg/s", 1, 0, 3),
    Q.SPECIFIC_POWER: Unit("kW/(m³/s)", 0.001, 0, 2),
    Q.SPECIFIC_HEAT: Unit("kJ/(kg·K)", 0.001, 0, 3),
    Q.ENTHALPY: Unit("kJ/kg", 0.001, 0, 2),
}
_IP = _COMMON | {
    Q.FLOW: Unit("ft³/min", 60 / _FOOT**3, 0, 0),
    Q.LIQUID_FLOW: Unit("gal/min", 60 / _GALLON, 0, 2),
    Q.LIQUID_PRESSURE: Unit("psi", 1 / _PSI, 0, 3),
    Q.VELOCITY: Unit("ft/min", 60 / _FOOT, 0, 0),
    Q.PRESSURE: Unit("inH₂O", 1 / _INCH_WATER, 0, 4),
    Q.ABSOLUTE_PRESSURE: Unit("inHg", 1 / _INCH_MERCURY, 0, 2),
    Q.LENGTH: Unit("in", 1 / 0.0254, 0, 2),
    Q.AREA: Unit("ft²", 1 / _FOOT**2, 0, 3),
    Q.TEMPERATURE: Unit("°F", 1.8, 32, 1),
    Q.TEMPERATURE_DIFFERENCE: Unit("°F", 1.8, 0, 1),
    Q.DENSITY: Unit("lb/ft³", _FOOT**3 / _POUND, 0, 4),
    Q.HEAD: Unit("ft", 1 / _FOOT, 0, 1),
    Q.POWER: Unit("hp", 1 / _HORSEPOWER, 0, 2),
    Q.HEAT: Unit("kBtu/h", 3.6 / _BTU, 0, 2),
    Q.CONCENTRATION: Unit("1/ft³", _FOOT**3, 0, 0),
    Q.LEAKAGE: Unit("cfm/100 ft²", 60 / _FOOT**3 * 100 * _FOOT**2, 0, 2),
    Q.FLOW_COEFFICIENT: Unit("Cv", 60 / _GALLON * _PSI**0.5, 0, 2),
    Q.MASS_FLOW: Unit("lb/min", 60 / _POUND, 0, 2),
    Q.SPECIFIC_POWER: Unit("W/(ft³/min)", _FOOT**3 / 60, 0, 3),
    Q.SPECIFIC_HEAT: Unit("Btu/(lb·°F)", _POUND / 1.8 / _BTU, 0, 3),
    Q.ENTHALPY: Unit("Btu/lb", _POUND / _BTU, 0, 2),
}
UNITS: Final = {UnitSystem.SI: _SI, UnitSystem.IP: _IP}


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure as text: value, its U ('' if unknown) and unit; `str` joins them."""

    value: str
    expanded: str
    unit: str

    def __str__(self) -> str:
        number = (
            f"{self.value}{UNIT_SPACE}{PLUS_MINUS}{UNIT_SPACE}{self.expanded}"
            if self.expanded
            else self.value
        )
        return f"{number}{UNIT_SPACE}{self.unit}" if self.unit else number


@dataclass(frozen=True, slots=True)
class Ledger:
    """The ledger line: value ± U, unit, share of design, verdict; each as text, in this order."""

    value: str
    expanded: str
    unit: str
    share: str
    verdict: str
    design: str

    def __str__(self) -> str:
        flow = str(Figure(self.value, self.expanded, self.unit))
        return " · ".join(
            part for part in (flow, self.share and f"{self.share} of design", self.verdict) if part
        )


def number(value: float, decimals: int) -> str:
    """A number with so many decimals (negative: rounded to tens...), true minus, thin spaces in long ones."""
    if abs(value) >= _PLAIN_LIMIT:
        return f"{value:.3g}".replace("-", MINUS).replace("e+", "e")
    text = f"{value:.{decimals}f}" if decimals >= 0 else f"{round(value, decimals):.0f}"
    return _signed(text)


def _signed(text: str) -> str:
    """True minus, none before nought, long numbers grouped."""
    if text[0] == "-":
        return MINUS + _grouped(text[1:]) if text.strip("-0.") else text[1:]
    return _grouped(text)


def _grouped(text: str) -> str:
    """Thin spaces between groups of three from five digits up."""
    if len(text) < 5:
        return text
    whole, point, rest = text.partition(".")
    return (f"{int(whole):,}".replace(",", THIN) if len(whole) > 4 else whole) + point + rest


def rounded(value: float, expanded: float | None, unit: Unit) -> Figure:
    """Value and U, both in SI, rounded together and written in the display unit."""
    shown = value * unit.factor + unit.offset
    if expanded is None or not expanded > 0:
        return Figure(number(shown, unit.decimals), "", unit.symbol)
    width = float(f"{abs(expanded * unit.factor):.12g}")  # no digits from the conversion itself
    if max(abs(shown), width) >= _PLAIN_LIMIT:
        return Figure(number(shown, 0), number(width, 0), unit.symbol)
    digits = min(2, len(Decimal(repr(width)).normalize().as_tuple().digits))
    texts = gum_rounded(shown, width, digits)
    return Figure(_signed(texts[0]), _signed(texts[1]), unit.symbol)


class Figures:
    """Formatting of one report: knows its unit system, has no other state."""

    def __init__(self, system: UnitSystem) -> None:
        self.system = system
        self.units = UNITS[system]

    def unit(self, quantity: Quantity) -> str:
        """Symbol of the display unit."""
        return self.units[quantity].symbol

    def shown(self, quantity: Quantity, value: float) -> float:
        """The number in the display unit, not rounded."""
        unit = self.units[quantity]
        return value * unit.factor + unit.offset

    def plain(self, quantity: Quantity, value: float | None, extra: int = 0) -> str:
        """The bare number with the unit's usual decimals (plus `extra`)."""
        if value is None:
            return NOTHING
        shown, decimals = self.shown(quantity, value), self.units[quantity].decimals
        if quantity is Quantity.FLOW and 0.0 < abs(shown) < _SMALL_FLOW:
            decimals += 3 - (abs(shown) >= 1.0) - (abs(shown) >= 10.0)
        return number(shown, decimals + extra)

    def with_unit(self, quantity: Quantity, value: float | None, extra: int = 0) -> str:
        """Number and unit."""
        if value is None:
            return NOTHING
        return str(Figure(self.plain(quantity, value, extra), "", self.unit(quantity)))

    def writer(self, quantity: Quantity) -> Callable[[float], str]:
        """How numbers of a kind are written, with their unit."""
        return lambda value: self.with_unit(quantity, value)

    def figure(self, quantity: Quantity, measured: Measured) -> Figure:
        """A measured value rounded with its uncertainty."""
        if not measured.expanded:
            return Figure(self.plain(quantity, measured.value), "", self.unit(quantity))
        return rounded(measured.value, measured.expanded, self.units[quantity])

    def significant(self, quantity: Quantity, value: float | None, digits: int = 3) -> str:
        """A spread (no offset) in the display unit with so many significant digits, without unit."""
        return NOTHING if value is None else significant(value * self.units[quantity].factor, digits)

    def tape(self, metres: float | None) -> str:
        """A length as read on a tape: whole millimetres, or inches and sixteenths."""
        if metres is None:
            return NOTHING
        if self.system is UnitSystem.SI:
            return number(metres * 1000, 0)
        return sixteenths(metres / 0.0254)

    def ledger(self, result: Result) -> Ledger:
        """The ledger line of a result."""
        figure = self.figure(result.quantity, Measured(value=result.value, expanded=result.expanded))
        design = self.plain(result.quantity, result.design)
        word = VERDICT_WORDS[result.verdict]
        return Ledger(figure.value, figure.expanded, figure.unit, share(result), word, design)

    def limits(self, result: Result) -> str:
        """The limits of a figure in words; empty without."""
        ends = (result.low, result.high)
        low, high = ("" if end is None else self.with_unit(result.quantity, end) for end in ends)
        if low and high:
            return f"{low} to {high}"
        return f"at least {low}" if low else f"at most {high}" if high else ""


def significant(value: float, digits: int = 3) -> str:
    """A number with so many significant digits."""
    if value == 0:
        return "0"
    places = digits - 1 - Decimal(repr(float(value))).adjusted()
    return number(value, min(places, 12))


def share(result: Result) -> str:
    """Share of design with its uncertainty, in per cent; empty without a design."""
    if result.share is None:
        return ""
    figure = rounded(result.share, result.share_expanded, Unit("%", 100, 0, 1))
    return str(figure)


def percent(fraction: float, decimals: int = 0) -> str:
    """A fraction in per cent."""
    return f"{number(fraction * 100, decimals)}{UNIT_SPACE}%"


def sixteenths(inches: float) -> str:
    """Inches and the nearest sixteenth: 5 3/16."""
    whole, part = divmod(round(abs(inches) * 16), 16)
    sign = MINUS if inches < 0 and (whole or part) else ""
    if not part:
        return f"{sign}{whole}"
    divisor = 16
    while part % 2 == 0:
        part, divisor = part // 2, divisor // 2
    return f"{sign}{whole} {part}/{divisor}" if whole else f"{sign}{part}/{divisor}"


def aligned(texts: list[str]) -> list[str]:
    """Pad numbers with spaces of figure and point width so that a right-aligned column meets at the point."""
    tails = [len(text.partition(".")[2]) for text in texts]
    widest = max(tails, default=0)
    padded = []
    for text, tail in zip(texts, tails, strict=True):
        if not any(c.isdigit() for c in text):
            padded.append(text)
            continue
        point = POINT_SPACE if widest and "." not in text else ""
        padded.append(text + point + FIGURE_SPACE * (widest - tail))
    return padded


def day(value: date | None) -> str:
    """ISO date."""
    return value.isoformat() if value else NOTHING


def moment(value: datetime | None) -> str:
    """ISO date and minute, in the zone the document carries."""
    return value.strftime("%Y-%m-%d %H:%M") if value else NOTHING


def tolerance(lower: float, upper: float) -> str:
    """± 10 % if it is even, else both limits."""
    if abs(lower + upper) < 1e-9:
        return f"{PLUS_MINUS}{UNIT_SPACE}{_short(upper * 100)}{UNIT_SPACE}%"
    return f"{_short(lower * 100)} to +{_short(upper * 100)}{UNIT_SPACE}%"


def _short(value: float) -> str:
    """Up to one decimal, none if it is nought."""
    return number(value, 0 if abs(value - round(value)) < 0.05 else 1)
