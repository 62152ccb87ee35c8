"""Who stands behind a request: what `jobs.access` finds, as far as the sign-in behind it still holds.

Here, and not in the doors, because every door must notice: the end of a sign-in, the use of a key, and each
look of an operator who was let in to help.
"""

import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

from django.contrib.sessions.backends.base import SessionBase
from django.http import HttpRequest
from django.utils import timezone

from jobs import access, events, signins
from jobs.access import Actor
from jobs.http.limits import address_of
from jobs.models import AccessToken, TokenKind, User

USED_EVERY = timedelta(hours=1)
READING = frozenset({"GET", "HEAD"})


def actor_for(request: HttpRequest) -> Actor | None:
    """The actor of a request whose company is set; None when nobody stands behind it (any more).

    Called in a transaction of its own, so what is noted here stays, whatever becomes of the request.
    """
    actor = access.actor_for(request)
    if actor is None:
        return None
    if actor.token_id is None:
        actor = _of_session(actor, request.session)
    if actor.kind is TokenKind.INTEGRATION:
        note_use(actor)
    if actor.grant_id:
        return _helper(request, actor)
    return actor


def _of_session(actor: Actor, session: SessionBase) -> Actor:
    sign_in, proven = session.get(signins.SESSION_KEY), session.get(signins.PROVEN_KEY)
    return replace(
        actor,
        sign_in_id=UUID(sign_in) if sign_in else None,
        proven_at=datetime.fromtimestamp(proven, UTC) if proven else None,
    )


def note_use(actor: Actor) -> None:
    """Notes that a key is used: the first time in the log, then within the hour only."""
    now = timezone.now()
    if actor.token_id is None or (actor.used_at is not None and now - actor.used_at < USED_EVERY):
        return
    row = AccessToken.objects.filter(id=actor.token_id)
    if actor.used_at is not None:
        row.update(used_at=now)
    elif row.filter(used_at=None).update(used_at=now):
        events.record(actor, "key.first_used", "key", actor.token_id)


def _helper(request: HttpRequest, actor: Actor) -> Actor | None:
    """An operator reads only, and every look of theirs stands in the company's log."""
    if request.method not in READING or actor.grant_id is None:
        return None
    looked = {"path": request.path[:400], "operator": actor.name}
    events.record(actor, "support.looked", "support_grant", actor.grant_id, data=looked)
    return actor


def sign_in_holds(request: HttpRequest) -> bool:
    """Whether the session's sign-in is one of its person and has not ended.

    A session that carries none yet, begun elsewhere than at the sign-in page, gets one.
    """
    known = request.session.get(signins.SESSION_KEY)
    if known and isinstance(request.user, User):
        return signins.holds(known, request.user.id)
    begin(request)
    return True


def proved(request: HttpRequest) -> None:
    """Notes in the session that password and code were given just now, under a new key of it."""
    request.session.cycle_key()
    request.session[signins.PROVEN_KEY] = time.time()


def begin(request: HttpRequest) -> None:
    """Lists the session's sign-in among those of its person."""
    if isinstance(request.user, User):
        row = signins.begin(request.user, address_of(request), request.headers.get("User-Agent", ""))
        request.session[signins.SESSION_KEY] = str(row.id)
