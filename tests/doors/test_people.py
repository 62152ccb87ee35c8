"""People: members, invitations, passwords; by action and through the doors."""

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth import hashers
from django.core import mail as outbox
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from jobs import due, mail, people
from jobs.access import Role, actor_for_token
from jobs.errors import Conflict, Forbidden, Invalid, NotFound, NotSignedIn, PreconditionFailed, TooMany
from jobs.models import AccessToken, Affiliation, DueWork, Event, Invitation, Member, User
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from tests import factories
from tests.doors.client import Caller, assert_problem, pointers, signed_in, with_key, with_token
from tests.factories import World

HERE = "192.0.2.1"
NEW = "three green dampers hum"
INVITE = {"email": "New.Person@Example.org ", "name": "New Person", "roles": ["technician", "supervisor"]}


def invited(world: World, **fields: Any) -> tuple[Invitation, str]:
    """An invitation and its token's text."""
    with company(world.id):
        row = people.invite(world.actor("owner"), **(INVITE | fields))
        return row, mail.invitation_link(row).rpartition("/")[2]


def verbs(world: World) -> list[str]:
    with company(world.id):
        return list(Event.objects.order_by("id").values_list("verb", flat=True))


class TestInvitation:
    def test_goes_out_by_mail_once_with_a_link_that_works(self, company_a: World) -> None:
        row, token = invited(company_a)
        assert due.work(company_a.id, due.DEFAULT_QUEUE) >= 1
        (letter,) = outbox.outbox
        assert letter.to == ["new.person@example.org"]
        assert token in letter.body
        assert company_a.company.name in letter.body
        with company(company_a.id):
            assert not DueWork.objects.filter(kind=mail.INVITATION).exists()
        assert bytes(row.secret_hash) not in letter.body.encode()

    def test_new_person_joins_with_a_good_password(self, company_a: World) -> None:
        _, token = invited(company_a)
        user, member = people.accept_invitation(token=token, password=NEW, address=HERE)
        assert user.check_password(NEW)
        assert member.roles == ["supervisor", "technician"]
        assert people.places_of(user)[0].company_id == company_a.id
        assert verbs(company_a)[-2:] == ["member.invited", "member.joined"]

    def test_is_good_once(self, company_a: World) -> None:
        _, token = invited(company_a)
        people.accept_invitation(token=token, password=NEW, address=HERE)
        with pytest.raises(NotFound):
            people.accept_invitation(token=token, password=NEW, address=HERE)

    def test_is_good_for_a_week(self, company_a: World) -> None:
        row, token = invited(company_a)
        with company(company_a.id):
            Invitation.objects.filter(id=row.id).update(expires_at=timezone.now() - timedelta(seconds=1))
        with pytest.raises(NotFound):
            people.offer_of(token)

    def test_a_second_one_ends_the_first(self, company_a: World) -> None:
        _, first = invited(company_a)
        _, second = invited(company_a)
        with pytest.raises(NotFound):
            people.offer_of(first)
        assert people.offer_of(second).company_name == company_a.company.name

    def test_withdrawn_leads_nowhere(self, company_a: World) -> None:
        row, token = invited(company_a)
        with company(company_a.id):
            for _ in range(2):
                people.withdraw_invitation(company_a.actor("owner"), row.id)
            assert Event.objects.filter(verb="invitation.withdrawn").count() == 1
        with pytest.raises(NotFound):
            people.offer_of(token)

    def test_easy_password_is_refused_and_nothing_is_made(self, company_a: World) -> None:
        _, token = invited(company_a)
        with pytest.raises(Invalid) as refused:
            people.accept_invitation(token=token, password="password", address=HERE)
        assert {fault.pointer for fault in refused.value.faults} == {"/password"}
        assert not User.objects.filter(email="new.person@example.org").exists()
        assert people.offer_of(token)

    def test_somebody_of_another_company_proves_who_they_are(
        self, company_a: World, company_b: World
    ) -> None:
        theirs = company_b.users["technician"]
        _, token = invited(company_a, email=theirs.email)
        assert people.offer_of(token).known
        with pytest.raises(NotSignedIn):
            people.accept_invitation(token=token, password=NEW, address=HERE)
        user, _ = people.accept_invitation(token=token, password=factories.PASSWORD, address=HERE)
        assert user == theirs
        assert {place.company_id for place in people.places_of(user)} == {company_a.id, company_b.id}

    def test_session_of_that_person_is_proof_and_of_another_is_not(
        self, company_a: World, company_b: World
    ) -> None:
        theirs = company_b.users["technician"]
        _, token = invited(company_a, email=theirs.email)
        with pytest.raises(Forbidden):
            people.accept_invitation(token=token, signed_in=company_b.users["owner"], address=HERE)
        user, _ = people.accept_invitation(token=token, signed_in=theirs, address=HERE)
        assert user == theirs

    def test_who_is_shut_out_of_the_service_does_not_come_in_by_it(
        self, company_a: World, company_b: World
    ) -> None:
        theirs = company_b.users["technician"]
        _, token = invited(company_a, email=theirs.email)
        User.objects.filter(id=theirs.id).update(is_active=False)
        with pytest.raises(Forbidden, match="may not sign in"):
            people.accept_invitation(token=token, password=factories.PASSWORD, address=HERE)
        with company(company_a.id):
            assert not Member.objects.filter(user_ref=theirs.id).exists()

    def test_who_left_comes_back_by_invitation(self, company_a: World) -> None:
        gone = company_a.technician
        change(company_a, gone, active=False)
        _, token = invited(company_a, email=gone.email, roles=["dispatcher"])
        _, member = people.accept_invitation(token=token, password=factories.PASSWORD, address=HERE)
        assert member.id == gone.id
        assert member.active
        assert member.roles == ["dispatcher"]

    def test_who_works_here_is_not_invited(self, company_a: World) -> None:
        with pytest.raises(Conflict):
            invited(company_a, email=company_a.technician.email)

    @pytest.mark.parametrize(
        ("field", "value", "pointer"),
        [
            ("email", "nobody", "/email"),
            ("name", " ", "/name"),
            ("roles", [], "/roles"),
            ("roles", ["king"], "/roles"),
        ],
    )
    def test_bad_input_names_its_place(self, company_a: World, field: str, value: Any, pointer: str) -> None:
        with pytest.raises(Invalid) as refused:
            invited(company_a, **{field: value})
        assert [fault.pointer for fault in refused.value.faults] == [pointer]

    @pytest.mark.parametrize("text", ["", "x", "x.y", "a" * 300, f"{'a' * 26}.secret"])
    def test_senseless_tokens_look_like_used_ones(self, company_a: World, text: str) -> None:
        with pytest.raises(NotFound):
            people.offer_of(text)

    def test_of_another_company_opens_nothing_here(self, company_a: World, company_b: World) -> None:
        _, token = invited(company_a)
        secret = token.partition(".")[2]
        with company(company_b.id):
            mixed = f"{factories.join_token(company_b.id, secret)}"
        with pytest.raises(NotFound):
            people.offer_of(mixed)

    def test_through_the_doors(self, company_a: World) -> None:
        owner = signed_in(company_a)
        made = owner.post("/invitations", INVITE)
        assert made.status_code == 201
        assert made.json()["email"] == "new.person@example.org"
        assert "secret" not in made.content.decode()
        assert owner.get(made["Location"].removeprefix("/api/v1")).json()["id"] == made.json()["id"]
        with company(company_a.id):
            token = mail.invitation_link(Invitation.objects.get(id=made.json()["id"])).rpartition("/")[2]
        stranger = Caller()
        weak = stranger.post("/invitations/accept", {"token": token, "password": "password12"})
        assert pointers(weak) == ["/password"]
        joined = stranger.post("/invitations/accept", {"token": token, "password": NEW})
        assert joined.status_code == 201
        assert joined.json()["company"] == str(company_a.id)
        assert_problem(stranger.post("/invitations/accept", {"token": token, "password": NEW}), 404)
        assert owner.delete(f"/invitations/{made.json()['id']}").status_code == 409

    @pytest.mark.parametrize("role", ["dispatcher", "technician", "supervisor"])
    def test_only_owners_invite(self, company_a: World, role: str) -> None:
        assert_problem(signed_in(company_a, role).post("/invitations", INVITE), 403, "forbidden")
        assert_problem(signed_in(company_a, role).get("/invitations"), 403)

    def test_keys_do_not_manage_people(self, company_a: World) -> None:
        assert_problem(with_key(company_a).post("/invitations", INVITE), 403)


def change(world: World, member: Member, **fields: Any) -> Member:
    with company(world.id):
        now = Member.objects.get(id=member.id)
        return people.change_member(
            world.actor("owner"), member.id, now.version, people.MemberChange(**fields)
        )


class TestMembers:
    def test_deactivation_ends_every_access_at_once(self, company_a: World) -> None:
        tablet, page = with_token(company_a.technician_token), signed_in(company_a, "technician")
        assert tablet.get("/me").status_code == page.get("/me").status_code == 200
        change(company_a, company_a.technician, active=False)
        assert_problem(tablet.get("/me"), 401)
        assert_problem(page.get("/me"), 401)
        user = company_a.users["technician"]
        assert people.places_of(user) == []
        with pytest.raises(NotFound):
            people.enter(user, company_a.id)

    def test_tokens_do_not_live_again_when_somebody_comes_back(self, company_a: World) -> None:
        change(company_a, company_a.technician, active=False)
        change(company_a, company_a.technician, active=True)
        assert people.places_of(company_a.users["technician"])
        assert_problem(with_token(company_a.technician_token).get("/me"), 401)

    def test_new_roles_hold_for_the_next_request(self, company_a: World) -> None:
        page = signed_in(company_a, "technician")
        assert_problem(page.get("/keys"), 403)
        change(company_a, company_a.technician, roles=["owner"])
        assert page.get("/keys").status_code == 200

    def test_the_last_owner_stays(self, company_a: World) -> None:
        for fields in ({"active": False}, {"roles": ["technician"]}):
            with pytest.raises(Conflict):
                change(company_a, company_a.owner, **fields)
        change(company_a, company_a.supervisor, roles=["owner", "supervisor"])
        assert change(company_a, company_a.owner, active=False).active is False

    def test_an_inactive_owner_does_not_count(self, company_a: World) -> None:
        change(company_a, company_a.supervisor, roles=["owner"], active=False)
        with pytest.raises(Conflict):
            change(company_a, company_a.owner, active=False)

    def test_stale_change_is_refused(self, company_a: World) -> None:
        change(company_a, company_a.technician, name="T. Other")
        with company(company_a.id), pytest.raises(PreconditionFailed):
            people.change_member(
                company_a.actor("owner"), company_a.technician.id, 1, people.MemberChange(name="Third")
            )

    def test_own_settings_change_at_the_version_that_was_seen_and_to_a_known_system(
        self, company_a: World
    ) -> None:
        with company(company_a.id):
            own = company_a.actor("technician")
            assert people.change_own(own, 1, unit_system="IP").version == 2
            with pytest.raises(PreconditionFailed):
                people.change_own(own, 1, unit_system="SI")
            with pytest.raises(Invalid) as refused:
                people.change_own(own, 2, unit_system="furlongs")
            assert Member.objects.get(id=own.member_id).unit_system == "IP"
        assert [one.pointer for one in refused.value.faults] == ["/unit_system"]

    def test_no_change_is_no_event(self, company_a: World) -> None:
        before = verbs(company_a)
        assert change(company_a, company_a.technician, name=company_a.technician.name).version == 1
        assert verbs(company_a) == before

    def test_the_log_holds_no_names(self, company_a: World) -> None:
        change(company_a, company_a.technician, name="Somebody Else")
        with company(company_a.id):
            event = Event.objects.get(verb="member.changed")
        assert "Somebody" not in str(event.data)
        assert event.data["fields"] == ["name"]

    def test_edit_through_the_door(self, company_a: World) -> None:
        owner, path = signed_in(company_a), f"/members/{company_a.technician.id}"
        assert owner.get(path)["ETag"].startswith('"1:')
        changed = owner.patch(path, {"roles": ["technician", "supervisor"]}, 1)
        assert changed.status_code == 200
        assert changed["ETag"] == '"2"'
        assert_problem(owner.patch(path, {"name": "x"}, 1), 412, "changed-meanwhile")
        assert_problem(owner.patch(path, {"name": "x"}, None), 428, "precondition-required")
        assert_problem(owner.patch(path, {"name": "x"}, "abc"), 412)
        assert pointers(owner.patch(path, {"user_ref": str(uuid7()), "version": 9}, 2)) == [
            "/user_ref",
            "/version",
        ]

    def test_others_look_but_do_not_change(self, company_a: World) -> None:
        path = f"/members/{company_a.owner.id}"
        for caller in (signed_in(company_a, "supervisor"), with_key(company_a)):
            assert caller.get(path).status_code == 200
            assert_problem(caller.patch(path, {"active": False}, 1), 403)

    def test_foreign_and_unknown_ids_look_the_same(self, company_a: World, company_b: World) -> None:
        owner = signed_in(company_a)
        answers = [owner.get(f"/members/{one}") for one in (company_b.owner.id, uuid7())]
        bodies = [assert_problem(one, 404) | {"instance": ""} for one in answers]
        assert bodies[0] == bodies[1]
        changes = [owner.patch(f"/members/{one}", {"name": "x"}, 1) for one in (company_b.owner.id, uuid7())]
        assert [one.status_code for one in changes] == [404, 404]

    def test_list_filters_and_pages(self, company_a: World) -> None:
        key = with_key(company_a)
        change(company_a, company_a.technician, active=False)
        assert len(key.get("/members").json()["items"]) == 4
        assert len(key.get("/members?active=true").json()["items"]) == 3
        assert [m["roles"] for m in key.get("/members?role=owner").json()["items"]] == [["owner"]]
        first = key.get("/members?limit=3").json()
        rest = key.get(first["next"].removeprefix("/api/v1")).json()
        assert [len(first["items"]), len(rest["items"]), rest["next"]] == [3, 1, None]
        assert pointers(key.get("/members?company=x&active=maybe")) == ["query:company"]
        assert pointers(key.get("/members?active=maybe")) == ["query:active"]
        assert pointers(key.get("/members?limit=0")) == ["query:limit"]
        assert pointers(key.get("/members?active=true&active=false")) == ["query:active"]

    def test_lists_cost_the_same_at_any_length(
        self, company_a: World, django_assert_num_queries: Any
    ) -> None:
        owner = signed_in(company_a)
        for path in ("/members", "/invitations", "/keys", "/devices", "/events"):
            owner.get(path)
            few = statements(owner, path)
            with company(company_a.id):
                for n in range(12):
                    factories.make_member(company_a.id, Role.TECHNICIAN)
                    people.invite(company_a.actor("owner"), **(INVITE | {"email": f"{path[1:]}{n}@x.org"}))
                    factories.make_key(company_a.id, ["read"])
                    factories.Device.objects.create(name=f"T{n}", enrolled_by=company_a.owner)
            assert statements(owner, path) == few, path


def statements(caller: Caller, path: str) -> int:
    with CaptureQueriesContext(connection) as captured:
        assert caller.get(path).status_code == 200
    return len(captured)


class TestMe:
    def test_says_who_asks_and_what_they_may(self, company_a: World) -> None:
        mine = signed_in(company_a, "supervisor").get("/me").json()
        assert mine["member"]["id"] == str(company_a.supervisor.id)
        assert mine["kind"] == "session"
        assert {"approve", "issue"} <= set(mine["may"])
        assert "manage_people" not in mine["may"]

    def test_of_a_tablet_nobody_is_signed_in_on(self, company_a: World) -> None:
        its = with_token(company_a.tablet).get("/me").json()
        assert its["member"] is None
        assert its["device"] == str(company_a.device.id)
        assert its["may"] == []

    def test_of_a_key(self, company_a: World) -> None:
        its = with_key(company_a).get("/me").json()
        assert its["kind"] == "integration"
        assert its["scopes"] == ["instruments", "plan", "read"]

    def test_nobody_is_told_nothing(self, db: None) -> None:
        assert_problem(Caller().get("/me"), 401, "not-signed-in")


class TestPassword:
    def test_ten_failures_then_refused_even_when_right(self, company_a: World) -> None:
        email = company_a.owner.email
        for _ in range(people.TRIES):
            assert people.check_password(email, "wrong", HERE) is None
        with pytest.raises(TooMany) as refused:
            people.check_password(email.upper(), factories.PASSWORD, HERE)
        assert refused.value.retry_after
        assert people.check_password(email, factories.PASSWORD, "198.51.100.7") is not None

    def test_success_starts_the_count_anew(self, company_a: World) -> None:
        for _ in range(3):
            for _ in range(people.TRIES - 1):
                people.check_password(company_a.owner.email, "wrong", HERE)
            assert people.check_password(company_a.owner.email, factories.PASSWORD, HERE)

    def test_spraying_many_people_from_one_address_ends(self, db: None, monkeypatch: Any) -> None:
        monkeypatch.setattr(people, "FAILURES_OF_ADDRESS", 12)
        for n in range(12):
            people.check_password(f"p{n}@example.org", "wrong", HERE)
        with pytest.raises(TooMany):
            people.check_password("p99@example.org", "wrong", HERE)

    def test_unknown_person_costs_as_much_hashing(self, company_a: World, monkeypatch: Any) -> None:
        runs: list[str] = []
        true = hashers.MD5PasswordHasher.encode

        def counting(self: Any, password: str, salt: str) -> str:
            runs.append(salt)
            return true(self, password, salt)

        monkeypatch.setattr(hashers.MD5PasswordHasher, "encode", counting)
        people.check_password(company_a.owner.email, "wrong", HERE)
        known = len(runs)
        people.check_password("nobody@example.org", "wrong", HERE)
        assert known > 0
        assert len(runs) == 2 * known

    def test_shut_out_person_does_not_get_in(self, company_a: World) -> None:
        User.objects.filter(id=company_a.users["owner"].id).update(is_active=False)
        assert people.check_password(company_a.owner.email, factories.PASSWORD, HERE) is None
        assert_problem(signed_in(company_a).get("/me"), 401)


class TestReset:
    def link(self, world: World, role: str = "technician") -> list[str]:
        return mail.password_link(world.users[role]).split("/")[-2:]

    def test_mail_has_a_link_that_sets_the_password_once(self, company_a: World) -> None:
        people.request_reset(company_a.technician.email.upper(), HERE)
        due.work(company_a.id, due.DEFAULT_QUEUE)
        (letter,) = outbox.outbox
        user_text, token = letter.body.split("/password/")[1].split()[0].split("/")
        user = people.set_password(user_text, token, NEW)
        assert User.objects.get(id=user.id).check_password(NEW)
        with pytest.raises(NotFound):
            people.set_password(user_text, token, NEW + "!")

    def test_nobody_gets_nothing_and_hears_the_same(self, company_a: World) -> None:
        assert people.request_reset("nobody@example.org", HERE) is None
        assert people.request_reset(company_a.owner.email, HERE) is None
        due.work(company_a.id, due.DEFAULT_QUEUE)
        assert [letter.to for letter in outbox.outbox] == [[company_a.owner.email]]

    def test_asking_again_after_the_mail_had_failed_for_good(
        self, company_a: World, monkeypatch: Any
    ) -> None:
        user = company_a.users["owner"]
        with company(company_a.id):
            mail.post(mail.RESET, user.id)
            DueWork.objects.filter(kind=mail.RESET).update(state="parked", attempts=3)
            mail.post(mail.RESET, user.id)
        due.work(company_a.id, due.DEFAULT_QUEUE)
        assert len(outbox.outbox) == 1

    def test_new_password_ends_sessions_and_sign_ins_on_tablets(self, company_a: World) -> None:
        page, tablet = signed_in(company_a, "technician"), with_token(company_a.technician_token)
        people.set_password(*self.link(company_a), NEW)
        assert_problem(page.get("/me"), 401)
        assert_problem(tablet.get("/me"), 401)
        assert with_token(company_a.tablet).get("/me").status_code == 200

    def test_link_ends_with_time_sign_in_and_nonsense(self, company_a: World, settings: Any) -> None:
        user_text, token = self.link(company_a)
        for bad in [
            (user_text, token[:-1] + "x"),
            ("nobody", token),
            (self.link(company_a, "owner")[0], token),
        ]:
            with pytest.raises(NotFound):
                people.user_of_link(*bad)
        settings.PASSWORD_RESET_TIMEOUT = -1
        with pytest.raises(NotFound):
            people.user_of_link(user_text, token)

    def test_easy_password_is_refused(self, company_a: World) -> None:
        link = self.link(company_a)
        with pytest.raises(Invalid):
            people.set_password(*link, "1234567890")
        assert people.user_of_link(*link)

    def test_asking_is_limited(self, db: None) -> None:
        for _ in range(people.RESETS):
            people.request_reset("x@example.org", HERE)
        with pytest.raises(TooMany):
            people.request_reset("x@example.org", HERE)


class TestMoved:
    def test_who_moved_to_another_company_keeps_no_old_access(
        self, company_a: World, company_b: World
    ) -> None:
        user = company_a.users["technician"]
        with company(company_b.id):
            Affiliation.objects.create(user=user, company_ref=company_b.id)
            Member.objects.create(user_ref=user.id, name="Moved", email=user.email, roles=["technician"])
        change(company_a, company_a.technician, active=False)
        assert_problem(with_token(company_a.technician_token).get("/me"), 401)
        assert [place.company_id for place in people.places_of(user)] == [company_b.id]

    def test_token_under_another_companys_id_is_nobody(self, company_a: World, company_b: World) -> None:
        secret = company_a.key_text.partition(".")[2]
        forged = factories.join_token(company_b.id, secret)
        assert_problem(with_token(forged).get("/me"), 401)
        with company(company_b.id):
            assert actor_for_token(forged) is None
            assert not AccessToken.objects.filter(name=company_a.key.name, id=company_a.key.id).exists()
