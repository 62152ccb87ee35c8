"""Changes of webhooks: addresses, secrets, replays."""

import strawberry

from config.graphql.changes.base import Asked, Done, Outcome, Repeats, change
from config.graphql.webhooks import Webhook
from jobs.access import Action
from reports import webhooks
from reports.outgoing.messages import id_of
from reports.rest import webhooks as shapes


@strawberry.type
class WebhookOutcome(Outcome):
    webhook: Webhook | None = None
    secret: str | None = strawberry.field(
        default=None, description="whsec_… (Standard Webhooks 1.0.0). A new one, shown in this answer only."
    )


@strawberry.type
class WebhookReplayOutcome(Outcome):
    after: int | None = strawberry.field(
        default=None, description="Number; events with higher numbers are sent again."
    )


@strawberry.type
class WebhookSampleOutcome(Outcome):
    message: str | None = strawberry.field(default=None, description="The `webhook-id` it is sent with.")


@change(Action.MANAGE_WEBHOOKS, takes=shapes.WebhookIn, repeats=Repeats.SHOWN_ONCE)
def webhook_make(asked: Asked) -> WebhookOutcome:
    """Sends events from now on. `secret` is shown in this answer only: a repeat is answered 409."""
    row, secret = webhooks.make(asked.actor, **asked.given)
    return WebhookOutcome.of(webhook=row, secret=secret)


@change(Action.MANAGE_WEBHOOKS, "webhook", takes=shapes.WebhookChange, seen=int)
def webhook_change(asked: Asked) -> WebhookOutcome:
    """Changes it. Switched on again it goes on with the event at which it stopped."""
    seen, changes = asked.version, asked.given
    return WebhookOutcome.of(webhook=webhooks.change(asked.actor, asked.at("webhook"), seen, changes))


@change(Action.MANAGE_WEBHOOKS, "webhook")
def webhook_remove(asked: Asked) -> Done:
    """Sends nothing more, and forgets the secret."""
    webhooks.remove(asked.actor, asked.at("webhook"))
    return Done.of(done=True)


@change(Action.MANAGE_WEBHOOKS, "webhook", takes=shapes.RotateIn, repeats=Repeats.SHOWN_ONCE)
def webhook_rotate(asked: Asked) -> WebhookOutcome:
    """A new secret, shown in this answer only; the one before signs too for a while."""
    row, secret = webhooks.rotate(asked.actor, asked.at("webhook"), **asked.given)
    return WebhookOutcome.of(webhook=row, secret=secret)


@change(Action.MANAGE_WEBHOOKS, "webhook", takes=shapes.ReplayIn, repeats=Repeats.ANSWERED)
def webhook_replay(asked: Asked) -> WebhookReplayOutcome:
    """Sends again what came after a number or since a moment; each event under the id it had."""
    start = webhooks.replay(asked.actor, asked.at("webhook"), **asked.given)
    return WebhookReplayOutcome(after=start)


@change(Action.MANAGE_WEBHOOKS, "webhook", repeats=Repeats.ANSWERED)
def webhook_sample(asked: Asked) -> WebhookSampleOutcome:
    """Sends a sample soon; see the tries for what came of it."""
    return WebhookSampleOutcome(message=id_of(webhooks.sample(asked.actor, asked.at("webhook"))))
