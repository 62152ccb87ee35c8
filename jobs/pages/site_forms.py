"""Forms of customers and sites."""

from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.models import Customer, Quantity, Site, UnitSystem
from jobs.pages.forms import Form
from jobs.pages.rows import FigureField, in_unit
from jobs.units import find_unit

ELEVATION_UNITS = {UnitSystem.SI: "m", UnitSystem.IP: "[ft_i]"}


def _lines() -> forms.CharField:
    return forms.CharField(
        label=gettext_lazy("Address"),
        required=False,
        max_length=600,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class CustomerForm(Form):
    version = forms.IntegerField(required=False, min_value=0, widget=forms.HiddenInput)
    name = forms.CharField(
        label=gettext_lazy("Name of the customer"),
        max_length=160,
        error_messages={"required": gettext_lazy("Enter the customer's name.")},
    )
    contact_name = forms.CharField(label=gettext_lazy("Contact"), required=False, max_length=120)
    contact_email = forms.EmailField(
        label=gettext_lazy("Contact's e-mail"),
        required=False,
        max_length=254,
        widget=forms.EmailInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        error_messages={
            "invalid": gettext_lazy("This is not an e-mail address: it needs a name, an @ and a domain.")
        },
    )
    address = _lines()

    FIELDS = ("name", "contact_name", "contact_email", "address")

    @classmethod
    def of(cls, row: Customer) -> "CustomerForm":
        return cls(initial={name: getattr(row, name) for name in ("version", *cls.FIELDS)})

    def fields_of(self) -> dict[str, Any]:
        """By the names of the action."""
        found = {name: self.cleaned_data[name] for name in self.FIELDS}
        return found | {"address": "\n".join(found["address"].splitlines())}


class SiteForm(Form):
    version = forms.IntegerField(required=False, min_value=0, widget=forms.HiddenInput)
    name = forms.CharField(
        label=gettext_lazy("Name of the site"),
        max_length=160,
        help_text=gettext_lazy("The building or campus, as it stands on the report."),
        error_messages={"required": gettext_lazy("Enter the site's name.")},
    )
    address = _lines()
    time_zone = forms.CharField(
        label=gettext_lazy("Time zone"),
        max_length=64,
        help_text=gettext_lazy("Dates the readings, such as Europe/London."),
        widget=forms.TextInput(attrs={"spellcheck": "false"}),
        error_messages={"required": gettext_lazy("Name a time zone, such as Europe/London.")},
    )
    elevation = FigureField(
        gettext_lazy("Elevation"),  # type: ignore[arg-type]  # a promise of a text
        help_text=gettext_lazy("Above sea level; stands in for a barometer. Empty: sea level."),
    )
    elevation_unit = forms.ChoiceField(
        label=gettext_lazy("Unit"), choices=[("m", "m"), ("[ft_i]", "ft")], required=False
    )

    PLACES = {"elevation_m": "elevation"}

    @classmethod
    def of(cls, row: Site, system: str) -> "SiteForm":
        unit = find_unit(ELEVATION_UNITS[UnitSystem(system)], Quantity.LENGTH)
        shown = {name: getattr(row, name) for name in ("version", "name", "address", "time_zone")}
        return cls(
            initial={**shown, "elevation": in_unit(row.elevation_m, unit), "elevation_unit": unit.name}
        )

    def fields_of(self, before: Site | None = None) -> dict[str, Any]:
        """By the names of the action. An elevation that was shown and left alone keeps its digits."""
        given = self.cleaned_data
        figure = given["elevation"]
        unit = find_unit(given["elevation_unit"] or "m", Quantity.LENGTH)
        elevation = unit.to_si(figure.value) if figure else 0.0
        if before is not None and abs(before.elevation_m - elevation) <= 1e-6:
            elevation = before.elevation_m
        return {
            "name": given["name"],
            "address": "\n".join(given["address"].splitlines()),
            "time_zone": given["time_zone"],
            "elevation_m": elevation,
        }

    def clean_name(self) -> str:
        name = str(self.cleaned_data["name"])
        if not name.isprintable():
            raise forms.ValidationError(_("The name has an invisible character; type it anew."))
        return name
