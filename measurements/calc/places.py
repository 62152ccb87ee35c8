"""What one instrument showed at one named place of a session, and what that brings to a budget.

Methods other than traverses are told their readings place by place ("inlet pressure", "speed"). This module
corrects them by the certificate, averages repeats, names the effects, and ties together what one instrument
did to several places: an error that both readings share cancels in a difference and adds in a sum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .distributions import Distribution
from .errors import Refused, finite
from .instrument import Corrected, Instrument, correct
from .method import Code, Remark
from .plan import Sharing
from .uncertainty import Correlation, Effect
from .variance import type_a

REPEATED = "repeated readings"


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of one place by one instrument, as shown, SI.

    by: the instrument's identity; the same text at two places means the same instrument. places: run, line
    and point of each (from 1; empty: repeats at one spot). times: s since the session began (empty: not
    needed). zero: what the instrument showed with no signal; it is taken off.
    """

    values: tuple[float, ...]
    instrument: Instrument
    by: str = ""
    places: tuple[tuple[int, int, int], ...] = ()
    times: tuple[float, ...] = ()
    zero: float | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """Readings of a place, corrected. value: their mean. effects: on the model's input `on`.

    With `take_mean` the input is a scalar, with `take_each` it has one member a reading.
    """

    on: str
    label: str
    by: str
    value: float
    values: tuple[float, ...]
    effects: tuple[Effect, ...]
    span: float
    corrected: Corrected
    instrument: Instrument

    @property
    def u(self) -> float:
        """Standard uncertainty of the mean (`take_mean`)."""
        return math.sqrt(math.fsum(e.u * e.u for e in self.effects if isinstance(e.u, float)))

    @property
    def remarks(self) -> list[Remark]:
        """No certificate, readings outside it or outside the range; the place is named."""
        found = []
        if not self.instrument.certificate:
            found.append(Remark(Code.NO_CERTIFICATE, {}, (self.label,)))
        if n := len(self.corrected.outside_certificate):
            found.append(Remark(Code.OUTSIDE_CERTIFICATE, {"count": n}, (self.label,)))
        if n := len(self.corrected.outside_range):
            numbers = {"count": float(n)}
            for name in ("low", "high"):
                if (limit := getattr(self.instrument, name)) is not None:
                    numbers[name] = limit
            found.append(Remark(Code.OUTSIDE_RANGE, numbers, (self.label,)))
        return found


def take_mean(readings: Readings, on: str, label: str) -> Taken:
    """The mean of repeats as one scalar input.

    Errors: Refused (no reading, not finite, far off the certificate).
    """
    corrected = _corrected(readings, on)
    values = corrected.values
    count = len(values)
    effects = []
    for e in corrected.effects:
        common = e.sharing is Sharing.COMMON
        u = math.fsum(e.u) / count if common else math.sqrt(math.fsum(v * v for v in e.u)) / count
        effects.append(Effect(_name(label, e.name), on, u, Sharing.COMMON, e.dof, e.distribution))
    if count > 1:
        spread = type_a(values)
        name = _name(label, REPEATED)
        effects.append(Effect(name, on, spread.u, Sharing.COMMON, spread.dof, Distribution.T))
    return _taken(readings, on, label, corrected, effects)


def take_each(readings: Readings, on: str, label: str) -> Taken:
    """Every reading as a member of one input. Errors: as `take_mean`."""
    corrected = _corrected(readings, on)
    effects = [
        Effect(_name(label, e.name), on, e.u, e.sharing, e.dof, e.distribution) for e in corrected.effects
    ]
    return _taken(readings, on, label, corrected, effects)


def same_instrument(*taken: Taken | None) -> list[Correlation]:
    """Correlations of what one instrument did to several places.

    Its errors vary smoothly over its span: their correlation falls linearly from 1 at the same reading to 0
    a whole span apart (this project's own; GUM F.1.2 asks for such a judgement). Resolution and repeats are
    each reading's own.
    """
    known = [t for t in taken if t is not None and t.by]
    found = []
    for i, a in enumerate(known):
        for b in known[i + 1 :]:
            if a.by != b.by or a.on == b.on:
                continue
            r = max(0.0, 1.0 - abs(a.value - b.value) / max(a.span, b.span))
            names = {_cause(e.name): e.name for e in b.effects if e.sharing is Sharing.COMMON}
            for e in a.effects:
                cause = _cause(e.name)
                if r > 0.0 and cause in names and cause not in ("resolution", REPEATED):
                    found.append(Correlation(e.name, names[cause], r))
    return found


def _corrected(readings: Readings, name: str) -> Corrected:
    if not readings.values:
        raise Refused(name, "needs at least one reading")
    for part in ("places", "times"):
        given: Sequence[object] = getattr(readings, part)
        if given and len(given) != len(readings.values):
            raise Refused(f"{name}.{part}", "must be as many as the readings", len(given))
    zero = 0.0 if readings.zero is None else finite(f"{name}.zero", readings.zero)
    return correct(readings.instrument, [v - zero for v in readings.values], name=name)


def _taken(readings: Readings, on: str, label: str, corrected: Corrected, effects: Sequence[Effect]) -> Taken:
    values = corrected.values
    mean = math.fsum(values) / len(values)
    span = _span(readings.instrument, mean)
    return Taken(on, label, readings.by, mean, values, tuple(effects), span, corrected, readings.instrument)


def _span(instrument: Instrument, value: float) -> float:
    """Over what distance of readings the instrument's errors lose their likeness."""
    shown = [p.indicated for p in instrument.certificate]
    spans = [max(shown) - min(shown)] if shown else []
    if instrument.low is not None and instrument.high is not None:
        spans.append(instrument.high - instrument.low)
    return max([s for s in spans if s > 0.0], default=abs(value)) or 1.0


def _name(label: str, cause: str) -> str:
    return f"{label}: {cause[:1].lower()}{cause[1:]}"


def _cause(name: str) -> str:
    return name.rpartition(": ")[2]
