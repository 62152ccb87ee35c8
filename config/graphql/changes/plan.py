"""Changes of jobs and of the plan: who and what on which days, travel times, calendar addresses."""

from datetime import datetime

import strawberry

from config.graphql.changes.base import Asked, Done, Outcome, Repeats, change
from config.graphql.jobs import Job
from config.graphql.plan import TravelTime
from jobs import calendars, dispatch, travel
from jobs.access import Action
from jobs.queries import visible_jobs
from jobs.rest import job_shapes as shapes
from jobs.rest.plan_shapes import TravelIn

ANSWERED = Repeats.ANSWERED


@strawberry.type
class JobOutcome(Outcome):
    job: Job | None = None


@strawberry.type
class TravelTimeOutcome(Outcome):
    travel_time: TravelTime | None = None


@strawberry.type
class CalendarOutcome(Outcome):
    address: str | None = strawberry.field(
        default=None, description="Shown in this answer only. Whoever knows it reads the calendar."
    )
    made_at: datetime | None = None


def _as_it_stands(asked: Asked) -> JobOutcome:
    return JobOutcome.of(job=visible_jobs(asked.actor).get(id=asked.at("job")))


@change(Action.PLAN, takes=shapes.JobIn, repeats=ANSWERED)
def job_plan(asked: Asked) -> JobOutcome:
    """Plan a job on systems of one site. The number comes from the company's series."""
    return JobOutcome.of(job=dispatch.plan_job(asked.actor, **shapes.job_fields(asked.given)))


@change(Action.PLAN, "job", takes=shapes.JobChange, part=True, seen=int)
def job_change(asked: Asked) -> JobOutcome:
    """Change title, notes, window, tolerances or systems of an open job."""
    seen, changes = asked.version, shapes.job_fields(asked.given)
    systems = changes.pop("system_ids", None)
    dispatch.change_job(asked.actor, asked.at("job"), seen=seen, changes=changes, system_ids=systems)
    return _as_it_stands(asked)


@change(Action.PLAN, "job", takes=shapes.CancelIn, seen=int, repeats=ANSWERED)
def job_cancel(asked: Asked) -> JobOutcome:
    """Cancel an open job with a reason."""
    reason, seen = asked.given["reason"], asked.version
    dispatch.cancel_job(asked.actor, asked.at("job"), seen=seen, reason=reason)
    return _as_it_stands(asked)


@change(Action.PLAN, "job", takes=shapes.JobPersonIn, repeats=ANSWERED)
def job_assign_person(asked: Asked) -> JobOutcome:
    """Assign a technician for some days, or move their days.

    Refused when another job holds them then, or at a site from which the way is too long.
    """
    dispatch.assign_person(asked.actor, asked.at("job"), **shapes.job_fields(asked.given))
    return _as_it_stands(asked)


@change(Action.PLAN, "job", "member")
def job_unassign_person(asked: Asked) -> JobOutcome:
    """Take a person off an open job."""
    dispatch.unassign_person(asked.actor, asked.at("job"), asked.at("member"))
    return _as_it_stands(asked)


@change(Action.PLAN, "job", takes=shapes.JobInstrumentIn, repeats=ANSWERED)
def job_assign_instrument(asked: Asked) -> JobOutcome:
    """Assign an instrument for some days.

    Refused when another job holds it then. A certificate that ends before the last day or is missing, and
    ranges that suit none of the job's points, are refused or kept as warnings, as the company says.
    """
    dispatch.assign_instrument(asked.actor, asked.at("job"), **shapes.job_fields(asked.given))
    return _as_it_stands(asked)


@change(Action.PLAN, "job", "instrument")
def job_unassign_instrument(asked: Asked) -> JobOutcome:
    """Take an instrument off an open job."""
    dispatch.unassign_instrument(asked.actor, asked.at("job"), asked.at("instrument"))
    return _as_it_stands(asked)


@change(Action.PLAN, takes=TravelIn, repeats=ANSWERED)
def travel_set(asked: Asked) -> TravelTimeOutcome:
    """Set the minutes between two sites, either way; again for a pair changes them."""
    given = asked.given
    row = travel.set_minutes(asked.actor, given["one"], given["other"], given["minutes"])
    return TravelTimeOutcome.of(travel_time=row)


@change(Action.PLAN, "travel")
def travel_forget(asked: Asked) -> Done:
    """Take a pair's own time away; the company's usual one counts again."""
    travel.forget(asked.actor, asked.at("travel"))
    return Done.of(done=True)


@change(Action.READ, "member", repeats=Repeats.SHOWN_ONCE)
def calendar_make(asked: Asked) -> CalendarOutcome:
    """Makes a private address to subscribe to (iCalendar, RFC 5545); the one before ends.

    One's own, or for planners anybody's.
    """
    row, address = calendars.make_address(asked.actor, asked.at("member"))
    return CalendarOutcome(address=address, made_at=row.made_at)


@change(Action.READ, "member")
def calendar_revoke(asked: Asked) -> Done:
    """Ends the address at once."""
    calendars.revoke_address(asked.actor, asked.at("member"))
    return Done.of(done=True)
