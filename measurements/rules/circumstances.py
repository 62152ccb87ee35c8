"""Rules on who measured and when."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from uuid import UUID

from django.utils.translation import gettext_noop as _

from jobs.models import Event, JobStatus
from measurements.models import Severity
from measurements.rule_parameters import parameter
from measurements.rules.base import PRACTICE, Finding, Seen, rule

OFFSET = parameter("clock_wrong", "offset")
CLOCK = timedelta(minutes=2)
SLACK = timedelta(minutes=1)
CLOSED = {JobStatus.APPROVED: "approved", JobStatus.ISSUED: "issued", JobStatus.CANCELLED: "cancelled"}
CLOSING = ("job.approved", "job.cancelled")


@rule("clock_wrong", Severity.WARNING, _("The tablet's clock and the service's disagree."), PRACTICE)
def clock_wrong(seen: Seen) -> Iterator[Finding]:
    offset = seen.loaded.session.clock_offset_s
    most = seen.setting(OFFSET)
    if abs(offset) > most:
        way = "behind" if offset > 0 else "ahead of"
        yield Finding(
            f"The tablet's clock was {_lasting(abs(offset))} {way} the service's when it posted.",
            f"At most {_lasting(most)} apart.",
            "Set the tablet's clock to network time; check the times of this session.",
            {"offset_s": round(offset)},
        )


def _lasting(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"


@rule(
    "times_out_of_order",
    Severity.WARNING,
    _("The session ends before it starts, lies in the future, or has readings outside its time."),
    PRACTICE,
)
def times_out_of_order(seen: Seen) -> Iterator[Finding]:
    session = seen.loaded.session
    advice = "Check the tablet's clock and say in a note when the readings were taken."
    start, end = session.started_at, session.finished_at
    if end < start:
        text = f"The session ends at {_clock(end)}, before it starts at {_clock(start)}."
        yield Finding(text, "An end after the start.", advice, {}, "span")
        return
    outside = [m for m in _moments(seen) if not start - SLACK <= m <= end + SLACK]
    if outside:
        text = f"{len(outside)} readings were taken outside the session, e.g. at {_clock(outside[0])}."
        expected = f"Readings from {_clock(start)} to {_clock(end)}."
        yield Finding(text, expected, advice, {"outside": len(outside)}, "readings")
    if end + timedelta(seconds=session.clock_offset_s) > session.received_at + CLOCK:
        text = f"The session ends at {_clock(end)}, after it was received."
        yield Finding(text, "An end before it was posted.", advice, {}, "future")


def _moments(seen: Seen) -> list[datetime]:
    rows = seen.loaded.readings
    return [row.taken_at for row in rows] + [sweep.started_at for sweep in seen.loaded.sweeps]


def _clock(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M:%S UTC")


@rule(
    "technician_not_assigned",
    Severity.WARNING,
    _("Who measured was not planned on the job that day."),
    "the job's plan",
)
def technician_not_assigned(seen: Seen) -> Iterator[Finding]:
    day = seen.loaded.measured_on
    if any(a.starts_on <= day <= a.ends_on for a in seen.loaded.assigned):
        return
    planned = "planned on other days" if seen.loaded.assigned else "not planned on it at all"
    yield Finding(
        f"Who measured on {day.isoformat()} was not on this job that day ({planned}).",
        "A person assigned to the job for that day.",
        "Assign the person to the job, or accept with a reason.",
        {"member": str(seen.loaded.session.member_id), "day": day.isoformat()},
    )


@rule(
    "posted_after_approval",
    Severity.STOP,
    _("The session came in when the job was already approved, issued or cancelled."),
    "the job's state",
    fixed=True,
)
def posted_after_approval(seen: Seen) -> Iterator[Finding]:
    job = seen.loaded.job
    status = CLOSED.get(JobStatus(job.status))
    if status and not _came_before(seen.loaded.session.received_at, job.id):
        yield Finding(
            f"The session came in when the job was already {status}.",
            "Readings before the job is approved.",
            "Decide whether the report needs a revision; the readings stay as evidence.",
            {"status": status},
        )


def _came_before(received: datetime, job_id: UUID) -> bool:
    """Whether it came before the job was closed first: looked at again later, it still did."""
    closing = Event.objects.filter(subject_id=job_id, verb__in=CLOSING).order_by("at").first()
    return closing is not None and received <= closing.at
