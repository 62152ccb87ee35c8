"""Leakage classes and the power law of a leak, with the small sums that go with them.

EN 12237 (round) and EN 1507 (rectangular): f = K p^0.65. The US leakage class: F = CL p^0.65 per 100 ft2.
Coefficients from memory of those standards; the power law by ISO 9972.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from .distributions import COVERAGE, coverage_factor
from .errors import Refused, finite, not_negative, positive
from .line import Line, fit_line
from .units import FOOT, INCH_OF_WATER

EXPONENT = 0.65
"""Of the schemes, and of a leak whose exponent was not measured."""
PLAUSIBLE_EXPONENT = (0.5, 1.0)
"""Turbulent to laminar gaps (ISO 9972)."""
EN_COEFFICIENTS = {"A": 27e-6, "B": 9e-6, "C": 3e-6, "D": 1e-6}
"""K of f = K p^0.65, m3/(s m2) with p in Pa (EN 12237, EN 1507: 0.027 to 0.001 L/(s m2))."""
US_CLASSES = (3.0, 6.0, 12.0, 24.0, 48.0)
"""Usual leakage classes, ft3/min per 100 ft2 at 1 inch of water (from memory)."""
US_UNIT: float = FOOT**3 / 60.0 / (100.0 * FOOT**2) / INCH_OF_WATER**EXPONENT
"""Leakage factor in m3/(s m2 Pa^0.65) of leakage class 1 (conventional inch of water)."""
BELOW_ALL = "none"
"""Class of a leakage above the widest class."""


class LeakageScheme(StrEnum):
    """By what leakage is classed."""

    EN = "en"
    """f = K p^0.65, classes A to D; classes are letters."""
    US = "us"
    """F = CL p^0.65 per 100 ft2; a class is the number CL, as text."""


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """q = C p^n by least squares on logarithms. line: ln q over ln p. r2: coefficient of determination."""

    coefficient: float
    exponent: float
    r2: float
    line: Line

    def at(self, pressure: float) -> float:
        """The flow at a pressure (Pa)."""
        return math.exp(self.line.at(math.log(positive("pressure", pressure))).value)

    def interval(self, pressure: float, coverage: float = COVERAGE) -> tuple[float, float]:
        """Of the fitted flow at a pressure, by the scatter alone: Student t on ln q (ISO 9972 annex C)."""
        found = self.line.at(math.log(positive("pressure", pressure)))
        half = coverage_factor(found.dof, coverage) * found.u
        return math.exp(found.value - half), math.exp(found.value + half)


def fit_power_law(pressures: Sequence[float], flows: Sequence[float]) -> PowerLaw:
    """The power law through three or more steps. Errors: Refused (too few, not above zero, one pressure)."""
    for name, values in (("duct_pressure", pressures), ("leak_flow", flows)):
        for i, v in enumerate(values):
            positive(f"{name}[{i}]", v)
    x, y = [math.log(p) for p in pressures], [math.log(q) for q in flows]
    line = fit_line(x, y)
    mean = math.fsum(y) / len(y)
    whole = math.fsum((v - mean) ** 2 for v in y)
    rest = line.s * line.s * (len(y) - 2)
    r2 = 1.0 if whole == 0.0 else 1.0 - rest / whole
    return PowerLaw(math.exp(line.intercept), line.slope, r2, line)


def plausible_exponent(exponent: float) -> bool:
    """Whether a leak can have this exponent: 0.5 to 1 (ISO 9972)."""
    return PLAUSIBLE_EXPONENT[0] <= finite("exponent", exponent) <= PLAUSIBLE_EXPONENT[1]


def scheme_coefficient(scheme: LeakageScheme, leakage_class: str) -> float:
    """Leakage factor K of a class, m3/(s m2 Pa^0.65). Errors: Refused for a class the scheme has not."""
    if scheme is LeakageScheme.EN:
        if leakage_class not in EN_COEFFICIENTS:
            raise Refused("required_class", f"must be one of {', '.join(EN_COEFFICIENTS)}", leakage_class)
        return EN_COEFFICIENTS[leakage_class]
    try:
        number = float(leakage_class)
    except ValueError as error:
        raise Refused("required_class", "must be a leakage class number", leakage_class) from error
    return positive("required_class", number) * US_UNIT


def allowed_leakage(scheme: LeakageScheme, leakage_class: str, pressure: float) -> float:
    """Highest leakage of a class at a pressure (Pa), m3/(s m2)."""
    return scheme_coefficient(scheme, leakage_class) * math.pow(positive("pressure", pressure), EXPONENT)


def leakage_factor(leakage: float, pressure: float) -> float:
    """Leakage (m3/(s m2)) at a pressure (Pa) over p^0.65; compare with `scheme_coefficient`."""
    return not_negative("leakage", leakage) / math.pow(positive("pressure", pressure), EXPONENT)


def leakage_number(factor: float) -> float:
    """US leakage class number CL of a leakage factor in m3/(s m2 Pa^0.65)."""
    return not_negative("factor", factor) / US_UNIT


def leakage_class(scheme: LeakageScheme, factor: float) -> str:
    """Tightest class whose limit a leakage factor keeps; "none" above the widest."""
    if scheme is LeakageScheme.EN:
        order = sorted((k, name) for name, k in EN_COEFFICIENTS.items())
    else:
        order = [(n * US_UNIT, f"{n:g}") for n in US_CLASSES]
    return next((name for k, name in order if factor <= k * (1.0 + 1e-12)), BELOW_ALL)


def reference_coefficient(coefficient: float, exponent: float, density: float, reference: float) -> float:
    """Coefficient C carried to air of another density: C (density / reference)^(1 - n) (ISO 9972)."""
    ratio = positive("density", density) / positive("reference_density", reference)
    return coefficient * math.pow(ratio, 1.0 - finite("exponent", exponent))


def leakage_share(leak_flow: float, fan_flow: float) -> float:
    """Leak flow over the fan's flow (both m3/s, at one density)."""
    return not_negative("leak_flow", leak_flow) / positive("fan_flow", fan_flow)


def fan_flow_with_allowances(flow: float, safety: float, leakage: float) -> tuple[float, float, float]:
    """Flow with a safety share, what leaks of it as a share of that, and both together: the fan's flow."""
    adjusted = positive("flow", flow) * (1.0 + not_negative("safety", safety))
    leak = not_negative("leakage", leakage) * adjusted
    return adjusted, leak, adjusted + leak
