"""Readings of a fan and its motor made ready: voltages and currents phase by phase, pressures with signs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from . import motor
from .errors import Refused, not_negative
from .grouped import Lines, take_lines
from .method import solve
from .motor import Supply
from .places import Readings, Taken, same_instrument, take_mean
from .trace import Formula
from .uncertainty import Correlation, Effect, Result


@dataclass(frozen=True, slots=True)
class Signed:
    """Pressures taken, and whether the instrument was used with its ports crossed."""

    taken: Taken
    crossed: bool


def take_signed(readings: Readings, on: str, label: str) -> Signed:
    """Signed pressures of an instrument that is perhaps calibrated on its positive side only.

    Where every reading is negative and certificate or range begin at zero, the positive side's corrections
    count by magnitude: a suction is read with the ports crossed, or by a sensor alike on both sides.
    """
    zero = readings.zero or 0.0
    if not _one_sided(readings) or not all(v - zero < 0.0 for v in readings.values):
        return Signed(take_mean(readings, on, label), False)
    mirrored = replace(readings, values=tuple(zero - v for v in readings.values), zero=None)
    return Signed(take_mean(mirrored, on, label), True)


def _one_sided(readings: Readings) -> bool:
    shown = [p.indicated for p in readings.instrument.certificate]
    if shown:
        return min(shown) > -0.05 * max(shown)
    return readings.instrument.low is not None and readings.instrument.low >= 0.0


def signed_value(signed: Signed) -> float:
    """The mean pressure with its sign."""
    return -signed.taken.value if signed.crossed else signed.taken.value


def signed_correlations(first: Signed, second: Signed) -> list[Correlation]:
    """As `same_instrument`; an error common to a crossed and an uncrossed reading moves them apart."""
    sign = -1.0 if first.crossed != second.crossed else 1.0
    return [replace(c, r=sign * c.r) for c in same_instrument(first.taken, second.taken)]


@dataclass(frozen=True, slots=True)
class Phases:
    """Voltages or currents, phase by phase; what differs between phases is no scatter.

    mean, each: results, of all and of each phase in order. unbalance: largest deviation over the mean (three
    phases only).
    """

    lines: Lines
    mean: Result
    each: tuple[Result, ...]
    unbalance: Result | None

    @property
    def effects(self) -> tuple[Effect, ...]:
        """Of the vector of phases."""
        return (*self.lines.effects, *([self.lines.repeats] if self.lines.repeats else []))


def take_phases(
    readings: Readings, on: str, label: str, unit: str, identity: str, supply: Supply = Supply.THREE_PHASE
) -> Phases:
    """Readings by phase (line of their places; none given: one reading a phase, or repeats of a single one).

    Errors: Refused for other than one or three phases (one, of a single-phase motor), negative readings and a
    mean not above zero.
    """
    if supply is Supply.SINGLE_PHASE:
        readings = replace(readings, places=tuple((n, 1, 1) for n in range(1, len(readings.values) + 1)))
    lines = take_lines(readings, on, label)
    count = len(lines.values)
    if count not in (1, 3):
        raise Refused(on, "needs readings of one or of three phases", lines.lines)
    for i, value in enumerate(lines.values):
        not_negative(f"{on}[{i}]", value)
    if math.fsum(lines.values) <= 0.0:
        raise Refused(on, "must be above zero", lines.values)
    mean = _weighted(lines, [1.0 / count] * count, label, unit, identity)
    phases = Phases(lines, mean, (), None)
    each = tuple(
        _weighted(lines, [float(n == i) for n in range(count)], f"{label} {lines.lines[i]}", unit, identity)
        for i in range(count)
    )
    unbalance = _unbalance(phases, label, identity) if count == 3 else None
    return replace(phases, each=each, unbalance=unbalance)


def weighted_phases(phases: Sequence[float], weights: Sequence[float]) -> float:
    """One phase, or the mean of all."""
    return sum([w * v for w, v in zip(weights, phases, strict=True)])


def phase_deviation(phases: Sequence[float], weights: Sequence[float]) -> float:
    """Deviation of one phase (weights 1 or -1 there) from the mean, over the mean."""
    sign = sum(weights)
    return weighted_phases(phases, weights) * float(len(phases)) / sum(phases) - sign


def _weighted(lines: Lines, weights: Sequence[float], name: str, unit: str, identity: str) -> Result:
    return _phase_result(weighted_phases, lines, weights, name, unit, identity)


def _unbalance(phases: Phases, label: str, identity: str) -> Result:
    found = motor.phase_unbalance(phases.lines.values)
    sign = 1.0 if phases.lines.values[found.phase] >= found.mean else -1.0
    weights = [sign if n == found.phase else 0.0 for n in range(3)]
    return _phase_result(phase_deviation, phases.lines, weights, f"{label} unbalance", "1", identity)


def _phase_result(
    formula: Formula, lines: Lines, weights: Sequence[float], name: str, unit: str, identity: str
) -> Result:
    every = [*lines.effects, *([lines.repeats] if lines.repeats else [])]
    effects = [replace(e, on="phases") for e in every]
    values = {"phases": lines.values, "weights": tuple(weights)}
    return solve(formula, values, effects, identity, {"value": (name, unit)})["value"]


def one_reading(reading: float) -> float:
    """The model of a figure that is read as it is."""
    return reading


def single(taken: Taken, name: str, unit: str, identity: str) -> Result:
    """A reading's mean as a result of its own."""
    effects = [replace(e, on="reading") for e in taken.effects]
    values = {"reading": taken.value}
    outputs = {"value": (name, unit)}
    return solve(one_reading, values, effects, identity, outputs, units={"reading": unit})["value"]
