"""Certificates by REST: with files, from tables, from their digital form; and that their files stay whole."""

import hashlib
import io
import json
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import DatabaseError, transaction
from django.utils import timezone

from jobs import attachments, events, instruments
from jobs.attachments import Attachment, plain_name, read_attachment, sniff
from jobs.errors import Invalid, TooLarge
from jobs.models import Certificate, CertificateFile, Event, FileKind, Instrument, Quantity
from jobs.tenancy.context import company
from reports import evidence
from tests.doors.client import assert_problem, pointers, signed_in, with_key, with_token
from tests.factories import World
from tests.jobs import dcc
from tests.jobs.sheets import csv_of

pytestmark = pytest.mark.django_db
PDF = b"%PDF-1.7\nof a test\n%%EOF\n"
LINE = {
    "quantity": "pressure", "unit": "Pa", "reference": "100.0", "as_found": "100.4", "as_left": "100.1",
    "expanded_uncertainty": "0.5",
}  # fmt: skip
HEADS = ["quantity", "unit", "reference", "as found", "as left", "U", "k"]


def gauge(world: World, serial: str = "M-2041") -> Instrument:
    reach = instruments.Range(Quantity.PRESSURE, -3000.0, 3000.0, 0.1)
    with company(world.id):
        return instruments.add_instrument(
            world.actor("supervisor"), serial=serial, name="Gauge", kind="manometer", ranges=[reach]
        )


def body(**changes: Any) -> dict[str, Any]:
    today = timezone.now().date()
    return {
        "number": "C-1", "laboratory": "Vale", "calibrated_on": str(today - timedelta(days=3)),
        "due_on": str(today + timedelta(days=362)), "points": [LINE],
    } | changes  # fmt: skip


def send(world: World, path: str, parts: dict[str, Any], key: str = "") -> Any:
    """A form of several parts."""
    caller = with_key(world)
    return caller.client.post(
        "/api/v1" + path,
        parts,
        headers=caller.headers | {"Idempotency-Key": key or str(uuid.uuid4())},
    )


def scan(name: str = "scan.pdf", content: bytes = PDF) -> SimpleUploadedFile:
    return SimpleUploadedFile(name, content)


def enter(world: World, tool: Instrument, *files: SimpleUploadedFile, **changes: Any) -> Any:
    parts = {"certificate": json.dumps(body(**changes)), "file": list(files)}
    return send(world, f"/instruments/{tool.id}/certificates", parts)


# Files


def test_a_certificate_comes_with_its_files_and_gives_them_back(company_a: World) -> None:
    tool = gauge(company_a)
    answer = enter(company_a, tool, scan(), scan("photo", b"\x89PNG\r\n\x1a\n.."))
    assert answer.status_code == 201, answer.content
    made = answer.json()
    assert [(one["kind"], one["name"]) for one in made["files"]] == [
        ("pdf", "scan.pdf"),
        ("png", "photo.png"),
    ]
    assert made["files"][0]["sha256"] == hashlib.sha256(PDF).hexdigest()
    path = f"/certificates/{made['id']}/files/{made['files'][0]['id']}"
    for caller in (
        with_key(company_a),
        with_token(company_a.technician_token),
        signed_in(company_a, "owner"),
    ):
        given = caller.get(path)
        assert b"".join(given.streaming_content) == PDF
        assert given["Content-Disposition"] == 'attachment; filename="scan.pdf"'
        assert (given["Content-Type"], given["X-Content-Type-Options"]) == ("application/pdf", "nosniff")
    assert_problem(with_token("x.y").get(path), 401)
    assert with_key(company_a).get(f"/certificates/{made['id']}").json()["files"] == made["files"]
    listed = with_key(company_a).get(f"/instruments/{tool.id}/certificates").json()["items"]
    assert listed[0]["files"] == made["files"]


def test_a_file_of_another_company_is_not_there(company_a: World, company_b: World) -> None:
    made = enter(company_a, gauge(company_a), scan()).json()
    path = f"/certificates/{made['id']}/files/{made['files'][0]['id']}"
    assert_problem(with_key(company_b).get(path), 404)
    other = company_b.certificates["hood"].id
    assert_problem(with_key(company_b).get(f"/certificates/{other}/files/{made['files'][0]['id']}"), 404)
    mine = company_a.certificates["hood"].id
    assert_problem(with_key(company_a).get(f"/certificates/{mine}/files/{made['files'][0]['id']}"), 404)


def test_the_digest_covers_the_files(company_a: World) -> None:
    tool = gauge(company_a)
    made = enter(company_a, tool, scan()).json()
    with company(company_a.id):
        row = Certificate.objects.get(id=made["id"])
        bare = instruments.certificate_content(row, row.points.all())
        whole = instruments.certificate_content(row, row.points.all(), row.files.all())
        told = Event.objects.get(verb="certificate.entered", subject_id=row.id)
        assert events.digest(whole) == row.digest == told.content_digest
        assert events.digest(bare) != row.digest
        with pytest.raises(DatabaseError), transaction.atomic():
            CertificateFile.objects.update(name="other.pdf")
        with pytest.raises(DatabaseError), transaction.atomic():
            CertificateFile.objects.all().delete()


def test_a_certificate_without_files_has_the_digest_it_always_had(company_a: World) -> None:
    made = with_key(company_a).post(f"/instruments/{gauge(company_a).id}/certificates", body()).json()
    with company(company_a.id):
        row = Certificate.objects.get(id=made["id"])
        assert "files" not in instruments.certificate_content(row, row.points.all(), row.files.all())
    assert made["files"] == []


def faults_of(world: World, row_id: str) -> list[str]:
    kind = next(one for one in evidence.KINDS if one.model is Certificate)
    with company(world.id):
        told = Event.objects.filter(verb="certificate.entered", subject_id=row_id)
        return [str(fault) for _, fault in evidence._faults_of(kind, list(told))]


def test_a_file_that_is_altered_or_lost_in_the_storage_is_found(company_a: World) -> None:
    made = enter(company_a, gauge(company_a), scan()).json()
    with company(company_a.id):
        row = CertificateFile.objects.get(certificate_id=made["id"])
    assert faults_of(company_a, made["id"]) == []
    default_storage.delete(row.stored)
    assert "missing from the storage or was altered" in faults_of(company_a, made["id"])[0]
    default_storage.save(row.stored, io.BytesIO(PDF + b" "))
    assert "missing from the storage or was altered" in faults_of(company_a, made["id"])[0]
    path = f"/certificates/{made['id']}/files/{row.id}"
    default_storage.delete(row.stored)
    assert "missing from the storage" in assert_problem(with_key(company_a).get(path), 404)["detail"]


def test_a_refused_or_failed_entry_leaves_no_file(company_a: World, monkeypatch: pytest.MonkeyPatch) -> None:
    tool = gauge(company_a)
    place = f"certificates/{company_a.id}"
    assert_problem(enter(company_a, tool, scan(), due_on="2000-01-01"), 422)
    assert not default_storage.exists(place) or default_storage.listdir(place)[1] == []
    real, count = default_storage.save, []

    def save(name: str, content: Any) -> str:
        count.append(name)
        if len(count) == 2:
            raise OSError("the disk is full")
        return real(name, content)

    monkeypatch.setattr(attachments.default_storage, "save", save)
    with company(company_a.id), pytest.raises(OSError, match="full"), transaction.atomic():
        files = [Attachment("a.pdf", FileKind.PDF, PDF), Attachment("b.pdf", FileKind.PDF, PDF + b"2")]
        instruments.enter_certificate(
            company_a.actor("owner"), instrument_id=tool.id, files=files, number="C-9", laboratory="Vale",
            calibrated_on=timezone.now().date(), due_on=timezone.now().date() + timedelta(days=9),
            points=[instruments.Point(Quantity.PRESSURE, 1.0, 1.0, 0.1)],
        )  # fmt: skip
    assert default_storage.listdir(place)[1] == []
    with company(company_a.id):
        assert not tool.certificates.exists()


@pytest.mark.parametrize(
    ("parts", "pointer"),
    [
        ({"file": scan()}, "/certificate"),
        ({"certificate": json.dumps(body()), "scan": scan()}, "/scan"),
        ({"certificate": json.dumps(body()), "file": scan(content=b"MZ\x90")}, "/file"),
        ({"certificate": json.dumps(body()), "file": scan(content=b"")}, "/file"),
        ({"certificate": json.dumps(body()), "file": [scan(), scan("b")]}, "/file"),
        ({"certificate": json.dumps(body()), "file": [scan(f"{n}") for n in range(6)]}, "/file"),
        ({"certificate": json.dumps(body()), "file": scan("a.xml", b"<!DOCTYPE a><a/>")}, "file"),
        ({"certificate": json.dumps(body() | {"colour": "red"})}, "/colour"),
        ({"certificate": json.dumps(body()), "points": scan("l.csv", b"x")}, "/points"),
        ({"certificate": json.dumps(body(points=[])), "file": scan()}, "/points"),
    ],
)
def test_forms_that_are_refused_say_where(company_a: World, parts: dict[str, Any], pointer: str) -> None:
    for one in parts.values():  # files of other cases were read
        for file in one if isinstance(one, list) else [one]:
            if isinstance(file, SimpleUploadedFile):
                file.seek(0)
    tool = gauge(company_a)
    answer = send(company_a, f"/instruments/{tool.id}/certificates", parts)
    assert_problem(answer, 422)
    assert pointer in pointers(answer), answer.content
    with company(company_a.id):
        assert not tool.certificates.exists()


def test_a_body_that_is_no_json_in_a_form_is_refused(company_a: World) -> None:
    tool = gauge(company_a)
    for text in ("{", '{"number": NaN}', '{"number": "a", "number": "b"}'):
        assert_problem(send(company_a, f"/instruments/{tool.id}/certificates", {"certificate": text}), 400)


def test_a_repeat_stores_one_file(company_a: World) -> None:
    tool = gauge(company_a)
    path = f"/instruments/{tool.id}/certificates"

    def once() -> Any:
        return send(company_a, path, {"certificate": json.dumps(body()), "file": scan()}, key="same")

    first, second = once(), once()
    assert first.content == second.content
    with company(company_a.id):
        assert CertificateFile.objects.count() == 1
    assert len(default_storage.listdir(f"certificates/{company_a.id}")[1]) == 1


def test_what_a_file_is_its_content_tells() -> None:
    assert sniff(b"\xff\xd8\xff\xe0") is FileKind.JPEG
    assert sniff(b"  \n<a/>") is FileKind.XML
    assert sniff("<a/>".encode("utf-16")) is FileKind.XML
    assert sniff(b"PK\x03\x04") is None
    assert sniff(b"GIF89a%PDF-") is None
    with pytest.raises(TooLarge):
        read_attachment("a.pdf", PDF + b"x" * attachments.MOST_BYTES)
    with pytest.raises(Invalid, match="well-formed"):
        read_attachment("a.xml", b"<html><br></html>")


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("../../etc/passwd", "passwd.pdf"),
        ("C:\\x\\scan.PDF", "scan.pdf"),
        ("a\r\nSet-Cookie: x.pdf", "aSet-Cookie x.pdf"),
        ("", "certificate.pdf"),
        ("...", "certificate.pdf"),
        ("x" * 300 + ".pdf", "x" * 110 + ".pdf"),
        ("scan.html", "scan.html.pdf"),
        ("Prüfschein №1.jpg", "Prüfschein №1.pdf"),
    ],
)
def test_E3_names_from_outside_are_made_plain(name: str, plain: str) -> None:
    assert plain_name(name, FileKind.PDF) == plain
    assert len(plain) <= 120


# Lines and tables


def test_lines_come_as_a_table(company_a: World) -> None:
    tool = gauge(company_a)
    path = f"/instruments/{tool.id}/certificates"
    head = json.dumps({name: value for name, value in body().items() if name != "points"})
    table = csv_of([["pressure", "Pa", "100.0", "", "100.1", "0.5", ""]], HEADS)
    answer = send(company_a, path, {"certificate": head, "points": scan("l.csv", table)})
    assert answer.status_code == 201, answer.content
    assert answer.json()["points"][0]["entered"] == "100.0 Pa, left 100.1, U 0.5"
    bad = csv_of([["pressure", "mile", "ten", "", "100.1", "0", ""]], HEADS)
    refused = send(company_a, path, {"certificate": head, "points": scan("l.csv", bad)})
    assert_problem(refused, 422)
    assert set(pointers(refused)) == {"B2", "C2"}


def test_many_certificates_come_as_a_table(company_a: World) -> None:
    gauge(company_a)
    caller = with_key(company_a)
    template = caller.get("/certificates/table")
    assert template["Content-Type"].startswith("text/csv")
    assert caller.get("/certificates/table?lines=true").content.startswith(b"quantity,")
    assert_problem(caller.get("/certificates/table?lines=maybe"), 422)

    def post(data: bytes, query: str = "") -> Any:
        headers = caller.headers | {"Idempotency-Key": str(uuid.uuid4())}
        return caller.client.post(
            f"/api/v1/certificates/table{query}", data, content_type="text/csv", headers=headers
        )

    shown = post(template.content, "?preview=true").json()
    assert (shown["stored"], shown["certificates"][0]["certificate"]) == (False, None)
    done = post(template.content)
    assert done.status_code == 200, done.content
    (one,) = done.json()["certificates"]
    assert (one["number"], one["lines"], one["row"]) == ("C-2026-118", 1, 2)
    assert caller.get(f"/certificates/{one['certificate']}").status_code == 200
    again = post(template.content)
    assert_problem(again, 422)
    assert pointers(again) == ["B2"]


# The digital form


def digital(
    world: World, tool: Instrument, data: bytes, query: str = "?due_on=2027-02-03", **how: str
) -> Any:
    caller = with_key(world)
    headers = caller.headers | {"Idempotency-Key": how.get("key") or str(uuid.uuid4())}
    return caller.client.post(
        f"/api/v1/instruments/{tool.id}/certificates/digital{query}", data,
        content_type=how.get("kind", "application/xml"), headers=headers,
    )  # fmt: skip


def test_a_digital_certificate_is_entered_with_its_xml(company_a: World) -> None:
    tool, data = gauge(company_a), dcc.certificate()
    shown = digital(company_a, tool, data, "?preview=true").json()
    assert (shown["stored"], shown["certificate"], len(shown["points"])) == (False, None, 3)
    with company(company_a.id):
        assert not tool.certificates.exists()
    for kind in ("application/xml", "text/xml", "application/octet-stream"):
        answer = digital(company_a, tool, data, key="same", kind=kind)
        assert answer.status_code == 201, answer.content
    made = with_key(company_a).get(f"/certificates/{answer.json()['certificate']}").json()
    assert (made["number"], made["calibrated_on"], made["due_on"]) == (
        "DCC-2026-7", "2026-02-03", "2027-02-03",
    )  # fmt: skip
    assert made["accreditation"] == "D-K-10001"
    assert [point["as_found"] for point in made["points"]] == [100.4, 501.9, 2006.1]
    (file,) = made["files"]
    assert (file["kind"], file["sha256"]) == ("xml", hashlib.sha256(data).hexdigest())
    given = with_key(company_a).get(f"/certificates/{made['id']}/files/{file['id']}")
    assert b"".join(given.streaming_content) == data


@pytest.mark.parametrize(
    ("data", "query", "pointer"),
    [
        (dcc.certificate(), "", "query:due_on"),
        (dcc.certificate(), "?due_on=soon", "query:due_on"),
        (dcc.certificate(), "?due_on=2026-02-03", "/due_on"),
        (dcc.certificate(), "?due_on=2027-02-03&preview=x", "query:preview"),
        (dcc.certificate(), "?due_on=2027-02-03&supersedes=1", "query:supersedes"),
        (dcc.certificate(), f"?due_on=2027-02-03&supersedes={uuid.UUID(int=9)}", "/supersedes"),
        (dcc.certificate(), "?due_on=2027-02-03&colour=red", "query:colour"),
        (dcc.certificate(serial="M-1"), "?due_on=2027-02-03", "items"),
        (dcc.certificate(root="x"), "?due_on=2027-02-03", "/"),
        (b"", "?due_on=2027-02-03", "/file"),
        (b"{}", "?due_on=2027-02-03", "file"),
        (dcc.certificate(before="<!DOCTYPE x []>"), "?due_on=2027-02-03", "file"),
        (
            dcc.certificate(dcc.measurement(dcc.readings(dcc.FOUND), status="beforeAdjustment")),
            "?due_on=2027-02-03",
            "measurementResults",
        ),
    ],
)
def test_digital_certificates_that_are_refused_say_where(
    company_a: World, data: bytes, query: str, pointer: str
) -> None:
    tool = gauge(company_a)
    answer = digital(company_a, tool, data, query)
    assert_problem(answer, 422)
    assert pointer in pointers(answer), answer.content
    with company(company_a.id):
        assert not tool.certificates.exists()
        assert not CertificateFile.objects.exists()


def test_nothing_was_adjusted_makes_found_left(company_a: World) -> None:
    tool = gauge(company_a)
    data = dcc.certificate(dcc.measurement(dcc.readings(dcc.FOUND), status="beforeAdjustment"))
    answer = digital(company_a, tool, data, "?due_on=2027-02-03&adjusted=false")
    assert answer.status_code == 201, answer.content
    point = answer.json()["points"][0]
    assert (point["as_found"], point["as_left"]) == (100.4, 100.4)


def test_a_digital_certificate_puts_a_wrong_entry_right(company_a: World) -> None:
    tool = gauge(company_a)
    wrong = with_key(company_a).post(f"/instruments/{tool.id}/certificates", body(number="DCC-2026-7")).json()
    answer = digital(company_a, tool, dcc.certificate())
    assert_problem(answer, 409)
    answer = digital(company_a, tool, dcc.certificate(), f"?due_on=2027-02-03&supersedes={wrong['id']}")
    assert answer.status_code == 201
    with company(company_a.id):
        assert tool.certificates.filter(superseded_by=None).get().id == uuid.UUID(
            answer.json()["certificate"]
        )


def test_who_may_not_manage_instruments_enters_no_certificate(company_a: World) -> None:
    tool, caller = gauge(company_a), with_token(company_a.technician_token)
    for path in (f"/instruments/{tool.id}/certificates/digital", "/certificates/table"):
        assert_problem(caller.post(path, {}), 403, "forbidden")
