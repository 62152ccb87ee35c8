"""The company's log, work that is due, answers kept for repeats, counters."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models.company import AccessToken, Device, Member
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class Event(TenantModel):
    """One thing that happened. Audit trail, change feed and source of webhooks at once. Append-only."""

    at = models.DateTimeField()
    verb = models.TextField()
    subject_type = models.TextField()
    subject_id = models.UUIDField()
    member = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    device = TenantForeignKey(Device, models.PROTECT, null=True, blank=True, related_name="+")
    token = TenantForeignKey(AccessToken, models.PROTECT, null=True, blank=True, related_name="+")
    data = models.JSONField(default=dict)
    content_digest = models.CharField(
        max_length=64, blank=True, help_text="SHA-256 of the evidence it stored."
    )

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="event_append_only")]
        indexes = [
            models.Index(fields=["company", "subject_id", "id"], name="event_subject"),
        ]


class EventPosition(TenantModel):
    """An event's number in the company's log and its link in the chain. Written by the sequencer only."""

    event = TenantForeignKey(Event, models.PROTECT, related_name="positions")
    number = models.BigIntegerField()
    mac = models.BinaryField(max_length=32, help_text="HMAC-SHA-256 over the link before and this event.")

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "number"], name="event_number"),
            models.UniqueConstraint(fields=["company", "event"], name="event_numbered_once"),
            AppendOnly(name="event_position_append_only"),
        ]


class UnnumberedEvent(TenantModel):
    """An event that waits for its number; the sequencer takes these away. Same id as the event.

    `seal`: HMAC over the event under the chain's key, made when the event was recorded, so that nobody who
    holds only the database gets an event of their own numbered.
    """

    at = models.DateTimeField(auto_now_add=True)
    seal = models.CharField(max_length=64, default="")


class ChainHead(TenantModel):
    """Where a company's chain ends. One row a company; its lock makes the sequencer one at a time."""

    number = models.BigIntegerField(default=0)
    mac = models.BinaryField(max_length=32)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company"], name="chain_head_once")]


class DueState(models.TextChoices):
    DUE = "due", gettext_noop("Due")
    CLAIMED = "claimed", gettext_noop("Claimed")
    PARKED = "parked", gettext_noop("Parked after repeated failure")


class DueWork(TenantModel):
    """Work promised in the transaction that made it due. The queue only hurries it. Done work is deleted."""

    kind = models.TextField(help_text="Which handler does it; each app registers its own.")
    subject_id = models.UUIDField()
    state = models.TextField(choices=DueState.choices, default=DueState.DUE)
    attempts = models.PositiveSmallIntegerField(default=0)
    due_at = models.DateTimeField()
    lease_until = models.DateTimeField(null=True, blank=True)
    lease_id = models.UUIDField(null=True, blank=True)
    error = models.TextField(blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "kind", "subject_id"], name="due_once")]
        indexes = [
            # In the order in which it is claimed, however much waits.
            models.Index(fields=["company", "due_at"], condition=~models.Q(state="parked"), name="due_open")
        ]


class DueCompany(models.Model):
    """Companies that had work or events to number in some hour: ids only, so the sweeper finds them."""

    id = models.BigAutoField(primary_key=True)
    company_ref = models.UUIDField()
    hour = models.BigIntegerField(help_text="Hours since 1970.")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["company_ref", "hour"], name="due_company_hour")]


class IdempotencyKey(TenantModel):
    """The answer to a request, kept so that a repeat gets the same bytes."""

    principal = models.CharField(max_length=80)
    endpoint = models.CharField(max_length=200)
    key = models.CharField(max_length=200)
    request_digest = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField(default=0)
    content_type = models.CharField(max_length=80, blank=True)
    body = models.BinaryField(default=b"")
    location = models.CharField(max_length=300, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["company", "principal", "endpoint", "key"], name="idempotency_key"
            ),
        ]
        indexes = [models.Index(fields=["company", "created_at"], name="idempotency_age")]


class Counter(TenantModel):
    """The last number given in a series of the company: jobs, reports."""

    series = models.CharField(max_length=40)
    value = models.PositiveBigIntegerField(default=0)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "series"], name="counter_series")]
