"""Two at once, on real connections: two approvals, and an approval against a session that arrives."""

import threading
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection

from jobs.errors import DomainError
from jobs.tenancy.context import company
from reports import review
from reports.models import Revision
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def world() -> World:
    return factories.make_world()


def at_once(*acts: Callable[[], Any]) -> list[Any]:
    """Runs each in a thread of its own behind one barrier; results or domain errors in the same order."""
    barrier, found = threading.Barrier(len(acts)), [None] * len(acts)

    def run(index: int) -> None:
        barrier.wait()
        try:
            found[index] = acts[index]()
        except DomainError as error:
            found[index] = error  # type: ignore[call-overload]
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(n,)) for n in range(len(acts))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    return found


def approve(world: World, digest: str) -> Callable[[], Revision]:
    def act() -> Revision:
        with company(world.id):
            return review.approve(scene.actor(world, "supervisor"), world.job.id, seen_digest=digest)

    return act


def test_of_two_supervisors_at_once_one_approves(world: World) -> None:
    scene.measured(world)
    digest = scene.seen(world).digest
    found = at_once(*[approve(world, digest)] * 4)
    assert sorted(type(one).__name__ for one in found) == ["Conflict"] * 3 + ["Revision"]
    with company(world.id):
        assert Revision.objects.count() == 1


def test_an_approval_never_holds_a_session_that_was_not_seen(world: World) -> None:
    """Whoever comes first: the set is refused as changed, or the session stands after the revision."""
    scene.measured(world)
    for turn in range(5):
        digest = scene.seen(world).digest
        session = batches.hood(world, "S-1", f"9{turn}.5")
        found = at_once(
            approve(world, digest),
            lambda one=session: scene.post(world, one),  # type: ignore[misc]
        )
        revision = found[0]
        scene.evaluated(world)
        if isinstance(revision, Revision):
            assert revision.set_digest == digest
            now = scene.seen(world)
            assert now.digest != digest
            scene.accept_all(world)
        else:
            assert revision.status in (409, 412)
