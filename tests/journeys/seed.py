"""Makes companies with a job to measure in a running stack's database, and prints what their tablets know.

Run as a program beside the stack, so that the test's own process needs no second database.
"""

import json
import sys
from typing import Any

import django


def make(name: str) -> dict[str, Any]:
    """A company; ids and tokens as text."""
    from jobs.models import Certificate
    from jobs.tenancy.context import company
    from tests import factories
    from tests.reports import scene

    world = factories.make_world(name)
    with company(world.id):
        scene.fine_tools(world)
        for row in Certificate.objects.all():  # as if entered through the action, with the points it has now
            scene.announce(world, row)
    return {
        "company": str(world.id),
        "tablet": world.technician_token,
        "key": world.key_text,
        "owner": world.owner.email,
        "job": str(world.job.id),
        "points": {tag: str(point.id) for tag, point in world.points.items()},
        "instruments": {use: str(tool.id) for use, tool in world.instruments.items()},
    }


if __name__ == "__main__":
    django.setup()
    print(json.dumps({name: make(name) for name in sys.argv[1:]}))
