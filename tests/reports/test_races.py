"""Two at once, on real connections: two approvals, and an approval against a session that arrives."""

from collections.abc import Callable
from uuid import UUID

import pytest

from jobs.access import Actor
from jobs.errors import PreconditionFailed
from jobs.models import Member, Role
from jobs.tenancy.context import company
from measurements.models import AnswerKind, FlagAnswer
from reports import review
from reports.models import Revision
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.races import at_once
from tests.reports import scene

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def world() -> World:
    return factories.make_world()


def approve(world: World, digest: str) -> Callable[[], Revision]:
    def act() -> Revision:
        with company(world.id):
            return review.approve(scene.actor(world, "supervisor"), world.job.id, seen_digest=digest)

    return act


def test_G1_of_two_supervisors_at_once_one_approves(world: World) -> None:
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


PAIRS = 100


def test_of_two_different_answers_at_once_one_stands_and_the_other_is_told(world: World) -> None:
    """A hundred pairs: each time one is stored, the other gets 412 with what was decided; nothing doubles."""
    scene.measured(world, s1="95.0", s2="95.0", s3="70.0")
    flag = next(state.flag for state in scene.seen(world).flags if state.flag.rule == "out_of_tolerance")
    with company(world.id):
        members = [world.supervisor, second_supervisor(world)]
        actors = [actor_of(world, one) for one in members]
    seen = review.NO_ANSWER
    for turn in range(PAIRS):
        found = at_once(
            *[answer(world, actors[n], flag.id, seen, f"Reason {turn} of person {n}.") for n in (0, 1)]
        )
        stored = [one for one in found if isinstance(one, FlagAnswer)]
        refused = [one for one in found if isinstance(one, PreconditionFailed)]
        assert (len(stored), len(refused)) == (1, 1), found
        assert stored[0].reason in refused[0].detail
        with company(world.id):
            assert FlagAnswer.objects.filter(flag=flag).count() == turn + 1
        seen = review.state_tag(stored[0])


def test_the_same_answer_at_once_is_one(world: World) -> None:
    scene.measured(world, s1="95.0", s2="95.0", s3="70.0")
    flag = next(state.flag for state in scene.seen(world).flags if state.flag.rule == "out_of_tolerance")
    actor = scene.actor(world, "supervisor")
    found = at_once(*[answer(world, actor, flag.id, review.NO_ANSWER, scene.REASON)] * 4)
    assert len({one.id for one in found}) == 1
    with company(world.id):
        assert FlagAnswer.objects.filter(flag=flag).count() == 1


def test_an_approval_at_once_with_an_answer_never_binds_what_was_not_seen(world: World) -> None:
    """Either the approval comes first and binds the set as seen, or the answer does and it is refused."""
    scene.measured(world, s1="98.0")  # a conditional pass: a remark that need not be answered
    other = scene.actor(world, "supervisor")
    state = scene.seen(world).flags[0]
    seen = review.state_tag(state.newest)
    for turn in range(5):
        digest = scene.seen(world).digest
        text = f"Looked at in turn {turn}."
        approval, given = at_once(approve(world, digest), answer(world, other, state.flag.id, seen, text))
        assert isinstance(given, FlagAnswer), given
        seen = review.state_tag(given)
        now = scene.seen(world)
        assert now.digest != digest
        if isinstance(approval, Revision):
            assert approval.set_digest == digest
        else:
            assert approval.status == 412


def answer(world: World, actor: Actor, flag: UUID, seen: str, reason: str) -> Callable[[], FlagAnswer]:
    def act() -> FlagAnswer:
        with company(world.id):
            return review.answer_flag(actor, flag, kind=AnswerKind.ACCEPT, reason=reason, seen=seen)

    return act


def second_supervisor(world: World) -> Member:
    """The owner, who reviews too."""
    Member.objects.filter(id=world.owner.id).update(roles=[Role.OWNER, Role.SUPERVISOR])
    return Member.objects.get(id=world.owner.id)


def actor_of(world: World, member: Member) -> Actor:
    return Actor(world.id, member.id, member.name, frozenset(Role(one) for one in member.roles))
