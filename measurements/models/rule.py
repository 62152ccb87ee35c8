"""What a company set otherwise in the rules that raise flags. Append-only; the newest of a name counts."""

from django.db import models

from jobs.models import Member
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel
from measurements.models.result import Severity


class RuleSetting(TenantModel):
    """A number of a rule, or its severity, from this moment on. Both empty: back to the default."""

    rule = models.TextField()
    name = models.TextField(help_text="Of the number, or 'severity'.")
    value = models.FloatField(null=True, blank=True, help_text="SI")
    severity = models.TextField(choices=Severity.choices, blank=True)
    member = TenantForeignKey(Member, models.PROTECT, related_name="+", db_index=False)
    at = models.DateTimeField()
    why = models.TextField(max_length=2000)

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="rule_setting_append_only")]
        indexes = [models.Index(fields=["company", "rule", "name", "at"], name="rule_setting_of")]
