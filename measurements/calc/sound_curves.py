"""Levels of sound: addition, background, A-weighting, and the NC curves.

NC curves: L. L. Beranek, Noise Control 3 (1957), as handbooks print them; they begin at 63 Hz here. A later
table (ANSI/ASA S12.2) has a few levels 1 dB lower or higher. A-weighting: IEC 61672-1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .errors import Refused, all_finite, finite
from .trace import exp, log

BANDS = ("16", "31_5", "63", "125", "250", "500", "1000", "2000", "4000", "8000")
"""Octave bands by their nominal middle frequency in Hz, as they end the inputs' names."""
CURVE_BANDS = BANDS[2:]
CURVES: dict[int, tuple[float, ...]] = {
    15: (47.0, 36.0, 29.0, 22.0, 17.0, 14.0, 12.0, 11.0),
    20: (51.0, 40.0, 33.0, 26.0, 22.0, 19.0, 17.0, 16.0),
    25: (54.0, 44.0, 37.0, 31.0, 27.0, 24.0, 22.0, 21.0),
    30: (57.0, 48.0, 41.0, 35.0, 31.0, 29.0, 28.0, 27.0),
    35: (60.0, 52.0, 45.0, 40.0, 36.0, 34.0, 33.0, 32.0),
    40: (64.0, 56.0, 50.0, 45.0, 41.0, 39.0, 38.0, 37.0),
    45: (67.0, 60.0, 54.0, 49.0, 46.0, 44.0, 43.0, 42.0),
    50: (71.0, 64.0, 58.0, 54.0, 51.0, 49.0, 48.0, 47.0),
    55: (74.0, 67.0, 62.0, 58.0, 56.0, 54.0, 53.0, 52.0),
    60: (77.0, 71.0, 67.0, 63.0, 61.0, 59.0, 58.0, 57.0),
    65: (80.0, 75.0, 71.0, 68.0, 66.0, 64.0, 63.0, 62.0),
}
"""Level in dB of each curve at the bands from 63 to 8000 Hz."""
LOWEST, HIGHEST, STEP = 15.0, 65.0, 5.0
A_WEIGHTS = dict(zip(BANDS, (-56.7, -39.4, -26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1), strict=True))
"""dB at the octave bands, as IEC 61672-1 tabulates them."""
TENTH = math.log(10.0) / 10.0


def energy(level: float) -> float:
    """Power of a level relative to that of 0 dB; can be traced."""
    return exp(TENTH * level)


def level_of(power: float) -> float:
    """Level in dB of a relative power; can be traced."""
    return log(power) / TENTH


def add_levels(levels: Sequence[float]) -> float:
    """Level in dB of sounds heard together that do not depend on one another: sum of their powers."""
    all_finite("levels", levels)
    if not levels:
        raise Refused("levels", "need at least one")
    highest = max(levels)
    return highest + level_of(sum(energy(v - highest) for v in levels))


def mean_level(levels: Sequence[float]) -> float:
    """Level in dB of the mean power of several levels."""
    return add_levels(levels) - level_of(float(len(levels)))


def a_weighted(levels: Sequence[float], weights: Sequence[float]) -> float:
    """A-weighted level in dB of band levels: their sum after adding each band's weight."""
    return add_levels([v + w for v, w in zip(levels, weights, strict=True)])


def without_background(level: float, background: float) -> float:
    """Level in dB of a source alone; can be traced. level: of both, must be above the background."""
    return level + level_of(1.0 - energy(background - level))


def background_correction(difference: float) -> float:
    """What to add in dB to a level that stands `difference` above the background: 10 lg(1 - 10^(-d/10)).

    Source: energy subtraction as in ISO 3744. Errors: Refused unless the difference is above zero.
    """
    if finite("difference", difference) <= 0.0:
        raise Refused("difference", "must be above zero", difference)
    return without_background(0.0, -difference)


def a_weighting(frequency: float) -> float:
    """A-weighting in dB at a frequency in Hz, from its definition (IEC 61672-1 annex E, from memory)."""
    if finite("frequency", frequency) <= 0.0:
        raise Refused("frequency", "must be above zero", frequency)
    f = frequency * frequency
    low, high, one, two = 20.598997**2, 12194.217**2, 107.65265**2, 737.86223**2
    ratio = high * f * f / ((f + low) * (f + high) * math.sqrt((f + one) * (f + two)))
    return 20.0 * math.log10(ratio) + 2.0


@dataclass(frozen=True, slots=True)
class Segment:
    """Two neighbouring NC curves at one band: `rating` is that of the lower, `slope` in NC per dB.

    below, above: the level lies outside all curves and is held at the lowest or highest.
    """

    level: float
    rating: float
    slope: float
    below: bool = False
    above: bool = False

    def at(self, level: float) -> float:
        """Rating of a level by the straight line between the two curves; can be traced."""
        return self.rating + (level - self.level) * self.slope


def segment(band: str, level: float) -> Segment:
    """The curves on both sides of a level at a band from 63 to 8000 Hz. Errors: Refused for another band."""
    if band not in CURVE_BANDS:
        raise Refused("band", "has no NC curve", band)
    place = CURVE_BANDS.index(band)
    numbers = list(CURVES)
    at = [CURVES[n][place] for n in numbers]
    i = sum(v <= finite(f"band_{band}", level) for v in at[1:-1])
    slope = STEP / (at[i + 1] - at[i])
    return Segment(at[i], float(numbers[i]), slope, level < at[0], level > at[-1])


def curve_level(rating: float, band: str) -> float:
    """Level in dB of the NC curve of a rating (15 to 65, straight lines between the curves) at a band."""
    if not LOWEST <= finite("rating", rating) <= HIGHEST:
        raise Refused("rating", "curves reach from 15 to 65", rating)
    place = CURVE_BANDS.index(band)
    lower = min(int(rating // STEP) * int(STEP), 60)
    a, b = CURVES[lower][place], CURVES[lower + 5][place]
    return a + (rating - lower) / STEP * (b - a)


def nc_rating(levels: Sequence[float]) -> tuple[float, str]:
    """NC rating and governing band of the levels at 63 to 8000 Hz: the highest of the bands' ratings.

    By tangency with straight lines between the curves; some round up to the next curve of 5. Held at 15 and
    65 outside the curves.
    """
    all_finite("levels", levels)
    pairs = zip(CURVE_BANDS, levels, strict=True)
    ratings = {band: segment(band, v).at(v) for band, v in pairs}
    band = max(ratings, key=lambda b: ratings[b])
    return min(max(ratings[band], LOWEST), HIGHEST), band
