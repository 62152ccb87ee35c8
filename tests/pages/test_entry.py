"""Coming in: by password, by choice of company, by a link for a new password, by an invitation."""

import pytest
from django.conf import settings
from django.test import Client

from jobs import mail, people
from jobs.access import Role
from jobs.models import Affiliation, DueWork, Member
from jobs.tenancy.context import company
from jobs.tenancy.middleware import SESSION_KEY
from tests.factories import PASSWORD, World
from tests.pages.conftest import In, words

pytestmark = pytest.mark.django_db
NEW = "an entirely new sentence"


def test_signing_in_enters_the_only_company_under_a_new_session_key(company_a: World) -> None:
    client = Client()
    client.get("/signin")
    session = client.session
    session["kept"] = "before"
    session.save()
    before = session.session_key
    client.cookies[settings.SESSION_COOKIE_NAME] = str(before)
    email = company_a.users["owner"].email.upper()
    answer = client.post("/signin", {"email": f" {email} ", "password": PASSWORD, "next": "/jobs"})
    assert (answer.status_code, answer["Location"]) == (302, "/jobs")
    assert client.session[SESSION_KEY] == str(company_a.id)
    assert client.session.session_key != before
    assert client.get("/").status_code == 200


@pytest.mark.parametrize(
    "onward", ["https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)"]
)
def test_signing_in_leads_nowhere_outside(company_a: World, onward: str) -> None:
    fields = {"email": company_a.users["owner"].email, "password": PASSWORD, "next": onward}
    assert Client().post("/signin", fields)["Location"] == "/"


def test_a_wrong_password_and_an_unknown_person_look_the_same(company_a: World) -> None:
    known = {"email": company_a.users["owner"].email, "password": "not the right one"}
    answers = [Client().post("/signin", fields) for fields in (known, known | {"email": "no@example.org"})]
    assert [answer.status_code for answer in answers] == [401, 401]
    assert all("The e-mail or the password is wrong." in words(answer) for answer in answers)
    assert SESSION_KEY not in answers[0].client.session


def test_guessing_ends_and_says_how_long(company_a: World) -> None:
    client, fields = Client(), {"email": company_a.users["owner"].email, "password": "guess"}
    answers = [client.post("/signin", fields) for _ in range(people.TRIES + 1)]
    assert [answer.status_code for answer in answers[-2:]] == [401, 429]
    assert "Wait a quarter of an hour" in words(answers[-1])
    assert client.post("/signin", fields | {"password": PASSWORD}).status_code == 429


def test_empty_fields_say_what_is_missing(company_a: World) -> None:
    answer = Client().post("/signin", {"email": "", "password": ""})
    assert answer.status_code == 422
    assert "Enter your e-mail address." in words(answer)
    assert "Enter the password." in words(answer)
    assert b'aria-invalid="true"' in answer.content


def test_somebody_of_two_companies_chooses_and_changes(company_a: World, company_b: World) -> None:
    user = company_a.users["owner"]
    with company(company_b.id):
        Affiliation.objects.create(user=user, company_ref=company_b.id)
        Member.objects.create(user_ref=user.id, name="Guest", email=user.email, roles=[Role.TECHNICIAN])
    client = Client()
    answer = client.post("/signin", {"email": user.email, "password": PASSWORD, "next": "/jobs"})
    assert answer["Location"] == "/companies?next=%2Fjobs"
    shown = words(client.get(answer["Location"]))
    assert company_a.company.name in shown
    assert company_b.company.name in shown
    chosen = client.post("/companies", {"company": str(company_b.id), "next": "/jobs"})
    assert chosen["Location"] == "/jobs"
    assert company_b.company.name in words(client.get("/"))
    client.post("/companies", {"company": str(company_a.id)})
    assert company_a.company.name in words(client.get("/"))


def test_nobody_enters_a_company_of_others(signed_in: In, company_a: World, company_b: World) -> None:
    client = signed_in("owner")
    assert client.post("/companies", {"company": str(company_b.id)}).status_code == 404
    assert client.post("/companies", {"company": "no id"}).status_code == 400
    assert client.session[SESSION_KEY] == str(company_a.id)


def test_somebody_who_left_every_company_is_told_what_to_do(company_a: World) -> None:
    with company(company_a.id):
        Member.objects.filter(id=company_a.technician.id).update(active=False)
    client = Client()
    fields = {"email": company_a.users["technician"].email, "password": PASSWORD}
    assert client.post("/signin", fields)["Location"] == "/companies"
    assert "You belong to no company" in words(client.get("/companies"))
    assert client.get("/jobs")["Location"] == "/companies?next=%2Fjobs"


def test_signing_out_ends_the_session_and_needs_a_form(signed_in: In) -> None:
    client = signed_in("owner")
    assert client.get("/signout").status_code == 405
    assert client.post("/signout")["Location"] == "/signin"
    assert client.get("/")["Location"] == "/signin"


def test_a_forgotten_password_is_mailed_for_and_answered_alike(company_a: World) -> None:
    client = Client()
    with company(company_a.id):
        before = DueWork.objects.filter(kind=mail.RESET).count()
    emails = (company_a.users["owner"].email, "nobody@example.org")
    answers = [client.post("/password", {"email": email}) for email in emails]
    assert {answer["Location"] for answer in answers} == {"/password/sent"}
    assert "If somebody here has that e-mail" in words(client.get("/password/sent"))
    with company(company_a.id):
        assert DueWork.objects.filter(kind=mail.RESET).count() == before + 1


def link_of(world: World, role: str) -> str:
    return mail.password_link(world.users[role]).removeprefix(settings.PUBLIC_URL)


def test_a_link_sets_a_new_password_once_and_ends_other_sessions(signed_in: In, company_a: World) -> None:
    elsewhere, client = signed_in("owner"), Client()
    company_a.users["owner"].refresh_from_db()
    link = link_of(company_a, "owner")
    assert company_a.users["owner"].email in words(client.get(link))
    refused = client.post(link, {"password": "1234567890"})
    assert refused.status_code == 422
    assert "too common" in words(refused)
    done = client.post(link, {"password": NEW}, follow=True)
    assert "The new password holds." in words(done)
    assert client.get(link).status_code == client.post(link, {"password": NEW}).status_code == 404
    assert elsewhere.get("/").status_code == 302
    fields = {"email": company_a.users["owner"].email, "password": NEW}
    assert client.post("/signin", fields)["Location"] == "/"


@pytest.mark.parametrize(
    "link", ["/password/x/y", "/password/aaaaaaaaaaaaaaaaaaaaaaaaaa/b-c", "/invitation/x"]
)
def test_links_that_lead_nowhere_say_what_to_do(db: None, link: str) -> None:
    answer = Client().get(link)
    assert answer.status_code == 404
    assert "Ask for a new one." in words(answer)


def invitation_of(world: World, email: str = "new@example.org") -> str:
    with company(world.id):
        made = people.invite(world.actor("owner"), email=email, name="New Person", roles=["technician"])
        return mail.invitation_link(made).removeprefix(settings.PUBLIC_URL)


def test_a_new_person_joins_with_a_password_and_is_in(company_a: World) -> None:
    client, link = Client(), invitation_of(company_a)
    page = words(client.get(link))
    assert company_a.company.name in page
    assert "as technician" in page
    short = client.post(link, {"password": "short"})
    assert short.status_code == 422
    assert "This password is too short" in words(short)
    joined = client.post(link, {"password": NEW}, follow=True)
    assert "Welcome." in words(joined)
    assert joined.context["actor"].roles == {Role.TECHNICIAN}
    assert Client().get(link).status_code == 404


def test_a_known_person_joins_with_their_password(company_a: World, company_b: World) -> None:
    link = invitation_of(company_a, company_b.users["owner"].email)
    client = Client()
    wrong = client.post(link, {"password": "not the right one"})
    assert wrong.status_code == 422
    assert "this is not it" in words(wrong)
    assert client.post(link, {"password": PASSWORD})["Location"] == "/"
    assert client.session[SESSION_KEY] == str(company_a.id)


def test_somebody_signed_in_joins_by_one_press_and_another_cannot(
    signed_in: In, company_a: World, company_b: World
) -> None:
    link = invitation_of(company_a, company_b.users["owner"].email)
    other = signed_in("technician")
    assert "is for" in words(other.get(link))
    assert other.post(link, {"password": NEW}).status_code == 422
    mine = signed_in("owner", company_b)
    assert "password" not in words(mine.get(link)).lower()
    assert mine.post(link)["Location"] == "/"
    assert company_a.company.name in words(mine.get("/"))


@pytest.mark.parametrize("address", ["/signin", "/signout", "/password", "/companies", "/company/invite"])
def test_forms_of_other_sites_are_refused_in_our_own_words(signed_in: In, address: str) -> None:
    client = signed_in("owner", enforce_csrf_checks=False)
    client.handler.enforce_csrf_checks = True
    answer = client.post(address, {"email": "a@example.org"})
    assert answer.status_code == 403
    assert "Open the page again" in words(answer)
    assert b"flow.css" in answer.content
