"""Forms of the schedule import: the file, and what each of its columns means."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django import forms
from django.core.files.uploadedfile import UploadedFile
from django.http import QueryDict
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from jobs.errors import Fault
from jobs.models import DensityBasis, PointKind, Quantity, SystemKind
from jobs.pages.forms import Form
from jobs.schedule import Found
from jobs.schedule_columns import FOR_ALL, NEEDED, QUANTITIES, Column, Match, Source
from jobs.schedule_sizes import NoSize, read_size
from jobs.sheets import MOST_BYTES
from jobs.sheets.grid import column_name
from jobs.units import units_of

_CELL = re.compile(r"([A-Z]{1,2})[0-9]+")
_WORDS_OF = {Column.KIND: PointKind, Column.SYSTEM_KIND: SystemKind, Column.BASIS: DensityBasis}
MEANINGS = {
    Column.SYSTEM: gettext_lazy("tag of the system"),
    Column.SYSTEM_NAME: gettext_lazy("name of the system"),
    Column.SYSTEM_KIND: gettext_lazy("kind of system"),
    Column.TAG: gettext_lazy("tag of the point"),
    Column.KIND: gettext_lazy("kind of point"),
    Column.PARENT: gettext_lazy("point upstream"),
    Column.LOCATION: gettext_lazy("location"),
    Column.SHAPE: gettext_lazy("shape"),
    Column.WIDTH: gettext_lazy("width"),
    Column.HEIGHT: gettext_lazy("height"),
    Column.DIAMETER: gettext_lazy("diameter"),
    Column.SIZE: gettext_lazy("size in one cell"),
    Column.SIZE_UNIT: gettext_lazy("unit of the size"),
    Column.FLOW: gettext_lazy("design flow"),
    Column.FLOW_UNIT: gettext_lazy("unit of the flow"),
    Column.BASIS: gettext_lazy("density basis"),
    Column.BELOW: gettext_lazy("tolerance below, %"),
    Column.ABOVE: gettext_lazy("tolerance above, %"),
}
"""What a column may mean, in the words of the choice."""
KNOWN_BY = {
    Source.SAID: gettext_lazy("as you said"),
    Source.OWN_NAME: gettext_lazy("by its name"),
    Source.REMEMBERED: gettext_lazy("as last time for this customer"),
    Source.HEAD: gettext_lazy("by its head"),
    Source.VALUES: gettext_lazy("by its values"),
}


class UploadForm(Form):
    file = forms.FileField(
        label=gettext_lazy("Design schedule"),
        widget=forms.FileInput(attrs={"accept": ".csv,.xlsx"}),
        help_text=format_lazy(
            gettext_lazy("CSV or XLSX, at most {size} MB and {rows} rows. The first visible sheet is read."),
            size=MOST_BYTES >> 20,
            rows="10,000",
        ),
        error_messages={
            "required": gettext_lazy("Choose the file."),
            "empty": gettext_lazy("The file is empty; choose it again."),
        },
    )
    mends = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def clean_file(self) -> UploadedFile:
        """Too much is not even read into memory."""
        chosen: UploadedFile = self.cleaned_data["file"]
        if (chosen.size or 0) > MOST_BYTES:
            words = _("The file has %(size)s bytes; at most %(most)s are read. Split it by system.")
            raise forms.ValidationError(words % {"size": chosen.size, "most": MOST_BYTES})
        return chosen


@dataclass(frozen=True)
class Choice:
    """One column of the file as a row of the form."""

    match: Match
    samples: list[str]
    asks_unit: bool
    errors: list[str]

    @property
    def name(self) -> str:
        return f"is-{self.match.letter}"

    @property
    def unit_name(self) -> str:
        return f"unit-{self.match.letter}"

    @property
    def chosen(self) -> str:
        return self.match.column or ""

    @property
    def unit(self) -> str:
        return self.match.unit.name if self.match.column in QUANTITIES and self.match.unit else ""

    @property
    def known_by(self) -> str:
        return str(KNOWN_BY.get(self.match.source, ""))

    @property
    def asked(self) -> str:
        """What it may mean, for a question; empty when there is none."""
        if self.match.column is not None or self.match.source is not Source.UNKNOWN:
            return ""
        return ", ".join(str(MEANINGS[one]) for one in self.match.could_be)


@dataclass(frozen=True)
class ForAll:
    """Something said once for all rows; `choices` where it is one of a list."""

    column: Column
    value: str
    choices: list[tuple[str, str]]
    needed: bool
    errors: list[str]

    @property
    def name(self) -> str:
        return f"all-{self.column.replace(' ', '-')}"

    @property
    def label(self) -> str:
        return str(MEANINGS[self.column])


def posted(data: QueryDict) -> dict[str, Any]:
    """What was chosen, as jobs/schedule_said.py reads it; fields that mean nothing are passed over."""
    columns: dict[str, dict[str, str]] = {}
    for name, value in data.items():
        if name.startswith("is-"):
            letter, meaning = name.removeprefix("is-"), str(value)
            columns[letter] = {"is": meaning}
            unit = str(data.get(f"unit-{letter}", ""))
            if unit and meaning in QUANTITIES:
                columns[letter]["unit"] = unit
    said: dict[str, Any] = {"columns": columns, "all_rows": {}}
    for column in FOR_ALL:
        text = str(data.get(f"all-{column.replace(' ', '-')}", "")).strip()
        if text:
            said["all_rows"][str(column)] = text
    row = str(data.get("head_row", "")).strip()
    if row:
        said["head_row"] = int(row) if row.isascii() and row.isdigit() and len(row) < 6 else row
    return said


def choices_of(found: Found, faults: Mapping[int, list[str]]) -> list[Choice]:
    return [
        Choice(one, samples, _asks_unit(one, samples, found), faults.get(one.place, []))
        for one, samples in ((one, found.samples.get(one.place, [])) for one in found.heads.matches)
    ]


def _asks_unit(one: Match, samples: list[str], found: Found) -> bool:
    """Whether a size or flow says its unit nowhere: neither head, nor cell, nor a column of units."""
    if one.column is None or one.column not in QUANTITIES or one.unit is not None:
        return False
    beside = Column.FLOW_UNIT if one.column is Column.FLOW else Column.SIZE_UNIT
    return beside not in found.heads.places and any(_is_bare(text) for text in samples)


def _is_bare(text: str) -> bool:
    try:
        return not read_size(text).unit
    except NoSize:
        return False


def for_all_of(found: Found, typed: Mapping[Column, str], faults: Mapping[Column, list[str]]) -> list[ForAll]:
    """What the file has no column of, or what was typed all the same."""
    shown = []
    for column in FOR_ALL:
        if column in found.heads.places and column not in typed and column not in faults:
            continue
        words = _WORDS_OF.get(column)
        choices = [(str(value), _(str(label))) for value, label in words.choices] if words else []
        value = typed.get(column, "") or found.heads.for_all.get(column, "")
        needed = column in NEEDED and column not in found.heads.places
        shown.append(ForAll(column, value, choices, needed, faults.get(column, [])))
    return shown


def column_options() -> list[tuple[str, str]]:
    return [(str(column), str(words)) for column, words in MEANINGS.items()]


def unit_options() -> list[tuple[str, list[tuple[str, str]]]]:
    """Units to choose from, by what they are of."""
    return [
        (words, [(unit.name, unit.symbol) for unit in units_of(quantity)])
        for words, quantity in ((_("Flow"), Quantity.FLOW), (_("Length"), Quantity.LENGTH))
    ]


@dataclass(frozen=True)
class Refused:
    """Faults of the columns at their places: at a column, at what is said for all rows, and the rest."""

    columns: dict[int, list[str]]
    for_all: dict[Column, list[str]]
    rest: list[str]


def refused(faults: tuple[Fault, ...], found: Found) -> Refused:
    """Where each fault belongs on the page. Columns that are missing are told of by the page itself."""
    by_letter = {one.letter: one.place for one in found.heads.matches}
    columns: dict[int, list[str]] = {}
    for_all: dict[Column, list[str]] = {}
    rest = []
    for fault in faults:
        cell, (first, *path) = _CELL.fullmatch(fault.pointer), fault.pointer.strip("/").split("/")
        letter = cell.group(1) if cell else path[0] if first == "columns" and path else ""
        if letter in by_letter:
            columns.setdefault(by_letter[letter], []).append(fault.detail)
        elif first == "all_rows" and path and path[0] in list(FOR_ALL):
            for_all.setdefault(Column(path[0]), []).append(fault.detail)
        elif not fault.detail.startswith("has no column"):
            rest.append(fault.detail)
    return Refused(columns, for_all, rest)


def missing(found: Found) -> list[str]:
    """What no column is, of what every point needs."""
    return [str(MEANINGS[column]) for column in NEEDED if not found.heads.has(column)]


def last_letter(found: Found) -> str:
    return column_name(max((one.place for one in found.heads.matches), default=0))
