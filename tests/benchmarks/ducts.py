"""Invented ducts whose true flow is known: velocity fields, air, instruments with errors of their own.

Everything is drawn from what flows and instruments do, before any coverage was looked at; a reason stands
beside each range. Where a figure is neither derived nor published it is common practice or from memory, and
says so. The measurand is the mean flow at the setting: the mean, over a long time, of the flow that fan and
dampers give. What the flow does during a session around that mean is an error like any other.

Arrays: S sessions of one duct, P places, Q nodes of integration. Lengths m, SI throughout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from measurements.calc import Accuracy, CertificatePoint, Duct, Instrument, Shape
from measurements.calc.air import density
from measurements.calc.instrument import correct

Array = npt.NDArray[np.float64]
Generator = np.random.Generator

DUCTS: dict[Shape, tuple[Duct, ...]] = {
    Shape.RECTANGULAR: tuple(
        Duct(Shape.RECTANGULAR, w, h)
        for w, h in (
            (0.3, 0.2),
            (0.4, 0.3),
            (0.5, 0.25),
            (0.6, 0.4),
            (0.8, 0.4),
            (0.8, 0.6),
            (1.0, 0.5),
            (1.2, 0.8),
        )
    ),
    Shape.ROUND: tuple(Duct(Shape.ROUND, d) for d in (0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0)),
    Shape.FLAT_OVAL: tuple(
        Duct(Shape.FLAT_OVAL, w, h)
        for w, h in (
            (0.4, 0.2),
            (0.5, 0.25),
            (0.6, 0.3),
            (0.7, 0.3),
            (0.8, 0.35),
            (1.0, 0.4),
            (1.1, 0.45),
            (1.3, 0.5),
        )
    ),
}
"""Usual sizes (the round ones of the preferred series of EN 1506)."""


class PlaneClass(StrEnum):
    """What lies before and after the plane, in hydraulic diameters."""

    GOOD = "good"
    FAIR = "fair"
    POOR = "poor"


STRAIGHT = {
    PlaneClass.GOOD: ((7.5, 15.0), (3.0, 6.0)),
    PlaneClass.FAIR: ((3.0, 7.5), (1.0, 3.0)),
    PlaneClass.POOR: ((1.0, 3.0), (0.5, 2.0)),
}
"""Straight lengths before and after: what good, fair and poor mean to `plane_quality`."""


@dataclass(frozen=True)
class Grid:
    """Nodes for the area mean: x, y (Q,) from the duct's centre; weight (Q,) adds to 1."""

    x: Array
    y: Array
    weight: Array


def _half_nodes(count: int) -> tuple[Array, Array]:
    """Gauss-Legendre on 0..1 (axis to wall), crowded to the wall where v rises as distance^(1/n)."""
    t, w = np.polynomial.legendre.leggauss(count)
    t, w = 0.5 * (t + 1.0), 0.5 * w
    return np.sin(0.5 * np.pi * t), w * 0.5 * np.pi * np.cos(0.5 * np.pi * t)


def area_grid(duct: Duct, half: int = 16, round_about: int = 32) -> Grid:
    """Nodes whose weighted mean is the area mean; for v = distance^(1/7) right to about 1e-5."""
    f, w = _half_nodes(half)
    side, side_w = np.concatenate([-f[::-1], f]), np.concatenate([w[::-1], w])
    angle = 2.0 * np.pi * (np.arange(round_about) + 0.5) / round_about
    if duct.shape is Shape.RECTANGULAR:
        x, y = np.meshgrid(side * duct.width / 2.0, side * duct.depth / 2.0, indexing="ij")
        weight = np.outer(side_w, side_w)
        return Grid(x.ravel(), y.ravel(), weight.ravel() / weight.sum())
    radius = duct.depth / 2.0
    x, y = np.outer(f, np.cos(angle)) * radius, np.outer(f, np.sin(angle)) * radius
    weight = np.outer(f * w, np.ones(round_about))
    weight *= math.pi * radius**2 / weight.sum()
    if duct.shape is Shape.ROUND:
        return Grid(x.ravel(), y.ravel(), weight.ravel() / weight.sum())
    middle = duct.width - duct.depth
    x = x + np.where(x < 0.0, -middle / 2.0, middle / 2.0)
    t, tw = np.polynomial.legendre.leggauss(2 * half)
    mx, my = np.meshgrid(0.5 * middle * t, side * radius, indexing="ij")
    mw = np.outer(0.5 * middle * tw, side_w * radius)
    joined = np.concatenate([weight.ravel(), mw.ravel()])
    return Grid(
        np.concatenate([x.ravel(), mx.ravel()]),
        np.concatenate([y.ravel(), my.ravel()]),
        joined / joined.sum(),
    )


def _uniform(draw: Generator, low: Any, high: Any, size: int) -> Array:
    return draw.uniform(low, high, size)[:, None]


def _log_uniform(draw: Generator, low: float, high: float, size: int) -> Array:
    return np.exp(draw.uniform(math.log(low), math.log(high), size))[:, None]


@dataclass(frozen=True)
class Field:
    """Mean velocity patterns of S flows in one duct. All parameters (S, 1).

    exponent: of the wall-distance law. product: share of the law of both sides multiplied, the rest going
    with the distance to the nearest walls. direction: in which the last disturbance throws the flow.
    skew: linear. bow: from the next disturbance. wake: depth of a dead zone of width (along, across) centred
    at wake_at along the direction. ripple: jets between damper blades, of ripple_waves over the half width.
    hub: depth of a wake behind a hub. twin, single: flow angle in rad of a pair of vortices, of one vortex.
    mean: area mean of the pattern.
    """

    duct: Duct
    exponent: Array
    product: Array
    sharpness: Array
    direction: Array
    skew: Array
    bow: Array
    bow_direction: Array
    wake: Array
    wake_at: Array
    wake_along: Array
    wake_across: Array
    ripple: Array
    ripple_waves: Array
    ripple_phase: Array
    hub: Array
    hub_width: Array
    twin: Array
    single: Array
    upstream: Array
    downstream: Array

    def _scaled(self, x: Array, y: Array) -> tuple[Array, Array]:
        return 2.0 * x / self.duct.width, 2.0 * y / self.duct.depth

    def _along(self, x: Array, y: Array, direction: Array) -> tuple[Array, Array]:
        u, v = self._scaled(x, y)
        c, s = np.cos(direction), np.sin(direction)
        return u * c + v * s, v * c - u * s

    def _wall_law(self, x: Array, y: Array) -> Array:
        power = 1.0 / self.exponent
        if self.duct.shape is Shape.RECTANGULAR:
            u, v = self._scaled(x, y)
            dx, dy = np.maximum(1.0 - np.abs(u), 1e-9), np.maximum(1.0 - np.abs(v), 1e-9)
            short = min(self.duct.width, self.duct.depth)
            a, b = dx * self.duct.width / short, dy * self.duct.depth / short
            nearest = (a**-self.sharpness + b**-self.sharpness) ** (-1.0 / self.sharpness)
            return self.product * (dx * dy) ** power + (1.0 - self.product) * nearest**power
        radius = self.duct.depth / 2.0
        beyond = np.maximum(np.abs(x) - (self.duct.width / 2.0 - radius), 0.0)
        return np.maximum(1.0 - np.hypot(beyond, y) / radius, 1e-9) ** power

    def pattern(self, x: Array, y: Array) -> Array:
        """Mean axial velocity at places (S, P) or (P,) up to a common factor; may be near zero."""
        s, t = self._along(x, y, self.direction)
        away, _ = self._along(x, y, self.bow_direction)
        u, v = self._scaled(x, y)
        change = (
            1.0
            + self.skew * s
            + self.bow * (away + 0.5 * away * away)
            - self.wake * np.exp(-(((s - self.wake_at) / self.wake_along) ** 2) - (t / self.wake_across) ** 2)
            + self.ripple * np.cos(np.pi * self.ripple_waves * s + self.ripple_phase)
            - self.hub * np.exp(-(u * u + v * v) / self.hub_width**2)
        )
        return self._wall_law(x, y) * np.maximum(change, 0.02)

    def angle(self, x: Array, y: Array) -> Array:
        """Angle between the mean flow and the duct's axis, rad."""
        _, t = self._along(x, y, self.direction)
        u, v = self._scaled(x, y)
        r = np.hypot(u, v) / 0.6
        pair = self.twin * (0.4 + 0.6 * np.abs(np.cos(np.pi * t)))
        return np.hypot(pair, self.single * r * np.exp(0.5 * (1.0 - r * r)))

    def mean(self, grid: Grid) -> Array:
        """Area mean of the pattern, (S, 1)."""
        return self.pattern(grid.x[None, :], grid.y[None, :]) @ grid.weight[:, None]


def draw_field(draw: Generator, duct: Duct, plane: PlaneClass, speed: Array) -> Field:
    """S flow patterns. speed: (S, 1) mean velocity in m/s.

    The exponent follows the friction factor, n = f^(-1/2) (Hinze's relation, from memory; n = 7 near
    Re = 1e5 as in Nikuradse's pipes), f by Haaland's formula; roughness 0.03 mm (spiral steel) to 0.9 mm
    (lined or flexible), ASHRAE's usual range. Within some 20 diameters the core is flatter than developed.
    """
    size = len(speed)
    reynolds = speed * duct.hydraulic_diameter / 1.5e-5
    rough = _log_uniform(draw, 3e-5, 9e-4, size) / duct.hydraulic_diameter
    friction = (-1.8 * np.log10((rough / 3.7) ** 1.11 + 6.9 / reynolds)) ** -2.0
    before, after = STRAIGHT[plane]
    up, down = _uniform(draw, *before, size), _uniform(draw, *after, size)
    flatter = 1.0 + _uniform(draw, 0.0, 1.0, size) * np.exp(-up / 12.0)
    kinds = draw.integers(0, len(DISTURBANCES), size)
    drawn = [one(draw, size, up) for one in DISTURBANCES]
    chosen = {name: np.choose(kinds, [d[name][:, 0] for d in drawn])[:, None] for name in sorted(drawn[0])}
    turns = draw.integers(0, 4, size)[:, None] * np.pi / 2.0 + _uniform(draw, -0.15, 0.15, size)
    any_way = _uniform(draw, 0.0, 2.0 * np.pi, size)
    return Field(
        duct=duct,
        exponent=flatter / np.sqrt(friction),
        # Rectangular ducts lie between both descriptions; secondary flow into the corners fills them.
        product=_uniform(draw, 0.0, 1.0, size),
        sharpness=_uniform(draw, 1.5, 6.0, size),
        # In rectangular and oval ducts bends and blades lie along a side; around a round duct anywhere.
        direction=any_way if duct.shape is Shape.ROUND else turns,
        # What comes next tilts the flow by potential effects, which fade within half a diameter.
        bow=_uniform(draw, 0.1, 0.4, size) * np.exp(-down / 0.5),
        bow_direction=_uniform(draw, 0.0, 2.0 * np.pi, size),
        upstream=up * duct.hydraulic_diameter,
        downstream=down * duct.hydraulic_diameter,
        **chosen,
    )


def _nothing(size: int) -> dict[str, Array]:
    zero, one = np.zeros((size, 1)), np.ones((size, 1))
    names = ("skew", "wake", "wake_at", "ripple", "ripple_phase", "hub", "twin", "single")
    return {
        **dict.fromkeys(names, zero),
        **dict.fromkeys(("wake_along", "wake_across", "ripple_waves", "hub_width"), one),
    }


def _elbow(draw: Generator, size: int, up: Array) -> dict[str, Array]:
    """A bend throws the flow outwards, leaves a slow zone inside and a pair of vortices.

    Skew of a quarter to two fifths right behind it, gone in about 10 to 20 diameters; the slow zone fills
    within some 5; vortices turn the flow by 8 to 20 degrees at the bend (texts on pipe bends, from memory).
    """
    return {
        **_nothing(size),
        "skew": _uniform(draw, 0.15, 0.4, size) * np.exp(-up / _uniform(draw, 4.0, 8.0, size)),
        "wake": _uniform(draw, 0.3, 0.8, size) * np.exp(-up / _uniform(draw, 2.0, 4.0, size)),
        "wake_at": _uniform(draw, -0.8, -0.5, size),
        "wake_along": _uniform(draw, 0.25, 0.5, size),
        "wake_across": _uniform(draw, 0.5, 1.2, size),
        "twin": np.radians(_uniform(draw, 8.0, 20.0, size)) * np.exp(-up / _uniform(draw, 4.0, 8.0, size)),
    }


def _damper(draw: Generator, size: int, up: Array) -> dict[str, Array]:
    """A half-closed damper: jets between or beside blades, a wake behind them, some skew and swirl.

    Jets mix within some 3 to 6 of their distances apart, so within few diameters of the duct.
    """
    return {
        **_nothing(size),
        "skew": _uniform(draw, 0.0, 0.3, size) * np.exp(-up / _uniform(draw, 3.0, 6.0, size)),
        "ripple": _uniform(draw, 0.2, 0.6, size) * np.exp(-up / _uniform(draw, 1.5, 3.0, size)),
        "ripple_waves": _uniform(draw, 1.0, 3.0, size),
        "ripple_phase": _uniform(draw, 0.0, 2.0 * np.pi, size),
        "wake": _uniform(draw, 0.2, 0.6, size) * np.exp(-up / _uniform(draw, 1.5, 3.0, size)),
        "wake_at": _uniform(draw, -0.5, 0.5, size),
        "wake_along": _uniform(draw, 0.2, 0.4, size),
        "wake_across": _uniform(draw, 1.0, 3.0, size),
        "twin": np.radians(_uniform(draw, 3.0, 10.0, size)) * np.exp(-up / _uniform(draw, 3.0, 6.0, size)),
    }


def _centrifugal_fan(draw: Generator, size: int, up: Array) -> dict[str, Array]:
    """The outlet of a centrifugal fan: fast along the scroll, slow behind the cut-off (AMCA 201, memory)."""
    return {
        **_nothing(size),
        "skew": _uniform(draw, 0.3, 0.6, size) * np.exp(-up / _uniform(draw, 2.5, 5.0, size)),
        "wake": _uniform(draw, 0.3, 0.7, size) * np.exp(-up / _uniform(draw, 1.5, 3.0, size)),
        "wake_at": _uniform(draw, -0.9, -0.6, size),
        "wake_along": _uniform(draw, 0.3, 0.6, size),
        "wake_across": _uniform(draw, 0.8, 2.0, size),
        "twin": np.radians(_uniform(draw, 3.0, 10.0, size)) * np.exp(-up / _uniform(draw, 3.0, 6.0, size)),
    }


def _axial_fan(draw: Generator, size: int, up: Array) -> dict[str, Array]:
    """An axial fan: a wake behind the hub, one vortex that lasts for tens of diameters.

    5 to 15 degrees with guide vanes; swirl in pipes decays over 20 to 50 diameters (ISO 3966 asks for a
    straightener above 15 degrees, from memory).
    """
    return {
        **_nothing(size),
        "skew": _uniform(draw, 0.0, 0.1, size) * np.exp(-up / 5.0),
        "hub": _uniform(draw, 0.2, 0.6, size) * np.exp(-up / _uniform(draw, 2.0, 4.0, size)),
        "hub_width": _uniform(draw, 0.4, 0.6, size),
        "single": np.radians(_uniform(draw, 5.0, 15.0, size))
        * np.exp(-up / _uniform(draw, 15.0, 30.0, size)),
    }


DISTURBANCES = (_elbow, _elbow, _damper, _centrifugal_fan, _axial_fan)
"""What lies before the plane; bends are twice as usual as anything else (practice)."""


@dataclass(frozen=True)
class Unsteady:
    """How a flow moves around its mean. All (S, 1).

    intensity: of turbulence in the core. time_scale: its integral time, s. wander: relative standard
    deviation of the whole flow (fan, controls, wind); wander_time: s over which that hangs together.
    """

    intensity: Array
    time_scale: Array
    wander: Array
    wander_time: Array


def draw_unsteady(draw: Generator, plane: PlaneClass, size: int) -> Unsteady:
    """Turbulence of 3 to 8 % in straight ducts, up to 10 and 14 % behind disturbances (texts, memory).

    Integral time 0.1 to 2 s: length scales of a fraction of the duct at 4 to 14 m/s, and puffs. The whole
    flow wanders by 0.2 to 1 % within 20 s to 10 min (practice: what a steady system does over an hour).
    """
    extra = {PlaneClass.GOOD: 0.0, PlaneClass.FAIR: 0.02, PlaneClass.POOR: 0.06}[plane]
    return Unsteady(
        _uniform(draw, 0.03, 0.08, size) + extra * _uniform(draw, 0.0, 1.0, size),
        _log_uniform(draw, 0.1, 2.0, size),
        _uniform(draw, 0.002, 0.010, size),
        _log_uniform(draw, 20.0, 600.0, size),
    )


def averaged_share(time_scale: Array, window: Any) -> Array:
    """Standard deviation of the mean over a window, as a share of one moment's (exponential correlation)."""
    ratio = time_scale / window
    return np.asarray(np.sqrt(2.0 * ratio * (1.0 - ratio * (1.0 - np.exp(-1.0 / ratio)))))


def correlated(draw: Generator, steps: Array) -> Array:
    """Standard normal series (S, N): neighbours n-1 and n correlate as exp(-steps[:, n])."""
    noise = draw.standard_normal(steps.shape)
    out = np.empty_like(noise)
    out[:, 0] = noise[:, 0]
    hold = np.exp(-steps)
    fresh = np.sqrt(1.0 - hold * hold)
    for n in range(1, steps.shape[1]):
        out[:, n] = hold[:, n] * out[:, n - 1] + fresh[:, n] * noise[:, n]
    return out


def in_limits(draw: Generator, size: int, at: Array, length: float) -> Array:
    """Smooth curves g(at) in -1..1, uniform at every place, alike within `length`; (S, N) from at (N,).

    That is what limits of error say and no more: at any reading, anywhere within them.
    """
    apart = np.abs(at[:, None] - at[None, :]) / length
    low = np.linalg.cholesky(np.exp(-0.5 * apart**2) + 1e-6 * np.eye(len(at)))
    z = draw.standard_normal((size, len(at))) @ low.T
    return 2.0 * normal_cdf(z) - 1.0


def normal_cdf(z: Array) -> Array:
    """Of the standard normal, element by element."""
    return 0.5 * np.asarray(np.vectorize(math.erfc, otypes=[float])(-z / math.sqrt(2.0)))


@dataclass(frozen=True)
class Meter:
    """One instrument of each session, and what is known of it.

    known: what the register holds. knots (N,), error (S, N): what it shows too much, today, at true values.
    """

    known: tuple[Instrument, ...]
    knots: Array
    error: Array

    def shows(self, true: Array) -> Array:
        """Indication for true values (S, P), before rounding."""
        out = np.empty_like(true)
        for i, row in enumerate(true):
            out[i] = row + np.interp(row, self.knots, self.error[i])
        return out


@dataclass(frozen=True)
class Kind:
    """A kind of instrument: specification, certificate (U: absolute plus of reading, k = 2), display."""

    accuracy: Accuracy
    points: tuple[float, ...]
    certificate_absolute: float
    certificate_of_reading: float
    resolution: float
    low: float
    high: float


MANOMETERS = (
    Kind(
        Accuracy(0.005, absolute=0.25),
        (0.0, 5.0, 10.0, 25.0, 50.0, 100.0, 250.0, 500.0),
        0.1,
        0.003,
        0.1,
        0,
        500,
    ),
    Kind(Accuracy(0.01, absolute=0.3), (0.0, 10.0, 25.0, 50.0, 100.0, 250.0, 500.0), 0.2, 0.004, 0.1, 0, 500),
    Kind(Accuracy(0.015, absolute=0.5), (0.0, 10.0, 50.0, 100.0, 250.0, 500.0), 0.3, 0.005, 0.1, 0, 500),
)
"""Electronic micromanometers of three qualities (practice: limits of 0.5 to 1.5 % of reading and some
tenths of a pascal; certificates of accredited laboratories at about half of that)."""
VANES = (
    Kind(Accuracy(0.015, absolute=0.1), (1.0, 2.5, 5.0, 10.0, 15.0, 20.0), 0.03, 0.008, 0.01, 0.4, 25.0),
    Kind(Accuracy(0.02, absolute=0.2), (1.0, 5.0, 10.0, 20.0), 0.05, 0.01, 0.01, 0.6, 25.0),
)
"""Small vane anemometers (practice: limits of 1.5 to 2 % of reading and 0.1 to 0.2 m/s)."""
THERMALS = (
    Kind(Accuracy(0.03, absolute=0.05), (0.5, 1.0, 2.5, 5.0, 10.0, 15.0), 0.02, 0.012, 0.01, 0.0, 25.0),
    Kind(Accuracy(0.05, absolute=0.05), (0.5, 2.5, 5.0, 10.0, 15.0), 0.03, 0.015, 0.01, 0.0, 25.0),
)
"""Thermal anemometers (practice: limits of 3 to 5 % of reading and 0.05 m/s)."""
THERMOMETER = Kind(Accuracy(absolute=0.5), (273.15, 293.15, 313.15, 333.15), 0.2, 0.0, 0.1, 253.15, 373.15)
HYGROMETER = Kind(Accuracy(absolute=0.03), (0.2, 0.5, 0.8), 0.02, 0.0, 0.001, 0.0, 1.0)
BAROMETER = Kind(Accuracy(absolute=100.0), (80e3, 95e3, 105e3), 40.0, 0.0, 10.0, 60e3, 110e3)

LABORATORY_SHARE = 0.8
"""Correlation of a laboratory's errors at its points: one reference, one operator (practice)."""


def draw_meters(draw: Generator, kind: Kind, size: int, length: float, zeroed: bool = False) -> Meter:
    """S instruments of a kind. length: over what readings an error keeps its size.

    zeroed: the instrument is set to zero before use and before calibration, so errors vanish at zero (what
    the zero does later is drawn with the session); places are then told apart by ln(reading + 5).

    At calibration each has an error within its specification; the certificate reports it with the
    laboratory's own error; since then it moved by a drift within the specification again. The register
    holds certificate and specification, so the specification stands for the drift.
    """
    knots = np.unique(np.concatenate([np.array(kind.points), _knots(kind, zeroed)]))
    place = np.log(knots + 5.0) if zeroed else knots
    limit = np.array([kind.accuracy.limit(abs(v)) for v in knots])
    if zeroed:
        limit *= 1.0 - np.exp(-knots / 2.0)
    # The specification is about indications, the knots are true values: the difference is of second order.
    old = in_limits(draw, size, place, length) * limit
    drift = in_limits(draw, size, place, length) * limit
    u = (
        np.array([kind.certificate_absolute + kind.certificate_of_reading * abs(p) for p in kind.points])
        / 2.0
    )
    shared = math.sqrt(LABORATORY_SHARE) * draw.standard_normal((size, 1))
    own = math.sqrt(1.0 - LABORATORY_SHARE) * draw.standard_normal((size, len(u)))
    at = np.searchsorted(knots, np.array(kind.points))
    shown = np.array(kind.points) + old[:, at] + (shared + own) * u
    known = tuple(
        Instrument(
            certificate=tuple(
                CertificatePoint(reference, float(indicated), float(2.0 * s))
                for reference, indicated, s in zip(kind.points, row, u, strict=True)
            ),
            accuracy=kind.accuracy,
            resolution=kind.resolution,
            low=kind.low,
            high=kind.high,
        )
        for row in shown
    )
    return Meter(known, knots, old + drift)


def _knots(kind: Kind, zeroed: bool) -> Array:
    if not zeroed:
        return np.linspace(kind.low, kind.high, 13)
    return np.concatenate([[0.0], np.geomspace(1.0, kind.high, 16)])


@dataclass(frozen=True)
class Weather:
    """Air of S sessions: true state, what was noted and its standard uncertainty, true density. (S,)."""

    temperature: Array
    pressure: Array
    static: Array
    humidity: Array
    density: Array
    noted: tuple[dict[str, float | None], ...]


SPREAD = {"temperature": 0.3, "humidity": 0.02, "barometer": 20.0}
WITHOUT = {"temperature": 0.5, "humidity": 0.05, "barometer": 100.0}
"""What the house adds for place and moment, and what it takes without an instrument (measurements/inputs.py;
a test holds them equal)."""


def draw_weather(draw: Generator, size: int) -> Weather:
    """Air at the plane and what is noted of it.

    Half of the sessions name a thermometer, hygrometer and barometer of the register (corrected by the
    certificate, with the house's allowance for place and moment), half name none (the house's allowance for
    that). An instrument that nobody named is a usual one: within 1 K, 8 % and 170 Pa. The air across the
    duct and over the session differs by 0.3 K, 2 % and 20 Pa (standard deviations), the duct's static
    pressure is read within 5 Pa (practice).
    """
    temperature = draw.uniform(285.0, 308.0, size)
    pressure = draw.uniform(82e3, 103e3, size)
    static = draw.uniform(-600.0, 600.0, size)
    humidity = draw.uniform(0.2, 0.75, size)
    true = np.array(
        [density(t, p + s, h) for t, p, s, h in zip(temperature, pressure, static, humidity, strict=True)]
    )
    named = draw.random(size) < 0.5
    figures = {
        "temperature": _noted(draw, "temperature", THERMOMETER, temperature, named, 0.3, 1.0, 20.0),
        "humidity": _noted(draw, "humidity", HYGROMETER, humidity, named, 0.02, 0.08, 0.3),
        "barometer": _noted(draw, "barometer", BAROMETER, pressure, named, 20.0, 170.0, 1e4),
    }
    shown_static = static + draw.normal(0.0, 5.0, size)
    noted = []
    for i in range(size):
        row: dict[str, float | None] = {"static_pressure": float(shown_static[i])}
        for name, (value, u) in figures.items():
            row[name], row[f"{name}_u"] = float(value[i]), float(u[i])
        row["humidity"] = min(max(row["humidity"] or 0.0, 0.0), 1.0)
        noted.append(row)
    return Weather(temperature, pressure, static, humidity, true, tuple(noted))


def _noted(
    draw: Generator,
    name: str,
    kind: Kind,
    true: Array,
    named: npt.NDArray[np.bool_],
    place: float,
    usual: float,
    length: float,
) -> tuple[Array, Array]:
    size = len(true)
    there = true + draw.normal(0.0, place, size)
    meters = draw_meters(draw, kind, size, length)
    shown = np.round(meters.shows(there[:, None])[:, 0] / kind.resolution) * kind.resolution
    value = np.where(named, shown, there + draw.uniform(-usual, usual, size))
    u = np.full(size, WITHOUT[name])
    for i in np.flatnonzero(named):
        found = correct(meters.known[i], [float(shown[i])])
        value[i], u[i] = found.values[0], math.hypot(found.u[0], SPREAD[name])
    return value, u
