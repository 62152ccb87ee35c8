"""The last step of balancing: the fan's speed that brings the total to design, within its limits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from jobs.models import TestPoint
from measurements import calc
from measurements.calc.fan import FanLimits
from measurements.calc.motor import BeltDrive
from measurements.calc.network_fan import TotalChange, bring_to_design
from measurements.calc.network_shares import Shares

LIMITS = ("nameplate_current", "nameplate_power", "nameplate_voltage", "nameplate_speed", "maximum_speed")
PLATE = (*LIMITS, "no_load_current", "motor_sheave", "fan_sheave")
FIGURES = (
    "speed",
    "fan_static_pressure",
    "motor_output",
    "shaft_power",
    "electrical_power",
    "current",
    "current_unbalance",
    "voltage",
)
SAME_SPEED = 0.01
"""Speeds nearer than this, as a fraction, are one speed read twice (practice)."""


@dataclass(frozen=True)
class FanTest:
    """One computed fan test: what was told of plate and drive, and what was found, SI."""

    session: UUID
    at: datetime
    told: Mapping[str, Any]
    found: Mapping[str, calc.Estimate]

    def plate(self, name: str) -> float | None:
        entry = self.told.get(name)
        return float(entry["si"]) if isinstance(entry, dict) else None


@dataclass(frozen=True)
class FanState:
    """A fan with its tests, oldest first, and the change that brings the total to design.

    `refused`: why no change is proposed although speed and total are known.
    """

    point: TestPoint
    tests: tuple[FanTest, ...] = ()
    change: TotalChange | None = None
    refused: str = ""

    @property
    def plate(self) -> dict[str, float]:
        """Limits and drive as told last, SI."""
        found: dict[str, float] = {}
        for test in self.tests:
            found |= {name: value for name in PLATE if (value := test.plate(name)) is not None}
        return found


def found_in(results: Mapping[str, Any]) -> dict[str, calc.Estimate]:
    """The figures of a fan test by name, from a result's detail."""
    return {
        name: calc.Estimate(float(one["value"]), float(one["u"]))
        for name in FIGURES
        if (one := results.get(name)) is not None
    }


def fan_state(point: TestPoint, tests: Sequence[FanTest], total: Shares | None, tolerance: float) -> FanState:
    """What the fan must do. total: shares of the whole system's last survey; None: not all is read."""
    made = FanState(point, tuple(tests))
    if total is None or not tests or "speed" not in tests[-1].found:
        return made
    now, plate = tests[-1].found, made.plate
    try:
        return FanState(point, tuple(tests), _change(total, now, plate, tolerance))
    except calc.Refused as error:
        return FanState(point, tuple(tests), refused=str(error))


def _change(
    total: Shares, now: Mapping[str, calc.Estimate], plate: Mapping[str, float], tolerance: float
) -> TotalChange:
    motor, fan = plate.get("motor_sheave"), plate.get("fan_sheave")
    drive = BeltDrive(motor, fan) if motor and fan else None
    current, idle = _highest_phase(now), plate.get("no_load_current")
    return bring_to_design(
        total,
        now["speed"],
        pressure=_above_zero(now.get("fan_static_pressure")),
        shaft_power=_above_zero(now.get("motor_output") or now.get("shaft_power")),
        current=_above_zero(current),
        no_load_current=idle if current is not None and idle and idle < current.value else None,
        drive=drive,
        limits=FanLimits(
            plate.get("maximum_speed"), plate.get("nameplate_power"), plate.get("nameplate_current")
        ),
        tolerance=tolerance,
    )


def _highest_phase(now: Mapping[str, calc.Estimate]) -> calc.Estimate | None:
    """The current that the nameplate is held against: that of the phase that carries most, at the worst."""
    mean, unbalance = now.get("current"), now.get("current_unbalance")
    if mean is None or unbalance is None:
        return mean
    most = 1.0 + abs(unbalance.value)
    return calc.Estimate(mean.value * most, mean.u * most)


def _above_zero(figure: calc.Estimate | None) -> calc.Estimate | None:
    return figure if figure is not None and figure.value > 0.0 else None


def speeds(tests: Sequence[FanTest]) -> list[tuple[datetime, float]]:
    """The fan's speed as found, test by test."""
    return [(one.at, one.found["speed"].value) for one in tests if "speed" in one.found]


def speed_changes(tests: Sequence[FanTest]) -> list[datetime]:
    """When the fan was found at another speed than before."""
    found, known = [], None
    for at, speed in speeds(tests):
        if known is not None and abs(speed / known - 1.0) > SAME_SPEED:
            found.append(at)
        if known is None or abs(speed / known - 1.0) > SAME_SPEED:
            known = speed
    return found
