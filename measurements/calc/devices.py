"""Differential-pressure devices of ISO 5167: coefficients, expansibility, uncertainties, limits, losses.

Orifice plates (part 2), nozzles and Venturi nozzles (part 3), classical Venturi tubes (part 4), editions of
2003. The formulas can be traced; which of them holds is chosen from the device and the pipe before. Limits
and uncertainties are quoted from memory of those parts; the formulas agree with an independent library.

    mass flow = C eps (pi/4) d^2 sqrt(2 dp density) / sqrt(1 - beta^4)
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from .errors import Refused, finite, positive
from .method import Estimate
from .trace import exp, sqrt

Coefficient = Callable[[float, float, float], float]
"""C of beta, inside pipe diameter (m), Reynolds number of the pipe."""
SMALL_PIPE = 0.07112
"""m; below it an orifice plate's coefficient has a term for the pipe's size."""
LEAST_RATIO = 0.75
"""Lowest absolute pressure ratio p2/p1 that the expansibility formulas were made for."""


class Device(StrEnum):
    """What makes the pressure difference."""

    FACTOR = "factor"
    """A device known by its factor alone: flow ring, fan-inlet ring, averaging grid, calibrated damper."""
    ORIFICE_CORNER = "orifice_corner"
    ORIFICE_FLANGE = "orifice_flange"
    ORIFICE_D_D2 = "orifice_d_d2"
    NOZZLE_ISA_1932 = "nozzle_isa_1932"
    NOZZLE_LONG_RADIUS = "nozzle_long_radius"
    VENTURI_NOZZLE = "venturi_nozzle"
    VENTURI_AS_CAST = "venturi_as_cast"
    VENTURI_MACHINED = "venturi_machined"
    VENTURI_WELDED = "venturi_welded"

    @property
    def is_orifice(self) -> bool:
        """Whether this is an orifice plate."""
        return self in (Device.ORIFICE_CORNER, Device.ORIFICE_FLANGE, Device.ORIFICE_D_D2)

    @property
    def is_classical_venturi(self) -> bool:
        """Whether this is a classical Venturi tube."""
        return self in (Device.VENTURI_AS_CAST, Device.VENTURI_MACHINED, Device.VENTURI_WELDED)


@dataclass(frozen=True, slots=True)
class Span:
    """Where a device's coefficient holds: pipe diameter (m), beta, Reynolds number, least throat (m)."""

    pipe: tuple[float, float]
    beta: tuple[float, float]
    reynolds: tuple[float, float]
    throat: float = 0.0


SPANS = {
    Device.ORIFICE_CORNER: Span((0.05, 1.0), (0.1, 0.75), (5e3, math.inf), 0.0125),
    Device.ORIFICE_FLANGE: Span((0.05, 1.0), (0.1, 0.75), (5e3, math.inf), 0.0125),
    Device.ORIFICE_D_D2: Span((0.05, 1.0), (0.1, 0.75), (5e3, math.inf), 0.0125),
    Device.NOZZLE_ISA_1932: Span((0.05, 0.5), (0.3, 0.8), (2e4, 1e7)),
    Device.NOZZLE_LONG_RADIUS: Span((0.05, 0.63), (0.2, 0.8), (1e4, 1e7)),
    Device.VENTURI_NOZZLE: Span((0.065, 0.5), (0.316, 0.775), (1.5e5, 2e6), 0.05),
    Device.VENTURI_AS_CAST: Span((0.1, 0.8), (0.3, 0.75), (2e5, 2e6)),
    Device.VENTURI_MACHINED: Span((0.05, 0.25), (0.4, 0.75), (2e5, 1e6)),
    Device.VENTURI_WELDED: Span((0.2, 1.2), (0.4, 0.7), (2e5, 2e6)),
}
"""Limits of validity (ISO 5167-2:2003 5.3.1, -3:2003 5.1.6 to 5.3.4, -4:2003 5.5)."""

VENTURI_COEFFICIENT = {
    Device.VENTURI_AS_CAST: (0.984, 0.007),
    Device.VENTURI_MACHINED: (0.995, 0.01),
    Device.VENTURI_WELDED: (0.985, 0.015),
}
"""C of classical Venturi tubes and its relative expanded uncertainty (ISO 5167-4:2003 5.5, 5.7)."""


@lru_cache(maxsize=64)
def coefficient_formula(device: Device, small: bool) -> Coefficient:
    """The formula of C for a device; small: orifice plate in a pipe below 71.12 mm.

    Errors: Refused for a device known by its factor.
    """
    if device.is_orifice:
        return _orifice(device, small)
    if device is Device.NOZZLE_ISA_1932:
        return isa_1932_coefficient
    if device is Device.NOZZLE_LONG_RADIUS:
        return long_radius_coefficient
    if device is Device.VENTURI_NOZZLE:
        return venturi_nozzle_coefficient
    if device in VENTURI_COEFFICIENT:
        C = VENTURI_COEFFICIENT[device][0]
        return lambda beta, pipe, reynolds: C
    raise Refused("device", "has no published coefficient: give its factor", device)


def _orifice(device: Device, small: bool) -> Coefficient:
    """Reader-Harris/Gallagher (ISO 5167-2:2003 5.3.2.1) for one kind of tappings."""

    def coefficient(beta: float, pipe: float, reynolds: float) -> float:
        A: float = (19000.0 * beta / reynolds) ** 0.8
        C: float = 0.5961 + 0.0261 * beta**2.0 - 0.216 * beta**8.0 + 0.000521 * (1e6 * beta / reynolds) ** 0.7
        C = C + (0.0188 + 0.0063 * A) * beta**3.5 * (1e6 / reynolds) ** 0.3
        C = C + _upstream(device, beta, pipe, A) + _downstream(device, beta, pipe)
        return C + 0.011 * (0.75 - beta) * (2.8 - pipe / 0.0254) if small else C

    return coefficient


def _upstream(device: Device, beta: float, pipe: float, A: float) -> float:
    if device is Device.ORIFICE_CORNER:
        return 0.0
    around: float = (1.0 - 0.11 * A) * beta**4.0 / (1.0 - beta**4.0)
    length = 0.0254 / pipe if device is Device.ORIFICE_FLANGE else 1.0
    taps = 0.043 + 0.080 * exp(-10.0 * length) - 0.123 * exp(-7.0 * length)
    return taps * around


def _downstream(device: Device, beta: float, pipe: float) -> float:
    if device is Device.ORIFICE_CORNER:
        return 0.0
    length = 0.0254 / pipe if device is Device.ORIFICE_FLANGE else 0.47
    M = 2.0 * length / (1.0 - beta)
    shift: float = -0.031 * (M - 0.8 * M**1.1) * beta**1.3
    return shift


def isa_1932_coefficient(beta: float, pipe: float, reynolds: float) -> float:
    """C of an ISA 1932 nozzle (ISO 5167-3:2003 5.1.6.2)."""
    slope = 0.00175 * beta**2.0 - 0.0033 * beta**4.15
    C: float = 0.9900 - 0.2262 * beta**4.1 - slope * (1e6 / reynolds) ** 1.15
    return C


def long_radius_coefficient(beta: float, pipe: float, reynolds: float) -> float:
    """C of a long-radius nozzle (ISO 5167-3:2003 5.2.6.2)."""
    return 0.9965 - 0.00653 * sqrt(1e6 * beta / reynolds)


def venturi_nozzle_coefficient(beta: float, pipe: float, reynolds: float) -> float:
    """C of a Venturi nozzle (ISO 5167-3:2003 5.3.4.2)."""
    C: float = 0.9858 - 0.196 * beta**4.5
    return C


def orifice_expansibility(beta: float, ratio: float, exponent: float) -> float:
    """Expansibility of an orifice plate. ratio: dp / p1; exponent: isentropic (ISO 5167-2:2003 5.3.2.2)."""
    epsilon: float = 1.0 - (0.351 + 0.256 * beta**4.0 + 0.93 * beta**8.0) * (
        1.0 - (1.0 - ratio) ** (1.0 / exponent)
    )
    return epsilon


def nozzle_expansibility(beta: float, ratio: float, exponent: float) -> float:
    """Expansibility of nozzles and Venturi tubes (ISO 5167-3:2003 5.1.6.3, -4:2003 5.6)."""
    tau = 1.0 - ratio
    throat = exponent * tau ** (2.0 / exponent) / (exponent - 1.0)
    approach = (1.0 - beta**4.0) / (1.0 - beta**4.0 * tau ** (2.0 / exponent))
    return sqrt(throat * approach * (1.0 - tau ** ((exponent - 1.0) / exponent)) / ratio)


def expansibility_formula(device: Device) -> Coefficient:
    """Expansibility of beta, dp / p1 and the isentropic exponent, for a device of ISO 5167."""
    return orifice_expansibility if device.is_orifice else nozzle_expansibility


def coefficient_U(device: Device, beta: float, pipe: float, reynolds: float) -> float:
    """Relative expanded uncertainty (k = 2) of C within the limits of validity.

    Sources: ISO 5167-2:2003 5.3.3.1; -3:2003 5.1.7.1, 5.2.7.1, 5.3.5.1; -4:2003 5.7.
    """
    if device.is_orifice:
        return _orifice_U(beta, pipe, reynolds)
    if device is Device.NOZZLE_ISA_1932:
        return 0.008 if beta <= 0.6 else (2.0 * beta - 0.4) / 100.0
    if device is Device.NOZZLE_LONG_RADIUS:
        return 0.02
    if device is Device.VENTURI_NOZZLE:
        return (1.2 + 1.5 * beta**4) / 100.0
    if device in VENTURI_COEFFICIENT:
        return VENTURI_COEFFICIENT[device][1]
    raise Refused("device", "has no published uncertainty: give it with its factor", device)


def _orifice_U(beta: float, pipe: float, reynolds: float) -> float:
    percent = 0.5
    if beta < 0.2:
        percent = 0.7 - beta
    elif beta > 0.6:
        percent = 1.667 * beta - 0.5
    if pipe < SMALL_PIPE:
        percent += 0.9 * (0.75 - beta) * (2.8 - pipe / 0.0254)
    if beta > 0.5 and reynolds < 10_000.0:
        percent += 0.5
    return percent / 100.0


def expansibility_U(device: Device, beta: float, ratio: float, exponent: float) -> float:
    """Relative expanded uncertainty (k = 2) of the expansibility; ratio: dp / p1.

    Sources: ISO 5167-2:2003 5.3.3.2; -3:2003 5.1.7.2, 5.2.7.2, 5.3.5.2; -4:2003 5.8.
    """
    if device.is_orifice:
        return 3.5 * ratio / exponent / 100.0
    if device in (Device.NOZZLE_ISA_1932, Device.NOZZLE_LONG_RADIUS):
        return 2.0 * ratio / 100.0
    return (4.0 + 100.0 * beta**8) * ratio / 100.0


def check_geometry(device: Device, pipe: float, throat: float) -> float:
    """beta of a device within its limits. Errors: Refused naming pipe_diameter or throat_diameter."""
    span = _span(device)
    positive("pipe_diameter", pipe)
    beta = positive("throat_diameter", throat) / pipe
    if not _within(pipe, span.pipe):
        reach = f"{span.pipe[0]:g} to {span.pipe[1]:g} m"
        raise Refused("pipe_diameter", f"is outside the limits of this device ({reach})", pipe)
    if not _within(beta, span.beta):
        reach = f"{span.beta[0]:g} to {span.beta[1]:g}"
        raise Refused("throat_diameter", f"makes beta {beta:.4g}, outside the limits ({reach})", throat)
    if throat < span.throat * (1.0 - 1e-9):
        raise Refused("throat_diameter", f"is below the least of this device ({span.throat:g} m)", throat)
    return beta


def reynolds_limits(device: Device, beta: float, pipe: float) -> tuple[float, float]:
    """Lowest and highest Reynolds number of the pipe for which C holds."""
    low, high = _span(device).reynolds
    if device is Device.ORIFICE_FLANGE:
        low = max(low, 170_000.0 * beta * beta * pipe)
    elif device.is_orifice and beta > 0.56:
        low = max(low, 16_000.0 * beta * beta)
    elif device is Device.NOZZLE_ISA_1932 and beta < 0.44:
        low = 70_000.0
    return low, high


def check_reynolds(device: Device, beta: float, pipe: float, reynolds: float) -> None:
    """Refuse (naming pressure) a flow outside the Reynolds numbers for which C is published."""
    low, high = reynolds_limits(device, beta, pipe)
    if not low <= reynolds <= high:
        reach = f"{low:.3g} to {high:.3g}"
        raise Refused("pressure", f"makes a Reynolds number outside the limits ({reach})", reynolds)


def check_ratio(ratio: float) -> None:
    """Refuse (naming pressure) a difference that is too large a share of the absolute pressure."""
    if not 0.0 < finite("pressure", ratio) <= 1.0 - LEAST_RATIO:
        share = f"{1.0 - LEAST_RATIO:g} of the absolute pressure"
        raise Refused("pressure", f"must be above zero and at most {share}", ratio)


def _span(device: Device) -> Span:
    if device not in SPANS:
        raise Refused("device", "is known by its factor, not by its dimensions", device)
    return SPANS[device]


def _within(value: float, ends: tuple[float, float]) -> bool:
    return ends[0] * (1.0 - 1e-9) <= value <= ends[1] * (1.0 + 1e-9)


@dataclass(frozen=True, slots=True)
class DeviceFlow:
    """Flow through a device: kg/s, m3/s at the upstream density, C, expansibility, Reynolds number."""

    mass_flow: float
    flow: float
    coefficient: float
    expansibility: float
    reynolds: float


def device_flow(
    device: Device,
    pipe: float,
    throat: float,
    pressure: float,
    density: float,
    viscosity: float,
    *,
    upstream: float | None = None,
    exponent: float = 1.4,
) -> DeviceFlow:
    """Flow by ISO 5167, C and the Reynolds number made to agree by repeated substitution.

    pressure: difference, Pa. density kg/m3 and viscosity Pa s upstream. upstream: absolute pressure, Pa;
    None for a liquid, whose expansibility is 1. Formula only: the limits are kept by `check_geometry`,
    `check_reynolds` and `check_ratio`.
    """
    for name, value in (("pressure", pressure), ("density", density), ("viscosity", viscosity)):
        positive(name, value)
    beta = positive("throat_diameter", throat) / positive("pipe_diameter", pipe)
    if beta >= 1.0:
        raise Refused("throat_diameter", "must be smaller than the pipe", throat)
    epsilon = 1.0
    if upstream is not None:
        ratio = pressure / positive("upstream", upstream)
        check_ratio(ratio)
        epsilon = expansibility_formula(device)(beta, ratio, positive("exponent", exponent))
    coefficient_of = coefficient_formula(device, pipe < SMALL_PIPE)
    ideal = epsilon * math.pi / 4.0 * throat**2 * math.sqrt(2.0 * pressure * density / (1.0 - beta**4))
    per_C = 4.0 * ideal / (math.pi * pipe * viscosity)
    C = 0.6 if device.is_orifice else 0.98
    for _ in range(100):
        before, C = C, coefficient_of(beta, pipe, C * per_C)
        if abs(C - before) <= 1e-15:
            return DeviceFlow(C * ideal, C * ideal / density, C, epsilon, C * per_C)
        if C <= 0.0:
            break
    raise Refused("pressure", "is too small: coefficient and Reynolds number do not settle", pressure)


def permanent_loss(device: Device, pressure: float, beta: float, coefficient: float) -> Estimate:
    """Pressure that a device of ISO 5167 takes for good, Pa, from its pressure difference.

    Orifice plates, ISA 1932 and long-radius nozzles by the formula of ISO 5167-2:2003 5.4 (which states no
    uncertainty: u is 0). Venturi tubes and Venturi nozzles lose 5 to 20 % by their angle (ISO 5167-4:2003
    5.9): the middle, with the range as a rectangular distribution.
    """
    positive("pressure", pressure)
    if not 0.0 < finite("beta", beta) < 1.0:
        raise Refused("beta", "must lie between 0 and 1", beta)
    if device is Device.FACTOR:
        raise Refused("device", "has no published loss", device)
    if device is Device.VENTURI_NOZZLE or device.is_classical_venturi:
        return Estimate(0.125 * pressure, 0.075 * pressure / math.sqrt(3.0))
    C = positive("coefficient", coefficient)
    root = math.sqrt(1.0 - beta**4 * (1.0 - C * C))
    return Estimate((root - C * beta**2) / (root + C * beta**2) * pressure, 0.0)


def mass_flow_uncertainty(
    beta: float,
    *,
    coefficient: float,
    expansibility: float,
    pipe: float,
    throat: float,
    pressure: float,
    density: float,
) -> float:
    """Relative uncertainty of the mass flow from relative ones of its causes (ISO 5167-1:2003 8.2.2.1).

    All at one coverage factor. It leaves out how C and the expansibility themselves follow beta and the
    Reynolds number; `flow_station` does not.
    """
    power = beta**4
    by_pipe = 2.0 * power / (1.0 - power) * pipe
    by_throat = 2.0 / (1.0 - power) * throat
    parts = (coefficient, expansibility, by_pipe, by_throat, pressure / 2.0, density / 2.0)
    return math.sqrt(math.fsum(p * p for p in parts))
