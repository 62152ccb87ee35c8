"""The one GraphQL schema: customers to results in one query, read through the same visibility as REST.

Types stand here because relations run both ways across the apps and imports do not. Each type reads through
`visible`, so nothing reaches a client that REST would not show; there are no generated mutations.
"""

from datetime import datetime
from typing import Annotated, Any

import strawberry
import strawberry_django
from django.db.models import Prefetch, QuerySet
from strawberry import relay
from strawberry.extensions import MaxAliasesLimiter, MaxTokensLimiter, QueryDepthLimiter
from strawberry.scalars import JSON
from strawberry.schema.config import StrawberryConfig
from strawberry_django.optimizer import DjangoOptimizerExtension
from strawberry_django.relay import DjangoCursorConnection, DjangoListConnection

from jobs import models as jobs
from jobs.http.graphql import MAX_ALIASES, MAX_DEPTH, MAX_TOKENS, MOST_A_PAGE, ListCost, actor_of
from jobs.queries import visible
from jobs.tenancy.strawberry import register
from measurements import models as measurements
from measurements.methods import METHODS
from measurements.methods.described import described
from reports import models as reports

register()


class Seen(relay.Node):
    """Base of every type: its rows are what the actor may see."""

    @classmethod
    def get_queryset(cls, queryset: QuerySet[Any], info: strawberry.Info) -> QuerySet[Any]:
        return visible(queryset, actor_of(info))


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
    samples: list[list[float]]


@strawberry_django.type(jobs.Member, description="A person's place in the company.")
class Member(Seen):
    name: str
    roles: list[str]
    active: bool


@strawberry_django.type(jobs.CertificatePoint, description="One point of a calibration, SI.")
class CertificatePoint(Seen):
    quantity: str
    reference: float
    as_found: float | None
    as_left: float
    expanded_uncertainty: float
    coverage_factor: float


@strawberry_django.type(jobs.Certificate, description="A calibration as the laboratory certified it.")
class Certificate(Seen):
    number: str
    laboratory: str
    accreditation: str
    calibrated_on: strawberry.auto
    due_on: strawberry.auto
    points: DjangoListConnection[CertificatePoint] = strawberry_django.connection()


@strawberry_django.type(jobs.Instrument, description="An instrument, known by its serial number.")
class Instrument(Seen):
    serial: str
    name: str
    kind: str
    in_service: bool
    certificates: DjangoListConnection[Certificate] = strawberry_django.connection()


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
    original: Annotated["Session", strawberry.lazy("config.graphql")]
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
    test_point: Annotated["TestPoint", strawberry.lazy("config.graphql")]
    results: DjangoListConnection[Result] = strawberry_django.connection(description="Oldest first.")
    flags: DjangoListConnection[Flag] = strawberry_django.connection()
    superseded_by: DjangoListConnection[Annotated["Session", strawberry.lazy("config.graphql")]] = (
        strawberry_django.connection()
    )
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


@strawberry_django.type(jobs.TestPoint, description="A place in a system that gets a figure.")
class TestPoint(Seen):
    tag: str
    kind: str
    location: str
    shape: str
    width_m: float | None
    height_m: float | None
    diameter_m: float | None
    design_flow: float | None
    design_entered: str
    design_basis: str
    design_of: str
    design_value: float | None
    limit_low: float | None
    limit_high: float | None
    tolerance_below: float | None
    tolerance_above: float | None
    parent: Annotated["TestPoint", strawberry.lazy("config.graphql")] | None
    sessions: DjangoListConnection[Session] = strawberry_django.connection(description="Oldest first.")


@strawberry_django.type(jobs.System, description="An air or water system of a site.")
class System(Seen):
    tag: str
    name: str
    kind: str
    points: DjangoListConnection[TestPoint] = strawberry_django.connection()


@strawberry_django.type(reports.IssuedFile, description="The finished PDF of an issued report.")
class IssuedFile(Seen):
    sha256: str
    size: strawberry.auto
    pages: int
    rendered_at: datetime


@strawberry_django.type(reports.Issue, description="A report under its number.")
class Issue(Seen):
    number: str
    issued_at: datetime
    issued_by: Member
    files: DjangoListConnection[IssuedFile] = strawberry_django.connection()


@strawberry_django.type(reports.Revision, description="A job as it was approved.")
class Revision(Seen):
    revision: int
    approved_at: datetime
    approved_by: Member
    self_approved: bool
    snapshot_digest: str
    issues: DjangoListConnection[Issue] = strawberry_django.connection()


@strawberry_django.type(jobs.Job, description="Site, systems and a window of days.")
class Job(Seen):
    number: int
    title: str
    status: str
    starts_on: strawberry.auto
    ends_on: strawberry.auto
    site: Annotated["Site", strawberry.lazy("config.graphql")]
    systems: DjangoListConnection[System] = strawberry_django.connection()
    sessions: DjangoListConnection[Session] = strawberry_django.connection(description="Oldest first.")
    flags: DjangoListConnection[Flag] = strawberry_django.connection()
    revisions: DjangoListConnection[Revision] = strawberry_django.connection()


@strawberry_django.type(jobs.Site, description="A building or campus of a customer.")
class Site(Seen):
    name: str
    address: str
    elevation_m: float
    time_zone: str
    customer: Annotated["Customer", strawberry.lazy("config.graphql")]
    systems: DjangoListConnection[System] = strawberry_django.connection()
    jobs: DjangoListConnection[Job] = strawberry_django.connection()


@strawberry_django.type(jobs.Customer, description="Who orders the work.")
class Customer(Seen):
    name: str
    contact_name: str
    address: str
    sites: DjangoListConnection[Site] = strawberry_django.connection()


@strawberry.type(description="One thing that is read by a method.")
class MethodPlace:
    name: str
    words: str
    quantity: str
    units: list[str]
    use: str
    least: int
    line: str


@strawberry.type(description="One thing that is told and not read: from a plate, a table, another session.")
class MethodTold:
    name: str
    words: str
    quantity: str | None
    units: list[str]
    choices: list[str]
    needed: bool
    many: bool
    uncertain: bool


@strawberry.type(description="A way of measuring: what is read where, what is told, what comes of it.")
class MeasuringMethod:
    method: str
    words: str
    measurand: str
    unit: str
    points: list[str]
    air: bool
    plane: bool
    swept: bool
    places: list[MethodPlace]
    told: list[MethodTold]
    uses: list[str]
    cautions: list[str]


def _measuring_methods() -> list[MeasuringMethod]:
    return [
        MeasuringMethod(
            **{
                **found,
                "places": [MethodPlace(**place) for place in found["places"]],
                "told": [MethodTold(**told) for told in found["told"]],
            }
        )
        for found in map(described, METHODS.values())
    ]


@strawberry.type
class Query:
    measuring_methods: list[MeasuringMethod] = strawberry.field(
        resolver=_measuring_methods, description="What each way of measuring takes."
    )
    node: relay.Node | None = relay.node(description="Anything by its id; null when there is nothing to see.")
    customers: DjangoCursorConnection[Customer] = strawberry_django.connection()
    sites: DjangoCursorConnection[Site] = strawberry_django.connection()
    jobs: DjangoCursorConnection[Job] = strawberry_django.connection()
    instruments: DjangoCursorConnection[Instrument] = strawberry_django.connection()
    members: DjangoCursorConnection[Member] = strawberry_django.connection()
    revisions: DjangoCursorConnection[Revision] = strawberry_django.connection()


schema = strawberry.Schema(
    Query,
    config=StrawberryConfig(relay_max_results=MOST_A_PAGE),
    extensions=[
        lambda: QueryDepthLimiter(max_depth=MAX_DEPTH),
        lambda: MaxAliasesLimiter(max_alias_count=MAX_ALIASES),
        lambda: MaxTokensLimiter(max_token_count=MAX_TOKENS),
        ListCost,
        lambda: DjangoOptimizerExtension(prefetch_custom_queryset=True),
    ],
)
