"""Makes a company with a planned job and codes for pairing tablets, for a field page in a browser."""

from typing import Any

TABLETS = 12


def make() -> dict[str, Any]:
    """Ids, e-mails and codes as text."""
    from jobs import tokens
    from jobs.access import actor_for_member
    from jobs.models import Certificate
    from jobs.tenancy.context import company
    from jobs.tenancy.ids import short_id
    from tests import factories
    from tests.reports import scene

    world = factories.make_world("Saltmarsh Air")
    with company(world.id):
        scene.fine_tools(world)
        for row in Certificate.objects.all():  # as if entered through the action, with the points it has now
            scene.announce(world, row)
        owner = actor_for_member(world.owner)
        codes = [tokens.start_pairing(owner, device_name=f"Tablet {n + 1}")[1] for n in range(TABLETS)]
    return {
        "company": str(world.id),
        "short": short_id(world.id),
        "codes": codes,
        "job": str(world.job.id),
        "system": str(world.system.id),
        "points": {tag: str(point.id) for tag, point in world.points.items()},
        "instruments": {use: str(tool.id) for use, tool in world.instruments.items()},
        "technician": world.users["technician"].email,
        "supervisor": world.users["supervisor"].email,
        "owner": world.users["owner"].email,
        "password": factories.PASSWORD,
        "key": world.key_text,
    }
