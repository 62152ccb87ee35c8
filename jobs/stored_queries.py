"""Documents of GraphQL that a company keeps, so that its integrations send a digest and no text.

A key may be limited to them: then it asks nothing else, by any door.
"""

import hashlib
from uuid import UUID

from django.db import transaction

from jobs import events
from jobs.access import Action, Actor, may, require
from jobs.errors import Conflict, Fault, Forbidden, Invalid, NotFound
from jobs.models import StoredQuery, TokenKind
from jobs.queries import visible_stored_queries
from jobs.rows import locked

MOST = 200
LONGEST = 20_000


def digest_of(text: str) -> str:
    """SHA-256 of a document's text in UTF-8, hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()


@transaction.atomic
def store(actor: Actor, *, name: str, text: str) -> tuple[StoredQuery, bool]:
    """Keeps a document that was found valid; and whether it is new. The same text again is the same row.

    For the holder of a key that is not limited to stored ones, and for those who manage keys.
    Raises Forbidden, Invalid, Conflict.
    """
    _check_may(actor)
    faults = []
    if not 1 <= len(name.strip()) <= 80:
        faults.append(Fault("/name", "Give a name of 1 to 80 characters."))
    if not 1 <= len(text) <= LONGEST:
        faults.append(Fault("/text", f"Give a document of 1 to {LONGEST} characters."))
    if faults:
        raise Invalid("Some fields are not valid; see 'errors'.", faults)
    sha256 = digest_of(text)
    known = StoredQuery.objects.filter(sha256=sha256).first()
    if known is not None:
        return known, False
    if StoredQuery.objects.count() >= MOST:
        raise Conflict(f"A company keeps at most {MOST} queries; remove one that nobody asks.")
    row, made = StoredQuery.objects.get_or_create(
        sha256=sha256,
        defaults={
            "name": name.strip(),
            "text": text,
            "member_id": actor.member_id,
            "token_id": actor.token_id,
        },
    )
    if made:
        events.record(actor, "query.stored", "stored_query", row.id, data={"sha256": sha256})
    return row, made


@transaction.atomic
def forget(actor: Actor, query_id: UUID) -> None:
    """Takes a document away; whoever sends its digest is told that there is none. Raises NotFound."""
    _check_may(actor)
    row = locked(StoredQuery.objects.all(), actor, query_id)
    if not may(actor, Action.MANAGE_KEYS) and row.token_id != actor.token_id:
        raise Forbidden("Another key or person stored this; those who manage keys may remove it.")
    events.record(actor, "query.forgotten", "stored_query", row.id, data={"sha256": row.sha256})
    StoredQuery.objects.filter(id=row.id).delete()


def _check_may(actor: Actor) -> None:
    require(actor, Action.READ)
    if actor.kind is not TokenKind.INTEGRATION:
        require(actor, Action.MANAGE_KEYS)


def text_of(actor: Actor, sha256: str) -> str:
    """The document of a digest. Raises NotFound."""
    found = visible_stored_queries(actor).filter(sha256=sha256.lower()).values_list("text", flat=True)
    text: str | None = found.first()
    if text is None:
        raise NotFound("There is no stored query by this id; store its text first.")
    return text
