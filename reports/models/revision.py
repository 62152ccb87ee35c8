"""Who answered for it, what left the house."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models import Job, Member
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class DocumentKind(models.TextChoices):
    """What a frozen document is. Only a report is approved; the others go out before it or beside it."""

    REPORT = "report", gettext_noop("Report")
    INTERIM = "interim", gettext_noop("Interim report")
    DEFICIENCIES = "deficiencies", gettext_noop("Deficiency list")
    DEFERRED = "deferred", gettext_noop("List of deferred points")


class SignatureLevel(models.TextChoices):
    """How far a file's signature goes (ETSI EN 319 142-1, baseline levels)."""

    NONE = "none", gettext_noop("Not signed")
    B_B = "B-B", gettext_noop("PAdES B-B: signed, the time is the signer's own")
    B_T = "B-T", gettext_noop("PAdES B-T: signed, with a trusted time inside the signature")


class Revision(TenantModel):
    """A job as it was approved: canonical JSON of the whole report, chained to the revision before.

    A document of another kind is frozen the same way, with revisions of its own.
    """

    job = TenantForeignKey(Job, models.PROTECT, related_name="revisions")
    kind = models.TextField(choices=DocumentKind.choices, default=DocumentKind.REPORT)
    revision = models.PositiveIntegerField()
    supersedes = TenantForeignKey("self", models.PROTECT, null=True, blank=True, related_name="superseded_by")
    approved_by = TenantForeignKey(Member, models.PROTECT, related_name="+")
    approved_at = models.DateTimeField()
    self_approved = models.BooleanField(help_text="The approver measured on this job.")
    set_digest = models.CharField(max_length=64, help_text="What the approver saw.")
    snapshot = models.BinaryField(help_text="Canonical JSON, zlib.")
    snapshot_digest = models.CharField(max_length=64)
    readings_csv = models.BinaryField(help_text="The readings the report rests on, CSV, zlib.")
    paper = models.TextField(default="A4")

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "job", "kind", "revision"], name="revision_number"),
            AppendOnly(name="revision_append_only"),
        ]


class Issue(TenantModel):
    """The decision to send a revision out under a number. The file follows when it is rendered."""

    revision = TenantForeignKey(Revision, models.PROTECT, related_name="issues")
    number = models.CharField(max_length=40)
    address_key = models.CharField(max_length=43, help_text="Unguessable part of the public address.")
    issued_by = TenantForeignKey(Member, models.PROTECT, related_name="+")
    issued_at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "revision"], name="issue_revision_once"),
            AppendOnly(name="issue_append_only"),
        ]
        indexes = [models.Index(fields=["company", "number"], name="issue_number")]


class IssuedFile(TenantModel):
    """The finished PDF: where it lies, SHA-256, size, how it is signed. One an issue, never replaced."""

    issue = TenantForeignKey(Issue, models.PROTECT, related_name="files")
    name = models.TextField(help_text="Place in the file storage.")
    sha256 = models.CharField(max_length=64)
    size = models.BigIntegerField()
    pages = models.PositiveIntegerField()
    rendered_at = models.DateTimeField()
    signature_level = models.CharField(
        max_length=4, choices=SignatureLevel.choices, default=SignatureLevel.NONE
    )
    signer = models.TextField(blank=True, help_text="Whom the signing certificate names.")
    signed_at = models.DateTimeField(null=True, blank=True)
    certificate_fingerprint = models.CharField(max_length=64, blank=True)

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "issue"], name="issued_file_once"),
            AppendOnly(name="issued_file_append_only"),
        ]
        indexes = [models.Index(fields=["company", "sha256"], name="issued_file_digest")]
