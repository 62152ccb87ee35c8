"""A company's settings, its making and its log."""

from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from jobs import companies, events, people
from jobs.companies import create_company
from jobs.errors import Invalid
from jobs.models import Company, Event
from jobs.tenancy.context import company
from tests.doors.client import assert_problem, pointers, signed_in, with_key, with_token
from tests.factories import World

NEW = {"name": "Lowland Air", "owner_email": "Owner@lowland.example", "owner_name": "O. Person"}


class TestMaking:
    def test_owner_chooses_a_password_by_the_link(self, db: None) -> None:
        made = create_company(**NEW, time_zone="Europe/Dublin")
        assert made.link is not None
        user = people.set_password(*made.link.split("/")[-2:], "quiet plenum morning")
        assert people.places_of(user)[0].company_name == "Lowland Air"
        assert people.places_of(user)[0].name == "O. Person"

    def test_who_has_a_password_keeps_it(self, company_a: World) -> None:
        email = company_a.owner.email
        made = create_company(**(NEW | {"owner_email": email}))
        assert made.link is None
        assert len(people.places_of(company_a.users["owner"])) == 2

    def test_command_prints_the_link(self, db: None) -> None:
        out = StringIO()
        call_command("create_company", "Lowland Air", owner_email="o@l.example", owner_name="O", stdout=out)
        assert "/password/" in out.getvalue()
        assert "Lowland Air" in out.getvalue()

    @pytest.mark.parametrize(
        ("change", "place"),
        [
            ({"name": " "}, "/name"),
            ({"time_zone": "Mars/North"}, "/time_zone"),
            ({"owner_email": "nobody"}, "/owner_email"),
            ({"owner_name": ""}, "/owner_name"),
        ],
    )
    def test_bad_input_names_its_place(self, db: None, change: dict[str, str], place: str) -> None:
        with pytest.raises(Invalid) as refused:
            create_company(**(NEW | change))
        assert [fault.pointer for fault in refused.value.faults] == [place]

    def test_command_says_what_is_wrong(self, db: None) -> None:
        with pytest.raises(CommandError, match="IANA"):
            call_command("create_company", "L", owner_email="o@l.example", owner_name="O", time_zone="X/Y")


class TestSettings:
    def test_change_holds_and_is_logged(self, company_a: World) -> None:
        owner = signed_in(company_a)
        before = owner.get("/company")
        assert before["ETag"].startswith('"1:')
        answer = owner.patch("/company", {"letterhead": "1 Mill Lane\nNorthgate", "tolerance_below": 0.05}, 1)
        assert answer.status_code == 200
        assert answer["ETag"] == '"2"'
        assert answer.json()["tolerance_below"] == 0.05
        with company(company_a.id):
            event = Event.objects.get(verb="company.changed")
        assert event.data["changed"]["tolerance_below"] == [0.1, 0.05]

    def test_stale_and_blind_changes_are_refused(self, company_a: World) -> None:
        owner = signed_in(company_a)
        assert owner.patch("/company", {"paper": "Letter"}, 1).status_code == 200
        assert_problem(owner.patch("/company", {"paper": "A4"}, 1), 412, "changed-meanwhile")
        assert_problem(owner.patch("/company", {"paper": "A4"}, None), 428)
        assert owner.get("/company").json()["paper"] == "Letter"

    @pytest.mark.parametrize(
        ("change", "place"),
        [
            ({"name": "  "}, "/name"),
            ({"letterhead": "\n".join("abcdefghi")}, "/letterhead"),
            ({"letterhead": "x" * 601}, "/letterhead"),
            ({"time_zone": "Atlantis"}, "/time_zone"),
            ({"unit_system": "imperial"}, "/unit_system"),
            ({"paper": "A3"}, "/paper"),
            ({"standard_density": 1.7}, "/standard_density"),
            ({"standard_density": True}, "/standard_density"),
            ({"standard_density": "much"}, "/standard_density"),
            ({"tolerance_below": 10}, "/tolerance_below"),
            ({"tolerance_above": -0.1}, "/tolerance_above"),
            ({"decision_rule": "guess"}, "/decision_rule"),
            ({"decision_rule": "guarded", "decision_parameter": 3}, "/decision_parameter"),
            ({"decision_rule": "probability", "decision_parameter": 0.2}, "/decision_parameter"),
            ({"decision_rule": "probability", "decision_parameter": 1.0}, "/decision_parameter"),
            ({"self_approval": "perhaps"}, "/self_approval"),
            ({"calibration_lapse": "ignore"}, "/calibration_lapse"),
            ({"reminder_days": [0]}, "/reminder_days"),
            ({"reminder_days": [366]}, "/reminder_days"),
            ({"reminder_days": [7, 7]}, "/reminder_days"),
            ({"reminder_days": [1, 2, 3, 4, 5, 6]}, "/reminder_days"),
            ({"reminder_days": 30}, "/reminder_days"),
            ({"version": 9}, "/version"),
            ({"id": "x"}, "/id"),
        ],
    )
    def test_bad_values_name_their_place_and_change_nothing(
        self, company_a: World, change: dict[str, Any], place: str
    ) -> None:
        answer = signed_in(company_a).patch("/company", {"paper": "Letter", **change}, 1)
        assert_problem(answer, 422, "invalid")
        assert pointers(answer) == [place]
        with company(company_a.id):
            assert Company.objects.get().version == 1
            assert Company.objects.get().paper == "A4"

    @pytest.mark.parametrize(
        "change",
        [
            {"decision_rule": "guarded", "decision_parameter": 1.0},
            {"decision_rule": "probability", "decision_parameter": 0.95},
            {"reminder_days": [60, 14, 1]},
            {"reminder_days": []},
            {"standard_density": 1.2014, "unit_system": "IP", "paper": "Letter", "self_approval": True},
        ],
    )
    def test_good_values_are_taken(self, company_a: World, change: dict[str, Any]) -> None:
        answer = signed_in(company_a).patch("/company", change, 1)
        assert {name: answer.json()[name] for name in change} == change

    def test_every_setting_has_a_check_and_a_place_at_the_door(self) -> None:
        from jobs.rest.serializers_people import CompanyIn, CompanyOut

        assert set(CompanyIn().fields) == set(companies.CHECKS)
        assert set(companies.CHECKS) < set(CompanyOut.Meta.fields)

    @pytest.mark.parametrize("role", ["dispatcher", "technician", "supervisor"])
    def test_others_read_only(self, company_a: World, role: str) -> None:
        caller = signed_in(company_a, role)
        assert caller.get("/company").status_code == 200
        assert_problem(caller.patch("/company", {"self_approval": True}, 1), 403)


class TestLog:
    def number(self, world: World) -> None:
        with company(world.id):
            while events.sequence():
                pass

    def record(self, world: World, count: int) -> None:
        with company(world.id):
            for _ in range(count):
                events.record(world.actor("supervisor"), "job.changed", "job", world.job.id, data={"n": 1})

    def test_is_read_in_order_page_by_page_without_gaps(self, company_a: World) -> None:
        self.record(company_a, 7)
        key = with_key(company_a)
        assert key.get("/events").json()["items"] == []  # not numbered yet
        self.number(company_a)
        seen, path = [], "/events?limit=3"
        while path:
            page = key.get(path).json()
            seen += page["items"]
            path = (page["next"] or "").removeprefix("/api/v1")
        assert [event["number"] for event in seen] == list(range(1, 8))
        one = seen[0]
        assert one["verb"] == "job.changed"
        assert one["subject"] == {"type": "job", "id": str(company_a.job.id)}
        assert one["member"] == {"id": str(company_a.supervisor.id), "name": company_a.supervisor.name}
        assert [one["device"], one["key"]] == [None, None]
        assert key.get("/events?after=7").json() == {"items": [], "next": None, "previous": None}

    def test_says_tablet_and_key(self, company_a: World) -> None:
        with_token(company_a.tablet).post(
            "/devices/sign-in",
            {"email": company_a.technician.email, "password": "a long enough password"},
            key=None,
        )
        self.number(company_a)
        last = with_key(company_a).get("/events?verb=person.signed_in").json()["items"][-1]
        assert last["device"]["id"] == str(company_a.device.id)
        assert last["key"]["id"]

    def test_filters_by_subject(self, company_a: World) -> None:
        self.record(company_a, 2)
        with company(company_a.id):
            events.record(company_a.actor("owner"), "company.changed", "company", company_a.id)
        self.number(company_a)
        found = with_key(company_a).get(f"/events?subject={company_a.id}").json()["items"]
        assert [event["verb"] for event in found] == ["company.changed"]

    @pytest.mark.parametrize(
        "query", ["after=x", "after=-1", "after=1.5", "after=" + "9" * 30, "subject=x", "verb=x%00.y"]
    )
    def test_bad_parameters_are_named(self, company_a: World, query: str) -> None:
        answer = with_key(company_a).get(f"/events?{query}")
        assert_problem(answer, 422)
        assert pointers(answer) == [f"query:{query.partition('=')[0]}"]

    def test_of_another_company_is_not_seen(self, company_a: World, company_b: World) -> None:
        self.record(company_a, 3)
        self.number(company_a)
        self.number(company_b)
        assert with_key(company_b).get("/events").json()["items"] == []

    def test_is_never_changed_or_deleted(self, company_a: World) -> None:
        owner = signed_in(company_a)
        for method in ("PUT", "PATCH", "DELETE", "POST"):
            assert_problem(owner.send(method, "/events", {}), 405, "method-not-allowed")
