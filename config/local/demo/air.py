"""The invented building behind the demo: what a technician would read there. No data of anybody's."""

import math
import random
from dataclasses import dataclass

DENSITY = 1.106  # kg/m³, about what air of 21 °C has at 640 m
ALTITUDE_PRESSURE_HPA = 939.4


@dataclass(frozen=True)
class Duct:
    """A duct with a fully known flow. Dimensions in m, flow in m³/s; skew shifts the profile sideways."""

    flow: float
    width: float = 0.0
    height: float = 0.0
    diameter: float = 0.0
    skew: float = 0.0

    @property
    def mean_velocity(self) -> float:
        area = math.pi * self.diameter**2 / 4 if self.diameter else self.width * self.height
        return self.flow / area

    def velocity(self, x: float, y: float) -> float:
        """m/s at the fractions x, y of width and height (or of the diameter along one line, y = 0.5)."""
        if self.diameter:
            profile = max(1e-6, 1 - abs(2 * x - 1)) ** (1 / 7) / (49 / 60)
        else:
            profile = _side(x) * _side(y) / (7 / 8) ** 2
        velocity: float = self.mean_velocity * profile * (1 + self.skew * (x - 0.5))
        return velocity


def _side(fraction: float) -> float:
    return float(max(1e-6, 1 - abs(2 * fraction - 1)) ** (1 / 7))


@dataclass
class Technician:
    """Reads instruments with a steady hand: seeded noise, the digits the display shows."""

    seed: int

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)  # noqa: S311 - invented readings, no secrets

    def velocity_pressure(self, velocity: float) -> str:
        """Pa with one decimal."""
        true = DENSITY * velocity**2 / 2
        return f"{true * (1 + self.random.gauss(0, 0.012)) + self.random.gauss(0, 0.08):.1f}"

    def samples(self, velocities: list[float]) -> list[str]:
        """Velocity pressures, Pa, along a line; the flow wanders slowly."""
        drift, shown = 0.0, []
        for velocity in velocities:
            drift = 0.7 * drift + self.random.gauss(0, 0.02)
            shown.append(f"{DENSITY * velocity**2 / 2 * (1 + drift):.1f}")
        return shown

    def hood(self, flow: float) -> str:
        """L/s with one decimal."""
        return f"{flow * 1000 * (1 + self.random.gauss(0, 0.006)):.1f}"
