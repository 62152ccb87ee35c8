"""Velocity pressures as read, made ready: zero and certificate corrections, effects, weak readings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from .air import compressibility
from .distributions import Distribution
from .errors import all_finite, finite, not_negative
from .instrument import Instrument, ReadingEffect, correct
from .plan import Sharing
from .uncertainty import Effect

WEAK = 3.0
"""Readings below this many standard uncertainties are too weak for a first-order root."""
JUDGED_DOF = 5.0
FLUCTUATION = "Fluctuation"


class Read(Protocol):
    """What a reading must tell."""

    @property
    def value(self) -> float: ...
    @property
    def scatter(self) -> float | None: ...
    @property
    def samples(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Pressures:
    """Corrected velocity pressures, one for each reading, in the order read.

    values: Pa (magnitudes when swapped). roots: sqrt(2 max(p, 0)). strong, weak: indices. u: standard
    uncertainty of each. effects: for the model inputs `pressure` (strong) and `root` (weak).
    compressibility: fraction that the strongest velocity reads high. zero: what was taken off.
    """

    values: tuple[float, ...]
    roots: tuple[float, ...]
    u: tuple[float, ...]
    strong: tuple[int, ...]
    weak: tuple[int, ...]
    effects: tuple[Effect, ...]
    swapped: bool
    compressibility: float
    zero: float
    resolution: float
    outside_certificate: tuple[int, ...]
    outside_range: tuple[int, ...]


def take_pressures(
    readings: Sequence[Read],
    instrument: Instrument,
    zero_before: float | None,
    zero_after: float | None,
    static_pressure: float,
) -> Pressures:
    """Correct readings and sort out their effects. static_pressure: absolute, Pa.

    Readings below zero take the correction at zero: certificates rarely go there, and they count as zero.
    """
    shown = [r.value for r in readings]
    all_finite("readings", shown)
    zero, zero_u = _zero(zero_before, zero_after)
    net = [v - zero for v in shown]
    swapped = all(v < 0.0 for v in net)
    net = [-v for v in net] if swapped else net
    corrected = correct(instrument, [max(v, 0.0) for v in net])
    causes = [*corrected.effects, *_own_effects(readings, zero_u)]
    u = tuple(math.sqrt(math.fsum(c.u[i] ** 2 for c in causes)) for i in range(len(readings)))
    values = tuple(v + c for v, c in zip(net, corrected.corrections, strict=True))
    strong = tuple(i for i, v in enumerate(values) if v > 0.0 and v >= WEAK * u[i])
    weak = tuple(i for i in range(len(values)) if i not in set(strong))
    return Pressures(
        values,
        tuple(math.sqrt(2.0 * max(v, 0.0)) for v in values),
        u,
        strong,
        weak,
        _effects(causes, values, u, strong, weak),
        swapped,
        1.0 - compressibility(max(*values, 0.0), static_pressure),
        zero,
        instrument.resolution,
        corrected.outside_certificate,
        corrected.outside_range,
    )


def weak_root_u(value: float, u: float) -> float:
    """Standard uncertainty of sqrt(2 max(p, 0)) from p -+ 2 u: a quarter of the interval's width.

    This project's choice where first order fails: it stays finite at and below zero.
    """
    high = math.sqrt(2.0 * max(value + 2.0 * u, 0.0))
    return 0.25 * (high - math.sqrt(2.0 * max(value - 2.0 * u, 0.0)))


def _zero(before: float | None, after: float | None) -> tuple[float, float]:
    """What to take off, and the standard uncertainty from a zero that drifted between two checks."""
    known = [finite("zero", z) for z in (before, after) if z is not None] or [0.0]
    return math.fsum(known) / len(known), (max(known) - min(known)) / math.sqrt(12.0)


def _own_effects(readings: Sequence[Read], zero_u: float) -> list[ReadingEffect]:
    effects = []
    if zero_u > 0.0:
        u = (zero_u,) * len(readings)
        effects.append(ReadingEffect("Zero shift", u, Sharing.COMMON, math.inf, Distribution.RECTANGULAR))
    if any(r.scatter for r in readings):
        u = tuple(not_negative("scatter", r.scatter or 0.0) / math.sqrt(max(r.samples, 1)) for r in readings)
        fewest = min(r.samples for r in readings if r.scatter)
        dof = float(fewest - 1) if fewest > 1 else JUDGED_DOF
        effects.append(ReadingEffect(FLUCTUATION, u, Sharing.INDEPENDENT, dof, Distribution.T))
    return effects


def _effects(
    causes: Sequence[ReadingEffect],
    values: Sequence[float],
    u: Sequence[float],
    strong: Sequence[int],
    weak: Sequence[int],
) -> tuple[Effect, ...]:
    effects = []
    if strong:
        for c in causes:
            members = tuple(c.u[i] for i in strong)
            effects.append(Effect(c.name, "pressure", members, c.sharing, c.dof, c.distribution))
    if weak:
        members = tuple(weak_root_u(values[i], u[i]) for i in weak)
        effects.append(Effect("Weak readings", "root", members, Sharing.COMMON))
    return tuple(effects)
