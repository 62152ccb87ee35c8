"""Keys and tablets: made, shown once, limited, ended."""

import hashlib
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.utils import timezone

from jobs import people, tokens
from jobs.access import hash_secret
from jobs.errors import Invalid, NotSignedIn
from jobs.models import AccessToken, Event, IdempotencyKey, Member, PairingCode
from jobs.tenancy.context import company
from jobs.tenancy.ids import short_id, uuid7
from tests import factories
from tests.doors.client import Caller, assert_problem, pointers, signed_in, with_key, with_token
from tests.factories import World

KEY = {"name": "Building portal", "scopes": ["read"]}


class TestKeys:
    def test_is_shown_once_and_only_its_hash_is_kept(self, company_a: World) -> None:
        owner = signed_in(company_a)
        made = owner.post("/keys", KEY)
        assert made.status_code == 201
        text = made.json()["token"]
        assert len(text.partition(".")[2]) == 43  # 256 bits in base64
        assert text.startswith(short_id(company_a.id))
        again = owner.get(made["Location"].removeprefix("/api/v1"))
        assert "token" not in again.json()
        with company(company_a.id):
            row = AccessToken.objects.get(id=made.json()["id"])
            assert bytes(row.secret_hash) == hashlib.sha256(text.partition(".")[2].encode()).digest()

    def test_secret_is_not_stored_for_repeats(self, company_a: World) -> None:
        owner = signed_in(company_a)
        text = owner.post("/keys", KEY, key="one").json()["token"]
        repeat = owner.post("/keys", KEY, key="one")
        assert repeat.status_code == 409
        assert repeat["Idempotent-Replayed"] == "true"
        with company(company_a.id):
            assert AccessToken.objects.filter(name=KEY["name"]).count() == 1
            stored = bytes(IdempotencyKey.objects.get(key="one").body).decode()
        assert text.partition(".")[2] not in stored

    def test_revoked_is_refused_at_the_next_request(self, company_a: World) -> None:
        owner, key = signed_in(company_a), with_key(company_a)
        assert key.get("/me").status_code == 200
        assert owner.delete(f"/keys/{company_a.key.id}").status_code == 204
        assert_problem(key.get("/me"), 401, "not-signed-in")
        assert owner.delete(f"/keys/{company_a.key.id}").status_code == 204
        with company(company_a.id):
            assert Event.objects.filter(verb="key.revoked").count() == 1

    def test_expired_is_refused(self, company_a: World) -> None:
        with company(company_a.id):
            AccessToken.objects.filter(id=company_a.key.id).update(expires_at=timezone.now())
        assert_problem(with_key(company_a).get("/me"), 401)

    def test_does_what_its_scopes_say_and_no_more(self, company_a: World) -> None:
        with company(company_a.id):
            text = factories.make_key(company_a.id, ["read"])[1]
        reader = with_token(text)
        assert reader.get("/customers").status_code == 200
        assert_problem(reader.post("/customers", {"name": "Town"}), 403, "forbidden")
        for path in ("/keys", "/invitations", "/devices"):
            assert_problem(with_key(company_a).get(path), 403)
        assert_problem(with_key(company_a).patch("/company", {"name": "X"}, 1), 403)

    @pytest.mark.parametrize(
        ("change", "place"),
        [
            ({"name": ""}, "/name"),
            ({"name": "x" * 81}, "/name"),
            ({"scopes": []}, "/scopes"),
            ({"scopes": ["approve"]}, "/scopes/0"),
            ({"expires_at": "2020-01-01T00:00:00Z"}, "/expires_at"),
            ({"expires_at": "soon"}, "/expires_at"),
            ({"secret": "mine"}, "/secret"),
        ],
    )
    def test_bad_input_names_its_place(self, company_a: World, change: dict[str, Any], place: str) -> None:
        answer = signed_in(company_a).post("/keys", KEY | change)
        assert_problem(answer, 422, "invalid")
        assert pointers(answer) == [place]

    def test_of_another_company_cannot_be_seen_or_ended(self, company_a: World, company_b: World) -> None:
        owner = signed_in(company_a)
        for one in (company_b.key.id, uuid7(), company_a.device.id):
            assert_problem(owner.get(f"/keys/{one}"), 404)
            assert_problem(owner.delete(f"/keys/{one}"), 404)
        assert with_key(company_b).get("/me").status_code == 200

    @pytest.mark.parametrize("role", ["dispatcher", "technician", "supervisor"])
    def test_are_the_owners(self, company_a: World, role: str) -> None:
        assert_problem(signed_in(company_a, role).post("/keys", KEY), 403)

    @pytest.mark.parametrize(
        "header",
        ["Bearer", "Bearer ", "Bearer x", "Basic dTpw", "bearer a.b", f"Bearer {'a' * 26}.x", "Bearer \x00"],
    )
    def test_senseless_headers_are_nobody(self, company_a: World, header: str) -> None:
        assert_problem(Caller({"Authorization": header}).get("/me"), 401)

    def test_two_at_once_are_malformed(self, company_a: World, company_b: World) -> None:
        both = {"Authorization": f"Bearer {company_a.key_text}, Bearer {company_b.key_text}"}
        assert_problem(Caller(both).get("/me"), 400)

    def test_in_the_address_is_not_taken(self, company_a: World) -> None:
        assert_problem(Caller().get(f"/me?token={company_a.key_text}"), 401)

    def test_beats_the_cookie(self, company_a: World, company_b: World) -> None:
        both = signed_in(company_a)
        both.headers = company_b.bearer
        assert both.get("/me").json()["company"]["id"] == str(company_b.id)
        both.headers = {"Authorization": "Bearer x.y"}
        assert_problem(both.get("/me"), 401)


def start(world: World, role: str = "dispatcher") -> dict[str, Any]:
    made = signed_in(world, role).post("/devices/pairing-codes", {"name": "Tablet 7"})
    assert made.status_code == 201, made.content
    body: dict[str, Any] = made.json()
    return body


def pair(body: dict[str, Any], **change: Any) -> Any:
    return Caller().post(
        "/devices/pair", {"company": body["company"], "code": body["code"]} | change, key=None
    )


class TestPairing:
    def test_code_enrols_one_tablet(self, company_a: World) -> None:
        body = start(company_a)
        assert len(body["code"]) == 8
        spoken = f" {body['code'][:4].lower()}-{body['code'][4:]} "
        paired = pair(body, code=spoken)
        assert paired.status_code == 201, paired.content
        tablet = with_token(paired.json()["token"])
        assert tablet.get("/me").json()["kind"] == "tablet"
        assert pointers(pair(body)) == ["/code"]
        assert_problem(tablet.get("/members"), 403)

    def test_code_is_kept_as_a_keyed_hash(self, company_a: World) -> None:
        code = start(company_a)["code"]
        with company(company_a.id):
            kept = bytes(PairingCode.objects.get().code_hash)
        assert kept != hash_secret(code)
        assert len(kept) == 32

    def test_code_ends_after_ten_minutes(self, company_a: World) -> None:
        body = start(company_a)
        with company(company_a.id):
            row = PairingCode.objects.get()
            assert timedelta(minutes=9) < row.expires_at - timezone.now() <= timedelta(minutes=10)
            PairingCode.objects.update(expires_at=timezone.now())
        assert_problem(pair(body), 422)

    def test_code_of_who_left_is_dead(self, company_a: World) -> None:
        body = start(company_a)
        with company(company_a.id):
            people.change_member(
                company_a.actor("owner"), company_a.dispatcher.id, 1, people.MemberChange(active=False)
            )
        assert_problem(pair(body), 422)

    def test_wrong_codes_and_wrong_companies_look_the_same(self, company_a: World, company_b: World) -> None:
        body = start(company_a)
        tries = [
            pair(body, code="AAAA2222"),
            pair(body, company=short_id(company_b.id)),
            pair(body, company=short_id(uuid7())),
        ]
        answers = [assert_problem(one, 422) | {"instance": ""} for one in tries]
        assert answers[0] == answers[1] == answers[2]
        assert pair(body).status_code == 201

    def test_guessing_ends(self, company_a: World) -> None:
        body = start(company_a)
        for n in range(tokens.PAIRINGS):
            assert pair(body, code=f"AAAA222{n % 8 + 2}").status_code == 422
        refused = pair(body)
        assert_problem(refused, 429, "too-many")
        assert int(refused["Retry-After"]) > 0

    @pytest.mark.parametrize("role", ["technician", "supervisor"])
    def test_is_started_by_owner_or_dispatcher(self, company_a: World, role: str) -> None:
        answer = signed_in(company_a, role).post("/devices/pairing-codes", {"name": "T"})
        assert_problem(answer, 403)

    def test_name_is_needed(self, company_a: World) -> None:
        assert pointers(signed_in(company_a).post("/devices/pairing-codes", {"name": "  "})) == ["/name"]


def sign_in(tablet: str, email: str, password: str = factories.PASSWORD) -> Any:
    body = {"email": email, "password": password}
    return with_token(tablet).post("/devices/sign-in", body, key=None)


class TestOnTablet:
    def test_people_share_a_tablet(self, company_a: World) -> None:
        first = sign_in(company_a.tablet, company_a.technician.email)
        second = sign_in(company_a.tablet, company_a.supervisor.email)
        assert [first.status_code, second.status_code] == [201, 201]
        for answer, member in ((first, company_a.technician), (second, company_a.supervisor)):
            me = with_token(answer.json()["token"]).get("/me").json()
            assert me["member"]["id"] == str(member.id)
            assert me["device"] == str(company_a.device.id)
            assert me["may"] == ["read", "measure", "submit"]

    def test_is_good_for_eight_days(self, company_a: World) -> None:
        body = sign_in(company_a.tablet, company_a.technician.email).json()
        with company(company_a.id):
            row = AccessToken.objects.filter(kind="person").latest("created_at")
            assert timedelta(days=7, hours=23) < row.expires_at - timezone.now() <= timedelta(days=8)
            AccessToken.objects.filter(id=row.id).update(expires_at=timezone.now())
        assert_problem(with_token(body["token"]).get("/me"), 401)

    def test_signing_in_again_ends_the_earlier_token(self, company_a: World) -> None:
        first = sign_in(company_a.tablet, company_a.technician.email).json()["token"]
        second = sign_in(company_a.tablet, company_a.technician.email).json()["token"]
        assert_problem(with_token(first).get("/me"), 401)
        assert with_token(second).get("/me").status_code == 200

    def test_renewing_gives_eight_days_from_now_but_never_beyond_ninety(self, company_a: World) -> None:
        person = with_token(sign_in(company_a.tablet, company_a.technician.email).json()["token"])
        with company(company_a.id):
            mine = AccessToken.objects.filter(id=AccessToken.objects.latest("created_at").id)
            mine.update(expires_at=timezone.now() + timedelta(hours=1))
        answer = person.post("/devices/renew", key=None)
        assert answer.status_code == 200, answer.content
        with company(company_a.id):
            until = mine.get().expires_at
            assert timedelta(days=7, hours=23) < until - timezone.now() <= timedelta(days=8)
            mine.update(created_at=timezone.now() - timedelta(days=85))
            mine.update(expires_at=timezone.now() + timedelta(hours=1))
        assert person.post("/devices/renew", key=None).status_code == 200
        with company(company_a.id):
            assert timedelta(days=4, hours=23) < mine.get().expires_at - timezone.now() <= timedelta(days=5)

    def test_only_a_person_on_a_tablet_renews(self, company_a: World) -> None:
        assert_problem(with_token(company_a.key_text).post("/devices/renew", key=None), 409)
        assert_problem(Caller().post("/devices/renew", key=None), 401)

    def test_signing_out_ends_it(self, company_a: World) -> None:
        person = with_token(sign_in(company_a.tablet, company_a.technician.email).json()["token"])
        assert person.post("/devices/sign-out", key=None).status_code == 204
        assert_problem(person.get("/me"), 401)
        assert with_token(company_a.tablet).get("/me").status_code == 200

    def test_wrong_password_unknown_person_stranger_and_who_left_look_the_same(
        self, company_a: World, company_b: World
    ) -> None:
        with company(company_a.id):
            Member.objects.filter(id=company_a.supervisor.id).update(active=False)
        tries = [
            sign_in(company_a.tablet, company_a.supervisor.email),
            sign_in(company_a.tablet, company_a.technician.email, "wrong"),
            sign_in(company_a.tablet, "nobody@example.org"),
            sign_in(company_a.tablet, company_b.technician.email),
        ]
        answers = [assert_problem(one, 401, "not-signed-in") | {"instance": ""} for one in tries]
        assert all(one == answers[0] for one in answers)

    def test_guessing_ends(self, company_a: World) -> None:
        for _ in range(people.TRIES):
            assert sign_in(company_a.tablet, company_a.technician.email, "wrong").status_code == 401
        assert_problem(sign_in(company_a.tablet, company_a.technician.email), 429)

    def test_needs_the_tablets_own_token(self, company_a: World) -> None:
        for other in (company_a.key_text, company_a.technician_token):
            assert_problem(sign_in(other, company_a.technician.email), 403)
        nobody = {"email": "a@b.org", "password": "x"}
        assert_problem(Caller().post("/devices/sign-in", nobody, key=None), 401)

    def test_ending_the_tablet_ends_everybody_on_it(self, company_a: World) -> None:
        person = sign_in(company_a.tablet, company_a.supervisor.email).json()["token"]
        owner = signed_in(company_a)
        assert owner.delete(f"/devices/{company_a.device.id}").status_code == 204
        for text in (company_a.tablet, company_a.technician_token, person):
            assert_problem(with_token(text).get("/me"), 401)
        ended = owner.get(f"/devices/{company_a.device.id}").json()["revoked_at"]
        with company(company_a.id):
            ends = {one.revoked_at for one in AccessToken.objects.filter(device=company_a.device)}
        assert ends == {datetime.fromisoformat(ended)}

    def test_another_companys_tablet_is_out_of_reach(self, company_a: World, company_b: World) -> None:
        owner = signed_in(company_a)
        assert_problem(owner.delete(f"/devices/{company_b.device.id}"), 404)
        assert with_token(company_b.tablet).get("/me").status_code == 200


class TestActions:
    @pytest.mark.parametrize(
        ("given", "places"),
        [
            ({"scopes": []}, ["/scopes"]),
            ({"scopes": ["read", "approve"]}, ["/scopes"]),
            ({"name": " ", "scopes": ["approve"]}, ["/name", "/scopes"]),
        ],
    )
    def test_a_key_needs_a_name_and_known_scopes(
        self, company_a: World, given: dict[str, Any], places: list[str]
    ) -> None:
        with company(company_a.id), pytest.raises(Invalid) as refused:
            tokens.make_key(company_a.actor("owner"), **{"name": "Ledger", "scopes": ["read"]} | given)
        assert [one.pointer for one in refused.value.faults] == places

    def test_what_has_ended_ends_once(self, company_a: World) -> None:
        with company(company_a.id):
            owner = company_a.actor("owner")
            for _ in range(2):
                tokens.revoke_device(owner, company_a.device.id)
                tokens.revoke_key(owner, company_a.key.id)
            verbs = list(Event.objects.order_by("id").values_list("verb", flat=True))
        assert verbs == ["device.revoked", "key.revoked"]

    def test_a_tablet_needs_a_name(self, company_a: World) -> None:
        with company(company_a.id), pytest.raises(Invalid) as refused:
            tokens.start_pairing(company_a.actor("owner"), device_name="x" * 81)
        assert [one.pointer for one in refused.value.faults] == ["/device_name"]

    def test_end_in_the_past_is_refused(self, company_a: World) -> None:
        with company(company_a.id), pytest.raises(Invalid) as refused:
            tokens.make_key(company_a.actor("owner"), name="x", scopes=["read"], expires_at=timezone.now())
        assert refused.value.faults[0].pointer == "/expires_at"

    def test_nobody_signs_in_without_a_tablet(self, company_a: World) -> None:
        with company(company_a.id), pytest.raises(NotSignedIn):
            tokens.sign_in_on_device(None, email="a@b.org", password="x", address="192.0.2.1")
