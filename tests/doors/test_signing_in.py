"""Guessing, second factors and the ends of sign-ins, as seen from the doors."""

import re
import time
from typing import Any

import pytest
from django.core import mail as outbox
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from jobs import due, factor, people, signins
from jobs.access import SCOPES
from jobs.errors import TooMany
from jobs.models import AccessToken, Company, CompanyExport, Event, SignIn, SignInFailure, User
from jobs.tenancy.context import company
from tests import factories
from tests.doors import walk
from tests.doors.client import API, Caller, assert_problem, signed_in, with_token
from tests.doors.mutations import make, problem_of
from tests.factories import PASSWORD, World
from tests.jobs.test_factor import code_now, enrolled

HERE, THERE = "192.0.2.1", "198.51.100.7"
NEW = "another long password of mine"
pytestmark = pytest.mark.django_db


def post(email: str, password: str = PASSWORD, address: str = HERE, client: Client | None = None) -> Any:
    form = {"email": email, "password": password}
    return (client or Client()).post("/signin", form, REMOTE_ADDR=address)


class TestGuessing:
    def test_H2_a_thousand_tries_from_one_address_are_refused_from_the_eleventh(
        self, company_a: World
    ) -> None:
        email = company_a.owner.email
        answers = [post(email, f"wrong {n}").status_code for n in range(50)]
        assert answers == [401] * 10 + [429] * 40
        for n in range(950):
            with pytest.raises(TooMany):
                people.check_password(email, f"wrong {n}", HERE)
        assert post(email).status_code == 429  # also with the right password, from there
        refused = post(email)
        assert "Too many wrong passwords" in refused.content.decode()
        assert post(email, address=THERE).status_code == 302  # the owner, from elsewhere

    def test_H2_a_thousand_tries_from_many_addresses_lock_nobody_out_and_let_nobody_in(
        self, company_a: World
    ) -> None:
        email = company_a.owner.email
        for n in range(1000):
            assert people.check_password(email, f"wrong {n}", f"10.{n // 250}.{n % 250}.1") is None
        guesser = Client()
        asked = post(email, client=guesser, address="203.0.113.5")  # guessed right at last: not enough
        assert asked["Location"] == "/signin/code"
        assert guesser.get("/jobs").status_code == 302
        owner = Client()
        assert post(email, client=owner, address=THERE)["Location"] == "/signin/code"
        due.work(company_a.id)
        code = re.findall(r"\d{8}", str(outbox.outbox[-1].body))[0]
        assert outbox.outbox[-1].to == [email]
        inside = owner.post("/signin/code", {"code": code}, REMOTE_ADDR=THERE)
        assert inside["Location"] == "/"
        assert owner.get("/jobs").status_code == 200

    def test_H2_no_quarter_of_an_hour_holds_more_than_ten_tries(
        self, company_a: World, monkeypatch: Any
    ) -> None:
        now = 900_000_000.0
        monkeypatch.setattr("jobs.http.limits.time.time", lambda: now)
        tried: list[float] = []
        for _ in range(400):  # every ten seconds, over more than an hour
            try:
                if people.check_password(company_a.owner.email, "wrong", HERE) is None:
                    tried.append(now)
            except TooMany:
                pass
            now += 10
        assert len(tried) >= 10
        for at in tried:
            assert sum(at <= one < at + people.TRIES_IN for one in tried) <= people.TRIES

    def test_H3_known_and_unknown_people_cost_the_same_statements_and_words(self, company_a: World) -> None:
        seen = []
        for email in (company_a.owner.email, "nobody@example.org"):
            with CaptureQueriesContext(connection) as caught:
                answer = post(email, "wrong")
            shapes = [one["sql"].split(" VALUES")[0].split(" WHERE")[0] for one in caught.captured_queries]
            said = answer.content.decode().replace(email, "")
            seen.append((answer.status_code, [one for one in shapes if "jobs_" in one], said))
        assert seen[0][:2] == seen[1][:2]
        assert "is wrong" in seen[0][2]
        assert seen[0][2].split("csrf")[0] == seen[1][2].split("csrf")[0]

    def test_H3_a_reset_is_answered_alike(self, company_a: World) -> None:
        known, unknown = (
            Client().post("/password", {"email": email}, follow=True)
            for email in (company_a.owner.email, "nobody@example.org")
        )
        assert known.redirect_chain == unknown.redirect_chain
        assert known.content == unknown.content


class TestSecondFactor:
    def test_the_page_asks_for_the_code_and_nothing_opens_before(self, company_a: World) -> None:
        user = company_a.users["owner"]
        enrolled(user)
        client = Client()
        assert post(user.email, client=client)["Location"] == "/signin/code"
        assert client.get("/jobs")["Location"].startswith("/signin")
        assert client.get(f"{API}/me").status_code == 401
        wrong = client.post("/signin/code", {"code": "000000"})
        assert wrong.status_code == 422
        code = code_now(user)
        assert client.post("/signin/code", {"code": code})["Location"] == "/"
        assert client.get("/jobs").status_code == 200
        again = Client()
        post(user.email, client=again)
        assert again.post("/signin/code", {"code": code}).status_code == 422  # the same code once more

    def test_the_code_page_alone_leads_back(self) -> None:
        assert Client().get("/signin/code")["Location"] == "/signin"
        assert Client().post("/signin/code", {"code": "123456"})["Location"] == "/signin"

    def test_half_a_sign_in_ends_with_a_new_password(self, company_a: World) -> None:
        user = company_a.users["owner"]
        enrolled(user)
        client = Client()
        post(user.email, client=client)
        user.set_password(NEW)
        user.save()
        assert client.post("/signin/code", {"code": code_now(user)})["Location"] == "/signin"

    def test_joining_a_second_company_asks_too(self, company_a: World, company_b: World) -> None:
        user = company_a.users["owner"]
        enrolled(user)
        with company(company_b.id):
            invited = people.invite(
                company_b.actor("owner"), email=user.email, name="A", roles=["technician"]
            )
            link = people.mail.invitation_link(invited).rpartition("/")[2]
        client = Client()
        joined = client.post(f"/invitation/{link}", {"password": PASSWORD})
        assert joined["Location"] == "/signin/code"
        assert client.get("/jobs").status_code == 302

    def sign_in(self, world: World, **more: Any) -> Any:
        body = {"email": world.supervisor.email, "password": PASSWORD} | more
        return with_token(world.tablet).post("/devices/sign-in", body, key=None)

    def test_the_tablet_asks_too(self, company_a: World) -> None:
        user = company_a.users["supervisor"]
        enrolled(user)
        asked = assert_problem(self.sign_in(company_a), 403, "second-factor-needed")
        assert asked["errors"][0]["pointer"] == "/code"
        assert_problem(self.sign_in(company_a, code="000000"), 422)
        assert_problem(self.sign_in(company_a, password="wrong", code=code_now(user)), 401)
        code = code_now(user)
        assert self.sign_in(company_a, code=code).status_code == 201
        assert_problem(self.sign_in(company_a, code=code), 422)
        assert SignInFailure.objects.filter(user_ref=user.id).count() == 3

    def test_a_company_may_need_it_with_some_days_to_set_it_up(self, company_a: World) -> None:
        owner = signed_in(company_a)
        assert owner.patch("/company", {"second_factor": True}, 1).status_code == 200
        assert "Your company asks you for a second factor" in owner.client.get("/jobs").content.decode()
        assert owner.get("/me").status_code == 200
        with company(company_a.id):
            Company.objects.update(second_factor_by=timezone.now())
        assert owner.client.get("/jobs")["Location"] == "/me/second-factor"
        assert_problem(owner.get("/members"), 403, "second-factor-needed")
        assert_problem(self.sign_in(company_a), 403, "second-factor-needed")
        technician = signed_in(company_a, "technician")  # not asked of them
        assert technician.client.get("/jobs").status_code == 200
        page = owner.client.get("/me/second-factor")
        assert page.status_code == 200
        user = company_a.users["owner"]
        kept = owner.client.post("/me/second-factor", {"code": code_now(user)})
        assert "Your recovery codes" in kept.content.decode()
        assert owner.client.get("/jobs").status_code == 200
        assert owner.get("/members").status_code == 200
        with company(company_a.id):
            seen = Company.objects.get()
        assert owner.patch("/company", {"second_factor": False}, seen.version).status_code == 200
        with company(company_a.id):
            assert Company.objects.get().second_factor_by is None

    def test_the_page_of_who_has_one(self, company_a: World) -> None:
        user = company_a.users["owner"]
        owner = signed_in(company_a).client
        codes = enrolled(user)
        owner.force_login(user)
        client = signed_in(company_a).client
        assert "is on" in client.get("/me/second-factor").content.decode()
        known = {"password": PASSWORD, "code": code_now(user)}
        for act in ("codes", "off"):
            for wrong in ({"code": "1"}, {"password": "wrong"}, {"code": ""}, {"password": ""}):
                assert client.post(f"/me/second-factor/{act}", known | wrong).status_code == 422
        failed = SignInFailure.objects.filter(user_ref=user.id).values_list("what", flat=True)
        assert sorted(failed) == ["code", "code", "password", "password"]
        shown = client.post("/me/second-factor/codes", known).content.decode()
        assert codes[0][:4] + "-" not in shown
        assert factor.recovery_codes_left(user) == 10
        again = {"password": PASSWORD, "code": code_now(user, 1)}
        off = client.post("/me/second-factor/off", again, follow=True)
        assert "The second factor is off" in off.content.decode()


def long_ago(client: Client) -> Client:
    """As if signed in a quarter of an hour ago."""
    session = client.session
    session[signins.PROVEN_KEY] = time.time() - 900
    session.save()
    return client


class TestSignInAgain:
    """What takes a whole company away is done by who signed in minutes ago only."""

    def owner(self, world: World) -> Client:
        client = Client()
        assert post(world.owner.email, client=client).status_code == 302
        return client

    def export(self, world: World) -> str:
        with company(world.id):
            return str(walk.exported(world).id)

    def test_at_once_after_signing_in_nothing_is_asked(self, company_a: World) -> None:
        client, export = self.owner(company_a), self.export(company_a)
        assert client.post("/company/data/export")["Location"] == "/company/data"
        assert client.get(f"/company/data/exports/{export}").status_code == 200
        assert client.get("/company/data/remove").status_code == 200

    def test_later_pages_lead_to_signing_in_again_and_back(self, company_a: World) -> None:
        client, export = long_ago(self.owner(company_a)), self.export(company_a)
        asked = "/signin/again?next=%2Fcompany%2Fdata"
        assert client.post("/company/data/export")["Location"] == asked
        assert client.get(f"/company/data/exports/{export}")["Location"] == asked
        assert client.get("/company/data/remove")["Location"] == f"{asked}%2Fremove"
        assert client.post("/company/data/remove", {"name": "x"})["Location"] == f"{asked}%2Fremove"
        with company(company_a.id):
            assert CompanyExport.objects.count() == 1
            assert not Event.objects.filter(verb="company.export_fetched").exists()
        assert client.get("/company/data").status_code == 200
        key = client.session.session_key
        fields = {"password": PASSWORD, "next": "/company/data"}
        assert client.post("/signin/again", fields)["Location"] == "/company/data"
        assert client.session.session_key != key
        assert client.get(f"/company/data/exports/{export}").status_code == 200
        assert client.post("/company/data/export")["Location"] == "/company/data"

    def test_rest_and_graphql_ask_too_and_no_key_can_do_it(self, company_a: World) -> None:
        export, name = self.export(company_a), company_a.company.name
        late = Caller(client=long_ago(self.owner(company_a)))
        asked = [
            late.post("/company/exports", {}),
            late.get(f"/company/exports/{export}/file"),
            late.post("/company/removal", {"export": export, "name": name}),
        ]
        for answer in asked:
            assert_problem(answer, 403, "sign-in-again")
        for change in ("export_ask", "removal_ask"):
            body = {"export": export, "name": name} if change == "removal_ask" else None
            told = problem_of(make(late, change, body=body, chosen="problem { type status }"), 403)
            assert told["type"] == "/problems/sign-in-again"
        with company(company_a.id):
            key = factories.make_key(company_a.id, sorted(SCOPES))[1]
        for caller in (with_token(key), with_token(company_a.technician_token)):
            assert_problem(caller.post("/company/exports", {}), 403, "forbidden")
        with company(company_a.id):
            assert CompanyExport.objects.count() == 1

    def test_wrong_ones_count_as_failed_sign_ins_and_are_kept(self, company_a: World) -> None:
        client = long_ago(self.owner(company_a))
        user = company_a.users["owner"]
        for n in range(factor.TRIES):
            assert client.post("/signin/again", {"password": f"wrong {n}"}).status_code == 422
        assert client.post("/signin/again", {"password": PASSWORD}).status_code == 429
        assert SignInFailure.objects.filter(user_ref=user.id, what="password").count() == factor.TRIES
        assert client.post("/company/data/export")["Location"].startswith("/signin/again")

    def test_who_has_a_second_factor_is_asked_for_it(self, company_a: World) -> None:
        user = company_a.users["owner"]
        client = long_ago(self.owner(company_a))
        enrolled(user)
        client.force_login(user)
        client = long_ago(signed_in(company_a).client)
        assert 'name="code"' in client.get("/signin/again").content.decode()
        for code in ("", "000000"):
            wrong = client.post("/signin/again", {"password": PASSWORD, "code": code})
            assert wrong.status_code == 422
        assert client.post("/company/data/export")["Location"].startswith("/signin/again")
        assert SignInFailure.objects.filter(user_ref=user.id, what="code").count() == 1
        right = {"password": PASSWORD, "code": code_now(user)}
        assert client.post("/signin/again", right).status_code == 302
        assert client.post("/company/data/export")["Location"] == "/company/data"

    def test_a_password_that_many_guess_at_is_not_enough(self, company_a: World) -> None:
        client = long_ago(self.owner(company_a))
        for n in range(people.FAILURES_OF_PERSON):
            people.check_password(company_a.owner.email, "wrong", f"10.0.{n}.1")
        answer = client.post("/signin/again", {"password": PASSWORD})
        assert answer.status_code == 403
        assert "Sign out and in again" in answer.content.decode()

    def test_only_within_this_service_is_gone_on(self, company_a: World) -> None:
        client = long_ago(self.owner(company_a))
        fields = {"password": PASSWORD, "next": "https://elsewhere.example/"}
        assert client.post("/signin/again", fields)["Location"] == "/"

    def test_a_wrong_password_at_an_invitation_is_kept_too(self, company_a: World, company_b: World) -> None:
        with company(company_a.id):
            made = people.invite(
                company_a.actor("owner"), email=company_b.owner.email, name="N", roles=["technician"]
            )
            path = f"/invitation/{people.mail.invitation_link(made).rpartition('/')[2]}"
        assert Client().post(path, {"password": "wrong"}).status_code == 422
        assert SignInFailure.objects.filter(user_ref=company_b.users["owner"].id).count() == 1
        assert Client().post(path, {"password": PASSWORD}).status_code == 302


class TestSignIns:
    def test_a_person_sees_and_ends_their_own(self, company_a: World) -> None:
        here, there = Client(headers={"User-Agent": "Mozilla/5.0 (X11; Linux) Firefox/140.0"}), Client()
        for client, address in ((here, HERE), (there, THERE)):
            assert post(company_a.owner.email, client=client, address=address).status_code == 302
        page = here.get("/me/sign-ins").content.decode()
        assert "Firefox, Linux" in page
        assert "198.51.100.0/24" in page
        assert THERE not in page
        row = SignIn.objects.get(network="198.51.100.0/24")
        assert there.get("/jobs").status_code == 200
        here.post(f"/me/sign-ins/{row.id}/end")
        assert there.get("/jobs")["Location"].startswith("/signin")
        assert here.get("/jobs").status_code == 200

    def test_nobody_ends_anothers(self, company_a: World, company_b: World) -> None:
        theirs = Client()
        post(company_b.owner.email, client=theirs)
        mine = signed_in(company_a).client
        row = SignIn.objects.get(user=company_b.users["owner"])
        mine.post(f"/me/sign-ins/{row.id}/end")
        assert theirs.get("/jobs").status_code == 200

    def test_ending_all_others_keeps_this_one_and_ends_tablets(self, company_a: World) -> None:
        here, there = Client(), Client()
        for client in (here, there):
            post(company_a.technician.email, client=client)
        assert with_token(company_a.technician_token).get("/me").status_code == 200
        here.post("/me/sign-ins/others")
        assert here.get("/jobs").status_code == 200
        assert there.get("/jobs").status_code == 302
        assert_problem(with_token(company_a.technician_token).get("/me"), 401)

    def test_a_new_password_ends_all(self, company_a: World) -> None:
        client = Client()
        post(company_a.technician.email, client=client)
        assert client.get("/jobs").status_code == 200
        user = User.objects.get(id=company_a.users["technician"].id)
        uid, secret = people.mail.password_link(user).split("/")[-2:]
        people.set_password(uid, secret, NEW)
        assert client.get("/jobs").status_code == 302
        assert_problem(with_token(company_a.technician_token).get("/me"), 401)
        assert not SignIn.objects.filter(user=company_a.users["technician"], ended_at=None).exists()

    def test_an_ended_one_shows_nothing_beside_a_token_either(self, company_a: World) -> None:
        client = Client()
        post(company_a.owner.email, client=client)
        SignIn.objects.update(ended_at=timezone.now())
        for path in ("/companies", "/signin/again", "/jobs"):
            answer = client.get(path, headers={"Authorization": "Bearer x.y"})
            assert answer.status_code == 302, path
            assert answer["Location"].startswith("/signin"), path

    def test_a_key_has_none_to_end(self, company_a: World) -> None:
        post(company_a.owner.email)
        path = f"/me/sign-ins/{SignIn.objects.get().id}/end"
        assert Client().post(path, headers=company_a.bearer).status_code == 403
        assert SignIn.objects.get().ended_at is None

    def test_signing_out_ends_the_sign_in(self, company_a: World) -> None:
        client = Client()
        post(company_a.owner.email, client=client)
        client.post("/signout")
        assert SignIn.objects.get().ended_at is not None

    def test_a_copied_cookie_is_worth_nothing_after_signing_out(self, company_a: World) -> None:
        client, thief = Client(), Client()
        post(company_a.owner.email, client=client)
        thief.cookies = client.cookies
        client.post("/signout")
        assert thief.get("/jobs").status_code == 302

    def test_the_owner_ends_a_members(self, company_a: World) -> None:
        member = signed_in(company_a, "technician").client
        client = Client()
        post(company_a.technician.email, client=client)
        owner = signed_in(company_a)
        seen = owner.get(f"/members/{company_a.technician.id}/sign-ins").json()["sign_ins"]
        assert {one["kind"] for one in seen} == {"browser"} or {"browser", "tablet"}
        assert owner.delete(f"/members/{company_a.technician.id}/sign-ins").status_code == 204
        assert client.get("/jobs").status_code == 302
        assert_problem(with_token(company_a.technician_token).get("/me"), 401)
        assert member is not None
        with company(company_a.id):
            assert Event.objects.filter(verb="member.signed_out").count() == 1

    def test_but_not_those_in_another_company(self, company_a: World, company_b: World) -> None:
        """A person of two companies: the owner of one sees and ends what came into theirs only."""
        user = company_b.users["technician"]
        with company(company_a.id):
            factories.Affiliation.objects.create(user=user, company_ref=company_a.id)
            factories.Member.objects.create(
                user_ref=user.id, name="Both", email=user.email, roles=["technician"]
            )
            both = factories.Member.objects.get(user_ref=user.id)
        client = Client()
        post(user.email, client=client)
        client.post("/companies", {"company": str(company_b.id)})
        owner = signed_in(company_a)
        assert owner.get(f"/members/{both.id}/sign-ins").json()["sign_ins"] == []
        owner.delete(f"/members/{both.id}/sign-ins")
        assert client.get("/jobs").status_code == 200
        client.post("/companies", {"company": str(company_a.id)})
        owner.delete(f"/members/{both.id}/sign-ins")
        assert client.get("/jobs").status_code == 302

    def test_the_door_of_ones_own(self, company_a: World) -> None:
        owner = signed_in(company_a)
        owner.get("/me")
        there = Client()
        post(company_a.owner.email, client=there)
        items = owner.get("/me/sign-ins").json()["sign_ins"]
        assert len(items) == 2
        assert [one["here"] for one in items].count(True) == 1
        other = next(one["id"] for one in items if not one["here"])
        assert owner.delete(f"/me/sign-ins/{other}").status_code == 204
        assert there.get("/jobs").status_code == 302
        assert_problem(owner.delete(f"/me/sign-ins/{other}"), 404)
        assert_problem(with_token(company_a.key_text).get("/me/sign-ins"), 403)
        person = with_token(company_a.technician_token)
        assert [one["kind"] for one in person.get("/me/sign-ins").json()["sign_ins"]] == ["tablet"]

    def test_seen_is_noted_within_minutes_only(self, company_a: World) -> None:
        client = Client()
        post(company_a.owner.email, client=client)
        client.get("/jobs")
        first = SignIn.objects.get().seen_at
        client.get("/jobs")
        assert SignIn.objects.get().seen_at == first
        SignIn.objects.update(seen_at=first - signins.SEEN_EVERY * 2)
        client.get("/jobs")
        assert SignIn.objects.get().seen_at > first - signins.SEEN_EVERY

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("Mozilla/5.0 (Windows NT 10.0) AppleWebKit Chrome/140.0 Safari/537 Edg/140.0", "Edge, Windows"),
            ("Mozilla/5.0 (Linux; Android 15) Chrome/140.0 Mobile Safari/537", "Chrome, Android"),
            ("Mozilla/5.0 (iPad; CPU OS 18) Version/18 Safari/605", "Safari, iPad"),
            ("curl/8", "another program"),
            ("", "another program"),
            ("<script>" * 500, "another program"),
        ],
    )
    def test_agents_in_words(self, text: str, words: str) -> None:
        assert signins.agent_words(text) == words

    def test_a_key_of_a_tablet_ends_too(self, company_a: World) -> None:
        with company(company_a.id):
            row = AccessToken.objects.get(kind="person", member=company_a.technician)
        client = Client()
        post(company_a.technician.email, client=client)
        client.post(f"/me/sign-ins/{row.id}/end")
        assert_problem(with_token(company_a.technician_token).get("/me"), 401)
