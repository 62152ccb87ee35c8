"""A measured job to review: sessions posted like a tablet posts them, evaluated like a worker evaluates."""

from typing import Any
from uuid import UUID

from jobs import due, events
from jobs.access import Actor
from jobs.models import (
    Certificate,
    CertificatePoint,
    Event,
    Instrument,
    InstrumentKind,
    Job,
    JobStatus,
    Quantity,
    TestPoint,
)
from jobs.tenancy.context import company
from measurements.evaluate import refresh
from measurements.models import AnswerKind
from reports import review, reviewset
from reports.models import Issue, Revision
from reports.reviewset import ReviewSet
from tests import factories
from tests.factories import World
from tests.measurements import batches

REASON = "Looked at on site; it stays as it is."


def fine_tools(world: World) -> None:
    """Puts a manometer and a hood in the world's hands that are certified closely round its values."""
    manometer = factories.instrument(InstrumentKind.MANOMETER, (Quantity.PRESSURE, -50.0, 250.0, 0.1))
    hood = factories.instrument(
        InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 0.6, 0.0001), probe_factor=1.0
    )
    Instrument.objects.filter(id=hood.id).update(probe_factor_u=0.004)
    _points(factories.certificate(hood), Quantity.FLOW, (0.02, 0.05, 0.15, 0.4), 0.0006)
    _points(factories.certificate(manometer), Quantity.PRESSURE, (2.0, 40.0, 90.0), 0.1)
    factories.assign(world.job, None, manometer, hood)
    world.instruments.update(pressure=manometer, hood=hood)


def _points(on: Certificate, quantity: Quantity, references: tuple[float, ...], spread: float) -> None:
    """More points on a certificate, between those it has, that read true."""
    CertificatePoint.objects.bulk_create(
        CertificatePoint(
            certificate=on,
            quantity=quantity,
            reference=value,
            as_found=value,
            as_left=value,
            expanded_uncertainty=spread,
        )
        for value in references
    )


def round_traverse(world: World, flow: float = 0.27, **changes: Any) -> dict[str, Any]:
    """The round branch, 2 x 10 points log-linear, two runs."""
    values = batches.pressures(flow, area=0.0490874, count=20)
    rows = batches.readings(values, points=10) + batches.readings(
        [v * 0.998 for v in values], points=10, run=2
    )
    return batches.traverse(world, "BD-1", plane=batches.round_plane(), readings=rows, **changes)


def measure(world: World, **flows: str) -> dict[str, UUID]:
    """Every point measured near its design; ids of sessions by tag. Outlets take a flow by name, L/s."""
    with company(world.id):
        fine_tools(world)
        TestPoint.objects.filter(tag="MD-1").update(design_flow=0.27, design_entered="270 L/s")
    sessions = {
        "MD-1": batches.traverse(world, flow=0.268, tag="MD-1"),
        "BD-1": round_traverse(world),
        "S-1": batches.hood(world, "S-1", flows.get("s1", "89.6")),
        "S-2": batches.hood(world, "S-2", flows.get("s2", "90.4")),
        "S-3": batches.hood(world, "S-3", flows.get("s3", "90.1")),
    }
    post(world, *sessions.values())
    return {tag: UUID(one["id"]) for tag, one in sessions.items()}


def measure_some(world: World, **flows: str) -> None:
    """Some outlets, by name and L/s, measured and evaluated; the rest of the job is still to do."""
    with company(world.id):
        fine_tools(world)
    post(world, *(batches.hood(world, f"S-{name[1:]}", flow) for name, flow in flows.items()))
    evaluated(world)


def actor(world: World, role: str) -> Actor:
    """The person in that role; their company is opened for the moment."""
    with company(world.id):
        return world.actor(role)


def post(world: World, *sessions: dict[str, Any], actor: Any = None) -> None:
    outcomes = batches.post(world, *sessions, actor=actor)
    assert [one.outcome for one in outcomes] == ["stored"] * len(sessions), outcomes


def evaluated(world: World) -> None:
    """Does what the worker would do: every evaluation that is due, in as many turns as it takes."""
    while due.work(world.id):
        pass


def settled(world: World) -> None:
    """What is due, then what other sessions made out of date, as handing over does."""
    evaluated(world)
    with company(world.id):
        refresh(world.job.id)
    evaluated(world)


def whole(world: World) -> None:
    """As if the certificates of the factories had been entered by the action; then all events numbered."""
    with company(world.id):
        told = Event.objects.filter(verb="certificate.entered").values_list("subject_id", flat=True)
        for row in Certificate.objects.exclude(id__in=list(told)):
            announce(world, row)
        while events.sequence():
            pass


def announce(world: World, row: Certificate) -> None:
    """The event of a certificate as its rows stand now."""
    parts = [*row.points.all(), *row.files.all()]
    data = {"row": events.row_digest(row, *parts)}
    by = world.actor("owner")
    events.record(by, "certificate.entered", "certificate", row.id, data=data, content_digest=row.digest)


def rendered(world: World) -> None:
    """Does what the render worker would do."""
    due.work(world.id, "render")


def submit(world: World) -> None:
    with company(world.id):
        Job.objects.filter(id=world.job.id).update(status=JobStatus.SUBMITTED)


def measured(world: World, **flows: str) -> dict[str, UUID]:
    """Measured, evaluated and submitted."""
    found = measure(world, **flows)
    evaluated(world)
    submit(world)
    return found


def seen(world: World) -> ReviewSet:
    with company(world.id):
        return review.review_set(actor(world, "supervisor"), world.job.id)


def accept_all(world: World) -> ReviewSet:
    """Accepts every flag that an approval would wait for; the set after that."""
    with company(world.id):
        for state in reviewset.load(
            Job.objects.select_related("site__customer").get(id=world.job.id)
        ).blocking:
            review.answer_flag(
                actor(world, "supervisor"), state.flag.id, kind=AnswerKind.ACCEPT, reason=REASON
            )
    return seen(world)


def approved(world: World) -> Revision:
    """The job as it stands, approved by the supervisor."""
    found = accept_all(world)
    with company(world.id):
        return review.approve(actor(world, "supervisor"), world.job.id, seen_digest=found.digest)


def issued(world: World) -> Issue:
    """Approved, issued and rendered."""
    from reports import issue

    revision = approved(world)
    with company(world.id):
        made = issue.issue(actor(world, "supervisor"), revision.id)
    rendered(world)
    return made
