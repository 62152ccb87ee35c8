"""Files of another company, private addresses that ended or name another one, what is not for the web."""

import os
import re
import secrets
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.core.files.storage import default_storage
from django.test import Client
from django.utils import timezone

from jobs import calendars, mail, people
from jobs.models import CalendarAddress, CertificateFile, CompanyExport, Invitation, User
from jobs.tenancy.context import company
from jobs.tenancy.ids import short_id, uuid7
from measurements.models import Photo
from reports import deliver
from reports.models import Delivery, IssuedFile
from tests import factories
from tests.config.test_settings import GOOD, ROOT
from tests.doors import addresses, walk
from tests.doors.client import API, signed_in, with_key, with_token
from tests.factories import World

pytestmark = pytest.mark.django_db

FILES = [
    f"{API}/reports/{{report_id}}/file",
    f"{API}/reports/{{report_id}}/workbook",
    f"{API}/photos/{{photo_id}}/file",
    f"{API}/photos/{{photo_id}}/thumbnail",
    f"{API}/certificates/{{certificate_id}}/files/{{file_id}}",
    f"{API}/company/exports/{{export_id}}/file",
    f"{API}/sites/{{site_id}}/model",
    "/reports/{report_id}/file",
    "/reports/{report_id}/workbook",
    "/certificates/{certificate_id}/files/{file_id}",
    "/company/data/exports/{export_id}",
    "/sites/{site_id}/model",
    "/sites/{site_id}/schedule.csv",
]
"""Every address that gives a file of a company away."""


@pytest.fixture
def two(db: None) -> tuple[World, World]:
    return walk.full_world(factories.FIRST), walk.full_world(factories.SECOND)


def told(answer: Any) -> tuple[int, str]:
    """Status and words, without the request's own id."""
    text = "" if answer.streaming else answer.content.decode()
    return answer.status_code, text.replace(answer["X-Request-ID"], "")


def test_B7_files_of_another_company_are_unknown_and_nowhere_else(two: tuple[World, World]) -> None:
    ours, theirs = two
    owner = signed_in(ours).client
    own, other = addresses.ids_of(ours), addresses.ids_of(theirs)
    unknown = {name: uuid7() for name in other}
    for path in FILES:
        assert owner.get(path.format(**own)).status_code == 200, path
        assert told(owner.get(path.format(**other))) == told(owner.get(path.format(**unknown))), path
        for caller in (with_key(ours), with_token(ours.technician_token)):
            answer = caller.client.get(path.format(**other), headers=caller.headers)
            assert answer.status_code in (403, 404), path
        assert owner.get(path.format(**other)).status_code == 404, path
    mixed = {**own, "file_id": other["file_id"]}  # their file by way of our certificate
    assert owner.get(FILES[4].format(**mixed)).status_code == 404
    with company(theirs.id):
        photo = Photo.objects.earliest("received_at").stored
        stored = [photo, IssuedFile.objects.get().name, CertificateFile.objects.get().stored,
                  CompanyExport.objects.get().stored]  # fmt: skip
    for name in stored:
        assert default_storage.exists(name)
        for address in (f"/media/{name}", f"/{name}", f"/static/{name}", f"/static/../media/{name}"):
            assert owner.get(address).status_code == 404, address


Link = tuple[str, Callable[[], object]]
"""The path of a private address, and what ends it."""


def delivered(world: World, end: str) -> Link:
    row = Delivery.objects.get()
    late = {"expires_at": timezone.now()} if end == "late" else {"revoked_at": timezone.now()}
    return deliver.link_of(row), lambda: Delivery.objects.filter(id=row.id).update(**late)


def calendar(world: World, end: str) -> Link:
    row, text = calendars.make_address(world.actor("technician"), world.technician.id)
    ended = {"revoked_at": timezone.now()}
    return text, lambda: CalendarAddress.objects.filter(id=row.id).update(**ended)


def invited(world: World, end: str) -> Link:
    row = people.invite(world.actor("owner"), email="n@example.org", name="N", roles=["technician"])
    late = {"expires_at": timezone.now()} if end == "late" else {"revoked_at": timezone.now()}
    return mail.invitation_link(row), lambda: Invitation.objects.filter(id=row.id).update(**late)


@pytest.mark.parametrize(
    ("make", "end"),
    [(delivered, "late"), (delivered, "ended"), (calendar, "ended"), (invited, "late"), (invited, "ended")],
)
def test_B7_a_private_address_is_good_for_its_company_until_it_ends(
    two: tuple[World, World], make: Callable[[World, str], Link], end: str
) -> None:
    ours, theirs = two
    with company(ours.id):
        link, finish = make(ours, end)
    path, stranger = re.sub(r"^https?://[^/]+", "", link), Client()
    assert stranger.get(path).status_code == 200
    assert short_id(ours.id) in path
    nothing = stranger.get(path.replace(short_id(ours.id), short_id(uuid7())))
    assert nothing.status_code == 404
    for company_id in (theirs.id, UUID(int=0)):
        other = stranger.get(path.replace(short_id(ours.id), short_id(company_id)))
        assert told(other) == told(nothing)
    assert stranger.get(path.replace(".", ".x", 1)).status_code == 404  # another secret
    with company(ours.id):
        finish()
    for ask in (stranger.get, stranger.post):
        answer = ask(path)
        assert answer.status_code in (404, 405)
        assert b"%PDF" not in b"".join(answer) if answer.streaming else b"%PDF" not in answer.content


def test_B7_a_link_for_a_password_is_one_persons_once_for_a_day(
    company_a: World, company_b: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine, other = company_a.users["owner"], company_b.users["owner"]
    path = re.sub(r"^https?://[^/]+", "", mail.password_link(mine))
    swapped = path.replace(short_id(mine.id), short_id(other.id))
    stranger = Client()
    assert stranger.get(path).status_code == 200
    new = {"password": "another quite long password"}
    assert stranger.post(swapped, new).status_code == 404
    assert User.objects.get(id=other.id).check_password(factories.PASSWORD)
    with monkeypatch.context() as later:
        day = timezone.now().replace(tzinfo=None) + timedelta(hours=25)
        later.setattr(mail.password_tokens, "_now", lambda: day)
        assert stranger.post(path, new).status_code == 404
    assert stranger.post(path, new).status_code == 302
    assert stranger.post(path, new).status_code == 404
    assert User.objects.get(id=mine.id).check_password(new["password"])


# What is not for the web

HIDDEN = [
    "/.git/config", "/.git/HEAD", "/.env", "/.well-known/../.env", "/config/settings.py", "/manage.py",
    "/static/../manage.py", "/static/..%2fmanage.py", "/static/%2e%2e/config/settings.py", "/media/",
    "/static/", "/openapi.json", "/api/", "/api/v1/", "/api/v1/schema", "/api/schema/", "/graphql/schema",
    "/__debug__/", "/debug", "/silk/", "/server-status", "/admin", "/admin/", "/admin/login/",
    "/admin/jobs/user/", "/django-admin/", "/phpinfo.php", "/backup.sql", "/var/", "/db.sqlite3",
]  # fmt: skip
"""Where scanners look for what was left open."""


def visitors(world: World) -> Iterator[tuple[str, Client, dict[str, str]]]:
    yield "nobody", Client(), {}
    for role in world.users:
        yield role, signed_in(world, role).client, {}
    yield "key", Client(), world.bearer


def test_H5_debug_pages_admin_and_hidden_files_are_at_no_address(company_a: World, settings: Any) -> None:
    for name, client, headers in visitors(company_a):
        for path in HIDDEN:
            answer = client.get(path, headers=headers, follow=True)
            assert answer.status_code in (403, 404), (name, path, answer.status_code)
            body = answer.content.decode()
            for word in ("Traceback", "DEBUG = True", "urlpatterns", "ROOT_URLCONF", "config.urls", "SECRET"):
                assert word not in body, (name, path)


def test_H5_the_published_documents_name_no_room_of_the_operators(company_a: World) -> None:
    for caller in (Client(), signed_in(company_a).client):
        answer = caller.get(f"{API}/openapi.yaml")
        assert answer.status_code == 200
        text = answer.content.decode()
        paths = re.findall(r"^  (/\S*):", text, re.MULTILINE)
        assert len(paths) > 50
        inner = [one for one in paths if not one.startswith("/api/v1/")]
        assert inner == []
        for word in ("/admin", "/metrics", "healthz", "is_operator", "secret_hash", "requests_a_minute"):
            assert word not in text, word


def test_H5_the_service_as_it_is_deployed_passes_djangos_own_review() -> None:
    """`check --deploy` with every warning a failure, as the container runs."""
    drawn = {"SECRET_KEY": secrets.token_urlsafe(50), "PATH": os.environ["PATH"]}
    deployed = GOOD | drawn | {"HSTS_SUBDOMAINS": "1"}
    command = [sys.executable, "manage.py", "check", "--deploy", "--fail-level", "WARNING"]
    done = subprocess.run(command, env=deployed, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "no issues" in done.stdout
