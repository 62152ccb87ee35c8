"""A supervisor puts a clerical mistake right, or makes a session void. Both add rows; nothing is changed.

A correction is a session that supersedes the original, with the readings as they were shown, the person who
measured and the moments of measuring; a `Correction` row says who made it, when, and what differs. It is
evaluated anew. Corrections may follow one another.

A void session counts nowhere, and stays visible with its reason. What it superseded does not count again: it
was replaced for a reason that somebody gave, and nobody has looked at it since; a figure that comes back by
itself would be one that no one chose. So the point is unmeasured, and stands in the worklist as to be done.
Nothing ends a void. One that was a mistake is answered by measuring again, or by a further note on it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs import due, events
from jobs.access import Action, Actor, require
from jobs.bulk import run_together
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
from jobs.queries import visible
from jobs.reasons import reason_of
from jobs.tenancy.ids import uuid7
from measurements import calc, corrected
from measurements.compute import compute, refused
from measurements.corrected import Change, UnitChange
from measurements.inputs import inputs_of
from measurements.intake import Origin, look_up, reference_faults, session_statements
from measurements.loading import Loaded, load
from measurements.models import Correction, Result, Session, SessionVoid


@dataclass(frozen=True)
class Preview:
    """What a correction would do: what differs, in words too, and the figures that would follow."""

    changes: list[dict[str, Any]]
    summary: list[dict[str, str]]
    session: Session
    result: Result
    """Neither is stored."""


@transaction.atomic
def correct(
    actor: Actor,
    session_id: UUID,
    *,
    seen_digest: str | None,
    reason: str,
    changes: Sequence[Change] = (),
    units: Sequence[UnitChange] = (),
) -> Correction:
    """Stores the corrected session beside the original, which it supersedes, and makes its evaluation due.

    `seen_digest` is the content digest of the session as it was seen. Raises NotFound, Invalid (with places
    in the session as posted), PreconditionRequired, PreconditionFailed, Conflict (superseded or void by now),
    Forbidden (the person who measured, unless the company allows that).
    """
    require(actor, Action.REVIEW)
    text = reason_of(reason)
    session = _session(actor, session_id)
    _check_seen(session, seen_digest)
    _check_person(actor, session)
    if note := session.voids.order_by("at", "id").first():
        raise Conflict(
            gettext("The session is void since %(at)s UTC; measure again instead.")
            % {"at": f"{note.at:%Y-%m-%d %H:%M}"}
        )
    document = corrected.as_posted(session)
    after, told = corrected.changed(document, [*changes, *corrected.units_of(document, units)])
    new = corrected.check(after, uuid7(), session.id, text)
    if faults := list(reference_faults(new, look_up(actor.company_id, [new]))):
        raise Invalid(
            gettext("What it would become names something that is not there; see 'errors'."), faults
        )
    origin = Origin(
        actor.company_id,
        session.member_id,
        session.device_id,
        session.batch_id,
        session.received_at,
        session.clock_offset_s,
    )
    stored, *others = session_statements(actor, origin, [new])
    run_together([stored, *others])
    if not stored.count:
        raise Conflict(gettext("The session was superseded meanwhile; look at it again."))
    due.schedule(
        "evaluate", new.id, session.id
    )  # the old one too: its flags end, and its system may be another
    return _say(actor, session, new.id, told, corrected.in_words(document, told))


def _say(
    actor: Actor, session: Session, new: UUID, told: list[dict[str, Any]], summary: list[dict[str, str]]
) -> Correction:
    made: Correction = Correction.objects.create(
        session_id=new,
        original=session,
        member_id=actor.member_id,
        at=timezone.now(),
        changes=told,
        summary=summary,
    )
    events.record(
        actor,
        "session.corrected",
        "session",
        new,
        data={"correction": str(made.id), "original": str(session.id), "job": str(session.job_id)},
        content_digest=events.row_digest(made),
    )
    return made


def preview(
    actor: Actor,
    session_id: UUID,
    *,
    seen_digest: str | None,
    reason: str,
    changes: Sequence[Change] = (),
    units: Sequence[UnitChange] = (),
) -> Preview:
    """What `correct` would do, with the figures that would follow. Nothing stays. Raises what it raises."""
    with transaction.atomic():
        made = correct(
            actor, session_id, seen_digest=seen_digest, reason=reason, changes=changes, units=units
        )
        loaded = load(made.session_id)
        result = _result(loaded)
        transaction.set_rollback(True)
    return Preview(made.changes, made.summary, loaded.session, result)


def _result(loaded: Loaded) -> Result:
    """What the calculation would find, not stored."""
    try:
        inputs = inputs_of(loaded)
        found = compute(inputs)
    except calc.CalcError as error:
        inputs, found = {}, refused(str(error))
    return Result(session=loaded.session, inputs=inputs, detail=found.detail, **found.figures)


@transaction.atomic
def void(
    actor: Actor, session_id: UUID, *, seen_digest: str | None, reason: str, further: bool = False
) -> SessionVoid:
    """Makes a session count nowhere, or (`further`) adds a note to one that is void already.

    Raises NotFound, Invalid, PreconditionRequired, PreconditionFailed, Conflict (superseded, void already, or
    a further note to one that is not), Forbidden (the person who measured, unless the company allows that).
    """
    require(actor, Action.REVIEW)
    text = reason_of(reason)
    session = _session(actor, session_id)
    _check_seen(session, seen_digest)
    _check_person(actor, session)
    first = session.voids.order_by("at", "id").first()
    if first and not further:
        raise Conflict(
            gettext("The session is void since %(at)s UTC; that cannot be taken back.")
            % {"at": f"{first.at:%Y-%m-%d %H:%M}"}
        )
    if further and not first:
        raise Conflict(gettext("The session is not void; there is nothing to add a note to."))
    note: SessionVoid = SessionVoid.objects.create(
        session=session, member_id=actor.member_id, at=timezone.now(), reason=text
    )
    data = {"void": str(note.id), "job": str(session.job_id), "test_point": str(session.test_point_id)}
    events.record(
        actor, "session.voided", "session", session.id, data=data, content_digest=events.row_digest(note)
    )
    due.schedule("evaluate", session.id)  # its flags end, and those of its system are looked at again
    return note


def _session(actor: Actor, session_id: UUID) -> Session:
    """The session, with its job locked against approval and against what else would be done to it."""
    rows = visible(Session.objects.select_related("batch"), actor)
    job_id = rows.filter(id=session_id).values_list("job_id", flat=True).first()
    if job_id is None:
        raise NotFound()
    job = Job.objects.select_for_update(of=("self",)).get(id=job_id)
    if job.status == JobStatus.CANCELLED:
        raise Conflict(gettext("The job is cancelled; its sessions stay as they are."))
    found: Session = rows.get(id=session_id)
    return found


def newest_of(session: Session) -> Session:
    """The end of the chain that a session is in."""
    while later := Session.objects.filter(supersedes=session.id).first():
        session = later
    return session


def _check_seen(session: Session, seen_digest: str | None) -> None:
    if seen_digest is None:
        raise PreconditionRequired(
            gettext(
                "Send 'If-Match' with the session's content digest, so that nothing unseen is corrected."
            ),
            [Fault("header:If-Match", "missing")],
        )
    newest = newest_of(session)
    if newest.id != session.id:
        raise Conflict(
            gettext("The session was superseded; the newest is %(id)s.") % {"id": newest.id},
            [Fault("/session", gettext("the newest is %(id)s") % {"id": newest.id})],
        )
    if seen_digest != session.content_digest:
        raise PreconditionFailed(gettext("This is not the session that you saw; look at it again."))


def _check_person(actor: Actor, session: Session) -> None:
    own = session.member_id == actor.member_id
    if own and not Company.objects.get().self_approval:
        raise Forbidden(gettext("You measured this yourself; another supervisor has to do it."))
