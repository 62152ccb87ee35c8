"""The planning board's pages without a script: what they show, refuse and carry out; forms of jobs."""

import csv
import io
from datetime import date, time, timedelta
from typing import Any

import pytest

from jobs import dispatch, travel
from jobs.models import Company, InstrumentKind, Job, JobStatus, PersonAssignment, Quantity, TravelTime
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World
from tests.jobs.test_bookings import SPRING, job_on, put
from tests.jobs.test_plan_doors import fetched
from tests.pages.conftest import In, value_of, words

pytestmark = pytest.mark.django_db
WEEK = "2026-W13"
"""The week that ends with the Sunday on which the clocks change."""


@pytest.fixture
def free(company_a: World) -> World:
    """The first company with nobody planned; the site is in London."""
    with company(company_a.id):
        dispatch.cancel_job(company_a.actor("owner"), company_a.job.id, seen=1, reason="Called off")
    return company_a


def test_only_planners_come_to_the_board(company_a: World, signed_in: In) -> None:
    addresses = ("/plan", "/plan/state", "/plan/table.csv", "/plan/travel", "/plan/calendars", "/jobs/new",
                 f"/jobs/{company_a.job.id}/change", f"/jobs/{company_a.job.id}/cancel",
                 f"/plan/place?job={company_a.job.id}&by=people")  # fmt: skip
    for role, status in (("owner", 200), ("dispatcher", 200), ("technician", 403), ("supervisor", 403)):
        client = signed_in(role)
        for address in addresses:
            assert client.get(address).status_code == status, (role, address)


def test_the_board_of_another_company_shows_nothing_of_this(
    free: World, company_b: World, signed_in: In
) -> None:
    with company(free.id):
        job = job_on(free, SPRING)
        put(free, job)
    client = signed_in("dispatcher", company_b)
    page = client.get(f"/plan?week={WEEK}")
    assert free.technician.name not in words(page)
    assert client.get(f"/plan/place?job={job.id}&by=people").status_code == 404
    body = {"job": job.id, "by": "people", "seen": 1, "who": company_b.technician.id,
            "starts_on": SPRING, "ends_on": SPRING}  # fmt: skip
    assert client.post("/plan/place", body).status_code == 404
    assert client.get(f"/jobs/{job.id}/change").status_code == 404


def test_a_week_and_a_month_show_the_days_of_the_site(free: World, signed_in: In) -> None:
    with company(free.id):
        far = factories.site(free.customer, "Quay", time_zone="Pacific/Kiritimati")
        job = job_on(free, SPRING, 2, site=far)
        put(free, job)
    client = signed_in("dispatcher")
    text = client.get(f"/plan?week={WEEK}").content.decode()
    assert text.count('<th scope="col" class="" data-day="2026-03-23">') == 1
    assert 'data-first="2026-03-29" data-last="2026-03-30"' in text
    after = client.get("/plan?week=2026-W14").content.decode()
    assert 'data-first="2026-03-29"' in after  # it goes on into the next week, and can be moved there
    month = client.get("/plan?month=2026-03&by=people").content.decode()
    assert month.count("data-day=") // (month.count("<tr ") + 1) == 31
    for odd in ("?week=2026-W54", "?month=2026-13", "?week=x&by=trees", "?month=0000-01", "?week=9999-W52"):
        assert client.get(f"/plan{odd}").status_code == 200


def test_names_are_filtered_and_the_plan_is_exported(free: World, signed_in: In) -> None:
    with company(free.id):
        Job.objects.filter(id=free.job.id).update(title="Other")
        job = job_on(free, SPRING)
        Job.objects.filter(id=job.id).update(title="=1+1")
        put(free, job)
    client = signed_in("dispatcher")
    page = client.get(f"/plan?week={WEEK}&q={free.technician.name.lower()}")
    assert free.supervisor.name not in words(page)
    assert "No name fits" in words(client.get(f"/plan?week={WEEK}&q=zzz"))
    answer = client.get(f"/plan/table.csv?week={WEEK}&by=people")
    (row,) = list(csv.DictReader(io.StringIO(answer.content.decode())))
    assert (row["who"], row["starts"]) == (free.technician.name, "2026-03-29T06:00:00+00:00")
    assert not row["title"].startswith("=")


def reread(world: World, job: Job) -> None:
    with company(world.id):
        job.refresh_from_db()


def place(client: Any, job: Job, **fields: Any) -> Any:
    values = {"job": job.id, "by": "people", "seen": job.version, "starts_on": job.starts_on,
              "ends_on": job.ends_on, "back": f"/plan?week={WEEK}"} | fields  # fmt: skip
    return client.post("/plan/place", {name: value for name, value in values.items() if value is not None})


def test_somebody_is_assigned_moved_handed_over_and_taken_off(free: World, signed_in: In) -> None:
    with company(free.id):
        job = job_on(free, SPRING - timedelta(days=1), 2)
    client, tech, other = signed_in("dispatcher"), free.technician.id, free.supervisor.id
    look = client.get(f"/plan/place?job={job.id}&by=people&who={tech}")
    assert "nothing speaks against it" in words(look)
    assert value_of(look, "seen") == "1"
    done = place(client, job, who=tech)
    assert (done.status_code, done["Location"]) == (302, f"/plan?week={WEEK}")
    reread(free, job)
    assert place(client, job, who=tech, was=tech, ends_on=job.starts_on, to_time="12:30").status_code == 302
    with company(free.id):
        row = PersonAssignment.objects.get(job=job)
        assert (row.ends_on, row.to_time) == (job.starts_on, time(12, 30))
        job.refresh_from_db()
    look = client.get(f"/plan/place?job={job.id}&by=people&was={tech}&who={other}")
    assert value_of(look, "to_time") == "12:30"
    assert place(client, job, who=other, was=tech).status_code == 302
    with company(free.id):
        assert [row.member_id for row in job.people.all()] == [other]
        job.refresh_from_db()
    body = {"job": job.id, "by": "people", "was": other, "seen": job.version, "back": "https://x.example/"}
    gone = client.post("/plan/take-off", body)
    assert gone["Location"] == "/plan"
    with company(free.id):
        assert not job.people.exists()


def test_a_conflict_is_refused_in_words_and_nothing_is_changed(free: World, signed_in: In) -> None:
    with company(free.id):
        held, job = job_on(free, SPRING), job_on(free, SPRING)
        put(free, held)
    client, tech = signed_in("dispatcher"), free.technician.id
    look = words(client.get(f"/plan/place?job={job.id}&by=people&who={tech}"))
    assert "would be refused" in look
    assert f"is on job {held.number} from 2026-03-29 to 2026-03-29" in look
    assert f"Fits {free.supervisor.name}" in look
    refused = place(client, job, who=tech)
    assert refused.status_code == 409
    assert f"is on job {held.number}" in words(refused)
    with company(free.id):
        assert not job.people.exists()
    part = client.post("/plan/place", {"job": job.id, "by": "people", "seen": 1, "who": tech,
                       "starts_on": SPRING, "ends_on": SPRING}, headers={"X-Flow-Part": "1"})  # fmt: skip
    assert part.status_code == 409
    assert b"<html" not in part.content


@pytest.mark.parametrize(
    ("fields", "status", "told"),
    [
        ({"starts_on": "2026-03-01"}, 422, "the job runs from 2026-03-29 to 2026-03-29"),
        ({"starts_on": "soon"}, 422, "Write the day as year-month-day"),
        ({"who": None}, 422, "Choose somebody"),
        ({"to_time": "06:00"}, 422, "must be later than the beginning"),
        ({"from_time": "25:00"}, 422, "Write a time of day"),
        ({"seen": 7}, 412, "changed since you looked"),
        ({"was": "01954e00-0000-7000-8000-000000000001"}, 404, ""),
    ],
)
def test_a_place_that_cannot_be_is_told_at_its_field(
    free: World, signed_in: In, fields: dict[str, Any], status: int, told: str
) -> None:
    with company(free.id):
        job = job_on(free, SPRING)
    answer = place(signed_in("dispatcher"), job, **({"who": free.technician.id} | fields))
    assert (answer.status_code, told in words(answer)) == (status, True), words(answer)
    with company(free.id):
        assert not job.people.exists()


def test_instruments_that_lapse_are_told_before_with_others_that_would_do(free: World, signed_in: In) -> None:
    with company(free.id):
        last = free.certificates["hood"].due_on + timedelta(days=1)
        job = job_on(free, last)
        factories.outlet(job.job_systems.get().system, "S-1", design_flow=0.09)
        spare = factories.instrument(
            InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005), serial="SPARE-1"
        )
        factories.certificate(
            spare, calibrated_on=last - timedelta(days=5), due_on=last + timedelta(days=300)
        )
    hood = free.instruments["hood"]
    page = words(signed_in("dispatcher").get(f"/plan/place?job={job.id}&by=instruments&who={hood.id}"))
    assert f"{hood} , {last} to {last}: would be refused" in page
    assert f"ends on {free.certificates['hood'].due_on}" in page
    assert f"Fits {spare}" in page


def test_a_board_notices_that_the_plan_changed(free: World, signed_in: In) -> None:
    with company(free.id):
        job = job_on(free, SPRING)
    client = signed_in("dispatcher")
    page = client.get(f"/plan?week={WEEK}").content.decode()
    before = client.get(f"/plan/state?week={WEEK}").content.decode()
    assert f'data-digest="{before}"' in page
    with company(free.id):
        put(free, job)
    assert client.get(f"/plan/state?week={WEEK}").content.decode() != before
    assert client.get("/plan/state?week=2026-W20").content.decode() != before


# Jobs


def job_fields(world: World, **fields: Any) -> dict[str, Any]:
    values = {
        "title": "Balance of the annexe",
        "systems": [str(world.system.id)],
        "starts_on": "2026-03-28",
        "ends_on": "2026-03-29",
        "tolerance_below": "",
        "tolerance_above": "5",
        "notes": "Gate code",
    }
    return values | fields  # fmt: skip


def test_a_job_is_planned_changed_and_cancelled(free: World, signed_in: In) -> None:
    client, address = signed_in("dispatcher"), f"/jobs/new?site={free.site.id}"
    assert free.site.name in words(client.get("/jobs/new"))
    assert free.system.tag in words(client.get(address))
    for bad, told in (
        ({"systems": []}, "Choose at least one system"),
        ({"title": ""}, "Enter a title"),
        ({"ends_on": "2026-03-01"}, "must not be before the first day"),
        ({"tolerance_below": "500"}, "must be a share"),
    ):
        answer = client.post(address, job_fields(free, **bad))
        assert (answer.status_code, told in words(answer)) == (422, True), words(answer)
    done = client.post(address, job_fields(free))
    with company(free.id):
        job = Job.objects.get(title="Balance of the annexe")
        assert (job.starts_on, job.tolerance_below, job.tolerance_above) == (date(2026, 3, 28), None, 0.05)
    assert done["Location"] == f"/plan/place?job={job.id}&by=people"
    change = f"/jobs/{job.id}/change"
    page = client.get(change)
    assert value_of(page, "tolerance_above") == "5"
    assert client.post(change, job_fields(free, title="Other", version=1)).status_code == 302
    assert "changed since you looked" in words(
        client.post(change, job_fields(free, title="Third", version=1))
    )
    cancel = f"/jobs/{job.id}/cancel"
    assert "Say why" in words(client.post(cancel, {"version": 2, "reason": " "}))
    assert client.post(cancel, {"version": 2, "reason": "The customer called it off."}).status_code == 302
    with company(free.id):
        job.refresh_from_db()
        assert job.status == JobStatus.CANCELLED
    assert "only an open job" in words(client.get(cancel))
    assert "only an open job" in words(client.get(change))


def test_a_new_job_waits_on_the_board(free: World, signed_in: In) -> None:
    with company(free.id):
        soon = Job.objects.get(id=free.job.id).starts_on + timedelta(days=2)
    client = signed_in("dispatcher")
    client.post(f"/jobs/new?site={free.site.id}", job_fields(free, starts_on=soon, ends_on=soon))
    page = words(client.get("/plan"))
    assert "Balance of the annexe" in page
    assert "nobody" in page


# Travel and calendars


def test_travel_times_are_set_and_removed(free: World, signed_in: In) -> None:
    with company(free.id):
        other = factories.site(free.customer, "Annexe")
    client, body = signed_in("dispatcher"), {"one": other.id, "other": free.site.id, "minutes": 25}
    assert client.post("/plan/travel", body).status_code == 302
    assert "choose another site" in words(client.post("/plan/travel", body | {"one": free.site.id}))
    assert "must be 0 to 1440" in words(client.post("/plan/travel", body | {"minutes": 9999}))
    assert "Choose a site" in words(client.post("/plan/travel", body | {"one": ""}))
    page = words(client.get("/plan/travel"))
    assert "Annexe" in page
    with company(free.id):
        row = TravelTime.objects.get()
        assert row.minutes == 25
    assert client.post(f"/plan/travel/{row.id}/forget").status_code == 302
    with company(free.id):
        assert not TravelTime.objects.exists()


def test_a_person_makes_and_ends_their_calendar_address(free: World, signed_in: In) -> None:
    client = signed_in("technician")
    assert "No address yet" in words(client.get("/calendar"))
    assert client.post("/calendar").status_code == 302
    page = client.get("/calendar").content.decode()
    address = page.partition('<code class="secret">')[2].partition("<")[0]
    assert fetched(address).status_code == 200
    assert address not in client.get("/calendar").content.decode()
    assert client.post("/calendar", {"act": "revoke"}).status_code == 302
    assert fetched(address).status_code == 404


def test_a_dispatcher_makes_and_ends_it_for_somebody(free: World, company_b: World, signed_in: In) -> None:
    client = signed_in("dispatcher")
    assert client.post("/plan/calendars", {"member": free.technician.id}).status_code == 302
    address = client.get("/plan/calendars").content.decode().partition('class="secret">')[2].partition("<")[0]
    assert fetched(address).status_code == 200
    for wrong in (company_b.technician.id, "x"):
        assert client.post("/plan/calendars", {"member": wrong}).status_code == 404
    client.post("/plan/calendars", {"member": free.technician.id, "act": "revoke"})
    assert fetched(address).status_code == 404


def test_a_short_way_is_listed_under_the_board(free: World, signed_in: In) -> None:
    with company(free.id):
        other = factories.site(free.customer, "Annexe")
        put(free, job_on(free, SPRING), to_time=time(12))
        put(free, job_on(free, SPRING, site=other), from_time=time(12, 15))
        travel.set_minutes(free.actor("owner"), free.site.id, other.id, 40)
        Company.objects.update(travel_minutes=0)
    page = words(signed_in("dispatcher").get(f"/plan?week={WEEK}"))
    assert "Does not fit any more" in page
    assert "takes 40 min; 15 are left" in page
