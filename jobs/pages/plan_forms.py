"""Forms of planning: a place on a job, a job, a travel time."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any
from uuid import UUID

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.board import Candidate
from jobs.bookings import Kind
from jobs.models import Job, Site, System
from jobs.pages.forms import Form

SHARE = "{:g}"


def day_field(label: Any, **kwargs: Any) -> forms.DateField:
    return forms.DateField(
        label=label,
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
        error_messages={
            "required": gettext_lazy("Enter a day."),
            "invalid": gettext_lazy("Write the day as year-month-day, such as 2026-03-02."),
        },
        **kwargs,
    )


def clock_field(label: Any, help_text: Any) -> forms.TimeField:
    return forms.TimeField(
        label=label,
        required=False,
        help_text=help_text,
        widget=forms.TimeInput(format="%H:%M", attrs={"type": "time"}),
        error_messages={"invalid": gettext_lazy("Write a time of day, such as 13:00.")},
    )


class PlaceForm(Form):
    """Who or what goes to a job, on which days. `was` had the place before."""

    job = forms.UUIDField(widget=forms.HiddenInput)
    by = forms.ChoiceField(choices=[(kind.value, kind.value) for kind in Kind], widget=forms.HiddenInput)
    was = forms.UUIDField(widget=forms.HiddenInput, required=False)
    seen = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    back = forms.CharField(widget=forms.HiddenInput, required=False, max_length=300)
    who = forms.UUIDField(
        widget=forms.Select, error_messages={"required": gettext_lazy("Choose somebody or something.")}
    )
    starts_on = day_field(gettext_lazy("First day"))
    ends_on = day_field(gettext_lazy("Last day"))
    from_time = clock_field(
        gettext_lazy("From"), gettext_lazy("On the first day; empty: the company's hours.")
    )
    to_time = clock_field(gettext_lazy("To"), gettext_lazy("On the last day."))

    def offer(self, kind: Kind, found: Sequence[Candidate]) -> None:
        """The choices: what fits first, the rest apart."""
        field = self.fields["who"]
        self["who"].label = _("Who") if kind is Kind.PEOPLE else _("Instrument")
        groups = [
            (_("Free and fit"), [(str(one.id), one.name) for one in found if one.fits]),
            (_("Would be refused"), [(str(one.id), one.name) for one in found if not one.fits]),
        ]
        field.widget.choices = [("", _("Choose …")), *(group for group in groups if group[1])]


class JobForm(Form):
    """A job of one site. Tolerances in per cent; empty: the company's."""

    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=1)
    title = forms.CharField(
        label=gettext_lazy("Title"),
        max_length=200,
        help_text=gettext_lazy("What is to be done, such as: Balance of the reading rooms."),
        error_messages={"required": gettext_lazy("Enter a title.")},
    )
    systems = forms.MultipleChoiceField(
        label=gettext_lazy("Systems"),
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": gettext_lazy("Choose at least one system.")},
    )
    starts_on = day_field(gettext_lazy("First day"))
    ends_on = day_field(gettext_lazy("Last day"))
    tolerance_below = forms.DecimalField(
        label=gettext_lazy("Below design, %"),
        required=False,
        max_digits=6,
        help_text=gettext_lazy("Empty: the company's."),
        error_messages={"invalid": gettext_lazy("Enter a number, such as 10.")},
    )
    tolerance_above = forms.DecimalField(
        label=gettext_lazy("Above design, %"),
        required=False,
        max_digits=6,
        error_messages={"invalid": gettext_lazy("Enter a number, such as 10.")},
    )
    notes = forms.CharField(
        label=gettext_lazy("Notes for who goes there"),
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 4}),
    )

    def offer(self, systems: Iterable[System]) -> None:
        self.fields["systems"].choices = [  # type: ignore[attr-defined]
            (str(one.id), f"{one.tag} {one.name}".strip()) for one in systems
        ]

    @classmethod
    def of(cls, job: Job) -> "JobForm":
        shares = {
            name: None if (value := getattr(job, name)) is None else SHARE.format(value * 100)
            for name in ("tolerance_below", "tolerance_above")
        }
        names = ("version", "title", "starts_on", "ends_on", "notes")
        systems = [str(one.system_id) for one in job.job_systems.all()]
        return cls(initial={name: getattr(job, name) for name in names} | shares | {"systems": systems})

    @classmethod
    def empty(cls, today: date) -> "JobForm":
        return cls(initial={"starts_on": today, "ends_on": today})

    def fields_of(self) -> dict[str, Any]:
        """By the names of the action; tolerances as shares."""
        values = dict(self.cleaned_data)
        for name in ("version", "systems"):
            del values[name]
        for name in ("tolerance_below", "tolerance_above"):
            values[name] = None if values[name] is None else float(values[name] / 100)
        values["notes"] = "\n".join(values["notes"].splitlines())
        return values

    def system_ids(self) -> list[UUID]:
        return [UUID(one) for one in self.cleaned_data["systems"]]


class CancelForm(Form):
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    reason = forms.CharField(
        label=gettext_lazy("Reason"),
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=gettext_lazy("It stands in the company's log."),
        error_messages={"required": gettext_lazy("Say why the job is cancelled.")},
    )


class TravelForm(Form):
    one = forms.UUIDField(
        label=gettext_lazy("Between"),
        widget=forms.Select,
        error_messages={"required": gettext_lazy("Choose a site.")},
    )
    other = forms.UUIDField(
        label=gettext_lazy("and"),
        widget=forms.Select,
        error_messages={"required": gettext_lazy("Choose a site.")},
    )
    minutes = forms.IntegerField(
        label=gettext_lazy("Minutes"),
        error_messages={
            "required": gettext_lazy("Enter minutes."),
            "invalid": gettext_lazy("Enter whole minutes."),
        },
    )

    def offer(self, sites: Iterable[Site]) -> None:
        choices = [("", _("Choose …")), *((str(one.id), f"{one.name}, {one.customer.name}") for one in sites)]
        for name in ("one", "other"):
            self.fields[name].widget.choices = choices
