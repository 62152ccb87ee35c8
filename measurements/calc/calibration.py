"""Whether an instrument showed right, point by point of a certificate.

An error is held against the maker's limits of error at what the instrument showed. Simple acceptance: it is
outside when its magnitude is above the limit, equal is inside; where the certificate's U would reach over the
limit, that is remarked, not decided (JCGM 106:2012 8.2; ILAC-G8:09/2019 4.2.1, both from memory). Common
practice, no source: an instrument without a stated accuracy is not judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .instrument import Accuracy

SLACK = 1e-9
"""Relative; what a difference of two decimal figures may be off by in binary."""


@dataclass(frozen=True, slots=True)
class RangeLimits:
    """A range of an instrument with the largest error that its maker promises there; SI."""

    low: float
    high: float
    accuracy: Accuracy


@dataclass(frozen=True, slots=True)
class JudgedPoint:
    """A point of a certificate: what was true, what was shown, and the largest error allowed; SI.

    limit None: no promise to hold it against.
    """

    reference: float
    shown: float
    U: float
    limit: float | None

    @property
    def error(self) -> float:
        """What the instrument showed too much."""
        return self.shown - self.reference

    @property
    def outside(self) -> bool:
        """Whether the error is larger than allowed."""
        return self.limit is not None and abs(self.error) > self.limit + self._slack

    @property
    def only_by_u(self) -> bool:
        """Whether it lies inside, but U reaches over the limit."""
        reach = abs(self.error) + self.U
        return self.limit is not None and not self.outside and reach > self.limit + self._slack

    @property
    def excess(self) -> float:
        """The error as a share of the limit; nought without a limit."""
        return abs(self.error) / self.limit if self.limit else 0.0

    @property
    def _slack(self) -> float:
        return SLACK * max(abs(self.reference), abs(self.shown))


def limit_at(ranges: Sequence[RangeLimits], shown: float) -> float | None:
    """The largest error allowed at a reading: of the smallest range that holds it, else of the largest."""
    ordered = sorted(ranges, key=lambda one: (one.high, one.low))
    holding = [one for one in ordered if one.low <= shown <= one.high]
    chosen = (holding or ordered[-1:])[:1]
    limit = chosen[0].accuracy.limit(shown) if chosen else 0.0
    return limit if limit > 0.0 else None


def judge_points(
    points: Sequence[tuple[float, float, float]], ranges: Sequence[RangeLimits]
) -> tuple[JudgedPoint, ...]:
    """Points (reference, shown, U) by reference, each against its range's limit."""
    return tuple(
        JudgedPoint(reference, shown, U, limit_at(ranges, shown)) for reference, shown, U in sorted(points)
    )
