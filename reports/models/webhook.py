"""Other systems that are told of events: addresses, what waits for each, and each try. No evidence."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models import Event, Member
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class OffReason(models.TextChoices):
    """Why nothing is sent to a webhook any more."""

    OWNER = "owner", gettext_noop("Switched off")
    GONE = "gone", gettext_noop("The receiver said that it is gone (410)")
    FAILING = "failing", gettext_noop("Every try failed for five days")


class Webhook(TenantModel):
    """An address that the company's events are sent to.

    `cursor`: number of the last event that was looked at for it. What waits stands in `WebhookMessage`, a
    bounded number at a time; all later events wait in the log itself.
    """

    url = models.CharField(max_length=500)
    description = models.CharField(max_length=200, blank=True)
    verbs = models.JSONField(default=list, blank=True, help_text="Kinds of event that are sent; empty: all.")
    active = models.BooleanField(default=True)
    off_reason = models.TextField(choices=OffReason.choices, blank=True)
    off_at = models.DateTimeField(null=True, blank=True)
    secret = models.BinaryField(help_text="Encrypted with SIGNING_KEY.")
    former_secret = models.BinaryField(default=b"", help_text="Encrypted with SIGNING_KEY.")
    former_until = models.DateTimeField(null=True, blank=True, help_text="Until then it signs too.")
    cursor = models.BigIntegerField(default=0)
    failures = models.PositiveIntegerField(default=0, help_text="Failed tries since the last good one.")
    failing_since = models.DateTimeField(null=True, blank=True)
    rests_until = models.DateTimeField(null=True, blank=True)
    delivered_at = models.DateTimeField(null=True, blank=True, help_text="The last good try.")
    created_by = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    created_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta(TenantModel.Meta):
        verbose_name = "webhook"
        indexes = [
            models.Index(
                fields=["company", "id"],
                name="webhook_active",
                condition=models.Q(active=True, removed_at__isnull=True),
            )
        ]


class MessageState(models.TextChoices):
    """How far a message is."""

    WAITING = "waiting", gettext_noop("Waiting")
    DELIVERED = "delivered", gettext_noop("Delivered")
    GIVEN_UP = "given_up", gettext_noop("Given up")


class WebhookMessage(TenantModel):
    """One event for one webhook; without an event it is a sample. Its `webhook-id` follows from both."""

    webhook = TenantForeignKey(Webhook, models.CASCADE, related_name="messages", db_index=False)
    event = TenantForeignKey(Event, models.PROTECT, null=True, blank=True, related_name="+", db_index=False)
    number = models.BigIntegerField(default=0, help_text="The event's number; 0 for a sample.")
    subject_id = models.UUIDField(help_text="Messages of one subject go out in the order of their numbers.")
    state = models.TextField(choices=MessageState.choices, default=MessageState.WAITING)
    tries = models.PositiveSmallIntegerField(default=0)
    due_at = models.DateTimeField()
    created_at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "webhook", "event"], name="webhook_message_once")
        ]
        indexes = [
            models.Index(fields=["company", "webhook", "state", "number"], name="webhook_message_waiting"),
        ]


class Outcome(models.TextChoices):
    """What came of one try."""

    DELIVERED = "delivered", gettext_noop("Delivered")
    REFUSED = "refused", gettext_noop("The receiver refused it")
    FAILED = "failed", gettext_noop("The receiver failed")
    BUSY = "busy", gettext_noop("The receiver asked to wait")
    GONE = "gone", gettext_noop("The receiver is gone for good")
    REDIRECTED = "redirected", gettext_noop("The receiver points elsewhere; that is not followed")
    TIMEOUT = "timeout", gettext_noop("No answer in time")
    UNREACHABLE = "unreachable", gettext_noop("No connection")
    CERTIFICATE = "certificate", gettext_noop("The receiver's certificate is not valid")
    NAME = "name", gettext_noop("The host name leads to no address")
    ADDRESS = "address", gettext_noop("The host leads to an address that is not public")
    GARBLED = "garbled", gettext_noop("The answer is not proper HTTP")


class WebhookAttempt(TenantModel):
    """One try to deliver a message. Kept for 30 days."""

    webhook = TenantForeignKey(Webhook, models.CASCADE, related_name="attempts", db_index=False)
    message = TenantForeignKey(WebhookMessage, models.CASCADE, related_name="attempts")
    at = models.DateTimeField()
    seconds = models.FloatField(help_text="How long it took.")
    outcome = models.TextField(choices=Outcome.choices)
    status = models.PositiveSmallIntegerField(null=True, blank=True, help_text="HTTP status, if one came.")
    answer = models.TextField(blank=True, help_text="How the answer begins.")
    next_at = models.DateTimeField(null=True, blank=True, help_text="When it is tried again, if it is.")

    class Meta(TenantModel.Meta):
        indexes = [models.Index(fields=["company", "webhook", "id"], name="webhook_attempt_log")]
