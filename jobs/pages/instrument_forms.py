"""Forms of instruments and certificates: what a person typed, as typed values."""

import base64
import re
import zlib
from datetime import date
from typing import Any

from django import forms
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy

from jobs.attachments import MOST_BYTES, MOST_FILES, Attachment, read_attachment
from jobs.certificate_lines import line_point
from jobs.errors import DomainError
from jobs.instruments import Point, Range
from jobs.models import Certificate, CertificatePoint, Instrument, InstrumentKind, Quantity
from jobs.pages.forms import Form, Words, in_words
from jobs.pages.rows import FigureField, RowForm, RowSet, code, in_unit, row_set, shown_unit
from jobs.units import Figure, UnknownUnit, find_unit, units_of

MOST_LINES, MOST_RANGES, BLANK_LINES, BLANK_RANGES = 100, 40, 8, 3
ALL = tuple(Quantity)


class DayField(forms.DateField):
    def __init__(self, label: Words, missing: Words, **kwargs: Any) -> None:
        super().__init__(
            label=label,
            widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            input_formats=["%Y-%m-%d"],
            error_messages={
                "required": missing,
                "invalid": gettext_lazy("Write the day as year-month-day: 2027-03-31."),
            },
            **kwargs,
        )


class InstrumentForm(Form):
    """An instrument without its ranges. `version` is empty for a new one."""

    version = forms.IntegerField(required=False, min_value=0, widget=forms.HiddenInput)
    name = forms.CharField(
        label=gettext_lazy("Name"),
        max_length=120,
        help_text=gettext_lazy("As people call it, such as: digital manometer."),
        error_messages={"required": gettext_lazy("Give the instrument a name.")},
    )
    serial = forms.CharField(
        label=gettext_lazy("Serial number"),
        max_length=60,
        help_text=gettext_lazy("As on its plate; certificates are matched by it."),
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        error_messages={"required": gettext_lazy("Enter the serial number.")},
    )
    kind = forms.ChoiceField(
        label=gettext_lazy("Kind"),
        choices=[("", gettext_lazy("Choose a kind")), *in_words(InstrumentKind.choices)],
        error_messages={"required": gettext_lazy("Choose the kind of instrument.")},
    )
    maker = forms.CharField(label=gettext_lazy("Maker"), max_length=120, required=False)
    probe_length = FigureField(gettext_lazy("Reach of the probe"))
    probe_unit = forms.ChoiceField(
        label=gettext_lazy("Unit of the reach"),
        required=False,
        choices=[(unit.name, unit.symbol) for unit in units_of(Quantity.LENGTH)],
    )
    probe_factor = FigureField(
        gettext_lazy("Factor"),
        help_text=gettext_lazy("Of a pitot-static tube or hood; 1 where the maker gives none."),
    )
    probe_factor_u = FigureField(gettext_lazy("Standard uncertainty of the factor"))
    in_service = forms.BooleanField(
        label=gettext_lazy("In service"),
        required=False,
        initial=True,
        help_text=gettext_lazy(
            "Without this mark it is out of planning and of the due list; what it measured stays."
        ),
    )

    @classmethod
    def of(cls, tool: Instrument, system: str) -> "InstrumentForm":
        names = ("version", "name", "serial", "kind", "maker", "in_service")
        unit = shown_unit(Quantity.LENGTH, system)
        reach, factor, u = tool.probe_length_m, tool.probe_factor, tool.probe_factor_u
        return cls(
            initial={
                **{name: getattr(tool, name) for name in names},
                "probe_length": "" if reach is None else in_unit(reach, unit),
                "probe_unit": unit.name,
                "probe_factor": "" if factor is None else f"{factor:.10g}",
                "probe_factor_u": "" if u is None else f"{u:.10g}",
            }
        )

    def fields_of(self) -> dict[str, Any]:
        """The fields by the names of the action; `in_service` and `version` apart."""
        values = self.cleaned_data
        names = ("name", "serial", "kind", "maker")
        reach: Figure | None = values["probe_length"]
        unit = find_unit(values["probe_unit"] or "m", Quantity.LENGTH)
        return {
            **{name: values[name] for name in names},
            "probe_length_m": None if reach is None else unit.to_si(reach.value),
            **{
                name: None if values[name] is None else values[name].value
                for name in ("probe_factor", "probe_factor_u")
            },
        }


class RangeForm(RowForm):
    minimum = FigureField(gettext_lazy("From"))
    maximum = FigureField(gettext_lazy("To"))
    resolution = FigureField(gettext_lazy("Resolution"))
    accuracy_absolute = FigureField(gettext_lazy("Accuracy"))
    accuracy_of_reading = FigureField(gettext_lazy("% of reading"))
    accuracy_of_span = FigureField(gettext_lazy("% of span"))


class BaseRanges(RowSet):
    needed = ("minimum", "maximum", "resolution")

    def clean(self) -> None:
        super().clean()
        for form in self.filled():
            measure, share = form.cleaned_data["measure"], form.cleaned_data["accuracy_of_reading"]
            if measure and measure[0] is Quantity.TEMPERATURE and share and share.value:
                form.add_error(
                    "accuracy_of_reading",
                    gettext_lazy("Means nothing for a temperature: it depends on the scale."),
                )

    def ranges(self) -> list[Range]:
        """In SI."""
        return [_range(**form.cleaned_data) for form in self.filled()]


def _range(measure: Any, **figures: Figure | None) -> Range:
    quantity, unit = measure
    value = {name: 0.0 if one is None else one.value for name, one in figures.items()}
    return Range(
        quantity=quantity,
        minimum=unit.to_si(value["minimum"]),
        maximum=unit.to_si(value["maximum"]),
        resolution=unit.difference_to_si(value["resolution"]),
        accuracy_absolute=unit.difference_to_si(value["accuracy_absolute"]),
        accuracy_of_reading=value["accuracy_of_reading"] / 100.0,
        accuracy_of_span=value["accuracy_of_span"] / 100.0,
    )


Ranges = row_set(RangeForm, BaseRanges, BLANK_RANGES, MOST_RANGES)


def ranges_of(tool: Instrument, system: str) -> list[dict[str, str]]:
    """The ranges of an instrument as rows, in units that people of the company read."""
    rows = []
    for one in tool.ranges.all():
        quantity = Quantity(one.quantity)
        unit = shown_unit(quantity, system)
        rows.append(
            {
                "measure": code(quantity, unit),
                "minimum": in_unit(one.minimum, unit),
                "maximum": in_unit(one.maximum, unit),
                "resolution": in_unit(one.resolution, unit, difference=True),
                "accuracy_absolute": _unless_zero(in_unit(one.accuracy_absolute, unit, difference=True)),
                "accuracy_of_reading": _unless_zero(f"{one.accuracy_of_reading * 100:.10g}"),
                "accuracy_of_span": _unless_zero(f"{one.accuracy_of_span * 100:.10g}"),
            }
        )
    return rows


def _unless_zero(text: str) -> str:
    return "" if text == "0" else text


# Certificates


class Files(forms.ClearableFileInput):
    allow_multiple_selected = True


class FilesField(forms.FileField):
    """Any number of files; those that are looked at and good, inside."""

    def clean(self, data: Any, initial: Any = None) -> Any:
        chosen = data if isinstance(data, list | tuple) else [data] if data else []
        if len(chosen) > MOST_FILES:
            raise forms.ValidationError(
                gettext_lazy("At most %(count)s files belong to one certificate.") % {"count": MOST_FILES}
            )
        return [_looked_at(one.name or "", one.read()) for one in chosen]


def _looked_at(name: str, data: bytes) -> Attachment:
    try:
        return read_attachment(name, data)
    except DomainError as error:
        raise forms.ValidationError(f"{name[:60]}: {error.detail}") from None


class CertificateForm(Form):
    """A certificate without its lines. `carried` is a digital certificate that was read before."""

    number = forms.CharField(
        label=gettext_lazy("Certificate number"),
        max_length=80,
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        error_messages={"required": gettext_lazy("Enter the number that stands on the certificate.")},
    )
    laboratory = forms.CharField(
        label=gettext_lazy("Laboratory"),
        max_length=160,
        error_messages={"required": gettext_lazy("Enter the laboratory's name.")},
    )
    accreditation = forms.CharField(
        label=gettext_lazy("Accreditation"),
        max_length=80,
        required=False,
        help_text=gettext_lazy("Its number, where there is one."),
    )
    calibrated_on = DayField(gettext_lazy("Calibrated on"), gettext_lazy("Enter the day of the calibration."))
    due_on = DayField(
        gettext_lazy("Due on"),
        gettext_lazy("Enter the last day on which it holds."),
        help_text=gettext_lazy("The last day it holds."),
    )
    scans = FilesField(
        label=gettext_lazy("Files that came with it"),
        required=False,
        widget=Files(attrs={"accept": ".pdf,.png,.jpg,.jpeg,.xml"}),
        help_text=format_lazy(
            gettext_lazy("PDF, PNG, JPEG or XML, up to {files}, at most {size} MB each."),
            files=MOST_FILES,
            size=MOST_BYTES >> 20,
        ),
    )
    table = forms.FileField(
        label=gettext_lazy("Lines from a table"),
        required=False,
        widget=forms.FileInput(attrs={"accept": ".csv,.xlsx"}),
        help_text=gettext_lazy("CSV or XLSX. It replaces the lines below, for you to look at."),
    )
    carried = forms.CharField(required=False, strip=False, widget=forms.HiddenInput)
    carried_name = forms.CharField(required=False, max_length=120, widget=forms.HiddenInput)

    HEAD = ("number", "laboratory", "accreditation", "calibrated_on", "due_on")

    @classmethod
    def of(cls, row: Certificate) -> "CertificateForm":
        return cls(initial={name: getattr(row, name) for name in cls.HEAD})

    def clean_carried(self) -> bytes:
        return unpacked(self.cleaned_data["carried"])

    def clean_calibrated_on(self) -> date:
        day: date = self.cleaned_data["calibrated_on"]
        if day.year < 1950:
            raise forms.ValidationError(gettext_lazy("Look at the year."))
        return day

    def attachments(self) -> list[Attachment]:
        """The files, the digital certificate first."""
        carried = self.cleaned_data["carried"]
        first = [read_attachment(self.cleaned_data["carried_name"], carried)] if carried else []
        return [*first, *self.cleaned_data["scans"]]


def packed(data: bytes) -> str:
    """A file as text, to go through a form and come back."""
    return base64.b64encode(zlib.compress(data, 9)).decode()


def unpacked(text: str) -> bytes:
    """What `packed` packed; never more than a file may have. Raises ValidationError."""
    if not text:
        return b""
    try:
        opened = zlib.decompressobj()
        data = opened.decompress(base64.b64decode(text, validate=True), MOST_BYTES + 1)
    except (ValueError, zlib.error):  # no base64, or not even ASCII
        raise forms.ValidationError(
            gettext_lazy("The digital certificate was damaged on its way; read it again.")
        ) from None
    if len(data) > MOST_BYTES:
        raise forms.ValidationError(gettext_lazy("The digital certificate is too large."))
    return data


class LineForm(RowForm):
    reference = FigureField(gettext_lazy("Reference"))
    as_found = FigureField(gettext_lazy("As found"))
    as_left = FigureField(gettext_lazy("As left"))
    expanded_uncertainty = FigureField(gettext_lazy("Expanded uncertainty"))
    coverage_factor = FigureField(gettext_lazy("Coverage factor k"))


class BaseLines(RowSet):
    needed = ("reference", "as_left", "expanded_uncertainty")

    def points(self) -> list[Point]:
        """In SI, each with its text as typed."""
        return [_point(**form.cleaned_data) for form in self.filled()]


def _point(measure: Any, coverage_factor: Figure | None, **figures: Any) -> Point:
    quantity, unit = measure
    factor = 2.0 if coverage_factor is None else coverage_factor.value
    return line_point(quantity, unit, coverage_factor=factor, **figures)


Lines = row_set(LineForm, BaseLines, BLANK_LINES, MOST_LINES)
LINE_NAMES = tuple(LineForm.base_fields)


def quantities_of(tool: Instrument) -> list[Quantity]:
    """What its certificates may be of."""
    shown = {Quantity(one.quantity) for one in tool.ranges.all()}
    if tool.probe_factor is not None:
        shown.add(Quantity.FACTOR)
    return [quantity for quantity in Quantity if quantity in shown]


def lines_of(points: list[CertificatePoint], system: str) -> list[dict[str, str]]:
    """Stored points as rows, to put an entry right."""
    rows = []
    for one in points:
        quantity = Quantity(one.quantity)
        if (typed := _as_entered(one, quantity)) is not None:
            rows.append(typed)
            continue
        unit = shown_unit(quantity, system)
        rows.append(
            {
                "measure": code(quantity, unit),
                "reference": in_unit(one.reference, unit),
                "as_found": "" if one.as_found is None else in_unit(one.as_found, unit),
                "as_left": in_unit(one.as_left, unit),
                "expanded_uncertainty": in_unit(one.expanded_uncertainty, unit, difference=True),
                "coverage_factor": f"{one.coverage_factor:.6g}",
            }
        )
    return rows


_ENTERED = re.compile(r"(\S+) (.+?)(?:, found (\S+))?, left (\S+), U (\S+)")


def _as_entered(point: CertificatePoint, quantity: Quantity) -> dict[str, str] | None:
    """A point's row as it was typed; nothing where its text says no more."""
    found = _ENTERED.fullmatch(point.entered)
    try:
        unit = find_unit(found[2], quantity) if found else None
    except UnknownUnit:
        unit = None
    if found is None or unit is None:
        return None
    return {
        "measure": code(quantity, unit),
        "reference": found[1],
        "as_found": found[3] or "",
        "as_left": found[4],
        "expanded_uncertainty": found[5],
        "coverage_factor": f"{point.coverage_factor:.6g}",
    }


class DigitalForm(Form):
    """Where a digital certificate comes in."""

    file = forms.FileField(
        label=gettext_lazy("Digital certificate"),
        widget=forms.FileInput(attrs={"accept": ".xml,application/xml,text/xml"}),
        help_text=format_lazy(
            gettext_lazy("The XML file (DCC), at most {size} MB. Nothing is stored yet."),
            size=MOST_BYTES >> 20,
        ),
        error_messages={
            "required": gettext_lazy("Choose the XML file."),
            "empty": gettext_lazy("The file is empty; choose it again."),
        },
    )
    unadjusted = forms.BooleanField(
        label=gettext_lazy("Nothing was adjusted"),
        required=False,
        help_text=gettext_lazy(
            "As found is as left. Mark it only when the certificate or the laboratory says so."
        ),
    )


class TableForm(Form):
    """Where a table of certificates comes in."""

    file = forms.FileField(
        label=gettext_lazy("Table"),
        widget=forms.FileInput(attrs={"accept": ".csv,.xlsx"}),
        help_text=gettext_lazy(
            "CSV or XLSX, at most 2 MB. One row a line, the rows of one certificate together."
        ),
        error_messages={
            "required": gettext_lazy("Choose the file."),
            "empty": gettext_lazy("The file is empty; choose it again."),
        },
    )
