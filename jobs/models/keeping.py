"""How a company's data leaves, comes in and ends: exports, imports, the removal of a whole company."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models.company import Member
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.ids import uuid7
from jobs.tenancy.models import TenantModel


class CompanyExport(TenantModel):
    """The whole company as one file: asked for, made by a worker, fetched by owners until it expires.

    The row stays when the file is gone, so that it can be told later which manifest was handed out.
    """

    asked_by = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    asked_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True, help_text="Empty: a worker has yet to make it.")
    head_number = models.BigIntegerField(default=0, help_text="Number of the last event in it.")
    manifest_digest = models.CharField(max_length=64, blank=True, help_text="SHA-256 of manifest.json.")
    size = models.BigIntegerField(default=0, help_text="Bytes of the archive.")
    row_count = models.BigIntegerField(default=0)
    file_count = models.BigIntegerField(default=0)
    missing_count = models.BigIntegerField(default=0, help_text="Files that are lost or no longer whole.")
    stored = models.CharField(max_length=200, blank=True, help_text="Its place in the storage.")
    expires_at = models.DateTimeField(null=True, blank=True)
    removed_at = models.DateTimeField(null=True, blank=True, help_text="When its file was taken away.")

    class Meta(TenantModel.Meta):
        indexes = [models.Index(fields=["company", "expires_at"], name="export_expires")]


class CompanyImport(TenantModel):
    """That the company came from elsewhere: under which manifest, and how its log ended there. Append-only.

    The log is chained anew here, under this service's key. What it was chained with there stands in
    `ImportedLinks`, under `links_digest`. `left_out` holds SHA-256 of columns that are evidence and secret
    at once and so did not come: by table, row and column.
    """

    at = models.DateTimeField()
    manifest_digest = models.CharField(max_length=64)
    origin = models.CharField(max_length=300, help_text="Address of the service it came from.")
    exported_at = models.DateTimeField()
    head_number = models.BigIntegerField()
    head_mac = models.BinaryField(max_length=32)
    links_digest = models.CharField(
        max_length=64, help_text="SHA-256 over the links of the origin, in order."
    )
    left_out = models.JSONField(default=dict)

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="company_import_append_only")]


class ImportedLinks(TenantModel):
    """Links that the origin's log was chained with: 32 bytes an event, from number `first` on."""

    of = TenantForeignKey(CompanyImport, models.PROTECT, related_name="links", db_index=False)
    first = models.BigIntegerField()
    macs = models.BinaryField()

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "of", "first"], name="imported_links_once"),
            AppendOnly(name="imported_links_append_only"),
        ]


class RemovalKind(models.TextChoices):
    ASKED = "asked", gettext_noop("Asked for")
    WITHDRAWN = "withdrawn", gettext_noop("Withdrawn")
    BEGUN = "begun", gettext_noop("Begun")


class Removal(TenantModel):
    """A step in the removal of the whole company. Append-only.

    Moments are the database's own (trigger `removal_clock`): nobody who only writes rows can make a request
    that is due at once, and the append-only tables give their rows up for no other.
    """

    kind = models.TextField(choices=RemovalKind.choices)
    request = TenantForeignKey("self", models.PROTECT, null=True, blank=True, related_name="steps")
    export = TenantForeignKey(CompanyExport, models.PROTECT, null=True, blank=True, related_name="+")
    member = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    at = models.DateTimeField(null=True)
    due_at = models.DateTimeField(null=True, blank=True)

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="removal_append_only")]


class Tombstone(models.Model):
    """That a company was here and was removed. Ids and a digest only; nothing else of it is left."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    company_ref = models.UUIDField()
    asked_by = models.UUIDField(help_text="The member who asked; the export tells who that was.")
    asked_at = models.DateTimeField()
    removed_at = models.DateTimeField()
    manifest_digest = models.CharField(max_length=64, help_text="Of the export that was handed over before.")
    head_number = models.BigIntegerField()
    row_count = models.BigIntegerField()

    class Meta:
        constraints = [AppendOnly(name="tombstone_append_only")]
