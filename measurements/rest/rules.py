"""Doors of the rules that raise flags: what each looks for, and what the company set otherwise."""

from typing import Any

from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action, Actor
from jobs.errors import Fault, Invalid
from jobs.http.door import Door, Strict
from jobs.http.idempotency import Repeatable
from jobs.rest.examples import sent
from measurements.models import RuleSetting, Severity
from measurements.rule_parameters import SEVERITY
from measurements.rule_settings import rule_states, set_number, set_severity

EXAMPLE = {"name": "spread", "value": 0.04, "why": "Our contracts ask for runs within 4 %."}


class SettingIn(Strict):
    """One number of a rule, or its severity. Null: back to the default."""

    name = serializers.CharField(max_length=40, help_text="Of the number, or 'severity'.")
    value = serializers.FloatField(required=False, allow_null=True, help_text="SI, within the range.")
    severity = serializers.ChoiceField(Severity.choices, required=False, allow_null=True)
    why = serializers.CharField(max_length=2000, help_text="At least 10 characters.")

    class Meta:
        ref_name = "RuleSettingIn"


class SettingOut(serializers.Serializer):
    """What was set, when and why."""

    id = serializers.UUIDField()
    rule = serializers.CharField()
    name = serializers.CharField()
    value = serializers.FloatField(allow_null=True)
    severity = serializers.CharField()
    member = serializers.UUIDField(source="member_id")
    at = serializers.DateTimeField()
    why = serializers.CharField()

    class Meta:
        ref_name = "RuleSetting"


class ParameterOut(serializers.Serializer):
    """A number that is the house's judgement, SI."""

    name = serializers.CharField(source="parameter.name")
    words = serializers.CharField(source="parameter.words")
    quantity = serializers.CharField(source="parameter.quantity")
    value = serializers.FloatField()
    default = serializers.FloatField(source="parameter.default")
    low = serializers.FloatField(source="parameter.low")
    high = serializers.FloatField(source="parameter.high")
    parameter_source = serializers.CharField(source="parameter.source")
    last = SettingOut(allow_null=True)


class RuleOut(serializers.Serializer):
    """A rule as the company has it."""

    rule = serializers.CharField(source="rule.name")
    text = serializers.CharField(source="rule.text")
    rule_source = serializers.CharField(source="rule.source")
    severity = serializers.CharField()
    usual_severity = serializers.CharField(source="rule.severity")
    fixed = serializers.BooleanField(source="rule.fixed", help_text="Whether its severity cannot be set.")
    parameters = ParameterOut(many=True)


class RulesOut(serializers.Serializer):
    """Every rule; those that are not as usual first."""

    rules = RuleOut(many=True)


class Rules(Door):
    """The rules that raise flags."""

    needs = {"GET": Action.SET_RULES}
    pagination_class = None

    @extend_schema(operation_id="rules", tags=["rules"], responses=RulesOut)
    def get(self, request: Request) -> Response:
        """What each rule looks for, its numbers with default and range, and its severity."""
        self.filters()
        return Response(RulesOut({"rules": rule_states(self.actor)}).data)


class RuleSettings(Repeatable, Door):
    """Settings of one rule."""

    needs = {"POST": Action.SET_RULES}

    @extend_schema(
        operation_id="rule_set",
        tags=["rules"],
        parameters=[
            OpenApiParameter(
                "rule", str, OpenApiParameter.PATH, examples=[OpenApiExample("Two runs", "runs_disagree")]
            )
        ],
        request=SettingIn,
        responses={201: SettingOut},
        examples=sent("Runs of a traverse", EXAMPLE),
    )
    def post(self, request: Request, rule: str) -> Response:
        """Sets a number of a rule or its severity from now on; what depends on it is evaluated again."""
        made = set_rule(self.actor, rule, self.read(SettingIn))
        return Response(SettingOut(made).data, status=201)


def set_rule(actor: Actor, rule: str, given: dict[str, Any]) -> RuleSetting:
    """Sets what checked input says. Raises Invalid for a value that is missing."""
    wanted = "severity" if given["name"] == SEVERITY else "value"
    if wanted not in given:
        raise Invalid(f"Give '{wanted}'.", [Fault(f"/{wanted}", "missing; null for the default")])
    why = given["why"]
    if given["name"] == SEVERITY:
        severity = Severity(given["severity"]) if given["severity"] else None
        return set_severity(actor, rule, severity=severity, why=why)
    return set_number(actor, rule, given["name"], value=given["value"], why=why)
