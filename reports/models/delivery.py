"""To whom a report went, and who fetched its file."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models import AccessToken, Member
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel
from reports.models.revision import Issue


class Delivery(TenantModel):
    """A link to a report, sent to one address. Only its hash is kept; the mail's text makes it anew."""

    issue = TenantForeignKey(Issue, models.PROTECT, related_name="deliveries")
    address = models.EmailField(max_length=254)
    message = models.TextField(max_length=2000, blank=True)
    secret_hash = models.BinaryField(max_length=32)
    sent_by = TenantForeignKey(Member, models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    mailed_at = models.DateTimeField(null=True, blank=True)
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "secret_hash"], name="delivery_secret")]
        indexes = [models.Index(fields=["company", "issue"], name="delivery_of_issue")]


class FetchedAs(models.TextChoices):
    """In which form a report left."""

    PDF = "pdf", gettext_noop("PDF")
    WORKBOOK = "workbook", gettext_noop("Spreadsheet")


class Fetch(TenantModel):
    """A report's file left the house: by a member, a key, or the link of a delivery. Append-only."""

    issue = TenantForeignKey(Issue, models.PROTECT, related_name="fetches")
    form = models.TextField(choices=FetchedAs.choices, default=FetchedAs.PDF)
    delivery = TenantForeignKey(Delivery, models.PROTECT, null=True, blank=True, related_name="fetches")
    member = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    token = TenantForeignKey(AccessToken, models.PROTECT, null=True, blank=True, related_name="+")
    at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="fetch_append_only")]
        indexes = [models.Index(fields=["company", "issue", "at"], name="fetch_of_issue")]
