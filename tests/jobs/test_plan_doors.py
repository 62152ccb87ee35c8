"""The board, candidates, travel and calendars by the API; mails of changes; what the tablet hears."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import icalendar
import pytest
from django.core import mail
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.logs import JsonFormatter
from jobs import calendars, dispatch, due, plan_mail, travel
from jobs.board import board, candidates, span, the_job
from jobs.bookings import Kind, release, spell_of
from jobs.errors import Forbidden, NotFound
from jobs.models import (
    CalendarAddress,
    Company,
    DueState,
    DueWork,
    Event,
    InstrumentKind,
    Lapse,
    Member,
    PersonAssignment,
    PlanNotice,
    Quantity,
    User,
)
from jobs.tenancy.context import company, company_var
from measurements.worklist import worklist
from tests import factories
from tests.doors.client import Caller, assert_problem, signed_in, with_key, with_token
from tests.factories import World
from tests.jobs.test_bookings import SPRING, job_on, put

pytestmark = pytest.mark.django_db


@pytest.fixture
def free(company_a: World) -> World:
    """The first company with nobody planned; the site is in London."""
    with company(company_a.id):
        dispatch.cancel_job(company_a.actor("owner"), company_a.job.id, seen=1, reason="Called off")
    return company_a


def test_the_board_shows_lines_bookings_and_what_waits(free: World) -> None:
    with company(free.id):
        job, bare = (
            job_on(free, timezone.now().date(), 3),
            job_on(free, timezone.now().date() + timedelta(days=30)),
        )
        factories.outlet(job.job_systems.get().system, "S-1")
        put(free, job, ends_on=job.starts_on, to_time=time(12))
    caller = with_key(free)
    answer = caller.get(f"/plan?from={job.starts_on}&days=7&by=people")
    assert answer.status_code == 200
    found = answer.json()
    assert found["days"][0] == str(job.starts_on)
    assert len(found["days"]) == 7
    names = {line["name"]: line for line in found["lines"]}
    assert set(names) == {free.technician.name, free.supervisor.name}
    (one,) = names[free.technician.name]["bookings"]
    assert (one["number"], one["to_time"], one["time_zone"], one["against"]) == (
        job.number, "12:00:00", "Europe/London", [],
    )  # fmt: skip
    waiting = {one["number"]: one["lacks"] for one in found["waiting"]}
    assert waiting[bare.number] == ["nobody"]
    day = job.starts_on + timedelta(days=1)
    assert waiting[job.number] == [f"nobody on {day} and 1 more", "no instrument for outlets"]
    tag = answer["ETag"]
    again = caller.get(f"/plan?from={job.starts_on}&days=7&by=people", **{"If-None-Match": tag})
    assert again.status_code == 304
    with company(free.id):
        put(free, job)
    assert caller.get(f"/plan?from={job.starts_on}", **{"If-None-Match": tag}).status_code == 200


@pytest.mark.parametrize(
    "query", ["days=0", "days=43", "days=x", "from=soon", "by=trees", "from=9999-12-30&days=7", "week=1"]
)
def test_a_board_that_makes_no_sense_is_refused(company_a: World, query: str) -> None:
    assert_problem(with_key(company_a).get(f"/plan?{query}"), 422, "invalid")


def test_the_board_takes_the_same_statements_at_any_size(free: World) -> None:
    with company(free.id):
        actor, days = free.actor("dispatcher"), span(SPRING, 7)
        first = job_on(free, SPRING)
        put(free, first)
        counts: dict[Any, list[int]] = {}
        for _ in range(2):
            for by in Kind:
                with CaptureQueriesContext(connection) as seen:
                    board(actor, days, by)
                counts.setdefault(by, []).append(len(seen))
                with CaptureQueriesContext(connection) as seen:
                    job = the_job(actor, first.id)
                    candidates(actor, job, by, spell_of(job, Company.objects.get()))
                counts.setdefault((by, "look"), []).append(len(seen))
            for n in range(8):
                member = factories.make_member(free.id, factories.Role.TECHNICIAN)
                tool = factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005))
                factories.certificate(tool)
                other = job_on(free, SPRING + timedelta(days=n % 5))
                factories.outlet(other.job_systems.get().system, "S-1")
                factories.assign(other, member, tool)
        assert all(len(set(pair)) == 1 for pair in counts.values()), counts


def test_candidates_say_who_is_free_and_what_would_do(free: World) -> None:
    with company(free.id):
        here = job_on(free, SPRING, 2)
        factories.outlet(here.job_systems.get().system, "S-1", design_flow=0.09)
        clash = job_on(free, SPRING)
        put(free, clash)
        lapsing = factories.instrument(
            InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005), serial="L"
        )
        factories.certificate(lapsing, calibrated_on=SPRING - timedelta(days=300), due_on=SPRING)
        small = factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.5, 1.2, 0.0005), serial="R")
        factories.certificate(
            small, calibrated_on=SPRING - timedelta(days=30), due_on=SPRING + timedelta(days=90)
        )
        good = factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005), serial="G")
        factories.certificate(
            good, calibrated_on=SPRING - timedelta(days=30), due_on=SPRING + timedelta(days=90)
        )
    caller = with_key(free)
    people = {one["name"]: one for one in caller.get(f"/jobs/{here.id}/candidates").json()["candidates"]}
    assert people[free.supervisor.name]["fits"] is True
    assert f"is on job {clash.number}" in people[free.technician.name]["refused"][0]
    second = caller.get(f"/jobs/{here.id}/candidates?starts_on={SPRING + timedelta(days=1)}").json()
    assert all(one["fits"] for one in second["candidates"])
    found = caller.get(f"/jobs/{here.id}/candidates?kind=instruments").json()["candidates"]
    tools = {one["id"]: one for one in found}
    assert found[0]["id"] == str(good.id)
    assert tools[str(good.id)]["fits"]
    assert "ends on 2026-03-29" in tools[str(lapsing.id)]["refused"][0]
    assert "range does not hold" in tools[str(small.id)]["refused"][0]
    with company(free.id):
        Company.objects.update(calibration_lapse=Lapse.WARN)
    found = caller.get(f"/jobs/{here.id}/candidates?kind=instruments").json()["candidates"]
    assert {one["id"]: one["fits"] for one in found}[str(lapsing.id)] is True
    for query in (
        "from_time=25:00",
        "from_time=7",
        "kind=x",
        "starts_on=2026-03-01",
        "to_time=06:00&ends_on=2026-03-29",
    ):
        assert_problem(caller.get(f"/jobs/{here.id}/candidates?{query}"), 422, "invalid")


def test_an_assignment_with_times_by_the_api(free: World) -> None:
    with company(free.id):
        one, two = job_on(free, SPRING), job_on(free, SPRING)
    caller, member = with_key(free), str(free.technician.id)
    first = caller.post(f"/jobs/{one.id}/people", {"member": member, "to_time": "12:00"})
    assert first.json()["people"][0]["ends_at"] == "2026-03-29T11:00:00Z"
    refused = caller.post(f"/jobs/{two.id}/people", {"member": member, "from_time": "11:00"})
    assert_problem(refused, 409, "conflict")
    assert refused.json()["errors"][0]["detail"].startswith(f"is on job {one.number} from")
    assert caller.post(f"/jobs/{two.id}/people", {"member": member, "from_time": "12:00"}).status_code == 200


def test_travel_by_the_api(free: World) -> None:
    with company(free.id):
        other = factories.site(free.customer, "Annexe")
    caller, body = with_key(free), {"one": str(other.id), "other": str(free.site.id), "minutes": 25}
    made = caller.post("/travel", body)
    assert (made.status_code, made.json()["minutes"]) == (200, 25)
    assert caller.get("/travel").json()["items"][0]["id"] == made.json()["id"]
    assert caller.send("DELETE", f"/travel/{made.json()['id']}", None).status_code == 204
    assert caller.get("/travel").json()["items"] == []
    assert_problem(caller.send("DELETE", f"/travel/{made.json()['id']}", None), 404)


def test_a_way_set_later_shows_on_the_board(free: World) -> None:
    with company(free.id):
        actor, other = free.actor("dispatcher"), factories.site(free.customer, "Annexe")
        put(free, job_on(free, SPRING), to_time=time(12))
        put(free, job_on(free, SPRING, site=other), from_time=time(12, 15))
        travel.set_minutes(actor, free.site.id, other.id, 40)
        bars = [bar for line in board(actor, span(SPRING, 1), Kind.PEOPLE).lines for bar in line.bars]
        assert [bar.against for bar in bars] == [
            (),
            ("The way from Public library takes 40 min; 15 are left.",),
        ]


def test_who_was_let_go_by_a_job_that_is_opened_again_shows_on_the_board(free: World) -> None:
    with company(free.id):
        job = job_on(free, SPRING)
        put(free, job)
        release(job)
        actor = free.actor("dispatcher")

        def against() -> list[Any]:
            lines = board(actor, span(SPRING, 1), Kind.PEOPLE).lines
            return [bar.against for line in lines for bar in line.bars]

        assert against() == [("It is not held: the job was closed in between. Set the days again.",)]
        put(free, job)
        assert against() == [()]


def test_a_certificate_that_lapses_shows_on_the_board(free: World) -> None:
    with company(free.id):
        Company.objects.update(calibration_lapse=Lapse.WARN)
        actor, tool = free.actor("dispatcher"), free.instruments["hood"]
        due_on = free.certificates["hood"].due_on
        job = job_on(free, due_on, 3)
        dispatch.assign_instrument(actor, job.id, instrument_id=tool.id)
        lines = board(actor, span(due_on, 7), Kind.INSTRUMENTS).lines
        line = next(one for one in lines if one.id == tool.id)
        assert line.remark == f"certificate to {due_on}"
        last = due_on + timedelta(days=2)
        assert line.bars[0].against == (f"Its certificate ends on {due_on}, before {last}.",)


# The tablet


def test_the_tablets_worklist_changes_with_the_plan(free: World) -> None:
    today = timezone.now().date()
    with company(free.id):
        job = job_on(free, today, 2)
        put(free, job)
    caller = with_token(free.technician_token)
    first = caller.get("/field/worklist")
    tag = {"If-None-Match": first["ETag"]}
    assert first.json()["jobs"][0]["planned"]["starts_on"] == str(today)
    assert caller.get("/field/worklist", **tag).status_code == 304
    with company(free.id):
        put(free, job, from_time=time(13))
    moved = caller.get("/field/worklist", **tag)
    assert moved.status_code == 200
    assert moved.json()["jobs"][0]["planned"]["starts_at"] != first.json()["jobs"][0]["planned"]["starts_at"]
    with company(free.id):
        dispatch.unassign_person(free.actor("owner"), job.id, free.technician.id)
        assert worklist(free.actor("technician")).content["jobs"] == []


# Calendars


def fetched(address: str, **headers: str) -> Any:
    return Client().get("/" + address.split("/", 3)[3], headers=headers)


def events_of(answer: Any) -> list[Any]:
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    return list(icalendar.Calendar.from_ical(answer.content).walk("VEVENT"))


def test_a_calendar_is_right_over_the_change_of_clocks_and_follows_the_plan(free: World) -> None:
    soon = timezone.now().date() + timedelta(days=3)
    with company(free.id):
        days = sorted({SPRING, date(2027, 3, 28), soon})
        jobs = [job_on(free, day) for day in days]
        for job in jobs:
            put(free, job)
        PersonAssignment.objects.filter(job=jobs[0]).update()
        address = calendars.make_address(free.actor("technician"), free.technician.id)[1]
    answer = fetched(address)
    found = {event["SUMMARY"].split()[0]: event for event in events_of(answer)}
    spring = jobs[days.index(date(2027, 3, 28))]
    event = found[str(spring.number)]
    assert event.decoded("dtstart") == datetime(2027, 3, 28, 6, tzinfo=UTC)  # 07:00 by the clock there
    assert event.decoded("dtend") == datetime(2027, 3, 28, 16, tzinfo=UTC)
    assert str(event["LOCATION"]).startswith("Public library")
    assert "Europe/London" in event["DESCRIPTION"]
    assert fetched(address, **{"If-None-Match": answer["ETag"]}).status_code == 304
    with company(free.id):
        put(free, spring, from_time=time(9))
    moved = {str(one["UID"]): one for one in events_of(fetched(address, **{"If-None-Match": answer["ETag"]}))}
    again = moved[str(event["UID"])]
    assert again["SEQUENCE"] > event["SEQUENCE"]
    assert again.decoded("dtstart") == datetime(2027, 3, 28, 8, tzinfo=UTC)
    with company(free.id):
        spring.refresh_from_db()
        dispatch.cancel_job(free.actor("owner"), spring.id, seen=spring.version, reason="Called off")
        other = jobs[days.index(soon)]
        dispatch.unassign_person(free.actor("owner"), other.id, free.technician.id)
    last = {str(one["UID"]): one for one in events_of(fetched(address))}
    assert last[str(event["UID"])]["STATUS"] == "CANCELLED"
    assert last[str(event["UID"])]["SEQUENCE"] > again["SEQUENCE"]
    assert not [uid for uid in last if uid.startswith(str(other.id))]


def test_a_calendar_names_nobody_else(free: World) -> None:
    with company(free.id):
        job = job_on(free, timezone.now().date())
        job.notes = "Ask for Mira Lund at the gate, 0123"
        job.save()
        put(free, job)
        dispatch.assign_person(free.actor("owner"), job.id, member_id=free.supervisor.id)
        address = calendars.make_address(free.actor("technician"), free.technician.id)[1]
    text = fetched(address).content.decode()
    assert "BEGIN:VEVENT" in text
    for word in (free.supervisor.name, free.supervisor.email, free.technician.email, "Mira", "0123"):
        assert word not in text.replace("\r\n ", "")


def test_an_address_is_kept_as_a_hash_and_ends_when_revoked(free: World, company_b: World) -> None:
    with company(free.id):
        row, address = calendars.make_address(free.actor("technician"), free.technician.id)
        secret = address.rsplit(".", 2)[1]
        assert secret.encode() not in bytes(row.secret_hash)
        assert len(bytes(row.secret_hash)) == 32
        assert secret not in repr(list(Event.objects.values_list("data", flat=True)))
    assert fetched(address).status_code == 200
    wrong = [address.replace(secret, "x" * 43), address.replace(".ics", ""), address[:-6] + ".ics"]
    with company(company_b.id):
        other = calendars.make_address(company_b.actor("technician"), company_b.technician.id)[1]
    mixed = other.rsplit("/", 1)[0] + "/" + other.rsplit("/", 1)[1].split(".")[0] + "." + secret + ".ics"
    for one in [*wrong, mixed]:
        answer = fetched(one)
        assert (answer.status_code, b"VEVENT" in answer.content) == (404, False)
    with company(free.id):
        second = calendars.make_address(free.actor("dispatcher"), free.technician.id)[1]
    assert (fetched(address).status_code, fetched(second).status_code) == (404, 200)
    with company(free.id):
        calendars.revoke_address(free.actor("dispatcher"), free.technician.id)
        assert CalendarAddress.objects.filter(revoked_at=None).count() == 0
    assert fetched(second).status_code == 404


def test_who_left_or_was_shut_out_has_no_calendar(free: World) -> None:
    with company(free.id):
        address = calendars.make_address(free.actor("technician"), free.technician.id)[1]
        Member.objects.filter(id=free.technician.id).update(active=False)
    assert fetched(address).status_code == 404
    with company(free.id):
        Member.objects.filter(id=free.technician.id).update(active=True)
    User.objects.filter(id=free.technician.user_ref).update(is_active=False)
    assert fetched(address).status_code == 404


def test_an_address_is_made_by_its_person_and_by_planners(free: World, company_b: World) -> None:
    with company(free.id):
        for role in ("owner", "dispatcher", "technician"):
            calendars.make_address(free.actor(role), free.technician.id)
        for act in (calendars.make_address, calendars.revoke_address, calendars.address_of):
            with pytest.raises(Forbidden):
                act(free.actor("supervisor"), free.technician.id)
            with pytest.raises(NotFound):
                act(free.actor("owner"), company_b.technician.id)


def test_calendar_addresses_by_the_api(free: World) -> None:
    person: Caller = signed_in(free, "technician")
    path = f"/members/{free.technician.id}/calendar"
    assert person.get(path).json()["made_at"] is None
    made = person.post(path, {})
    assert made.status_code == 201
    assert fetched(made.json()["address"]).status_code == 200
    assert "address" not in person.get(path).json()
    assert_problem(person.get(f"/members/{free.owner.id}/calendar"), 403)
    assert person.send("DELETE", path, None).status_code == 204
    assert fetched(made.json()["address"]).status_code == 404


def test_a_private_address_stands_in_no_log_line(free: World, caplog: Any) -> None:
    with company(free.id):
        address = calendars.make_address(free.actor("technician"), free.technician.id)[1]
    secret = address.rsplit(".", 2)[1]
    fetched(address.replace(".ics", "x.ics"))
    lines = [JsonFormatter().format(record) for record in caplog.records]
    assert any("/calendar/…" in line for line in lines)
    assert not any(secret in line for line in lines)


# Mails


@pytest.fixture
def mails(free: World) -> World:
    with company(free.id):
        Company.objects.update(plan_mails=True)
    return free


def work_now(world: World) -> None:
    """Lets the quiet minutes pass, then does what is due."""
    with company(world.id):
        DueWork.objects.filter(kind=plan_mail.MAIL).update(due_at=timezone.now())
        piece = due.claim([plan_mail.MAIL])
    if piece:
        due.do(world.id, piece)


@pytest.mark.django_db(transaction=True)
def test_several_changes_make_one_mail_that_says_how_it_is_then() -> None:
    world = factories.make_world()
    with company(world.id):
        Company.objects.update(plan_mails=True)
        dispatch.cancel_job(world.actor("owner"), world.job.id, seen=1, reason="Called off")
        one, two = job_on(world, SPRING, 3), job_on(world, SPRING + timedelta(days=5))
        put(world, one)
        put(world, one, from_time=time(9))
        put(world, two)
        dispatch.unassign_person(world.actor("owner"), two.id, world.technician.id)
        work = DueWork.objects.get(kind=plan_mail.MAIL)
        assert timedelta(minutes=4) < work.due_at - timezone.now() <= plan_mail.QUIET
        assert due.claim([plan_mail.MAIL]) is None
    work_now(world)
    (sent,) = mail.outbox
    assert sent.to == [world.technician.email]
    assert f"Job {world.job.number}, {world.job.title}, Public library: cancelled." in sent.body
    assert "2026-03-29 09:00 to 2026-03-31, by the clock at the site (Europe/London)" in sent.body
    assert f"Job {two.number}" in sent.body
    assert "you are not on it any more" in sent.body
    with company(world.id):
        assert not DueWork.objects.filter(kind=plan_mail.MAIL).exists()
        assert not PlanNotice.objects.filter(sent_at=None).exists()
    work_now(world)
    assert len(mail.outbox) == 1


@pytest.mark.django_db(transaction=True)
def test_what_changes_while_a_mail_goes_out_gets_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    world = factories.make_world()
    with company(world.id):
        Company.objects.update(plan_mails=True)
        dispatch.cancel_job(world.actor("owner"), world.job.id, seen=1, reason="Called off")
        one, two = job_on(world, SPRING), job_on(world, SPRING + timedelta(days=5))
        put(world, one)
    send = mail_send = plan_mail.mail.send

    def slowly(*args: Any) -> None:
        with company_var(world.id), company(world.id):
            put(world, two)
        mail_send(*args)

    monkeypatch.setattr(plan_mail.mail, "send", slowly)
    work_now(world)
    monkeypatch.setattr(plan_mail.mail, "send", send)
    with company(world.id):
        work = DueWork.objects.get(kind=plan_mail.MAIL)
        assert work.state == DueState.DUE
        assert work.lease_id is None
    work_now(world)
    assert len(mail.outbox) == 2
    assert f"Job {two.number}" in mail.outbox[1].body
    assert f"Job {one.number}" not in mail.outbox[1].body


def test_nobody_is_mailed_unless_the_company_wants_it_nor_of_their_own_act(free: World) -> None:
    with company(free.id):
        put(free, job_on(free, SPRING))
        assert not PlanNotice.objects.exists()
        Company.objects.update(plan_mails=True)
        both = factories.make_member(free.id, factories.Role.DISPATCHER, factories.Role.TECHNICIAN)
        job = job_on(free, SPRING + timedelta(days=3))
        dispatch.assign_person(factories.actor_for_member(both), job.id, member_id=both.id)
        assert not PlanNotice.objects.exists()
