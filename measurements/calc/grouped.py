"""Readings gathered line by line (steps of a test, outlets of a room), and pressures below zero.

A differential manometer is often certified on one side of zero only, while suction is read with the hoses
the other way round and written down with a minus. Its certificate then serves both sides alike; the method
says so in a remark.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from .distributions import Distribution
from .errors import Refused
from .instrument import CertificatePoint, Instrument
from .method import Code, Remark
from .places import REPEATED, Readings, Taken, same_instrument, take_each, take_mean
from .plan import Sharing
from .uncertainty import Correlation, Effect

SIDE = 0.01
"""A lowest certificate point above minus this share of the highest counts as no point below zero."""


@dataclass(frozen=True, slots=True)
class Lines:
    """One mean for each line of the readings.

    lines: their numbers, ascending. values: corrected means. counts: readings behind each. u: standard
    uncertainty of each mean, all effects together. effects: on the model's vector input `taken.on`: the
    instrument's, and what repeats on the same line show, pooled over the lines (`repeats`, if any).
    """

    lines: tuple[int, ...]
    values: tuple[float, ...]
    counts: tuple[int, ...]
    effects: tuple[Effect, ...]
    repeats: Effect | None
    taken: Taken

    @property
    def u(self) -> tuple[float, ...]:
        """Standard uncertainty of each mean."""
        every = [*self.effects, *([self.repeats] if self.repeats else [])]
        columns = [e.u for e in every if isinstance(e.u, tuple)]
        return tuple(math.sqrt(math.fsum(c[i] ** 2 for c in columns)) for i in range(len(self.values)))


def line_numbers(readings: Readings, name: str) -> tuple[int, ...]:
    """The line of every reading; without places each reading is a line of its own.

    Errors: Refused for places that are not as many as the readings, or one place read twice in one run.
    """
    if not readings.places:
        return tuple(range(1, len(readings.values) + 1))
    if len(readings.places) != len(readings.values):
        raise Refused(f"{name}.places", "must be as many as the readings", len(readings.places))
    if len(set(readings.places)) < len(readings.places):
        raise Refused(f"{name}.places", "give one place twice in one run", readings.places)
    return tuple(line for _, line, _ in readings.places)


def take_lines(readings: Readings, on: str, label: str, *, relative: bool = False) -> Lines:
    """The mean of each line as one member of a vector input.

    relative: repeats scatter in proportion to the reading. Errors: Refused (no reading, not finite, far off
    the certificate, a place twice).
    """
    taken = take_each(readings, on, label)
    numbers = line_numbers(readings, on)
    members = {n: [i for i, m in enumerate(numbers) if m == n] for n in sorted(set(numbers))}
    groups = list(members.values())
    values = tuple(math.fsum(taken.values[i] for i in g) / len(g) for g in groups)
    effects = tuple(_gathered(e, groups) for e in taken.effects)
    return Lines(
        tuple(members),
        values,
        tuple(len(g) for g in groups),
        effects,
        _repeats(taken, groups, values, relative),
        taken,
    )


def one_line(readings: Readings, line: int, name: str) -> Readings:
    """The readings of one line alone, as repeats at one spot."""
    chosen = [v for v, n in zip(readings.values, line_numbers(readings, name), strict=True) if n == line]
    return replace(readings, values=tuple(chosen), places=(), times=())


def turned(readings: Readings) -> tuple[Readings, float, list[Remark]]:
    """Readings as the instrument's certificate can serve them, the sign to give back, and the remark.

    All below zero, and certificate and range on one side only: as if read with the hoses turned, sign -1.
    Of both signs: the certificate's points count on both sides. Otherwise as they are.
    """
    zero = readings.zero or 0.0
    below = sum(1 for v in readings.values if v - zero < 0.0)
    if not below or not _one_sided(readings.instrument):
        return readings, 1.0, []
    remark = Remark(Code.CERTIFICATE_MIRRORED, {"count": below})
    instrument = readings.instrument
    if below == len(readings.values):
        values = tuple(-v for v in readings.values)
        zero_turned = None if readings.zero is None else -readings.zero
        return replace(readings, values=values, zero=zero_turned), -1.0, [remark]
    low = instrument.low if instrument.high is None else -instrument.high
    mirrored = replace(instrument, certificate=_mirrored(instrument.certificate), low=low)
    return replace(readings, instrument=mirrored), 1.0, [remark]


def take_signed(readings: Readings, on: str, label: str) -> tuple[Taken, list[Remark]]:
    """`take_mean` of a quantity with a sign, whichever side of zero the certificate is for; with remarks."""
    served, sign, remarks = turned(readings)
    taken = take_mean(served, on, label)
    if sign < 0.0:
        taken = replace(taken, value=-taken.value, values=tuple(-v for v in taken.values))
    return taken, [*taken.remarks, *(replace(r, points=(label,)) for r in remarks)]


def difference_correlations(a: Taken, b: Taken) -> list[Correlation]:
    """What one instrument did to two pressures with signs, for their difference or sum.

    On one side of zero by `same_instrument`. On both sides, read with the hoses turned for one of them: an
    error has the other sign there, so what neighbours share adds up in the difference. On both sides by an
    instrument that goes through zero: errors in proportion to the reading are opposite, fixed ones alike,
    those of the certificate taken as independent.
    """
    if a.value * b.value >= 0.0:
        return same_instrument(a, b)
    if not a.by or a.by != b.by or a.on == b.on:
        return []
    if _one_sided(a.instrument) and _one_sided(b.instrument):
        other = replace(b, value=-b.value)
        return [replace(c, r=-c.r) for c in same_instrument(a, other)]
    return [*_through_zero(a, b, "instrument specification"), *_through_zero(a, b, "drift since calibration")]


def _through_zero(a: Taken, b: Taken, cause: str) -> list[Correlation]:
    """Correlation of limits of error k |p| + c at two readings: (c^2 + k^2 p q) over their product."""
    first, second = f"{a.label}: {cause}", f"{b.label}: {cause}"
    if not {first, second}.issubset(e.name for e in (*a.effects, *b.effects)):
        return []
    k, c = _limit_parts(a.instrument, cause)
    limits = (k * abs(a.value) + c) * (k * abs(b.value) + c)
    return [Correlation(first, second, (c * c + k * k * a.value * b.value) / limits)] if limits else []


def _limit_parts(instrument: Instrument, cause: str) -> tuple[float, float]:
    """What of a limit of error is in proportion to the reading, and what is fixed."""
    if cause.startswith("drift"):
        return instrument.drift_of_reading or 0.0, instrument.drift_absolute or 0.0
    accuracy = instrument.accuracy
    return (0.0, 0.0) if accuracy is None else (accuracy.of_reading, accuracy.limit(0.0))


def _one_sided(instrument: Instrument) -> bool:
    """Whether neither certificate nor range goes below zero, and one of them is known."""
    shown = [p.indicated for p in instrument.certificate]
    by_points = bool(shown) and max(shown) > 0.0 and min(shown) >= -SIDE * max(shown)
    if shown:
        return by_points
    return instrument.low is not None and instrument.low >= 0.0


def _mirrored(points: Sequence[CertificatePoint]) -> tuple[CertificatePoint, ...]:
    shown = [p.indicated for p in points]
    added = [
        CertificatePoint(-p.reference, -p.indicated, p.U, p.k)
        for p in points
        if p.indicated > 0.0 and -p.indicated not in shown
    ]
    return (*points, *added)


def _gathered(effect: Effect, groups: Sequence[Sequence[int]]) -> Effect:
    u = effect.u if isinstance(effect.u, tuple) else (effect.u,) * sum(map(len, groups))
    common = effect.sharing is Sharing.COMMON
    each = [
        math.fsum(u[i] for i in g) / len(g) if common else math.sqrt(math.fsum(u[i] ** 2 for i in g)) / len(g)
        for g in groups
    ]
    return replace(effect, u=tuple(each))


def _repeats(
    taken: Taken, groups: Sequence[Sequence[int]], means: Sequence[float], relative: bool
) -> Effect | None:
    """Scatter of repeats on the same line, pooled over the lines (GUM 4.2.4)."""
    dof = sum(len(g) - 1 for g in groups)
    if not dof:
        return None
    sizes = [abs(m) if relative else 1.0 for m in means]
    if min(sizes) <= 0.0:
        raise Refused(taken.on, "has a line whose mean is zero", 0.0)
    rest = math.fsum(
        ((taken.values[i] - m) / size) ** 2
        for g, m, size in zip(groups, means, sizes, strict=True)
        for i in g
    )
    s = math.sqrt(rest / dof)
    u = tuple(s * size / math.sqrt(len(g)) for g, size in zip(groups, sizes, strict=True))
    name = f"{taken.label}: {REPEATED}"
    return Effect(name, taken.on, u, Sharing.POOLED, float(dof), Distribution.T)
