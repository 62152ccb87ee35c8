"""What goes out before the final report: deferred points, interim reports, lists."""

import subprocess
import zlib
from pathlib import Path
from typing import Any

import pytest
from django.core.files.storage import default_storage

from jobs import due
from jobs.errors import Conflict, Forbidden, Invalid, NotFound
from jobs.models import DueWork, Job, JobStatus, TestPoint
from jobs.tenancy.context import company
from measurements.models import Session
from reports import before, deferrals, document, issue, review, verify
from reports.issue import check_path
from reports.models import DocumentKind, Issue, IssuedFile, Revision
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

WHY = "The chiller runs in summer only."
KINDS = [DocumentKind.INTERIM, DocumentKind.DEFICIENCIES, DocumentKind.DEFERRED]


def point(world: World, tag: str) -> TestPoint:
    with company(world.id):
        found: TestPoint = TestPoint.objects.get(tag=tag)
        return found


def defer(world: World, tag: str, **given: Any) -> Any:
    with company(world.id):
        return deferrals.defer(
            world.actor("supervisor"),
            world.job.id,
            point_id=point(world, tag).id,
            **{"season": "cooling", "reason": WHY} | given,
        )


def send(world: World, kind: DocumentKind | str, role: str = "supervisor", **given: Any) -> Issue:
    with company(world.id):
        return before.send_before(world.actor(role), world.job.id, kind=kind, **given)


def content(world: World, made: Issue) -> document.Document:
    with company(world.id):
        return document.from_bytes(zlib.decompress(Revision.objects.get(id=made.revision_id).snapshot))


def part_measured(world: World) -> None:
    """S-1 well, S-3 low, the rest not yet."""
    scene.measure_some(world, s1="89.6", s3="70.0")


def test_a_deferred_point_is_no_open_deficiency_but_stands_as_deferred(company_a: World) -> None:
    part_measured(company_a)
    defer(company_a, "S-2", due_on=None)
    made = send(company_a, "interim")
    rows = {(one.tag, one.status): one for one in content(company_a, made).deficiencies}
    assert ("S-2", "deferred") in rows
    assert ("S-3", "open") in rows
    answer = rows["S-2", "deferred"].answer
    assert answer is not None
    assert WHY in answer.reason
    assert "cooling season" in answer.reason
    assert "1 deferred to another season." in content(company_a, made).report.note


def test_what_is_deferred_is_bound_by_the_approval(company_a: World) -> None:
    scene.measured(company_a, s3="70.0")
    found = scene.accept_all(company_a)
    defer(company_a, "S-3")
    with company(company_a.id), pytest.raises(Exception, match="changed since you looked"):
        review.approve(company_a.actor("supervisor"), company_a.job.id, seen_digest=found.digest)


def test_a_list_of_deferred_points_tells_what_became_of_each(company_a: World) -> None:
    part_measured(company_a)
    for tag in ("S-2", "MD-1", "BD-1"):
        defer(company_a, tag)
    scene.post(company_a, batches.hood(company_a, "S-2", "90.0"))
    scene.evaluated(company_a)
    with company(company_a.id):
        deferrals.take_back(
            company_a.actor("supervisor"),
            company_a.job.id,
            point_id=point(company_a, "MD-1").id,
            reason="The plant runs after all.",
        )
    rows = {one.tag: one.status for one in content(company_a, send(company_a, "deferred")).deficiencies}
    assert rows == {"S-2": "measured since", "MD-1": "taken back", "BD-1": "deferred"}


def test_numbers_tell_the_kind_and_revisions_count_by_kind(company_a: World) -> None:
    part_measured(company_a)
    defer(company_a, "S-2")
    first = [send(company_a, kind) for kind in KINDS]
    base = first[0].number.removesuffix("-I")
    assert [one.number for one in first] == [f"{base}-I", f"{base}-D", f"{base}-S"]
    with company(company_a.id), pytest.raises(Conflict, match="says the same already"):
        before.send_before(company_a.actor("supervisor"), company_a.job.id, kind="interim")
    scene.post(company_a, batches.hood(company_a, "S-2", "66.0"))
    scene.evaluated(company_a)
    again = send(company_a, "deficiencies", addressee="The installing contractor")
    assert again.number == f"{base}-D"
    with company(company_a.id):
        assert Revision.objects.get(id=again.revision_id).revision == 2
    changed = [one.what for one in content(company_a, again).changes]
    assert [what.endswith("S-2: added") for what in changed] == [True]
    with company(company_a.id):
        address = verify.parse_address(check_path(first[1]))
    assert address is not None
    found = verify.find(address)
    assert found is not None
    assert (found.standing, found.newest) == (verify.Standing.SUPERSEDED, 2)


def test_the_report_keeps_its_own_number_and_revision(company_a: World) -> None:
    scene.measured(company_a, s3="70.0")
    base = send(company_a, "interim").number.removesuffix("-I")
    with company(company_a.id):
        version = Job.objects.get().version
    made = scene.issued(company_a)
    with company(company_a.id):
        assert made.number == base
        assert Revision.objects.get(id=made.revision_id).revision == 1
        job = Job.objects.get()
        assert (job.status, job.version) == (JobStatus.ISSUED, version + 2)  # approved, then issued


def test_nothing_goes_out_for_a_cancelled_job(company_a: World) -> None:
    scene.measured(company_a)
    with company(company_a.id):
        Job.objects.update(status=JobStatus.CANCELLED)
    with pytest.raises(Conflict, match="cancelled"):
        send(company_a, "interim")
    with company(company_a.id):
        assert not Issue.objects.exists()


def test_what_waits_for_its_evaluation_is_said_on_it(company_a: World) -> None:
    scene.measure_some(company_a, s1="89.6")
    scene.post(company_a, batches.hood(company_a, "S-2", "90.0"))
    note = content(company_a, send(company_a, "interim")).report.note
    assert "1 of the measurements waits for evaluation." in note


def test_only_the_newest_revision_is_issued_and_a_file_is_made_once(company_a: World) -> None:
    scene.measured(company_a)
    first = scene.approved(company_a)
    scene.post(company_a, batches.hood(company_a, "S-2", "93.0"))
    scene.evaluated(company_a)
    second = scene.approved(company_a)
    supervisor = scene.actor(company_a, "supervisor")
    with company(company_a.id):
        with pytest.raises(Conflict, match="Revision 2 of this job is newer"):
            issue.issue(supervisor, first.id)
        made = issue.issue(supervisor, second.id)
        with pytest.raises(Conflict, match=f"issued already, as {made.number}"):
            issue.issue(supervisor, second.id)
    scene.rendered(company_a)
    with company(company_a.id):
        file = made.files.get()
        due.schedule(issue.RENDER, made.id)
    assert due.work(company_a.id, "render") == 1
    with company(company_a.id):
        assert made.files.get() == file
        assert not DueWork.objects.filter(kind=issue.RENDER).exists()


def test_an_interim_report_changes_nothing_of_the_job(company_a: World) -> None:
    scene.measured(company_a, s3="70.0")
    send(company_a, "interim")
    scene.rendered(company_a)
    with company(company_a.id):
        assert Job.objects.get().status == JobStatus.SUBMITTED
        assert review.review_set(company_a.actor("supervisor"), company_a.job.id).blocking


def test_nothing_to_tell_is_said_and_stores_nothing(company_a: World) -> None:
    for kind, why in zip(
        KINDS, ("Nothing was measured", "No deficiency", "No point is deferred"), strict=True
    ):
        if kind == DocumentKind.DEFICIENCIES:
            continue  # what is not measured yet is one
        with company(company_a.id), pytest.raises(Conflict, match=why):
            before.send_before(company_a.actor("supervisor"), company_a.job.id, kind=kind)
    with company(company_a.id):
        assert not Revision.objects.exists()
        assert not Issue.objects.exists()


def test_who_may_and_what_is_refused(company_a: World, company_b: World) -> None:
    part_measured(company_a)
    for role in ("technician", "dispatcher", "owner"):
        with pytest.raises(Forbidden):
            send(company_a, "interim", role)
    with company(company_b.id), pytest.raises(NotFound):
        before.send_before(company_b.actor("supervisor"), company_a.job.id, kind="interim")
    with pytest.raises(Invalid):
        send(company_a, "report")
    with pytest.raises(Invalid):
        send(company_a, "interim", addressee="x" * 401)
    with pytest.raises(Invalid):
        defer(company_a, "S-2", reason="short")
    with pytest.raises(Invalid):
        defer(company_a, "S-2", season="spring")
    foreign = point(company_b, "S-2")
    with company(company_a.id), pytest.raises(Invalid, match="leads to nothing"):
        deferrals.defer(
            company_a.actor("supervisor"), company_a.job.id, point_id=foreign.id, season="heating", reason=WHY
        )
    with company(company_a.id), pytest.raises(Conflict, match="not deferred"):
        deferrals.take_back(
            company_a.actor("supervisor"), company_a.job.id, point_id=point(company_a, "S-1").id, reason=WHY
        )


def test_who_measures_may_leave_a_point_for_later_until_the_job_is_handed_over(company_a: World) -> None:
    given: Any = {"point_id": point(company_a, "S-2").id, "season": "access", "reason": WHY}
    with company(company_a.id):
        deferrals.defer(company_a.actor("technician"), company_a.job.id, **given)
        for role in ("dispatcher", "owner"):
            with pytest.raises(Forbidden):
                deferrals.defer(company_a.actor(role), company_a.job.id, **given)
        Job.objects.update(status=JobStatus.SUBMITTED)
        with pytest.raises(Conflict, match="handed over"):
            deferrals.defer(company_a.actor("technician"), company_a.job.id, **given)
        with pytest.raises(Conflict, match="handed over"):
            deferrals.take_back(
                company_a.actor("technician"), company_a.job.id, point_id=given["point_id"], reason=WHY
            )
        deferrals.take_back(
            company_a.actor("supervisor"), company_a.job.id, point_id=given["point_id"], reason=WHY
        )


@pytest.mark.parametrize("kind", KINDS)
def test_each_is_rendered_and_says_what_it_is_on_every_page(
    company_a: World, tmp_path: Path, kind: DocumentKind
) -> None:
    part_measured(company_a)
    defer(company_a, "S-2")
    send(company_a, kind, addressee="The contractor for ducts, Saltmarsh yard")
    scene.rendered(company_a)
    with company(company_a.id):
        file = IssuedFile.objects.get()
        assert Session.objects.count() == 2
    path = tmp_path / "list.pdf"
    with default_storage.open(file.name) as stored:
        path.write_bytes(stored.read())
    text = subprocess.run(
        ["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True
    ).stdout
    pages = text.split("\f")[:-1]
    word = {"interim": "Interim report", "deficiencies": "Deficiency list", "deferred": "Deferred points"}[
        kind
    ]
    assert all(word in page for page in pages)
    assert "contractor for ducts" in text
    assert "Approved by" not in text
    if kind == DocumentKind.DEFICIENCIES:
        assert "S-3" in text
        assert "Put right" in text
    if kind == DocumentKind.DEFERRED:
        assert "Cooling season" in text
