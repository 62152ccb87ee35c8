"""Queries of GraphQL that integrations store, to be asked by their digest."""

from django.db import models

from jobs.models.company import AccessToken, Member
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class StoredQuery(TenantModel):
    """A document that was found valid when it was stored. It is named by the SHA-256 of its text."""

    name = models.CharField(max_length=80)
    text = models.TextField(max_length=20_000)
    sha256 = models.CharField(max_length=64)
    member = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    token = TenantForeignKey(AccessToken, models.PROTECT, null=True, blank=True, related_name="+")
    stored_at = models.DateTimeField(auto_now_add=True)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "sha256"], name="stored_query_once")]

    def __str__(self) -> str:
        return self.name
