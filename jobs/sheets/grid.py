"""What every kind of table becomes: rows of cells that know their names."""

import re
import unicodedata
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

from django.utils.translation import gettext

from jobs.errors import Fault, Invalid

MOST_BYTES = 2 * 1024 * 1024
MOST_ROWS = 10_000
MOST_COLUMNS = 60
MOST_TEXT = 1000
MOST_FAULTS = 200
# C0 and C1 without tab, line feed and carriage return, which become spaces.
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")


class CellKind(Enum):
    TEXT = "text"
    NUMBER = "number"
    PERCENT = "a percentage"
    DATE = "a date"
    BOOLEAN = "TRUE or FALSE"
    ERROR = "an error"
    FORMULA = "a formula"


class Cell(NamedTuple):
    """`text` as people see it; `number` for numeric cells (0.1 for 10 %)."""

    text: str
    kind: CellKind = CellKind.TEXT
    number: float | None = None


@dataclass(frozen=True)
class Sheet:
    """Non-empty rows by their number in the file (from 1), each with cells by column (from 0)."""

    rows: dict[int, dict[int, Cell]]
    notes: tuple[str, ...] = ()


@dataclass
class Faults:
    """Collects what is wrong, by cell, up to a limit that keeps the answer readable."""

    found: list[Fault] = field(default_factory=list)
    more: int = 0
    most: int = MOST_FAULTS

    def add(self, where: str, detail: str) -> None:
        if len(self.found) < self.most:
            self.found.append(Fault(where, detail))
        else:
            self.more += 1

    def __bool__(self) -> bool:
        return bool(self.found)

    def raise_any(self, what: str) -> None:
        """Raises Invalid when something was found; `what` opens the sentence."""
        if self.found:
            count = len(self.found) + self.more
            shown = f" The first {len(self.found)} are listed." if self.more else ""
            raise Invalid(
                gettext("%(what)s: %(count)s problem%(value)s.%(shown)s")
                % {"what": what, "count": count, "value": "s" * (count != 1), "shown": shown},
                self.found,
            )


def column_name(column: int) -> str:
    """A for 0, Z for 25, AA for 26."""
    name = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(65 + rest) + name
    return name


def cell_name(row: int, column: int) -> str:
    """E.g. C7, as spreadsheets name it."""
    return f"{column_name(column)}{row}"


def refuse(where: str, detail: str) -> Invalid:
    """The one thing that makes the file unreadable."""
    return Invalid("The file cannot be read; see 'errors'. Nothing was stored.", [Fault(where, detail)])


def tidy(text: str, where: str) -> str:
    """One line, single spaces, cut just above the longest text. Raises Invalid at a control character."""
    text = text[: MOST_TEXT + 1]
    found = CONTROL.search(text)
    if found:
        raise refuse(
            where,
            gettext("has the control character U+%(code)s; type the cell anew, or save as UTF-8 CSV")
            % {"code": f"{ord(found.group()):04X}"},
        )
    return " ".join(text.split())


def plain_text(text: str) -> str:
    """A text as it would be after a table was written and read: one line, single spaces, composed."""
    return unicodedata.normalize("NFC", " ".join(CONTROL.sub("", text).split()))
