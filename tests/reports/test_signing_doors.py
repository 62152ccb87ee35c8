"""The company's signing certificate by page and by REST, and the mails before it ends."""

import base64
import json
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from jobs import due
from jobs.models import DueWork, Event, IdempotencyKey
from jobs.tenancy.context import company
from reports import signers
from reports.models import SigningCertificate
from tests.doors.client import assert_problem, pointers
from tests.doors.client import signed_in as by_rest
from tests.factories import World
from tests.reports.certificates import PASSWORD, identity, pkcs12_of
from tests.reports.test_doors import signed_in

PAGE, DOOR = "/company/signing", "/company/signing"


@pytest.fixture(scope="module")
def good() -> bytes:
    return pkcs12_of(identity("Northgate Air Balance"))


def as_file(data: bytes) -> SimpleUploadedFile:
    return SimpleUploadedFile("signing.p12", data, content_type="application/x-pkcs12")


def rows(world: World) -> int:
    with company(world.id):
        return int(SigningCertificate.objects.count())


def test_the_owner_gives_a_certificate_and_takes_it_back_on_the_page(company_a: World, good: bytes) -> None:
    client = signed_in(company_a, "owner")
    page = client.post(PAGE, {"file": as_file(good), "password": PASSWORD}, follow=True).content.decode()
    assert "From now on reports are signed by Northgate Air Balance" in page
    page = client.post(f"{PAGE}/withdraw", follow=True).content.decode()
    assert "nothing is signed with it any more" in page
    assert rows(company_a) == 2


def test_what_does_not_open_or_may_not_sign_is_told_at_the_form(company_a: World, good: bytes) -> None:
    client = signed_in(company_a, "owner")
    ended = pkcs12_of(identity("Ended", begins=timedelta(days=-9), ends=timedelta(days=-1)))
    weak = pkcs12_of(identity("Weak", bits=1024))
    for data, password, words in (
        (good, "another", "does not open the file"),
        (b"no certificate", PASSWORD, "the file is no PKCS#12 file"),
        (ended, PASSWORD, "it ended on"),
        (weak, PASSWORD, "2048 is the least"),
    ):
        answer = client.post(PAGE, {"file": as_file(data), "password": password})
        assert answer.status_code == 422, words
        assert words in answer.content.decode().replace("&#x27;", "'")
    assert rows(company_a) == 0


@pytest.mark.parametrize("role", ["dispatcher", "supervisor", "technician"])
def test_nobody_but_the_owner(company_a: World, good: bytes, role: str) -> None:
    assert signed_in(company_a, role).get(PAGE).status_code == 403
    body = {"file": base64.b64encode(good).decode(), "password": PASSWORD}
    assert_problem(by_rest(company_a, role).post(DOOR, body), 403, "forbidden")
    assert rows(company_a) == 0


def test_by_rest_and_the_password_stays_nowhere(
    company_a: World, company_b: World, good: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    owner = by_rest(company_a)
    assert owner.get(DOOR).json()["certificate"] is None
    body = {"file": base64.b64encode(good).decode(), "password": PASSWORD}
    made = owner.post(DOOR, body)
    assert made.status_code == 201
    state = owner.get(DOOR).json()
    assert (state["signed_by"], state["certificate"]["subject"]) == ("company", made.json()["subject"])
    assert by_rest(company_b).get(DOOR).json()["certificate"] is None
    with company(company_a.id):
        kept: list[Any] = [bytes(row.body).decode() for row in IdempotencyKey.objects.all()]
        kept += [json.dumps(row.data) for row in Event.objects.all()]
    assert not any(PASSWORD in text for text in [*kept, caplog.text, made.content.decode()])
    for text in ("???", "\u00fc", "AAA"):
        assert pointers(owner.post(DOOR, {"file": text, "password": ""})) == ["/file"]
    assert owner.delete(DOOR).status_code == 204
    assert_problem(owner.delete(DOOR), 404, "not-found")


def test_each_stage_before_the_end_is_told_once_though_days_are_missed(company_a: World) -> None:
    data = pkcs12_of(identity("Northgate Air Balance", ends=timedelta(days=100, hours=1)))
    with company(company_a.id):
        row = signers.enter(company_a.actor("owner"), file=data, password=PASSWORD)
        told = []
        for left in (99, 61, 58, 58, 40, 29, 28, 6, 5, 1):
            moment = timezone.now() + timedelta(days=100 - left)
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(signers.timezone, "now", lambda moment=moment: moment)
                if signers.warn():
                    told.append(left)
        assert told == [58, 29, 6]
        assert SigningCertificate.objects.get() == row
        DueWork.objects.update(due_at=timezone.now())
    due.work(company_a.id)
    assert mail.outbox
    assert "signs your reports ends soon" in mail.outbox[0].subject


def test_a_mail_that_comes_too_late_says_so(company_a: World) -> None:
    data = pkcs12_of(identity("Northgate Air Balance", ends=timedelta(days=3)))
    with company(company_a.id):
        signers.enter(company_a.actor("owner"), file=data, password=PASSWORD)
        assert signers.warn()
    late = timezone.now() + timedelta(days=5)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(signers, "days_left", lambda row, now: (row.valid_to - late) // timedelta(days=1))
        due.work(company_a.id)
    assert "has ended" in mail.outbox[0].subject
    assert "has ended, on" in mail.outbox[0].body


@pytest.mark.parametrize("role", ["dispatcher", "supervisor", "technician"])
def test_nobody_else_reads_or_withdraws(company_a: World, company_b: World, good: bytes, role: str) -> None:
    with company(company_a.id):
        signers.enter(company_a.actor("owner"), file=good, password=PASSWORD)
    other = by_rest(company_a, role)
    assert_problem(other.get(DOOR), 403, "forbidden")
    assert_problem(other.delete(DOOR), 403, "forbidden")
    assert signed_in(company_a, role).post(f"{PAGE}/withdraw").status_code == 403
    assert_problem(by_rest(company_b).delete(DOOR), 404, "not-found")
    assert rows(company_a) == 1
