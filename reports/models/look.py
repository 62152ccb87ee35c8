"""What a supervisor saw of a job when they last said so. A note to oneself, no evidence."""

from django.db import models

from jobs.models import Job, Member
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class Look(TenantModel):
    """The set as one member saw it last: sessions with the digest of their result, flags with their answer.

    `sessions`: by id the digest of the result, empty without one. `flags`: by id the newest answer, empty
    when open.
    """

    member = TenantForeignKey(Member, models.CASCADE, related_name="+")
    job = TenantForeignKey(Job, models.CASCADE, related_name="+")
    seen_at = models.DateTimeField()
    sessions = models.JSONField(default=dict)
    flags = models.JSONField(default=dict)

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "member", "job"], name="look_of_member_and_job")
        ]
