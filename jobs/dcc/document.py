"""A digital calibration certificate as typed parts, in the words and units it is written in.

Checked is what is read: the root and its generation, number, laboratory, days, items with their
identifications, and of each result table the columns of reference, reading, error or correction with their
units, expanded (or standard) uncertainty and coverage factor. Everything else is passed over unread.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from django.utils.translation import gettext
from lxml import etree

from jobs.dcc.xml import read_xml, refused
from jobs.errors import Fault, Invalid

DCC, SI = "https://ptb.de/dcc", "https://ptb.de/si"
ROOT = "digitalCalibrationCertificate"
_VERSION = re.compile(r"([23])\.[0-9]{1,3}\.[0-9]{1,3}(?:[-.+][0-9A-Za-z.+-]{1,20})?")
_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15})(?:[eE][+-]?[0-9]{1,2})?")
MOST_VALUES, MOST_TABLES, MOST_FAULTS = 500, 200, 50


class State(StrEnum):
    """When readings were taken."""

    FOUND = "before adjustment"
    LEFT = "after adjustment"
    UNSTATED = ""


class Role(StrEnum):
    REFERENCE = "reference"
    MEASURED = "reading"
    ERROR = "error"
    CORRECTION = "correction"


_ROLES = {
    "referencevalue": Role.REFERENCE,
    "measuredvalue": Role.MEASURED,
    "measurementerror": Role.ERROR,
    "measurementerror_error": Role.ERROR,
    "measurementerror_correction": Role.CORRECTION,
}
_AS = r"(?:(?<![A-Za-z])[Aa]s|As)[ _-]?"  # "As" may begin a word in camelCase, but "was" is no "as"
_STATES = {
    State.FOUND: re.compile(rf"(?i:before[ _-]?(?:adjustment|repair)|vor (?:der )?justierung)|{_AS}[Ff]ound"),
    State.LEFT: re.compile(rf"(?i:after[ _-]?(?:adjustment|repair)|nach (?:der )?justierung)|{_AS}[Ll]eft"),
}


@dataclass(frozen=True)
class Series:
    """Values of a column in one unit, as written; uncertainty and factor are one for all or one each."""

    texts: tuple[str, ...]
    unit: str
    uncertainty: tuple[str, ...] = ()
    factor: tuple[str, ...] = ()


@dataclass(frozen=True)
class Column:
    """A quantity of a table; the same figures may stand there in several units."""

    role: Role
    state: State
    series: tuple[Series, ...]


@dataclass(frozen=True)
class Table:
    """Columns that belong together, and where they stand."""

    where: str
    state: State
    columns: tuple[Column, ...]
    words: str


@dataclass(frozen=True)
class Item:
    """What was calibrated: its name and every identification; `serials` are those called serial number."""

    name: str
    identifications: tuple[str, ...]
    serials: tuple[str, ...]


@dataclass(frozen=True)
class Digital:
    """What is read of a certificate. `ended_on` is the last day of the calibration."""

    version: str
    number: str
    laboratory: str
    accreditation: str
    begun_on: date
    ended_on: date
    items: tuple[Item, ...]
    tables: tuple[Table, ...]


@dataclass
class _Reading:
    """Collects what is wrong, by place."""

    faults: list[Fault] = field(default_factory=list)

    def fault(self, where: str, detail: str) -> None:
        if len(self.faults) < MOST_FAULTS:
            self.faults.append(Fault(where, detail))


def read_digital(data: bytes) -> Digital:
    """Reads a certificate's XML. Raises Invalid with what is wrong, where, and what to do."""
    root = read_xml(data)
    version = _generation(root)
    reading = _Reading()
    core = "administrativeData/coreData"
    begun = _day(reading, root, f"{core}/beginPerformanceDate")
    ended = _day(reading, root, f"{core}/endPerformanceDate")
    made = Digital(
        version=version,
        number=_needed(reading, root, f"{core}/uniqueIdentifier", 80),
        laboratory=_laboratory(reading, root),
        accreditation=_text(_one(root, "administrativeData/calibrationLaboratory/calibrationLaboratoryCode"))[
            :80
        ],
        begun_on=begun,
        ended_on=ended,
        items=_items(reading, root),
        tables=_tables(reading, root),
    )
    if begun > ended:
        reading.fault(f"{core}/endPerformanceDate", "lies before the beginning")
    if not made.tables and not reading.faults:
        reading.fault(
            "measurementResults", "no table has a column of refType basic_referenceValue; enter it by hand"
        )
    if reading.faults:
        raise Invalid(
            gettext("The digital certificate cannot be read in full; see 'errors'. Nothing was stored."),
            reading.faults,
        )
    return made


def _generation(root: etree._Element) -> str:
    name = etree.QName(root)
    if (name.namespace, name.localname) != (DCC, ROOT):
        raise refused(
            gettext("is no digital calibration certificate: its root is '%(root)s'")
            % {"root": name.localname[:60]},
            "/",
        )
    version = root.get("schemaVersion", "")
    if not _VERSION.fullmatch(version):
        raise refused(
            gettext("has schemaVersion '%(version)s'; versions 2 and 3 are read here")
            % {"version": version[:20]},
            "/@schemaVersion",
        )
    return version


# Steps through the tree


def _all(element: etree._Element, path: str, space: str = DCC) -> list[etree._Element]:
    return element.findall("/".join(f"{{{space}}}{step}" for step in path.split("/")))


def _one(element: etree._Element | None, path: str, space: str = DCC) -> etree._Element | None:
    return None if element is None else next(iter(_all(element, path, space)), None)


def _text(element: etree._Element | None) -> str:
    """The text of an element on one line."""
    return "" if element is None or element.text is None else " ".join(element.text.split())


def _content(element: etree._Element | None) -> str:
    """A text block: its English content, else its first."""
    if element is None:
        return ""
    blocks = _all(element, "content")
    chosen = next((one for one in blocks if one.get("lang", "").lower() == "en"), None)
    return _text(chosen if chosen is not None else next(iter(blocks), None))


def _needed(reading: _Reading, root: etree._Element, path: str, longest: int) -> str:
    text = _text(_one(root, path))
    if not 1 <= len(text) <= longest:
        reading.fault(path, "is missing" if not text else f"is longer than {longest} characters")
    return text[:longest]


def _day(reading: _Reading, root: etree._Element, path: str) -> date:
    text = _text(_one(root, path))
    try:
        return date.fromisoformat(re.sub(r"(Z|[+-][0-9]{2}:[0-9]{2})$", "", text))
    except ValueError:
        reading.fault(path, f"'{text[:30]}' is no day; it is written as 2026-03-31" if text else "is missing")
        return date.min


def _laboratory(reading: _Reading, root: etree._Element) -> str:
    path = "administrativeData/calibrationLaboratory/contact/name"
    text = _content(_one(root, path))
    if not text:
        reading.fault(path, "is missing")
    return text[:160]


def _items(reading: _Reading, root: etree._Element) -> tuple[Item, ...]:
    found = tuple(_item(one) for one in _all(root, "administrativeData/items/item"))
    if not found:
        reading.fault("administrativeData/items/item", "is missing")
    return found


def _item(element: etree._Element) -> Item:
    marks = [
        (_text(_one(one, "value")), one.get("refType", "") + _letters(_content(_one(one, "name"))))
        for one in _all(element, "identifications/identification")
    ]
    serials = tuple(value for value, words in marks if value and "serial" in words.lower())
    return Item(_content(_one(element, "name")), tuple(value for value, _ in marks if value), serials)


# Results


def _tables(reading: _Reading, root: etree._Element) -> tuple[Table, ...]:
    found: list[Table] = []
    for number, one in enumerate(_all(root, "measurementResults/measurementResult"), 1):
        state = _adjusted(one)
        for place, result in enumerate(_all(one, "results/result"), 1):
            where = f"measurementResult {number}, result {place}"
            found += _result(reading, result, where, state)
    if len(found) > MOST_TABLES:
        reading.fault("measurementResults", f"there are more than {MOST_TABLES} tables")
    return tuple(found)


def _adjusted(element: etree._Element) -> State:
    """What the conditions of a measurement say of the adjustment; nothing when they say both."""
    told = {
        _state_of(_text(status)) for status in _all(element, "influenceConditions/influenceCondition/status")
    } - {State.UNSTATED}
    named = _state_of(_words(element))
    return next(iter(told)) if len(told) == 1 else named


def _state_of(words: str) -> State:
    told = [state for state, sign in _STATES.items() if sign.search(words)]
    return told[0] if len(told) == 1 else State.UNSTATED


def _letters(words: str) -> str:
    return "".join(sign for sign in words if sign.isalpha())


def _words(element: etree._Element) -> str:
    """What an element is called: its refType and its names."""
    names = [_text(one) for one in _all(element, "name/content")]
    return " ".join([element.get("refType", ""), *names])


def _result(reading: _Reading, result: etree._Element, where: str, above: State) -> Iterator[Table]:
    state = _state_of(_words(result)) or above
    for data in _all(result, "data"):
        groups = [group for group in (data, *_lists(data)) if _all(group, "quantity")]
        for number, group in enumerate(groups, 1):
            table = _table(reading, group, f"{where}, table {number}", state, _words(result))
            if table is not None:
                yield table


def _lists(element: etree._Element) -> Iterator[etree._Element]:
    """Lists and the lists inside them, in their order."""
    for one in _all(element, "list"):
        yield one
        yield from _lists(one)


def _table(reading: _Reading, group: etree._Element, where: str, above: State, words: str) -> Table | None:
    state = _state_of(_words(group)) or above
    columns, told = [], [words, _words(group)]
    for quantity in _all(group, "quantity"):
        role = _role(quantity)
        if role is None:
            continue
        told.append(_words(quantity))
        series = _series(reading, quantity, f"{where}, {role.value}")
        if series:
            columns.append(Column(role, _state_of(_words(quantity)) or state, series))
    if not any(column.role is Role.REFERENCE for column in columns):
        return None
    if len(columns) == 1:
        reading.fault(where, "has a reference but no column of refType basic_measuredValue or "
                             "basic_measurementError; enter it by hand")  # fmt: skip
    return Table(where, state, tuple(columns), " ".join(told))


def _role(quantity: etree._Element) -> Role | None:
    """By the refType without its prefix, e.g. basic_referenceValue."""
    for token in quantity.get("refType", "").lower().split():
        found = _ROLES.get(token.partition("_")[2])
        if found:
            return found
    return None


def _series(reading: _Reading, quantity: etree._Element, where: str) -> tuple[Series, ...]:
    """The figures of a quantity in each unit they are given in."""
    holders = [quantity, *_all(quantity, "hybrid", SI)]
    found = []
    for holder in holders:
        for one in holder:
            name = etree.QName(one)
            read = _READERS.get(name.localname) if name.namespace == SI else None
            if read is not None and (made := _checked(reading, read(one), where)):
                found.append(made)
    if not found and not reading.faults:
        reading.fault(where, "has no si:real or si:realListXMLList that can be read; enter it by hand")
    return tuple(found)


def _split(element: etree._Element | None) -> tuple[str, ...]:
    return tuple(_text(element).split())


def _real_list(element: etree._Element) -> Series:
    units = _split(_one(element, "unitXMLList", SI))
    uncertainty, factor = _uncertainty(element, "XMLList")
    return Series(
        _split(_one(element, "valueXMLList", SI)),
        units[0] if len(set(units)) == 1 else " ".join(units),
        uncertainty,
        factor,
    )


def _real(element: etree._Element) -> Series:
    uncertainty, factor = _uncertainty(element, "")
    value, unit = _split(_one(element, "value", SI)), _text(_one(element, "unit", SI))
    return Series(value, unit, uncertainty, factor)


def _list_of_reals(element: etree._Element) -> Series:
    reals = [_real(one) for one in _all(element, "real", SI)]
    units = {one.unit for one in reals}
    return Series(
        tuple(text for one in reals for text in one.texts),
        units.pop() if len(units) == 1 else " ".join(sorted(units)),
        tuple(text for one in reals for text in one.uncertainty),
        tuple(text for one in reals for text in one.factor),
    )


_READERS = {"realListXMLList": _real_list, "real": _real, "list": _list_of_reals}


def _uncertainty(element: etree._Element, tail: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Expanded uncertainty and factor of D-SI 1 and 2; a standard uncertainty has the factor 1."""
    old = _one(element, f"expandedUnc{tail}", SI)
    if old is not None:
        return _split(_one(old, f"uncertainty{tail}", SI)), _split(_one(old, f"coverageFactor{tail}", SI))
    new = _one(element, f"measurementUncertaintyUnivariate{tail}", SI)
    expanded = _one(new, f"expandedMU{tail}", SI)
    if expanded is not None:
        value = _split(_one(expanded, f"valueExpandedMU{tail}", SI))
        return value, _split(_one(expanded, f"coverageFactor{tail}", SI))
    standard = _one(_one(new, f"standardMU{tail}", SI), f"valueStandardMU{tail}", SI)
    return _split(standard), ("1",) if standard is not None else ()


def _checked(reading: _Reading, made: Series, where: str) -> Series | None:
    """The series, or nothing and a fault."""
    count = len(made.texts)
    wrong = ""
    if not 1 <= count <= MOST_VALUES:
        wrong = f"has {count} values; 1 to {MOST_VALUES} are read"
    elif not made.unit or " " in made.unit:
        wrong = "has no unit, or several in one column"
    elif bool(made.uncertainty) != bool(made.factor):
        wrong = "has an uncertainty without coverage factor, or the reverse"
    elif made.uncertainty and not {len(made.uncertainty), len(made.factor)} <= {1, count}:
        wrong = "has uncertainties or coverage factors that are neither one for all nor one each"
    elif bad := _no_number([*made.texts, *made.uncertainty, *made.factor]):
        wrong = f"has '{bad[:20]}', which is no number"
    if wrong:
        reading.fault(where, wrong)
        return None
    return made


def _no_number(texts: Sequence[str]) -> str:
    return next((text for text in texts if not _NUMBER.fullmatch(text)), "")
