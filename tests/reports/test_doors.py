"""REST doors of review and reports: both companies, every role, statements counted, files and checks."""

import uuid
from collections.abc import Iterator
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from jobs.tenancy.context import company
from measurements.models import Flag
from reports.models import Issue, IssuedFile, Revision
from tests import factories
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

API = "/api/v1"


@pytest.fixture
def supervisor(company_a: World) -> Client:
    return signed_in(company_a, "supervisor")


def signed_in(world: World, role: str) -> Client:
    client = Client()
    client.force_login(world.users[role])
    session = client.session
    session["company"] = str(world.id)
    session.save()
    return client


def post(client: Client, path: str, body: Any = None, **headers: str) -> Any:
    return client.post(
        f"{API}{path}",
        body if body is not None else {},
        content_type="application/json",
        headers={"Idempotency-Key": uuid.uuid4().hex, **headers},
    )


def paths(world: World, revision: Revision, made: Issue, flag: uuid.UUID) -> Iterator[tuple[str, str]]:
    yield "GET", f"/jobs/{world.job.id}/review"
    yield "GET", f"/jobs/{world.job.id}/revisions"
    yield "GET", f"/revisions/{revision.id}"
    yield "GET", f"/reports/{made.id}"
    yield "GET", f"/reports/{made.id}/file"
    yield "POST", f"/jobs/{world.job.id}/approve"
    yield "POST", f"/flags/{flag}/answers"
    yield "POST", f"/revisions/{revision.id}/issue"
    yield "POST", f"/reports/{made.id}/render"


def call(client: Client, method: str, path: str) -> Any:
    if method == "GET":
        return client.get(f"{API}{path}")
    body = {"answer": "accept", "reason": scene.REASON} if path.endswith("answers") else {}
    return post(client, path, body, **{"If-Match": '"x"'})


def test_from_the_queue_to_the_issued_file_over_rest(company_a: World, supervisor: Client) -> None:
    scene.measured(company_a, s1="95.0", s2="95.0", s3="70.0")
    queue = supervisor.get(f"{API}/review").json()
    assert [(i["job"]["number"], i["open_stops"]) for i in queue["items"]] == [(1, 1)]
    seen = supervisor.get(f"{API}/jobs/{company_a.job.id}/review")
    body = seen.json()
    assert seen.headers["ETag"].startswith(f'"{body["digest"]}:')
    flag = next(f for f in body["flags"] if f["blocks"])
    assert body["waiting_for"] == [f"flag {flag['id']}: out_of_tolerance"]
    approve = f"/jobs/{company_a.job.id}/approve"
    assert post(supervisor, approve).status_code == 428
    assert post(supervisor, approve, **{"If-Match": seen.headers["ETag"]}).status_code == 409
    answered = post(supervisor, f"/flags/{flag['id']}/answers", {"answer": "accept", "reason": scene.REASON})
    assert (answered.status_code, answered.json()["by"]) == (201, company_a.supervisor.name)
    assert post(supervisor, approve, **{"If-Match": seen.headers["ETag"]}).status_code == 412
    now = supervisor.get(f"{API}/jobs/{company_a.job.id}/review").headers["ETag"]
    approved = post(supervisor, approve, **{"If-Match": now})
    assert approved.status_code == 201, approved.content
    revision = approved.json()
    made = post(supervisor, f"/revisions/{revision['id']}/issue")
    assert (made.status_code, made.json()["state"]) == (201, "rendering")
    report = f"/reports/{made.json()['id']}"
    assert supervisor.get(f"{API}{report}/file").status_code == 409
    assert post(supervisor, f"/revisions/{revision['id']}/issue").status_code == 409
    scene.rendered(company_a)
    told = supervisor.get(f"{API}{report}").json()
    assert told["state"] == "issued", told
    check_file(supervisor, report, told)
    assert supervisor.get(f"{API}/jobs/{company_a.job.id}/revisions").json()["items"][0]["revision"] == 1


def check_file(client: Client, report: str, told: dict[str, Any]) -> None:
    """The file comes for its reader only, and the public check knows it, and no altered copy of it."""
    answer = client.get(f"{API}{report}/file")
    data = b"".join(answer.streaming_content)  # type: ignore[attr-defined]
    assert data.startswith(b"%PDF-")
    assert answer.headers["Content-Type"] == "application/pdf"
    assert answer.headers["Cache-Control"].startswith("private")
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{told["number"]}-rev1.pdf"'
    assert check(told["check_address"], data)["standing"] == "current"
    for at in (len(data) // 3, len(data) - 30):
        altered = data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]
        assert check(told["check_address"], altered)["standing"] == "unknown"
    assert check(told["check_address"], data + b"\n")["standing"] == "unknown"
    wrong_key = check(told["check_address"][:-1] + ("A" if told["check_address"][-1] != "A" else "B"), data)
    assert (wrong_key["standing"], wrong_key["number"]) == ("unknown", None)


def check(address: str, data: bytes) -> Any:
    """The public check without an account."""
    file = SimpleUploadedFile("report.pdf", data, "application/pdf")
    answer = Client().post(f"{API}/public/check", {"address": address, "file": file})
    assert answer.status_code == 200, answer.content
    return answer.json()


@pytest.fixture
def reviewed(company_a: World) -> tuple[World, Revision, Issue, uuid.UUID]:
    """An issued job (its file not made yet) and one of its flags."""
    from reports import issue

    scene.measured(company_a, s1="95.0", s2="95.0", s3="70.0")
    revision = scene.approved(company_a)
    with company(company_a.id):
        made = issue.issue(scene.actor(company_a, "supervisor"), revision.id)
        flag = Flag.objects.filter(rule="out_of_tolerance").get()
    return company_a, revision, made, flag.id


def test_another_company_gets_the_answer_for_what_is_not_there(
    reviewed: tuple[World, Revision, Issue, uuid.UUID], company_b: World
) -> None:
    world, revision, made, flag = reviewed
    stranger = signed_in(company_b, "supervisor")
    for method, path in paths(world, revision, made, flag):
        foreign = call(stranger, method, path)
        unknown = call(stranger, method, path.replace(path.split("/")[2], str(uuid.uuid4())))
        assert foreign.status_code == unknown.status_code == 404, (method, path, foreign.content)
        strip = ("instance",)
        assert {k: v for k, v in foreign.json().items() if k not in strip} == {
            k: v for k, v in unknown.json().items() if k not in strip
        }
    assert stranger.get(f"{API}/review").json()["items"] == []
    assert stranger.get(f"{API}/reports").json()["items"] == []


def test_roles_get_what_they_may(reviewed: tuple[World, Revision, Issue, uuid.UUID]) -> None:
    world, revision, made, flag = reviewed
    for role in ("owner", "dispatcher", "technician"):
        client = signed_in(world, role)
        assert client.get(f"{API}/review").status_code == 403
        for method, path in paths(world, revision, made, flag):
            reads = method == "GET" and not path.endswith("/review")
            status = call(client, method, path).status_code
            assert (status in (200, 409)) if reads else status == 403, (role, method, path, status)


def test_keys_tablets_and_strangers(reviewed: tuple[World, Revision, Issue, uuid.UUID]) -> None:
    world, revision, made, flag = reviewed
    for method, path in paths(world, revision, made, flag):
        assert call(Client(), method, path).status_code == 401, path
        keyed = call(Client(headers=world.bearer), method, path).status_code
        reads = method == "GET" and not path.endswith("/review")
        assert (keyed in (200, 409)) if reads else keyed == 403, (method, path, keyed)
        tablet = Client(headers=factories.bearer(world.technician_token))
        if not reads:
            assert call(tablet, method, path).status_code == 403, path


def test_a_repeated_answer_is_one_answer(company_a: World, supervisor: Client) -> None:
    scene.measured(company_a, s1="95.0", s2="95.0", s3="70.0")
    flag = scene.seen(company_a).blocking[0].flag
    sent = [
        supervisor.post(
            f"{API}/flags/{flag.id}/answers",
            {"answer": "accept", "reason": scene.REASON},
            content_type="application/json",
            headers={"Idempotency-Key": "one"},
        )
        for _ in range(2)
    ]
    assert sent[0].content == sent[1].content
    with company(company_a.id):
        assert flag.answers.count() == 1


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"answer": "cleared", "reason": scene.REASON},
        {"answer": "accept", "reason": "short"},
        {"answer": "accept", "reason": scene.REASON, "extra": 1},
        {"answer": None, "reason": None},
        [1],
        '"text"',
    ],
)
def test_an_answer_that_is_none_is_refused(company_a: World, supervisor: Client, body: Any) -> None:
    scene.measured(company_a, s1="95.0", s2="95.0", s3="70.0")
    flag = scene.seen(company_a).blocking[0].flag
    refused = post(supervisor, f"/flags/{flag.id}/answers", body)
    assert refused.status_code == 422
    assert refused.json()["errors"]


def test_lists_take_the_same_number_of_statements_at_two_sizes(company_a: World, supervisor: Client) -> None:
    scene.measured(company_a)
    scene.approved(company_a)
    issue_all(company_a)
    flagged_job(company_a, "49.0")
    addresses = [
        "/review",
        "/reports",
        f"/jobs/{company_a.job.id}/revisions",
        f"/jobs/{company_a.job.id}/review",
    ]
    statements(supervisor, addresses[0])  # the first look of a sign-in notes when it was
    small = [statements(supervisor, address) for address in addresses]
    for turn in range(3):
        for tag in ("S-1", "S-2", "S-3"):
            scene.post(company_a, batches.hood(company_a, tag, f"9{turn}.0"))
        scene.evaluated(company_a)
        scene.approved(company_a)
        issue_all(company_a)
    for number in range(4):
        flagged_job(company_a, f"5{number}.0")
    assert len(supervisor.get(f"{API}/review").json()["items"]) >= 4
    assert len(supervisor.get(f"{API}/reports").json()["items"]) == 4
    assert [statements(supervisor, address) for address in addresses] == small


def flagged_job(world: World, flow: str) -> None:
    """Another job with an outlet that fails."""
    with company(world.id):
        another = factories.job(world.site, world.system)
    scene.post(world, batches.hood(world, "S-1", flow, job=str(another.id)))
    scene.evaluated(world)


def issue_all(world: World) -> None:
    from reports import issue

    with company(world.id):
        issue.issue(scene.actor(world, "supervisor"), Revision.objects.latest("revision").id)


def statements(client: Client, address: str) -> int:
    with CaptureQueriesContext(
        connection,
    ) as caught:
        answer = client.get(f"{API}{address}")
    assert answer.status_code == 200, answer.content
    return len(caught)


def test_reports_are_filtered_by_job_and_number_only(company_a: World, supervisor: Client) -> None:
    scene.measured(company_a)
    scene.approved(company_a)
    issue_all(company_a)
    number = supervisor.get(f"{API}/reports").json()["items"][0]["number"]
    assert len(supervisor.get(f"{API}/reports?number={number}").json()["items"]) == 1
    assert supervisor.get(f"{API}/reports?number=R-1999-0001").json()["items"] == []
    assert supervisor.get(f"{API}/reports?job={uuid.uuid4()}").json()["items"] == []
    assert supervisor.get(f"{API}/reports?job=7").status_code == 422
    assert supervisor.get(f"{API}/reports?colour=red").status_code == 422


def test_a_report_that_cannot_be_made_is_parked_with_its_reason_and_may_be_repeated(
    company_a: World, supervisor: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    from datetime import timedelta

    from jobs import due
    from reports import issue
    from reports.render import RenderFailed

    def fail(*args: Any, **kwargs: Any) -> None:
        raise RenderFailed("part 003 took longer than 90 s")

    monkeypatch.setattr(issue, "render_report", fail)
    monkeypatch.setattr(due, "RETRY", (timedelta(0), timedelta(0)))
    scene.measured(company_a)
    scene.approved(company_a)
    issue_all(company_a)
    scene.rendered(company_a)
    report = supervisor.get(f"{API}/reports").json()["items"][0]
    assert report["state"] == "failed"
    assert "part 003 took longer" in report["reason"]
    again = post(supervisor, f"/reports/{report['id']}/render")
    assert (again.status_code, again.json()["state"]) == (202, "rendering")
    with company(company_a.id):
        assert not IssuedFile.objects.exists()


@pytest.mark.django_db
def test_the_check_takes_only_a_file_with_an_address() -> None:
    file = SimpleUploadedFile("report.pdf", b"%PDF-", "application/pdf")
    assert Client().post(f"{API}/public/check", {"file": file}).status_code == 422
    address = "/check/aaaaaaaaaaaaaaaaaaaaaaaaaa/R-2026-0001/key"
    assert Client().post(f"{API}/public/check", {"address": address}).status_code == 422
    assert Client().post(f"{API}/public/check", {}, content_type="application/json").status_code == 415


@pytest.mark.django_db
def test_the_check_is_limited_by_size_and_by_number(monkeypatch: pytest.MonkeyPatch) -> None:
    from reports import upload
    from reports.rest import views

    address = "/check/aaaaaaaaaaaaaaaaaaaaaaaaaa/R-2026-0001/key"
    monkeypatch.setattr(upload, "MOST_BYTES", 10)
    monkeypatch.setattr(upload, "SPARE_BYTES", 400)
    large = SimpleUploadedFile("report.pdf", b"x" * 2000, "application/pdf")
    assert Client().post(f"{API}/public/check", {"address": address, "file": large}).status_code == 413
    monkeypatch.setattr(upload, "MOST_BYTES", 10_000)
    monkeypatch.setattr(views, "CHECKS_A_MINUTE", 0)
    small = SimpleUploadedFile("report.pdf", b"x", "application/pdf")
    refused = Client().post(f"{API}/public/check", {"address": address, "file": small})
    assert (refused.status_code, "Retry-After" in refused.headers) == (429, True)
