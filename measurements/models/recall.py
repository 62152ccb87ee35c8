"""A bad instrument and what it touched: cases, what was found anew, what was decided. All append-only."""

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.utils.translation import gettext_noop

from jobs.models import Certificate, Instrument, Member, Quantity
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel
from measurements.models.result import Outcome, Result, Verdict
from measurements.models.session import Session


class RecallGround(models.TextChoices):
    """Why readings are in doubt."""

    FOUND = "found", gettext_noop("Found outside its tolerance")
    WITHDRAWN = "withdrawn", gettext_noop("Certificate withdrawn")


class RecallCase(TenantModel):
    """An instrument that showed wrong for a quantity, by which certificate, since when.

    `finding` holds the certificate's points as they were judged when the case was opened. The readings in
    doubt are those of days from `starts_on` (empty: from the first) until before `ends_on` (empty: until the
    next calibration). Whether it is open follows from its items and their decisions.
    """

    instrument = TenantForeignKey(Instrument, models.PROTECT, related_name="recalls")
    quantity = models.TextField(choices=Quantity.choices)
    ground = models.TextField(choices=RecallGround.choices)
    certificate = TenantForeignKey(Certificate, models.PROTECT, related_name="recalls")
    last_good = TenantForeignKey(Certificate, models.PROTECT, null=True, blank=True, related_name="+")
    starts_on = models.DateField(null=True, blank=True)
    ends_on = models.DateField(null=True, blank=True)
    finding = models.JSONField()
    reason = models.TextField(max_length=2000, blank=True)
    opened_by = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    opened_at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["company", "certificate", "quantity", "ground"], name="recall_case_once"
            ),
            AppendOnly(name="recall_case_append_only"),
        ]
        indexes = [models.Index(fields=["company", "instrument"], name="recall_case_of")]


class RecallPart(TenantModel):
    """Some of a case's sessions that one worker computes anew. Taken away when that is done."""

    case = TenantForeignKey(RecallCase, models.PROTECT, related_name="parts")
    sessions = ArrayField(models.UUIDField())


class RecallItem(TenantModel):
    """A session computed with the error that was found, beside the result that it is compared with.

    SI. It is never a result: the one that was reported stays. The newest item of a session counts.
    """

    case = TenantForeignKey(RecallCase, models.PROTECT, related_name="items")
    session = TenantForeignKey(Session, models.PROTECT, related_name="recall_items", db_index=False)
    result = TenantForeignKey(Result, models.PROTECT, related_name="+", db_index=False)
    basis_digest = models.CharField(max_length=64, help_text="SHA-256 of the points that stood in.")
    inputs_digest = models.CharField(max_length=64)
    calculation_version = models.CharField(max_length=20)
    computed_at = models.DateTimeField()
    outcome = models.TextField(choices=Outcome.choices)
    refusal = models.TextField(blank=True)
    value = models.FloatField(null=True, help_text="Of the measurand, as compared; SI")
    value_expanded = models.FloatField(null=True, help_text="Its U, 95.45 %")
    share_of_design = models.FloatField(null=True)
    verdict = models.TextField(choices=Verdict.choices)
    accepted = models.BooleanField(null=True)
    verdict_changed = models.BooleanField(help_text="The verdict's word or its acceptance is another.")
    shift = models.FloatField(null=True, help_text="By how many U of the result the value moved, signed.")
    moved = models.BooleanField(help_text="By more than the bound, or there is no value now.")

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["company", "case", "session", "result", "basis_digest", "calculation_version"],
                name="recall_item_once",
            ),
            AppendOnly(name="recall_item_append_only"),
        ]
        indexes = [models.Index(fields=["company", "session", "case"], name="recall_item_of_session")]


class RecallDecisionKind(models.TextChoices):
    """What is done about a session that a bad instrument read."""

    NO_EFFECT = "no_effect", gettext_noop("No effect")
    REMEASURE = "remeasure", gettext_noop("Measure again")
    REISSUE = "reissue", gettext_noop("Issue the report anew")
    CUSTOMER_TOLD = "customer_told", gettext_noop("Customer told")


class RecallDecision(TenantModel):
    """What was decided on an item, by whom and why. The newest counts."""

    item = TenantForeignKey(RecallItem, models.PROTECT, related_name="decisions", db_index=False)
    kind = models.TextField(choices=RecallDecisionKind.choices)
    reason = models.TextField(max_length=2000)
    member = TenantForeignKey(Member, models.PROTECT, related_name="+", db_index=False)
    decided_at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="recall_decision_append_only")]
        indexes = [models.Index(fields=["company", "item", "decided_at"], name="recall_decision_of")]
