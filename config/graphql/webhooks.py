"""Other systems that are told of events, and each try to tell them."""

from datetime import datetime
from typing import Any

import strawberry

from config.graphql.lists import NEWEST_FIRST, Connection, Filters, filters, many
from config.graphql.people import Member
from config.graphql.rows import Node, node, one, told
from jobs.access import Action, Actor, require
from jobs.queries import visible
from reports import models as reports
from reports import queries
from reports.outgoing.messages import id_of
from reports.rest.webhooks import ATTEMPT_FILTERS

ATTEMPTS: Filters = filters(
    ATTEMPT_FILTERS, outcome=(str, f"Only tries that ended so: {', '.join(reports.Outcome.values)}.")
)


def _attempts(actor: Actor) -> Any:
    rows = reports.WebhookAttempt.objects.filter(webhook__removed_at=None)
    return visible(rows.select_related("message__event"), require(actor, Action.MANAGE_WEBHOOKS))


@node(reports.WebhookAttempt, "One try to deliver one message, kept for 30 days.", rows=_attempts)
class WebhookAttempt(Node):
    at: datetime
    number: int = told("message.number", "The event's; 0 for a sample.")
    outcome: str
    words: str = strawberry.field(resolver=lambda root: root.get_outcome_display())
    status: int | None
    seconds: float
    answer: str = strawberry.field(description="How the answer begins, as text of unknown meaning.")
    next_at: datetime | None

    @strawberry.field(description="The `webhook-id`.")
    def message(root: Any) -> str:
        return id_of(root.message)

    @strawberry.field
    def verb(root: Any) -> str:
        event = root.message.event
        return event.verb if event is not None else "webhook.sample"


@node(
    reports.Webhook,
    "An address that events are sent to, for those who manage keys. Its secret never leaves.",
    rows=lambda actor: queries.visible_webhooks(actor).select_related(None).defer("secret", "former_secret"),
)
class Webhook(Node):
    url: str
    description: str
    verbs: list[str] = strawberry.field(description="Kinds of event that are sent; empty: all.")
    active: bool
    off_reason: str
    off_at: datetime | None
    cursor: int = strawberry.field(description="Number of the last event that was queued or passed over.")
    failing_since: datetime | None
    rests_until: datetime | None
    delivered_at: datetime | None
    former_until: datetime | None
    created_by: Member | None = one("created_by")
    created_at: datetime
    version: int
    attempts: Connection[WebhookAttempt] = many(
        reports.WebhookAttempt, "webhook", "Newest first.", order=NEWEST_FIRST, narrowed=ATTEMPTS
    )
