"""Sound in a room: octave-band levels, background taken off, NC rating, A-weighted level.

A band's level is the mean of the powers of its readings (places in the room, or repeats). Its background is
subtracted as energy; less than 3 dB above it only an upper bound is known (ISO 3744, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import lru_cache

from .errors import Refused, not_negative
from .method import Code, MethodResult, Part, PartFigure, Remark
from .places import Readings, Taken, same_instrument, take_mean
from .plan import Sharing
from .records import digest
from .sound_curves import (
    A_WEIGHTS,
    BANDS,
    CURVE_BANDS,
    HIGHEST,
    LOWEST,
    STEP,
    Segment,
    background_correction,
    curve_level,
    energy,
    level_of,
    mean_level,
    segment,
    without_background,
)
from .trace import Formula
from .uncertainty import Correlation, Effect, Result, propagate
from .version import CALCULATION_VERSION

QUIETEST, LOUDEST = -20.0, 160.0
"""dB: beyond this a level in a room is a mistake."""
UNITS = {"level": "dB", "background": "dB"}
NOT_REPEATED = "one reading only"


@dataclass(frozen=True, slots=True)
class SoundLimits:
    """From where a remark is made, and an allowance."""

    background: float = 3.0
    """dB above the background, below which only a bound is known (ISO 3744, from memory)."""
    single_reading_u: float = 1.0
    """dB, standard uncertainty of a band read once only: time and place (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class SoundLevel:
    """Input of `sound_level`: octave-band levels in dB re 20 uPa by middle frequency in Hz.

    band_*: everything running. background_*: the same places with the source off. Several readings of a band
    are averaged by power. The bands 16 and 31.5 Hz count for the A-weighted level only.
    """

    band_16: Readings | None = None
    band_31_5: Readings | None = None
    band_63: Readings | None = None
    band_125: Readings | None = None
    band_250: Readings | None = None
    band_500: Readings | None = None
    band_1000: Readings | None = None
    band_2000: Readings | None = None
    band_4000: Readings | None = None
    band_8000: Readings | None = None
    background_16: Readings | None = None
    background_31_5: Readings | None = None
    background_63: Readings | None = None
    background_125: Readings | None = None
    background_250: Readings | None = None
    background_500: Readings | None = None
    background_1000: Readings | None = None
    background_2000: Readings | None = None
    background_4000: Readings | None = None
    background_8000: Readings | None = None
    limits: SoundLimits = field(default_factory=SoundLimits)


class Source(StrEnum):
    """How the level of the source alone is found in a band."""

    PLAIN = "plain"
    """No background was read: the level stands for the source."""
    CORRECTED = "corrected"
    BOUND = "bound"
    """Too near to the background: the largest allowed correction, an upper bound."""


@dataclass(frozen=True, slots=True)
class _Band:
    """A band: its level and background in dB, what was read, how the source's level is found, that level."""

    name: str
    level: float
    background: float
    taken: tuple[Taken, ...]
    effects: tuple[Effect, ...]
    source: Source
    least: float
    alone: float


def sound_level(inputs: SoundLevel) -> MethodResult:
    """NC rating of a room. measurand: "nc_rating" (1); other results: "a_weighted" (dB), and "level_16",
    "level_31_5" (dB) where those bands were read.

    By tangency with straight lines between the curves: the highest of the bands' ratings (some round up to
    the next curve of 5: classes["nc_curve"]). Outside the curves it is held at 15 or 65: classes["bound"] is
    then upper or lower; upper too where the governing band is too near to its background; else none.
    classes["governing_band"]: Hz. The uncertainty is the governing band's; where another band may govern, the
    highest of both tends to lie higher and a remark says so. No verdict with bands missing, a governing band
    that is a bound, or a rating above the curves. parts, for each band from 63 Hz: level, source_level (dB),
    rating (1), curve (dB, of the rating found); word: governs, upper_bound or "".
    Errors: Refused (no band from 63 Hz, levels that cannot be, a background without its level).
    """
    not_negative("limits.background", inputs.limits.background)
    not_negative("limits.single_reading_u", inputs.limits.single_reading_u)
    bands = _take(inputs)
    identity = digest("sound_level", inputs, CALCULATION_VERSION)
    levels = {b.name: _source_level(b, identity) for b in bands}
    rated = {b.name: segment(b.name, b.alone) for b in bands if b.name in CURVE_BANDS}
    if not rated:
        raise Refused("band_500", "is needed, or another band from 63 to 8000 Hz")
    by_name = {b.name: b for b in bands}
    ratings = {n: s.at(by_name[n].alone) for n, s in rated.items()}
    governing = max(ratings, key=lambda n: ratings[n])
    held = min(max(ratings[governing], LOWEST), HIGHEST)
    rating = _rating(by_name[governing], rated[governing], held, identity)
    missing = [n for n in CURVE_BANDS if n not in rated]
    bound = _bound(ratings[governing], by_name[governing])
    low = {f"level_{n}": levels[n] for n in BANDS[:2] if n in levels}
    spread = {n: levels[n].U * rated[n].slope for n in rated}
    return MethodResult(
        method="sound_level",
        measurand="nc_rating",
        results={"nc_rating": rating, "a_weighted": _a_weighted(bands, identity), **low},
        digest=identity,
        remarks=(
            *_missing(missing),
            *_outside(ratings[governing]),
            *_background(bands, inputs.limits),
            *_others(ratings, governing, spread),
            *_single(bands),
            *(r for b in bands for t in b.taken for r in t.remarks),
        ),
        verdict_allowed=not missing
        and by_name[governing].source is not Source.BOUND
        and ratings[governing] <= HIGHEST,
        parts=tuple(_part(by_name[n], levels[n], ratings[n], spread[n], held, n == governing) for n in rated),
        classes={
            "governing_band": governing,
            "nc_curve": f"{STEP * math.ceil(held / STEP - 1e-9):g}",
            "bound": bound,
        },
    )


def _take(inputs: SoundLevel) -> list[_Band]:
    found = []
    for name in BANDS:
        readings = getattr(inputs, f"band_{name}")
        quiet = getattr(inputs, f"background_{name}")
        if readings is not None:
            found.append(_band(name, readings, quiet, inputs.limits))
        elif quiet is not None:
            raise Refused(f"background_{name}", "is given without the band's level")
    return found


def _band(name: str, readings: Readings, quiet: Readings | None, limits: SoundLimits) -> _Band:
    label = f"{name.replace('_', '.')} Hz"
    taken, level, effects = _level(readings, f"band_{name}", label, "level", limits)
    if quiet is None:
        return _Band(name, level, level, (taken,), effects, Source.PLAIN, limits.background, level)
    off, background, own = _level(quiet, f"background_{name}", f"{label} background", "background", limits)
    both = (taken, off)
    if level - background < max(limits.background, 1e-6):
        alone = level + background_correction(max(limits.background, 1e-6))
        return _Band(name, level, background, both, effects, Source.BOUND, limits.background, alone)
    alone = without_background(level, background)
    return _Band(name, level, background, both, (*effects, *own), Source.CORRECTED, limits.background, alone)


def _level(
    readings: Readings, name: str, label: str, on: str, limits: SoundLimits
) -> tuple[Taken, float, tuple[Effect, ...]]:
    """What was taken, the mean level by power, and the effects on the input `on`."""
    taken = take_mean(readings, name, label)
    for i, value in enumerate(taken.values):
        if not QUIETEST <= value <= LOUDEST:
            raise Refused(f"{name}[{i}]", f"must lie from {QUIETEST:g} to {LOUDEST:g} dB", value)
    effects = [replace(e, on=on) for e in taken.effects]
    if len(taken.values) == 1:
        effects.append(Effect(f"{label}: {NOT_REPEATED}", on, limits.single_reading_u, Sharing.COMMON))
    return taken, mean_level(taken.values), tuple(effects)


@lru_cache(maxsize=64)
def source_model(source: Source, least: float = 3.0) -> Formula:
    """Level of the source alone in one band, put on a scale: rating + (level - start) slope.

    start 0, rating 0, slope 1 gives the level itself in dB, those of a `Segment` its NC rating.
    """

    def scaled(level: float, background: float, start: float, rating: float, slope: float) -> float:
        return rating + (_alone(source, level, background, least) - start) * slope

    return scaled


def _alone(source: Source, level: float, background: float, least: float) -> float:
    if source is Source.CORRECTED:
        return without_background(level, background)
    return level + background_correction(max(least, 1e-6)) if source is Source.BOUND else level


def _propagate(band: _Band, identity: str, name: str, unit: str, scale: Segment) -> Result:
    values = {"level": band.level, "background": band.background}
    result = propagate(
        source_model(band.source, band.least),
        {**values, "start": scale.level, "rating": scale.rating, "slope": scale.slope},
        band.effects,
        name=name,
        unit=unit,
        correlations=_among(same_instrument(*band.taken), band.effects),
        units=UNITS,
        digest=identity,
    )
    touching = tuple(row for row in result.budget if row.sensitivity or row.contribution)
    return replace(result, budget=touching)


def _among(pairs: Sequence[Correlation], effects: Sequence[Effect]) -> list[Correlation]:
    """Those between effects that are there: the background's are not where only a bound is known."""
    names = {e.name for e in effects}
    return [c for c in pairs if c.first in names and c.second in names]


def _source_level(band: _Band, identity: str) -> Result:
    name = f"Level at {band.name.replace('_', '.')} Hz"
    return _propagate(band, identity, name, "dB", Segment(0.0, 0.0, 1.0))


def _rating(band: _Band, piece: Segment, held: float, identity: str) -> Result:
    """The rating, held at the ends of the curves with the slope that they have there."""
    outside = piece.at(band.alone) != held
    scale = Segment(band.alone, held, piece.slope) if outside else piece
    return _propagate(band, identity, "NC rating", "1", scale)


@lru_cache(maxsize=64)
def a_weighted_model(sources: tuple[Source, ...], weights: tuple[float, ...], least: float) -> Formula:
    """A-weighted level of all bands together."""

    def weighted(level: Sequence[float], background: Sequence[float]) -> float:
        parts = zip(sources, weights, level, background, strict=True)
        return level_of(sum(energy(w + _alone(s, v, b, least)) for s, w, v, b in parts))

    return weighted


def _a_weighted(bands: Sequence[_Band], identity: str) -> Result:
    effects = []
    for i, band in enumerate(bands):
        for e in band.effects:
            u = e.u if isinstance(e.u, float) else 0.0
            members = tuple(u if n == i else 0.0 for n in range(len(bands)))
            effects.append(replace(e, u=members, sharing=Sharing.COMMON))
    pairs = _among(same_instrument(*(t for b in bands for t in b.taken)), effects)
    return propagate(
        a_weighted_model(
            tuple(b.source for b in bands), tuple(A_WEIGHTS[b.name] for b in bands), bands[0].least
        ),
        {"level": tuple(b.level for b in bands), "background": tuple(b.background for b in bands)},
        effects,
        name="A-weighted level",
        unit="dB",
        correlations=pairs,
        units=UNITS,
        digest=identity,
    )


def _bound(rating: float, band: _Band) -> str:
    if rating > HIGHEST:
        return "lower"
    return "upper" if rating < LOWEST or band.source is Source.BOUND else "none"


def _part(band: _Band, level: Result, rating: float, rating_U: float, held: float, governs: bool) -> Part:
    figures = (
        PartFigure("level", band.level, None, "dB"),
        PartFigure("source_level", level.value, level.U, "dB"),
        PartFigure("rating", min(max(rating, LOWEST), HIGHEST), rating_U, "1"),
        PartFigure("curve", curve_level(held, band.name), None, "dB"),
    )
    word = "governs" if governs else "upper_bound" if band.source is Source.BOUND else ""
    return Part(band.name, figures, word)


def _missing(missing: Sequence[str]) -> list[Remark]:
    if not missing:
        return []
    numbers = {"missing": len(missing), "expected": len(CURVE_BANDS)}
    return [Remark(Code.BANDS_MISSING, numbers, tuple(missing))]


def _outside(rating: float) -> list[Remark]:
    if LOWEST <= rating <= HIGHEST:
        return []
    held = LOWEST if rating < LOWEST else HIGHEST
    return [Remark(Code.OUTSIDE_NOISE_CURVES, {"rating": held, "lowest": LOWEST, "highest": HIGHEST})]


def _background(bands: Sequence[_Band], limits: SoundLimits) -> list[Remark]:
    near = [b for b in bands if b.source is Source.BOUND]
    if not near:
        return []
    numbers = {"difference": min(b.level - b.background for b in near), "limit": limits.background}
    return [Remark(Code.BACKGROUND_TOO_HIGH, numbers, tuple(b.name for b in near))]


def _others(ratings: Mapping[str, float], governing: str, spread: Mapping[str, float]) -> list[Remark]:
    """Bands whose rating lies within the uncertainty of the difference from the governing one."""
    away = {n: ratings[governing] - r for n, r in ratings.items() if n != governing}
    U = {n: math.hypot(spread[n], spread[governing]) for n in away}
    close = [n for n in away if away[n] <= U[n]]
    if not close:
        return []
    nearest = min(close, key=lambda n: away[n])
    numbers = {"difference": away[nearest], "U": U[nearest]}
    return [Remark(Code.OTHER_BAND_MAY_GOVERN, numbers, tuple(close))]


def _single(bands: Sequence[_Band]) -> list[Remark]:
    once = tuple(b.name for b in bands if len(b.taken[0].values) == 1)
    return [Remark(Code.SINGLE_RUN, {"runs": 1}, once)] if once else []
