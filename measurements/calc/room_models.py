"""The measurement models of a room, each written once as a plain function that can be traced."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from .models import dot
from .rooms import RECOVERY_RATIO
from .trace import log


class Pressure(NamedTuple):
    """Pa."""

    pressure: float


class Supply(NamedTuple):
    """m3/s, 1/s."""

    supply_flow: float
    air_changes: float


class Decay(NamedTuple):
    """1/s, s."""

    recovery_rate: float
    recovery_time: float


class Gap(NamedTuple):
    """m3/s, m/s; positive out of the room."""

    transfer_flow: float
    door_velocity: float


def pressure_model(pressure: float) -> Pressure:
    """The reading itself."""
    return Pressure(1.0 * pressure)


def supply_model(supply_flow: Sequence[float], volume: float) -> Supply:
    """Sum of the outlets over the room's volume."""
    total = sum(supply_flow)
    return Supply(total, total / volume)


def decay_model(time: Sequence[float], concentration: Sequence[float], scatter: Sequence[float]) -> Decay:
    """Least-squares slope of ln c over time, and the time to fall to one hundredth."""
    y = [log(c * s) for c, s in zip(concentration, scatter, strict=True)]
    mean = sum(time) / len(time)
    off = [t - mean for t in time]
    rate = -dot(off, y) / dot(off, off)
    return Decay(rate, math.log(RECOVERY_RATIO) / rate)


def gap_model(door_velocity: float, door_gap_area: float) -> Gap:
    """Velocity times area."""
    return Gap(door_velocity * door_gap_area, 1.0 * door_velocity)
