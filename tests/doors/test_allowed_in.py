"""Integrations and their keys, operators who help, what companies may use, and what stands in logs of it."""

import logging
import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail as outbox
from django.core.management import call_command
from django.test import Client
from django.utils import timezone

from jobs import access_log, due, events, integrations, people, quotas, support, tokens
from jobs.access import Action, may
from jobs.errors import Forbidden, Invalid, OverQuota
from jobs.models import AccessToken, Event, Integration, SignInFailure, SupportGrant, User
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from tests import factories
from tests.doors.client import API, assert_problem, pointers, signed_in, with_key, with_token
from tests.factories import World

pytestmark = pytest.mark.django_db


@pytest.fixture
def here(company_a: World) -> Iterator[World]:
    with company(company_a.id):
        yield company_a


class TestKeys:
    def test_a_key_belongs_to_an_integration_and_ends_within_two_years(self, company_a: World) -> None:
        owner = signed_in(company_a)
        portal = owner.post("/integrations", {"name": "Portal", "contact": "it@portal.example"})
        assert portal.status_code == 201
        its = portal.json()["id"]
        made = [owner.post("/keys", {"name": "K", "scopes": ["read"], "integration": its}) for _ in range(2)]
        for one in made:
            assert one.json()["integration"]["name"] == "Portal"
            until = one.json()["expires_at"][:10]
            assert until == f"{timezone.now() + integrations.USUAL:%Y-%m-%d}"
            assert with_token(one.json()["token"]).get("/jobs").status_code == 200  # both hold at once
        late = (timezone.now() + timedelta(days=740)).isoformat()
        refused = owner.post("/keys", {"name": "K", "scopes": ["read"], "expires_at": late})
        assert pointers(refused) == ["/expires_at"]
        assert owner.delete(f"/integrations/{its}").status_code == 204
        for one in made:
            assert_problem(with_token(one.json()["token"]).get("/jobs"), 401)

    def test_a_key_without_one_gets_one_of_its_name(self, here: World) -> None:
        for _ in range(2):
            tokens.make_key(here.actor("owner"), name="Export", scopes=["read"])
        assert Integration.objects.get(name="Export").contact == here.owner.email

    def test_another_companys_integration_is_none(self, company_a: World, company_b: World) -> None:
        with company(company_b.id):
            theirs = integrations.add(company_b.actor("owner"), name="Theirs")
        answer = signed_in(company_a).post(
            "/keys", {"name": "K", "scopes": ["read"], "integration": str(theirs.id)}
        )
        assert pointers(answer) == ["/integration"]

    def test_an_integration_never_measures_reviews_or_approves(self, here: World) -> None:
        from jobs.access import actor_for_token

        actor = actor_for_token(here.key_text)
        assert actor is not None
        never = {Action.MEASURE, Action.SUBMIT, Action.REVIEW, Action.APPROVE, Action.ISSUE, Action.SET_RULES,
                 Action.MANAGE_KEYS, Action.MANAGE_PEOPLE, Action.MANAGE_COMPANY}  # fmt: skip
        assert not [action for action in never if may(actor, action)]

    def test_use_is_noted_first_in_the_log_then_within_the_hour(self, company_a: World) -> None:
        with company(company_a.id):
            AccessToken.objects.filter(id=company_a.key.id).update(used_at=None)
        for _ in range(3):
            with_key(company_a).get("/jobs")
        with company(company_a.id):
            assert Event.objects.filter(verb="key.first_used").count() == 1
            first = AccessToken.objects.get(id=company_a.key.id).used_at
            assert first is not None
            AccessToken.objects.filter(id=company_a.key.id).update(used_at=first - timedelta(hours=2))
        with_key(company_a).get("/jobs")
        with company(company_a.id):
            assert AccessToken.objects.get(id=company_a.key.id).used_at >= first

    def test_its_contact_is_told_before_it_ends_once_a_stage(self, here: World) -> None:
        its = integrations.add(here.actor("owner"), name="Portal", contact="it@portal.example")
        key, _ = tokens.make_key(here.actor("owner"), name="K", scopes=["read"], integration=its.id)
        assert integrations.warn() == 0
        for days, told in ((29.5, 1), (20, 0), (6, 1), (0.5, 1), (0.4, 0)):
            AccessToken.objects.filter(id=key.id).update(expires_at=timezone.now() + timedelta(days=days))
            assert integrations.warn() == told, days
        due.work(here.id)
        assert {one for letter in outbox.outbox for one in letter.to} == {
            "it@portal.example",
            here.owner.email,
        }

    @pytest.mark.parametrize("state", ["expired", "revoked"])
    def test_H1_an_ended_key_is_refused_at_once(self, company_a: World, state: str) -> None:
        assert with_key(company_a).get("/me").status_code == 200
        with company(company_a.id):
            field = {"expired": "expires_at", "revoked": "revoked_at"}[state]
            AccessToken.objects.filter(id=company_a.key.id).update(**{field: timezone.now()})
        assert_problem(with_key(company_a).get("/me"), 401)

    def test_H1_key_in_the_query_wrong_scope_and_two_at_once(self, company_a: World) -> None:
        assert_problem(Client().get(f"{API}/me?token={company_a.key_text}"), 401)
        with company(company_a.id):
            reading = factories.make_key(company_a.id, ["read"])[1]
        assert_problem(with_token(reading).post("/customers", {"name": "N"}), 403)
        twice = {"Authorization": f"Bearer {reading}, Bearer {company_a.key_text}"}
        assert_problem(Client().get(f"{API}/me", headers=twice), 400)


class TestHelp:
    def operator(self, email: str = "help@service.example") -> User:
        return User.objects.create_user(email, factories.PASSWORD, is_operator=True)

    def client_of(self, user: User, world: World) -> Client:
        client = Client()
        client.post("/signin", {"email": user.email, "password": factories.PASSWORD})
        client.post("/companies", {"company": str(world.id)})
        return client

    def test_B13_an_operator_sees_nothing_without_leave(self, company_a: World) -> None:
        client = self.client_of(self.operator(), company_a)
        assert client.get("/jobs").status_code == 302
        for path in ("/jobs", "/customers", "/sessions", "/events", "/members"):
            assert_problem(client.get(API + path), 401)

    def test_B13_leave_is_for_reading_ends_and_every_look_is_logged(self, company_a: World) -> None:
        user = self.operator()
        with company(company_a.id):
            leave = support.grant(
                company_a.actor("owner"), operator=user.email, reason="A report does not open", hours=2
            )
        client = self.client_of(user, company_a)
        page = client.get("/jobs")
        assert page.status_code == 200
        assert "by leave of its owner" in page.content.decode()
        assert client.get(f"{API}/jobs").json()["items"]
        assert client.get("/company/keys").status_code == 403
        assert client.post(f"{API}/customers", {}).status_code == 401
        with company(company_a.id):
            looks = Event.objects.filter(verb="support.looked", subject_id=leave.id)
            assert [one.data["path"] for one in looks.order_by("at")] == [
                "/jobs", f"{API}/jobs", "/company/keys"
            ]  # fmt: skip
            SupportGrant.objects.update(ends_at=timezone.now())
        assert client.get("/jobs").status_code == 302
        with company(company_a.id):
            SupportGrant.objects.update(ends_at=timezone.now() + timedelta(hours=1))
            support.revoke(company_a.actor("owner"), leave.id)
        assert client.get("/jobs").status_code == 302
        assert_problem(client.get(f"{API}/jobs"), 401)

    def test_B13_leave_of_one_company_opens_no_other(self, company_a: World, company_b: World) -> None:
        user = self.operator()
        with company(company_a.id):
            support.grant(company_a.actor("owner"), operator=user.email, reason="Something is odd", hours=2)
        client = self.client_of(user, company_a)
        assert client.post("/companies", {"company": str(company_b.id)}).status_code == 404
        assert client.get(f"{API}/me").json()["company"]["id"] == str(company_a.id)
        assert_problem(client.get(f"{API}/jobs/{company_b.job.id}"), 404)

    @pytest.mark.parametrize(
        ("field", "value"),
        [("hours", 73), ("hours", 0), ("reason", "why"), ("operator", "x@y.example")],
    )
    def test_leave_that_cannot_be_given(self, here: World, field: str, value: Any) -> None:
        self.operator()
        given: dict[str, Any] = {
            "operator": "help@service.example",
            "reason": "A report does not open",
            "hours": 4,
        }
        with pytest.raises(Invalid) as refused:
            support.grant(here.actor("owner"), **(given | {field: value}))
        assert refused.value.faults[0].pointer == f"/{field}"

    def test_only_owners_give_it(self, here: World) -> None:
        for role in ("dispatcher", "technician", "supervisor"):
            with pytest.raises(Forbidden):
                support.grant(here.actor(role), operator="x@y.example", reason="Long enough", hours=1)


class TestLogs:
    def test_failed_sign_ins_are_told_to_the_persons_companies_only(
        self, company_a: World, company_b: World
    ) -> None:
        for n in range(3):
            people.check_password(company_a.owner.email, "wrong", f"192.0.{n}.1")
        people.check_password("nobody@example.org", "wrong", "192.0.2.1")
        assert access_log.tell_failures() == 0  # younger than a minute
        SignInFailure.objects.update(at=timezone.now() - timedelta(minutes=2))
        assert access_log.tell_failures() == 4
        assert not SignInFailure.objects.exists()
        with company(company_a.id):
            told = Event.objects.get(verb="person.sign_in_failed")
            assert (told.subject_id, told.data["times"]) == (company_a.owner.id, 3)
            assert sorted(told.data["networks"]) == ["192.0.0.0/24", "192.0.1.0/24", "192.0.2.0/24"]
        with company(company_b.id):
            assert not Event.objects.filter(verb="person.sign_in_failed").exists()
        page = signed_in(company_a).client.get("/company/access").content.decode()
        assert "could not sign in" in page
        assert "3 times" in page

    def test_B1_a_foreign_id_is_logged_as_a_denial(
        self, company_a: World, company_b: World, caplog: pytest.LogCaptureFixture
    ) -> None:
        with caplog.at_level(logging.WARNING, "jobs.http.denials"):
            answer = with_key(company_a).get(f"/jobs/{company_b.job.id}")
        assert_problem(answer, 404)
        (line,) = [one for one in caplog.records if one.name == "jobs.http.denials"]
        told = vars(line)
        assert told["company"] == str(company_a.id)
        assert told["ids"] == {"job_id": str(company_b.job.id)}
        assert told["principal"].startswith("token:")

    def test_H6_no_secret_in_logs_of_a_refused_sign_in(
        self, company_a: World, caplog: pytest.LogCaptureFixture
    ) -> None:
        with caplog.at_level(logging.DEBUG):
            Client().post("/signin", {"email": company_a.owner.email, "password": "wrong but secret"})
            with_token(company_a.key_text + "x").get("/me")
        text = "\n".join(one.getMessage() + str(vars(one).get("sql", "")) for one in caplog.records
                         if not one.name.startswith("django.db"))  # fmt: skip
        assert "wrong but secret" not in text
        assert company_a.key_text.partition(".")[2] not in text

    def test_events_of_one_moment_are_each_shown_once(
        self, company_a: World, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("jobs.pages.access.ROWS", 3)
        moment = timezone.now()
        with company(company_a.id):
            monkeypatch.setattr(timezone, "now", lambda: moment)
            for number in range(8):
                events.record(
                    company_a.actor("owner"), "integration.added", "integration", uuid7(),
                    data={"name": f"System {number}"},
                )  # fmt: skip
        client, seen, older = signed_in(company_a).client, [], "/company/access"
        monkeypatch.undo()
        monkeypatch.setattr("jobs.pages.access.ROWS", 3)
        while older:
            page = client.get(older).content.decode()
            seen += re.findall(r"System \d", page)
            found = re.search(r'href="(\?before=[^"]+)"', page)
            older = f"/company/access{found[1]}" if found else ""
        assert seen == [f"System {number}" for number in reversed(range(8))]
        for odd in ("nothing", str(uuid7())):
            assert client.get(f"/company/access?before={odd}").status_code == 404

    def test_the_page_is_for_owners(self, company_a: World) -> None:
        assert signed_in(company_a, "supervisor").client.get("/company/access").status_code == 403


class TestMoved:
    def test_B9_who_went_to_another_company_has_no_token_here(
        self, company_a: World, company_b: World
    ) -> None:
        old = with_token(company_a.technician_token)
        browser = signed_in(company_a, "technician").client
        assert old.get("/me").status_code == 200
        owner = signed_in(company_a)
        assert owner.patch(f"/members/{company_a.technician.id}", {"active": False}, 1).status_code == 200
        with company(company_b.id):
            user = company_a.users["technician"]
            factories.Affiliation.objects.get_or_create(user=user, company_ref=company_b.id)
            factories.Member.objects.create(
                user_ref=user.id, name="T", email=user.email, roles=["technician"]
            )
        assert_problem(old.get("/me"), 401)
        assert browser.get("/jobs").status_code == 302

    def test_B15_a_forged_host_shows_nothing(self, company_a: World, settings: Any) -> None:
        settings.ALLOWED_HOSTS = ["testserver"]
        client = signed_in(company_a).client
        assert client.get(f"{API}/me", headers={"Host": "harbour.example"}).status_code == 400
        forwarded = client.get(f"{API}/me", headers={"X-Forwarded-Host": "harbour.example"})
        assert forwarded.json()["company"]["id"] == str(company_a.id)

    def test_B3_a_company_in_the_body_or_query_is_refused(self, company_a: World, company_b: World) -> None:
        caller = with_key(company_a)
        assert_problem(caller.post("/customers", {"name": "N", "company_id": str(company_b.id)}), 422)
        assert_problem(caller.get(f"/customers?company_id={company_b.id}"), 422)
        with company(company_b.id):
            assert not factories.Customer.objects.filter(name="N").exists()


class TestAllowance:
    def test_members_tablets_points_and_bytes_are_bounded(self, here: World) -> None:
        call_command("set_allowance", str(here.id), members=4, tablets=1, points=5, stored_bytes=10)
        owner, planner = here.actor("owner"), here.actor("dispatcher")
        with pytest.raises(OverQuota, match="4 people"):
            people.invite(owner, email="n@example.org", name="N", roles=["technician"])
        with pytest.raises(OverQuota):
            tokens.start_pairing(owner, device_name="T")
        from jobs import register

        with pytest.raises(OverQuota):
            register.add_point(planner, system_id=here.system.id, tag="S-9", kind="outlet")
        with pytest.raises(OverQuota):
            quotas.require_room(quotas.Kind.STORED_BYTES, 11)
        quotas.require_room(quotas.Kind.STORED_BYTES, 10)
        call_command("set_allowance", str(here.id), members=-1)
        people.invite(owner, email="n@example.org", name="N", roles=["technician"])
        with pytest.raises(OverQuota):
            tokens.start_pairing(owner, device_name="T")

    def test_it_is_told_as_a_problem(self, company_a: World) -> None:
        call_command("set_allowance", str(company_a.id), members=1)
        answer = signed_in(company_a).post(
            "/invitations", {"email": "n@example.org", "name": "N", "roles": ["technician"]}
        )
        assert_problem(answer, 403, "over-quota")

    def test_webhooks_are_bounded_too(self, company_a: World) -> None:
        call_command("set_allowance", str(company_a.id), webhooks=0)
        answer = signed_in(company_a).post("/webhooks", {"url": "https://hooks.harbour-air.com/flow"})
        assert_problem(answer, 403, "over-quota")
        assert "0 webhooks" in answer.json()["detail"]
        page = signed_in(company_a).client.post("/company/webhooks", {"url": "https://hooks.example.com/x"})
        assert page.status_code == 422
        assert "0 webhooks" in page.content.decode()
