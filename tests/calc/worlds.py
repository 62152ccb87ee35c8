"""Inputs that the tests of the methods share: one of each method, complete and plausible."""

from __future__ import annotations

import math
from dataclasses import replace

from measurements.calc import (
    Accuracy,
    Air,
    CentrelineReading,
    CertificatePoint,
    Duct,
    Estimate,
    HoodReading,
    HoodSignal,
    Instrument,
    PitotTraverse,
    PointReading,
    Rule,
    Shape,
    Signal,
    Sweep,
    SweptTraverse,
)

AIR = Air(temperature=294.15, barometer=98_700.0, static_pressure=-150.0, humidity=0.45)
RECTANGULAR = Duct(Shape.RECTANGULAR, 0.6, 0.4, wall=0.001, lining=0.025)
ROUND = Duct(Shape.ROUND, 0.315, wall=0.0008)
OVAL = Duct(Shape.FLAT_OVAL, 0.7, 0.3)
MANOMETER = Instrument(
    certificate=(
        CertificatePoint(0.0, 0.1, 0.3),
        CertificatePoint(50.0, 50.4, 0.5),
        CertificatePoint(200.0, 201.0, 1.2),
    ),
    resolution=0.1,
    drift_of_reading=0.005,
    drift_absolute=0.2,
    low=0.0,
    high=500.0,
)
PERFECT = Instrument(certificate=(CertificatePoint(0.0, 0.0, 0.0), CertificatePoint(1e5, 1e5, 0.0)))
HOOD = Instrument(accuracy=Accuracy(of_reading=0.03, absolute=0.003), resolution=0.001)


def pattern(n: int, base: float = 60.0, swing: float = 12.0) -> list[float]:
    """n plausible velocity pressures in Pa, the same every time."""
    return [round(base + swing * math.sin(1.7 * i + 0.4), 1) for i in range(n)]


def readings(holes: int = 5, rows: int = 5, runs: int = 1, base: float = 60.0) -> tuple[PointReading, ...]:
    """Velocity pressures of a whole traverse; runs differ a little."""
    values = pattern(holes * rows, base)
    return tuple(
        PointReading(h + 1, r + 1, values[h * rows + r] + 0.7 * math.cos(3.0 * run + h + 2 * r), run)
        for run in range(1, runs + 1)
        for h in range(holes)
        for r in range(rows)
    )


def pitot(**changes: object) -> PitotTraverse:
    """A rectangular 5 x 5 traverse, zero checked, plane measured."""
    plain = PitotTraverse(
        RECTANGULAR,
        readings(),
        MANOMETER,
        AIR,
        Rule.LOG_TCHEBYCHEFF,
        5,
        5,
        zero_before=0.0,
        zero_after=0.1,
        upstream=4.0,
        downstream=2.0,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def swept(**changes: object) -> SweptTraverse:
    """Five sweeps of 30 s with a time series each."""
    times = tuple(0.5 * i for i in range(60))
    sweeps = tuple(
        Sweep(
            n,
            1,
            times,
            tuple(55.0 + 10.0 * math.sin(0.05 * i) + 2.0 * math.sin(7.3 * i * n) for i in range(60)),
        )
        for n in range(1, 6)
    )
    plain = SweptTraverse(
        RECTANGULAR, 5, sweeps, Signal.PRESSURE, MANOMETER, AIR, settling=2.0, upstream=4.0, downstream=2.0
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def centreline(**changes: object) -> CentrelineReading:
    """Three readings at the axis of a round duct."""
    plain = CentrelineReading(ROUND, (60.0, 62.0, 61.0), MANOMETER, AIR, zero_before=0.0, zero_after=0.0)
    return replace(plain, **changes)  # type: ignore[arg-type]


def hood(**changes: object) -> HoodReading:
    """Two placings of a hood, its factor known."""
    plain = HoodReading((0.105, 0.107), HOOD, AIR, HoodSignal.ACTUAL, Estimate(1.05, 0.02, 12.0))
    return replace(plain, **changes)  # type: ignore[arg-type]
