"""Makes a company with issued reports and, later, a certificate that found its manometer outside."""

import time
from typing import Any

NAME = "Northgate Air Balance"
PROMISE = {"accuracy_of_reading": 0.005, "accuracy_absolute": 0.1}


def make() -> dict[str, Any]:
    """Ids, addresses and e-mails as text."""
    from jobs.models import InstrumentRange
    from jobs.tenancy.context import company
    from reports import issue
    from tests import factories
    from tests.measurements import batches
    from tests.measurements.recalls import certify
    from tests.reports import scene

    world = factories.make_world(NAME)
    scene.measure(world)
    sent = [batches.hood(world, "S-1", "91.0")]
    sent += [scene.round_traverse(world, flow) for flow in (0.245, 0.256, 0.262, 0.281, 0.29)]
    scene.post(world, *sent)
    settle(world)
    scene.submit(world)
    scene.accept_all(world)
    settle(world)
    revision = scene.approved(world)
    with company(world.id):
        made = issue.issue(world.actor("supervisor"), revision.id)
        InstrumentRange.objects.filter(instrument=world.instruments["pressure"]).update(**PROMISE)
        path = issue.check_path(made)
    certify(world, error=0.045, references=(2.0, 20.0, 40.0, 65.0, 90.0), U=0.4)
    settle(world)
    return {
        "company": str(world.id),
        "supervisor": world.users["supervisor"].email,
        "dispatcher": world.users["dispatcher"].email,
        "technician": world.users["technician"].email,
        "serial": world.instruments["pressure"].serial,
        "check": path,
    }


def settle(world: Any, seconds: float = 150.0) -> None:
    """Waits until the worker has done what is due, or helps. Ends the program with what is left, and why."""
    from jobs import due
    from jobs.models import DueState, DueWork
    from jobs.tenancy.context import company

    end = time.monotonic() + seconds
    while True:
        due.work(world.id)
        with company(world.id):
            left = list(DueWork.objects.exclude(kind="render").values_list("kind", "state", "error"))
        if not left:
            return
        if time.monotonic() > end or {state for _, state, _ in left} == {DueState.PARKED}:
            raise SystemExit(f"the worker never came to an end: {left}")
        time.sleep(0.1)
