"""Two companies for the load: a job to measure, finished jobs to approve, and who may do what.

Run as a program beside the stack; prints one JSON object, by name of the company.
"""

import json
import sys
from dataclasses import replace
from typing import Any

import django

FINISHED = 3


def make(name: str) -> dict[str, Any]:
    """A company; ids and tokens as text, the supervisor as a session's cookie."""
    from django.test import Client

    from jobs.models import Certificate
    from jobs.tenancy.context import company
    from jobs.tenancy.middleware import SESSION_KEY
    from tests import factories
    from tests.reports import scene

    world = factories.make_world(name)
    with company(world.id):
        scene.fine_tools(world)
    browser = Client()
    browser.force_login(world.users["supervisor"])
    session = browser.session
    session[SESSION_KEY] = str(world.id)
    session.save()
    finished = []
    for number in range(FINISHED):
        with company(world.id):
            supply = factories.system(world.site, tag=f"AHU-{number + 2}")
            points, planned = factories.standard_points(supply), factories.job(world.site, supply)
            factories.assign(planned, world.technician, *world.instruments.values())
        other = replace(world, job=planned, points=points, instruments=dict(world.instruments))
        scene.measured(other)
        finished.append(str(planned.id))
    with company(world.id):
        for row in Certificate.objects.all():  # as if entered through the action, with the points it has now
            scene.announce(world, row)
    return {
        "company": str(world.id),
        "tablet": world.technician_token,
        "supervisor": browser.cookies["sessionid"].value,
        "key": world.key_text,
        "job": str(world.job.id),
        "finished": finished,
        "points": {tag: str(point.id) for tag, point in world.points.items()},
        "instruments": {use: str(tool.id) for use, tool in world.instruments.items()},
    }


if __name__ == "__main__":
    django.setup()
    print(json.dumps({name: make(name) for name in sys.argv[1:]}))
