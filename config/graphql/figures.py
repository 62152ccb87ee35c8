"""Figures and series of readings."""

from datetime import datetime

import strawberry


@strawberry.type(
    description="A figure never stands alone: value ± expanded uncertainty (95.45 %), with its unit."
)
class Figure:
    value: float
    expanded_uncertainty: float | None
    unit: str


def figure(value: float | None, expanded: float | None, unit: str) -> Figure | None:
    return None if value is None else Figure(value=value, expanded_uncertainty=expanded, unit=unit)


@strawberry.type(description="Readings of a session as columns of equal length; SI values and as entered.")
class ReadingColumns:
    place: list[str]
    run: list[int]
    line: list[int]
    point: list[int]
    quantity: list[str]
    value: list[float]
    entered: list[str]
    unit: list[str]
    taken_at: list[datetime]


@strawberry.type(
    description="Sweeps of a session as columns of equal length; `samples` in SI, evenly spaced."
)
class SweepColumns:
    run: list[int]
    line: list[int]
    quantity: list[str]
    started_at: list[datetime]
    duration_s: list[float]
    mean: list[float | None]
    entered: list[str]
    unit: list[str]
    samples: list[list[float]]
