"""Approved results computed again from their stored inputs: the same figures, or a list of what differs."""

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet

from jobs import events
from measurements.calc.version import CALCULATION_VERSION
from measurements.compute import Computed, compute
from measurements.models import Result
from reports.models import Revision

VERSIONS: dict[str, Callable[[dict[str, Any]], Computed]] = {CALCULATION_VERSION: compute}
"""Versions of the calculation that this release can run."""
CHUNK = 100
ROUNDING = 1e-10
"""Relative: far below any uncertainty, far above what the order of a sum changes."""


@dataclass(frozen=True)
class Difference:
    """A figure of a result that its inputs do not give, with both values; or why it can't be computed."""

    result: UUID
    session: UUID
    figure: str
    stored: Any = None
    computed: Any = None
    refused: str = ""

    def __str__(self) -> str:
        return self.refused or f"{self.figure} is stored as {self.stored!r}, computed as {self.computed!r}"


def approved_results(since: datetime | None = None) -> "QuerySet[Result]":
    """Results that stand in a revision approved since a moment: each session's newest at the approval."""
    revisions = Revision.objects.filter(
        job=OuterRef("session__job"), approved_at__gte=OuterRef("computed_at")
    )
    if since is not None:
        revisions = revisions.filter(approved_at__gte=since)
    newer = Result.objects.filter(
        session=OuterRef(OuterRef("session")),
        computed_at__gt=OuterRef(OuterRef("computed_at")),
        computed_at__lte=OuterRef("approved_at"),
    )
    found: QuerySet[Result] = Result.objects.filter(Exists(revisions.filter(~Exists(newer))))
    return found.order_by("id")


def recompute(since: datetime | None = None) -> Iterator[tuple[Result, list[Difference]]]:
    """Every approved result of the current company with what differs. In a transaction; memory stays flat."""
    for row in approved_results(since).iterator(chunk_size=CHUNK):
        yield row, list(differences(row))


def differences(row: Result) -> Iterator[Difference]:
    """What a result's stored inputs give otherwise than its row says; one refusal for an unknown version."""
    run = VERSIONS.get(row.calculation_version)
    if run is None:
        known = ", ".join(VERSIONS)
        told = f"calculation version {row.calculation_version!r} is not known here (known: {known})"
        yield Difference(row.id, row.session_id, "calculation_version", refused=told)
        return
    computed = run(row.inputs)
    for name, value in computed.figures.items():
        stored = getattr(row, name)
        if stored != value and not _same_number(stored, value):
            yield Difference(row.id, row.session_id, name, stored, value)
    for path, stored, now in _unlike("detail", row.detail, json.loads(events.canonical(computed.detail))):
        yield Difference(row.id, row.session_id, path, stored, now)


def _unlike(path: str, stored: Any, now: Any) -> Iterator[tuple[str, Any, Any]]:
    """Places of two JSON values that differ, with both."""
    if isinstance(stored, dict) and isinstance(now, dict):
        for name in sorted(stored.keys() | now.keys()):
            yield from _unlike(f"{path}.{name}", stored.get(name), now.get(name))
    elif isinstance(stored, list) and isinstance(now, list) and len(stored) == len(now):
        for index, (one, other) in enumerate(zip(stored, now, strict=True)):
            yield from _unlike(f"{path}[{index}]", one, other)
    elif stored != now and not _same_number(stored, now):
        yield path, stored, now


def _same_number(stored: Any, now: Any) -> bool:
    """Whether two numbers are one but for rounding, which processors do differently in sums by vectors. (A
    changed digit is found by the row's digest.) A float of 1e16 or more without a fraction comes back from
    the database as a whole number."""
    both = (stored, now)
    are_numbers = all(isinstance(one, int | float) and not isinstance(one, bool) for one in both)
    return are_numbers and math.isclose(stored, now, rel_tol=ROUNDING)
