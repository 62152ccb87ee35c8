"""Points that are left for later, with the season they wait for and why."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models import Job, Member, TestPoint
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class Season(models.TextChoices):
    """What a deferred point waits for."""

    HEATING = "heating", gettext_noop("Heating season")
    COOLING = "cooling", gettext_noop("Cooling season")
    OCCUPIED = "occupied", gettext_noop("Building in use")
    ACCESS = "access", gettext_noop("Access or plant ready")


class Deferral(TenantModel):
    """A point left for later, or (without a season) no longer so. Append-only; the newest row counts."""

    job = TenantForeignKey(Job, models.PROTECT, related_name="deferrals")
    test_point = TenantForeignKey(TestPoint, models.PROTECT, related_name="deferrals")
    season = models.TextField(choices=Season.choices, blank=True, help_text="Empty: taken back.")
    due_on = models.DateField(null=True, blank=True)
    reason = models.TextField(max_length=2000)
    member = TenantForeignKey(Member, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="deferral_append_only")]
        indexes = [models.Index(fields=["company", "job", "test_point", "at"], name="deferral_of_point")]
