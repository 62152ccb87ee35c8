"""The published values in values/, one file a subject: given, expected, how near, by which source.

A record's `given` and `expected` map a name to (value, unit). `tolerance` has a type (abs, rel, exact), a
`value` for every expected name, and overrides by name. provenance: read (the source or a quotation of it was
seen), library (computed by an independent library), derived (closed form in `formula`), memory, practice.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Check:
    """One figure compared: place in a list (None for a single one), limit (None: must be equal)."""

    record: str
    name: str
    place: int | None
    expected: Any
    found: Any
    limit: float | None


FOUND: list[Check] = []
"""Every comparison made since the process began, in order: what the page of checks is written from."""


@dataclass(frozen=True)
class Record:
    """One published value or table."""

    id: str
    subject: str
    title: str
    given: dict[str, tuple[Any, str]]
    expected: dict[str, tuple[Any, str]]
    tolerance: dict[str, Any]
    source: str
    provenance: str
    confidence: str
    formula: str = ""

    def value(self, name: str) -> Any:
        """A given value without its unit."""
        return self.given[name][0]

    def check(self, **found: Any) -> None:
        """Compare every named figure with what is expected, to the record's tolerance."""
        for name, value in found.items():
            expected = self.expected[name][0]
            many = isinstance(expected, list)
            pairs = zip(expected, value, strict=True) if many else [(expected, value)]
            for place, (wanted, got) in enumerate(pairs):
                limit = self._limit(name, wanted)
                FOUND.append(Check(self.id, name, place if many else None, wanted, got, limit))
                near = got == wanted if limit is None else abs(got - wanted) <= limit
                assert near, (
                    f"{self.id} {name}[{place}]: {got!r}, expected {wanted!r} +- {limit} ({self.source})"
                )

    def near(self, name: str, found: float, *, within: float) -> None:
        """Compare a figure to a wider limit than the record's: where simulated draws leave noise."""
        wanted = self.expected[name][0]
        FOUND.append(Check(self.id, name, None, wanted, found, within))
        assert abs(found - wanted) <= within, f"{self.id} {name}: {found!r}, expected {wanted!r} +- {within}"

    def _limit(self, name: str, wanted: Any) -> float | None:
        kind = self.tolerance["type"]
        size = self.tolerance.get(name, self.tolerance.get("value"))
        if kind == "exact" or isinstance(wanted, (bool, str)):
            return None
        return size * abs(wanted) if kind == "rel" else size


@lru_cache(maxsize=1)
def all_records() -> dict[str, Record]:
    """Every record by its id."""
    files = sorted(Path(__file__).with_name("values").glob("*.json"))
    rows = [row for file in files for row in json.loads(file.read_text(encoding="utf-8"))]
    return {row["id"]: Record(**row) for row in rows}


def record(name: str) -> Record:
    """The record of this id."""
    return all_records()[name]
