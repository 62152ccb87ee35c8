"""The certificate with which a company signs what leaves the house."""

from django.db import models

from jobs.models import Member
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class SigningCertificate(TenantModel):
    """A certificate of the company with its private key, encrypted. The newest row counts.

    A row without a chain says that from then on the company has none. Nothing here opens the key but
    SIGNING_KEY, which the database does not hold.
    """

    chain = models.BinaryField(help_text="Certificates, PEM, the signing one first. Empty: withdrawn.")
    encrypted_key = models.BinaryField(help_text="PKCS#8, encrypted with SIGNING_KEY.")
    subject = models.TextField(blank=True, help_text="Whom the certificate names.")
    issuer = models.TextField(blank=True)
    serial = models.CharField(max_length=64, blank=True, help_text="Hexadecimal.")
    fingerprint = models.CharField(max_length=64, blank=True, help_text="SHA-256 of the certificate (DER).")
    valid_from = models.DateTimeField(null=True, blank=True)
    valid_to = models.DateTimeField(null=True, blank=True)
    member = TenantForeignKey(Member, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="signing_certificate_append_only")]
        indexes = [models.Index(fields=["company", "at"], name="signing_certificate_at")]
