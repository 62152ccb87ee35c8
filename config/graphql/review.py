"""What waits for a supervisor, and all that an approval of a job would bind."""

from datetime import datetime
from typing import Any

import strawberry

from config.graphql.jobs import Job
from config.graphql.measurements import Flag, FlagAnswer, Result, Session
from config.graphql.rows import read_id, together, told
from config.graphql.sites import System, TestPoint
from jobs import models as jobs
from jobs.errors import NotFound
from jobs.http.door import etag
from jobs.http.graphql import actor_of
from reports import review
from reports.reviewset import ReviewSet


@strawberry.type(description="A job that waits for a supervisor.")
class QueueEntry:
    job: Job
    stops: int = strawberry.field(name="openStops", description="Flags that an approval has to wait for.")
    warnings: int = strawberry.field(name="openWarnings")
    after_approval: int = strawberry.field(name="sessionsAfterApproval")
    last_received: datetime | None


def review_queue(info: strawberry.Info) -> list[QueueEntry]:
    found: Any = review.queue(actor_of(info))
    together(entry.job for entry in found)
    return found  # type: ignore[no-any-return]


@strawberry.type(description="A flag as a supervisor sees it: open, accept, remeasure or cleared.")
class FlagState:
    flag: Flag
    state: str
    blocks: bool = strawberry.field(description="Whether an approval has to wait for it.")
    answers: list[FlagAnswer] = strawberry.field(description="Newest first.")

    @strawberry.field(description="To be sent back when it is answered.")
    def etag(root: Any) -> str:
        return etag(review.state_tag(root.newest))


@strawberry.type(description="A session that counts. `result` is null until it is evaluated.")
class Measured:
    session: Session
    result: Result | None
    replaced: list[Session] = strawberry.field(description="The sessions that it replaced, newest first.")


@strawberry.type(description="A test point with its sessions, oldest first; the last one's figure stands.")
class ReviewPoint:
    point: TestPoint
    missing: bool
    sessions: list[Measured]


@strawberry.type(description="A system of the job with its points.")
class ReviewSystem:
    system: System
    points: list[ReviewPoint]


@strawberry.type(description="All that an approval would bind.")
class Review:
    job: Job
    digest: str = strawberry.field(description="SHA-256 of the set, to be sent back with the approval.")
    systems: list[ReviewSystem]
    stray: list[Measured] = strawberry.field(
        name="elsewhere", description="Sessions at points outside the job's systems."
    )
    flags: list[FlagState] = strawberry.field(description="Worst first.")
    past_flags: list[FlagState] = strawberry.field(description="Of replaced sessions, or cleared since.")
    blocking: list[FlagState] = strawberry.field(description="Flags that an approval has to wait for.")
    pending: list[Measured] = strawberry.field(description="Sessions that it has to wait for.")
    missing: list[TestPoint] = strawberry.field(description="Points without a figure.")
    customer: str = told("job.site.customer.name")


def job_review(info: strawberry.Info, job: strawberry.ID) -> Review | None:
    try:
        found: Any = review.review_set(actor_of(info), read_id(job, jobs.Job, "job"))
    except NotFound:
        return None
    _bind(found)
    return found  # type: ignore[no-any-return]


def _bind(found: ReviewSet) -> None:
    """Keeps rows of a kind together, so that what is asked of one is fetched for all."""
    flags = (*found.flags, *found.past_flags)
    together([found.job])
    together(state.system for state in found.systems)
    together(place.point for state in found.systems for place in state.points)
    together(state.flag for state in flags)
    together(answer for state in flags for answer in state.answers)
    together(session for one in found.measured for session in (one.session, *one.replaced))
    together(one.result for one in found.measured if one.result)
