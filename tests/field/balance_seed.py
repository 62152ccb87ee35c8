"""A company with a branch of six outlets, a fan and a tablet to be paired, for rounds in a browser."""

from typing import Any

DESIGNS = {"S-1": 0.09, "S-2": 0.08, "S-3": 0.1, "S-4": 0.06, "S-5": 0.09, "S-6": 0.07}
"""m³/s by tag."""


def make() -> dict[str, Any]:
    """Ids, e-mails and codes as text."""
    from jobs import tokens
    from jobs.access import actor_for_member
    from jobs.models import Certificate, InstrumentKind, PointKind, Quantity, TestPoint
    from jobs.tenancy.context import company
    from jobs.tenancy.ids import short_id
    from tests import factories
    from tests.reports import scene

    world = factories.make_world("Saltmarsh Air")
    with company(world.id):
        for place, (tag, flow) in enumerate(DESIGNS.items()):
            values = {"design_flow": flow, "design_entered": f"{1000 * flow:.0f} L/s", "position": 10 + place,
                      "location": f"Bay {place + 1}"}  # fmt: skip
            if tag in world.points:
                TestPoint.objects.filter(id=world.points[tag].id).update(**values)
            else:
                world.points[tag] = factories.outlet(world.system, tag, parent=world.points["BD-1"], **values)
        world.points["F-1"] = TestPoint.objects.create(
            system=world.system, tag="F-1", kind=PointKind.FAN, location="Plant room", position=99
        )
        for use, kind, ranges in (
            ("speed", InstrumentKind.TACHOMETER, [(Quantity.SPEED, 0.0, 100.0, 0.01)]),
            (
                "current",
                InstrumentKind.ELECTRICAL,
                [(Quantity.CURRENT, 0.0, 20.0, 0.01), (Quantity.VOLTAGE, 0.0, 500.0, 0.1)],
            ),
        ):
            tool = factories.instrument(kind, *ranges)
            factories.certificate(tool)
            factories.assign(world.job, None, tool)
            world.instruments[use] = tool
        scene.fine_tools(world)
        for row in Certificate.objects.all():  # as if entered through the action, with the points it has now
            scene.announce(world, row)
        owner = actor_for_member(world.owner)
        codes = [tokens.start_pairing(owner, device_name=f"Tablet {n + 1}")[1] for n in range(4)]
    return {
        "short": short_id(world.id),
        "codes": codes,
        "job": str(world.job.id),
        "system": str(world.system.id),
        "points": {tag: str(point.id) for tag, point in world.points.items()},
        "technician": world.users["technician"].email,
        "supervisor": world.users["supervisor"].email,
        "password": factories.PASSWORD,
        "key": world.key_text,
    }
