"""What is frozen: the same set gives the same bytes, and the document says all of it."""

import zlib
from datetime import UTC, datetime

from jobs.models import Job
from jobs.tenancy.context import company
from reports import document as doc
from reports import reviewset, snapshot
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
HOSTILE = '<script>alert(1)</script> {{ 7*7 }} =HYPERLINK("x") \u202e "quoted" & <b>bold</b>'


def freeze(world: World) -> snapshot.Frozen:
    with company(world.id):
        found = reviewset.load(Job.objects.select_related("site__customer").get(id=world.job.id))
        return snapshot.freeze(
            found, approver_id=world.supervisor.id, before=None, self_approved=False, at=AT
        )


def test_the_same_set_gives_the_same_bytes(company_a: World) -> None:
    scene.measured(company_a)
    first, second = freeze(company_a), freeze(company_a)
    assert first == second
    assert doc.to_bytes(doc.from_bytes(first.data)) == first.data


def test_the_document_holds_every_method_with_its_evidence(company_a: World) -> None:
    with company(company_a.id):
        scene.fine_tools(company_a)
    swept = batches.sweep(company_a)
    axis = batches.centreline(company_a)
    outlet = batches.hood(company_a, "S-1", "84.0")
    scene.post(company_a, swept, axis, outlet)
    again = {"session": outlet["id"], "reason": "The hood stood on a chair."}
    scene.post(company_a, batches.hood(company_a, "S-1", "90.0", supersedes=again, note=HOSTILE))
    scene.evaluated(company_a)
    found = doc.from_bytes(freeze(company_a).data)
    system = found.systems[0]
    sheet = system.sheets[0]
    assert (sheet.method, sheet.tag, len(sheet.runs[0].sweeps), len(sheet.lines)) == (
        doc.Method.SWEPT_TRAVERSE, "MD-1", 5, 5,
    )  # fmt: skip
    assert abs(sum(row.share for row in sheet.budget) - 1) < 1e-6
    assert {"SN" in key for key in sheet.instruments} == {True}
    assert {i.key for i in found.instruments} >= set(sheet.instruments)
    assert all(i.certificates for i in found.instruments if i.kind == "Manometer")
    row = system.centrelines[0]
    assert (row.tag, row.factor, row.result.verdict) == ("BD-1", 0.9, doc.Verdict.NOT_DECIDABLE)
    assert abs(row.velocity * row.area * 0.9 - row.result.value) < 0.02 * row.result.value
    assert [o.tag for o in system.outlets] == ["S-1"]
    assert "because: The hood stood on a chair." in system.remark
    assert HOSTILE in system.remark
    assert [d.tag for d in found.deficiencies if d.what == "Not measured."] == ["S-2", "S-3"]
    assert {m.title for m in found.methods} >= {"Swept traverse", "Hood reading", "Uncertainty"}
    assert found.cautions
    assert found.evidence is not None


def test_deficiencies_come_worst_first_with_their_answers(company_a: World) -> None:
    scene.measured(company_a, s1="60.0", s2="45.0", s3="90.0")
    revision = scene.approved(company_a)
    found = doc.from_bytes(zlib.decompress(revision.snapshot))
    assert [d.tag for d in found.deficiencies] == ["S-2", "S-1"]
    assert {d.status for d in found.deficiencies} == {"accepted"}
    answer = found.deficiencies[0].answer
    assert answer is not None
    assert (answer.reason, answer.by.name) == (scene.REASON, company_a.supervisor.name)


def test_texts_in_the_readings_are_no_formulas(company_a: World) -> None:
    with company(company_a.id):
        type(company_a.points["S-1"]).objects.filter(tag="S-1").update(tag="=1+1")
    scene.measured(company_a)
    text = freeze(company_a).readings_csv.decode()
    assert ",'=1+1," in text
    assert ",=1+1," not in text
