"""A bad instrument for tests: sessions measured in good faith, then a certificate that says otherwise."""

from collections.abc import Sequence
from datetime import date, timedelta
from uuid import UUID

from jobs import due
from jobs.instruments import Point, enter_certificate
from jobs.models import Certificate, Quantity
from jobs.tenancy.context import company
from measurements.models import RecallCase, RecallItem
from measurements.queries import recall_items
from tests.factories import World
from tests.measurements import batches

REASON = "Looked at with the customer; the figure stands."


def tomorrow() -> date:
    return batches.now().date() + timedelta(days=1)


def certify(
    world: World,
    use: str = "pressure",
    *,
    error: float = 0.03,
    quantity: Quantity = Quantity.PRESSURE,
    references: Sequence[float] = (5.0, 25.0, 50.0, 100.0),
    U: float = 0.05,
    on: date | None = None,
    supersedes: UUID | None = None,
    number: str = "",
) -> Certificate:
    """Enters a certificate whose as-found points read `error` (relative) high and whose as-left are true."""
    day = on or tomorrow()
    with company(world.id):
        return enter_certificate(
            world.actor("supervisor"),
            instrument_id=world.instruments[use].id,
            number=number or f"N-{day.isoformat()}-{error}",
            laboratory="Vale Calibration Laboratory",
            calibrated_on=day,
            due_on=day + timedelta(days=365),
            points=[Point(quantity, value, value, U, as_found=value * (1.0 + error)) for value in references],
            supersedes_id=supersedes,
        )


def worked(world: World) -> None:
    """Does what the worker would do, until nothing is due."""
    while due.work(world.id):
        pass


def measured(world: World, *flows: float) -> list[UUID]:
    """Traverses of the main, each of its own flow, evaluated; the later ones do not replace the earlier."""
    sent = [batches.traverse(world, flow=flow) for flow in flows or (0.9,)]
    batches.post(world, *sent)
    worked(world)
    return batches.ids(sent)


def only_case(world: World) -> RecallCase:
    with company(world.id):
        return RecallCase.objects.select_related("certificate", "last_good", "instrument").get()


def items(case: RecallCase) -> list[RecallItem]:
    """Current items, worst first. Inside the company."""
    return list(recall_items(case))
