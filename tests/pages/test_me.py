"""Units per person: chosen by oneself, shown on every page, and never in what is kept or sent."""

import re
import zlib

import pytest

from jobs import people
from jobs.access import actor_for_member
from jobs.errors import Forbidden, Invalid, PreconditionFailed
from jobs.models import Company, Event, Member
from jobs.tenancy.context import company
from measurements.models import Reading, Session
from measurements.worklist import worklist
from reports.models import Revision
from tests import factories
from tests.doors import walk
from tests.doors.client import assert_problem, with_key, with_token
from tests.doors.client import signed_in as api
from tests.factories import World
from tests.pages.conftest import In, value_of, words

pytestmark = pytest.mark.django_db


def choose(world: World, role: str, units: str) -> None:
    with company(world.id):
        Member.objects.filter(email=world.users[role].email).update(unit_system=units)


def test_people_choose_the_units_on_their_own_screen(signed_in: In, company_a: World) -> None:
    client = signed_in("technician")
    page = client.get("/me")
    assert "The company works in SI" in words(page)
    answer = client.post("/me", {"version": value_of(page, "version"), "unit_system": "IP"}, follow=True)
    assert "Your settings are changed." in words(answer)
    with company(company_a.id):
        chosen = dict(Member.objects.values_list("email", "unit_system"))
        event = Event.objects.filter(verb="member.changed").get()
    assert chosen.pop(company_a.users["technician"].email) == "IP"
    assert set(chosen.values()) == {""}  # nobody else's
    assert event.data["fields"] == ["unit_system"]


def test_what_cannot_be_chosen_is_refused_at_the_form(signed_in: In, company_a: World) -> None:
    client = signed_in("dispatcher")
    version = value_of(client.get("/me"), "version")
    wrong = client.post("/me", {"version": version, "unit_system": "cubits"})
    assert wrong.status_code == 422
    client.post("/me", {"version": version, "unit_system": "IP"})
    late = client.post("/me", {"version": version, "unit_system": "SI"})
    assert late.status_code == 422
    assert "changed since you looked" in words(late)
    with company(company_a.id):
        assert Member.objects.get(email=company_a.users["dispatcher"].email).unit_system == "IP"


def test_only_people_have_settings(company_a: World) -> None:
    with company(company_a.id):
        actor = company_a.actor("technician")
        with pytest.raises(PreconditionFailed):
            people.change_own(actor, 99, unit_system="IP")
        with pytest.raises(Invalid):
            people.change_own(actor, 1, unit_system="ip")
        nobody = type(actor)(company_id=company_a.id, roles=actor.roles)
        with pytest.raises(Forbidden):
            people.change_own(nobody, 1, unit_system="IP")


def test_the_door_for_oneself(company_a: World) -> None:
    person = with_token(company_a.technician_token)
    seen = person.get("/me")
    changed = person.send("PATCH", "/me", {"unit_system": "IP"}, **{"If-Match": seen["ETag"]})
    assert changed.status_code == 200
    assert changed.json()["unit_system"] == "IP"
    assert changed.json()["roles"] == ["technician"]
    assert person.get("/field/worklist").json()["person"]["units"] == "ip"
    assert_problem(person.send("PATCH", "/me", {"unit_system": "SI"}, **{"If-Match": seen["ETag"]}), 412)
    assert_problem(person.send("PATCH", "/me", {"unit_system": "SI"}), 428)
    tag = {"If-Match": changed["ETag"]}
    assert_problem(person.send("PATCH", "/me", {"unit_system": "si"}, **tag), 422)
    assert_problem(person.send("PATCH", "/me", {"unit_system": "SI", "roles": ["owner"]}, **tag), 422)
    for stranger in (with_key(company_a), with_token(company_a.tablet)):
        assert_problem(stranger.send("PATCH", "/me", {"unit_system": "SI"}, **{"If-Match": '"1"'}), 403)
    back = api(company_a, "technician").send("PATCH", "/me", {"unit_system": ""}, **tag)
    assert back.status_code == 200
    assert person.get("/field/worklist").json()["person"]["units"] == "si"


def test_the_worklist_follows_the_company_until_somebody_chooses(company_a: World) -> None:
    with company(company_a.id):
        Company.objects.update(unit_system="IP")
        technician = actor_for_member(Member.objects.get(id=company_a.technician.id))
        assert worklist(technician).content["person"]["units"] == "ip"
    choose(company_a, "technician", "SI")
    with company(company_a.id):
        technician = actor_for_member(Member.objects.get(id=company_a.technician.id))
        assert worklist(technician).content["person"]["units"] == "si"


@pytest.fixture
def full() -> World:
    return walk.full_world("Northgate Air Balance")


FIGURES = {
    "session": (r"\d L/s\b", r"\d (cfm|ft³/min)"),
    "review": (r"\d L/s\b", r"\d (cfm|ft³/min)"),
    "job": (r"\d L/s\b", r"\d (cfm|ft³/min)"),
    "instrument": (r"\d L/s\b", r"\d (cfm|ft³/min)"),
    "site": (r"\d m above sea", r"\d ft above sea"),
}


def test_two_people_of_one_company_see_one_page_in_their_own_units(signed_in: In, full: World) -> None:
    choose(full, "technician", "IP")
    choose(full, "supervisor", "IP")
    with company(full.id):
        found = Session.objects.filter(test_point__tag="S-1").first()
        assert found is not None
        entered = list(Reading.objects.filter(session=found).values_list("entered", "unit"))
    addresses = {
        "session": f"/sessions/{found.id}",
        "job": f"/jobs/{full.job.id}",
        "instrument": f"/instruments/{full.instruments['hood'].id}",
        "site": f"/sites/{full.site.id}",
    }
    metric, inch = signed_in("owner", full), signed_in("technician", full)
    for name, address in addresses.items():
        si, ip = FIGURES[name]
        here, there = words(metric.get(address)), words(inch.get(address))
        assert re.search(si, here), name
        assert re.search(ip, there), name
        assert not re.search(ip, here), name
    reviewed = words(signed_in("supervisor", full).get(f"/review/{full.job.id}"))
    assert re.search(FIGURES["review"][1], reviewed)
    shown = [words(one.get(addresses["session"])) for one in (metric, inch)]
    readings = [one.partition("as they were shown")[2] for one in shown]
    assert readings[0] == readings[1]
    for value, unit in entered:
        assert f"{value} {unit}" in readings[1]


def test_what_is_kept_and_sent_stays_in_the_companys_units(signed_in: In, full: World) -> None:
    choose(full, "supervisor", "IP")
    with company(full.id):
        assert '"units":"SI"' in _snapshot(Revision.objects.earliest("revision"))
    client = signed_in("owner", full)
    before = client.get("/instruments/due.csv").content
    choose(full, "owner", "IP")
    assert client.get("/instruments/due.csv").content == before
    asked = [api(full, "supervisor").get(f"/sessions/{one}") for one in _sessions(full)]
    told = [with_key(full).get(f"/sessions/{one}") for one in _sessions(full)]
    assert [one.json() for one in asked] == [one.json() for one in told]


def _sessions(world: World) -> list[str]:
    with company(world.id):
        return [str(one) for one in Session.objects.values_list("id", flat=True)[:3]]


def _snapshot(row: Revision) -> str:
    return zlib.decompress(row.snapshot).decode()


def test_units_of_another_company_are_its_own(signed_in: In, company_a: World, company_b: World) -> None:
    choose(company_a, "owner", "IP")
    page = words(signed_in("owner", company_b).get("/me"))
    assert company_b.users["owner"].email in page
    with company(company_b.id):
        assert set(Member.objects.values_list("unit_system", flat=True)) == {""}
    assert factories.FIRST not in page
