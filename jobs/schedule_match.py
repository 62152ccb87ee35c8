"""Which column of a file means what: as said, by our own heads, as the customer's files had it before, by
what engineers call it, by its values; in this order. What may mean two things is left to be said.
"""

import difflib
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace

from django.utils.translation import gettext

from jobs.errors import Fault, Invalid
from jobs.models.plan import DensityBasis
from jobs.schedule_columns import (
    FOR_ALL,
    LONGEST,
    NEEDED,
    QUANTITIES,
    SIZES,
    Column,
    Heads,
    Match,
    Matching,
    Said,
    Source,
    unit_of,
)
from jobs.schedule_guess import LONGEST_HEAD, guess_head, guess_values, read_head, unit_row
from jobs.schedule_words import WORDS, listed
from jobs.sheets import Cell, Faults, Sheet, cell_name
from jobs.sheets.grid import MOST_COLUMNS, column_name, refuse
from jobs.units import Unit, UnknownUnit

_SEARCHED_ROWS = 20
_LIKE = 0.8
_RANK = tuple(Source)
_AS_SAID = "say what it is by 'columns', or rename it"
Remembered = Mapping[str, Said]


def match_heads(
    sheet: Sheet, said: Matching, remembered: Remembered, faults: Faults, *, lenient: bool = False
) -> Heads:
    """Finds the heads and what each column means; collects what is wrong or missing at its head.

    Raises Invalid when there is no row of heads; `lenient` takes the first likely row then.
    """
    row = _head_row(sheet, said, remembered, lenient=lenient)
    last = _row_of_units(sheet, row)
    finder = _Finder(sheet, row, last, said, remembered, faults)
    return finder.heads()


def head_keys(heads: Mapping[int, str]) -> dict[int, str]:
    """By what a head is remembered, by place: small letters, single spaces; doubles are counted."""
    seen: dict[str, int] = defaultdict(int)
    keys = {}
    for place, head in sorted(heads.items()):
        plain = " ".join(head.casefold().split())[:LONGEST_HEAD]
        seen[plain] += 1
        keys[place] = plain if seen[plain] == 1 else f"{plain} ({seen[plain]})"
    return keys


def _head_row(sheet: Sheet, said: Matching, remembered: Remembered, *, lenient: bool) -> int:
    """The row with most known heads; titles above it are passed over."""
    if said.head_row is not None:
        if said.head_row not in sheet.rows:
            raise Invalid(
                gettext("The row of the heads is empty."),
                [Fault("head_row", gettext("is empty; name the row of the heads"))],
            )
        return said.head_row
    first = sorted(sheet.rows)[:_SEARCHED_ROWS]
    known = {row: _known(sheet.rows[row], remembered) for row in first}
    best = max(first, key=lambda row: known[row], default=0)
    if best and (known[best] >= 2 or said.columns):
        return best
    if lenient and first:
        return max(first, key=lambda row: sum(not _is_figure(cell) for cell in sheet.rows[row].values()))
    needed = ", ".join(NEEDED)
    raise refuse(
        f"row {best or 1}",
        gettext("no row of column heads was found; the first must name at least: %(needed)s")
        % {"needed": needed},
    )


def _known(cells: Mapping[int, Cell], remembered: Remembered) -> float:
    """How much a row looks like heads: columns that are known, and a little for those that may be."""
    texts = [cell.text for cell in cells.values() if not _is_figure(cell)]
    guessed = [guess_head(text) for text in texts]
    told = [remembered.get(" ".join(text.casefold().split())) for text in texts]
    found = {read_head(text)[0] for text in texts} | {guess.column for guess in guessed}
    found |= {one.column for one in told if one}
    return len(found - {None}) + 0.1 * sum(bool(guess.could_be) for guess in guessed)


def _is_figure(cell: Cell) -> bool:
    return cell.number is not None or cell.text[:1].isdigit()


def _row_of_units(sheet: Sheet, row: int) -> int:
    below = sheet.rows.get(row + 1)
    return row + 1 if below and unit_row(list(below.values())) else row


@dataclass
class _Finder:
    """Takes the columns of one file in turn."""

    sheet: Sheet
    row: int
    last: int
    said: Matching
    remembered: Remembered
    faults: Faults

    def heads(self) -> Heads:
        cells = self.sheet.rows[self.row]
        filled = {place for row, found in self.sheet.rows.items() if row > self.last for place in found}
        titles = {place: cells[place].text if place in cells else "" for place in {*cells, *filled}}
        self._check_said(titles)
        keys = head_keys(titles)
        self.basis: DensityBasis | None = None
        claims = [self._claim(place, titles[place], keys[place]) for place in sorted(titles)]
        matches = self._by_values(self._settle(claims))
        places = {one.column: one.place for one in matches if one.column is not None}
        units = {one.column: one.unit for one in matches if one.column is not None and one.unit is not None}
        heads = Heads(self.row, self.last, places, units, self._for_all(places), tuple(matches))
        self._check_whole(heads)
        return heads

    def where(self, place: int) -> str:
        return cell_name(self.row, place)

    def _check_said(self, titles: Mapping[int, str]) -> None:
        for place in self.said.columns:
            if place not in titles:
                letter = column_name(place) if place < MOST_COLUMNS else str(place)
                self.faults.add(f"column {letter}", "is empty in the file; leave it out of 'columns'")

    def _claim(self, place: int, head: str, key: str) -> Match:
        """What a column means by itself."""
        if place in self.said.columns:
            told = self.said.columns[place]
            unit = told.unit or self._unit_below(place, told.column)
            return Match(place, head, told.column, Source.SAID, unit)
        own, bracketed = read_head(head)
        if own is not None:
            unit = self._own_unit(own, bracketed, place) or self._unit_below(place, own)
            return Match(place, head, own, Source.OWN_NAME, unit)
        if key in self.remembered:
            told = self.remembered[key]
            unit = told.unit or self._unit_below(place, told.column)
            return Match(place, head, told.column, Source.REMEMBERED, unit)
        guess = guess_head(head)
        if guess.column is not None:
            self.basis = guess.basis or self.basis
            unit = guess.unit or self._unit_below(place, guess.column)
            return Match(place, head, guess.column, Source.HEAD, unit)
        return Match(place, head, None, Source.UNKNOWN, guess.unit, guess.could_be or _misspelt(head))

    def _own_unit(self, column: Column, text: str, place: int) -> Unit | None:
        where = self.where(place)
        if not text:
            return None
        if column in (Column.BELOW, Column.ABOVE):
            if text != "%":
                self.faults.add(where, f"tolerances are in %, not in '{text[:20]}'")
            return None
        if column not in QUANTITIES:
            self.faults.add(where, f"'{column}' has no unit; take '{text[:20]}' out of the head")
            return None
        try:
            return unit_of(text, QUANTITIES[column])
        except UnknownUnit as error:
            self.faults.add(where, str(error))
            return None

    def _unit_below(self, place: int, column: Column | None) -> Unit | None:
        """The unit in the row of units."""
        cell = self.sheet.rows[self.last].get(place) if self.last > self.row else None
        if cell is None or column not in QUANTITIES:
            return None
        try:
            return unit_of(cell.text.strip("[]() "), QUANTITIES[column])
        except UnknownUnit:
            return None

    def _settle(self, claims: list[Match]) -> list[Match]:
        """Of several columns that mean the same, the one that is known best; equals are left to be said."""
        by_column: dict[Column, list[Match]] = defaultdict(list)
        for claim in claims:
            if claim.column is not None:
                by_column[claim.column].append(claim)
        lost: set[int] = set()
        for column, group in by_column.items():
            best = min(_RANK.index(one.source) for one in group)
            equals = [one for one in group if _RANK.index(one.source) == best]
            lost |= {one.place for one in group if one not in equals}
            if len(equals) > 1:
                lost |= {one.place for one in self._refuse_doubles(column, equals)}
        return [
            replace(one, column=None, source=Source.UNKNOWN, could_be=(one.column,))
            if one.place in lost and one.column is not None
            else one
            for one in claims
        ]

    def _refuse_doubles(self, column: Column, equals: list[Match]) -> list[Match]:
        """Returns those that then mean nothing."""
        first, *others = equals
        for one in others:
            if one.source in (Source.SAID, Source.OWN_NAME):
                self.faults.add(self.where(one.place), f"is a second column '{column}'; keep one")
            else:
                there = self.where(first.place)
                self.faults.add(self.where(one.place), f"may be '{column}', and so may {there}; {_AS_SAID}")
        return others if first.source in (Source.SAID, Source.OWN_NAME) else equals

    def _by_values(self, matches: list[Match]) -> list[Match]:
        """Columns of unknown heads whose every value belongs to one list."""
        taken = {one.column for one in matches} | set(self.said.for_all)
        found: dict[Column, list[Match]] = defaultdict(list)
        for one in matches:
            if one.column is None and one.source is Source.UNKNOWN:
                column = guess_values(self._below(one.place))
                if column and column not in taken and (not one.could_be or column in one.could_be):
                    found[column].append(one)
        sure = {group[0].place: column for column, group in found.items() if len(group) == 1}
        return [
            replace(one, column=sure[one.place], source=Source.VALUES, unit=None, could_be=())
            if one.place in sure
            else one
            for one in matches
        ]

    def _below(self, place: int) -> list[Cell]:
        return [
            cells[place]
            for row, cells in sorted(self.sheet.rows.items())
            if row > self.last and place in cells
        ]

    def _for_all(self, places: Mapping[Column, int]) -> dict[Column, str]:
        found = {column: text.strip() for column, text in self.said.for_all.items() if text.strip()}
        for column, text in found.items():
            where = f"all_rows/{column}"
            if column not in FOR_ALL:
                self.faults.add(where, f"cannot be said for all rows; only {', '.join(FOR_ALL)} can")
            elif column in places:
                letter = column_name(places[column])
                self.faults.add(where, f"is column {letter} already; leave one of them out")
            elif len(text) > LONGEST[column]:
                self.faults.add(where, f"is longer than {LONGEST[column]} characters; shorten it")
            elif column in WORDS and text.casefold() not in WORDS[column]:
                self.faults.add(where, f"'{text[:30]}' is not known here; write {listed(column)}")
        if self.basis and Column.BASIS not in places and Column.BASIS not in self.said.for_all:
            found[Column.BASIS] = self.basis.value
        return {column: text for column, text in found.items() if column not in places}

    def _check_whole(self, heads: Heads) -> None:
        for column in NEEDED:
            if not heads.has(column):
                self.faults.add(
                    f"row {self.row}", f"has no column '{column}'; add it{self._hint(column, heads)}"
                )
        if Column.SIZE in heads.places:
            for column in SIZES:
                if column in heads.places:
                    there = self.where(heads.places[Column.SIZE])
                    where = self.where(heads.places[column])
                    self.faults.add(where, f"gives the size, and so does {there}; leave one of them out")
        for one in heads.matches:
            if one.source is Source.UNKNOWN and one.could_be and one.place not in self.said.columns:
                self._check_left_out(one, heads)

    def _hint(self, column: Column, heads: Heads) -> str:
        likely = [one for one in heads.matches if column in one.could_be]
        names = ", ".join(f"{one.letter} '{one.head[:30]}'" for one in likely[:3])
        if likely:
            return f", or say by 'columns' whether it is {names}"
        return ", or say it once by 'all_rows'" if column in FOR_ALL else ""

    def _check_left_out(self, one: Match, heads: Heads) -> None:
        """What would silently be lost: a misspelt head of ours, or flows of which none was taken."""
        near = _misspelt(one.head)
        if near and near[0] not in heads.places:
            self.faults.add(
                self.where(one.place),
                f"'{one.head[:30]}' is no known head; write '{near[0]}', or name it quite differently",
            )
        elif one.unit is not None and Column.FLOW in one.could_be and Column.FLOW not in heads.places:
            self.faults.add(self.where(one.place), f"may be the design flow; {_AS_SAID}")


def _misspelt(head: str) -> tuple[Column, ...]:
    near = difflib.get_close_matches(head.casefold()[:40], list(Column), n=1, cutoff=_LIKE)
    return (Column(near[0]),) if near else ()
