"""Which documents a recall touches, what their check address tells, and the pages and doors of recalls."""

import re
import uuid
import zlib
from typing import Any
from uuid import UUID

import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from jobs import due
from jobs.access import Action
from jobs.models import Certificate, CertificatePoint, DueState, DueWork, Job, JobStatus
from jobs.tenancy.context import company
from measurements import recall
from measurements.models import RecallCase, RecallDecision, RecallItem, Session
from measurements.recall_decisions import decide
from reports import evidence, issue, recalled, verify
from reports.models import Issue, IssuedFile, Revision
from reports.rest import recall as doors
from tests.doors.walk import file_of
from tests.factories import World
from tests.measurements import batches
from tests.measurements.recalls import REASON, certify, items, worked
from tests.reports import scene
from tests.reports.test_doors import signed_in

pytestmark = pytest.mark.django_db
REFERENCES = (2.0, 40.0, 90.0)


@pytest.fixture
def world(company_a: World) -> World:
    """A measured and issued job, before anybody knows of the manometer."""
    scene.measured(company_a)
    sent_out(company_a)
    return company_a


def sent_out(world: World) -> Issue:
    """The job as it stands, approved and issued, with a stand-in for its file."""
    revision = scene.approved(world)
    with company(world.id):
        made = issue.issue(world.actor("supervisor"), revision.id)
        file_of(made, f"%PDF-1.7 revision {revision.revision}".encode())
    return made


def found_bad(world: World, error: float = 0.06) -> RecallCase:
    certify(world, error=error, references=REFERENCES)
    worked(world)
    with company(world.id):
        return RecallCase.objects.select_related("certificate", "last_good", "instrument").get()


def standing(world: World, made: Issue) -> verify.PublicReport:
    with company(world.id):
        address = verify.parse_address(issue.check_path(Issue.objects.get(id=made.id)))
    assert address is not None
    report = verify.find(address)
    assert report is not None
    return report


def settle(world: World, case: RecallCase, kind: str) -> None:
    with company(world.id):
        decide(world.actor("supervisor"), case.id, [one.id for one in items(case)], kind=kind, reason=REASON)


def first_issue(world: World) -> Issue:
    with company(world.id):
        return Issue.objects.earliest("issued_at")


def again_approved(world: World) -> Issue:
    """Another revision, after a note on the job."""
    with company(world.id):
        Job.objects.update(status=JobStatus.SUBMITTED, notes=f"Seen again {uuid.uuid4()}")
    return sent_out(world)


# Documents


def test_documents_are_those_whose_frozen_readings_hold_a_touched_session(world: World) -> None:
    """Brute force: every revision's list of readings against every item."""
    newer = batches.traverse(
        world, flow=0.268, supersedes={"session": str(session_of(world, "MD-1")), "reason": "Once more."}
    )
    scene.post(world, newer)
    scene.settled(world)
    second = again_approved(world)
    case = found_bad(world)
    with company(world.id):
        touched = {one.session_id for one in items(case)}
        wanted = {}
        for row in Revision.objects.all():
            text = zlib.decompress(row.readings_csv).decode()
            held = {one for one in touched if str(one) in text}
            if held:
                wanted[row.id] = held
        found = recalled.touched_documents(case)
        assert {one.revision.id: set(one.sessions) for one in found} == wanted
        assert [one.revision.revision for one in found] == [2, 1]
        assert [one.newest for one in found] == [True, False]
        assert found[0].issue.id == second.id
        assert found[0].sessions != found[1].sessions
        [[customer, held]] = recalled.customers_of(found).items()
        assert customer.name == world.customer.name
        assert len(held) == 2


def session_of(world: World, tag: str) -> UUID:
    with company(world.id):
        return Session.objects.filter(test_point__tag=tag).latest("started_at").id


def test_a_recall_changes_no_stored_byte_and_its_rows_are_evidence(world: World) -> None:
    tables = (Session, Revision, Issue, IssuedFile)
    with company(world.id):
        before = {model: list(model.objects.order_by("id").values()) for model in tables}
    case = found_bad(world)
    settle(world, case, "reissue")
    with company(world.id):
        assert {model: list(model.objects.order_by("id").values()) for model in tables} == before
        assert RecallItem.objects.exists()
        assert RecallDecision.objects.exists()
        kinds = [one for one in evidence.KINDS if one.model in (RecallCase, RecallItem, RecallDecision)]
        assert len(kinds) == 3
        assert not [fault for fault in evidence.faults(kinds) if "recall" in fault.table]


# What the check address tells


def test_before_a_recall_nothing_is_told(world: World) -> None:
    report = standing(world, first_issue(world))
    assert (report.standing, report.recall) == (verify.Standing.CURRENT, "")


def test_an_undecided_session_puts_its_report_under_recall_and_no_effect_ends_it(world: World) -> None:
    made = first_issue(world)
    case = found_bad(world)
    report = standing(world, made)
    assert report.standing is verify.Standing.UNDER_RECALL
    assert case.opened_at.date().isoformat() in report.recall
    assert "being looked into" in report.recall
    serial = case.instrument.serial
    assert serial not in report.recall
    finding = verify.judge(report, report.revisions[0].sha256)
    assert finding.standing is verify.Standing.UNDER_RECALL
    assert report.recall in finding.sentence
    assert verify.judge(report, "0" * 64).standing is verify.Standing.UNKNOWN
    settle(world, case, "no_effect")
    assert standing(world, made).standing is verify.Standing.CURRENT


@pytest.mark.parametrize("kind", ["reissue", "remeasure"])
def test_after_these_decisions_it_stays_until_a_newer_revision_is_issued(world: World, kind: str) -> None:
    made = first_issue(world)
    settle(world, found_bad(world), kind)
    report = standing(world, made)
    assert report.standing is verify.Standing.UNDER_RECALL
    assert "Ask who issued it" in report.recall
    scene.accept_all(world)
    newer = again_approved(world)
    assert standing(world, newer).standing is verify.Standing.CURRENT
    older = standing(world, made)
    assert (older.standing, older.recall) == (verify.Standing.SUPERSEDED, "")


def test_a_customer_told_of_nothing_ends_it_but_not_of_a_changed_figure(world: World) -> None:
    made = first_issue(world)
    case = found_bad(world, error=0.03)
    with company(world.id):
        changed = [one for one in items(case) if one.verdict_changed or one.moved]
        kept = [one for one in items(case) if not (one.verdict_changed or one.moved)]
    settle(world, case, "customer_told")
    expected = verify.Standing.UNDER_RECALL if changed else verify.Standing.CURRENT
    assert standing(world, made).standing is expected
    assert changed or kept


def test_a_session_not_computed_yet_counts_as_undecided(world: World) -> None:
    certify(world, error=0.06, references=REFERENCES)
    with company(world.id):
        claim = due.claim(["certificate"])
    assert claim is not None
    due.do(world.id, claim)  # the case is open, its sessions are still to be looked for
    assert standing(world, first_issue(world)).standing is verify.Standing.UNDER_RECALL


def test_a_replaced_revision_is_told_as_replaced_with_its_recall_beside_it(world: World) -> None:
    made = first_issue(world)
    newer = again_approved(world)
    found_bad(world)
    older = standing(world, made)
    assert older.standing is verify.Standing.SUPERSEDED
    assert "under recall" in older.recall
    assert standing(world, newer).standing is verify.Standing.UNDER_RECALL


def test_a_withdrawn_certificate_is_told_as_that(world: World) -> None:
    with company(world.id):
        row = Certificate.objects.get(instrument=world.instruments["hood"])
        recall.withdraw(world.actor("owner"), row.id, reason="Its laboratory withdrew it.")
    worked(world)
    report = standing(world, first_issue(world))
    assert "withdrawn" in report.recall
    assert row.number not in report.recall


def test_another_job_and_another_company_stay_as_they_are(world: World, company_b: World) -> None:
    scene.measured(company_b)
    theirs = sent_out(company_b)
    found_bad(world)
    assert standing(company_b, theirs).standing is verify.Standing.CURRENT
    with company(company_b.id):
        assert recalled.under_recall([first_issue(world).id]) == {}


def test_the_notice_takes_a_few_statements_however_many_revisions(world: World) -> None:
    found_bad(world)
    counts = []
    for _ in range(2):
        with company(world.id):
            ids = list(Issue.objects.values_list("id", flat=True))
            with CaptureQueriesContext(connection) as caught:
                assert len(recalled.under_recall(ids)) == len(ids)
            counts.append(len(caught))
        again_approved(world)
    assert counts[0] == counts[1] <= 8


def test_the_public_page_and_door_say_it(world: World) -> None:
    made = first_issue(world)
    found_bad(world)
    with company(world.id):
        path, file = issue.check_path(made), IssuedFile.objects.get(issue=made)
        address = issue.check_address(made)
    page = Client().get(path)
    assert "under recall since" in text(page)
    with default_storage.open(file.name) as stored:
        content = stored.read()
    upload = SimpleUploadedFile("r.pdf", content, "application/pdf")
    shown = Client().post(path, {"file": upload})
    assert "Issued, under recall" in text(shown)
    upload = SimpleUploadedFile("r.pdf", content, "application/pdf")
    answer: Any = Client().post("/api/v1/public/check", {"address": address, "file": upload})
    assert answer.json()["standing"] == "under_recall"
    assert "under recall since" in answer.json()["sentence"]


def text(answer: Any) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


# Pages


def test_the_pages_lead_from_the_finding_to_the_decision(world: World) -> None:
    case = found_bad(world)
    client = signed_in(world, "supervisor")
    listed = text(client.get("/recalls"))
    assert case.instrument.serial in listed
    assert "2 to decide" in listed
    page = client.get(f"/recalls/{case.id}")
    assert "it showed" in text(page)
    assert "too much; the maker allows ±" in text(page)
    assert "<svg" in page.content.decode()
    assert "under recall" in text(page)
    assert world.customer.name in text(page)
    ids = re.findall(r'name="item" value="([^"]+)"', page.content.decode())
    assert len(ids) == 2
    given = {"scope": "marked", "item": ids[:1], "decision": "no_effect", "reason": "short"}
    refused = client.post(f"/recalls/{case.id}/decide", given, follow=True)
    assert "Give a reason of 10 to 2000 characters." in text(refused)
    done = client.post(f"/recalls/{case.id}/decide", {**given, "reason": REASON}, follow=True)
    assert "Decided on 1 session." in text(done)
    assert "1 to decide" in text(done)
    rest = {"scope": "rest", "decision": "customer_told", "reason": REASON}
    assert "Decided on 1 session." in text(client.post(f"/recalls/{case.id}/decide", rest, follow=True))
    assert "Nothing is left to decide" in text(client.get(f"/recalls/{case.id}?only=undecided"))
    given["reason"] = REASON
    none = client.post(f"/recalls/{case.id}/decide", {**given, "item": []}, follow=True)
    assert "Name what is decided on." in text(none)
    odd = client.post(f"/recalls/{case.id}/decide", {**given, "item": ["x"], "scope": "marked"}, follow=True)
    assert "leads to nothing" in text(odd)


def test_worst_comes_first_on_the_page(world: World) -> None:
    case = found_bad(world, error=0.25)
    page = signed_in(world, "supervisor").get(f"/recalls/{case.id}").content.decode()
    with company(world.id):
        rows = items(case)
    assert rows[0].verdict_changed
    places = [page.index(f'value="{row.id}"') for row in rows]
    assert places == sorted(places)


def test_a_withdrawal_by_page_needs_the_right_role(world: World) -> None:
    with company(world.id):
        certificate = Certificate.objects.get(instrument=world.instruments["hood"])
    given = {"certificate": str(certificate.id), "reason": "Its laboratory withdrew it."}
    technician = signed_in(world, "technician")
    assert technician.post("/recalls/withdraw", given).status_code == 403
    assert "Withdraw a certificate" not in text(technician.get("/recalls"))
    dispatcher = signed_in(world, "dispatcher")
    assert "Withdraw a certificate" in text(dispatcher.get("/recalls"))
    opened = dispatcher.post("/recalls/withdraw", given, follow=True)
    assert "A recall is open" in text(opened)
    assert "Its laboratory withdrew it." in text(opened)
    assert dispatcher.post("/recalls/withdraw", {**given, "certificate": "x"}, follow=True).status_code == 200
    with company(world.id):
        case = RecallCase.objects.get()
    deciding = {"scope": "rest", "decision": "no_effect", "reason": REASON}
    assert dispatcher.post(f"/recalls/{case.id}/decide", deciding).status_code == 403
    assert dispatcher.get(f"/recalls/{uuid.uuid4()}").status_code == 404


def test_pages_of_another_company_are_not_there(world: World, company_b: World) -> None:
    case = found_bad(world)
    stranger = signed_in(company_b, "supervisor")
    assert stranger.get(f"/recalls/{case.id}").status_code == 404
    given = {"scope": "rest", "decision": "no_effect", "reason": REASON}
    assert stranger.post(f"/recalls/{case.id}/decide", given).status_code == 404
    assert case.instrument.serial not in text(stranger.get("/recalls"))


def test_what_was_given_up_can_be_computed_again(world: World) -> None:
    case = found_bad(world)
    client = signed_in(world, "supervisor")
    nothing = client.post(f"/recalls/{case.id}/again", follow=True)
    assert "Nothing of it was given up" in text(nothing)
    with company(world.id):
        due.schedule("recall", case.id)
        DueWork.objects.filter(kind="recall").update(state=DueState.PARKED, error="OSError: no space")
    assert "no space" in text(client.get(f"/recalls/{case.id}"))
    client.post(f"/recalls/{case.id}/again")
    worked(world)
    with company(world.id):
        assert not DueWork.objects.filter(kind="recall").exists()


# Doors


def test_the_doors_tell_the_whole_and_take_a_repeat_once(world: World) -> None:
    case = found_bad(world)
    client = signed_in(world, "supervisor")
    [listed] = client.get("/api/v1/recalls").json()["items"]
    assert (listed["id"], listed["state"], listed["undecided"]) == (str(case.id), "open", 2)
    assert [point["outside"] for point in listed["points"]] == [False, True, True]
    rows = client.get(f"/api/v1/recalls/{case.id}/sessions").json()["items"]
    assert {row["tag"] for row in rows} == {"MD-1", "BD-1"}
    for row in rows:
        assert row["reported"]["value"] > row["found"]["value"]
        assert row["decisions"] == []
    [document] = client.get(f"/api/v1/recalls/{case.id}/documents").json()["items"]
    assert document["under_recall"] is True
    assert set(document["sessions"]) == {row["session"] for row in rows}
    body = {"items": [row["id"] for row in rows], "decision": "no_effect", "reason": REASON}
    path, key = f"/api/v1/recalls/{case.id}/decisions", {"Idempotency-Key": "once"}
    for _ in range(2):
        answer: Any = client.post(path, body, "application/json", headers=key)
        assert (answer.status_code, answer.json()) == (201, {"decided": 2, "undecided": 0})
    other = {**key, "Idempotency-Key": "again"}
    same: Any = client.post(path, body, "application/json", headers=other)
    assert same.json() == {"decided": 0, "undecided": 0}
    with company(world.id):
        assert RecallDecision.objects.count() == 2
    assert client.get(f"/api/v1/recalls/{case.id}").json()["state"] == "decided"
    strange: Any = client.post(
        path, {**body, "items": [str(uuid.uuid4())]}, "application/json", headers={"Idempotency-Key": "x"}
    )
    assert (strange.status_code, strange.json()["errors"][0]["pointer"]) == (422, "/items")


def test_who_may_at_the_doors(world: World) -> None:
    assert doors.Recalls.needs == {"GET": Action.READ, "POST": Action.MANAGE_INSTRUMENTS}
    assert doors.RecallDecisions.needs == {"POST": Action.REVIEW}
    case = found_bad(world)
    owner = signed_in(world, "owner")
    body = {"items": [str(uuid.uuid4())], "decision": "no_effect", "reason": REASON}
    answer: Any = owner.post(
        f"/api/v1/recalls/{case.id}/decisions", body, "application/json", headers={"Idempotency-Key": "k"}
    )
    assert answer.status_code == 403


def test_points_of_a_finding_at_the_limit_are_a_remark(world: World) -> None:
    """0.1 Pa and 1 % of 40 Pa are 0.5 Pa. Found 0.45 Pa high with U of 0.1 Pa: inside by less than U."""
    certify(world, error=0.45 / 40.0, references=(40.0,), U=0.1)
    worked(world)
    with company(world.id):
        assert not RecallCase.objects.exists()
        assert CertificatePoint.objects.filter(as_found=40.45).exists()
