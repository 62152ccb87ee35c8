"""What an instrument will be asked to show on a job's points, from their design flows. SI."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from jobs.models import InstrumentRange, PointKind, Quantity, Shape, TestPoint
from jobs.units import find_unit

NEAR_RESOLUTION = 10.0  # readings below ten steps of the display are coarse (practice)
SHOWN_IN = {Quantity.PRESSURE: "Pa", Quantity.VELOCITY: "m/s", Quantity.FLOW: "L/s"}


@dataclass(frozen=True)
class Expected:
    """One figure that design asks for at a point."""

    point: TestPoint
    quantity: Quantity
    value: float

    @property
    def words(self) -> str:
        unit = find_unit(SHOWN_IN[self.quantity], self.quantity)
        return f"{self.point.tag}: about {unit.from_si(self.value):.3g} {unit.symbol}"


class Duct(Protocol):
    """A stored point, or a row of a schedule."""

    @property
    def shape(self) -> str: ...
    @property
    def width_m(self) -> float | None: ...
    @property
    def height_m(self) -> float | None: ...
    @property
    def diameter_m(self) -> float | None: ...


def area_m2(point: Duct) -> float | None:
    """The inside area of a duct, m²; a flat oval is a rectangle with half-circles at its ends."""
    if point.shape == Shape.ROUND and point.diameter_m:
        return math.pi * point.diameter_m**2 / 4.0
    if point.shape in (Shape.RECTANGULAR, Shape.OVAL) and point.width_m and point.height_m:
        corners = (1.0 - math.pi / 4.0) * point.height_m**2 if point.shape == Shape.OVAL else 0.0
        return point.width_m * point.height_m - corners
    return None


def expected_values(points: Iterable[TestPoint], density: float) -> list[Expected]:
    """Velocity and velocity pressure, rho·v²/2, at planes; flow at outlets. No design, no figure."""
    found = []
    for point in points:
        area = area_m2(point)
        if point.design_flow is None:
            continue
        if point.kind == PointKind.PLANE and area:
            speed = point.design_flow / area
            found.append(Expected(point, Quantity.VELOCITY, speed))
            found.append(Expected(point, Quantity.PRESSURE, 0.5 * density * speed**2))
        elif point.kind == PointKind.OUTLET:
            found.append(Expected(point, Quantity.FLOW, point.design_flow))
    return found


def outside(ranges: Iterable[InstrumentRange], value: float) -> bool:
    """No range of the instrument holds the value."""
    return not any(one.minimum <= value <= one.maximum for one in ranges)


def near_resolution(ranges: Iterable[InstrumentRange], value: float) -> bool:
    """The finest range that holds the value shows it in fewer than ten steps."""
    steps = [one.resolution for one in ranges if one.minimum <= value <= one.maximum]
    return bool(steps) and abs(value) < NEAR_RESOLUTION * min(steps)
