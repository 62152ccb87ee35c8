"""The owner's pages of webhooks, and nobody else's."""

import re
from typing import Any

import pytest
from django.utils import timezone

from jobs import due
from jobs.models import DueWork
from jobs.tenancy.context import company
from reports import webhook_queue
from reports.models import Webhook, WebhookAttempt, WebhookMessage
from tests.doors import walk
from tests.factories import World
from tests.pages.conftest import In, signed_in, value_of, words  # noqa: F401 - the fixture
from tests.webhooks.receivers import receiver

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("loopback")]


def secret_of(page: Any) -> str:
    found = re.search(r'id="secret">(whsec_[^<]+)<', page.content.decode())
    assert found
    return found[1]


def test_an_owner_adds_tries_changes_renews_and_removes(signed_in: In, company_a: World) -> None:  # noqa: F811
    client = signed_in("owner")
    with receiver() as there:
        fields = {"url": there.url, "description": "Portal", "verbs": ["report.issued"]}
        made = client.post("/company/webhooks", fields, follow=True)
        secret = secret_of(made)
        assert "whsec_" not in client.get("/company/webhooks").content.decode()
        with company(company_a.id):
            row = Webhook.objects.get()
        page = f"/company/webhooks/{row.id}"
        assert "is on its way" in words(client.post(f"{page}/sample", follow=True))
        due.work(company_a.id, webhook_queue.QUEUE)
        there.got[0].verify(secret)
        assert "sample" in words(client.get(page))
        changed = {"url": there.url, "description": "Other", "active": "on"}
        changed["version"] = value_of(client.get(page), "version")
        assert "is changed" in words(client.post(page, changed, follow=True))
        assert client.post(page, changed).status_code == 422  # seen before it changed
        renewed = client.post(f"{page}/rotate", follow=True)
        assert secret_of(renewed) != secret
        assert "former secret signs too until" in words(client.get(page))
        again = client.post(f"{page}/replay", {"after": "0", "since": ""}, follow=True)
        assert "Events after number 0 are sent again" in words(again)
        removed = client.post(f"{page}/remove", follow=True)
        assert "The webhook is removed" in words(removed)
        assert client.get(page).status_code == 404
    with company(company_a.id):
        gone = Webhook.objects.get()
        assert (bytes(gone.secret), bytes(gone.former_secret), gone.active) == (b"", b"", False)


@pytest.mark.parametrize(
    "url", ["http://hooks.harbour-air.com:22/", "https://127.0.0.1/", "https://user:pw@a.com/", "", "x" * 501]
)
def test_W1_a_bad_address_is_refused_at_its_field(signed_in: In, company_a: World, url: str) -> None:  # noqa: F811
    answer = signed_in("owner").post("/company/webhooks", {"url": url})
    assert answer.status_code == 422
    assert 'id="id_url_error"' in answer.content.decode()
    with company(company_a.id):
        assert not Webhook.objects.exists()


def test_a_forged_kind_and_both_or_no_starts_of_a_replay_are_refused(
    signed_in: In,  # noqa: F811
    company_a: World,
) -> None:
    client = signed_in("owner")
    answer = client.post("/company/webhooks", {"url": "https://a.com/", "verbs": ["job.eaten"]})
    assert answer.status_code == 422
    with company(company_a.id):
        row = walk.webhook(company_a)
    for fields in ({}, {"after": "0", "since": "2026-01-01"}, {"after": "x"}, {"after": "999999"}):
        page = client.post(f"/company/webhooks/{row.id}/replay", fields, follow=True)
        assert "notice-stop" in page.content.decode()


@pytest.mark.parametrize("role", ["dispatcher", "technician", "supervisor"])
def test_others_of_the_company_see_none_of_it(signed_in: In, company_a: World, role: str) -> None:  # noqa: F811
    with company(company_a.id):
        row = walk.webhook(company_a)
    client = signed_in(role)
    for path in ("", f"/{row.id}"):
        assert client.get(f"/company/webhooks{path}").status_code == 403
    for act in ("sample", "replay", "rotate", "remove"):
        assert client.post(f"/company/webhooks/{row.id}/{act}").status_code == 403


def test_another_companys_webhook_is_not_there(signed_in: In, company_a: World, company_b: World) -> None:  # noqa: F811
    with company(company_b.id):
        row = walk.webhook(company_b)
    client = signed_in("owner")
    assert client.get(f"/company/webhooks/{row.id}").status_code == 404
    for act in ("sample", "replay", "rotate", "remove"):
        fields = {"after": "0"} if act == "replay" else {}
        assert client.post(f"/company/webhooks/{row.id}/{act}", fields).status_code == 404
    with company(company_b.id):
        assert not DueWork.objects.filter(kind=webhook_queue.SEND).exists()


def test_what_a_receiver_answered_is_shown_as_text(signed_in: In, company_a: World) -> None:  # noqa: F811
    with company(company_a.id):
        row = walk.webhook(company_a)
        walk.attempt(row)
        now = timezone.now()
        message = WebhookMessage.objects.create(webhook=row, subject_id=row.id, due_at=now, created_at=now)
        WebhookAttempt.objects.create(
            webhook=row, message=message, at=now, seconds=1.5, outcome="failed", status=500,
            answer="<script>alert(1)</script>{{ 7 }}", next_at=now,
        )  # fmt: skip
    content = signed_in("owner").get(f"/company/webhooks/{row.id}").content.decode()
    assert "&lt;script&gt;" in content
    assert "<script>alert" not in content
    assert "The receiver failed" in content
