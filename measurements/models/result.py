"""What follows from a session, what the rules saw, and how each flag was answered. All append-only."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models import Job, Measurand, Member, System, TestPoint
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel
from measurements.models.session import Session


class Outcome(models.TextChoices):
    COMPUTED = "computed", gettext_noop("Computed")
    REFUSED = "refused", gettext_noop("Refused")


class Verdict(models.TextChoices):
    """Where the interval lies against the tolerance."""

    PASS = "pass", gettext_noop("Pass")
    CONDITIONAL_PASS = "conditional_pass", gettext_noop("Conditional pass")
    CONDITIONAL_FAIL = "conditional_fail", gettext_noop("Conditional fail")
    FAIL = "fail", gettext_noop("Fail")
    NOT_DECIDABLE = "not_decidable", gettext_noop("Not decidable")


class Result(TenantModel):
    """The computation of one session, SI. Never changed: a new version of the calculation adds a row.

    `inputs` is all that the calculation was given and `detail` all that it gave (budget, points, certificates
    used, remarks), so that it can be recomputed to the same digits.
    """

    session = TenantForeignKey(Session, models.PROTECT, related_name="results")
    computed_at = models.DateTimeField()
    calculation_version = models.CharField(max_length=20)
    inputs_digest = models.CharField(max_length=64)
    outcome = models.TextField(choices=Outcome.choices)
    refusal = models.TextField(blank=True)
    measurand = models.TextField(choices=Measurand.choices, blank=True, help_text="What the verdict is about")
    value = models.FloatField(null=True, help_text="Of the measurand, as compared; SI")
    value_expanded = models.FloatField(null=True, help_text="Its U, 95.45 %")
    flow = models.FloatField(null=True, help_text="m³/s at actual density")
    flow_u = models.FloatField(null=True, help_text="Standard uncertainty")
    flow_expanded = models.FloatField(null=True, help_text="Expanded uncertainty U, 95.45 %")
    coverage_factor = models.FloatField(null=True)
    effective_dof = models.FloatField(null=True, help_text="Empty: infinite")
    standard_flow = models.FloatField(null=True, help_text="m³/s at standard density")
    standard_flow_expanded = models.FloatField(null=True)
    density = models.FloatField(null=True, help_text="kg/m³ at the plane")
    mean_velocity = models.FloatField(null=True, help_text="m/s")
    design_flow = models.FloatField(null=True, help_text="m³/s, as compared")
    design_value = models.FloatField(null=True, help_text="Of the measurand, as compared; SI")
    limit_low = models.FloatField(null=True, help_text="Limits as judged; SI")
    limit_high = models.FloatField(null=True)
    share_of_design = models.FloatField(null=True)
    share_expanded = models.FloatField(null=True, help_text="U of the share")
    tolerance_below = models.FloatField(null=True)
    tolerance_above = models.FloatField(null=True)
    verdict = models.TextField(choices=Verdict.choices)
    probability = models.FloatField(null=True, help_text="That the true flow is within tolerance")
    accepted = models.BooleanField(null=True, help_text="By the decision rule; empty when not decidable")
    inputs = models.JSONField()
    detail = models.JSONField()
    content_digest = models.CharField(max_length=64)

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["company", "session", "calculation_version", "inputs_digest"], name="result_once"
            ),
            AppendOnly(name="result_append_only"),
        ]


class Severity(models.TextChoices):
    STOP = "stop", gettext_noop("Must be answered")
    WARNING = "warning", gettext_noop("Should be answered")
    REMARK = "remark", gettext_noop("For information")


class Flag(TenantModel):
    """What a rule saw, in one sentence, with what was expected and what to do. Append-only.

    A flag of a session names it; a flag of a system (sum of outlets) names the system. `basis_digest` tells
    on what it rests, so that the same finding is raised once and a stale one can be told from a current one.
    """

    job = TenantForeignKey(Job, models.PROTECT, related_name="flags")
    system = TenantForeignKey(System, models.PROTECT, null=True, blank=True, related_name="+")
    test_point = TenantForeignKey(TestPoint, models.PROTECT, null=True, blank=True, related_name="flags")
    session = TenantForeignKey(Session, models.PROTECT, null=True, blank=True, related_name="flags")
    rule = models.TextField()
    severity = models.TextField(choices=Severity.choices)
    seen = models.TextField()
    expected = models.TextField()
    advice = models.TextField()
    source = models.TextField(blank=True)
    data = models.JSONField(default=dict)
    basis_digest = models.CharField(max_length=64)
    raised_at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "job", "rule", "basis_digest"], name="flag_once"),
            AppendOnly(name="flag_append_only"),
        ]
        indexes = [models.Index(fields=["company", "session"], name="flag_of_session")]


class AnswerKind(models.TextChoices):
    ACCEPT = "accept", gettext_noop("Accepted with a reason")
    REMEASURE = "remeasure", gettext_noop("Sent back for re-measurement")
    CLEARED = "cleared", gettext_noop("No longer so")


class FlagAnswer(TenantModel):
    """What was decided on a flag. Append-only; the newest counts. Empty member: cleared by the rules."""

    flag = TenantForeignKey(Flag, models.PROTECT, related_name="answers")
    kind = models.TextField(choices=AnswerKind.choices)
    reason = models.TextField(max_length=2000)
    member = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    answered_at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="flag_answer_append_only")]
        indexes = [models.Index(fields=["company", "flag", "answered_at"], name="answer_of_flag")]
