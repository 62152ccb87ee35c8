"""Sessions with their readings, results, corrections and flags."""

from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import strawberry
import strawberry_django
from django.db.models import Prefetch
from strawberry.scalars import JSON
from strawberry_django.relay import DjangoListConnection

from config.graphql.base import Figure, Seen, figure
from config.graphql.people import Member
from jobs import models as jobs
from measurements import models as measurements

if TYPE_CHECKING:
    from config.graphql.sites import TestPoint


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
    samples: list[list[float]]


@strawberry_django.type(measurements.FlagAnswer, description="What was decided on a flag.")
class FlagAnswer(Seen):
    kind: str
    reason: str
    answered_at: datetime
    member: Member | None


@strawberry_django.type(measurements.Flag, description="What a rule saw, what it expected, and what to do.")
class Flag(Seen):
    rule: str
    severity: str
    seen: str
    expected: str
    advice: str
    source: str
    raised_at: datetime
    answers: DjangoListConnection[FlagAnswer] = strawberry_django.connection()


@strawberry_django.type(measurements.Result, description="The computation of one session. Never changed.")
class Result(Seen):
    measurand: str

    @strawberry_django.field(
        only=["measurand", "value", "value_expanded"], description="Of the measurand, on the design's basis."
    )
    def value(self, root: measurements.Result) -> Figure | None:
        unit = jobs.Measurand(root.measurand).unit if root.measurand else ""
        return figure(root.value, root.value_expanded, unit)

    design_value: float | None
    limit_low: float | None
    limit_high: float | None

    @strawberry_django.field(only=["flow", "flow_expanded"], description="At the air density of the plane.")
    def flow(self, root: measurements.Result) -> Figure | None:
        return figure(root.flow, root.flow_expanded, "m3/s")

    @strawberry_django.field(
        only=["standard_flow", "standard_flow_expanded"], description="At standard density."
    )
    def standard_flow(self, root: measurements.Result) -> Figure | None:
        return figure(root.standard_flow, root.standard_flow_expanded, "m3/s")

    @strawberry_django.field(only=["share_of_design", "share_expanded"])
    def share_of_design(self, root: measurements.Result) -> Figure | None:
        return figure(root.share_of_design, root.share_expanded, "1")

    verdict: str
    probability: float | None
    accepted: bool | None
    outcome: str
    refusal: str
    coverage_factor: float | None
    effective_dof: float | None
    density: float | None
    mean_velocity: float | None
    design_flow: float | None
    tolerance_below: float | None
    tolerance_above: float | None
    calculation_version: str
    inputs_digest: str
    computed_at: datetime
    detail: JSON


@strawberry_django.type(
    measurements.Correction,
    description="A clerical mistake put right: by whom, when, and what, as places in the session as posted.",
)
class Correction(Seen):
    at: datetime
    member: Member
    original: Annotated["Session", strawberry.lazy("config.graphql.measurements")]
    changes: JSON
    summary: JSON


@strawberry_django.type(
    measurements.SessionVoid, description="Why a session counts nowhere; the first voids."
)
class SessionVoid(Seen):
    at: datetime
    member: Member
    reason: str


@strawberry_django.type(measurements.Session, description="One measurement of one test point.")
class Session(Seen):
    method: str
    started_at: datetime
    finished_at: datetime
    received_at: datetime
    note: str
    reason: str
    content: JSON
    content_digest: str
    member: Member
    test_point: Annotated["TestPoint", strawberry.lazy("config.graphql.sites")]
    results: DjangoListConnection[Result] = strawberry_django.connection(description="Oldest first.")
    flags: DjangoListConnection[Flag] = strawberry_django.connection()
    superseded_by: DjangoListConnection[
        Annotated["Session", strawberry.lazy("config.graphql.measurements")]
    ] = strawberry_django.connection()
    corrections: DjangoListConnection[Correction] = strawberry_django.connection(
        description="The correction that this session is, if it is one."
    )
    voids: DjangoListConnection[SessionVoid] = strawberry_django.connection(
        description="Notes that made it void; none: it is not."
    )

    @strawberry_django.field(
        prefetch_related=[
            lambda info: Prefetch(
                "readings",
                queryset=measurements.Reading.objects.order_by("run", "line", "point", "id"),
                to_attr="reading_rows",
            )
        ]
    )
    def readings(self, root: measurements.Session) -> ReadingColumns:
        rows = root.reading_rows  # type: ignore[attr-defined]
        names = ReadingColumns.__annotations__
        return ReadingColumns(**{name: [getattr(row, name) for row in rows] for name in names})

    @strawberry_django.field(
        prefetch_related=[
            lambda info: Prefetch(
                "sweeps",
                queryset=measurements.Sweep.objects.order_by("run", "line", "id"),
                to_attr="sweep_rows",
            )
        ]
    )
    def sweeps(self, root: measurements.Session) -> SweepColumns:
        rows = root.sweep_rows  # type: ignore[attr-defined]
        names = SweepColumns.__annotations__
        return SweepColumns(**{name: [getattr(row, name) for row in rows] for name in names})
