"""Makes a company with a plan around the weekend on which the clocks change in Europe (2027-03-28)."""

from datetime import date, time, timedelta
from typing import Any

SUNDAY = date(2027, 3, 28)
"""From 01:00 to 02:00 by the clock there is no time in London (tz database)."""


def make() -> dict[str, Any]:
    """Ids, names and e-mails as text."""
    from jobs import dispatch
    from jobs.models import InstrumentKind, Lapse, Member, Quantity, Role
    from jobs.tenancy.context import company
    from tests import factories
    from tests.pages.recall_seed import NAME

    world = factories.make_world(NAME, calibration_lapse=Lapse.WARN)
    with company(world.id):
        owner = world.actor("owner")
        dispatch.cancel_job(owner, world.job.id, seen=1, reason="Called off")
        world.technician.name = "Asta Brook"
        world.supervisor.name = "Corin Vale"
        for member in (world.technician, world.supervisor):
            member.save()
        second: Member = factories.make_member(world.id, Role.TECHNICIAN)
        second.name = "Bela Marsh"
        second.save()
        school = factories.site(world.customer, "Quayside school")
        hall = factories.system(school, "AHU-2")
        factories.standard_points(hall)

        def job(title: str, first: date, days: int, where: Any = world.site, what: Any = world.system) -> Any:
            return factories.job(
                where, what, title=title, starts_on=first, ends_on=first + timedelta(days=days - 1)
            )

        weekend = job("Night purge of the reading rooms", SUNDAY - timedelta(days=2), 4)
        morning = job("Balance of the hall", SUNDAY, 1, school, hall)
        noon = job("Outlets of the hall", SUNDAY, 1, school, hall)
        early = job("Balance of the stacks", SUNDAY - timedelta(days=6), 3)
        waits = job("Balance of the annexe", SUNDAY - timedelta(days=4), 3, school, hall)
        dispatch.assign_person(owner, early.id, member_id=second.id)
        dispatch.assign_person(owner, morning.id, member_id=world.supervisor.id, to_time=time(12))
        dispatch.assign_person(owner, noon.id, member_id=world.supervisor.id, from_time=time(12))
        dispatch.assign_person(
            owner, weekend.id, member_id=world.technician.id, starts_on=SUNDAY - timedelta(days=1),
            ends_on=SUNDAY,
        )  # fmt: skip
        spare = factories.instrument(
            InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005), serial="FH-0202"
        )
        factories.certificate(spare, calibrated_on=date(2026, 9, 1), due_on=date(2027, 3, 27))
        dispatch.assign_instrument(owner, morning.id, instrument_id=spare.id)
        dispatch.assign_instrument(owner, weekend.id, instrument_id=world.instruments["pressure"].id)
    return {
        "company": str(world.id),
        "dispatcher": world.users["dispatcher"].email,
        "technician": world.users["technician"].email,
        "technician_id": str(world.technician.id),
        "second_id": str(second.id),
        "supervisor_id": str(world.supervisor.id),
        "token": world.technician_token,
        "key": world.key_text,
        "weekend": str(weekend.id),
        "morning": str(morning.id),
        "waits": str(waits.id),
        "site": str(world.site.id),
        "school": str(school.id),
    }
