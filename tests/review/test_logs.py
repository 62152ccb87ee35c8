"""What the log must not hold: links that let somebody in, and addresses of people."""

import logging
import smtplib
from typing import Any

import pytest
from django.test import Client

from config.logs import JsonFormatter
from jobs import due, mail, people
from jobs.models import DueWork, Invitation
from jobs.tenancy.context import company
from tests.factories import World


def logged(caplog: pytest.LogCaptureFixture) -> str:
    return "\n".join(JsonFormatter().format(record) for record in caplog.records)


def invited(world: World, email: str) -> Invitation:
    with company(world.id):
        return people.invite(world.actor("owner"), email=email, name="N. Body", roles=["technician"])


def test_a_refused_password_does_not_log_the_link_it_came_by(
    company_a: World, caplog: pytest.LogCaptureFixture
) -> None:
    made = invited(company_a, "new@example.org")
    with company(company_a.id):
        invitation = mail.invitation_link(made).partition("/invitation/")[2]
    reset = mail.password_link(company_a.users["owner"]).rpartition("/")[2]
    path = mail.password_link(company_a.users["owner"]).partition("/password/")[2]
    caplog.set_level(logging.INFO)
    for address in (f"/invitation/{invitation}", f"/password/{path}"):
        assert Client().post(address, {"password": "short"}).status_code == 422
    text = logged(caplog)
    assert "/invitation/" in text
    assert "/password/" in text
    assert invitation.partition(".")[2] not in text
    assert reset not in text


def test_a_mail_that_fails_logs_and_keeps_no_address(
    company_a: World, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(message: Any) -> None:
        raise smtplib.SMTPRecipientsRefused({message.to[0]: (550, b"no such user new@example.org")})

    monkeypatch.setattr("jobs.mail.EmailMessage.send", refuse)
    invited(company_a, "new@example.org")
    due.work(company_a.id)
    with company(company_a.id):
        kept = DueWork.objects.get(kind=mail.INVITATION).error
    assert "SMTPRecipientsRefused" in kept
    assert "new@example.org" not in kept + logged(caplog)
