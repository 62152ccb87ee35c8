"""Coefficients of glycol mixtures in water: density, specific heat, viscosity, freezing point.

The polynomials of A. Melinder, Properties of Secondary Working Fluids for Indirect Systems (IIR 2010). The
coefficients were found by fitting the same form, about other middle values, to an independent implementation
(largest relative residual 4e-14 before rounding to ten digits). Share by mass 0 to 0.6, freezing to 100 degC.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from .trace import exp

LiquidFunction = Callable[[float, float], float]
"""A property from temperature (K) and share of glycol by mass."""


def polynomial(coefficients: Sequence[float], x: float) -> float:
    """c[0] + c[1] x + c[2] x^2 + ..."""
    total = coefficients[-1]
    for c in reversed(coefficients[:-1]):
        total = total * x + c
    return total


@dataclass(frozen=True, slots=True)
class GlycolFit:
    """Coefficients: rows by power of (share - 0.3), columns by power of (T - 300 K) / 100 K."""

    density: tuple[tuple[float, ...], ...]
    specific_heat: tuple[tuple[float, ...], ...]
    log_viscosity: tuple[tuple[float, ...], ...]
    freezing: tuple[float, ...]


ETHYLENE = GlycolFit(
    density=(
        (1035.128691, -44.52269853, -28.01927565, 4.714266603),
        (134.5981291, -74.80648962, 48.57741799, 0.84684632),
        (-0.3575583126, 79.08785414, -44.313653, 49.82),
        (-110.0526139, 158.5564608, -115.3),
        (-81.748563, -721.1),
        (489.1,),
    ),
    specific_heat=(
        (3738.187268, 288.2882479, -41.14021558, -14.09740511),
        (-1833.377469, 1081.588532, -428.1701532, 30.5503512),
        (-1074.610052, 293.7750148, 657.06669, -713.8),
        (2541.226783, 185.989736, -1643.0),
        (2429.96396, -4272.0),
        (-16180.0,),
    ),
    log_viscosity=(
        (-6.32995465, -2.718383053, 1.883443338, -0.7535367372),
        (2.531439939, -1.301181041, 1.258168873, -1.5244171),
        (-0.05701076972, 0.9400778371, 1.895408182, -6.475),
        (1.538380302, -0.142661968, 4.063),
        (3.78876532, 1.831),
        (-18.65,),
    ),
    freezing=(258.5742221, -78.55824849, -131.505447, -76.32694578, 100.117666, 11.4),
)
PROPYLENE = GlycolFit(
    density=(
        (1020.496614, -50.08513762, -29.43577674, 13.56609525),
        (82.11916512, -101.537693, 58.40811323, -13.90473312),
        (-23.11274034, 25.84491117, -44.59986349, 33.76),
        (-168.8887027, 297.5530009, -71.75),
        (-108.3220167, -222.1),
        (234.2,),
    ),
    specific_heat=(
        (3875.433091, 268.1191388, -14.19113792, -11.41419303),
        (-1311.386909, 515.3085593, -92.32041445, 159.048194),
        (-1601.276164, -121.244202, 1314.814113, -487.0),
        (7.224206548, 3648.30444, -2950.0),
        (5592.32335, -7135.0),
        (-4959.0,),
    ),
    log_viscosity=(
        (-6.061841573, -3.323532844, 2.738046826, -1.385944413),
        (3.568297637, -4.510231103, 4.677833869, -1.853721317),
        (0.6407255996, -0.1642148412, -1.179360301, -0.4465),
        (-4.502374424, 12.27591284, -15.89),
        (-3.102083125, 4.475),
        (35.64,),
    ),
    freezing=(260.3608959, -64.80499946, -104.6860916, -218.6401062, -346.0502075, 146.5),
)


def surface(rows: tuple[tuple[float, ...], ...]) -> LiquidFunction:
    """The function of temperature and share that these coefficients stand for; can be traced."""

    def of(temperature: float, share: float) -> float:
        y = (temperature - 300.0) / 100.0
        return polynomial([polynomial(row, y) for row in rows], share - 0.3)

    return of


def exponential(rows: tuple[tuple[float, ...], ...]) -> LiquidFunction:
    """e to the power of `surface`."""
    inner = surface(rows)

    def of(temperature: float, share: float) -> float:
        return exp(inner(temperature, share))

    return of
