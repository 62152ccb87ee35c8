"""Result tables of a digital certificate as lines for one instrument: quantity, unit of ours, figures.

Figures keep their text where the certificate's unit is one of ours; else they are converted. A reading is
taken as printed, or made of reference and error. What was found belongs to what was left at the same
reference; where the two runs have slightly other references, it is moved with its error.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from math import isclose

from django.utils.translation import gettext

from jobs.certificate_lines import line_point
from jobs.dcc.document import Column, Digital, Item, Role, Series, State, Table
from jobs.dcc.units import DsiUnit, UnknownDsiUnit, read_dsi_unit
from jobs.errors import Fault, Invalid
from jobs.instruments import Point
from jobs.models import Instrument, InstrumentRange, Quantity
from jobs.units import Figure, Unit, units_of

NEAR = 0.02  # share of the references' span within which found and left are the same place
_DIMENSIONS = {
    "\\pascal": (Quantity.PRESSURE, Quantity.ABSOLUTE_PRESSURE),
    "\\metre\\second\\tothe{-1}": (Quantity.VELOCITY,),
    "\\metre\\tothe{3}\\second\\tothe{-1}": (Quantity.FLOW,),
    "\\kelvin": (Quantity.TEMPERATURE,),
    "\\one": (Quantity.HUMIDITY, Quantity.FACTOR, Quantity.CARBON_DIOXIDE),
    "\\metre": (Quantity.LENGTH,),
    "\\hertz": (Quantity.SPEED,),
    "\\volt": (Quantity.VOLTAGE,),
    "\\ampere": (Quantity.CURRENT,),
    "\\watt": (Quantity.POWER,),
    "\\metre\\tothe{-3}": (Quantity.CONCENTRATION,),
    "\\decibel": (Quantity.SOUND_LEVEL,),
}
QUANTITIES = {read_dsi_unit(text).dimension: found for text, found in _DIMENSIONS.items()}
_WORDS = {
    Quantity.HUMIDITY: ("humid", "feucht"),
    Quantity.CARBON_DIOXIDE: ("carbon", "co2"),
    Quantity.FACTOR: ("factor", "faktor", "coefficient"),
    Quantity.ABSOLUTE_PRESSURE: ("absolut", "barometr"),
    Quantity.PRESSURE: ("differen", "gauge"),
}
_READ = {Quantity.TEMPERATURE: "Cel", Quantity.HUMIDITY: "%"}
UNSTATED = (
    "The certificate does not say whether the instrument was adjusted: its readings are entered as left. "
    "If nothing was adjusted, they are as found too."
)
ONLY_FOUND = (
    "The certificate gives readings before adjustment only: what the instrument shows since then, nobody "
    "certified. Enter as left only what holds after it."
)
SEVERAL = "The certificate covers several items; look whether every line is of this instrument. They are:"
MOVED = "As found was read at slightly other references than as left; it is entered with the error it had."


@dataclass(frozen=True)
class Line:
    """One line in one of our units, as texts; `as_left` is empty where only readings before adjustment are
    given."""

    quantity: Quantity
    unit: Unit
    reference: str
    as_found: str
    as_left: str
    expanded_uncertainty: str
    coverage_factor: str

    def point(self) -> Point:
        """In SI. Raises ValueError without a reading after adjustment."""
        return line_point(
            self.quantity,
            self.unit,
            reference=_figure(self.reference),
            as_found=_figure(self.as_found) if self.as_found else None,
            as_left=_figure(self.as_left),
            expanded_uncertainty=_figure(self.expanded_uncertainty),
            coverage_factor=float(self.coverage_factor),
        )


@dataclass(frozen=True)
class Entry:
    """What would be entered for an instrument, and what a person should know before."""

    number: str
    laboratory: str
    accreditation: str
    calibrated_on: date
    lines: tuple[Line, ...]
    notes: tuple[str, ...]

    @property
    def is_open(self) -> bool:
        """Whether a person must say what holds after adjustment."""
        return any(not line.as_left for line in self.lines)

    def unadjusted(self) -> "Entry":
        """The same where nothing was adjusted: as found is as left."""
        lines = [
            replace(line, as_found=line.as_found or line.as_left, as_left=line.as_left or line.as_found)
            for line in self.lines
        ]
        notes = tuple(note for note in self.notes if note not in (UNSTATED, ONLY_FOUND))
        return replace(self, lines=tuple(lines), notes=notes)

    def points(self) -> list[Point]:
        """In SI. Raises Invalid when readings after adjustment are missing."""
        if self.is_open:
            raise Invalid(ONLY_FOUND, [Fault("measurementResults", gettext("no readings after adjustment"))])
        return [line.point() for line in self.lines]


def _figure(text: str) -> Figure:
    return Figure(float(text), text)


def is_of(item: Item, serial: str) -> bool:
    """Whether one of an item's identifications is this serial number; those called so come first."""
    wanted = serial.strip().casefold()
    return wanted in {one.casefold() for one in item.serials or item.identifications}


def serials_of(digital: Digital) -> list[str]:
    """The identifications by which the instrument can be found, those called serial number alone if any."""
    return [mark for item in digital.items for mark in (item.serials or item.identifications)]


def entry_for(digital: Digital, tool: Instrument, *, by_person: bool = False) -> Entry:
    """The lines for an instrument with its ranges. Raises Invalid with each place that does not fit.

    `by_person`: somebody looks at it before it is entered; then a certificate of several items is taken too.
    """
    faults: list[Fault] = []
    if len(digital.items) > 1 and not by_person:
        faults.append(
            Fault(
                "items",
                gettext("there are several items, and results do not say whose they are; enter it by hand"),
            )
        )
    ranges = list(tool.ranges.all())
    shown = {Quantity(one.quantity) for one in ranges}
    if tool.probe_factor is not None:
        shown.add(Quantity.FACTOR)
    found: list[tuple[State, Line]] = []
    for table in digital.tables:
        try:
            found += _rows(table, shown, ranges)
        except _Unfit as error:
            faults.append(Fault(table.where, str(error)))
    if faults:
        raise Invalid(
            gettext("The digital certificate does not fit; see 'errors'. Nothing was stored."), faults
        )
    lines, notes = _joined(found)
    if len(digital.items) > 1:
        names = "; ".join(" ".join([item.name, *item.identifications[:1]]) for item in digital.items)
        notes = (f"{SEVERAL} {names[:300]}.", *notes)
    return Entry(
        digital.number, digital.laboratory, digital.accreditation, digital.ended_on, tuple(lines), notes
    )


class _Unfit(ValueError):
    """A table that cannot become lines; the message says why."""


def _rows(table: Table, shown: set[Quantity], ranges: Sequence[InstrumentRange]) -> list[tuple[State, Line]]:
    """The lines of a table for each state it has; as left and as found are put together afterwards."""
    references = [one for one in table.columns if one.role is Role.REFERENCE]
    if len(references) > 1:
        raise _Unfit(gettext("has several columns of reference values; enter it by hand"))
    _one_dimension(table)
    quantity = _quantity(references[0], table, shown, ranges)
    unit = _unit(references[0], quantity)
    reference = _texts(references[0], unit)
    rows: list[tuple[State, Line]] = []
    states = {one.state for one in table.columns if one.role is not Role.REFERENCE}
    for state in sorted(states):
        columns = {one.role: one for one in table.columns if one.state is state}
        readings = _readings(columns, unit, reference)
        u, k = _uncertainties([columns.get(role) for role in _WITH_U] + [references[0]], unit, len(reference))
        for place, text in enumerate(reference):
            is_found = state is State.FOUND
            line = Line(
                quantity, unit, text,
                readings[place] if is_found else "", "" if is_found else readings[place], u[place], k[place],
            )  # fmt: skip
            rows.append((state, line))
    return rows


def _one_dimension(table: Table) -> None:
    """Every column is of one quantity: an error of a pressure is a pressure."""
    found = {_dsi(series).dimension for column in table.columns for series in column.series}
    if len(found) > 1:
        raise _Unfit(gettext("has columns of different quantities, by their units; enter it by hand"))


_WITH_U = (Role.ERROR, Role.CORRECTION, Role.MEASURED)


def _quantity(
    column: Column, table: Table, shown: set[Quantity], ranges: Sequence[InstrumentRange]
) -> Quantity:
    """What a column of references is of: by dimension, then what the instrument shows, then words, then
    range."""
    unit = _dsi(column.series[0])
    may_be = QUANTITIES.get(unit.dimension)
    if may_be is None:
        raise _Unfit(
            gettext("has the unit %(unit)s, of which nothing is measured here")
            % {"unit": column.series[0].unit[:40]}
        )
    fits = [one for one in may_be if one in shown]
    if not fits:
        names = " or ".join(one.value.replace("_", " ") for one in may_be)
        raise _Unfit(
            gettext("is of %(names)s; the instrument has no range of this, add the range first")
            % {"names": names}
        )
    if len(fits) > 1:
        words = table.words.casefold()
        told = [one for one in fits if any(sign in words for sign in _WORDS.get(one, ()))]
        fits = told if len(told) == 1 else [one for one in fits if _in_range(column, unit, one, ranges)]
    if len(fits) != 1:
        raise _Unfit(gettext("may be of several quantities that the instrument shows; enter it by hand"))
    return fits[0]


def _in_range(column: Column, unit: DsiUnit, quantity: Quantity, ranges: Sequence[InstrumentRange]) -> bool:
    values = [(float(text) + unit.offset) * unit.factor for text in column.series[0].texts]
    reach = [one for one in ranges if one.quantity == quantity]
    return bool(reach) and all(any(one.minimum <= value <= one.maximum for one in reach) for value in values)


def _dsi(series: Series) -> DsiUnit:
    try:
        return read_dsi_unit(series.unit)
    except UnknownDsiUnit as error:
        raise _Unfit(str(error)) from None


def _unit(column: Column, quantity: Quantity) -> Unit:
    """A unit of ours that the column is written in, the one that people read before others; else SI."""
    written = [_dsi(series) for series in column.series]
    found = [unit for dsi in written for unit in units_of(quantity) if _same(dsi, unit)]
    read = [unit for unit in found if unit.name == _READ.get(quantity)]
    return next(iter([*read, *found]), units_of(quantity)[0])


def _same(dsi: DsiUnit, unit: Unit, *, difference: bool = False) -> bool:
    return isclose(dsi.factor, unit.factor, rel_tol=1e-12) and (difference or dsi.offset == unit.offset)


def _texts(column: Column, unit: Unit, *, difference: bool = False) -> list[str]:
    """A column's figures in a unit: as written, or converted."""
    as_written = next((one for one in column.series if _same(_dsi(one), unit, difference=difference)), None)
    if as_written is not None:
        return list(as_written.texts)
    dsi = _dsi(column.series[0])
    return [_converted(text, dsi, unit, difference=difference) for text in column.series[0].texts]


def _converted(text: str, dsi: DsiUnit, unit: Unit, *, difference: bool) -> str:
    if difference:
        return f"{float(text) * dsi.factor / unit.factor:.10g}"
    return f"{unit.from_si((float(text) + dsi.offset) * dsi.factor):.10g}"


def _readings(columns: dict[Role, Column], unit: Unit, reference: list[str]) -> list[str]:
    """What the instrument showed; printed, or reference and error. Both must say the same."""
    errors = _errors(columns, unit)
    measured = columns.get(Role.MEASURED)
    if measured is None and errors is None:
        raise _Unfit(gettext("has neither readings nor errors"))
    shown = _texts(measured, unit) if measured else None
    for texts in (shown, errors):
        if texts is not None and len(texts) != len(reference):
            raise _Unfit(
                gettext("has %(count)s references but %(others)s readings or errors")
                % {"count": len(reference), "others": len(texts)}
            )
    if shown is None:
        return [_sum(text, error) for text, error in zip(reference, errors or [], strict=True)]
    if errors is not None:
        _agree(reference, shown, errors)
    return shown


def _errors(columns: dict[Role, Column], unit: Unit) -> list[str] | None:
    if Role.ERROR in columns:
        return _texts(columns[Role.ERROR], unit, difference=True)
    if Role.CORRECTION in columns:
        return [_plain(-Decimal(text)) for text in _texts(columns[Role.CORRECTION], unit, difference=True)]
    return None


def _sum(one: str, other: str) -> str:
    return _plain(Decimal(one) + Decimal(other))


def _plain(value: Decimal) -> str:
    return f"{value:f}"


def _agree(reference: list[str], shown: list[str], errors: list[str]) -> None:
    """Reading less reference is the error, within what rounding explains."""
    for texts in zip(reference, shown, errors, strict=True):
        ref, reading, error = map(Decimal, texts)
        rounding = sum((_last_digit(text) for text in texts), Decimal(0))
        if abs(reading - ref - error) > rounding:
            raise _Unfit(
                gettext(
                    "says %(shown)s was shown at %(reference)s, but an error of %(error)s; ask the laboratory"
                )
                % {"shown": texts[1], "reference": texts[0], "error": texts[2]}
            )


def _last_digit(text: str) -> Decimal:
    exponent = Decimal(text).as_tuple().exponent
    return Decimal(1).scaleb(int(exponent))


def _uncertainties(columns: Iterable[Column | None], unit: Unit, count: int) -> tuple[list[str], list[str]]:
    """U and k of each line, from the first column that has them."""
    for column in columns:
        for series in (
            sorted(column.series, key=lambda one: not _same(_dsi(one), unit, difference=True))
            if (column)
            else ()
        ):
            if series.uncertainty:
                dsi = _dsi(series)
                same = _same(dsi, unit, difference=True)
                u = [t if same else _converted(t, dsi, unit, difference=True) for t in series.uncertainty]
                return u * (count // len(u)), list(series.factor) * (count // len(series.factor))
    raise _Unfit(gettext("gives no expanded uncertainty with a coverage factor; enter it by hand"))


# As found to as left


def _joined(rows: list[tuple[State, Line]]) -> tuple[list[Line], tuple[str, ...]]:
    left = [line for state, line in rows if state is not State.FOUND]
    found = [line for state, line in rows if state is State.FOUND]
    notes = []
    if left and any(state is State.UNSTATED for state, _ in rows) and not found:
        notes.append(UNSTATED)
    lines: list[Line] = []
    for quantity in dict.fromkeys(line.quantity for _, line in rows):
        after = [line for line in left if line.quantity is quantity]
        before = [line for line in found if line.quantity is quantity]
        if not after:
            lines += before
            notes.append(ONLY_FOUND)
            continue
        paired, moved = _paired(after, before)
        lines += paired
        notes += [MOVED] if moved else []
    return lines, tuple(dict.fromkeys(notes))


def _paired(after: list[Line], before: list[Line]) -> tuple[list[Line], bool]:
    """Lines as left with what was found there. Raises Invalid where a found one has no place."""
    if not before:
        return after, False
    exact = {Decimal(line.reference): line for line in before}
    if set(exact) <= {Decimal(line.reference) for line in after} and after[0].unit == before[0].unit:
        return [_with_found(line, exact.get(Decimal(line.reference))) for line in after], False
    spread = [float(line.reference) for line in after]
    reach = NEAR * (max(spread) - min(spread))
    if len(after) != len(before) or any(
        one.unit != other.unit or abs(float(one.reference) - float(other.reference)) > reach
        for one, other in zip(after, before, strict=False)
    ):
        detail = "readings before and after adjustment stand at other points; enter it by hand"
        raise Invalid(gettext("The digital certificate does not fit. Nothing was stored."), [
            Fault("measurementResults", detail)])  # fmt: skip
    return [replace(one, as_found=_moved(one, other)) for one, other in zip(after, before, strict=True)], True


def _with_found(line: Line, found: Line | None) -> Line:
    return replace(line, as_found=found.as_found) if found else line


def _moved(line: Line, found: Line) -> str:
    error = Decimal(found.as_found) - Decimal(found.reference)
    return _plain(Decimal(line.reference) + error)
