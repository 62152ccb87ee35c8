"""What is said of a schedule's columns, as JSON: at the doors and in a stored draft.

    {"head_row": 3,
     "columns": {"A": {"is": "tag"}, "C": {"is": "design flow", "unit": "L/s"}, "D": {"is": ""}},
     "all_rows": {"system": "AHU-1", "kind": "outlet"}}

Every part may be left out. Columns that are not named mean what their heads say; an empty "is" leaves one
aside.
"""

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext

from jobs.errors import Fault, Invalid
from jobs.schedule_columns import FOR_ALL, QUANTITIES, Column, Matching, Said, unit_of
from jobs.sheets.grid import MOST_COLUMNS, MOST_ROWS, column_name
from jobs.units import Unit, UnknownUnit

PARTS = ("head_row", "columns", "all_rows")
_PLACES = {column_name(place): place for place in range(MOST_COLUMNS)}
_LONGEST = 200


def read_said(value: Any) -> Matching:
    """Raises Invalid with each place that is wrong."""
    faults: list[Fault] = []
    if not isinstance(value, Mapping):
        raise Invalid(
            gettext("'columns' is not an object."),
            [Fault("/", gettext("is an object with %(parts)s") % {"parts": ", ".join(PARTS)})],
        )
    faults += [
        Fault(f"/{str(name)[:40]}", gettext("There is no such field here."))
        for name in value
        if name not in PARTS
    ]
    columns = _columns(_object(value, "columns", faults), faults)
    for_all = _for_all(_object(value, "all_rows", faults), faults)
    row = value.get("head_row")
    is_row = isinstance(row, int) and not isinstance(row, bool) and 1 <= row <= MOST_ROWS
    if row is not None and not is_row:
        faults.append(Fault("/head_row", gettext("is the number of a row of the file, from 1")))
    if faults:
        raise Invalid(gettext("What is said of the columns is not valid."), faults[:100])
    return Matching(columns, for_all, row)


def _object(value: Mapping[str, Any], name: str, faults: list[Fault]) -> Mapping[str, Any]:
    found = value.get(name)
    if found is None or isinstance(found, Mapping):
        return found or {}
    faults.append(Fault(f"/{name}", gettext("is an object")))
    return {}


def _columns(given: Mapping[str, Any], faults: list[Fault]) -> dict[int, Said]:
    found = {}
    for letter, told in given.items():
        at = f"/columns/{str(letter)[:10]}"
        if letter not in _PLACES:
            faults.append(
                Fault(
                    at,
                    gettext("names no column; columns are A to %(last)s")
                    % {"last": column_name(MOST_COLUMNS - 1)},
                )
            )
        elif not isinstance(told, Mapping) or set(told) - {"is", "unit"} or "is" not in told:
            faults.append(Fault(at, gettext('is an object such as {"is": "design flow", "unit": "L/s"}')))
        elif isinstance(told["is"], str) and (not told["is"] or told["is"] in list(Column)):
            column = Column(told["is"]) if told["is"] else None
            found[_PLACES[letter]] = Said(column, _unit(column, told.get("unit"), f"{at}/unit", faults))
        else:
            faults.append(
                Fault(f"{at}/is", gettext("is one of: %(column)s; or empty") % {"column": ", ".join(Column)})
            )
    return found


def _unit(column: Column | None, text: Any, at: str, faults: list[Fault]) -> Unit | None:
    if text is None or text == "":
        return None
    if not isinstance(text, str):
        faults.append(Fault(at, gettext("is a text")))
    elif column not in QUANTITIES:
        faults.append(
            Fault(
                at,
                gettext("does not belong to '%(value)s'; leave it out")
                % {"value": column or "a column that is not read"},
            )
        )
    else:
        try:
            return unit_of(text, QUANTITIES[column])
        except UnknownUnit as error:
            faults.append(Fault(at, str(error)))
    return None


def _for_all(given: Mapping[str, Any], faults: list[Fault]) -> dict[Column, str]:
    found = {}
    for name, text in given.items():
        at = f"/all_rows/{str(name)[:40]}"
        if name not in list(FOR_ALL):
            faults.append(
                Fault(
                    at,
                    gettext("cannot be said for all rows; only %(columns)s can")
                    % {"columns": ", ".join(FOR_ALL)},
                )
            )
        elif not isinstance(text, str) or len(text) > _LONGEST or not text.isprintable():
            faults.append(
                Fault(
                    at,
                    gettext("is a text of one line, at most %(longest)s characters") % {"longest": _LONGEST},
                )
            )
        else:
            found[Column(name)] = " ".join(text.split())
    return found


def said_as_json(said: Matching) -> dict[str, Any]:
    """What `read_said` reads."""
    return {
        "head_row": said.head_row,
        "columns": {
            column_name(place): {"is": told.column or "", "unit": told.unit.name if told.unit else ""}
            for place, told in said.columns.items()
        },
        "all_rows": {str(column): text for column, text in said.for_all.items()},
    }
