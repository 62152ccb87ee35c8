"""What a supervisor does with a job: look at the queue, answer flags, approve what was seen.

An approval locks the job's row, so it and everything that would add to the set (a session, a flag, an answer:
each refers to the job) exclude each other, and the approval binds exactly what its digest says.
"""

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import events
from jobs.access import Action, Actor, require
from jobs.bookings import release
from jobs.errors import (
    Conflict,
    Fault,
    Forbidden,
    Invalid,
    NotFound,
    PreconditionFailed,
    PreconditionRequired,
)
from jobs.models import Company, Job, JobStatus
from jobs.reasons import reason_of
from measurements.evaluate import out_of_date, refresh
from measurements.models import AnswerKind, Flag, FlagAnswer, Session, SessionVoid
from reports import looks, queries, reviewset, snapshot
from reports.models import DocumentKind, Revision
from reports.reviewset import ReviewSet

QUEUE_LENGTH = 200
OPEN_STATES = (JobStatus.OPEN, JobStatus.SUBMITTED)


@dataclass(frozen=True)
class QueueEntry:
    """A job that waits for a supervisor: what is open on it and since when nothing new came."""

    job: Job
    stops: int
    warnings: int
    after_approval: int
    last_received: datetime | None

    @property
    def rank(self) -> tuple[object, ...]:
        submitted = self.job.status == JobStatus.SUBMITTED
        return (not submitted, -self.stops, -self.warnings, -self.after_approval, self.job.number)


def queue(actor: Actor) -> list[QueueEntry]:
    """Jobs submitted, with open flags, or measured again after approval; submitted and worst first."""
    require(actor, Action.REVIEW)
    jobs = queries.visible_jobs(actor)
    flags = queries.open_flag_counts(jobs.filter(status__in=OPEN_STATES))
    later = queries.sessions_after_approval(jobs)
    submitted = set(jobs.filter(status=JobStatus.SUBMITTED).values_list("id", flat=True))
    listed = jobs.filter(id__in=submitted | set(flags) | set(later))
    received = queries.last_received(listed)
    entries = [
        QueueEntry(job, *flags.get(job.id, (0, 0)), later.get(job.id, 0), received.get(job.id))
        for job in listed
    ]
    return sorted(entries, key=lambda entry: entry.rank)[:QUEUE_LENGTH]


def review_set(actor: Actor, job_id: UUID) -> ReviewSet:
    """Everything that an approval of the job would bind now. Raises NotFound.

    Results that no longer rest on what is known are due again by this look, and pending until then.
    """
    require(actor, Action.REVIEW)
    found = reviewset.load(_job(actor, job_id))
    if not _to_be_approved(found, _newest_revision(found.job)):
        return found
    return replace(found, late=frozenset(refresh(found.job.id)))


@transaction.atomic
def saw(actor: Actor, job_id: UUID, *, seen_digest: str | None) -> None:
    """Remembers the set as what the actor has seen; later changes are marked against it.

    Raises NotFound, PreconditionFailed (the set changed since it was shown).
    """
    require(actor, Action.REVIEW)
    found = reviewset.load(_job(actor, job_id))
    if seen_digest != found.digest:
        raise PreconditionFailed(gettext("The job changed while you looked; what came is marked now."))
    looks.store(actor, found)


def _to_be_approved(found: ReviewSet, before: Revision | None) -> bool:
    if found.job.status in queries.CLOSED:
        return before is not None and before.set_digest != found.digest
    return found.job.status != JobStatus.CANCELLED


@dataclass(frozen=True)
class SeenFlag:
    """A flag as it was shown. `seen`: the tag of its state then (`state_tag`); None: not said."""

    flag_id: UUID
    seen: str | None = None


NO_ANSWER = "none"
MOST_AT_ONCE = 200


def state_tag(newest: FlagAnswer | None) -> str:
    """Names a flag's state: the id of its newest answer, or that there is none."""
    return str(newest.id) if newest else NO_ANSWER


def answer_flag(
    actor: Actor, flag_id: UUID, *, kind: AnswerKind, reason: str, seen: str | None = None
) -> FlagAnswer:
    """Accepts a flag with a reason, or sends its point back for re-measurement.

    What is sent back stands in the worklist until a session comes that supersedes; the job is open again. The
    same answer of the same person once more is the first one. Raises NotFound, Invalid (reason shorter than
    10 characters), Conflict (no longer current), PreconditionFailed (answered since it was `seen`), Forbidden
    (accepting what one measured oneself).
    """
    return answer_flags(actor, [SeenFlag(flag_id, seen)], kind=kind, reason=reason)[0]


@transaction.atomic
def answer_flags(
    actor: Actor, wanted: Sequence[SeenFlag], *, kind: AnswerKind, reason: str
) -> list[FlagAnswer]:
    """Answers flags of one job with one reason: all, or none. Raises as `answer_flag`."""
    require(actor, Action.REVIEW)
    found = {
        flag.id: flag for flag in queries.visible_flags(actor).filter(id__in=[w.flag_id for w in wanted])
    }
    if not found or any(one.flag_id not in found for one in wanted):
        raise NotFound()
    text = reason_of(reason)
    if kind not in (AnswerKind.ACCEPT, AnswerKind.REMEASURE):
        raise Invalid(
            gettext("A flag is accepted or sent back."),
            [Fault("/answer", gettext("must be accept or remeasure"))],
        )
    jobs = {flag.job_id for flag in found.values()}
    if len(jobs) > 1 or len(wanted) > MOST_AT_ONCE:
        raise Invalid(
            gettext("Answer up to %(most_at_once)s flags of one job at once.")
            % {"most_at_once": MOST_AT_ONCE},
            [Fault("/flags", gettext("too many"))],
        )
    job = _locked_job(actor, jobs.pop())
    if job.status == JobStatus.CANCELLED:
        raise Conflict(gettext("The job is cancelled; its flags need no answer."))
    return [_answer(actor, job, found[one.flag_id], one.seen, kind, text) for one in wanted]


def _answer(
    actor: Actor, job: Job, flag: Flag, seen: str | None, kind: AnswerKind, reason: str
) -> FlagAnswer:
    newest = flag.answers.select_related("member").order_by("-answered_at", "-id").first()
    if newest is not None and (newest.kind, newest.reason, newest.member_id) == (
        kind,
        reason,
        actor.member_id,
    ):
        return newest
    _check_current(flag, newest)
    if seen is not None and seen != state_tag(newest):
        raise PreconditionFailed(
            gettext("%(decided)s Look at that, then decide again.") % {"decided": _decided(newest)}
        )
    if kind == AnswerKind.ACCEPT:
        _check_other_person(actor, flag)
    return _store_answer(actor, job, flag, kind, reason)


def _decided(newest: FlagAnswer | None) -> str:
    """What was decided on a flag meanwhile, in a sentence."""
    if newest is None or newest.member is None:
        return gettext("The flag has no such answer.")
    if newest.kind == AnswerKind.ACCEPT:
        words = gettext("%(name)s accepted it at %(time)s UTC: “%(reason)s”.")
    else:
        words = gettext("%(name)s sent it back for re-measurement at %(time)s UTC: “%(reason)s”.")
    told = {"name": newest.member.name, "time": f"{newest.answered_at:%H:%M}", "reason": newest.reason}
    return words % told


def _check_current(flag: Flag, newest: FlagAnswer | None) -> None:
    if flag.session_id and Session.objects.filter(supersedes=flag.session_id).exists():
        raise Conflict(gettext("A newer session has replaced what this flag is about; it needs no answer."))
    if flag.session_id and SessionVoid.objects.filter(session=flag.session_id).exists():
        raise Conflict(gettext("The session that this flag is about is void; it needs no answer."))
    if newest is not None and newest.kind == AnswerKind.CLEARED:
        raise Conflict(gettext("The flag is no longer so: %(reason)s") % {"reason": newest.reason})


def _check_other_person(actor: Actor, flag: Flag) -> None:
    own = flag.session is not None and flag.session.member_id == actor.member_id
    if own and not Company.objects.get().self_approval:
        raise Forbidden(gettext("You measured this yourself; another supervisor has to accept it."))


def _store_answer(actor: Actor, job: Job, flag: Flag, kind: AnswerKind, reason: str) -> FlagAnswer:
    answer: FlagAnswer = FlagAnswer.objects.create(
        flag=flag, kind=kind, reason=reason, member_id=actor.member_id, answered_at=timezone.now()
    )
    events.record(
        actor,
        "flag.answered",
        "flag",
        flag.id,
        data={"answer": kind, "answer_id": str(answer.id), "rule": flag.rule, "job": str(job.id)},
        content_digest=events.row_digest(answer),
    )
    if kind == AnswerKind.REMEASURE and job.status != JobStatus.OPEN:
        _set_status(job, JobStatus.OPEN)
        events.record(actor, "job.changed", "job", job.id, data={"status": "open", "why": "sent back"})
    return answer


@transaction.atomic
def approve(actor: Actor, job_id: UUID, *, seen_digest: str | None) -> Revision:
    """Freezes the job as a revision, if it is still exactly what the supervisor saw.

    `seen_digest` is the digest of the set as it was shown. Raises NotFound, PreconditionRequired,
    PreconditionFailed (the set changed), Conflict (not submitted, flags or evaluations open), Forbidden
    (the approver measured on the job and the company does not allow that).
    """
    require(actor, Action.APPROVE)
    if seen_digest is None:
        raise PreconditionRequired(
            gettext("Send 'If-Match' with the ETag of the review you saw, so nothing unseen is approved."),
            [Fault("header:If-Match", "missing")],
        )
    job = _locked_job(actor, job_id)
    found = reviewset.load(job)
    before = _newest_revision(job)
    _check_status(job, found, before)
    self_approved = _check_approver(actor, found)
    if seen_digest != found.digest:
        raise PreconditionFailed(
            gettext("The job changed since you looked; look at it again before you approve it.")
        )
    late = out_of_date([one.session.id for one in found.measured])
    _check_complete(replace(found, late=frozenset(late)))
    made = _freeze(actor, found, before, self_approved)
    looks.store(actor, found)
    return made


def _job(actor: Actor, job_id: UUID) -> Job:
    job = queries.visible_jobs(actor).filter(id=job_id).first()
    if job is None:
        raise NotFound()
    return job


def _locked_job(actor: Actor, job_id: UUID) -> Job:
    """The job, locked against everything that refers to it until the transaction ends."""
    job = queries.visible_jobs(actor).select_for_update(of=("self",)).filter(id=job_id).first()
    if job is None:
        raise NotFound()
    return job


def _newest_revision(job: Job) -> Revision | None:
    return Revision.objects.filter(job=job, kind=DocumentKind.REPORT).order_by("-revision").first()


def _check_status(job: Job, found: ReviewSet, before: Revision | None) -> None:
    if job.status == JobStatus.SUBMITTED:
        return
    if job.status not in queries.CLOSED:
        raise Conflict(
            gettext("The job is %(status)s; only a submitted job can be approved.") % {"status": job.status}
        )
    if before is not None and before.set_digest == found.digest:
        raise Conflict(
            gettext("The job is approved as revision %(revision)s and nothing changed since.")
            % {"revision": before.revision}
        )


def _check_approver(actor: Actor, found: ReviewSet) -> bool:
    """Whether the approver measured any session of the job, one since replaced included."""
    own = Session.objects.filter(job=found.job, member_id=actor.member_id).exists()
    if own and not found.company.self_approval:
        raise Forbidden(gettext("You measured on this job; another supervisor has to approve it."))
    return own


def _check_complete(found: ReviewSet) -> None:
    faults = [
        Fault(f"/flags/{state.flag.id}", _wanted(state.state) % {"rule": state.flag.rule})
        for state in found.blocking
    ]
    faults += [Fault(f"/sessions/{one.session.id}", _unfinished(one)) for one in found.pending]
    if not found.measured:
        faults.append(Fault("/sessions", gettext("Nothing was measured.")))
    if faults:
        raise Conflict(gettext("The job cannot be approved yet; see 'errors'."), faults)


def _unfinished(one: reviewset.Measured) -> str:
    if one.result is None:
        words = gettext("%(tag)s is not evaluated yet.")
    else:
        words = gettext(
            "%(tag)s is evaluated again, since its design, rules or instruments changed; look at the review "
            "again."
        )
    return words % {"tag": one.session.test_point.tag}


def _wanted(state: str) -> str:
    if state == AnswerKind.REMEASURE:
        return gettext(
            "%(rule)s: sent back for re-measurement; wait for the session that supersedes, or accept it."
        )
    return gettext("%(rule)s: must be answered first.")


def _freeze(actor: Actor, found: ReviewSet, before: Revision | None, self_approved: bool) -> Revision:
    frozen = snapshot.freeze(found, approver_id=actor.member_id, before=before, self_approved=self_approved)
    revision: Revision = Revision.objects.create(
        job=found.job,
        revision=frozen.revision,
        supersedes=before,
        approved_by_id=actor.member_id,
        approved_at=frozen.approved_at,
        self_approved=self_approved,
        set_digest=found.digest,
        snapshot=zlib.compress(frozen.data),
        snapshot_digest=frozen.digest,
        readings_csv=zlib.compress(frozen.readings_csv),
        paper=found.company.paper,
    )
    events.record(
        actor,
        "job.approved",
        "job",
        found.job.id,
        data={
            "revision": revision.revision,
            "revision_id": str(revision.id),
            "row": events.row_digest(revision),
        },
        content_digest=frozen.digest,
    )
    _set_status(found.job, JobStatus.APPROVED)
    release(found.job)
    return revision


def _set_status(job: Job, status: JobStatus) -> None:
    job.status, job.version = status, job.version + 1
    job.save(update_fields=["status", "version"])
