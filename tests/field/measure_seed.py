"""Makes a company with points of every kind and instruments that read true, for measuring in a browser."""

from typing import Any


def make() -> dict[str, Any]:
    """Ids, e-mails and codes as text."""
    from jobs import tokens
    from jobs.access import actor_for_member
    from jobs.models import Quantity
    from jobs.tenancy.context import company
    from jobs.tenancy.ids import short_id
    from tests import factories
    from tests.measurements import methods

    world = factories.make_world("Fenwick Balance")
    with company(world.id):
        methods.equip(world)
        standard = [
            world.instruments[use] for use in ("pressure", "temperature", "humidity", "barometer", "hood")
        ]
        methods.certify(
            (tool, Quantity(reach.quantity), reach.minimum, reach.maximum, reach.resolution)
            for tool in standard
            for reach in tool.ranges.all()
        )
        factories.assign(world.job, None, *(world.instruments[use] for use in methods.TOOLS))
        owner = actor_for_member(world.owner)
        codes = [tokens.start_pairing(owner, device_name=f"Tablet {n + 1}")[1] for n in range(12)]
    return {
        "company": str(world.id),
        "short": short_id(world.id),
        "codes": codes,
        "job": str(world.job.id),
        "points": {tag: str(point.id) for tag, point in world.points.items()},
        "instruments": {use: str(tool.id) for use, tool in world.instruments.items()},
        "serials": {use: tool.serial for use, tool in world.instruments.items()},
        "technician": world.users["technician"].email,
        "password": factories.PASSWORD,
        "key": world.key_text,
    }
