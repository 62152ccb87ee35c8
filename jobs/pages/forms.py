"""Forms of the pages: what a person typed, as typed values. Whether it may be done, the actions decide."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING, Any, TypeAlias
from uuid import UUID

from django import forms
from django.utils.translation import gettext, gettext_lazy, gettext_noop

from jobs.access import SCOPES
from jobs.models import Company, DecisionRule, FanStatic, Integration, Lapse, Member, Role, UnitSystem

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise

Words: TypeAlias = "str | _StrPromise"
"""A text, or one that is looked up in a catalogue when it is shown."""

ROLE_WORDS = {
    Role.OWNER: gettext_noop("Manages people, keys and the rules of the house."),
    Role.DISPATCHER: gettext_noop("Enters schedules, plans jobs, people and instruments."),
    Role.TECHNICIAN: gettext_noop("Measures on site and submits for review."),
    Role.SUPERVISOR: gettext_noop("Reviews, approves and issues reports."),
}
SCOPE_WORDS = {
    "read": gettext_noop("Read jobs, figures and reports."),
    "plan": gettext_noop("Enter schedules and plan jobs."),
    "instruments": gettext_noop("Enter instruments and certificates."),
    "webhooks": gettext_noop("Set up where changes are reported to."),
}


SCOPE_NAMES = {
    "read": gettext_noop("Read"),
    "plan": gettext_noop("Plan"),
    "instruments": gettext_noop("Instruments"),
    "webhooks": gettext_noop("Webhooks"),
}


def in_words(choices: Iterable[tuple[Any, str]]) -> list[tuple[Any, Any]]:
    """Choices whose words are marked with `gettext_noop`, each in the language of whoever looks."""
    return [(value, gettext_lazy(word) if word else "") for value, word in choices]


class Form(forms.Form):
    """No colons after labels; fields that are refused say so to screen readers."""

    use_required_attribute = True

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})


class Email(forms.EmailField):
    def __init__(self, **kwargs: Any) -> None:
        widget = forms.EmailInput(attrs={"autocomplete": "username", "spellcheck": "false"})
        super().__init__(
            label=gettext_lazy("E-mail"),
            max_length=254,
            widget=widget,
            error_messages={
                "required": gettext_lazy("Enter your e-mail address."),
                "invalid": gettext_lazy("This is not an e-mail address: it needs a name, an @ and a domain."),
            },
            **kwargs,
        )


def password(label: Words, purpose: str, help_text: Words = "") -> forms.CharField:
    """A password field; `purpose` is the browser's word for it, current-password or new-password."""
    return forms.CharField(
        label=label,
        max_length=1000,
        strip=False,
        help_text=help_text,
        widget=forms.PasswordInput(attrs={"autocomplete": purpose}),
        error_messages={"required": gettext_lazy("Enter the password.")},
    )


HOW_TO_CHOOSE = gettext_lazy("At least 10 characters; a sentence that only you would write is best.")


class SignIn(Form):
    email = Email()
    password = password(gettext_lazy("Password"), "current-password")


class Code(Form):
    """A code of the second factor."""

    code = forms.CharField(
        label=gettext_lazy("Code"),
        max_length=40,
        widget=forms.TextInput(
            attrs={"autocomplete": "one-time-code", "autocapitalize": "off", "spellcheck": "false"}
        ),
        error_messages={"required": gettext_lazy("Enter the code.")},
    )


class ProveAgain(Code):
    """The password once more, and a code of who has a second factor."""

    password = password(gettext_lazy("Your password"), "current-password")
    field_order = ("password", "code")

    def __init__(self, *args: Any, enrolled: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not enrolled:
            self.fields["code"] = forms.CharField(widget=forms.HiddenInput, required=False)


class ForgottenPassword(Form):
    email = Email()


class NewPassword(Form):
    password = password(gettext_lazy("New password"), "new-password", HOW_TO_CHOOSE)


class KnownPassword(Form):
    password = password(gettext_lazy("Your password"), "current-password")


class PersonalName(forms.CharField):
    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            label=gettext_lazy("Name"),
            max_length=120,
            help_text=gettext_lazy("As it stands beside their measurements and in reports."),
            error_messages={"required": gettext_lazy("Enter the person's name.")},
            **kwargs,
        )


class Roles(forms.MultipleChoiceField):
    """One or more roles, each with what it may do."""

    def __init__(self) -> None:
        super().__init__(
            label=gettext_lazy("Roles"),
            choices=in_words(Role.choices),
            widget=forms.CheckboxSelectMultiple,
            error_messages={"required": gettext_lazy("Choose at least one role.")},
        )
        self.words = {role.value: words for role, words in ROLE_WORDS.items()}


class Invite(Form):
    name = PersonalName()
    email = forms.EmailField(
        label=gettext_lazy("E-mail"),
        max_length=254,
        help_text=gettext_lazy("The invitation goes there. It is good for seven days."),
        widget=forms.EmailInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        error_messages={
            "required": gettext_lazy("Enter the person's e-mail address."),
            "invalid": gettext_lazy("This is not an e-mail address: it needs a name, an @ and a domain."),
        },
    )
    roles = Roles()


class Seen(Form):
    """A form that changes something and says which version its writer saw."""

    version = forms.IntegerField(min_value=0, widget=forms.HiddenInput)


class MemberForm(Seen):
    name = PersonalName()
    roles = Roles()
    unit_system = forms.ChoiceField(
        label=gettext_lazy("Units on their screen"),
        required=False,
        choices=[("", gettext_lazy("As the company")), *in_words(UnitSystem.choices)],
    )
    active = forms.BooleanField(
        label=gettext_lazy("Works here"),
        required=False,
        help_text=gettext_lazy(
            "Without this mark they can no longer come in here; what they measured stays."
        ),
    )

    @classmethod
    def of(cls, member: Member) -> "MemberForm":
        names = ("version", "name", "roles", "unit_system", "active")
        return cls(initial={name: getattr(member, name) for name in names})


class OwnSettings(Seen):
    """What people set for themselves."""

    unit_system = forms.ChoiceField(
        label=gettext_lazy("Units on your screen"),
        required=False,
        choices=[("", gettext_lazy("As the company")), *in_words(UnitSystem.choices)],
        widget=forms.RadioSelect,
    )

    @classmethod
    def of(cls, member: Member) -> "OwnSettings":
        return cls(initial={"version": member.version, "unit_system": member.unit_system})


class IntegrationForm(Form):
    """Another system: what it is called, who answers for it."""

    name = forms.CharField(
        label=gettext_lazy("Name of the system"),
        max_length=80,
        help_text=gettext_lazy("Such as: accounting, portal of the building owner."),
        error_messages={"required": gettext_lazy("Give a name of 1 to 80 characters.")},
    )
    contact = forms.EmailField(
        label=gettext_lazy("E-mail of who answers for it"),
        max_length=254,
        required=False,
        help_text=gettext_lazy("Warned 30, 7 and 1 days before a key ends, as the owners are."),
        widget=forms.EmailInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        error_messages={
            "invalid": gettext_lazy("This is not an e-mail address: it needs a name, an @ and a domain.")
        },
    )
    purpose = forms.CharField(
        label=gettext_lazy("What it does with the data"),
        max_length=400,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class IntegrationChange(IntegrationForm, Seen):
    @classmethod
    def of(cls, row: Integration) -> "IntegrationChange":
        names = ("version", "name", "contact", "purpose")
        return cls(initial={name: getattr(row, name) for name in names})


class KeyForm(Form):
    integration = forms.TypedChoiceField(
        label=gettext_lazy("System"),
        required=False,
        coerce=UUID,
        empty_value=None,
        help_text=gettext_lazy("A second key is taken into use while the first still holds."),
    )
    name = forms.CharField(
        label=gettext_lazy("What is it for"),
        max_length=80,
        help_text=gettext_lazy("Such as: accounting, weekly export."),
        error_messages={"required": gettext_lazy("Say which system uses the key.")},
    )
    scopes = forms.MultipleChoiceField(
        label=gettext_lazy("What it may do"),
        choices=in_words([(scope, SCOPE_NAMES[scope]) for scope in SCOPES]),
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": gettext_lazy("Choose at least one thing that the key may do.")},
    )
    expires_on = forms.DateField(
        label=gettext_lazy("Last day"),
        required=False,
        help_text=gettext_lazy("Within two years. Empty: good for one year."),
        widget=forms.DateInput(attrs={"type": "date"}),
        error_messages={"invalid": gettext_lazy("Write the day as year-month-day, such as 2027-03-31.")},
    )

    def __init__(self, *args: Any, systems: Sequence[Integration] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = [(str(one.id), one.name) for one in systems]
        new = gettext("the one of the same name, or a new one")
        self.fields["integration"].choices = [("", new), *known]  # type: ignore[attr-defined]
        self.fields["scopes"].words = SCOPE_WORDS  # type: ignore[attr-defined]

    @property
    def expires_at(self) -> datetime | None:
        """The end of the last day, UTC."""
        day = self.cleaned_data["expires_on"]
        return datetime.combine(day, time.max, tzinfo=UTC) if day else None


class SupportForm(Form):
    """An owner's leave for an operator."""

    operator = forms.EmailField(
        label=gettext_lazy("E-mail of the operator"),
        max_length=254,
        widget=forms.EmailInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        error_messages={
            "required": gettext_lazy("Enter the operator's e-mail address."),
            "invalid": gettext_lazy("This is not an e-mail address: it needs a name, an @ and a domain."),
        },
    )
    reason = forms.CharField(
        label=gettext_lazy("Why"),
        max_length=400,
        error_messages={"required": gettext_lazy("Say why, in 10 to 400 characters.")},
    )
    hours = forms.IntegerField(
        label=gettext_lazy("For how many hours"),
        initial=4,
        help_text=gettext_lazy("At most 72. You can end it at any time."),
        error_messages={
            "required": gettext_lazy("Give 1 to 72 hours."),
            "invalid": gettext_lazy("Give 1 to 72 hours."),
        },
    )


class TabletForm(Form):
    device_name = forms.CharField(
        label=gettext_lazy("Name of the tablet"),
        max_length=80,
        help_text=gettext_lazy("As written on its back, such as: Tablet 3."),
        error_messages={"required": gettext_lazy("Give the tablet a name.")},
    )


def _percent(label: Words) -> forms.DecimalField:
    return forms.DecimalField(
        label=label,
        max_digits=6,
        error_messages={
            "required": gettext_lazy("Enter a percentage, such as 10."),
            "invalid": gettext_lazy("Enter a number, such as 10 or 7.5."),
        },
    )


class Days(forms.CharField):
    """Whole numbers, typed with commas between them."""

    def prepare_value(self, value: Any) -> Any:
        return ", ".join(map(str, value)) if isinstance(value, list) else value

    def to_python(self, value: Any) -> Any:
        parts = [part.strip() for part in str(value or "").replace(";", ",").split(",") if part.strip()]
        if any(not (part.isascii() and part.isdigit() and len(part) <= 4) for part in parts):
            raise forms.ValidationError(
                gettext("Write whole numbers of days with commas between them, such as 30, 7.")
            )
        return [int(part) for part in parts]

    def run_validators(self, value: Any) -> None:
        """Lengths of text say nothing of a list; the action checks the days."""


class Clock(forms.TimeField):
    """A time of day."""

    def __init__(self, label: Words, **kwargs: Any) -> None:
        super().__init__(
            label=label,
            widget=forms.TimeInput(format="%H:%M", attrs={"type": "time"}),
            error_messages={
                "required": gettext_lazy("Enter a time of day, such as 07:00."),
                "invalid": gettext_lazy("Write a time of day, such as 07:00."),
            },
            **kwargs,
        )


class CompanySettings(Seen):
    """Shares of design are typed in per cent."""

    name = forms.CharField(
        label=gettext_lazy("Company name"),
        max_length=200,
        error_messages={"required": gettext_lazy("Enter the company's name.")},
    )
    letterhead = forms.CharField(
        label=gettext_lazy("Letterhead"),
        required=False,
        max_length=1000,
        help_text=gettext_lazy(
            "Lines below the name on reports: address, telephone, registration. At most eight."
        ),
        widget=forms.Textarea(attrs={"rows": 4}),
    )
    paper = forms.ChoiceField(
        label=gettext_lazy("Paper of reports"), choices=[("A4", "A4"), ("Letter", gettext_lazy("Letter"))]
    )
    unit_system = forms.ChoiceField(label=gettext_lazy("Units"), choices=in_words(UnitSystem.choices))
    time_zone = forms.CharField(
        label=gettext_lazy("Time zone"),
        max_length=64,
        help_text=gettext_lazy("Of the office, such as Europe/London. Each site has its own."),
        widget=forms.TextInput(attrs={"spellcheck": "false"}),
        error_messages={"required": gettext_lazy("Name a time zone, such as Europe/London.")},
    )
    standard_density = forms.FloatField(
        label=gettext_lazy("Standard air, kg/m³"),
        help_text=gettext_lazy("1.204 is dry air at 20 °C; 1.2014 is 0.075 lb/ft³."),
        error_messages={
            "required": gettext_lazy("Enter a density."),
            "invalid": gettext_lazy("Enter a number, such as 1.204."),
        },
    )
    tolerance_below = _percent(gettext_lazy("Below design, %"))
    tolerance_above = _percent(gettext_lazy("Above design, %"))
    decision_rule = forms.ChoiceField(
        label=gettext_lazy("Decision rule"), choices=in_words(DecisionRule.choices), widget=forms.RadioSelect
    )
    decision_parameter = forms.FloatField(
        label=gettext_lazy("Guard band or probability"),
        help_text=gettext_lazy(
            "Guarded: the guard band as a multiple of U, 0 to 2. Probability: 0.5 or more, below 1."
            " Unused for simple acceptance."
        ),
        error_messages={
            "required": gettext_lazy("Enter a number; 0 for simple acceptance."),
            "invalid": gettext_lazy("Enter a number."),
        },
    )
    fan_static = forms.ChoiceField(
        label=gettext_lazy("Fan static pressure in reports"),
        choices=in_words(FanStatic.choices),
        widget=forms.RadioSelect,
    )
    rule_bias_corrected = forms.BooleanField(
        label=gettext_lazy("Take off what the places of a traverse are known to read high"),
        required=False,
        help_text=gettext_lazy(
            "Equal areas and swept lines read some 3 % high. Off: the plain mean as published rules "
            "have it, with the larger uncertainty. The report says which."
        ),
    )
    calibration_lapse = forms.ChoiceField(
        label=gettext_lazy("When a calibration ends before the job does, planning shall"),
        choices=in_words(Lapse.choices),
    )
    reminder_days = Days(
        label=gettext_lazy("Remind by mail so many days before a calibration ends"),
        required=False,
        help_text=gettext_lazy(
            "Such as: 30, 7; then weekly after it. They go to who keeps the instruments. Empty: none."
        ),
    )
    day_starts = Clock(
        gettext_lazy("Planned days begin at"), help_text=gettext_lazy("By the clock at the site.")
    )
    day_ends = Clock(
        gettext_lazy("and end at"),
        help_text=gettext_lazy("Changed hours hold for what is planned from then on."),
    )
    travel_minutes = forms.IntegerField(
        label=gettext_lazy("Minutes between two sites"),
        help_text=gettext_lazy("Where no travel time of their own is set. 0: none is counted."),
        error_messages={
            "required": gettext_lazy("Enter minutes; 0 for none."),
            "invalid": gettext_lazy("Enter whole minutes."),
        },
    )
    plan_mails = forms.BooleanField(
        label=gettext_lazy("Mail people when their plan changes"),
        required=False,
        help_text=gettext_lazy("Several changes within some minutes make one mail."),
    )
    second_factor = forms.BooleanField(
        label=gettext_lazy("Ask owners and supervisors for a second factor"),
        required=False,
        help_text=gettext_lazy(
            "A code from their telephone beside the password. They have seven days to set it up; after that "
            "they come in no further than there."
        ),
    )
    self_approval = forms.BooleanField(
        label=gettext_lazy("Let somebody approve a job they measured on"),
        required=False,
        help_text=gettext_lazy("For companies of one person. The report then says so."),
    )

    PERCENT = ("tolerance_below", "tolerance_above")

    @classmethod
    def of(cls, made: Company) -> "CompanySettings":
        shown = {name: getattr(made, name) for name in cls.base_fields}
        return cls(initial={**shown, **{name: f"{shown[name] * 100:g}" for name in cls.PERCENT}})

    def changes(self) -> dict[str, Any]:
        """The settings by name, in the units that they are stored in."""
        values = {name: value for name, value in self.cleaned_data.items() if name != "version"}
        values["letterhead"] = "\n".join(values["letterhead"].splitlines())
        return {**values, **{name: float(values[name] / 100) for name in self.PERCENT}}
