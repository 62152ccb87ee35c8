"""Photos and notes of a job, as they came from a tablet, and uploads that are not finished yet."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models import Device, Job, Member, TestPoint
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel
from measurements.models.session import Session


class PhotoKind(models.TextChoices):
    PHOTO = "photo", gettext_noop("Photo")
    NOTE = "note", gettext_noop("Note")


class PhotoSubject(models.TextChoices):
    """What a photo is of, or a note about."""

    PLAIN = "plain", gettext_noop("Photo")
    MARK = "mark", gettext_noop("Damper mark")
    NAMEPLATE = "nameplate", gettext_noop("Nameplate")
    PLANE = "plane", gettext_noop("Measuring plane")
    DEFICIENCY = "deficiency", gettext_noop("Deficiency")


class PhotoType(models.TextChoices):
    """What a photo's file is, by its content."""

    JPEG = "image/jpeg", "JPEG"
    PNG = "image/png", "PNG"
    WEBP = "image/webp", "WebP"


class PhotoHead(TenantModel):
    """What the tablet says of a photo or note. Without a test point it is of the whole job."""

    kind = models.TextField(choices=PhotoKind.choices)
    subject = models.TextField(choices=PhotoSubject.choices, default=PhotoSubject.PLAIN)
    text = models.TextField(max_length=2000, blank=True, help_text="Caption, or the note itself.")
    taken_at = models.DateTimeField(help_text="The tablet's clock.")
    type = models.TextField(choices=PhotoType.choices, blank=True)
    size = models.PositiveIntegerField(default=0, help_text="Bytes.")
    digest = models.CharField(max_length=64, blank=True, help_text="SHA-256 of the file as it was sent.")
    job = TenantForeignKey(Job, models.PROTECT, related_name="+")
    test_point = TenantForeignKey(TestPoint, models.PROTECT, null=True, blank=True, related_name="+")
    session = TenantForeignKey(Session, models.PROTECT, null=True, blank=True, related_name="+")
    member = TenantForeignKey(Member, models.PROTECT, related_name="+", db_index=False)
    device = TenantForeignKey(Device, models.PROTECT, null=True, blank=True, related_name="+", db_index=False)

    class Meta(TenantModel.Meta):
        abstract = True


class Photo(PhotoHead):
    """A photo or note, byte for byte as it was sent. The id is the tablet's. Append-only."""

    received_at = models.DateTimeField()
    width = models.PositiveIntegerField(default=0, help_text="Pixels.")
    height = models.PositiveIntegerField(default=0, help_text="Pixels.")
    stored = models.CharField(max_length=200, blank=True, help_text="Its place in the storage.")

    class Meta(PhotoHead.Meta):
        abstract = False
        constraints = [AppendOnly(name="photo_append_only")]
        indexes = [models.Index(fields=["company", "job", "test_point", "taken_at"], name="photo_of_point")]


class PhotoChangeKind(models.TextChoices):
    CORRECTED = "corrected", gettext_noop("Corrected")
    REMOVED = "removed", gettext_noop("Removed")
    RESTORED = "restored", gettext_noop("Taken back in")
    ERASED = "erased", gettext_noop("File erased")


class PhotoChange(TenantModel):
    """What became of a photo or note afterwards: by whom, when, why. Append-only; the newest counts.

    A correction says all that may be corrected as it is right; other kinds leave it empty. `erased`: the file
    is taken out of the storage, since it shows what must not be kept; the photo's row and digest stay.
    """

    photo = TenantForeignKey(Photo, models.PROTECT, related_name="changes", db_index=False)
    kind = models.TextField(choices=PhotoChangeKind.choices)
    subject = models.TextField(choices=PhotoSubject.choices, blank=True)
    text = models.TextField(max_length=2000, blank=True)
    test_point = TenantForeignKey(
        TestPoint, models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )
    member = TenantForeignKey(Member, models.PROTECT, related_name="+", db_index=False)
    at = models.DateTimeField(help_text="By the server's clock.")
    reason = models.TextField(max_length=2000)

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="photo_change_append_only")]
        indexes = [models.Index(fields=["company", "photo", "at"], name="photo_change_of")]


class PhotoUpload(PhotoHead):
    """A photo that was announced and has not arrived whole: no evidence yet, and forgotten in the end."""

    announced_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    offset = models.PositiveIntegerField(default=0, help_text="Bytes that have arrived.")

    class Meta(PhotoHead.Meta):
        abstract = False
        indexes = [models.Index(fields=["company", "expires_at"], name="photo_upload_expires")]


class PhotoPart(TenantModel):
    """Bytes of an unfinished upload, from an offset on."""

    upload = TenantForeignKey(PhotoUpload, models.CASCADE, related_name="parts", db_index=False)
    offset = models.PositiveIntegerField()
    data = models.BinaryField()

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "upload", "offset"], name="photo_part_once")
        ]
