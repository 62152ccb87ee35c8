"""Forms of the pages: what a person typed, as typed values. Whether it may be done, the actions decide."""

from datetime import UTC, datetime, time
from typing import Any

from django import forms

from jobs.access import SCOPES
from jobs.models import Company, DecisionRule, FanStatic, Lapse, Member, Role, UnitSystem

ROLE_WORDS = {
    Role.OWNER: "Manages people, keys and the rules of the house.",
    Role.DISPATCHER: "Enters schedules, plans jobs, people and instruments.",
    Role.TECHNICIAN: "Measures on site and submits for review.",
    Role.SUPERVISOR: "Reviews, approves and issues reports.",
}
SCOPE_WORDS = {
    "read": "Read jobs, figures and reports.",
    "plan": "Enter schedules and plan jobs.",
    "instruments": "Enter instruments and certificates.",
}


class Form(forms.Form):
    """No colons after labels; fields that are refused say so to screen readers."""

    use_required_attribute = True

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})


class Email(forms.EmailField):
    def __init__(self, **kwargs: Any) -> None:
        widget = forms.EmailInput(attrs={"autocomplete": "username", "spellcheck": "false"})
        super().__init__(
            label="E-mail",
            max_length=254,
            widget=widget,
            error_messages={
                "required": "Enter your e-mail address.",
                "invalid": "This is not an e-mail address: it needs a name, an @ and a domain.",
            },
            **kwargs,
        )


def password(label: str, purpose: str, help_text: str = "") -> forms.CharField:
    """A password field; `purpose` is the browser's word for it, current-password or new-password."""
    return forms.CharField(
        label=label,
        max_length=1000,
        strip=False,
        help_text=help_text,
        widget=forms.PasswordInput(attrs={"autocomplete": purpose}),
        error_messages={"required": "Enter the password."},
    )


HOW_TO_CHOOSE = "At least 10 characters; a sentence that only you would write is best."


class SignIn(Form):
    email = Email()
    password = password("Password", "current-password")


class ForgottenPassword(Form):
    email = Email()


class NewPassword(Form):
    password = password("New password", "new-password", HOW_TO_CHOOSE)


class KnownPassword(Form):
    password = password("Your password", "current-password")


class PersonalName(forms.CharField):
    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            label="Name",
            max_length=120,
            help_text="As it stands beside their measurements and in reports.",
            error_messages={"required": "Enter the person's name."},
            **kwargs,
        )


class Roles(forms.MultipleChoiceField):
    """One or more roles, each with what it may do."""

    def __init__(self) -> None:
        super().__init__(
            label="Roles",
            choices=[(role.value, role.label) for role in Role],
            widget=forms.CheckboxSelectMultiple,
            error_messages={"required": "Choose at least one role."},
        )
        self.words = {role.value: words for role, words in ROLE_WORDS.items()}


class Invite(Form):
    name = PersonalName()
    email = forms.EmailField(
        label="E-mail",
        max_length=254,
        help_text="The invitation goes there. It is good for seven days.",
        widget=forms.EmailInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        error_messages={
            "required": "Enter the person's e-mail address.",
            "invalid": "This is not an e-mail address: it needs a name, an @ and a domain.",
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
        label="Units on their screen",
        required=False,
        choices=[("", "As the company"), *UnitSystem.choices],
    )
    active = forms.BooleanField(
        label="Works here",
        required=False,
        help_text="Without this mark they can no longer come in here; what they measured stays.",
    )

    @classmethod
    def of(cls, member: Member) -> "MemberForm":
        names = ("version", "name", "roles", "unit_system", "active")
        return cls(initial={name: getattr(member, name) for name in names})


class KeyForm(Form):
    name = forms.CharField(
        label="What is it for",
        max_length=80,
        help_text="Such as: accounting, weekly export.",
        error_messages={"required": "Say which system uses the key."},
    )
    scopes = forms.MultipleChoiceField(
        label="What it may do",
        choices=[(scope, scope.capitalize()) for scope in SCOPES],
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one thing that the key may do."},
    )
    expires_on = forms.DateField(
        label="Last day",
        required=False,
        help_text="Empty: good until you revoke it.",
        widget=forms.DateInput(attrs={"type": "date"}),
        error_messages={"invalid": "Write the day as year-month-day, such as 2027-03-31."},
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["scopes"].words = SCOPE_WORDS  # type: ignore[attr-defined]

    @property
    def expires_at(self) -> datetime | None:
        """The end of the last day, UTC."""
        day = self.cleaned_data["expires_on"]
        return datetime.combine(day, time.max, tzinfo=UTC) if day else None


class TabletForm(Form):
    device_name = forms.CharField(
        label="Name of the tablet",
        max_length=80,
        help_text="As written on its back, such as: Tablet 3.",
        error_messages={"required": "Give the tablet a name."},
    )


def _percent(label: str) -> forms.DecimalField:
    return forms.DecimalField(
        label=label,
        max_digits=6,
        error_messages={
            "required": "Enter a percentage, such as 10.",
            "invalid": "Enter a number, such as 10 or 7.5.",
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
                "Write whole numbers of days with commas between them, such as 30, 7."
            )
        return [int(part) for part in parts]

    def run_validators(self, value: Any) -> None:
        """Lengths of text say nothing of a list; the action checks the days."""


class Clock(forms.TimeField):
    """A time of day."""

    def __init__(self, label: str, **kwargs: Any) -> None:
        super().__init__(
            label=label,
            widget=forms.TimeInput(format="%H:%M", attrs={"type": "time"}),
            error_messages={
                "required": "Enter a time of day, such as 07:00.",
                "invalid": "Write a time of day, such as 07:00.",
            },
            **kwargs,
        )


class CompanySettings(Seen):
    """Shares of design are typed in per cent."""

    name = forms.CharField(
        label="Company name", max_length=200, error_messages={"required": "Enter the company's name."}
    )
    letterhead = forms.CharField(
        label="Letterhead",
        required=False,
        max_length=1000,
        help_text="Lines below the name on reports: address, telephone, registration. At most eight.",
        widget=forms.Textarea(attrs={"rows": 4}),
    )
    paper = forms.ChoiceField(label="Paper of reports", choices=[("A4", "A4"), ("Letter", "Letter")])
    unit_system = forms.ChoiceField(label="Units", choices=UnitSystem.choices)
    time_zone = forms.CharField(
        label="Time zone",
        max_length=64,
        help_text="Of the office, such as Europe/London. Each site has its own.",
        widget=forms.TextInput(attrs={"spellcheck": "false"}),
        error_messages={"required": "Name a time zone, such as Europe/London."},
    )
    standard_density = forms.FloatField(
        label="Standard air, kg/m³",
        help_text="1.204 is dry air at 20 °C; 1.2014 is 0.075 lb/ft³.",
        error_messages={"required": "Enter a density.", "invalid": "Enter a number, such as 1.204."},
    )
    tolerance_below = _percent("Below design, %")
    tolerance_above = _percent("Above design, %")
    decision_rule = forms.ChoiceField(
        label="Decision rule", choices=DecisionRule.choices, widget=forms.RadioSelect
    )
    decision_parameter = forms.FloatField(
        label="Guard band or probability",
        help_text="Guarded: the guard band as a multiple of U, 0 to 2. Probability: 0.5 or more, below 1."
        " Unused for simple acceptance.",
        error_messages={"required": "Enter a number; 0 for simple acceptance.", "invalid": "Enter a number."},
    )
    fan_static = forms.ChoiceField(
        label="Fan static pressure in reports", choices=FanStatic.choices, widget=forms.RadioSelect
    )
    rule_bias_corrected = forms.BooleanField(
        label="Take off what the places of a traverse are known to read high",
        required=False,
        help_text="Equal areas and swept lines read some 3 % high. Off: the plain mean as published rules "
        "have it, with the larger uncertainty. The report says which.",
    )
    calibration_lapse = forms.ChoiceField(
        label="When a calibration ends before the job does, planning shall", choices=Lapse.choices
    )
    reminder_days = Days(
        label="Remind by mail so many days before a calibration ends",
        required=False,
        help_text="Such as: 30, 7; then weekly after it. They go to who keeps the instruments. Empty: none.",
    )
    day_starts = Clock("Planned days begin at", help_text="By the clock at the site.")
    day_ends = Clock("and end at", help_text="Changed hours hold for what is planned from then on.")
    travel_minutes = forms.IntegerField(
        label="Minutes between two sites",
        help_text="Where no travel time of their own is set. 0: none is counted.",
        error_messages={"required": "Enter minutes; 0 for none.", "invalid": "Enter whole minutes."},
    )
    plan_mails = forms.BooleanField(
        label="Mail people when their plan changes",
        required=False,
        help_text="Several changes within some minutes make one mail.",
    )
    self_approval = forms.BooleanField(
        label="Let somebody approve a job they measured on",
        required=False,
        help_text="For companies of one person. The report then says so.",
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
