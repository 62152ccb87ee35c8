"""What an instrument's certificate, specification and display do to its readings.

A certificate gives points (reference, indicated, U, k). Between two of them the correction is interpolated
on the straight line c = (1 - t) a + t b, so that u^2 = (1-t)^2 u_a^2 + t^2 u_b^2 + 2 r t (1-t) u_a u_b (GUM
5.2.2). One laboratory calibrates all points with one standard in one session: r = 1 is taken, and u is the
same interpolation of the two uncertainties. Points that share less would give less (at the middle of two
equal ones 0.71 u for r = 0); a certificate hardly ever tells, so the larger figure is kept. How the error
curve bends between points is not counted: that is for the laboratory's choice of points. Outside the points
the nearest correction is held and an extra uncertainty grows with the distance, up to half the calibrated
span, beyond which the reading is refused.

Errors of the calibration, of drift and of the specification are common to all readings of one instrument
(they do not average down); resolution is each reading's own. Source of the thinking: JCGM 100:2008 F.2.4
(single readings with a calibrated or a verified instrument), H.3 (calibration curve); ISO/IEC 17025.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from .distributions import Distribution, from_resolution
from .errors import Refused, all_finite, finite, not_negative, positive
from .plan import Sharing

OUTSIDE_LIMIT = 0.5
"""Readings further outside the calibrated span than this share of it are refused."""
SLACK = 0.001
"""Share of the span that counts as still inside."""


@dataclass(frozen=True, slots=True)
class CertificatePoint:
    """One calibration point: true value, what the instrument showed, expanded uncertainty and its k."""

    reference: float
    indicated: float
    U: float
    k: float = 2.0

    @property
    def correction(self) -> float:
        """What to add to the indication."""
        return self.reference - self.indicated

    @property
    def u(self) -> float:
        """Standard uncertainty of the correction."""
        return self.U / self.k


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A maker's limits of error: the sum of the parts that are given.

    of_reading, of_span: fractions. absolute, span: in the reading's unit. Read as limits of a
    rectangular distribution (GUM 4.3.7).
    """

    of_reading: float = 0.0
    of_span: float = 0.0
    absolute: float = 0.0
    span: float | None = None

    def __post_init__(self) -> None:
        for name in ("of_reading", "of_span", "absolute"):
            not_negative(f"accuracy.{name}", getattr(self, name))
        if self.of_span > 0.0:
            if self.span is None:
                raise Refused("accuracy.span", "is needed for an accuracy stated in % of span")
            positive("accuracy.span", abs(finite("accuracy.span", self.span)))

    def limit(self, reading: float) -> float:
        """Largest error at a reading, in its unit."""
        return self.of_reading * abs(reading) + self.of_span * abs(self.span or 0.0) + self.absolute


@dataclass(frozen=True, slots=True)
class Instrument:
    """What is known of an instrument for one quantity; all in the SI unit of the readings.

    certificate: calibration points, at least one, or empty when there is none. drift_of_reading,
    drift_absolute: limits of drift since the calibration (None: not known). accuracy: the maker's
    specification; it counts where there is no certificate, or no known drift since (it then stands for the
    drift). low, high: range. calibration_dof: degrees of freedom behind the certificate's uncertainties.
    """

    certificate: tuple[CertificatePoint, ...] = ()
    accuracy: Accuracy | None = None
    resolution: float = 0.0
    drift_of_reading: float | None = None
    drift_absolute: float | None = None
    low: float | None = None
    high: float | None = None
    calibration_dof: float = math.inf

    def __post_init__(self) -> None:
        not_negative("instrument.resolution", self.resolution)
        not_negative("instrument.drift_of_reading", self.drift_of_reading or 0.0)
        not_negative("instrument.drift_absolute", self.drift_absolute or 0.0)
        self._check_range()
        if not self.calibration_dof > 0.0:
            raise Refused("instrument.calibration_dof", "must be above zero", self.calibration_dof)
        for i, point in enumerate(self.certificate):
            all_finite(f"certificate[{i}]", (point.reference, point.indicated))
            not_negative(f"certificate[{i}].U", point.U)
            positive(f"certificate[{i}].k", point.k)
        shown = [p.indicated for p in self.certificate]
        if len(set(shown)) != len(shown):
            raise Refused("certificate", "has two points with the same indication", shown)

    def _check_range(self) -> None:
        for name, end in (("low", self.low), ("high", self.high)):
            if end is not None:
                finite(f"instrument.{name}", end)
        if self.low is not None and self.high is not None and self.low > self.high:
            raise Refused("instrument.low", "lies above the range's high end", (self.low, self.high))

    @property
    def knows_drift(self) -> bool:
        """Whether a drift since calibration is stated."""
        return self.drift_of_reading is not None or self.drift_absolute is not None

    @property
    def uses_accuracy(self) -> bool:
        """Whether the specification counts: without certificate, or as drift where none is stated."""
        return self.accuracy is not None and not (self.certificate and self.knows_drift)


@dataclass(frozen=True, slots=True)
class ReadingEffect:
    """One cause of error of readings: a standard uncertainty for each reading, common or each its own."""

    name: str
    u: tuple[float, ...]
    sharing: Sharing
    dof: float = math.inf
    distribution: Distribution = Distribution.NORMAL


@dataclass(frozen=True, slots=True)
class Corrected:
    """Readings after correction, with what makes them uncertain.

    corrections: what was added. outside_certificate, outside_range: indices of such readings.
    """

    values: tuple[float, ...]
    corrections: tuple[float, ...]
    effects: tuple[ReadingEffect, ...]
    outside_certificate: tuple[int, ...]
    outside_range: tuple[int, ...]

    @property
    def u(self) -> tuple[float, ...]:
        """Standard uncertainty of each reading alone."""
        return tuple(
            math.sqrt(math.fsum(e.u[i] * e.u[i] for e in self.effects)) for i in range(len(self.values))
        )


def correct(instrument: Instrument, readings: Sequence[float], *, name: str = "readings") -> Corrected:
    """Correct readings by the certificate and state the uncertainty that the instrument brings.

    Errors: Refused for readings that are not finite, or further outside the certificate's points than
    half their span.
    """
    all_finite(name, readings)
    found = [_correction(instrument, r, f"{name}[{i}]") for i, r in enumerate(readings)]
    corrections = tuple(c for c, _, _ in found)
    outside = tuple(i for i, (_, _, extra) in enumerate(found) if extra > 0.0)
    return Corrected(
        tuple(r + c for r, c in zip(readings, corrections, strict=True)),
        corrections,
        _effects(instrument, readings, found),
        outside,
        tuple(i for i, r in enumerate(readings) if not _in_range(instrument, r)),
    )


def _effects(
    instrument: Instrument, readings: Sequence[float], found: Sequence[tuple[float, float, float]]
) -> tuple[ReadingEffect, ...]:
    rectangular, common = Distribution.RECTANGULAR, Sharing.COMMON
    effects = []
    if instrument.certificate:
        u = tuple(u for _, u, _ in found)
        effects.append(ReadingEffect("Calibration certificate", u, common, instrument.calibration_dof))
    if any(extra > 0.0 for _, _, extra in found):
        u = tuple(extra for _, _, extra in found)
        effects.append(ReadingEffect("Outside the calibrated points", u, common, math.inf, rectangular))
    if instrument.certificate and instrument.knows_drift:
        u = tuple(_drift(instrument, r) / math.sqrt(3.0) for r in readings)
        effects.append(ReadingEffect("Drift since calibration", u, common, math.inf, rectangular))
    if instrument.accuracy is not None and instrument.uses_accuracy:
        u = tuple(instrument.accuracy.limit(r) / math.sqrt(3.0) for r in readings)
        effects.append(ReadingEffect("Instrument specification", u, common, math.inf, rectangular))
    if instrument.resolution > 0.0:
        u = (from_resolution(instrument.resolution),) * len(readings)
        effects.append(ReadingEffect("Resolution", u, Sharing.INDEPENDENT, math.inf, rectangular))
    return tuple(effects)


def _drift(instrument: Instrument, reading: float) -> float:
    return (instrument.drift_of_reading or 0.0) * abs(reading) + (instrument.drift_absolute or 0.0)


def _in_range(instrument: Instrument, reading: float) -> bool:
    low = -math.inf if instrument.low is None else instrument.low
    high = math.inf if instrument.high is None else instrument.high
    return low <= reading <= high


def _correction(instrument: Instrument, reading: float, name: str) -> tuple[float, float, float]:
    """Correction, its standard uncertainty, and the extra standard uncertainty outside the points."""
    points = sorted(instrument.certificate, key=lambda p: p.indicated)
    if not points:
        return 0.0, 0.0, 0.0
    first, last = points[0], points[-1]
    if first.indicated <= reading <= last.indicated:
        return _between(points, reading)
    near = first if reading < first.indicated else last
    span = last.indicated - first.indicated or abs(near.indicated)
    if span == 0.0:
        raise Refused(name, "cannot be corrected: the certificate's only point is zero", reading)
    distance = abs(reading - near.indicated) / span
    if distance <= SLACK:
        return near.correction, near.u, 0.0
    if distance > OUTSIDE_LIMIT:
        reach = f"{first.indicated:g} to {last.indicated:g}"
        raise Refused(name, f"lies too far outside the certificate's points ({reach})", reading)
    corrections = [p.correction for p in points]
    half_width = distance * (max(corrections) - min(corrections) + max(abs(c) for c in corrections) + near.U)
    return near.correction, near.u, half_width / math.sqrt(3.0)


def _between(points: Sequence[CertificatePoint], reading: float) -> tuple[float, float, float]:
    for a, b in pairwise(points):
        if a.indicated <= reading <= b.indicated:
            part = (reading - a.indicated) / (b.indicated - a.indicated)
            correction = a.correction + part * (b.correction - a.correction)
            return correction, a.u + part * (b.u - a.u), 0.0
    return points[0].correction, points[0].u, 0.0


def indicated_for(instrument: Instrument, true_value: float) -> float:
    """The reading whose corrected value is `true_value`, by fixed-point steps (for worked examples)."""
    reading = finite("true_value", true_value)
    for _ in range(50):
        reading = true_value - _correction(instrument, reading, "true_value")[0]
    return reading
