"""A report reaches its reader: links by mail that end, and a log of who fetched what."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.test import Client
from django.utils import timezone

from jobs import due
from jobs.errors import Conflict, Forbidden, Invalid, NotFound
from jobs.tenancy.context import company
from jobs.tenancy.ids import short_id
from reports import deliver
from reports.models import Delivery, Fetch, Issue
from tests.doors import walk
from tests.doors.client import signed_in, with_key
from tests.factories import World
from tests.reports import test_doors

TO = ["facilities@harbour.example", "Engineer@Tidal.example"]


@pytest.fixture
def made(company_a: World) -> Issue:
    with company(company_a.id):
        return walk.report(company_a, company_a.job)


def sent(world: World, made: Issue, role: str = "supervisor", **given: Any) -> list[Delivery]:
    with company(world.id):
        return deliver.deliver(world.actor(role), made.id, **{"addresses": TO} | given)


def link(world: World, row: Delivery) -> str:
    with company(world.id):
        return re.sub(r"^https?://[^/]+", "", deliver.link_of(row))


def test_each_address_gets_a_mail_with_a_link_of_its_own(company_a: World, made: Issue) -> None:
    rows = sent(company_a, made, message="With thanks for the keys.", days=14)
    due.work(company_a.id)
    assert sorted(one.to[0] for one in mail.outbox) == [
        "engineer@tidal.example",
        "facilities@harbour.example",
    ]
    links = {link(company_a, row) for row in rows}
    assert len(links) == 2
    for one in mail.outbox:
        assert sum(address in one.body for address in links) == 1
        assert "With thanks for the keys." in one.body
        assert made.number in one.subject
    with company(company_a.id):
        stored = [bytes(row.secret_hash) for row in Delivery.objects.all()]
        assert all(row.mailed_at for row in Delivery.objects.all())
    assert not any(address.rpartition(".")[2].encode() in kept for address in links for kept in stored)


def test_a_mail_is_sent_once_however_often_the_work_is_done(company_a: World, made: Issue) -> None:
    (row,) = sent(company_a, made, addresses=TO[:1])
    due.work(company_a.id)
    with company(company_a.id):
        due.schedule(deliver.MAIL, row.id)
    due.work(company_a.id)
    assert len(mail.outbox) == 1


def test_the_page_behind_a_link_fetches_nothing_until_its_button_is_pressed(
    company_a: World, made: Issue
) -> None:
    (row,) = sent(company_a, made, addresses=TO[:1])
    browser = Client()
    page = browser.get(link(company_a, row))
    assert page.status_code == 200
    assert made.number in page.content.decode()
    assert browser.head(link(company_a, row)).status_code == 200
    with company(company_a.id):
        assert not Fetch.objects.exists()
    file = browser.post(link(company_a, row))
    assert b"".join(file.streaming_content).startswith(b"%PDF")  # type: ignore[attr-defined]
    assert "attachment" in file["Content-Disposition"]
    with company(company_a.id):
        found = Fetch.objects.get()
        assert (found.issue_id, found.delivery_id, found.member_id) == (made.id, row.id, None)


def test_a_link_ends_with_its_days_or_when_it_is_withdrawn(company_a: World, made: Issue) -> None:
    first, second = sent(company_a, made)
    with company(company_a.id):
        Delivery.objects.filter(id=first.id).update(expires_at=timezone.now() - timedelta(seconds=1))
        deliver.revoke(company_a.actor("supervisor"), second.id)
        deliver.revoke(company_a.actor("supervisor"), second.id)
    browser = Client()
    for row in (first, second):
        for answer in (browser.get(link(company_a, row)), browser.post(link(company_a, row))):
            assert answer.status_code == 404
            assert "This link has ended" in answer.content.decode()
    with company(company_a.id):
        assert not Fetch.objects.exists()


def test_a_guessed_or_foreign_link_tells_nothing(company_a: World, company_b: World, made: Issue) -> None:
    (row,) = sent(company_a, made, addresses=TO[:1])
    secret = link(company_a, row).rpartition(".")[2]
    browser = Client()
    answers = [
        browser.get(f"/fetch/{place}.{key}")
        for place in (short_id(company_a.id), short_id(company_b.id), "x")
        for key in ("A" * 43, secret)
        if (place, key) != (short_id(company_a.id), secret)
    ]
    assert {answer.status_code for answer in answers} == {404}
    assert len({re.sub(r"urn:request:\S+|request \S+", "", a.content.decode()) for a in answers}) <= 5
    assert not any(made.number in answer.content.decode() for answer in answers)


def test_a_link_derived_under_a_former_key_still_leads_there(
    company_a: World, made: Issue, settings: Any
) -> None:
    (row,) = sent(company_a, made, addresses=TO[:1])
    before = link(company_a, row)
    settings.SECRET_KEY_FALLBACKS = [settings.SECRET_KEY]
    settings.SECRET_KEY = "k" * 60
    assert link(company_a, row) == before
    assert Client().get(before).status_code == 200


def test_a_link_under_a_key_that_nobody_has_any_more_is_none(
    company_a: World, made: Issue, settings: Any
) -> None:
    (row,) = sent(company_a, made, addresses=TO[:1])
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "k" * 60, []
    with company(company_a.id), pytest.raises(LookupError, match="not listed any more"):
        deliver.link_of(row)


def test_what_became_of_a_link_is_said(company_a: World, made: Issue) -> None:
    (row,) = sent(company_a, made, addresses=TO[:1])
    found = [deliver.state_of(row)]
    row.mailed_at = timezone.now()
    found.append(deliver.state_of(row))
    row.expires_at = timezone.now()
    found.append(deliver.state_of(row))
    row.revoked_at = timezone.now()
    found.append(deliver.state_of(row))
    assert found == ["waiting", "open", "ended", "withdrawn"]


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"addresses": []}, "/addresses"),
        ({"addresses": ["a@b.example"] * 1 + [f"n{k}@b.example" for k in range(20)]}, "/addresses"),
        ({"addresses": ["a@b.example", "no address"]}, "/addresses/1"),
        ({"addresses": ["a@b.example\nBcc: c@d.example"]}, "/addresses/0"),
        ({"message": "x" * 2001}, "/message"),
        ({"days": 0}, "/days"),
        ({"days": 366}, "/days"),
    ],
)
def test_what_cannot_be_sent_is_told_and_nothing_is(
    company_a: World, made: Issue, given: dict[str, Any], pointer: str
) -> None:
    with pytest.raises(Invalid) as refused:
        sent(company_a, made, **given)
    assert [fault.pointer for fault in refused.value.faults] == [pointer]
    with company(company_a.id):
        assert not Delivery.objects.exists()


def test_who_may_send_and_what(company_a: World, company_b: World, made: Issue) -> None:
    for role in ("technician", "dispatcher", "owner"):
        with pytest.raises(Forbidden):
            sent(company_a, made, role)
    with pytest.raises(NotFound):
        sent(company_b, made)
    (row,) = sent(company_a, made, addresses=TO[:1])
    with company(company_b.id), pytest.raises(NotFound):
        deliver.revoke(company_b.actor("supervisor"), row.id)
    with company(company_a.id):
        waiting = Issue.objects.create(
            revision=walk.revision(company_a, company_a.job),
            number="R-1",
            address_key="k",
            issued_by=company_a.supervisor,
            issued_at=timezone.now(),
        )
        with pytest.raises(Conflict, match="not there yet"):
            deliver.deliver(company_a.actor("supervisor"), waiting.id, addresses=TO)


def test_every_way_of_fetching_is_logged(company_a: World, made: Issue) -> None:
    (row,) = sent(company_a, made, addresses=TO[:1])
    Client().post(link(company_a, row))
    test_doors.signed_in(company_a, "supervisor").get(f"/reports/{made.id}/file")
    key = with_key(company_a)
    assert key.get(f"/reports/{made.id}/file").status_code == 200
    items = signed_in(company_a, "owner").get(f"/reports/{made.id}/fetches").json()["items"]
    assert [one["by"].partition(" ")[0] for one in items] == ["key", "Supervisor", "link"]
    listed = key.get(f"/reports/{made.id}/deliveries").json()["items"]
    assert [(one["address"], one["state"], one["fetched"]) for one in listed] == [(TO[0], "waiting", 1)]


def test_the_report_page_sends_and_ends_links(company_a: World, made: Issue) -> None:
    client = test_doors.signed_in(company_a, "supervisor")
    page = client.post(
        f"/reports/{made.id}/send", {"addresses": ", ".join(TO), "days": "7", "message": ""}, follow=True
    ).content.decode()
    assert "On its way to facilities@harbour.example, engineer@tidal.example" in page
    with company(company_a.id):
        row = Delivery.objects.order_by("id").first()
    assert row is not None
    page = client.post(f"/deliveries/{row.id}/end", follow=True).content.decode()
    assert "leads nowhere now" in page
    page = client.post(
        f"/reports/{made.id}/send", {"addresses": "no", "days": "7"}, follow=True
    ).content.decode()
    assert "no is no e-mail address" in page
