"""Makes a company with an approved job."""

from typing import Any

NAME = "Northgate Air Balance"


def make() -> dict[str, Any]:
    """Ids and e-mails as text."""
    from jobs import people
    from jobs.access import Role
    from jobs.tenancy.context import company
    from tests import factories
    from tests.pages.recall_seed import settle
    from tests.reports import scene

    world = factories.make_world(NAME)
    scene.measure(world)
    settle(world)  # the stack's worker may have some of it in hands
    scene.submit(world)
    scene.accept_all(world)
    settle(world)
    scene.approved(world)
    with company(world.id):
        gone = factories.make_member(world.id, Role.TECHNICIAN)
        people.change_member(world.actor("owner"), gone.id, gone.version, people.MemberChange(active=False))
    return {
        "owner": world.users["owner"].email,
        "company": NAME,
        "site": str(world.site.id),
        "gone": str(gone.id),
    }
