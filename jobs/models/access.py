"""How people and other systems come in: second factors, sign-ins, integrations, support, allowances."""

from django.contrib.postgres.fields import ArrayField
from django.contrib.postgres.indexes import GinIndex
from django.db import models

from jobs.models.company import Member, User
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.ids import uuid7
from jobs.tenancy.models import TenantModel


class SecondFactor(models.Model):
    """A person's shared secret for time-based codes (RFC 6238), encrypted. Global, as its person is."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    user = models.ForeignKey(User, models.CASCADE, related_name="+")
    secret = models.BinaryField(max_length=64, help_text="Nonce and AES-256-GCM text.")
    created_at = models.DateTimeField(auto_now_add=True)
    confirmed_at = models.DateTimeField(null=True, blank=True, help_text="Empty: not asked for yet.")
    last_step = models.BigIntegerField(default=0, help_text="Time step of the last code that was taken.")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["user"], name="second_factor_user")]


class RecoveryCode(models.Model):
    """A code for who lost the device of their second factor, good once. Only its SHA-256 is kept."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    user = models.ForeignKey(User, models.CASCADE, related_name="+")
    code_hash = models.BinaryField(max_length=32)
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["user", "code_hash"], name="recovery_code")]


class SignIn(models.Model):
    """A person's sign-in with a browser.

    Stands beside Django's sessions, whose rows tell nobody whose they are. A session carries the id of its
    sign-in; one that ended lets nobody in, whatever the session says. Global, since a person may go from one
    of their companies to another within it.
    """

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    user = models.ForeignKey(User, models.CASCADE, related_name="+")
    began_at = models.DateTimeField()
    seen_at = models.DateTimeField(help_text="Within minutes.")
    network = models.CharField(max_length=64, help_text="Of the address, without its last part.")
    agent = models.CharField(max_length=80, help_text="Browser and system in words.")
    entered = ArrayField(models.UUIDField(), default=list, help_text="Companies entered within it.")
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["user", "-seen_at"], name="sign_in_user"),
            GinIndex(fields=["entered"], name="sign_in_entered"),
        ]


class SignInFailure(models.Model):
    """A wrong password or code, kept until the companies of its person are told. Global: none is known yet.

    Also written, without a person, for e-mails that nobody here has: both take the same time.
    """

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    user_ref = models.UUIDField(null=True, blank=True)
    at = models.DateTimeField()
    network = models.CharField(max_length=64)
    what = models.CharField(max_length=16, help_text="password or code")

    class Meta:
        indexes = [models.Index(fields=["at"], name="sign_in_failure_at")]


class Integration(TenantModel):
    """Another system that is connected, with the keys it uses one after the other."""

    name = models.CharField(max_length=80)
    contact = models.EmailField(max_length=254, blank=True, help_text="Who answers for it; warned of ends.")
    purpose = models.CharField(max_length=400, blank=True)
    created_by = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["company", "name"], condition=models.Q(ended_at=None), name="integration_name"
            )
        ]

    def __str__(self) -> str:
        return self.name


class SupportGrant(TenantModel):
    """An owner's leave for one operator of the service to read in the company, for some hours."""

    operator_ref = models.UUIDField(help_text="The id of the operator's user.")
    operator = models.EmailField(max_length=254)
    reason = models.CharField(max_length=400)
    granted_by = TenantForeignKey(Member, models.PROTECT, related_name="+")
    granted_at = models.DateTimeField(auto_now_add=True)
    ends_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta(TenantModel.Meta):
        indexes = [models.Index(fields=["company", "operator_ref"], name="support_operator")]


class Allowance(TenantModel):
    """What a company may use, where operators set it other than usual. One row a company."""

    requests_a_minute = models.PositiveIntegerField(null=True, blank=True)
    stored_bytes = models.BigIntegerField(null=True, blank=True, help_text="Photos and attached files.")
    members = models.PositiveIntegerField(null=True, blank=True)
    tablets = models.PositiveIntegerField(null=True, blank=True)
    webhooks = models.PositiveIntegerField(null=True, blank=True)
    points = models.PositiveIntegerField(null=True, blank=True)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company"], name="allowance_company")]
