"""Posts, corrections, voids, re-measurements and approvals in any order: what must hold after each step."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)

from jobs import due
from jobs.access import Actor
from jobs.errors import DomainError, Invalid
from jobs.models import Job, JobStatus
from jobs.tenancy.context import company
from measurements import correct
from measurements.corrected import Change, UnitChange
from measurements.current import counting, current_sessions
from measurements.evidence import session_digest
from measurements.models import AnswerKind, Correction, Reading, Session, SessionVoid
from reports import review, reviewset
from reports.models import Revision
from tests.factories import World
from tests.measurements import batches

EXAMPLES, STEPS = 6, 12
TAGS = ("S-1", "S-2")
UNITS = ("L/s", "m3/h", "[cft_i]/min")


@dataclass(frozen=True)
class Kept:
    """What was measured, as first stored."""

    member: UUID
    started: Any
    rows: tuple[Any, ...]


class Machine(RuleBasedStateMachine):
    """One job. `measured`: every session that a tablet posted; `made`: what corrections must still say."""

    world: World

    def __init__(self) -> None:
        super().__init__()
        self.kept: dict[UUID, Kept] = {}
        self.made: dict[UUID, tuple[UUID, str, UUID, Any]] = {}
        self.voided: set[UUID] = set()
        self.seen: dict[str, tuple[Any, ...]] = {}
        self.number = 0

    @initialize()
    def start(self) -> None:
        self.sid = transaction.atomic()
        self.sid.__enter__()

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.sid.__exit__(None, None, None)

    def reason(self) -> str:
        self.number += 1
        return f"Reason number {self.number} of the story."

    def supervisor(self) -> Actor:
        return self.world.actor("supervisor")

    def ends(self) -> list[Session]:
        """Ends of chains, void ones too."""
        found = Session.objects.filter(job=self.world.job).order_by("id")
        older = {one.supersedes_id for one in found}
        return [one for one in found if one.id not in older]

    def keep(self, session: dict[str, Any]) -> None:
        row = Session.objects.get(id=session["id"])
        self.kept[row.id] = Kept(row.member_id, row.started_at, shown(row.id))

    @rule(tag=st.sampled_from(TAGS), flow=st.integers(40, 120))
    def post(self, tag: str, flow: int) -> None:
        session = batches.hood(self.world, tag, f"{flow}.0")
        [outcome] = batches.post(self.world, session)
        assert outcome.outcome == "stored"
        with company(self.world.id):
            self.keep(session)

    @rule(data=st.data(), flow=st.integers(40, 120))
    def measure_again(self, data: Any, flow: int) -> None:
        """Of any session there is: tablets are away for days and name what they know."""
        with company(self.world.id):
            known = list(
                Session.objects.filter(job=self.world.job).select_related("test_point").order_by("id")
            )
        if not known:
            return
        old = data.draw(st.sampled_from(known))
        again = {"session": str(old.id), "reason": self.reason()}
        session = batches.hood(self.world, old.test_point.tag, f"{flow}.0", supersedes=again)
        [outcome] = batches.post(self.world, session)
        assert outcome.outcome == "stored"
        with company(self.world.id):
            self.keep(session)

    @rule(data=st.data(), unit=st.sampled_from(UNITS), tag=st.sampled_from((*TAGS, "")))
    def correct(self, data: Any, unit: str, tag: str) -> None:
        with company(self.world.id):
            known = list(Session.objects.filter(job=self.world.job).order_by("id"))
            if not known:
                return
            old, why, began = data.draw(st.sampled_from(known)), self.reason(), timezone.now()
            allowed = old in self.ends() and old.id not in self.voided
            changes = [Change("/test_point", str(self.world.points[tag].id))] if tag else []
            before = Session.objects.count()
            try:
                made = correct.correct(
                    self.supervisor(), old.id, seen_digest=old.content_digest, reason=why, changes=changes,
                    units=[] if tag else [UnitChange("flow", unit)],
                )  # fmt: skip
            except Invalid:  # nothing would change
                assert Session.objects.count() == before
                return
            except DomainError:
                assert Session.objects.count() == before
                assert not allowed
                return
            assert allowed
            assert began <= made.at <= timezone.now()
            self.made[made.session_id] = (old.id, why, made.member_id, made.at)

    @rule(data=st.data(), further=st.booleans())
    def void(self, data: Any, further: bool) -> None:
        with company(self.world.id):
            known = list(Session.objects.filter(job=self.world.job).order_by("id"))
            if not known:
                return
            old = data.draw(st.sampled_from(known))
            allowed = old in self.ends() and (old.id in self.voided) == further
            try:
                correct.void(
                    self.supervisor(), old.id, seen_digest=old.content_digest, reason=self.reason(),
                    further=further,
                )  # fmt: skip
            except DomainError:
                assert not allowed
                return
            assert allowed
            self.voided.add(old.id)

    @rule()
    def approve(self) -> None:
        due.work(self.world.id)
        with company(self.world.id):
            Job.objects.filter(id=self.world.job.id, status=JobStatus.OPEN).update(status=JobStatus.SUBMITTED)
            job = Job.objects.select_related("site__customer").get(id=self.world.job.id)
            for state in reviewset.load(job).blocking:
                review.answer_flag(
                    self.supervisor(), state.flag.id, kind=AnswerKind.ACCEPT, reason=self.reason()
                )
            review.review_set(self.supervisor(), job.id)
        due.work(self.world.id)
        with company(self.world.id):
            found = reviewset.load(Job.objects.select_related("site__customer").get(id=job.id))
            last = Revision.objects.filter(job=job).order_by("-revision").first()
            same = last is not None and last.set_digest == found.digest
            try:
                made = review.approve(self.supervisor(), job.id, seen_digest=found.digest)
            except DomainError:
                assert same or not found.measured or found.blocking or found.pending
                return
            assert not same
            assert made.set_digest == found.digest

    @invariant()
    def what_was_measured_is_kept(self) -> None:
        with company(self.world.id):
            for session_id, kept in self.kept.items():
                row = Session.objects.get(id=session_id)
                assert (row.member_id, row.started_at, shown(session_id)) == (
                    kept.member, kept.started, kept.rows,
                )  # fmt: skip
                assert session_digest(row) == row.content_digest

    @invariant()
    def corrections_say_what_who_when_why(self) -> None:
        with company(self.world.id):
            for row in Correction.objects.select_related("session", "original"):
                original, why, member, at = self.made[row.session_id]
                assert (row.original_id, row.session.reason, row.member_id, row.at) == (
                    original, why, member, at,
                )  # fmt: skip
                assert row.session.supersedes_id == original
                assert shown(row.session_id) == shown(original)
                assert row.session.member_id == row.original.member_id
                assert all({"path", "before", "after"} == set(one) for one in row.changes)
                assert session_digest(row.session) == row.session.content_digest
            assert Correction.objects.count() == len(self.made)

    @invariant()
    def a_chain_has_one_end_and_counts_unless_void(self) -> None:
        with company(self.world.id):
            rows = list(Session.objects.filter(job=self.world.job))
            older = [one.supersedes_id for one in rows if one.supersedes_id]
            assert len(older) == len(set(older))
            ends = {one.id for one in self.ends()}
            assert {one.id for one in counting(Session.objects.all())} == ends - self.voided
            assert {one.id for one in current_sessions([self.world.job.id])} <= ends - self.voided

    @invariant()
    def the_set_differs_whenever_the_evidence_does(self) -> None:
        with company(self.world.id):
            job = Job.objects.select_related("site__customer").get(id=self.world.job.id)
            evidence = (
                tuple(sorted(str(one.id) for one in Session.objects.filter(job=job))),
                tuple(sorted(str(one.id) for one in SessionVoid.objects.all())),
            )
            digest = reviewset.load(job).digest
            assert self.seen.setdefault(digest, evidence) == evidence


def shown(session_id: UUID) -> tuple[Any, ...]:
    names = ("run", "line", "point", "place", "quantity", "entered", "taken_at")
    return tuple(sorted(Reading.objects.filter(session=session_id).values_list(*names)))


def test_whatever_is_done_what_was_measured_stays_and_one_of_a_chain_counts(fine: World) -> None:
    found = type("Told", (Machine,), {"world": fine})
    run_state_machine_as_test(
        found,
        settings=settings(
            max_examples=EXAMPLES,
            stateful_step_count=STEPS,
            deadline=None,
            phases=[Phase.generate, Phase.shrink],
            suppress_health_check=list(HealthCheck),
            derandomize=True,
        ),
    )
