"""Figures of review: an approval against something that comes at the same moment, ten thousand times.

Run: python -m tests.benchmarks.review_figures [races]. It starts a PostgreSQL of its own. Each race lets two
threads go at one barrier: one approves what it saw, the other answers a flag of the job. Stale: an approval
stored for a set whose digest is not the one that was seen, or that holds the answer it raced with.
"""

import sys
import threading
import time
import zlib
from typing import Any

from tests.benchmarks.intake_figures import SETTINGS, figure
from tests.benchmarks.own import own_database

RACES, A_JOB = 10_000, 50


def main() -> None:
    own_database(SETTINGS)
    numbers = [int(one) for one in sys.argv[1:] if one.isdigit()]
    report(numbers[0] if numbers else RACES)


def report(races: int) -> None:
    counts = dict.fromkeys(("approved", "refused", "stale", "lost"), 0)
    began, done = time.perf_counter(), 0
    while done < races:
        turns = min(A_JOB, races - done)
        race(turns, counts)
        done += turns
    seconds = time.perf_counter() - began
    figure("races of an approval and an answer", races, "")
    figure("a race", round(1000 * seconds / races, 1), "ms")
    figure("approvals stored", counts["approved"], "")
    figure("approvals refused", counts["refused"], "")
    figure("approvals of a set that was not seen", counts["stale"], "")
    figure("answers lost", counts["lost"], "")


def race(turns: int, counts: dict[str, int]) -> None:
    """So many races on one job of a company of its own; adds to the counts."""
    from jobs.models import Job, JobStatus
    from jobs.tenancy.context import company
    from reports import review, reviewset
    from tests import factories
    from tests.reports import scene

    world = factories.make_world("Northgate Air Balance")
    scene.measure_some(world, s1="98.0")
    supervisor = scene.actor(world, "supervisor")
    found = scene.seen(world)
    flag, seen = found.flags[0].flag.id, review.state_tag(found.flags[0].newest)
    racers = Racers(world, supervisor)
    for turn in range(turns):
        with company(world.id):
            Job.objects.filter(id=world.job.id).update(status=JobStatus.SUBMITTED)
            digest = reviewset.load(_job(world)).digest
        reason = f"Looked at in race {turn:05}."
        approval, answered = racers.run(digest, flag, seen, reason)
        counts["lost"] += answered is None
        seen = review.state_tag(answered) if answered else seen
        if approval is None:
            counts["refused"] += 1
            continue
        counts["approved"] += 1
        held = reason.encode() in zlib.decompress(approval.snapshot)
        counts["stale"] += approval.set_digest != digest or held
    racers.end()


def _job(world: Any) -> Any:
    from jobs.models import Job

    return Job.objects.select_related("site__customer").get(id=world.job.id)


class Racers:
    """Two threads with a connection each, that start every race together."""

    def __init__(self, world: Any, actor: Any) -> None:
        self.world, self.actor = world, actor
        self.start, self.finish = threading.Barrier(3), threading.Barrier(3)
        self.task: tuple[Any, ...] | None = None
        self.found: list[Any] = [None, None]
        self.threads = [threading.Thread(target=self._loop, args=(n,), daemon=True) for n in (0, 1)]
        for thread in self.threads:
            thread.start()

    def run(self, *task: Any) -> tuple[Any, Any]:
        """The approval and the answer; None for what was refused."""
        self.task, self.found = task, [None, None]
        self.start.wait()
        self.finish.wait()
        return self.found[0], self.found[1]

    def end(self) -> None:
        self.task = None
        self.start.wait()

    def _loop(self, index: int) -> None:
        from django.db import OperationalError, connection

        from jobs.errors import DomainError
        from jobs.tenancy.context import company

        while True:
            self.start.wait()
            if self.task is None:
                connection.close()
                return
            try:
                with company(self.world.id):
                    self.found[index] = self._act(index, *self.task)
            except (DomainError, OperationalError):  # an overloaded machine may time out: nothing is stored
                self.found[index] = None
            self.finish.wait()

    def _act(self, index: int, digest: str, flag: Any, seen: str, reason: str) -> Any:
        from measurements.models import AnswerKind
        from reports import review

        if index == 0:
            return review.approve(self.actor, self.world.job.id, seen_digest=digest)
        return review.answer_flag(self.actor, flag, kind=AnswerKind.ACCEPT, reason=reason, seen=seen)


if __name__ == "__main__":
    main()
