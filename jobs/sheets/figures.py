"""Numbers as people type them, and only when they can mean one thing.

1,234.5 and 1.234,5 and 1 234.5 and 1'234.5 are clear by themselves; 12,5 and 0,125 and 1,234,567 too. But
1,234 may be a thousand and more or one and a bit: then the other cells of the file decide (its decimal
mark), and if they do not, it is refused.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from django.utils.translation import gettext


class Mark(Enum):
    """The decimal mark of a file."""

    POINT = "."
    COMMA = ","

    @property
    def words(self) -> str:
        return "decimal point" if self is Mark.POINT else "decimal comma"

    @property
    def other(self) -> "Mark":
        return Mark.COMMA if self is Mark.POINT else Mark.POINT


class NoFigure(ValueError):
    """The text is no number, or could be two; the message says what to do."""


@dataclass(frozen=True)
class Figure:
    """A number's text taken apart: digits without groups for either reading, and the unit behind it.

    `shows` is the decimal mark that the text proves; None when it fits both or none is needed.
    """

    sign: str
    body: str
    unit: str
    shows: Mark | None
    ambiguous: bool

    def value(self, mark: Mark | None) -> float:
        """The number, in a file with this decimal mark. Raises NoFigure when that leaves two meanings."""
        mark = self.shows or mark
        if mark is None and self.ambiguous:
            raise NoFigure(_two_meanings(self.body))
        digits = _ungrouped(self.body, mark or Mark.POINT)
        number = float(f"{self.sign}{digits}")
        if not math.isfinite(number):
            raise NoFigure(gettext("is too large to be meant"))
        return number


_SHAPE = re.compile(r"([+-]?) ?((?:[0-9][0-9.,' ]*)?[.,]?[0-9])(?: ?([^0-9 .,'+-].*|'))?", re.ASCII)
_SPACES = dict.fromkeys(map(ord, "\u00a0\u2007\u2008\u2009\u202f"), " ") | {0x2212: "-", 0x2019: "'"}
_GROUPS = {mark: re.compile(rf"[0-9]{{1,3}}(?:\{mark}[0-9]{{3}})+") for mark in ".,"}
_GROUPED = re.compile(r"[0-9]{1,3}(?: [0-9]{3})+|[0-9]{1,3}(?:'[0-9]{3})+")
_LONGEST = 40


def read_figure(text: str) -> Figure:
    """Takes a number's text apart. Raises NoFigure when it is none."""
    plain = text.translate(_SPACES).strip()
    found = _SHAPE.fullmatch(plain) if len(plain) <= _LONGEST else None
    if found is None:
        raise NoFigure(
            gettext("'%(text)s' is no number; write digits with one decimal mark, e.g. 12.5")
            % {"text": text[:30]}
        )
    sign, body, unit = found.group(1), found.group(2), (found.group(3) or "").strip()
    if " " in body or "'" in body:
        return Figure(sign, _without_groups(body), unit, _mark_after(body), ambiguous=False)
    shows, ambiguous = _marks(body)
    return Figure(sign, body, unit, shows, ambiguous)


def decimal_mark(figures: Iterable[Figure]) -> tuple[Mark | None, Mark | None]:
    """The mark that most of a file's figures prove, and the other one when some prove that."""
    counts = {Mark.POINT: 0, Mark.COMMA: 0}
    for figure in figures:
        if figure.shows:
            counts[figure.shows] += 1
    most = max(counts, key=lambda mark: counts[mark])
    if not counts[most]:
        return None, None
    return most, most.other if counts[most.other] else None


def _without_groups(body: str) -> str:
    """1 234,5 as 1234,5. Raises NoFigure unless the groups are of three."""
    whole, mark, rest = _split_once(body)
    if not _GROUPED.fullmatch(whole) or (mark and not rest.isdigit()):
        raise NoFigure(
            gettext("'%(body)s' is not grouped in threes; write it without spaces, e.g. 1234.5")
            % {"body": body}
        )
    return re.sub("[ ']", "", whole) + mark + rest


def _mark_after(body: str) -> Mark | None:
    mark = _split_once(body)[1]
    return Mark(mark) if mark else None


def _split_once(body: str) -> tuple[str, str, str]:
    for index, sign in enumerate(body):
        if sign in ".,":
            return body[:index], sign, body[index + 1 :]
    return body, "", ""


def _marks(body: str) -> tuple[Mark | None, bool]:
    """What the text proves of the decimal mark, and whether it has two meanings."""
    points, commas = body.count("."), body.count(",")
    if not points and not commas:
        return None, False
    if points and commas:
        return _last_is_decimal(body), False
    mark = Mark(".") if points else Mark(",")
    if points + commas > 1:
        return _groups_only(body, mark), False
    left, right = body.split(mark.value)
    if len(right) == 3 and 1 <= len(left) <= 3 and not left.startswith("0"):
        return None, True
    return mark, False


def _last_is_decimal(body: str) -> Mark:
    mark = Mark(max(".,", key=body.rfind))
    whole, _, rest = body.partition(mark.value)
    if not rest.isdigit() or not _GROUPS[mark.other.value].fullmatch(whole):
        raise NoFigure(
            gettext("'%(body)s' mixes points and commas; write it as e.g. 1234.5") % {"body": body}
        )
    return mark


def _groups_only(body: str, mark: Mark) -> Mark:
    if not _GROUPS[mark.value].fullmatch(body):
        raise NoFigure(gettext("'%(body)s' has several marks; write it as e.g. 1234.5") % {"body": body})
    return mark.other


def _ungrouped(body: str, mark: Mark) -> str:
    return body.replace(mark.other.value, "").replace(mark.value, ".")


def _two_meanings(body: str) -> str:
    plain = re.sub("[.,]", "", body)
    decimal = re.sub("[.,]", ".", body)
    return (
        f"'{body}' may mean {plain} or {float(decimal):g}, and no other cell shows the file's decimal mark; "
        f"write {plain}, or {decimal}0"
    )
