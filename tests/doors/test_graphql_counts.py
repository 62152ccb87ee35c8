"""Everything that can be nested in GraphQL: as many statements for 3 rows as for 30.

The queries are written from the schema: each type is reached from the root, and all its fields are asked of
all its rows at once. A field that no row here fills fails the test, so nothing is counted that was not there.
"""

import uuid
from typing import Any

from django.utils import timezone

from jobs.models import InstrumentKind, Job, JobSystem, Quantity, Role, TestPoint, TokenKind
from jobs.tenancy.context import company
from measurements import correct, photos, recall
from measurements.corrected import UnitChange
from measurements.interval_checks import Shown, record_check
from measurements.models import (
    AnswerKind,
    Flag,
    RecallCase,
    RecallDecisionKind,
    RecallItem,
    RuleSetting,
    Session,
    SessionVoid,
    Severity,
)
from measurements.recall_decisions import decide
from measurements.rule_settings import set_number, set_severity
from reports import deferrals, deliver, review, signers
from reports import photos as chosen
from reports.models import Fetch
from tests import factories
from tests.doors import graph, test_lists, walk
from tests.factories import World
from tests.measurements import batches, pictures
from tests.reports import certificates, scene

SMALL, LARGE = 3, 20
PRESSURE = (Quantity.PRESSURE, -100.0, 100.0, 0.1)


def branch(world: World, name: str) -> tuple[Job, list[TestPoint]]:
    """A customer with a site, a system of three points, a job, an issued report, an instrument, a person."""
    site = factories.site(factories.customer(name), name)
    system = factories.system(site)
    duct = factories.outlet(system, "S-1")
    points = [duct, factories.outlet(system, "S-2", parent=duct), factories.outlet(system, "S-3")]
    job = factories.job(site, system, title=name)
    made = walk.report(world, job)
    walk.revision(world, job)
    tool = factories.instrument(InstrumentKind.MANOMETER, PRESSURE, serial=name)
    first = factories.certificate(tool, entered_by=world.owner)
    walk.certificate_file(factories.certificate(tool, supersedes=first))
    factories.assign(job, factories.make_member(world.id, Role.TECHNICIAN), tool)
    by = world.actor("supervisor")
    deferrals.defer(by, job.id, point_id=points[2].id, season="heating", reason=scene.REASON)
    sent = deliver.deliver(by, made.id, addresses=["reader@harbour.example"])
    Fetch.objects.create(issue=made, delivery=sent[0], at=timezone.now())
    factories.token(TokenKind.INTEGRATION, scopes=["read"], created_by=world.owner)
    return job, points


def checks(world: World, count: int) -> None:
    """Checks in the house of one hood against another, one superseding the other."""
    hoods = [
        factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.0, 1.0, 0.001)) for _ in range(2)
    ]
    for hood in hoods:
        factories.certificate(hood)
    for _ in range(count):
        given: dict[str, Any] = {
            "instrument_id": hoods[0].id, "other_id": hoods[1].id, "kind": "comparison", "quantity": "flow",
            "at": timezone.now(), "readings": [Shown("90", "L/s")], "other_readings": [Shown("91", "L/s")],
        }  # fmt: skip
        made = record_check(world.actor("technician"), **given)
        record_check(world.actor("technician"), **given, supersedes_id=made.id, why="Another hood was meant.")


def noted(world: World, job: Job, points: list[TestPoint], session: uuid.UUID) -> None:
    """A note with a session, corrected and shown in documents."""
    made = pictures.noted(
        world, "The tile was missing.", job=str(job.id), test_point=str(points[0].id), session=str(session)
    )
    photos.correct(
        world.actor("technician"), made.id, reason=scene.REASON, text="Two tiles were missing.",
        subject="plain", test_point=points[0].id,
    )  # fmt: skip
    chosen.choose(world.actor("supervisor"), job.id, [made.id], shown=True)


def grow(world: World, count: int) -> None:
    """So many customers more, each with points measured, flagged, answered, corrected, and a report."""
    with company(world.id):
        made = [branch(world, f"N-{uuid.uuid4().hex[:12]}") for _ in range(count)]
        checks(world, count)
    for n in range(2):
        places = [{"job": str(job.id), "test_point": str(points[n].id)} for job, points in made]
        scene.post(world, *[batches.hood(world, "S-1", "49.0", **place) for place in places])
    scene.evaluated(world)
    with company(world.id):
        for job, points in made:
            session = Session.objects.get(job=job, test_point=points[0])
            noted(world, job, points, session.id)
            mistaken(world, session)
    scene.evaluated(world)
    with company(world.id):
        flags = Flag.objects.filter(answers=None, session__superseded_by=None, session__voids=None)
        for flag in flags.filter(job__in=[job.id for job, _ in made]):
            review.answer_flag(
                world.actor("supervisor"), flag.id, kind=AnswerKind.ACCEPT, reason=scene.REASON
            )


def mistaken(world: World, session: Session) -> None:
    """Corrects the unit of a session; the original gets a void note as well."""
    by, now = world.actor("supervisor"), timezone.now()
    units = [UnitChange("flow", "m3/h")]
    correct.correct(by, session.id, seen_digest=session.content_digest, reason=scene.REASON, units=units)
    SessionVoid.objects.create(session=session, member=world.supervisor, at=now, reason=scene.REASON)


def decided(world: World) -> None:
    """Every session in doubt computed anew and decided on, after two more of a flag's system."""
    with company(world.id):
        for case in RecallCase.objects.all():
            recall.keep(case, recall.computed(case, recall.missing(case)))
            items = list(RecallItem.objects.filter(case=case, decisions=None).values_list("id", flat=True))
            if items:
                by, kind = world.actor("supervisor"), RecallDecisionKind.NO_EFFECT
                decide(by, case.id, items, kind=kind, reason=scene.REASON)


def ruled(world: World, count: int) -> None:
    """A number and a severity of rules set so often."""
    by = world.actor("supervisor")
    for _ in range(count):
        value = 0.03 + 0.001 * RuleSetting.objects.count()
        set_number(by, "runs_disagree", "spread", value=value, why=scene.REASON)
    if not RuleSetting.objects.filter(name="severity").exists():
        set_severity(by, "near_resolution", severity=Severity.STOP, why=scene.REASON)


def of_systems(world: World, count: int) -> None:
    """Systems of the job, and flags of its first one and of a point of it; those sent back."""
    for _ in range(count):
        more = factories.system(world.site, f"N-{uuid.uuid4().hex[:8]}")
        factories.outlet(more, "S-1")
        JobSystem.objects.create(job=world.job, system=more)
        of_point = {"test_point": world.points["S-1"]}
        for place in ({}, of_point):
            flag = Flag.objects.create(
                job=world.job, system=world.system, rule="system_sum", severity=Severity.STOP, seen="x",
                expected="y", advice="z", basis_digest=uuid.uuid4().hex, raised_at=timezone.now(), **place,
            )  # fmt: skip
            by = world.actor("supervisor")
            review.answer_flag(by, flag.id, kind=AnswerKind.REMEASURE, reason=scene.REASON)


def signing(world: World) -> None:
    file = certificates.pkcs12_of(certificates.identity())
    with company(world.id):
        signers.enter(world.actor("owner"), file=file, password=certificates.PASSWORD)


def everything(world: World, count: int) -> None:
    """Every list of REST longer by so many, and what hangs on their items too."""
    grow(world, count)
    for make in test_lists.GROW.values():
        make(world, count)
    for makers in test_lists.NESTED.values():
        for make in makers:
            make(world, count)
    with company(world.id):
        sessions = Session.objects.filter(
            job=world.job, superseded_by=None, voids=None, method="hood_reading"
        )
        for session in list(sessions.order_by("-id")[:2]):
            mistaken(world, session)
        ruled(world, count)
    decided(world)
    test_lists.logged(world, count)
    # What the new rules made due, else each look at a review makes it due again; and recalls, searched and
    # computed: cases at work are few, and looked at one by one. Before the flags of systems, which work ends.
    scene.evaluated(world)
    with company(world.id):
        of_systems(world, count)
    waits = batches.hood(world, "S-2", "49.0")  # and one that waits for its evaluation
    scene.post(world, waits)
    with company(world.id):  # with a note, so that the newest page of sessions has one at both sizes
        noted(world, world.job, [world.points["S-2"]], uuid.UUID(waits["id"]))


EMPTY = {"pageInfo": {"hasNextPage": False}, "edges": []}
NEVER_FILLED = {
    "Finding.signed", "Removal.export", "Review.elsewhere", "Review.pending", "StoredQuery.key",
}  # fmt: skip
"""What no company here has: the digest of a signed file, sessions elsewhere, an evaluation that waits, a
query stored by a key (tests/doors/test_stored_queries.py has one)."""
FIFTY_AT_A_TIME = {"RecallDocument"}
"""Frozen documents are read in parts, so that their lists of readings are not all held at once."""
OF_ONE = {
    "Calendar", "Candidates", "Company", "Finding", "JobResults", "JobState", "Me", "MeasuringMethod",
    "MethodPlace", "MethodTold", "Plan", "Readiness", "ReadinessCheck", "Review", "Rule", "RuleParameter",
    "Signed", "Signing", "SigningCertificate",
    "Named", "Removal", "SignInPlace",
}  # fmt: skip
"""Types of which a company, a document or the service has one or a fixed number; and tablets' names."""


def answers(client: Any, values: dict[str, Any]) -> dict[str, tuple[list[dict[str, Any]], int]]:
    """By type: its objects with all their fields, and in how many statements they came."""
    found = {}
    for name in graph.object_types():
        way, kind = graph.reachable()[name], graph.CORE.type_map[name]
        data, count = graph.counted(client, way.query(graph.whole(kind)), values)
        found[name] = (list(graph.things(data, way.names)), count)
    return found


def filled(rows: list[dict[str, Any]], name: str) -> bool:
    """Whether a field has a value in any of these."""
    return any(row[name] not in (None, [], EMPTY) for row in rows)


def test_every_type_is_reached_and_takes_the_same_statements_at_both_sizes(company_a: World) -> None:
    client = graph.everybody(company_a)
    graph.values_of(company_a)  # opens a recall of the hood
    everything(company_a, SMALL)
    signing(company_a)
    values = graph.values_of(company_a)
    answers(client, values)  # whatever is fetched once a process, or made due again by a look
    small = answers(client, values)
    everything(company_a, LARGE - SMALL)
    answers(client, values)
    large = answers(client, values)
    assert len(small) > 70
    most = graph.FIRST
    still = {name for name in small if len(small[name][0]) == len(large[name][0]) < most} - OF_ONE
    assert not still, f"no more rows of these were made here: {still}"
    grown = {name: (small[name][1], large[name][1]) for name in small if small[name][1] != large[name][1]}
    assert set(grown) <= FIFTY_AT_A_TIME, grown
    assert all(many - few <= 1 for few, many in grown.values()), grown
    unfilled = {
        f"{name}.{field}"
        for name, (rows, _) in large.items()
        for field, told in graph.CORE.type_map[name].fields.items()  # type: ignore[union-attr]
        if graph.is_object(told) and not filled(rows, field)
    }
    assert unfilled - NEVER_FILLED == set()
