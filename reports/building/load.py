"""What a model of a site shows: its systems, their test points, the design and the last approved figure.

A test point is a piece of equipment (a fan, an outlet, a valve) or a room; what is designed and what was
measured there are points of it. Of measured figures only those of the newest approved revision of a job are
told, with expanded uncertainty (k as the report has it, 95.45 %); a later job goes before an earlier one.
"""

import csv
import io
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from jobs.access import Actor
from jobs.errors import NotFound
from jobs.models import DensityBasis, Measurand, Site, System, TestPoint
from jobs.queries import visible_points, visible_sites, visible_systems
from measurements.models import Outcome, Result, Session
from reports.models import DocumentKind, Issue, Revision
from reports.queries import visible_revisions

MOST_POINTS = 20_000


@dataclass(frozen=True)
class Figure:
    """A figure of a test point, SI. A flow is at actual density unless `standard`.

    `at` and what follows are of a measured one: when, in which revision it was approved, report's number.
    """

    measurand: Measurand
    value: float
    standard: bool = False
    expanded: float | None = None
    at: datetime | None = None
    revision: UUID | None = None
    report: str = ""

    @property
    def unit(self) -> str:
        return self.measurand.unit


@dataclass(frozen=True)
class Place:
    """A test point with its figures."""

    point: TestPoint
    design: tuple[Figure, ...]
    measured: tuple[Figure, ...]


@dataclass(frozen=True)
class Group:
    """A system with its places, parents before children."""

    system: System
    places: tuple[Place, ...]

    @property
    def unit(self) -> TestPoint | None:
        """The air handling unit, if the system has exactly one."""
        units = [one.point for one in self.places if one.point.kind == "unit"]
        return units[0] if len(units) == 1 else None


@dataclass(frozen=True)
class Model:
    site: Site
    groups: tuple[Group, ...]


def load(actor: Actor, site_id: UUID) -> Model:
    """The model of a site, in a constant number of statements. Raises NotFound."""
    site = visible_sites(actor).filter(id=site_id).first()
    if site is None:
        raise NotFound()
    systems = list(visible_systems(actor).filter(site=site).order_by("tag", "id"))
    points = visible_points(actor).filter(system__site=site).order_by("position", "tag", "id")
    found = list(points[:MOST_POINTS])
    measured = approved(actor, site_id)
    groups = []
    for system in systems:
        own = _parents_first([one for one in found if one.system_id == system.id])
        places = (Place(one, tuple(_designs(one)), tuple(measured.get(one.id, ()))) for one in own)
        groups.append(Group(system, tuple(places)))
    return Model(site, tuple(groups))


def _parents_first(points: Sequence[TestPoint]) -> list[TestPoint]:
    known: dict[UUID | None, TestPoint] = {one.id: one for one in points}
    found: dict[UUID | None, TestPoint] = {}

    def add(one: TestPoint) -> None:
        chain = [one]
        while (above := chain[-1].parent_id) in known and above not in found and known[above] not in chain:
            chain.append(known[above])
        for each in reversed(chain):
            found.setdefault(each.id, each)

    for one in points:
        add(one)
    return list(found.values())


def _designs(point: TestPoint) -> Iterable[Figure]:
    if point.design_flow is not None:
        standard = point.design_basis == DensityBasis.STANDARD
        yield Figure(Measurand.FLOW, point.design_flow, standard)
    if point.design_of and point.design_value is not None and point.design_of != Measurand.FLOW:
        yield Figure(Measurand(point.design_of), point.design_value)


def approved(actor: Actor, site_id: UUID) -> dict[UUID, list[Figure]]:
    """Measured figures by test point: of each measurand the one that was approved last."""
    found: dict[tuple[UUID, str], Figure] = {}
    for revision in _revisions(actor, site_id):
        numbers = Issue.objects.filter(revision=revision.id).values_list("number", flat=True)
        number = numbers.first() or ""
        for result in _results(revision):
            about = (result.session.test_point_id, result.measurand)
            if about not in found:
                found[about] = _figure(result, revision, number)
    by_point: dict[UUID, list[Figure]] = {}
    for (point, _), figure in found.items():
        by_point.setdefault(point, []).append(figure)
    return by_point


def _revisions(actor: Actor, site_id: UUID) -> list[Revision]:
    """The newest approved revision of each job at the site, the newest first."""
    rows = visible_revisions(actor).filter(job__site=site_id, kind=DocumentKind.REPORT)
    newest = rows.order_by("job_id", "-revision").distinct("job_id")
    return sorted(newest, key=lambda row: row.approved_at, reverse=True)


def _results(revision: Revision) -> list[Result]:
    """What each session of a revision had come to when it was approved."""
    packed = Revision.objects.values_list("readings_csv", flat=True).get(id=revision.id)
    rows = csv.DictReader(io.StringIO(zlib.decompress(packed).decode("utf-8-sig"), newline=""))
    sessions = {row["session"] for row in rows if row["status"].startswith("counts")}
    known = Session.objects.filter(id__in=sessions, job=revision.job_id)
    results = Result.objects.filter(
        session__in=known, computed_at__lte=revision.approved_at, outcome=Outcome.COMPUTED
    )
    results = results.exclude(value=None).select_related("session").defer("inputs", "detail")
    newest = results.order_by("session_id", "-computed_at", "-id").distinct("session_id")
    return sorted(newest, key=lambda row: row.session.started_at, reverse=True)


def _figure(result: Result, revision: Revision, number: str) -> Figure:
    value, expanded = result.value, result.value_expanded
    if result.measurand == Measurand.FLOW and result.flow is not None:
        value, expanded = result.flow, result.flow_expanded
    assert value is not None  # left out by the query
    return Figure(
        Measurand(result.measurand),
        float(value),
        expanded=expanded,
        at=result.session.started_at,
        revision=revision.id,
        report=number,
    )
