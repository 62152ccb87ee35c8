"""When an instrument should be calibrated next, and whether two instruments agree.

Advice on intervals by two methods of ILAC-G24:2022 / OIML D 10:2022 (6.2 and 6.3, from memory): automatic
adjustment, the "staircase", and the control chart. The document leaves the figures of a step to the user;
those of `Steps` are ours (common practice, no source). It is advice: a laboratory, a contract or a person
decides.

* Staircase: each time the instrument is calibrated in its routine, the interval is made longer if every
  error as found lies within 80 % of the largest permissible error, and shorter if one lies outside it.
* Control chart: the errors at the same points of every calibration are drawn over time, the drift is taken
  from a straight line through them, and the next calibration is due when error and uncertainty together
  would reach the largest permissible error. An adjustment moves the line, not its slope: what counts as
  drift is from the error as left to the next error as found.

Agreement of two instruments on one flow: the En number of ISO/IEC 17043:2010 B.3.1.3 e) and
ISO 13528:2015 9.7 (both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import Enum
from itertools import pairwise

from .errors import Refused, finite, not_negative, positive

SAME_POINT = 0.02
"""References of two calibrations this close, as a share of the larger, are one point of the chart."""
LONGEST_LOOK = 3653
"""Days; no drift is carried on further than ten years."""


class Reason(Enum):
    """Why an interval is advised."""

    LONGER = "longer"  # all errors as found well within the limits
    SAME = "same"  # within the limits, but near
    SHORTER = "shorter"  # an error as found outside its limit
    DRIFT = "drift"  # error and uncertainty would reach the limit then
    NO_DRIFT = "no_drift"  # they would not within the longest interval
    REACHED = "reached"  # they reach it now


@dataclass(frozen=True, slots=True)
class Steps:
    """How far one step goes, and its bounds; days. Common practice, no source."""

    near: float = 0.8
    longer: float = 1.25
    shorter: float = 0.5
    least: int = 90
    most: int = 1826

    def __post_init__(self) -> None:
        if not (0.0 < self.near <= 1.0 < self.longer and 0.0 < self.shorter < 1.0):
            raise Refused("steps", "must be near <= 1, longer above 1, shorter below 1")
        if not 1 <= self.least <= self.most <= LONGEST_LOOK:
            raise Refused("steps", f"must have 1 <= least <= most <= {LONGEST_LOOK} days")

    def bounded(self, days: float) -> int:
        """Whole days within the bounds, rounded down."""
        return int(min(max(days, self.least), self.most))


@dataclass(frozen=True, slots=True)
class Found:
    """One point of one calibration: true value, errors of the indication as found and as left, U with k.

    as_found None: not reported; then nothing was adjusted and it is the error as left. limit: the largest
    permissible error there, None if there is none. SI.
    """

    on: date
    reference: float
    as_left: float
    U: float
    k: float = 2.0
    as_found: float | None = None
    limit: float | None = None

    def __post_init__(self) -> None:
        for name in ("reference", "as_left"):
            finite(f"point.{name}", getattr(self, name))
        finite("point.as_found", self.found)
        positive("point.U", self.U)
        positive("point.k", self.k)
        if self.limit is not None:
            positive("point.limit", self.limit)

    @property
    def found(self) -> float:
        """The error before anything was adjusted."""
        return self.as_left if self.as_found is None else self.as_found

    @property
    def u(self) -> float:
        """Standard uncertainty of the error."""
        return self.U / self.k


@dataclass(frozen=True, slots=True)
class Advice:
    """An interval from the last calibration on, with the reason and the point that led to it; days."""

    days: int
    reason: Reason
    last: date
    leading: Found

    @property
    def due_on(self) -> date:
        return self.last + timedelta(days=self.days)


@dataclass(frozen=True, slots=True)
class Trend:
    """The drift at one point: error(t) = level + slope t, t in days after the last calibration.

    level: error that the line gives at the last calibration, as left; slope: per day. u_level, u_slope,
    covariance: of both, widened where the errors scatter more than their uncertainties tell. scatter: the
    Birge ratio (R. T. Birge, 1932, from memory), at least 1; None with two calibrations, which always lie on
    a line. points: number of calibrations.
    """

    reference: float
    last: date
    level: float
    slope: float
    u_level: float
    u_slope: float
    covariance: float
    points: int
    scatter: float | None
    limit: float

    def error(self, days: float) -> float:
        return self.level + self.slope * days

    def u(self, days: float) -> float:
        """Standard uncertainty of the predicted error."""
        square = self.u_level**2 + 2.0 * self.covariance * days + (self.u_slope * days) ** 2
        return math.sqrt(max(square, 0.0))

    def reach(self, days: float, k: float = 2.0) -> float:
        """|error| + U."""
        return abs(self.error(days)) + k * self.u(days)


def staircase(calibrations: Sequence[Sequence[Found]], steps: Steps | None = None) -> Advice:
    """The next interval from the last two calibrations.

    calibrations: oldest first, each its points. The last interval is the time between the last two.
    Errors: Refused with fewer than two calibrations, or when no point has a limit.
    """
    rule = steps or Steps()
    before, last = _last_two(calibrations)
    interval = (last[0].on - before[0].on).days
    judged = [point for point in last if point.limit is not None]
    if not judged:
        raise Refused("limit", "no point has a largest permissible error to hold the errors against")
    leading = max(judged, key=lambda point: abs(point.found) / (point.limit or 1.0))
    share = abs(leading.found) / (leading.limit or 1.0)
    if share > 1.0 + 1e-9:
        return Advice(rule.bounded(interval * rule.shorter), Reason.SHORTER, last[0].on, leading)
    if share > rule.near + 1e-9:
        return Advice(rule.bounded(interval), Reason.SAME, last[0].on, leading)
    return Advice(rule.bounded(interval * rule.longer), Reason.LONGER, last[0].on, leading)


def _last_two(calibrations: Sequence[Sequence[Found]]) -> tuple[Sequence[Found], Sequence[Found]]:
    whole = _ordered(calibrations)
    if len(whole) < 2:
        raise Refused("calibrations", "at least two are needed to tell an interval", len(whole))
    return whole[-2], whole[-1]


def _ordered(calibrations: Sequence[Sequence[Found]]) -> list[Sequence[Found]]:
    whole = [points for points in calibrations if points]
    days = [points[0].on for points in whole]
    if any(point.on != day for points, day in zip(whole, days, strict=True) for point in points):
        raise Refused("calibrations", "the points of one calibration must have one day")
    if any(later <= earlier for earlier, later in pairwise(days)):
        raise Refused("calibrations", "must be of different days, oldest first")
    return whole


def trends(calibrations: Sequence[Sequence[Found]]) -> tuple[Trend, ...]:
    """The drift at each point of the last calibration that an earlier one has too and that has a limit.

    Errors: Refused with fewer than two calibrations, or when they share no point with a limit.
    """
    whole = _ordered(calibrations)
    if len(whole) < 2:
        raise Refused("calibrations", "at least two are needed to see a drift", len(whole))
    found = [
        _trend(series) for point in whole[-1] if len(series := _series(whole, point)) > 1 and point.limit
    ]
    if not found:
        raise Refused("calibrations", "share no point with a largest permissible error")
    return tuple(found)


def _series(calibrations: Sequence[Sequence[Found]], point: Found) -> list[Found]:
    """The same point in every calibration that has it, oldest first."""
    series = []
    for points in calibrations:
        near = min(points, key=lambda one: abs(one.reference - point.reference))
        largest = max(abs(one.reference) for one in points)
        scale = max(abs(near.reference), abs(point.reference)) or largest
        if abs(near.reference - point.reference) <= SAME_POINT * scale:
            series.append(near)
    return series


def _trend(series: Sequence[Found]) -> Trend:
    """A weighted straight line through the errors, every adjustment taken out; t = 0 at the last one."""
    last = series[-1]
    days = [float((one.on - last.on).days) for one in series]
    drifted = _without_adjustments(series)
    weights = [1.0 / one.u**2 for one in series]
    total = math.fsum(weights)
    middle = math.fsum(w * t for w, t in zip(weights, days, strict=True)) / total
    spread = math.fsum(w * (t - middle) ** 2 for w, t in zip(weights, days, strict=True))
    slope = math.fsum(w * (t - middle) * y for w, t, y in zip(weights, days, drifted, strict=True)) / spread
    mean = math.fsum(w * y for w, y in zip(weights, drifted, strict=True)) / total
    level = mean - slope * middle
    rest = [y - level - slope * t for t, y in zip(days, drifted, strict=True)]
    scatter = None
    if len(series) > 2:
        chi = math.fsum(w * r * r for w, r in zip(weights, rest, strict=True)) / (len(series) - 2)
        scatter = max(1.0, math.sqrt(chi))
    wide = (scatter or 1.0) ** 2
    limit = last.limit if last.limit is not None else math.inf
    return Trend(
        reference=last.reference,
        last=last.on,
        level=level,
        slope=slope,
        u_level=math.sqrt(wide * (1.0 / total + middle**2 / spread)),
        u_slope=math.sqrt(wide / spread),
        covariance=-wide * middle / spread,
        points=len(series),
        scatter=scatter,
        limit=limit,
    )


def _without_adjustments(series: Sequence[Found]) -> list[float]:
    """Errors as if today's adjustment had stood from the first: drift alone, ending at the error as left."""
    values = [series[-1].as_left]
    for earlier, later in zip(reversed(series[:-1]), reversed(series[1:]), strict=True):
        values.append(values[-1] - (later.found - earlier.as_left))
    return values[::-1]


def control_chart(
    calibrations: Sequence[Sequence[Found]], steps: Steps | None = None, k: float = 2.0
) -> Advice:
    """The interval after which |error| + U of some point would reach its limit.

    Errors: as `trends`; Refused for a coverage factor that is not above zero.
    """
    rule = steps or Steps()
    positive("k", k)
    drifts = trends(calibrations)
    last = _ordered(calibrations)[-1]
    days = [_day_reached(one, k) for one in drifts]
    first = min(range(len(drifts)), key=lambda i: (days[i], -drifts[i].reach(0.0, k) / drifts[i].limit))
    leading = next(point for point in last if point.reference == drifts[first].reference)
    if days[first] <= 0.0:
        return Advice(0, Reason.REACHED, last[0].on, leading)
    if days[first] > rule.most:
        return Advice(rule.most, Reason.NO_DRIFT, last[0].on, leading)
    return Advice(int(days[first]), Reason.DRIFT, last[0].on, leading)


def _day_reached(one: Trend, k: float) -> float:
    """The first day on which the reach is the limit; infinite when that is further than anyone looks.

    |level + slope t| + k u(t) is convex, so from below the limit it crosses it once.
    """
    if one.reach(0.0, k) >= one.limit:
        return 0.0
    if one.reach(LONGEST_LOOK, k) < one.limit:
        return math.inf
    low, high = 0.0, float(LONGEST_LOOK)
    while high - low > 1e-6:
        middle = (low + high) / 2.0
        low, high = (middle, high) if one.reach(middle, k) < one.limit else (low, middle)
    return high


@dataclass(frozen=True, slots=True)
class Compared:
    """Two values of one thing: their difference, what both share left out of its U, and En."""

    difference: float
    U: float
    en: float

    @property
    def agree(self) -> bool:
        """|En| <= 1: they agree within their uncertainties."""
        return abs(self.en) <= 1.0 + 1e-12


def en_number(x1: float, U1: float, x2: float, U2: float, *, common: float = 0.0) -> Compared:
    """En = (x1 - x2) / sqrt(U1^2 + U2^2), U expanded with one k (usually 2).

    common: the part of U that both values have from one and the same cause (such as one standard behind both
    certificates); it cancels in the difference, so its square is taken from both. Errors: Refused for values
    that are not finite, U not above zero, or a common part larger than the smaller U.
    """
    finite("x1", x1)
    finite("x2", x2)
    positive("U1", U1)
    positive("U2", U2)
    not_negative("common", common)
    if common > min(U1, U2):
        raise Refused("common", "can't be larger than the smaller of both uncertainties", common)
    square = U1**2 + U2**2 - 2.0 * common**2
    if square <= 0.0:
        raise Refused("common", "leaves no uncertainty to hold the difference against", common)
    U = math.sqrt(square)
    return Compared(x1 - x2, U, (x1 - x2) / U)
