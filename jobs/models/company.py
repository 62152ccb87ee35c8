"""A company, the people who belong to it and the keys and tablets they use."""

from datetime import time
from typing import ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.postgres.fields import ArrayField
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models.functions import Lower
from django.utils.translation import gettext_noop

from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.ids import uuid7
from jobs.tenancy.models import TenantManager, TenantModel, UnscopedManager


class Role(models.TextChoices):
    """What a member does in the company. One person may hold several."""

    OWNER = "owner", gettext_noop("Owner")
    DISPATCHER = "dispatcher", gettext_noop("Dispatcher")
    TECHNICIAN = "technician", gettext_noop("Technician")
    SUPERVISOR = "supervisor", gettext_noop("Supervisor")


class UnitSystem(models.TextChoices):
    SI = "SI", gettext_noop("SI (Pa, m/s, m³/s)")
    IP = "IP", gettext_noop("I-P (inH2O, ft/min, ft³/min)")


class DecisionRule(models.TextChoices):
    """Which conditional verdicts are accepted (JCGM 106, ILAC-G8)."""

    SIMPLE = "simple", gettext_noop("Simple acceptance: the measured value lies within tolerance")
    GUARDED = "guarded", gettext_noop("Guarded acceptance: the value lies within tolerance by a guard band")
    PROBABILITY = (
        "probability",
        gettext_noop("Probability: the true value lies within tolerance at least this surely"),
    )


class FanStatic(models.TextChoices):
    """Which fan static pressure the company's reports state."""

    DEFINED = "defined", gettext_noop("Fan static pressure as defined: SP2 − SP1 − VP1 (AMCA 201, ISO 5801)")
    FIELD = "field", gettext_noop("Static pressure rise as read: SP2 − SP1")


class Lapse(models.TextChoices):
    """What planning does with an instrument whose calibration lapses before the job ends."""

    REFUSE = "refuse", gettext_noop("Refuse")
    WARN = "warn", gettext_noop("Warn")


def usual_reminder_days() -> list[int]:
    return [30, 7]


class Company(models.Model):
    """One contractor. Under row-level security by its own id."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    name = models.CharField(max_length=120)
    letterhead = models.TextField(blank=True, max_length=600, help_text="Lines printed below the name.")
    time_zone = models.CharField(max_length=64, default="UTC")
    unit_system = models.TextField(choices=UnitSystem.choices, default=UnitSystem.SI)
    paper = models.TextField(choices=[("A4", "A4"), ("Letter", "Letter")], default="A4")
    standard_density = models.FloatField(
        default=1.204,
        validators=[MinValueValidator(1.0), MaxValueValidator(1.4)],
        help_text="Standard air, kg/m³: 1.204 (20 °C, dry) and 1.2014 (0.075 lb/ft³) are both in use.",
    )
    tolerance_below = models.FloatField(default=0.10, help_text="Share of design, e.g. 0.10 for −10 %.")
    tolerance_above = models.FloatField(default=0.10, help_text="Share of design, e.g. 0.10 for +10 %.")
    decision_rule = models.TextField(choices=DecisionRule.choices, default=DecisionRule.SIMPLE)
    decision_parameter = models.FloatField(
        default=0.0,
        help_text="Guard band as a multiple of U, or the least probability. Unused for simple acceptance.",
    )
    self_approval = models.BooleanField(
        default=False,
        help_text="Let somebody approve a job they measured on. The report then says so.",
    )
    fan_static = models.TextField(
        choices=FanStatic.choices,
        default=FanStatic.DEFINED,
        help_text="Contracts differ; the report prints which one it states.",
    )
    rule_bias_corrected = models.BooleanField(
        default=True,
        help_text="Take off what the places of a traverse are known to read high (equal areas and swept "
        "lines some 3 %). Off: the plain mean as published rules have it, with the larger uncertainty.",
    )
    calibration_lapse = models.TextField(choices=Lapse.choices, default=Lapse.REFUSE)
    reminder_days = ArrayField(
        models.PositiveSmallIntegerField(),
        default=usual_reminder_days,
        blank=True,
        help_text="Days before a certificate's end on which mails remind of it; none: no reminders.",
    )
    day_starts = models.TimeField(default=time(7), help_text="When planned days begin, by the site's clock.")
    day_ends = models.TimeField(default=time(17), help_text="When planned days end, by the site's clock.")
    travel_minutes = models.PositiveSmallIntegerField(
        default=0, help_text="Between two sites whose own travel time is not set."
    )
    plan_mails = models.BooleanField(default=False, help_text="Mail people when their plan changes.")
    second_factor = models.BooleanField(
        default=False, help_text="Owners and supervisors need a second factor to sign in."
    )
    second_factor_by = models.DateTimeField(
        null=True, blank=True, editable=False, help_text="From then on nobody of them comes in without."
    )
    created_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    objects = TenantManager()
    unscoped = UnscopedManager()

    class Meta:
        base_manager_name = "objects"
        verbose_name_plural = "companies"

    def __str__(self) -> str:
        return self.name


class UserManager(BaseUserManager["User"]):
    def create_user(self, email: str, password: str | None = None, *, is_operator: bool = False) -> "User":
        user = self.model(email=email.strip().lower(), is_operator=is_operator)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def create_superuser(self, email: str, password: str | None = None) -> "User":
        """An operator, for Django's own command of that name."""
        return self.create_user(email, password, is_operator=True)

    def get_by_natural_key(self, username: str | None) -> "User":
        return self.get(email=(username or "").strip().lower())


class User(AbstractBaseUser):
    """A person who can sign in, known by e-mail. Global: one person may belong to several companies.

    The name that evidence shows stands in Member, never here.
    """

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    email = models.EmailField(max_length=254, unique=True, help_text="In small letters.")
    is_active = models.BooleanField(default=True)
    is_operator = models.BooleanField(default=False, help_text="Runs the service; may use the admin pages.")
    created_at = models.DateTimeField(auto_now_add=True)

    objects = UserManager()
    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = []

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(email=Lower("email")), name="user_email_lower")
        ]

    def __str__(self) -> str:
        return self.email

    @property
    def is_staff(self) -> bool:
        return self.is_operator

    def has_perm(self, perm: str, obj: object = None) -> bool:
        return self.is_active and self.is_operator

    def has_perms(self, perm_list: list[str], obj: object = None) -> bool:
        return self.is_active and self.is_operator

    def has_module_perms(self, app_label: str) -> bool:
        return self.is_active and self.is_operator


class Affiliation(models.Model):
    """Leads from a signed-in person to their companies, before any company is known. Holds ids only."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    user = models.ForeignKey(User, models.CASCADE, related_name="affiliations")
    company_ref = models.UUIDField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "company_ref"], name="affiliation_user_company")
        ]


class Member(TenantModel):
    """A person's place in a company. Evidence names people by this id; the name may change."""

    user_ref = models.UUIDField(help_text="The id of the person's user.")
    name = models.CharField(max_length=120)
    email = models.EmailField(max_length=254)
    roles = ArrayField(models.TextField(choices=Role.choices))
    unit_system = models.TextField(choices=UnitSystem.choices, blank=True, help_text="Empty: the company's.")
    active = models.BooleanField(default=True)
    forgotten_at = models.DateTimeField(
        null=True, blank=True, editable=False, help_text="Name and e-mail were taken away for good."
    )
    created_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "user_ref"], name="member_user")]

    def __str__(self) -> str:
        return self.name


class Invitation(TenantModel):
    """An offer of membership, sent by mail, good once and for a while."""

    email = models.EmailField(max_length=254)
    name = models.CharField(max_length=120)
    roles = ArrayField(models.TextField(choices=Role.choices))
    secret_hash = models.BinaryField(max_length=32)
    invited_by = TenantForeignKey(
        Member, models.PROTECT, null=True, blank=True, related_name="+", help_text="Empty: an operator."
    )
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    accepted_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "secret_hash"], name="invitation_secret")]


class Device(TenantModel):
    """A tablet enrolled with a company. People share it by signing in on it."""

    name = models.CharField(max_length=80)
    enrolled_by = TenantForeignKey(Member, models.PROTECT, related_name="+")
    enrolled_at = models.DateTimeField(auto_now_add=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return self.name


class PairingCode(TenantModel):
    """A short code that enrols one tablet, good once and for minutes."""

    code_hash = models.BinaryField(max_length=32)
    device_name = models.CharField(max_length=80)
    created_by = TenantForeignKey(Member, models.PROTECT, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "code_hash"], name="pairing_code")]


class TokenKind(models.TextChoices):
    TABLET = "tablet", gettext_noop("Tablet, nobody signed in")
    PERSON = "person", gettext_noop("Person signed in on a tablet")
    INTEGRATION = "integration", gettext_noop("Integration key")


class AccessToken(TenantModel):
    """A bearer credential: only its SHA-256 is kept; the text is shown once and carries the company."""

    kind = models.TextField(choices=TokenKind.choices)
    name = models.CharField(max_length=80)
    secret_hash = models.BinaryField(max_length=32)
    member = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="tokens")
    device = TenantForeignKey(Device, models.PROTECT, null=True, blank=True, related_name="tokens")
    integration = TenantForeignKey(
        "jobs.Integration", models.PROTECT, null=True, blank=True, related_name="keys"
    )
    scopes = ArrayField(models.TextField(), default=list)
    created_by = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
    used_at = models.DateTimeField(null=True, blank=True, help_text="Last used, within the hour.")
    stored_only = models.BooleanField(default=False, help_text="Asks stored queries of GraphQL, no more.")

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "secret_hash"], name="token_secret")]

    def __str__(self) -> str:
        return self.name
