"""Which photos and notes go into a job's documents."""

from django.db import models

from jobs.models import Member
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel
from measurements.models import Photo


class PhotoChoice(TenantModel):
    """That a photo or note is shown in the job's documents, or no more. Append-only; the newest counts.

    A photo that is shown has a print: the JPEG, made smaller, that stands in the documents.
    """

    photo = TenantForeignKey(Photo, models.PROTECT, related_name="choices", db_index=False)
    shown = models.BooleanField()
    print_digest = models.CharField(max_length=64, blank=True, help_text="SHA-256 of the print.")
    print_size = models.PositiveIntegerField(default=0, help_text="Bytes.")
    print_width = models.PositiveIntegerField(default=0, help_text="Pixels.")
    print_height = models.PositiveIntegerField(default=0, help_text="Pixels.")
    member = TenantForeignKey(Member, models.PROTECT, related_name="+", db_index=False)
    at = models.DateTimeField()
    reason = models.TextField(max_length=2000, blank=True)

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="photo_choice_append_only")]
        indexes = [models.Index(fields=["company", "photo", "at"], name="photo_choice_of")]
