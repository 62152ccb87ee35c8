"""What the import of design schedules keeps: files on their way in, and what columns of a customer mean."""

from django.db import models

from jobs.models.company import Member
from jobs.models.plan import Customer, Site
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class ScheduleHead(TenantModel):
    """What a column with this head means in the schedules of a customer, as somebody said."""

    customer = TenantForeignKey(Customer, models.CASCADE, related_name="schedule_heads")
    head = models.CharField(max_length=130, help_text="In small letters; doubles within a file are counted.")
    column = models.CharField(max_length=40, blank=True, help_text="Empty: it is not read.")
    unit = models.CharField(max_length=40, blank=True, help_text="UCUM; empty: as file or cell say.")
    said_at = models.DateTimeField(auto_now=True)

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "customer", "head"], name="schedule_head_once")
        ]


class ScheduleDraft(TenantModel):
    """A schedule between its upload and its import. The file is read anew at each step and never trusted.

    Once imported the file is emptied and `imported` holds the counts, so that a repeat finds them.
    """

    site = TenantForeignKey(Site, models.CASCADE, related_name="schedule_drafts")
    file_name = models.CharField(max_length=120, blank=True)
    content = models.BinaryField(default=b"")
    said = models.JSONField(default=dict)
    created_by = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    imported_at = models.DateTimeField(null=True, blank=True)
    imported = models.JSONField(default=dict)

    class Meta(TenantModel.Meta):
        indexes = [models.Index(fields=["company", "created_at"], name="schedule_draft_age")]
