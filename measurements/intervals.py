"""What an instrument's certificates tell of its next calibration: advice, each way with its reason."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db.models import Count, Max, Q

from jobs.models import Certificate, Instrument, InstrumentRange, Quantity
from measurements import calc
from measurements.calc.calibration import limit_at
from measurements.calc.interval import Advice, Found, Trend, control_chart, staircase, trends
from measurements.inputs import accuracy_of
from measurements.models import Session
from measurements.standin import uses_of

LEAST_FOR_CHART = 3
"""Calibrations from which a drift is more than a line through two points (common practice, no source)."""


@dataclass(frozen=True)
class Advised:
    """One quantity of an instrument: its calibrations, oldest first, and what either way advises of the next.

    None where a way refuses; `refusals` say why.
    """

    quantity: Quantity
    calibrations: tuple[tuple[Found, ...], ...]
    drifts: tuple[Trend, ...] = ()
    staircase: Advice | None = None
    chart: Advice | None = None
    refusals: tuple[str, ...] = field(default_factory=tuple)

    @property
    def suggested(self) -> Advice | None:
        """The earlier of both."""
        given = [one for one in (self.staircase, self.chart) if one is not None]
        return min(given, key=lambda one: one.days) if given else None

    @property
    def leading(self) -> Trend | None:
        """The drift of the point that leads the advice, else of the first."""
        advice = self.chart or self.suggested
        if advice is None:
            return None
        same = (one for one in self.drifts if one.reference == advice.leading.reference)
        return next(same, self.drifts[0] if self.drifts else None)


def advised(tool: Instrument, certificates: Iterable[Certificate]) -> list[Advised]:
    """Advice for each quantity that was ever calibrated. `certificates`: those that nothing superseded, with
    their points; of several of one day the one entered last counts."""
    ordered = sorted(certificates, key=lambda one: (one.calibrated_on, one.id))
    ranges = list(tool.ranges.all())
    found = []
    for quantity in sorted({point.quantity for one in ordered for point in one.points.all()}):
        by_day = {one.calibrated_on: points for one in ordered if (points := _points(one, quantity, ranges))}
        if by_day:
            found.append(_advised(Quantity(quantity), tuple(by_day.values())))
    return found


def _points(one: Certificate, quantity: str, ranges: Sequence[InstrumentRange]) -> tuple[Found, ...]:
    limits = [
        calc.RangeLimits(row.minimum, row.maximum, accuracy_of(row))
        for row in ranges
        if row.quantity == quantity
    ]
    return tuple(
        Found(
            on=one.calibrated_on,
            reference=point.reference,
            as_left=point.as_left - point.reference,
            as_found=None if point.as_found is None else point.as_found - point.reference,
            U=point.expanded_uncertainty,
            k=point.coverage_factor,
            limit=limit_at(limits, point.as_left) if limits else None,
        )
        for point in sorted(one.points.all(), key=lambda point: point.reference)
        if point.quantity == quantity
    )


def _advised(quantity: Quantity, calibrations: tuple[tuple[Found, ...], ...]) -> Advised:
    refusals: list[str] = []
    step = chart = None
    drifts: tuple[Trend, ...] = ()
    try:
        step = staircase(calibrations)
    except calc.Refused as refused:
        refusals.append(refused.reason)
    try:
        drifts = trends(calibrations)
        chart = control_chart(calibrations)
    except calc.Refused as refused:
        refusals.append(refused.reason)
    return Advised(quantity, calibrations, drifts, step, chart, tuple(dict.fromkeys(refusals)))


def sessions_with(tool_id: UUID) -> dict[str, Any]:
    """How many sessions named the instrument, replaced ones too, and when the last of them began."""
    named = Q()
    for use in sorted({use for quantity in Quantity for use in uses_of(quantity)}):
        named |= Q(**{f"content__instruments__{use}": str(tool_id)})
    return Session.objects.filter(named).aggregate(count=Count("id"), last=Max("started_at"))
