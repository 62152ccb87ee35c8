"""Makes a job full of flags, handed over for review."""

from typing import Any


def make() -> dict[str, Any]:
    """Ids and e-mails as text."""
    from jobs.models import JobStatus
    from jobs.tenancy.context import company
    from measurements.evaluate import refresh
    from tests import factories
    from tests.measurements import batches
    from tests.pages.recall_seed import NAME, settle
    from tests.reports import scene

    world = factories.make_world(NAME)
    with company(world.id):
        before = factories.job(world.site, world.system, status=JobStatus.OPEN)
        factories.assign(before, world.technician, *world.instruments.values())
    sessions = scene.measure(world, s1="60.0", s2="95.0", s3="70.0")
    rows = batches.readings(batches.pressures(0.268)) + batches.readings(batches.pressures(0.30), run=2)
    shifted = batches.traverse(world, flow=0.268, tag="MD-1", readings=rows)
    for check, value in zip(shifted["zero_checks"], ("0.0", "9.0"), strict=False):
        check["value"] = value
    poor = batches.rectangular_plane(upstream=batches.amount("0.5", "m"))
    again = {"session": str(sessions["S-3"]), "reason": "The damper was opened further."}
    scene.post(
        world,
        shifted,
        batches.traverse(world, flow=0.27, tag="MD-1", plane=poor),
        batches.hood(world, "S-3", "72.0", supersedes=again),
    )
    settle(world)
    with company(world.id):
        refresh(world.job.id)  # as handing over does; else flags are seen anew while they are answered
    settle(world)
    scene.submit(world)
    return {
        "company": str(world.id),
        "job": str(world.job.id),
        "number": str(world.job.number),
        "supervisor": world.users["supervisor"].email,
        "technician": world.users["technician"].email,
    }
