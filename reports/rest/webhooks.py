"""Thin doors to webhooks: addresses, secrets, replays, the log of tries; and the shape of what is sent."""

from typing import Any
from uuid import UUID

from django.shortcuts import get_object_or_404
from django.urls import reverse
from drf_spectacular.utils import OpenApiParameter, OpenApiWebhook, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.http.door import Door, Strict, seen_version, tagged
from jobs.http.idempotency import Repeatable, ShownOnce
from jobs.rest.examples import sent
from jobs.rest.fields import Known, matching, one_of
from reports import webhooks
from reports.models import Outcome, Webhook, WebhookAttempt
from reports.outgoing.addresses import LONGEST
from reports.outgoing.kinds import VERBS
from reports.outgoing.messages import id_of
from reports.queries import visible_attempts, visible_webhooks


def _verbs(**options: Any) -> serializers.ListField:
    return serializers.ListField(child=serializers.CharField(max_length=80), max_length=len(VERBS), **options)


class WebhookOut(serializers.ModelSerializer[Webhook]):
    """An address that events are sent to. Its secret never leaves."""

    verbs = _verbs(help_text="Kinds of event that are sent; empty: all.")
    off_reason = serializers.CharField(help_text="owner, gone or failing; empty while it is on.")
    cursor = serializers.IntegerField(help_text="Number of the last event that was queued or passed over.")

    class Meta:
        model = Webhook
        fields = (
            "id", "url", "description", "verbs", "active", "off_reason", "off_at", "cursor", "failing_since",
            "rests_until", "delivered_at", "former_until", "created_at", "version",
        )  # fmt: skip
        read_only_fields = fields


class WebhookIn(Strict):
    url = serializers.CharField(
        max_length=LONGEST, help_text="https, a host with public addresses only, port 443 or from 1024 up."
    )
    description = serializers.CharField(max_length=200, allow_blank=True, required=False)
    verbs = _verbs(required=False, help_text="Kinds of event to send, e.g. report.issued; empty: all.")
    active = serializers.BooleanField(required=False)


class WebhookChange(WebhookIn):
    url = serializers.CharField(max_length=LONGEST, required=False)


class WebhookShown(WebhookOut):
    """The same with the new secret, shown in this answer only."""

    secret = serializers.SerializerMethodField(help_text="whsec_… (Standard Webhooks 1.0.0).")

    class Meta(WebhookOut.Meta):
        fields = (*WebhookOut.Meta.fields, "secret")  # type: ignore[assignment]
        read_only_fields = fields  # type: ignore[assignment]

    def get_secret(self, row: Webhook) -> str:
        return str(self.context["secret"])


class RotateIn(Strict):
    overlap_hours = serializers.IntegerField(
        min_value=0,
        max_value=webhooks.LONGEST_OVERLAP_HOURS,
        required=False,
        help_text="How long the secret before signs too; 24 unless told.",
    )


class ReplayIn(Strict):
    """One of the two."""

    after = serializers.IntegerField(
        min_value=0, max_value=10**18, required=False, help_text="Number of the event after which to begin."
    )
    since = serializers.DateTimeField(required=False, help_text="Begin with what happened then.")


class ReplayOut(serializers.Serializer[Any]):
    after = serializers.IntegerField(help_text="Events with higher numbers are sent again.")


class SampleOut(serializers.Serializer[Any]):
    message = serializers.CharField(help_text="The `webhook-id` it is sent with.")


class AttemptOut(serializers.ModelSerializer[WebhookAttempt]):
    """One try to deliver one message."""

    message = serializers.SerializerMethodField(help_text="The `webhook-id`.")
    number = serializers.IntegerField(source="message.number", help_text="The event's; 0 for a sample.")
    verb = serializers.CharField(source="message.event.verb", default="webhook.sample")
    outcome = serializers.ChoiceField(choices=Outcome.choices)
    words = serializers.CharField(source="get_outcome_display")
    answer = serializers.CharField(help_text="How the answer begins, as text of unknown meaning.")

    class Meta:
        model = WebhookAttempt
        fields = (
            "id", "at", "message", "number", "verb", "outcome", "words", "status", "seconds", "answer",
            "next_at",
        )  # fmt: skip
        read_only_fields = fields

    def get_message(self, row: WebhookAttempt) -> str:
        return id_of(row.message)


class Webhooks(ShownOnce, Door):
    needs = {"GET": Action.MANAGE_WEBHOOKS, "POST": Action.MANAGE_WEBHOOKS}
    serializer_class = WebhookOut

    @extend_schema(operation_id="webhook_list", tags=["webhooks"], responses=WebhookOut(many=True))
    def get(self, request: Request) -> Response:
        """The company's webhooks; never their secrets."""
        self.filters()
        return self.page(visible_webhooks(self.actor), WebhookOut)  # type: ignore[no-any-return]

    @extend_schema(
        operation_id="webhook_make",
        tags=["webhooks"],
        request=WebhookIn,
        responses={201: WebhookShown},
        examples=sent(
            "Issued reports", {"url": "https://hooks.example.com/flow", "verbs": ["report.issued"]}
        ),
    )
    def post(self, request: Request) -> Response:
        """Sends events from now on. `secret` is shown in this answer only: a repeat is answered 409."""
        row, secret = webhooks.make(self.actor, **self.read(WebhookIn))
        headers = {"Location": reverse("api-webhook", args=[row.id])}
        return Response(WebhookShown(row, context={"secret": secret}).data, status=201, headers=headers)


class WebhookDoor(Door):
    needs = {"GET": Action.MANAGE_WEBHOOKS, "PATCH": Action.MANAGE_WEBHOOKS, "DELETE": Action.MANAGE_WEBHOOKS}
    serializer_class = WebhookOut

    @extend_schema(operation_id="webhook", tags=["webhooks"], responses=WebhookOut)
    def get(self, request: Request, webhook_id: UUID) -> Response:
        """One webhook, and how it does."""
        row = get_object_or_404(visible_webhooks(self.actor), id=webhook_id)
        return tagged(WebhookOut(row).data, row.version)

    @extend_schema(
        operation_id="webhook_change",
        examples=sent(
            "Reports and their corrections",
            {"description": "Reports only", "verbs": ["report.issued", "session.corrected"]},
        ),
        tags=["webhooks"],
        request=WebhookChange,
        responses=WebhookOut,
    )
    def patch(self, request: Request, webhook_id: UUID) -> Response:
        """Changes it. Switched on again it goes on with the event at which it stopped."""
        seen, changes = seen_version(request), self.read(WebhookChange)
        row = webhooks.change(self.actor, webhook_id, seen, changes)
        return tagged(WebhookOut(row).data, row.version)

    @extend_schema(operation_id="webhook_remove", tags=["webhooks"], responses={204: None})
    def delete(self, request: Request, webhook_id: UUID) -> Response:
        """Sends nothing more, and forgets the secret."""
        webhooks.remove(self.actor, webhook_id)
        return Response(status=204)


class WebhookRotation(ShownOnce, Door):
    needs = {"POST": Action.MANAGE_WEBHOOKS}
    serializer_class = RotateIn

    @extend_schema(
        operation_id="webhook_rotate",
        examples=sent("The receiver changes it today", {"overlap_hours": 8}),
        tags=["webhooks"],
        request=RotateIn,
        responses={200: WebhookShown},
    )
    def post(self, request: Request, webhook_id: UUID) -> Response:
        """A new secret, shown in this answer only; the one before signs too for a while."""
        row, secret = webhooks.rotate(self.actor, webhook_id, **self.read(RotateIn))
        return Response(WebhookShown(row, context={"secret": secret}).data)


class WebhookReplay(Repeatable, Door):
    needs = {"POST": Action.MANAGE_WEBHOOKS}
    serializer_class = ReplayIn

    @extend_schema(
        operation_id="webhook_replay",
        examples=sent("From a day on", {"since": "2026-03-02T00:00:00+01:00"}),
        tags=["webhooks"],
        request=ReplayIn,
        responses={202: ReplayOut},
    )
    def post(self, request: Request, webhook_id: UUID) -> Response:
        """Sends again what came after a number or since a moment; each event under the id it had."""
        start = webhooks.replay(self.actor, webhook_id, **self.read(ReplayIn))
        return Response(ReplayOut({"after": start}).data, status=202)


class WebhookSample(Repeatable, Door):
    needs = {"POST": Action.MANAGE_WEBHOOKS}
    serializer_class = SampleOut

    @extend_schema(operation_id="webhook_sample", tags=["webhooks"], request=None, responses={202: SampleOut})
    def post(self, request: Request, webhook_id: UUID) -> Response:
        """Sends a sample soon; see the tries for what came of it."""
        made = webhooks.sample(self.actor, webhook_id)
        return Response(SampleOut({"message": id_of(made)}).data, status=202)


ATTEMPT_FILTERS: Known = {"outcome": ("outcome", one_of(Outcome))}


class WebhookAttempts(Door):
    needs = {"GET": Action.MANAGE_WEBHOOKS}
    serializer_class = AttemptOut
    newest_first = True

    @extend_schema(
        operation_id="webhook_attempt_list",
        tags=["webhooks"],
        parameters=[
            OpenApiParameter("outcome", str, enum=Outcome.values, description="Only tries that ended so.")
        ],
        responses=AttemptOut(many=True),
    )
    def get(self, request: Request, webhook_id: UUID) -> Response:
        """Tries of the last 30 days, newest first."""
        hook = get_object_or_404(visible_webhooks(self.actor), id=webhook_id)
        given = self.filters(*ATTEMPT_FILTERS)
        rows = matching(visible_attempts(self.actor, hook.id), given, ATTEMPT_FILTERS)
        return self.page(rows, AttemptOut)  # type: ignore[no-any-return]


# What is sent


class SentSubject(serializers.Serializer[Any]):
    """What the event is about."""

    type = serializers.CharField(help_text="E.g. session, job, report.")
    id = serializers.UUIDField()


class SentBy(serializers.Serializer[Any]):
    """Ids of who did it; all null when the service did."""

    member = serializers.UUIDField(allow_null=True)
    device = serializers.UUIDField(allow_null=True)
    key = serializers.UUIDField(allow_null=True)


class SentEvent(serializers.Serializer[Any]):
    """The event as it stands in the company's log."""

    number = serializers.IntegerField(help_text="Its number in the log; sort by it if order matters.")
    id = serializers.UUIDField()
    company = serializers.UUIDField()
    at = serializers.DateTimeField()
    verb = serializers.ChoiceField(choices=VERBS)
    subject = SentSubject()
    by = SentBy()
    data = serializers.DictField(help_text="What belongs to this kind of event.")  # type: ignore[assignment]
    content_digest = serializers.CharField(help_text="SHA-256 of the evidence that was stored.")

    class Meta:
        ref_name = "WebhookEvent"


class Sent(serializers.Serializer[Any]):
    """The body of a webhook (Standard Webhooks 1.0.0). `webhook.sample` has only `words` in its data."""

    type = serializers.CharField(help_text="The event's verb, or webhook.sample.")
    timestamp = serializers.DateTimeField(help_text="When it happened.")
    data = SentEvent()  # type: ignore[assignment]  # the field of the standard

    class Meta:
        ref_name = "WebhookBody"


EVENT = OpenApiWebhook(
    name="event",
    decorator=extend_schema(
        summary="An event of the company",
        description=(
            "Sent to each webhook that wants events of its kind, at least once. Answer 2xx within 15 s, best "
            "204 at once. Everything else is tried again over four days; 410 switches the webhook off; "
            "Retry-After with 429 or 503 is kept to, up to a day. Events of one subject come in the order of "
            "their numbers; those of different subjects may overtake each other."
        ),
        tags=["webhooks"],
        request=Sent,
        responses={204: None},
    ),
)
HEADERS = {
    "webhook-id": "The same at every try of this event for this webhook; drop what you know.",
    "webhook-timestamp": "Seconds since 1970 of this try; refuse what is 5 minutes off.",
    "webhook-signature": "`v1,` and base64 of HMAC-SHA-256; after a renewal two, with a space between.",
}


def tell_of_headers(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Completes what is said of the webhook: its headers, and no answers of ours, since others answer.

    Kinds of event come with releases, so their list is no promise of all (config/local/openapi_breaks.py).
    """
    result["components"]["schemas"]["WebhookEvent"]["properties"]["verb"] |= {
        "x-may-grow": True,
        "description": "Further kinds come with releases; pass over what you do not know.",
    }
    sent = result["webhooks"]["event"]["post"]
    sent["parameters"] = [
        {"in": "header", "name": name, "required": True, "description": words, "schema": {"type": "string"}}
        for name, words in HEADERS.items()
    ]
    sent["responses"] = {"2XX": {"description": "Taken; its body is not used."}}
    return result
