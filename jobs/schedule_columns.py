"""The columns of a design schedule.

    system*         tag of the system, e.g. AHU-1
    system name     what people call it
    system kind     supply, return, exhaust, outdoor or water
    tag*            tag of the test point, once in its system
    kind*           plane, outlet, fan, coil, pump, valve, room …
    parent          tag of the point upstream, in the same system
    location        where it is
    shape           round, rectangular or oval; without this column width and height mean rectangular
    width, height   inside size of a rectangular or oval duct
    diameter        inside size of a round duct
    size            instead of these three, in one cell: 500 x 400 or ø250
    size unit       mm, cm, m, in or ft
    design flow     as the engineer gave it
    flow unit       m³/s, m³/h, L/s, L/min, ft³/min, cfm, gal/min
    density basis   actual or standard
    tolerance below %, tolerance above %

* must be there, or be said for all rows. Capitals and spaces do not matter. A unit may stand in the head
instead, e.g. "width [mm]" or "design flow (L/s)", in a row of units below the heads, or behind the figure in
a cell. Heads of other people are matched to these by jobs/schedule_match.py.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from jobs.models.instrument import Quantity
from jobs.sheets.grid import column_name
from jobs.units import Unit, UnknownUnit, find_unit


class Column(StrEnum):
    SYSTEM = "system"
    SYSTEM_NAME = "system name"
    SYSTEM_KIND = "system kind"
    TAG = "tag"
    KIND = "kind"
    PARENT = "parent"
    LOCATION = "location"
    SHAPE = "shape"
    WIDTH = "width"
    HEIGHT = "height"
    DIAMETER = "diameter"
    SIZE = "size"
    SIZE_UNIT = "size unit"
    FLOW = "design flow"
    FLOW_UNIT = "flow unit"
    BASIS = "density basis"
    BELOW = "tolerance below"
    ABOVE = "tolerance above"


NEEDED = (Column.SYSTEM, Column.TAG, Column.KIND)
SIZES = (Column.WIDTH, Column.HEIGHT, Column.DIAMETER)
SHAPED = (Column.SHAPE, *SIZES, Column.SIZE)
"""Columns that tell of a duct's cross-section."""
QUANTITIES = dict.fromkeys((*SIZES, Column.SIZE), Quantity.LENGTH) | {Column.FLOW: Quantity.FLOW}
FOR_ALL = (Column.SYSTEM, Column.SYSTEM_NAME, Column.SYSTEM_KIND, Column.KIND, Column.BASIS)
"""What may be said once for all rows, where the file has no column of it."""


LONGEST = dict.fromkeys(Column, 40) | {Column.SYSTEM_NAME: 160, Column.LOCATION: 200}
"""Characters of a text in a cell."""


class Source(StrEnum):
    """How it is known what a column of a file means."""

    SAID = "said"
    OWN_NAME = "name"
    REMEMBERED = "remembered"
    HEAD = "head"
    VALUES = "values"
    UNKNOWN = ""


@dataclass(frozen=True)
class Match:
    """One column of a file. `column` is None when it is not read; then `could_be` says what to ask."""

    place: int
    head: str
    column: Column | None
    source: Source = Source.UNKNOWN
    unit: Unit | None = None
    could_be: tuple[Column, ...] = ()

    @property
    def letter(self) -> str:
        return column_name(self.place)


@dataclass(frozen=True)
class Said:
    """What one column of a file means, as a person or program said it; a column of None is not read."""

    column: Column | None
    unit: Unit | None = None


@dataclass(frozen=True)
class Matching:
    """What is said of a file's columns by place (from 0), of the row of its heads, and once for all rows."""

    columns: Mapping[int, Said] = field(default_factory=dict)
    for_all: Mapping[Column, str] = field(default_factory=dict)
    head_row: int | None = None


@dataclass(frozen=True)
class Heads:
    """Where each column is; units that hold for a column; what is said for all rows; all columns in order.

    `row` is the row of the heads; figures begin below `last`, which is the row of units where there is one.
    """

    row: int
    last: int
    places: Mapping[Column, int]
    units: Mapping[Column, Unit]
    for_all: Mapping[Column, str]
    matches: tuple[Match, ...]

    @property
    def ignored(self) -> tuple[str, ...]:
        return tuple(f"{one.letter} '{one.head[:30]}'" for one in self.matches if one.column is None)

    def has(self, *columns: Column) -> bool:
        """Whether the file or what is said for all rows tells of one of these."""
        return any(column in self.places or column in self.for_all for column in columns)


_OTHER_UNITS = {
    Quantity.FLOW: {
        "lps": "L/s", "l/sec": "L/s", "ls": "L/s", "litres/s": "L/s", "liters/s": "L/s", "lpm": "L/min",
        "cmh": "m3/h", "m3/hr": "m3/h", "m³/hr": "m3/h", "m3h": "m3/h", "cu ft/min": "cfm",
        "cubic feet per minute": "cfm", "ft^3/min": "cfm", "m^3/h": "m3/h", "m^3/s": "m3/s",
        "gal/min": "gpm", "us gpm": "gpm", "acfm": "cfm", "scfm": "cfm",
    },
    Quantity.LENGTH: {
        "inch": "in", "inches": "in", "in.": "in", "ins": "in", "″": "in", "”": "in", "feet": "ft",
        "foot": "ft", "ft.": "ft", "′": "ft", "millimetres": "mm", "millimeters": "mm", "metres": "m",
    },
}  # fmt: skip


def unit_of(text: str, quantity: Quantity) -> Unit:
    """A unit as engineers write it, capitals aside. Raises UnknownUnit with those that fit."""
    plain = " ".join(text.casefold().split()).strip()
    for spelt in (text, _OTHER_UNITS.get(quantity, {}).get(plain, plain), plain.replace("l/", "L/")):
        try:
            return find_unit(spelt, quantity)
        except UnknownUnit:
            continue
    return find_unit(text, quantity)
