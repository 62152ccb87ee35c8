"""What is sent for an event: the body, and headers by Standard Webhooks 1.0.0."""

import base64
import secrets
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any
from uuid import UUID, uuid5

from standardwebhooks import Webhook as Signer

from jobs import events
from jobs.models import Event
from reports.models import Webhook, WebhookMessage
from reports.outgoing.kinds import SAMPLE

SECRET_BYTES = 32
PREFIX = "whsec_"


def new_secret() -> str:
    """256 random bits as the specification writes them."""
    return PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()


def message_id(webhook_id: UUID, event_id: UUID) -> str:
    """The `webhook-id`: the same whenever this event is sent to this webhook, be it a year later."""
    return f"msg_{uuid5(webhook_id, event_id.hex).hex}"


def id_of(message: WebhookMessage) -> str:
    return message_id(message.webhook_id, message.event_id or message.id)


def body_of(message: WebhookMessage) -> bytes:
    """Canonical JSON: type, timestamp, data. The same bytes at every try."""
    event = message.event
    at, told = (message.created_at, _sample()) if event is None else (event.at, _told(message.number, event))
    kind = SAMPLE if event is None else event.verb
    return events.canonical({"type": kind, "timestamp": events.stamp(at), "data": told})


def _told(number: int, event: Event) -> dict[str, Any]:
    by = {"member": event.member_id, "device": event.device_id, "key": event.token_id}
    return {
        "number": number,
        "id": str(event.id),
        "company": str(event.company_id),
        "at": events.stamp(event.at),
        "verb": event.verb,
        "subject": {"type": event.subject_type, "id": str(event.subject_id)},
        "by": {name: str(one) if one else None for name, one in by.items()},
        "data": event.data,
        "content_digest": event.content_digest,
    }


def _sample() -> dict[str, Any]:
    return {"words": "A sample, sent to try this address. Nothing happened."}


def headers(message_id: str, body: bytes, signers: Sequence[str], now: datetime) -> dict[str, str]:
    """Id, time of this try, and a signature under each secret, newest first."""
    at = now.astimezone(UTC)
    signatures = [Signer(secret).sign(message_id, at, body.decode()) for secret in signers]
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(int(at.timestamp())),
        "webhook-signature": " ".join(signatures),
    }


def short_address(webhook: Webhook) -> str:
    """Scheme and host: paths of such addresses are often secrets, so logs and events have no more."""
    return "/".join(webhook.url.split("/", 3)[:3])
