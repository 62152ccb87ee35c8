"""The companies that others are copied from, made through the service's own actions.

A system has a main of 50 readings, two round branches of 40 and ten outlets of 2: 13 sessions, 150 readings.
A job has two systems. Jobs are posted as a tablet posts, evaluated as a worker evaluates; of every five one
is open, one half measured, one submitted, one approved and one issued.
"""

from dataclasses import dataclass, replace
from typing import Any

from jobs.models import Job, JobStatus
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

SYSTEMS, OUTLETS = 2, 10
READINGS_A_JOB = SYSTEMS * (50 + 2 * 40 + OUTLETS * 2)


@dataclass(frozen=True)
class Size:
    """A kind of company: its share of all, and its jobs in the usual run."""

    name: str
    share: float
    jobs: int


SIZES = (Size("small", 0.50, 4), Size("middle", 0.34, 11), Size("large", 0.16, 36))
USUAL = sum(size.share * size.jobs for size in SIZES) * READINGS_A_JOB
"""Readings a company in the mean, were all jobs measured whole; nine in ten of them are there."""


def make(size: Size, jobs: int) -> list[World]:
    """A company of some size, as often as it has jobs, each time with that job and one system's points."""
    world = factories.make_world(f"{size.name.title()} Air")
    with company(world.id):
        scene.fine_tools(world)
    found = [add_job(world, number) for number in range(jobs)]
    scene.whole(world)
    return found


def add_job(world: World, number: int) -> World:
    """One more job of the company, in the state that its number says."""
    with company(world.id):
        site = factories.site(world.customer, f"Building {number + 1}")
        systems = [factories.system(site, f"AHU-{n + 1}") for n in range(SYSTEMS)]
        job = factories.job(site, *systems, title=f"Balance of building {number + 1}")
        factories.assign(job, world.technician, *world.instruments.values())
        points = [_points(system) for system in systems]
    sent = [one for of in points for one in _sessions(replace(world, job=job, points=of))]
    state = number % 5
    if state == 1:
        sent = sent[: len(sent) // 2]
    for start in range(0, len(sent), 10):
        batches.post(world, *sent[start : start + 10])
    scene.settled(replace(world, job=job))
    _move_on(replace(world, job=job), state)
    return replace(world, job=job, points=points[0])


def _move_on(world: World, state: int) -> None:
    if state == 2:
        scene.submit(world)
    elif state == 3:
        scene.submit(world)
        scene.approved(world)
    elif state == 4:
        scene.submit(world)
        scene.issued(world)


def _points(system: Any) -> dict[str, Any]:
    main = factories.plane(system, position=1)
    branches = [factories.round_plane(system, f"BD-{n}", parent=main, position=1 + n) for n in (1, 2)]
    outlets = [
        factories.outlet(
            system, f"S-{n + 1}", parent=branches[n % 2], position=4 + n, location=f"Room {n + 1}"
        )
        for n in range(OUTLETS)
    ]
    return {point.tag: point for point in [main, *branches, *outlets]}


def _sessions(world: World) -> list[dict[str, Any]]:
    round_readings = [
        row
        for run in (1, 2)
        for row in batches.readings(
            batches.pressures(0.45 * (1.0 + 0.002 * run), area=0.0490874, count=20), points=10, run=run
        )
    ]
    branches = [
        batches.traverse(world, tag, plane=batches.round_plane(), readings=round_readings)
        for tag in ("BD-1", "BD-2")
    ]
    outlets = [batches.hood(world, f"S-{n + 1}", f"{86 + n % 9}.{n % 10}") for n in range(OUTLETS)]
    return [batches.traverse(world), *branches, *outlets]


def count_states(world: World) -> dict[str, int]:
    """Jobs by state."""
    with company(world.id):
        return {status: Job.objects.filter(status=status).count() for status in JobStatus.values}
