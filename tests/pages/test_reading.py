"""Who sees which page; the start page, jobs and instruments; pages for what went wrong."""

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from jobs.models import InstrumentKind, JobStatus, Quantity
from jobs.pages.problem_words import WORDS
from jobs.pages.problems import known_problems
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World
from tests.pages.conftest import In, words

pytestmark = pytest.mark.django_db
ROLES = ("owner", "dispatcher", "technician", "supervisor")
EVERYBODY = set(ROLES)
MAY = {
    "/": EVERYBODY,
    "/jobs": EVERYBODY,
    "/jobs/{job}": EVERYBODY,
    "/instruments": EVERYBODY,
    "/customers": EVERYBODY,
    "/customers/{customer}": EVERYBODY,
    "/sites/{site}": EVERYBODY,
    "/customers/new": {"owner", "dispatcher"},
    "/customers/{customer}/change": {"owner", "dispatcher"},
    "/customers/{customer}/sites/new": {"owner", "dispatcher"},
    "/sites/{site}/change": {"owner", "dispatcher"},
    "/sites/{site}/schedule": {"owner", "dispatcher"},
    "/company": {"owner"},
    "/company/invite": {"owner"},
    "/company/people/{member}": {"owner"},
    "/company/keys": {"owner"},
    "/company/rules": {"owner"},
    "/company/tablets": {"owner", "dispatcher"},
}
ACTS = (
    "/company/keys/{member}/revoke",
    "/company/tablets/{member}/revoke",
    "/company/invitations/{member}/withdraw",
)


def of(world: World, address: str) -> str:
    return address.format(
        job=world.job.id, member=world.technician.id, customer=world.customer.id, site=world.site.id
    )


@pytest.mark.parametrize("role", ROLES)
def test_pages_are_for_their_roles(signed_in: In, company_a: World, role: str) -> None:
    client = signed_in(role)
    for address, roles in MAY.items():
        answer = client.get(of(company_a, address))
        assert answer.status_code == (200 if role in roles else 403), (address, role)
        if role not in roles:
            assert "It is for:" in words(answer)


@pytest.mark.parametrize("role", ["dispatcher", "technician", "supervisor"])
def test_nobody_but_the_owner_acts_on_people_and_keys(signed_in: In, company_a: World, role: str) -> None:
    client = signed_in(role)
    for address in (*ACTS, "/company/invite", "/company/keys", "/company/rules"):
        if role == "dispatcher" and "tablets" in address:
            continue
        assert client.post(of(company_a, address), {}).status_code == 403, address


def test_strangers_sign_in_first_and_come_back(company_a: World) -> None:
    for address in MAY:
        place = of(company_a, address)
        answer = Client().get(place)
        assert answer.status_code == 302
        onward = "" if place == "/" else "?next=" + place.replace("/", "%2F")
        assert answer["Location"] == f"/signin{onward}"
    for address in ACTS:
        assert Client().post(of(company_a, address), {})["Location"] == "/signin"


def test_a_token_of_a_tablet_opens_no_owner_page(company_a: World) -> None:
    for text in (company_a.tablet, company_a.technician_token, company_a.key_text):
        answer = Client().get("/company", headers={"Authorization": f"Bearer {text}"})
        assert answer.status_code == 403


@pytest.mark.parametrize(
    ("role", "entries"),
    [
        ("owner", {"Jobs", "Instruments", "Company"}),
        ("dispatcher", {"Jobs", "Instruments", "Tablets"}),
        ("technician", {"Jobs", "Instruments"}),
        ("supervisor", {"Jobs", "Instruments", "Review"}),
    ],
)
def test_the_head_leads_where_the_role_goes(signed_in: In, role: str, entries: set[str]) -> None:
    page = signed_in(role).get("/").content.decode()
    nav = set(re.findall(r">([^<]+)</a></li>", page[page.index("<nav") : page.index("</nav>")]))
    assert entries <= nav
    assert not {"Company", "Review", "Tablets"} & nav - entries


def test_the_start_page_counts_what_waits(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        factories.job(company_a.site, status=JobStatus.SUBMITTED)
        factories.job(company_a.site, status=JobStatus.ISSUED)
        late = factories.instrument(InstrumentKind.THERMOMETER, (Quantity.TEMPERATURE, 250.0, 350.0, 0.1))
        factories.certificate(late, days=31)
    shown = words(signed_in("technician").get("/"))
    assert "1 job being measured" in shown
    assert "1 job waiting for review" in shown
    assert "1 instrument to calibrate within 30 days" in shown


def test_jobs_are_found_by_words_and_status(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        factories.job(company_a.site, title="Kitchen exhaust", status=JobStatus.SUBMITTED)
    client = signed_in("technician")
    assert "Kitchen exhaust" in words(client.get("/jobs"))
    assert "Balance of reading rooms" not in words(client.get("/jobs?q=exhaust library"))
    assert "Kitchen exhaust" not in words(client.get("/jobs?status=open"))
    assert "Balance of reading rooms" in words(client.get(f"/jobs?q={company_a.job.number}"))
    assert "No job fits." in words(client.get("/jobs?q=nothing like it"))
    assert client.get("/jobs?q=%00&status=none&before=x").status_code == 200
    assert client.get("/jobs?q=" + "9" * 90 + "&before=" + "9" * 90).status_code == 200


def test_long_lists_of_jobs_turn_pages_and_cost_the_same(signed_in: In, company_a: World) -> None:
    client = signed_in("technician")
    with CaptureQueriesContext(
        connection,
    ) as few:
        client.get("/jobs")
    with company(company_a.id):
        for n in range(60):
            made = factories.job(company_a.site, company_a.system, title=f"Job number {n}")
            factories.assign(made, company_a.technician)
    with CaptureQueriesContext(connection) as many:
        first = client.get("/jobs")
    assert len(many) == len(few)
    older = re.search(r'href="(\?before=\d+)"', first.content.decode())
    assert older
    second = client.get(f"/jobs{older[1]}")
    seen = [re.findall(r'href="/jobs/([0-9a-f-]{36})"', page.content.decode()) for page in (first, second)]
    assert [len(part) for part in seen] == [50, 11]
    assert not set(seen[0]) & set(seen[1])


def test_a_company_without_jobs_is_told_what_comes_first(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        company_a.job.delete()
    assert "First comes the engineer's design schedule" in words(signed_in("owner").get("/jobs"))


def test_a_job_shows_what_is_planned_and_missing(signed_in: In, company_a: World) -> None:
    shown = words(signed_in("technician").get(f"/jobs/{company_a.job.id}"))
    for text in ("MD-1", "500 × 400", "⌀ 250", "900 L/s", "Public library", "Ready to start", "Manometer"):
        assert text in shown
    assert company_a.technician.name in shown
    with company(company_a.id):
        bare = factories.job(company_a.site)
    shown = words(signed_in("technician").get(f"/jobs/{bare.id}"))
    assert "Not ready to start" in shown
    assert "Nobody is assigned" in shown


@pytest.mark.parametrize("status", JobStatus.values)
def test_a_job_says_where_it_stands(signed_in: In, company_a: World, status: str) -> None:
    with company(company_a.id):
        made = factories.job(company_a.site, status=status)
    page = signed_in("supervisor").get(f"/jobs/{made.id}")
    shown = words(page)
    if status == JobStatus.CANCELLED:
        assert "This job is cancelled." in shown
        assert "Review this job" not in shown
    else:
        assert "Review this job" in shown
        assert page.content.count(b'aria-current="step"') == (status != JobStatus.ISSUED)
    assert "Review this job" not in words(signed_in("technician").get(f"/jobs/{made.id}"))


def test_what_people_wrote_is_shown_as_text(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        made = factories.job(company_a.site, title="<script>alert(1)</script>", notes="<b>loud</b>")
    client = signed_in("owner")
    for address in (f"/jobs/{made.id}", "/jobs?q=<script>"):
        page = client.get(address).content
        assert b"<script>" not in page
        assert b"<b>loud" not in page


def test_jobs_of_another_company_are_nowhere(signed_in: In, company_b: World) -> None:
    client = signed_in("owner")
    foreign = client.get(f"/jobs/{company_b.job.id}")
    unknown = client.get(f"/jobs/{company_b.customer.id}")
    assert foreign.status_code == unknown.status_code == 404
    assert words(foreign).partition("say this request")[0] == words(unknown).partition("say this request")[0]
    assert company_b.customer.contact_name in ("", None)
    assert client.get("/jobs").content.count(str(company_b.job.id).encode()) == 0


def test_instruments_that_are_due_stand_first(signed_in: In, company_a: World) -> None:
    today = timezone.now().date()
    with company(company_a.id):
        none = factories.instrument(InstrumentKind.HYGROMETER, (Quantity.HUMIDITY, 0.1, 0.9, 0.01))
        over = factories.instrument(InstrumentKind.THERMOMETER, (Quantity.TEMPERATURE, 250.0, 350.0, 0.1))
        factories.certificate(over, on=today - timedelta(days=400))
    client = signed_in("technician")
    page = words(client.get("/instruments"))
    serials = (none.serial, over.serial, company_a.instruments["pressure"].serial)
    assert sorted(serials, key=page.index) == list(serials)
    assert "No certificate" in page
    assert "Overdue" in page
    due = words(client.get("/instruments?due=1"))
    assert over.serial in due
    assert serials[2] not in due


# What went wrong


def test_an_address_without_anything_looks_like_ours(signed_in: In) -> None:
    for client in (Client(), signed_in("owner")):
        answer = client.get("/no/such/page")
        assert answer.status_code == 404
        assert "There is nothing at this address." in words(answer)
        assert b"flow.css" in answer.content


@pytest.mark.parametrize("address", ["/api/v1/no-such-thing", "/graphql/nothing"])
def test_programs_get_a_problem_instead_of_a_page(db: None, address: str) -> None:
    answer = Client().get(address)
    assert answer.status_code == 404
    assert answer["Content-Type"] == "application/problem+json"


def test_a_failure_of_ours_tells_nothing_but_the_request(
    signed_in: In, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = signed_in("owner")
    client.raise_request_exception = False

    def fail(*args: object) -> None:
        raise RuntimeError("inner secret")

    monkeypatch.setattr("jobs.pages.home.waiting_for", fail)
    answer = client.get("/", headers={"X-Request-ID": "request-12345"})
    assert answer.status_code == 500
    assert b"inner secret" not in answer.content
    assert "request-12345" in words(answer)
    assert b"flow.css" in answer.content


def test_every_kind_of_problem_has_words(db: None) -> None:
    client = Client()
    listed = words(client.get("/problems"))
    for code, kind in known_problems().items():
        assert code in WORDS, f"say in problem_words what {code} means"
        page = words(client.get(f"/problems/{code}"))
        assert kind.title in page
        assert WORDS[code][1] in page
        assert kind.title in listed
    assert client.get("/problems/none-such").status_code == 404


def test_pages_hold_no_script_or_style_of_their_own(signed_in: In, company_a: World) -> None:
    client, stranger = signed_in("owner"), Client()
    shown = [client.get(of(company_a, address)) for address in [*MAY, "/companies", "/nowhere"]]
    shown += [stranger.get(address) for address in ("/signin", "/password", "/password/sent", "/problems")]
    for answer in shown:
        text = answer.content.decode()
        assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?![^>]*\ssrc=)", text)
        assert "default-src 'self'" in answer["Content-Security-Policy"]
        assert "unsafe" not in answer["Content-Security-Policy"]
        for part in ("<h1", "<main", 'id="main"', '<html lang="en-gb"', "<title>"):
            own = text.partition("</head>")[0] if part == "<title>" else text  # pictures have titles too
            assert own.count(part) == 1, (answer.request["PATH_INFO"], part)


def test_typefaces_come_from_their_packages(db: None) -> None:
    for name in ("plex-sans.ttf", "plex-sans-italic.ttf", "plex-mono.ttf"):
        answer = Client().get(f"/static/flow/{name}")
        assert answer.status_code == 200
        assert next(iter(answer.streaming_content))[:4] == b"\x00\x01\x00\x00"
