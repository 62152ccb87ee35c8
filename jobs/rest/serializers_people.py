"""Shapes of people, keys, tablets, the company and its log at the door."""

from typing import Any

from rest_framework import serializers

from jobs.access import SCOPES, Action, Actor, may
from jobs.http.door import Strict
from jobs.models import (
    AccessToken,
    Company,
    DecisionRule,
    Device,
    EventPosition,
    FanStatic,
    Integration,
    Invitation,
    Lapse,
    Member,
    PairingCode,
    Role,
    UnitSystem,
)
from jobs.tenancy.ids import short_id


def roles_field(**options: Any) -> serializers.ListField:
    return serializers.ListField(
        child=serializers.ChoiceField(choices=Role.choices),
        min_length=1,
        max_length=len(Role),
        **options,
    )


class Person(serializers.Serializer):
    """Somebody, as far as others need to know."""

    id = serializers.UUIDField()
    name = serializers.CharField()


class MemberOut(serializers.ModelSerializer):
    """A person's place in the company."""

    roles = roles_field()
    unit_system = serializers.ChoiceField(choices=["", *UnitSystem.values], help_text="Empty: the company's.")

    class Meta:
        model = Member
        fields = ("id", "name", "email", "roles", "unit_system", "active", "created_at", "version")
        read_only_fields = fields


class MemberIn(Strict):
    name = serializers.CharField(max_length=120, required=False)
    roles = roles_field(required=False)
    active = serializers.BooleanField(required=False, help_text="False ends every access at once.")
    unit_system = serializers.ChoiceField(
        choices=["", *UnitSystem.values], required=False, help_text="Empty: the company's."
    )


class OwnSettingsIn(Strict):
    """What people set for themselves."""

    unit_system = serializers.ChoiceField(
        choices=["", *UnitSystem.values], help_text="Units on one's own screen. Empty: the company's."
    )


class SignInPlace(serializers.Serializer):
    """A sign-in of a person: with a browser, or on a tablet."""

    id = serializers.UUIDField()
    kind = serializers.ChoiceField(choices=["browser", "tablet"])
    where = serializers.CharField(help_text="Browser and system, or the name of the tablet.")
    network = serializers.CharField(help_text="Of the address at the beginning; empty for tablets.")
    began_at = serializers.DateTimeField()
    seen_at = serializers.DateTimeField(allow_null=True, help_text="Within minutes; null for tablets.")
    here = serializers.BooleanField(help_text="The one that this request came in.")


class SignInList(serializers.Serializer):
    sign_ins = SignInPlace(many=True)


class InvitationIn(Strict):
    email = serializers.EmailField(max_length=254)
    name = serializers.CharField(max_length=120)
    roles = roles_field()


class InvitationOut(serializers.ModelSerializer):
    """An offer of membership. Its secret is in the mail only."""

    roles = roles_field()
    invited_by = Person(allow_null=True)

    class Meta:
        model = Invitation
        fields = (
            "id", "email", "name", "roles", "invited_by",
            "created_at", "expires_at", "accepted_at", "revoked_at",
        )  # fmt: skip
        read_only_fields = fields


class AcceptIn(Strict):
    token = serializers.CharField(max_length=200, help_text="The last part of the address in the mail.")
    password = serializers.CharField(
        max_length=200,
        trim_whitespace=False,
        help_text="A new one of 10 characters or more; the present one of somebody who has one here.",
    )


class AcceptOut(serializers.Serializer):
    """The company that was joined, and as whom."""

    company = serializers.UUIDField(source="company_id")
    member = MemberOut(source="*")


class KeyIn(Strict):
    name = serializers.CharField(max_length=80, help_text="What the key is for.")
    scopes = serializers.ListField(
        child=serializers.ChoiceField(choices=list(SCOPES)), min_length=1, max_length=len(SCOPES)
    )
    expires_at = serializers.DateTimeField(
        required=False, allow_null=True, help_text="Within two years; one year from now unless told."
    )
    integration = serializers.UUIDField(
        required=False, help_text="Whose key it is; without it an integration of the key's name is made."
    )
    stored_only = serializers.BooleanField(
        required=False, help_text="It asks stored queries of GraphQL and nothing else."
    )


class IntegrationIn(Strict):
    name = serializers.CharField(max_length=80, help_text="What the other system is called.")
    contact = serializers.CharField(
        max_length=254, required=False, allow_blank=True, help_text="E-mail; warned before keys end."
    )
    purpose = serializers.CharField(max_length=400, required=False, allow_blank=True)


class IntegrationChange(IntegrationIn):
    name = serializers.CharField(max_length=80, required=False)


class IntegrationOut(serializers.ModelSerializer):
    """Another system that is connected. It has keys; it never measures, reviews or approves."""

    contact = serializers.CharField(help_text="Who answers for it; warned of ends. Empty: nobody is told.")
    created_by = Person(allow_null=True)

    class Meta:
        model = Integration
        fields = (
            "id", "name", "contact", "purpose", "created_by", "created_at", "ended_at", "version",
        )  # fmt: skip
        read_only_fields = fields


class KeyOut(serializers.ModelSerializer):
    """A key of another system, without its secret."""

    scopes = serializers.ListField(child=serializers.ChoiceField(choices=list(SCOPES)))
    created_by = Person(allow_null=True)
    integration = Person(allow_null=True, help_text="Whose key it is.")

    class Meta:
        model = AccessToken
        fields = (
            "id", "name", "integration", "scopes", "stored_only", "created_by", "created_at", "expires_at",
            "revoked_at", "used_at",
        )  # fmt: skip
        read_only_fields = fields


class KeyShown(KeyOut):
    """A new key. `token` is shown in this answer only."""

    token = serializers.SerializerMethodField(help_text="Send it as 'Authorization: Bearer …'.")

    class Meta:
        model = AccessToken
        fields = (*KeyOut.Meta.fields, "token")
        read_only_fields = fields

    def get_token(self, row: AccessToken) -> str:
        return str(self.context["text"])


class DeviceOut(serializers.ModelSerializer):
    """A tablet."""

    enrolled_by = Person()

    class Meta:
        model = Device
        fields = ("id", "name", "enrolled_by", "enrolled_at", "revoked_at")
        read_only_fields = fields


class PairingIn(Strict):
    name = serializers.CharField(max_length=80, help_text="What is written on the tablet.")


class PairingShown(serializers.ModelSerializer):
    """A new pairing code. `code` is shown in this answer only."""

    name = serializers.CharField(source="device_name")
    company = serializers.SerializerMethodField(help_text="The tablet sends it with the code.")
    code = serializers.SerializerMethodField()

    class Meta:
        model = PairingCode
        fields = ("id", "name", "company", "code", "expires_at")
        read_only_fields = fields

    def get_company(self, row: PairingCode) -> str:
        return short_id(self.context["company_id"])

    def get_code(self, row: PairingCode) -> str:
        return str(self.context["text"])


class PairIn(Strict):
    company = serializers.CharField(max_length=36, help_text="As shown with the code.")
    code = serializers.CharField(max_length=20, help_text="Eight letters and digits; blanks do not count.")


class PairOut(serializers.Serializer):
    """The tablet's own token, shown in this answer only."""

    device = serializers.UUIDField()
    name = serializers.CharField()
    token = serializers.CharField()


class SignInIn(Strict):
    email = serializers.CharField(max_length=254)
    password = serializers.CharField(max_length=200, trim_whitespace=False)
    code = serializers.CharField(
        max_length=40,
        required=False,
        help_text="Of the second factor, of who has one: asked for by the problem second-factor-needed.",
    )


class SignInOut(serializers.Serializer):
    """The token of this person on this tablet, shown in this answer only."""

    member = MemberOut()
    token = serializers.CharField()
    expires_at = serializers.DateTimeField()


class RenewOut(serializers.Serializer):
    """Until when the sign-in is good."""

    expires_at = serializers.DateTimeField()


class CompanyOut(serializers.ModelSerializer):
    """The rules of the house."""

    short_id = serializers.SerializerMethodField(help_text="As it stands in tokens and addresses.")

    class Meta:
        model = Company
        fields = (
            "id", "short_id", "name", "letterhead", "time_zone", "unit_system", "paper", "standard_density",
            "tolerance_below", "tolerance_above", "decision_rule", "decision_parameter", "self_approval",
            "fan_static", "rule_bias_corrected", "calibration_lapse", "reminder_days", "day_starts",
            "day_ends", "travel_minutes", "plan_mails", "second_factor", "second_factor_by", "created_at",
            "version",
        )  # fmt: skip
        read_only_fields = fields

    def get_short_id(self, row: Company) -> str:
        return short_id(row.id)


class CompanyIn(Strict):
    name = serializers.CharField(max_length=120, required=False)
    letterhead = serializers.CharField(max_length=600, required=False, allow_blank=True)
    time_zone = serializers.CharField(max_length=64, required=False, help_text="E.g. Europe/London.")
    unit_system = serializers.ChoiceField(choices=UnitSystem.choices, required=False)
    paper = serializers.ChoiceField(choices=["A4", "Letter"], required=False)
    standard_density = serializers.FloatField(required=False, help_text="kg/m³, from 1.0 to 1.4.")
    tolerance_below = serializers.FloatField(required=False, help_text="Share of design, 0.1 for −10 %.")
    tolerance_above = serializers.FloatField(required=False, help_text="Share of design, 0.1 for +10 %.")
    decision_rule = serializers.ChoiceField(choices=DecisionRule.choices, required=False)
    decision_parameter = serializers.FloatField(
        required=False, help_text="Guard band in multiples of U (0 to 2), or least probability (0.5 to 1)."
    )
    self_approval = serializers.BooleanField(required=False)
    rule_bias_corrected = serializers.BooleanField(required=False)
    fan_static = serializers.ChoiceField(choices=FanStatic.choices, required=False)
    calibration_lapse = serializers.ChoiceField(choices=Lapse.choices, required=False)
    reminder_days = serializers.ListField(
        child=serializers.IntegerField(),
        required=False,
        help_text="Days before a certificate's end on which mails remind; weekly after it. None: off.",
    )
    day_starts = serializers.TimeField(
        required=False, help_text="When planned days begin, by the site's clock, e.g. 07:00."
    )
    day_ends = serializers.TimeField(required=False)
    travel_minutes = serializers.IntegerField(
        required=False, help_text="Between two sites whose own travel time is not set."
    )
    plan_mails = serializers.BooleanField(
        required=False, help_text="Mail people when their plan changes; several changes make one mail."
    )

    second_factor = serializers.BooleanField(
        required=False,
        help_text="Owners and supervisors need a second factor, from seven days after this is set.",
    )


class MeCompany(serializers.ModelSerializer):
    class Meta:
        model = Company
        fields = ("id", "name", "time_zone", "unit_system")
        read_only_fields = fields


class MeOut(serializers.Serializer):
    """Who asks, and what they may do."""

    company = MeCompany()
    member = MemberOut(allow_null=True, help_text="Null for a key and a tablet nobody is signed in on.")
    device = serializers.UUIDField(allow_null=True)
    kind = serializers.ChoiceField(choices=["session", "tablet", "person", "integration"])
    scopes = serializers.ListField(child=serializers.CharField())
    may = serializers.ListField(child=serializers.ChoiceField(choices=[action.value for action in Action]))


def me(actor: Actor, company: Company, member: Member | None) -> dict[str, Any]:
    """What MeOut shows."""
    return {
        "company": company,
        "member": member,
        "device": actor.device_id,
        "kind": actor.kind.value if actor.kind else "session",
        "scopes": sorted(actor.scopes),
        "may": [action.value for action in Action if may(actor, action)],
    }


class EventSubject(serializers.Serializer):
    type = serializers.CharField(source="subject_type")
    id = serializers.UUIDField(source="subject_id")


class EventOut(serializers.ModelSerializer):
    """One thing that happened, under its number in the company's log."""

    id = serializers.UUIDField(source="event.id")
    at = serializers.DateTimeField(source="event.at")
    verb = serializers.CharField(source="event.verb", help_text="E.g. session.stored.")
    subject = EventSubject(source="event")
    member = Person(source="event.member", allow_null=True)
    device = Person(source="event.device", allow_null=True)
    key = Person(source="event.token", allow_null=True, help_text="The token it came with.")
    data = serializers.DictField(source="event.data")  # type: ignore[assignment]  # the name in the log
    content_digest = serializers.CharField(
        source="event.content_digest", help_text="SHA-256 of the evidence that was stored; empty for none."
    )

    class Meta:
        model = EventPosition
        fields = (
            "number", "id", "at", "verb", "subject", "member", "device", "key", "data", "content_digest",
        )  # fmt: skip
        read_only_fields = fields
