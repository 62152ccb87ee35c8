"""Tables to fill in: a form a row, empty rows left aside, figures as people type them."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django import forms
from django.forms import BaseFormSet, formset_factory
from django.utils.translation import gettext, gettext_lazy, gettext_noop

from jobs.errors import DomainError, Fault
from jobs.models import Quantity, UnitSystem
from jobs.pages.forms import Form, Words
from jobs.sheets.figures import Mark, NoFigure, read_figure
from jobs.units import Figure, Unit, UnknownUnit, find_unit, units_of

SHOWN_SI = {
    Quantity.FLOW: "L/s",
    Quantity.TEMPERATURE: "Cel",
    Quantity.HUMIDITY: "%",
    Quantity.LENGTH: "mm",
    Quantity.SPEED: "/min",
    Quantity.CARBON_DIOXIDE: "[ppm]",
}
SHOWN_IP = {
    Quantity.PRESSURE: "[in_i'H2O]",
    Quantity.ABSOLUTE_PRESSURE: "[in_i'Hg]",
    Quantity.VELOCITY: "[ft_i]/min",
    Quantity.FLOW: "[cft_i]/min",
    Quantity.TEMPERATURE: "[degF]",
    Quantity.HUMIDITY: "%",
    Quantity.LENGTH: "[in_i]",
    Quantity.SPEED: "/min",
    Quantity.CARBON_DIOXIDE: "[ppm]",
}


def shown_unit(quantity: Quantity, system: str = UnitSystem.SI) -> Unit:
    """In which unit a quantity of instruments is shown to people of a system of units."""
    name = (SHOWN_IP if system == UnitSystem.IP else SHOWN_SI).get(quantity)
    return find_unit(name, quantity) if name else units_of(quantity)[0]


QUANTITY_WORDS = {
    Quantity.PRESSURE: gettext_noop("Pressure difference"),
    Quantity.VELOCITY: gettext_noop("Air velocity"),
    Quantity.FLOW: gettext_noop("Volume flow"),
    Quantity.TEMPERATURE: gettext_noop("Temperature"),
    Quantity.HUMIDITY: gettext_noop("Relative humidity"),
    Quantity.ABSOLUTE_PRESSURE: gettext_noop("Absolute pressure"),
    Quantity.LENGTH: gettext_noop("Length"),
    Quantity.FACTOR: gettext_noop("Probe factor"),
    Quantity.SPEED: gettext_noop("Rotational speed"),
    Quantity.VOLTAGE: gettext_noop("Voltage"),
    Quantity.CURRENT: gettext_noop("Current"),
    Quantity.POWER: gettext_noop("Power"),
    Quantity.CARBON_DIOXIDE: gettext_noop("Carbon dioxide"),
    Quantity.CONCENTRATION: gettext_noop("Particles"),
    Quantity.SOUND_LEVEL: gettext_noop("Sound level"),
}


def quantity_words(quantity: Quantity | str) -> str:
    """A quantity in the reader's words, without the unit of its label."""
    return gettext(QUANTITY_WORDS[Quantity(quantity)])


def in_unit(value: float, unit: Unit, *, difference: bool = False) -> str:
    """An SI value in a unit, without the digits that a conversion makes up."""
    return f"{value / unit.factor if difference else unit.from_si(value):.10g}"


def read_typed(text: str) -> Figure:
    """A figure as typed into a form. Raises NoFigure, also for 1,234, which may be a thousand and more."""
    found = read_figure(text)
    if found.ambiguous and "," in found.body:
        whole, part = found.body.split(",")
        raise NoFigure(
            gettext(
                "may mean %(whole)s%(part)s or %(whole)s.%(part)s; write it with a decimal point, or none"
            )
            % {"whole": whole, "part": part}
        )
    if found.unit:
        raise NoFigure(
            gettext("has '%(unit)s' behind the number; the unit has a place of its own")
            % {"unit": found.unit[:20]}
        )
    return Figure(found.value(Mark.POINT), text.strip())


class FigureField(forms.CharField):
    """A number, with the digits that were typed."""

    def __init__(self, label: Words, **kwargs: Any) -> None:
        widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "spellcheck": "false"})
        super().__init__(label=label, required=False, max_length=40, widget=widget, **kwargs)

    def to_python(self, value: Any) -> Any:
        text = super().to_python(value)
        if not text:
            return None
        try:
            return read_typed(text)
        except NoFigure as error:
            words = str(error)
            told = words if words.startswith("'") else f"'{text[:20]}' {words}"
            raise forms.ValidationError(f"{told}.") from None

    def run_validators(self, value: Any) -> None:
        """The text was checked; the figure is no text."""

    def has_changed(self, initial: Any, data: Any) -> bool:
        return str(initial or "").strip() != str(data or "").strip()


QUANTITY_AND_UNIT = gettext_lazy("Quantity and unit")


class MeasureField(forms.ChoiceField):
    """A quantity and its unit in one choice; a Quantity and a Unit inside."""

    def __init__(self, label: Words = QUANTITY_AND_UNIT) -> None:
        super().__init__(label=label, required=False)

    def offer(self, quantities: Iterable[Quantity]) -> None:
        groups = [
            (words, [(code(one, unit), f"{unit.symbol}, {words.lower()}") for unit in units_of(one)])
            for one, words in ((one, quantity_words(one)) for one in quantities)
        ]
        self.choices = [("", gettext("as above")), *groups]

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return None
        quantity, _, unit = text.partition("|")
        try:
            return Quantity(quantity), find_unit(unit, Quantity(quantity))
        except (ValueError, UnknownUnit):
            raise forms.ValidationError(gettext("Choose one of the list.")) from None

    def has_changed(self, initial: Any, data: Any) -> bool:
        return (initial or "") != (data or "")


def code(quantity: Quantity, unit: Unit) -> str:
    """How a choice of MeasureField is sent."""
    return f"{quantity.value}|{unit.name}"


class RowForm(Form):
    """One row; each field bears the row's number, since heads of columns do not name fields."""

    use_required_attribute = False
    measure = MeasureField()

    def __init__(self, *args: Any, quantities: Sequence[Quantity], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["measure"].offer(quantities)  # type: ignore[attr-defined]
        number = str(self.prefix or "").rpartition("-")[2]
        for field in self.fields.values():
            named = {"name": field.label, "number": int(number) + 1 if number.isdigit() else 0}
            line = gettext("%(name)s, line %(number)s") % named if number.isdigit() else str(field.label)
            field.widget.attrs["aria-label"] = line

    @property
    def figures(self) -> dict[str, Any]:
        return {name: value for name, value in self.cleaned_data.items() if name != "measure"}

    @property
    def is_empty(self) -> bool:
        """Nothing is typed; a unit alone is no row."""
        return all(value is None for value in self.figures.values()) and not self.errors


class RowSet(BaseFormSet):  # type: ignore[type-arg]  # not generic at run time
    """Rows in which something stands. A row without a unit has that of the row above."""

    needed: tuple[str, ...] = ()

    def clean(self) -> None:
        measure = None
        for form in self.forms:
            if not hasattr(form, "cleaned_data"):
                continue
            measure = form.cleaned_data.get("measure") or measure
            if form.is_empty:
                continue
            form.cleaned_data["measure"] = measure
            if measure is None and "measure" not in form.errors:
                form.add_error("measure", gettext("Choose the quantity and its unit."))
            for name in self.needed:
                if form.cleaned_data.get(name) is None and name not in form.errors:
                    form.add_error(name, gettext("Enter a number."))
        if any(form.errors for form in self.forms):
            raise forms.ValidationError(gettext("Some lines are not complete; look below."))

    def filled(self) -> list[Any]:
        return [form for form in self.forms if not form.is_empty]

    def place(self, error: DomainError, name: str) -> list[Fault]:
        """Puts faults that point into this table at their rows; returns the rest."""
        rest = []
        for fault in error.faults:
            steps = fault.pointer.strip("/").split("/")
            rows = self.filled()
            if steps[0] != name or len(steps) < 2 or not steps[1].isdigit() or int(steps[1]) >= len(rows):
                rest.append(fault)
                continue
            form, wanted = rows[int(steps[1])], steps[2] if len(steps) > 2 else "measure"
            form.add_error(wanted if wanted in form.fields else "measure", fault.detail)
        return rest


def row_set(form: type[RowForm], base: type[RowSet], extra: int, most: int) -> Any:
    """The class of a table of such rows."""
    return formset_factory(
        form, formset=base, extra=extra, max_num=most, absolute_max=most, validate_max=True
    )


def typed_rows(data: Mapping[str, Any], prefix: str, names: Iterable[str], most: int) -> list[dict[str, str]]:
    """What stands in the rows of a form that was sent, unchecked, to show it again."""
    total = str(data.get(f"{prefix}-TOTAL_FORMS", ""))
    count = min(int(total), most) if total.isascii() and total.isdigit() and len(total) < 6 else 0
    return [{name: str(data.get(f"{prefix}-{n}-{name}", "")) for name in names} for n in range(count)]
