"""The owner's pages: what is done, what is refused at its field, and that secrets are shown once."""

import re

import pytest
from django.test import Client

from jobs.access import Role
from jobs.models import AccessToken, Company, Device, Event, Integration, Invitation, Member, PairingCode
from jobs.tenancy.context import company
from tests.factories import World
from tests.pages.conftest import In, value_of, words

pytestmark = pytest.mark.django_db
KEY = {"name": "Accounting", "scopes": ["read", "plan"], "expires_on": ""}


def secret_of(content: bytes) -> str:
    found = re.search(r'id="secret">([^<]+)<', content.decode())
    assert found, "no secret on the page"
    return found[1]


# People


def test_the_owner_invites_and_withdraws(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    fields = {"name": "New Person", "email": "New@Example.org", "roles": ["technician", "supervisor"]}
    done = client.post("/company/invite", fields, follow=True)
    assert "on its way to New@Example.org" in words(done)
    assert "Supervisor, technician" in words(done)
    with company(company_a.id):
        made = Invitation.objects.get(email="new@example.org")
    ended = client.post(f"/company/invitations/{made.id}/withdraw", follow=True)
    assert "The invitation is withdrawn" in words(ended)
    assert "new@example.org" not in words(ended)


def test_a_refused_invitation_says_why_at_the_field(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    empty = client.post("/company/invite", {"name": "", "email": "nonsense"})
    assert empty.status_code == 422
    for text in ("Enter the person's name.", "This is not an e-mail address", "Choose at least one role."):
        assert text in words(empty)
    taken = {"name": "Again", "email": company_a.technician.email, "roles": ["owner"]}
    assert "works here already" in words(client.post("/company/invite", taken))
    forged = {"name": "A", "email": "a@example.org", "roles": ["king"]}
    assert client.post("/company/invite", forged).status_code == 422


def member_fields(client: Client, address: str, member: Member, **changes: object) -> dict[str, object]:
    fields = {"version": value_of(client.get(address), "version"), "name": member.name}
    return fields | {"roles": member.roles, "unit_system": "", "active": "on"} | changes


def test_the_owner_changes_a_person(signed_in: In, company_a: World) -> None:
    client, address = signed_in("owner"), f"/company/people/{company_a.technician.id}"
    fields = member_fields(client, address, company_a.technician, name="T. Reed", roles=["supervisor"])
    assert "T. Reed is changed." in words(client.post(address, fields, follow=True))
    with company(company_a.id):
        assert Member.objects.get(id=company_a.technician.id).roles == ["supervisor"]
    late = client.post(address, fields)
    assert late.status_code == 422
    assert "changed since you looked" in words(late)


def test_a_person_who_leaves_is_out_at_once(signed_in: In, company_a: World) -> None:
    owner, technician = signed_in("owner"), signed_in("technician")
    address = f"/company/people/{company_a.technician.id}"
    fields = member_fields(owner, address, company_a.technician)
    del fields["active"]
    assert technician.get("/jobs").status_code == 200
    owner.post(address, fields)
    assert technician.get("/jobs").status_code == 302


def test_the_last_owner_stays(signed_in: In, company_a: World) -> None:
    client, address = signed_in("owner"), f"/company/people/{company_a.owner.id}"
    answer = client.post(address, member_fields(client, address, company_a.owner, roles=["technician"]))
    assert "needs at least one active owner" in words(answer)
    with company(company_a.id):
        assert Role.OWNER in Member.objects.get(id=company_a.owner.id).roles


# Integration keys


def test_a_key_is_shown_once_and_works(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    made = client.post("/company/keys", KEY)
    assert made.status_code == 302
    cookie = made.cookies["new-key"]
    assert cookie["httponly"]
    assert cookie["samesite"] == "Strict"
    assert cookie["path"] == "/company/keys"
    assert 0 < cookie["max-age"] <= 120
    shown = client.get("/company/keys")
    secret = secret_of(shown.content)
    assert "no-store" in shown["Cache-Control"]
    assert Client().get("/api/v1/jobs", headers={"Authorization": f"Bearer {secret}"}).status_code == 200
    again = client.get("/company/keys")
    assert secret not in again.content.decode()
    assert 'id="secret"' not in again.content.decode()
    assert secret not in str(client.session.items())
    with company(company_a.id):
        assert secret not in str(list(AccessToken.objects.values()) + list(Event.objects.values()))


def test_nobody_puts_a_key_of_their_own_before_the_owner(signed_in: In) -> None:
    client = signed_in("owner")
    client.cookies["new-key"] = "a-key-from-elsewhere"
    assert b"a-key-from-elsewhere" not in client.get("/company/keys").content


def test_a_revoked_key_is_refused(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    assert Client().get("/api/v1/jobs", headers=company_a.bearer).status_code == 200
    done = client.post(f"/company/keys/{company_a.key.id}/revoke", follow=True)
    assert "The key is revoked" in words(done)
    assert Client().get("/api/v1/jobs", headers=company_a.bearer).status_code == 401


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"name": ""}, "Say which system uses the key."),
        ({"scopes": []}, "Choose at least one thing"),
        ({"scopes": ["everything"]}, "everything"),
        ({"expires_on": "soon"}, "year-month-day"),
        ({"expires_on": "2020-01-01"}, "passed"),
    ],
)
def test_a_refused_key_says_why(
    signed_in: In, company_a: World, change: dict[str, object], text: str
) -> None:
    answer = signed_in("owner").post("/company/keys", KEY | change)
    assert answer.status_code == 422
    assert text in words(answer)
    with company(company_a.id):
        assert AccessToken.objects.filter(name="Accounting").count() == 0


# Connected systems

PORTAL = {"name": "Portal", "contact": "it@portal.example", "purpose": "Shows reports to the owner."}


def test_a_system_is_connected_gets_keys_and_is_cut_off(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    assert "only the owners" not in words(client.get("/company/keys"))
    done = client.post("/company/integrations/new", PORTAL, follow=True)
    assert "Portal is connected. Make a key for it." in words(done)
    with company(company_a.id):
        row = Integration.objects.get(name="Portal")
        assert (row.contact, row.purpose) == (PORTAL["contact"], PORTAL["purpose"])
    secrets = []
    for name in ("Portal 1", "Portal 2"):
        client.post("/company/keys", KEY | {"name": name, "integration": str(row.id)})
        secrets.append(secret_of(client.get("/company/keys").content))
    page = words(client.get("/company/keys"))
    assert "Portal it@portal.example Shows reports to the owner. 2 never" in page
    bearer = [{"Authorization": f"Bearer {secret}"} for secret in secrets]
    assert Client().get("/api/v1/jobs", headers=bearer[0]).status_code == 200
    assert re.search(r"owner. 2 \d{4}-\d\d-\d\d \d\d:\d\d", words(client.get("/company/keys")))
    assert "Portal 1" in words(client.get(f"/company/integrations/{row.id}"))
    ended = client.post(f"/company/integrations/{row.id}/end", follow=True)
    assert "The system is cut off" in words(ended)
    assert [Client().get("/api/v1/jobs", headers=one).status_code for one in bearer] == [401, 401]
    gone = client.get(f"/company/integrations/{row.id}")
    assert "Cut off" in words(gone)
    assert "Save the changes" not in words(gone)


def test_a_system_is_changed_as_it_was_seen(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    client.post("/company/integrations/new", PORTAL)
    with company(company_a.id):
        row = Integration.objects.get(name="Portal")
    place = f"/company/integrations/{row.id}"
    seen = {"version": value_of(client.get(place), "version")}
    changed = client.post(place, seen | PORTAL | {"contact": "new@portal.example"}, follow=True)
    assert "new@portal.example" in words(changed)
    late = client.post(place, seen | PORTAL)
    assert late.status_code == 422
    with company(company_a.id):
        assert Integration.objects.get(id=row.id).contact == "new@portal.example"


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"name": " "}, "Give a name of 1 to 80 characters."),
        ({"name": "x" * 81}, "80"),
        ({"contact": "nobody"}, "This is not an e-mail address"),
        ({"purpose": "x" * 401}, "400"),
        ({"name": "Known"}, "There is already an integration of this name."),
    ],
)
def test_a_refused_system_says_why(
    signed_in: In, company_a: World, change: dict[str, object], text: str
) -> None:
    client = signed_in("owner")
    client.post("/company/integrations/new", PORTAL | {"name": "Known"})
    answer = client.post("/company/integrations/new", PORTAL | change)
    assert answer.status_code == 422
    assert text in words(answer)
    with company(company_a.id):
        assert Integration.objects.count() == 1


def test_a_key_of_another_companys_system_is_refused(
    signed_in: In, company_a: World, company_b: World
) -> None:
    signed_in("owner", company_b).post("/company/integrations/new", PORTAL)
    client = signed_in("owner")
    client.post("/company/integrations/new", PORTAL)
    with company(company_b.id):
        theirs = Integration.objects.get()
    for other in (str(theirs.id), "nothing"):
        assert client.post("/company/keys", KEY | {"integration": other}).status_code == 422
    place = f"/company/integrations/{theirs.id}"
    assert client.get(place).status_code == client.post(f"{place}/end").status_code == 404
    with company(company_a.id):
        assert AccessToken.objects.filter(name="Accounting").count() == 0


# Tablets


@pytest.mark.parametrize("role", ["owner", "dispatcher"])
def test_a_pairing_code_is_shown_once_and_pairs(signed_in: In, company_a: World, role: str) -> None:
    client = signed_in(role)
    assert client.post("/company/tablets", {"device_name": "Tablet 2"}).status_code == 302
    shown = client.get("/company/tablets")
    code = secret_of(shown.content)
    assert re.fullmatch(r"[A-Z2-9]{4} [A-Z2-9]{4}", code)
    assert code not in client.get("/company/tablets").content.decode()
    with company(company_a.id):
        assert PairingCode.objects.get().device_name == "Tablet 2"


def test_a_removed_tablet_is_refused(signed_in: In, company_a: World) -> None:
    header = {"Authorization": f"Bearer {company_a.technician_token}"}
    assert Client().get("/api/v1/jobs", headers=header).status_code == 200
    done = signed_in("owner").post(f"/company/tablets/{company_a.device.id}/revoke", follow=True)
    assert "The tablet is removed" in words(done)
    assert Client().get("/api/v1/jobs", headers=header).status_code == 401


def test_a_tablet_needs_a_name(signed_in: In) -> None:
    answer = signed_in("owner").post("/company/tablets", {"device_name": " "})
    assert answer.status_code == 422
    assert "Give the tablet a name." in words(answer)


# Rules of the house


def rules(client: Client, **changes: object) -> dict[str, object]:
    page = client.get("/company/rules")
    return {
        "version": value_of(page, "version"),
        "name": "Northgate Air Balance",
        "letterhead": "1 Mill Lane\r\nElmbridge",
        "paper": "A4",
        "unit_system": "IP",
        "time_zone": "Europe/London",
        "standard_density": "1.2014",
        "tolerance_below": "5",
        "tolerance_above": "7.5",
        "decision_rule": "guarded",
        "decision_parameter": "1",
        "fan_static": "field",
        "rule_bias_corrected": "on",
        "calibration_lapse": "warn",
        "reminder_days": "60, 14",
        "day_starts": "06:30",
        "day_ends": "15:00",
        "travel_minutes": "20",
        "self_approval": "on",
    } | changes


def test_the_owner_changes_the_rules(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    fields = rules(client)
    assert "The rules are changed." in words(client.post("/company/rules", fields, follow=True))
    with company(company_a.id):
        made = Company.objects.get()
    assert (made.tolerance_below, made.tolerance_above) == (0.05, 0.075)
    assert (made.letterhead, made.unit_system) == ("1 Mill Lane\nElmbridge", "IP")
    assert (made.decision_rule, made.self_approval, made.version) == ("guarded", True, 2)
    assert made.reminder_days == [60, 14]
    assert value_of(client.get("/company/rules"), "reminder_days") == "60, 14"
    assert value_of(client.get("/company/rules"), "tolerance_above") == "7.5"
    late = client.post("/company/rules", fields)
    assert late.status_code == 422
    assert "changed since you looked" in words(late)


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        ("name", "", "Enter the company's name."),
        ("time_zone", "Mars/Olympus", "Name a zone of the IANA list"),
        ("standard_density", "9", "Standard air lies between"),
        ("tolerance_below", "95", "A tolerance lies between 1 % and 50 %"),
        ("tolerance_below", "NaN", "Enter a number"),
        ("decision_parameter", "3", "A guard band is 0 to 2"),
        ("letterhead", "a\n" * 9, "at most 8 lines"),
        ("paper", "A0", "A0"),
        ("reminder_days", "30, soon", "Write whole numbers of days"),
        ("reminder_days", "30, 0", "1 to 365"),
        ("reminder_days", "7, 7", "different"),
    ],
)
def test_a_refused_rule_says_why_at_its_field(
    signed_in: In, company_a: World, field: str, value: str, text: str
) -> None:
    client = signed_in("owner")
    answer = client.post("/company/rules", rules(client, **{field: value}))
    assert answer.status_code == 422
    page = answer.content.decode()
    error = page[page.index(f'id="id_{field}_error"') :][:400]
    assert text in error.replace("&#x27;", "'")
    with company(company_a.id):
        assert Company.objects.get().version == 1


# Other companies


def test_ids_of_another_company_lead_nowhere(signed_in: In, company_b: World) -> None:
    client, other = signed_in("owner"), company_b
    assert client.get(f"/company/people/{other.technician.id}").status_code == 404
    for address in (
        f"/company/people/{other.technician.id}",
        f"/company/keys/{other.key.id}/revoke",
        f"/company/tablets/{other.device.id}/revoke",
        f"/company/invitations/{other.job.id}/withdraw",
    ):
        assert client.post(address, {}).status_code == 404, address
    with company(other.id):
        assert AccessToken.objects.get(id=other.key.id).revoked_at is None
        assert Device.objects.get().revoked_at is None
        assert set(Member.objects.values_list("version", flat=True)) == {1}
