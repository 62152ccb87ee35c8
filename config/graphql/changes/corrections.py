"""Clerical corrections, and sessions made void."""

import strawberry

from config.graphql.changes.base import Asked, Outcome, Repeats, change
from config.graphql.measurements import Session, SessionVoid
from jobs.access import Action
from measurements import correct, queries
from measurements.rest.corrections import CorrectionIn, VoidIn, changes_of

ANSWERED = Repeats.ANSWERED


@strawberry.type
class SessionOutcome(Outcome):
    session: Session | None = None


@strawberry.type
class SessionVoidOutcome(Outcome):
    note: SessionVoid | None = None


@change(Action.REVIEW, "session", takes=CorrectionIn, seen=str, repeats=ANSWERED)
def session_correct(asked: Asked) -> SessionOutcome:
    """Store the session as it is right, superseding this one, with the digits as they were shown.

    It is checked as a post is, and evaluated anew. `seen` is the content digest of the session as you saw it.
    The person who measured may not correct it, unless the company allows.
    """
    given = asked.given
    made = correct.correct(asked.actor, asked.at("session"), seen_digest=asked.seen, **changes_of(given))
    return SessionOutcome.of(session=queries.visible_sessions(asked.actor).get(id=made.session_id))


@change(Action.REVIEW, "session", takes=VoidIn, seen=str, repeats=ANSWERED)
def session_void(asked: Asked) -> SessionVoidOutcome:
    """Make the session count nowhere. It stays visible with the reason; its point is to be done again.

    What it superseded does not count again. A void cannot be taken back: measure again, or add a note.
    """
    given = asked.given
    note = correct.void(
        asked.actor,
        asked.at("session"),
        seen_digest=asked.seen,
        reason=given["reason"],
        further=given.get("further", False),
    )
    return SessionVoidOutcome.of(note=note)
