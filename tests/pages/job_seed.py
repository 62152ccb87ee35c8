"""Makes a job in the middle of field work: points done, flagged, sent back, not evaluated, to do."""

from typing import Any


def make() -> dict[str, Any]:
    """Ids, e-mails and tokens as text."""
    from django.utils import timezone

    from jobs.models import PointKind
    from jobs.tenancy.context import company
    from measurements.models import AnswerKind, Flag, FlagAnswer
    from tests import factories
    from tests.measurements import batches
    from tests.pages.recall_seed import NAME, settle
    from tests.reports import scene

    world = factories.make_world(NAME)
    with company(world.id):
        exhaust = factories.system(world.site, "EF-2", name="Kitchen exhaust")
        world.job.job_systems.create(system=exhaust)
        for n in range(1, 7):
            world.points[f"E-{n}"] = factories.outlet(exhaust, f"E-{n}", position=n, location=f"Hood {n}")
        factories.outlet(exhaust, "EF-2", kind=PointKind.FAN, design_flow=None, location="Roof")
    sessions = scene.measure(world, s1="60.0", s2="90.4", s3="75.0")
    settle(world)
    scene.post(
        world, batches.hood(world, "E-1", "89.7"), batches.hood(world, "E-2", "96.5"),
        batches.hood(world, "E-3", "91.0", adjustment={"setting": "2 of 5", "done": "opened by one"}),
    )  # fmt: skip
    settle(world)
    with company(world.id):
        FlagAnswer.objects.create(
            flag=Flag.objects.get(session=sessions["S-3"], rule="out_of_tolerance"),
            kind=AnswerKind.REMEASURE, reason="The damper above the ceiling was shut; open it first.",
            member=world.supervisor, answered_at=timezone.now(),
        )  # fmt: skip
    return {
        "company": str(world.id),
        "job": str(world.job.id),
        "tablet": world.technician_token,
        "key": world.key_text,
        "points": {tag: str(point.id) for tag, point in world.points.items()},
        "instruments": {use: str(tool.id) for use, tool in world.instruments.items()},
        "sessions": {tag: str(one) for tag, one in sessions.items()},
        "supervisor": world.users["supervisor"].email,
        "technician": world.users["technician"].email,
        "dispatcher": world.users["dispatcher"].email,
    }
