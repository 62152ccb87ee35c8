"""Small sums about rooms and cleanrooms: air changes, removal, decay, openings, points, evenness, classes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .errors import Refused, not_negative, positive
from .variance import type_a

RECOVERY_RATIO = 100.0
"""Fall of the concentration that the recovery time is stated for (ISO 14644-3)."""
LEAST_POINTS = 4


def air_change_rate(flow: float, volume: float) -> float:
    """Air changes, 1/s, of a flow (m3/s) through a volume (m3)."""
    return not_negative("flow", flow) / positive("volume", volume)


def flow_per_area(flow: float, area: float) -> float:
    """Flow over a surface, m3/(s m2): leakage of an envelope (ISO 9972) or of a filter wall."""
    return not_negative("flow", flow) / positive("area", area)


def removal_time(air_changes: float, remaining: float) -> float:
    """Time in s until a share (0 to 1) of what floats in a well-mixed room remains: -ln(share) / rate.

    air_changes: 1/s. Nothing added meanwhile.
    """
    if not 0.0 < positive("remaining", remaining) <= 1.0:
        raise Refused("remaining", "must be above 0 and at most 1", remaining)
    return -math.log(remaining) / positive("air_changes", air_changes)


def decay_rate(first: float, last: float, time: float) -> float:
    """Rate of decay in 1/s from two concentrations `time` s apart: ln(first / last) / time (ISO 14644-3)."""
    if positive("first", first) <= positive("last", last):
        raise Refused("last", "must be below the first", last)
    return math.log(first / last) / positive("time", time)


def recovery_time(rate: float, ratio: float = RECOVERY_RATIO) -> float:
    """Time in s for the concentration to fall to 1/ratio, at a rate of decay in 1/s (ISO 14644-3)."""
    if positive("ratio", ratio) <= 1.0:
        raise Refused("ratio", "must be above 1", ratio)
    return math.log(ratio) / positive("rate", rate)


def opening_flow(area: float, pressure: float, density: float, coefficient: float = 0.65) -> float:
    """Flow in m3/s through an opening (m2), signed as the pressure (Pa): Cd A sqrt(2 |dp| / density).

    coefficient: 0.6 to 0.7 for sharp-edged openings and door gaps (practice). density: kg/m3.
    """
    speed = math.sqrt(2.0 * abs(pressure) / positive("density", density))
    return math.copysign(positive("coefficient", coefficient) * positive("area", area) * speed, pressure)


def measuring_points(area: float) -> int:
    """Least number of points over an area in m2: sqrt(10 area), rounded up, never below 4 (ISO 14644-3).

    At least one for each filter as well.
    """
    return max(LEAST_POINTS, math.ceil(math.sqrt(10.0 * positive("area", area)) - 1e-9))


@dataclass(frozen=True, slots=True)
class Uniformity:
    """Of velocities over a plane: mean (m/s), relative standard deviation, largest relative deviation."""

    mean: float
    relative_deviation: float
    largest: float

    def within(self, share: float = 0.2) -> bool:
        """Whether every velocity lies within a share of the mean (20 % is common practice, no source)."""
        return self.largest <= share


def uniformity(velocities: Sequence[float]) -> Uniformity:
    """How even a unidirectional flow is (ISO 14644-3). Errors: Refused (fewer than two, mean not above 0)."""
    spread = type_a(velocities)
    mean = positive("velocities", spread.mean)
    return Uniformity(mean, spread.s / mean, max(abs(v - mean) for v in velocities) / mean)


def particle_limit(iso_class: float, size: float) -> float:
    """Highest particle concentration, 1/m3, of an ISO class for particles of `size` m and above.

    10^N (0.1 um / size)^2.08 (ISO 14644-1:1999; the edition of 2015 tabulates it to three digits). Classes 1
    to 9, sizes 0.1 to 5 um.
    """
    if not 1.0 <= positive("iso_class", iso_class) <= 9.0:
        raise Refused("iso_class", "must be from 1 to 9", iso_class)
    if not 0.1e-6 * (1.0 - 1e-9) <= positive("size", size) <= 5e-6 * (1.0 + 1e-9):
        raise Refused("size", "must be from 0.1 to 5 um", size)
    return math.pow(10.0, iso_class) * math.pow(0.1e-6 / size, 2.08)


def particle_table(iso_class: float, size: float) -> float:
    """`particle_limit` to three significant digits, as the table prints it."""
    limit = particle_limit(iso_class, size)
    return round(limit, 2 - math.floor(math.log10(limit)))
