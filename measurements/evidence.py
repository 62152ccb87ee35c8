"""What a stored session's evidence hashes to now: equal to its digest as long as no row was touched."""

from collections.abc import Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any
from uuid import UUID

from jobs.bulk import microseconds
from measurements.checked import Checked, Readings, SweepRow, digest_of
from measurements.methods import METHODS
from measurements.models import Reading, Session, Sweep

READING = ("session_id", "id", "run", "line", "point", "place", "quantity", "value", "entered", "unit")
SWEEP = ("session_id", "id", "run", "line", "quantity", "started_at", "duration_s", "mean", "entered", "unit")
Rows = dict[UUID, list[tuple[Any, ...]]]


def session_digest(session: Session) -> str:
    """The digest over the session, its readings and sweeps, from the rows as they stand."""
    readings, sweeps = _rows_of([session.id])
    return _digest(session, readings.get(session.id, []), sweeps.get(session.id, []))


def sessions_altered(sessions: Sequence[Session]) -> dict[UUID, str]:
    """What differs from what was stored, in words, by session; in two statements for all of them."""
    readings, sweeps = _rows_of([one.id for one in sessions])
    found = {}
    for one in sessions:
        rows, passes = readings.get(one.id, []), sweeps.get(one.id, [])
        if _digest(one, rows, passes) != one.content_digest:
            found[one.id] = f"it, one of its {len(rows)} readings or of its {len(passes)} sweeps was altered"
        elif shown := _shown_by_another(one, rows, passes):
            found[one.id] = shown
    return found


def _rows_of(sessions: Sequence[UUID]) -> tuple[Rows, Rows]:
    """Readings and sweeps of many sessions, as tuples in the order of READING and SWEEP, then instrument."""
    readings = Reading.objects.filter(session__in=sessions).order_by("session_id", "id")
    sweeps = Sweep.objects.filter(session__in=sessions).order_by("session_id", "id")
    return (
        _grouped(readings.values_list(*READING, "taken_at", "instrument_id")),
        _grouped(sweeps.values_list(*SWEEP, "samples", "instrument_id")),
    )


def _grouped(rows: Any) -> Rows:
    return {session: list(found) for session, found in groupby(rows, key=itemgetter(0))}


def _shown_by_another(session: Session, readings: Sequence[Any], sweeps: Sequence[Any]) -> str:
    """A row that names another instrument than the session does for its use."""
    kind, named = METHODS[session.method], session.content["instruments"]
    uses = {place.name: place.use for place in kind.places} | {"": kind.places[0].use}
    for row in readings:
        if str(row[-1]) != named.get(uses.get(row[5], "")):
            return f"reading {row[1]} names another instrument"
    for row in sweeps:
        if str(row[-1]) != named.get(row[4]):
            return f"sweep {row[1]} names another instrument"
    return ""


def _digest(session: Session, readings: Sequence[Any], sweeps: Sequence[Any]) -> str:
    return digest_of(
        Checked(
            index=0,
            id=session.id,
            job=session.job_id,
            test_point=session.test_point_id,
            method=session.method,
            started_at=microseconds(session.started_at),
            finished_at=microseconds(session.finished_at),
            supersedes=session.supersedes_id,
            reason=session.reason,
            note=session.note,
            instruments={},
            content=session.content,
            readings=_readings(readings),
            sweeps=[_sweep(row) for row in sweeps],
            client_ids=False,
        )
    )


def _readings(rows: Sequence[Any]) -> Readings:
    columns = [list(column) for column in zip(*rows, strict=True)] or [[] for _ in range(12)]
    return Readings(
        ids=[one.bytes for one in columns[1]],
        run=columns[2],
        line=columns[3],
        point=columns[4],
        place=columns[5],
        quantity=columns[6],
        value=columns[7],
        entered=columns[8],
        unit=columns[9],
        taken_at=[microseconds(at) for at in columns[10]],
    )


def _sweep(row: Any) -> SweepRow:
    return SweepRow(
        id=row[1].bytes,
        run=row[2],
        line=row[3],
        quantity=row[4],
        started_at=microseconds(row[5]),
        duration_s=row[6],
        mean=row[7],
        entered=row[8],
        unit=row[9],
        samples=list(row[10]),
    )
