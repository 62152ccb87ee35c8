"""The pages: what a supervisor sees and does, what a stranger may check."""

import re
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from jobs.models import Job, JobStatus, Site
from jobs.tenancy.context import company
from measurements.models import Session
from reports import issue as issuing
from reports.models import IssuedFile, Revision
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene
from tests.reports.test_doors import signed_in
from tests.reports.test_snapshot import HOSTILE

LOW = {"s1": "95.0", "s2": "95.0", "s3": "70.0"}


def text(answer: Any) -> str:
    return re.sub(r"\s+", " ", answer.content.decode())


def test_a_supervisor_decides_on_the_pages_alone(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")
    assert f"/review/{company_a.job.id}" in text(client.get("/review"))
    page = client.get(f"/review/{company_a.job.id}")
    flag = scene.seen(company_a).blocking[0].flag
    assert flag.seen in text(page).replace("&#x27;", "'")
    assert 'name="shown_at"' not in text(page)
    short = client.post(f"/flags/{flag.id}/answer", {"answer": "accept", "reason": "short"}, follow=True)
    assert "Give a reason of 10 to 2000 characters." in text(short)
    client.post(f"/flags/{flag.id}/answer", {"answer": "accept", "reason": scene.REASON})
    page = text(client.get(f"/review/{company_a.job.id}"))
    seen = re.search(r'name="seen" value="([0-9a-f]{64})"', page)
    assert seen is not None
    stale = client.post(f"/review/{company_a.job.id}/approve", {"seen": "0" * 64}, follow=True)
    assert "changed since you looked" in text(stale)
    client.post(f"/review/{company_a.job.id}/approve", {"seen": seen.group(1)})
    with company(company_a.id):
        assert Job.objects.get().status == JobStatus.APPROVED
        revision = Revision.objects.get()
    assert "Approved, not issued" in text(client.get("/reports"))
    report = client.post(f"/revisions/{revision.id}/issue", follow=True)
    assert "The file is being made" in text(report)
    assert "R-" in text(client.get("/reports"))


def test_sending_back_on_the_page_opens_the_job(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")
    flag = scene.seen(company_a).blocking[0].flag
    page = client.post(
        f"/flags/{flag.id}/answer", {"answer": "remeasure", "reason": "Damper was shut."}, follow=True
    )
    assert "sent back" in text(page)
    with company(company_a.id):
        assert Job.objects.get().status == JobStatus.OPEN


def test_a_session_opens_down_to_its_readings(company_a: World) -> None:
    sessions = scene.measured(company_a)
    client = signed_in(company_a, "technician")
    page = text(client.get(f"/sessions/{sessions['MD-1']}"))
    for part in ("Uncertainty budget", "50 readings", "Certificate", "velocities", "<svg", "Zero at"):
        assert part.lower() in page.lower(), part
    hood = text(client.get(f"/sessions/{sessions['S-1']}"))
    assert "2 readings" in hood
    assert "89.6" in hood


def test_a_session_tells_its_times_in_the_sites_zone(company_a: World) -> None:
    sessions = scene.measured(company_a)
    with company(company_a.id):
        Site.objects.update(time_zone="Asia/Kathmandu")
        started = Session.objects.get(id=sessions["S-1"]).started_at
    page = text(signed_in(company_a, "technician").get(f"/sessions/{sessions['S-1']}"))
    local = started.astimezone(ZoneInfo("Asia/Kathmandu"))
    assert f"on {local:%Y-%m-%d}, {local:%H:%M} to" in " ".join(page.split())


def test_a_replaced_session_leads_to_the_one_that_counts(company_a: World) -> None:
    sessions = scene.measured(company_a)
    again = batches.hood(
        company_a, "S-1", "91.0", supersedes={"session": str(sessions["S-1"]), "reason": "Hood slipped."}
    )
    scene.post(company_a, again)
    client = signed_in(company_a, "supervisor")
    assert f"/sessions/{again['id']}" in text(client.get(f"/sessions/{sessions['S-1']}"))
    waiting = text(client.get(f"/sessions/{again['id']}"))
    assert "waits for its evaluation" in waiting
    assert "Hood slipped." in waiting


def test_C12_hostile_text_stays_text(company_a: World) -> None:
    with company(company_a.id):
        scene.fine_tools(company_a)
    note = batches.hood(company_a, "S-1", "60.0", note=HOSTILE)
    scene.post(company_a, note)
    scene.evaluated(company_a)
    with company(company_a.id):
        Job.objects.update(title=HOSTILE)
    client = signed_in(company_a, "supervisor")
    for address in ("/review", f"/review/{company_a.job.id}", f"/sessions/{note['id']}"):
        page = client.get(address).content.decode()
        assert "<script>alert" not in page
        assert "{{ 7*7 }}" in page or "S-1" in page
        assert "49" not in re.findall(r"\{\{.*?\}\}|&lt;b&gt;(.*?)&lt;", page)


@pytest.mark.parametrize("path", ["/review", "/review/{job}", "/sessions/{session}", "/reports"])
def test_pages_are_for_the_company_only(company_a: World, company_b: World, path: str) -> None:
    sessions = scene.measured(company_a)
    address = path.format(job=company_a.job.id, session=sessions["S-1"])
    assert Client().get(address).status_code == 302
    answer = signed_in(company_b, "supervisor").get(address)
    assert answer.status_code == (404 if "{" in path else 200)
    assert str(company_a.job.id) not in text(answer)


def test_pages_have_no_inline_scripts_or_styles(company_a: World) -> None:
    sessions = scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")
    for address in ("/review", f"/review/{company_a.job.id}", f"/sessions/{sessions['MD-1']}", "/reports"):
        page = client.get(address).content.decode()
        assert not re.search(r"<script(?![^>]*src=)|<style|\sstyle=|\son\w+=", page), address


def test_the_review_page_takes_the_same_number_of_statements_at_two_sizes(company_a: World) -> None:
    scene.measured(company_a, **LOW)
    client = signed_in(company_a, "supervisor")

    def statements() -> int:
        with CaptureQueriesContext(connection) as caught:
            assert client.get(f"/review/{company_a.job.id}").status_code == 200
        return len(caught)

    statements()  # the first look of a sign-in notes when it was
    small = statements()
    for tag in ("S-1", "S-2", "S-3"):
        scene.post(company_a, *[batches.hood(company_a, tag, f"6{n}.0") for n in range(4)])
    scene.evaluated(company_a)
    with company(company_a.id):
        assert Session.objects.count() == 17
    assert statements() == small


def test_the_check_page_knows_the_issued_file_and_no_other(company_a: World, company_b: World) -> None:
    scene.measured(company_a)
    made = scene.issued(company_a)
    with company(company_a.id):
        stored = IssuedFile.objects.get()
        data = default_storage.open(stored.name).read()
    address = issuing.check_path(made)
    for visitor in (Client(), signed_in(company_b, "supervisor")):
        assert made.number in text(visitor.get(address))
        assert "Issued, current" in text(upload(visitor, address, data))
        altered = data[:-100] + bytes([data[-100] ^ 1]) + data[-99:]
        assert "Not ours, or altered" in text(upload(visitor, address, altered))
        assert upload(visitor, address, b"").status_code == 422
        parts = address.split("/")
        for n, wrong in ((2, "a" * 26), (3, "R-2026-9999"), (4, "x" * 32)):
            bad = "/".join([*parts[:n], wrong, *parts[n + 1 :]])
            assert visitor.get(bad).status_code == 404
    scene.post(company_a, batches.hood(company_a, "S-1", "91.0"))
    scene.evaluated(company_a)
    revision = scene.approved(company_a)
    with company(company_a.id):
        second = issuing.issue(scene.actor(company_a, "supervisor"), revision.id)
    assert second.number == made.number
    assert "Issued, replaced by revision 2" in text(upload(Client(), address, data))


def upload(client: Client, address: str, data: bytes) -> Any:
    return client.post(address, {"file": SimpleUploadedFile("report.pdf", data, "application/pdf")})
