"""Checks of instruments in the house, between calibrations. Append-only."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models import Instrument, Member, Quantity
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class CheckKind(models.TextChoices):
    """What an instrument is checked against."""

    ZERO = "zero", gettext_noop("Zero")
    COMPARISON = "comparison", gettext_noop("Comparison of two instruments")


class CheckOutcome(models.TextChoices):
    WITHIN = "within", gettext_noop("Within")
    OUTSIDE = "outside", gettext_noop("Outside")
    NOT_JUDGED = "not_judged", gettext_noop("Not judged")


class IntervalCheck(TenantModel):
    """One check, SI, with the readings as they were shown. A wrong entry is superseded by another.

    `readings` holds each reading's text, unit and SI value, by instrument (own, other), and the certificate
    and limits that were used. Zero: `value` is the mean shown at nought, held against `limit`. Comparison:
    means of both, corrected by their certificates, with U (k = 2) and the En number.
    """

    instrument = TenantForeignKey(Instrument, models.PROTECT, related_name="interval_checks", db_index=False)
    other = TenantForeignKey(Instrument, models.PROTECT, null=True, blank=True, related_name="+")
    kind = models.TextField(choices=CheckKind.choices)
    quantity = models.TextField(choices=Quantity.choices)
    at = models.DateTimeField(help_text="When it was read.")
    member = TenantForeignKey(Member, models.PROTECT, related_name="+", db_index=False)
    entered_at = models.DateTimeField()
    readings = models.JSONField()
    value = models.FloatField(help_text="Mean, SI; corrected in a comparison")
    value_expanded = models.FloatField(help_text="Its U, k = 2")
    other_value = models.FloatField(null=True, blank=True)
    other_expanded = models.FloatField(null=True, blank=True)
    common_expanded = models.FloatField(null=True, blank=True, help_text="Part of both U left out of En")
    en = models.FloatField(null=True, blank=True)
    limit = models.FloatField(null=True, blank=True, help_text="Of a zero: the largest error promised")
    outcome = models.TextField(choices=CheckOutcome.choices)
    reason = models.TextField(max_length=400, blank=True, help_text="Why it is not judged.")
    note = models.TextField(max_length=2000, blank=True)
    supersedes = TenantForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="superseded_by", db_index=False
    )
    why = models.TextField(max_length=2000, blank=True, help_text="Why it supersedes.")

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "supersedes"], name="interval_check_superseded_once"),
            AppendOnly(name="interval_check_append_only"),
        ]
        indexes = [models.Index(fields=["company", "instrument", "at"], name="interval_check_of")]
