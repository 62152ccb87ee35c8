"""Duct cross sections: inside dimensions, area, hydraulic diameter, what lies outside the air."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from .errors import Refused, not_negative, positive


class Shape(StrEnum):
    """Cross section of a duct."""

    ROUND = "round"
    RECTANGULAR = "rectangular"
    FLAT_OVAL = "flat_oval"


def round_area(dimensions: Sequence[float]) -> float:
    """Area of a circle of the given diameter, m2."""
    return math.pi / 4.0 * dimensions[0] * dimensions[0]


def rectangular_area(dimensions: Sequence[float]) -> float:
    """Area of width x height, m2."""
    return dimensions[0] * dimensions[1]


def flat_oval_area(dimensions: Sequence[float]) -> float:
    """Area of two half circles of the height with a rectangle between, m2; width is the long way."""
    width, height = dimensions
    return math.pi / 4.0 * height * height + height * (width - height)


AREA = {
    Shape.ROUND: round_area,
    Shape.RECTANGULAR: rectangular_area,
    Shape.FLAT_OVAL: flat_oval_area,
}


@dataclass(frozen=True, slots=True)
class Duct:
    """A duct at the measuring plane, as found. All lengths in m.

    width: inside diameter of a round duct; inside width of the wall that is drilled for the others (the
    long way of a flat oval). height: the other inside dimension. wall, lining: thickness of metal and of
    lining or insulation between the outside, where the probe is marked, and the air.
    """

    shape: Shape
    width: float
    height: float | None = None
    wall: float = 0.0
    lining: float = 0.0

    def __post_init__(self) -> None:
        positive("duct.width", self.width)
        not_negative("duct.wall", self.wall)
        not_negative("duct.lining", self.lining)
        if self.shape is Shape.ROUND:
            if self.height is not None:
                raise Refused("duct.height", "a round duct has a diameter only (width)", self.height)
        elif self.height is None:
            raise Refused("duct.height", f"is needed for a {self.shape.value} duct")
        else:
            positive("duct.height", self.height)
        if self.shape is Shape.FLAT_OVAL and self.width < self._height:
            raise Refused("duct.width", "of a flat oval is its longer dimension", self.width)

    @property
    def _height(self) -> float:
        return self.width if self.height is None else self.height

    @property
    def depth(self) -> float:
        """Inside distance from the drilled wall to the far wall, m."""
        return self._height

    @property
    def dimensions(self) -> tuple[float, ...]:
        """What `AREA[shape]` takes: (diameter,) or (width, height)."""
        return (self.width,) if self.height is None else (self.width, self.height)

    @property
    def area(self) -> float:
        """Free area, m2."""
        return AREA[self.shape](self.dimensions)

    @property
    def perimeter(self) -> float:
        """Wetted perimeter, m."""
        if self.shape is Shape.ROUND:
            return math.pi * self.width
        if self.shape is Shape.RECTANGULAR:
            return 2.0 * (self.width + self._height)
        return math.pi * self._height + 2.0 * (self.width - self._height)

    @property
    def hydraulic_diameter(self) -> float:
        """4 area / perimeter, m: the diameter of a round duct, 2ab/(a+b) of a rectangle."""
        return 4.0 * self.area / self.perimeter

    @property
    def equal_area_diameter(self) -> float:
        """Diameter of a circle of the same area, sqrt(4 area / pi), m.

        Trade pages count straight lengths in it, 40 CFR 60 method 1 in hydraulic diameters (as this package
        does); a 36 x 24 in duct has 33.2 in by the one and 28.8 in by the other.
        """
        return math.sqrt(4.0 * self.area / math.pi)


def lined_duct(shape: Shape, outer: Sequence[float], *, wall: float = 0.0, lining: float = 0.0) -> Duct:
    """The duct whose outside dimensions are `outer`: wall and lining are taken off on both sides."""
    inside = [size - 2.0 * (wall + lining) for size in outer]
    if min(inside) <= 0.0:
        raise Refused("outer", "wall and lining leave no air passage", tuple(outer))
    return Duct(shape, inside[0], inside[1] if len(inside) > 1 else None, wall, lining)
