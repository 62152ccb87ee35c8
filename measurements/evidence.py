"""What a stored session's evidence hashes to now: equal to its digest as long as no row was touched."""

from jobs.bulk import microseconds
from measurements.checked import Checked, Readings, SweepRow, digest_of
from measurements.models import Reading, Session, Sweep


def session_digest(session: Session) -> str:
    """The digest over the session, its readings and sweeps, from the rows as they stand."""
    readings = list(session.readings.order_by("id"))
    sweeps = [_sweep(row) for row in session.sweeps.order_by("id")]
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
            sweeps=sweeps,
            client_ids=False,
        )
    )


def _readings(rows: list[Reading]) -> Readings:
    return Readings(
        ids=[row.id.bytes for row in rows],
        run=[row.run for row in rows],
        line=[row.line for row in rows],
        point=[row.point for row in rows],
        place=[row.place for row in rows],
        quantity=[row.quantity for row in rows],
        value=[row.value for row in rows],
        entered=[row.entered for row in rows],
        unit=[row.unit for row in rows],
        taken_at=[microseconds(row.taken_at) for row in rows],
    )


def _sweep(row: Sweep) -> SweepRow:
    return SweepRow(
        id=row.id.bytes,
        run=row.run,
        line=row.line,
        quantity=row.quantity,
        started_at=microseconds(row.started_at),
        duration_s=row.duration_s,
        mean=row.mean,
        entered=row.entered,
        unit=row.unit,
        samples=list(row.samples),
    )
