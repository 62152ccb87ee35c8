"""A correction and a void through review, approval, report, pages and doors."""

import csv
import io
import zlib
from typing import Any
from uuid import UUID

import pytest
from django.test import Client

from jobs.models import Job
from jobs.tenancy.context import company
from measurements import correct
from measurements.corrected import Change
from measurements.models import Correction, Session, SessionVoid
from reports import document as doc
from reports import evidence, queries, review
from reports.models import Revision
from tests import factories
from tests.database import owner_connection
from tests.doors.client import signed_in, with_token
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

WHY = "Width was taken from the drawing; 495 mm on site."
WIDTH = Change("/plane/width", batches.amount("495", "mm"))


def seen_digest(session_id: UUID) -> str:
    return str(Session.objects.get(id=session_id).content_digest)


def put_right(world: World, session_id: UUID, *changes: Change) -> Correction:
    with company(world.id):
        made = correct.correct(
            scene.actor(world, "supervisor"),
            session_id,
            seen_digest=seen_digest(session_id),
            reason=WHY,
            changes=changes or (WIDTH,),
        )
    scene.settled(world)
    return made


def make_void(world: World, session_id: UUID, **more: Any) -> SessionVoid:
    with company(world.id):
        note = correct.void(
            scene.actor(world, "supervisor"),
            session_id,
            seen_digest=seen_digest(session_id),
            reason=WHY,
            **more,
        )
    scene.settled(world)
    return note


def document_of(revision: Revision) -> doc.Document:
    return doc.from_bytes(zlib.decompress(revision.snapshot))


def rows_of(revision: Revision) -> list[dict[str, str]]:
    text = zlib.decompress(revision.readings_csv).decode()
    return list(csv.DictReader(io.StringIO(text)))


def test_G3_after_approval_a_correction_wants_a_new_revision_that_tells_of_it(company_a: World) -> None:
    sessions = scene.measured(company_a)
    first = scene.approved(company_a)
    made = put_right(company_a, sessions["MD-1"])
    with company(company_a.id):
        assert queries.sessions_after_approval(Job.objects.all()) == {company_a.job.id: 1}
        assert [e.after_approval for e in review.queue(scene.actor(company_a, "supervisor"))] == [1]
    found = scene.seen(company_a)
    assert found.digest != first.set_digest
    second = scene.approved(company_a)
    document = document_of(second)
    [sheet] = [s for s in document.systems[0].sheets if s.tag == "MD-1"]
    [line] = sheet.history
    assert line.what == "Corrected, readings as they were shown: Duct, width 500 mm → 495 mm"
    assert line.before != line.after
    assert line.why == WHY
    assert line.by is not None
    with company(company_a.id):
        assert line.by.name == made.member.name
    assert line.by.at == made.at
    [change] = [c for c in document.changes if "MD-1: corrected" in c.what]
    assert (change.what.split(": ")[1], change.why) == ("corrected", WHY)
    mine = [row for row in rows_of(second) if row["point"] == "MD-1"]
    counts = [row["entered"] for row in mine if row["status"] == "counts, corrected"]
    kept = [row["entered"] for row in mine if row["status"] == "original of a correction"]
    assert len(kept) == 50
    assert counts == kept


def test_a_void_session_is_in_no_sum_but_in_the_report_with_its_reason(company_a: World) -> None:
    sessions = scene.measured(company_a)
    scene.approved(company_a)
    make_void(company_a, sessions["S-2"])
    second = scene.approved(company_a)
    [system] = document_of(second).systems
    assert [row.tag for row in system.outlets] == ["S-1", "S-3"]
    assert "S-2: Session of " in system.remark
    assert "is void; it is kept" in system.remark
    assert WHY in system.remark
    [change] = [c for c in document_of(second).changes if "S-2" in c.what and "no longer" in c.what]
    assert change.why == WHY
    assert {r["status"] for r in rows_of(second) if r["point"] == "S-2"} == {"void"}
    digest = scene.seen(company_a).digest
    make_void(company_a, sessions["S-2"], further=True)
    assert scene.seen(company_a).digest != digest


def test_a_wrong_tag_is_told_at_both_points(company_a: World) -> None:
    sessions = scene.measured(company_a)
    make_void(company_a, sessions["S-2"])
    put_right(company_a, sessions["S-1"], Change("/test_point", str(company_a.points["S-2"].id)))
    [system] = document_of(scene.approved(company_a)).systems
    lines = system.remark.splitlines()
    assert [line for line in lines if line.startswith("S-1: ") and "entered here by mistake" in line]
    assert [line for line in lines if line.startswith("S-2: Corrected") and "S-1 → " in line]


@pytest.mark.django_db(transaction=True)
def test_the_walk_proves_corrections_and_voids_and_names_the_one_that_was_touched() -> None:
    world = factories.make_world()
    sessions = scene.measured(world)
    made = put_right(world, sessions["MD-1"])
    note = make_void(world, sessions["S-1"])
    scene.whole(world)
    assert faults(world) == []
    edit(world, f"UPDATE measurements_correction SET summary = '[]' WHERE id = '{made.id}'")
    assert faults(world) == [("measurements_correction", str(made.id))]
    edit(world, f"DELETE FROM measurements_sessionvoid WHERE id = '{note.id}'")
    assert set(faults(world)) == {
        ("measurements_correction", str(made.id)),
        ("measurements_sessionvoid", str(note.id)),
    }


def faults(world: World) -> list[tuple[str, str]]:
    with company(world.id):
        return [(one.table, one.id) for one in evidence.faults()]


def edit(world: World, statement: str) -> None:
    """As one may who holds the database: triggers off, row security satisfied."""
    with owner_connection() as owner:
        owner.execute("SET session_replication_role = replica")
        owner.execute(f"SET app.company = '{world.id}'")
        assert owner.execute(statement).rowcount == 1


def test_sent_back_measured_again_and_corrected_through_the_doors(company_a: World) -> None:
    """The whole way: flag, worklist, session that supersedes; the chain's newest is what counts."""
    sessions = scene.measured(company_a, s1="49.0")
    supervisor, tablet = signed_in(company_a, "supervisor"), with_token(company_a.technician_token)
    flags = supervisor.get(f"/flags?session={sessions['S-1']}").json()["items"]
    flag = next(f for f in flags if f["severity"] == "stop")
    answer = {"answer": "remeasure", "reason": "Hood was not tight; measure again."}
    assert supervisor.post(f"/flags/{flag['id']}/answers", answer).status_code == 201
    [job] = tablet.get("/field/worklist").json()["jobs"]
    assert [one["session"] for one in job["remeasure"]] == [str(sessions["S-1"])]

    shown = supervisor.get(f"/sessions/{sessions['S-1']}")
    change = {"path": "/readings/0/unit", "value": "m3/h"}
    body = {"reason": WHY, "changes": [change]}
    address, tag = f"/sessions/{sessions['S-1']}/corrections", shown.headers["ETag"]
    assert tablet.post(address, body, **{"If-Match": tag}).status_code == 403
    assert supervisor.post(address, body).status_code == 428
    assert supervisor.post(address, body, **{"If-Match": '"0"'}).status_code == 412
    made = supervisor.post(address, body, **{"If-Match": tag})
    assert made.status_code == 201, made.json()
    assert made.json()["kind"] == "corrected"
    assert made.json()["corrected_by"]
    [told] = made.json()["correction"]["changes"]
    assert told == {"path": "/readings/0/unit", "before": "L/s", "after": "m3/h"}
    assert supervisor.post(address, body, **{"If-Match": tag}).status_code == 409
    scene.settled(company_a)

    again = {"session": str(sessions["S-1"]), "reason": "Hood was not tight"}
    third = batches.hood(company_a, "S-1", "90.0", supersedes=again)
    batch = {"sent_at": batches.now().isoformat(), "sessions": [third]}
    [outcome] = tablet.post("/field/batches", batch).json()["outcomes"]
    assert outcome["outcome"] == "stored"
    scene.settled(company_a)
    assert supervisor.get(f"/sessions/{third['id']}").json()["supersedes"] == made.json()["id"]
    [job] = tablet.get("/field/worklist").json()["jobs"]
    assert job["remeasure"] == []
    seen = scene.seen(company_a)
    assert [str(one.id) for m in seen.measured if str(m.session.id) == third["id"] for one in m.replaced] == [
        made.json()["id"],
        str(sessions["S-1"]),
    ]

    tag = supervisor.get(f"/sessions/{third['id']}").headers["ETag"]
    void = supervisor.post(f"/sessions/{third['id']}/void", {"reason": WHY}, **{"If-Match": tag})
    assert void.status_code == 201, void.json()
    gone = supervisor.get(f"/sessions/{third['id']}").json()
    assert (gone["state"], [note["reason"] for note in gone["void"]]) == ("void", [WHY])
    listed = supervisor.get(f"/sessions?state=void&job={company_a.job.id}").json()["items"]
    assert [one["id"] for one in listed] == [third["id"]]


class TestPages:
    def test_one_looks_then_corrects_and_both_are_shown(self, company_a: World) -> None:
        sessions = scene.measured(company_a)
        client = signed_in(company_a, "supervisor").client
        address = f"/sessions/{sessions['MD-1']}/correct"
        page = client.get(address).content.decode()
        assert 'name="/plane/width"' in page
        with company(company_a.id):
            seen = seen_digest(sessions["MD-1"])
        form = {"seen": seen, "reason": WHY, "/plane/width": "495", "/plane/width.unit": "mm"}
        looked = client.post(address, form | {"step": "look"}).content.decode()
        assert "What it becomes" in looked
        assert "500 mm" in looked
        assert "495 mm" in looked
        with company(company_a.id):
            assert not Correction.objects.exists()
        done = client.post(address, form | {"step": "correct"})
        assert done.status_code == 302
        scene.settled(company_a)
        after = client.get(done["Location"]).content.decode()
        assert "Corrected by" in after
        assert "500 mm" in after
        assert WHY in after
        late = client.post(address, form | {"step": "correct"})
        assert late.status_code == 409
        assert "was superseded" in late.content.decode()

    def test_what_is_refused_stands_at_its_field(self, company_a: World) -> None:
        sessions = scene.measured(company_a)
        client = signed_in(company_a, "supervisor").client
        with company(company_a.id):
            seen = seen_digest(sessions["MD-1"])
        form = {"seen": seen, "reason": WHY, "/plane/width": "wide", "step": "look"}
        answer = client.post(f"/sessions/{sessions['MD-1']}/correct", form)
        assert answer.status_code == 422
        assert "is not a number" in answer.content.decode()
        assert 'id="/plane/width-error"' in answer.content.decode()

    def test_a_session_is_made_void_and_takes_a_further_note(self, company_a: World) -> None:
        sessions = scene.measured(company_a)
        client = signed_in(company_a, "supervisor").client
        address = f"/sessions/{sessions['S-1']}/void"
        with company(company_a.id):
            form = {"seen": seen_digest(sessions["S-1"]), "reason": WHY}
        assert client.post(address, form | {"reason": "short"}).status_code == 422
        assert client.post(address, form).status_code == 302
        assert client.post(address, form).status_code == 409
        assert client.post(address, form | {"further": "1"}).status_code == 302
        page = client.get(f"/sessions/{sessions['S-1']}").content.decode()
        assert "is void and counts nowhere" in page
        assert WHY in page

    @pytest.mark.parametrize("path", ["correct", "void"])
    def test_they_are_for_supervisors_of_the_company(
        self, company_a: World, company_b: World, path: str
    ) -> None:
        sessions = scene.measured(company_a)
        address = f"/sessions/{sessions['S-1']}/{path}"
        assert Client().get(address).status_code == 302
        assert signed_in(company_a, "technician").client.get(address).status_code == 403
        assert signed_in(company_b, "supervisor").client.get(address).status_code == 404
