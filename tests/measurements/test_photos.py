"""Photos and notes from tablets: resumed anywhere, looked at whole, kept as sent, changed by rows only."""

import hashlib
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from jobs import due
from jobs.access import actor_for_token
from jobs.errors import Conflict, Forbidden, Invalid
from jobs.models import Event, Role, TokenKind
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements import photos, uploads
from measurements.models import Photo, PhotoChange, PhotoPart, PhotoType, PhotoUpload
from measurements.photo_files import NoPhoto, check_photo
from reports import evidence
from tests import factories
from tests.doors.client import Caller, assert_problem, pointers, signed_in, with_token
from tests.factories import World
from tests.measurements import batches, pictures
from tests.races import at_once

REASON = "It shows the wrong damper."


@pytest.fixture
def tablet(company_a: World) -> Caller:
    return with_token(company_a.technician_token)


def faults() -> list[evidence.Fault]:
    """What does not hold of photos; the factories' certificates have no events."""
    return list(evidence.faults([kind for kind in evidence.KINDS if "photo" in kind.name]))


def announce(tablet: Caller, body: dict[str, Any]) -> Any:
    return tablet.post("/field/photos", body)


def part(tablet: Caller, photo: str, offset: int, data: bytes, complete: bool) -> Any:
    headers = {**tablet.headers, "Upload-Offset": str(offset), "Upload-Complete": "?1" if complete else "?0"}
    return tablet.client.patch(
        f"/api/v1/field/photos/{photo}", data, content_type="application/partial-upload", headers=headers
    )


def head(tablet: Caller, photo: str) -> Any:
    return tablet.client.head(f"/api/v1/field/photos/{photo}", headers=tablet.headers)


def send(tablet: Caller, body: dict[str, Any], data: bytes, step: int = 4096) -> Any:
    """All parts, one after the other; the last answer."""
    answer = announce(tablet, body)
    assert answer.status_code == 201, answer.content
    for at in range(0, len(data), step):
        piece = data[at : at + step]
        answer = part(tablet, body["id"], at, piece, at + len(piece) == len(data))
        if answer.status_code != 200:
            break
    return answer


# The way of a photo


def test_a_photo_sent_in_parts_is_kept_byte_for_byte(company_a: World, tablet: Caller) -> None:
    data = pictures.jpeg(800, 600)
    body = pictures.declaration(company_a, data)
    answer = announce(tablet, body)
    assert answer.status_code == 201
    assert answer["Location"].endswith(f"/api/v1/field/photos/{body['id']}")
    assert (answer["Upload-Offset"], answer["Upload-Complete"]) == ("0", "?0")
    assert "max-size=8388608" in answer["Upload-Limit"]
    answer = send(tablet, body, data)
    found = answer.json()
    assert (answer["Upload-Complete"], answer["Upload-Offset"]) == ("?1", str(len(data)))
    assert found["complete"]
    assert found["photo"]["digest"] == hashlib.sha256(data).hexdigest()
    assert (found["photo"]["width"], found["photo"]["height"], found["photo"]["state"]) == (
        800,
        600,
        "stored",
    )
    reader = signed_in(company_a, "dispatcher")
    file = reader.get(f"/photos/{body['id']}/file")
    assert b"".join(file.streaming_content) == data
    assert file["Content-Type"] == "image/jpeg"
    assert file["X-Content-Type-Options"] == "nosniff"
    assert file["Cache-Control"].startswith("private")
    assert "sandbox" in file["Content-Security-Policy"]
    assert file["Content-Disposition"] == 'attachment; filename="photo-20260302-083800.jpg"'
    with company(company_a.id):
        assert not PhotoUpload.objects.exists()
        assert not PhotoPart.objects.exists()
        row = Photo.objects.get()
        assert (row.member_id, row.device_id) == (company_a.technician.id, company_a.device.id)
        assert faults() == []


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (pictures.png(), "image/png"),
        (pictures.webp(), "image/webp"),
        (pictures.webp(lossless=True), "image/webp"),
        (pictures.jpeg(progressive=True), "image/jpeg"),
    ],
)
def test_png_webp_and_progressive_jpeg_are_taken(
    company_a: World, tablet: Caller, data: bytes, kind: str
) -> None:
    answer = send(tablet, pictures.declaration(company_a, data, type=kind), data)
    assert answer.json()["photo"]["type"] == kind


def test_an_upload_that_was_cut_off_at_each_part_goes_on_from_there(company_a: World, tablet: Caller) -> None:
    """Every part: lost on its way, its answer lost, then sent again from what HEAD says."""
    data, step = pictures.jpeg(), 2048
    body = pictures.declaration(company_a, data)
    announce(tablet, body)
    sent = 0
    while True:
        told = head(tablet, body["id"])
        assert told.content == b""
        assert told["Cache-Control"] == "no-store"
        assert told["Upload-Length"] == str(len(data))
        at = int(told["Upload-Offset"])
        if told["Upload-Complete"] == "?1":
            break
        piece, last = data[at : at + step], at + step >= len(data)
        cut = part(tablet, body["id"], at + 1, piece[1:], last)  # as if a byte were lost
        assert_problem(cut, 409, "mismatching-upload-offset")
        assert cut["Upload-Offset"] == str(at)
        assert part(tablet, body["id"], at, piece, last).status_code == 200
        again = part(tablet, body["id"], at, piece, last)
        assert again.status_code == 200
        assert again["Upload-Offset"] == str(at + len(piece))
        sent += len(piece)
    assert sent == len(data)
    with company(company_a.id):
        row = Photo.objects.get()
        assert default_storage.open(row.stored).read() == data
        assert Event.objects.filter(verb="photo.stored").count() == 1


def test_a_part_that_came_before_with_other_bytes_is_told_the_right_offset(
    company_a: World, tablet: Caller
) -> None:
    data = pictures.jpeg()
    body = pictures.declaration(company_a, data)
    announce(tablet, body)
    part(tablet, body["id"], 0, data[:1000], False)
    other = part(tablet, body["id"], 0, b"x" * 1000, False)
    assert_problem(other, 409, "mismatching-upload-offset")
    assert other["Upload-Offset"] == "1000"
    assert head(tablet, body["id"])["Upload-Offset"] == "1000"


@pytest.mark.parametrize(
    ("offset", "complete"),
    [("", "?1"), ("-1", "?1"), ("1e3", "?1"), ("0", ""), ("0", "true"), ("9" * 30, "?0")],
)
def test_headers_that_mean_nothing_are_refused(
    company_a: World, tablet: Caller, offset: str, complete: str
) -> None:
    data = pictures.jpeg()
    body = pictures.declaration(company_a, data)
    announce(tablet, body)
    answer = tablet.client.patch(
        f"/api/v1/field/photos/{body['id']}",
        data,
        content_type="application/partial-upload",
        headers={**tablet.headers, "Upload-Offset": offset, "Upload-Complete": complete},
    )
    assert_problem(answer, 422)
    assert head(tablet, body["id"])["Upload-Offset"] == "0"


def test_a_part_beyond_the_size_or_said_to_be_the_last_too_early_is_refused(
    company_a: World, tablet: Caller
) -> None:
    data = pictures.jpeg()
    body = pictures.declaration(company_a, data)
    announce(tablet, body)
    for piece, complete in ((data + b"x", True), (data[:10], True), (data, False)):
        assert_problem(part(tablet, body["id"], 0, piece, complete), 422)
    assert head(tablet, body["id"])["Upload-Offset"] == "0"


def test_another_kind_of_body_is_no_part(company_a: World, tablet: Caller) -> None:
    data = pictures.jpeg()
    body = pictures.declaration(company_a, data)
    announce(tablet, body)
    answer = tablet.client.patch(
        f"/api/v1/field/photos/{body['id']}",
        data,
        content_type="application/octet-stream",
        headers={**tablet.headers, "Upload-Offset": "0", "Upload-Complete": "?1"},
    )
    assert_problem(answer, 415)


def test_wrong_bytes_are_forgotten_and_may_be_sent_anew(company_a: World, tablet: Caller) -> None:
    data = pictures.jpeg()
    body = pictures.declaration(company_a, data)
    announce(tablet, body)
    damaged = data[:-10] + b"0123456789"
    answer = part(tablet, body["id"], 0, damaged, True)
    assert_problem(answer, 409)
    assert answer["Upload-Offset"] == "0"
    with company(company_a.id):
        assert not PhotoPart.objects.exists()
        assert not Photo.objects.exists()
    assert part(tablet, body["id"], 0, data, True).json()["complete"]


# What is no photo


HOSTILE = {
    "HTML": (pictures.HTML, "image/jpeg", "none of these"),
    "SVG": (pictures.SVG, "image/png", "none of these"),
    "GIF": (pictures.encoded(pictures.drawn(), "GIF"), "image/png", "none of these"),
    "PDF": (b"%PDF-1.7 \xff\xd8\xff", "image/jpeg", "none of these"),
    "PNG as JPEG": (pictures.png(), "image/jpeg", "was announced as"),
    "place in a JPEG": (pictures.with_place("JPEG"), "image/jpeg", "place, time, camera"),
    "place in a PNG": (pictures.with_place("PNG"), "image/png", "beside its picture"),
    "place in a WebP": (pictures.with_place("WEBP"), "image/webp", "beside its picture"),
    "comment": (pictures.jpeg(comment=b"Room 4, Mrs. Nobody"), "image/jpeg", "a comment"),
    "polyglot at the end": (pictures.jpeg() + b"PK\x03\x04 an archive", "image/jpeg", "after the end"),
    "polyglot in a PNG": (pictures.png() + pictures.HTML, "image/png", "after the end"),
    "polyglot in a WebP": (pictures.webp() + pictures.HTML, "image/webp", "after the end"),
    "page in a segment": (
        pictures.jpeg()[:2] + b"\xff\xe9\x00\x2a" + pictures.HTML + pictures.jpeg()[2:],
        "image/jpeg",
        "a program or camera",
    ),
    "bomb": (pictures.png_bomb(), "image/png", "pixels"),
    "too many pixels": (pictures.encoded(pictures.drawn(4200, 4100), "PNG"), "image/png", "pixels"),
    "animated PNG": (pictures.animated("PNG"), "image/png", "beside its picture"),
    "animated WebP": (pictures.animated("WEBP"), "image/webp", "moves"),
    "cut JPEG": (pictures.jpeg()[:-400], "image/jpeg", "cut off"),
    "cut PNG": (pictures.png()[:-40], "image/png", "cut off"),
    "cut WebP": (pictures.webp()[:-40], "image/webp", "cut off"),
    "damaged PNG": (pictures.png()[:90] + b"XX" + pictures.png()[92:], "image/png", "damaged"),
    "a start only": (b"\xff\xd8\xff", "image/jpeg", "cut off"),
    "a start and fill": (b"\xff\xd8" + b"\xff" * 40, "image/jpeg", "cut off"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_E4_a_file_that_is_no_plain_photo_is_refused_in_words_and_leaves_nothing(
    company_a: World, tablet: Caller, name: str
) -> None:
    data, kind, words = HOSTILE[name]
    body = pictures.declaration(company_a, data, type=kind)
    answer = send(tablet, body, data, step=1 << 20)
    problem = assert_problem(answer, 422, "no-photo")
    assert words in problem["detail"]
    assert head(tablet, body["id"]).status_code == 404
    with company(company_a.id):
        assert not Photo.objects.exists()
        assert not PhotoUpload.objects.exists()
        assert not PhotoPart.objects.exists()


@pytest.mark.parametrize("cut", range(1, 60))
def test_no_beginning_of_a_photo_is_a_photo(cut: int) -> None:
    for data, kind in ((pictures.jpeg(), "image/jpeg"), (pictures.png(), "image/png")):
        with pytest.raises(NoPhoto):
            check_photo(data[: len(data) * cut // 60], kind)


def test_what_a_browser_draws_anew_is_taken() -> None:
    """A JFIF head and an ICC profile are all that a canvas writes beside the picture."""
    profile = b"\0" * 500
    data = pictures.jpeg(icc_profile=profile)
    assert check_photo(data, PhotoType.JPEG).width == 640


# Announcing


@pytest.mark.parametrize(
    ("changes", "status", "pointer"),
    [
        ({"size": 9_000_000}, 413, None),
        ({"size": 0}, 422, "/size"),
        ({"digest": "abc"}, 422, "/digest"),
        ({"digest": "A" * 64}, 422, "/digest"),
        ({"type": "image/svg+xml"}, 422, "/type"),
        ({"type": "image/gif"}, 422, "/type"),
        ({"kind": "film"}, 422, "/kind"),
        ({"text": "x" * 2001}, 422, "/text"),
        ({"taken_at": "0001-01-01T00:00:00Z"}, 422, "/taken_at"),
        ({"taken_at": "yesterday"}, 422, "/taken_at"),
        ({"id": "54a2b5c1-0000-4000-8000-000000000000"}, 422, "/id"),
        ({"id": "1"}, 422, "/id"),
        ({"test_point": str(uuid7())}, 422, "/test_point"),
        ({"job": str(uuid7())}, 422, "/job"),
        ({"session": str(uuid7())}, 422, "/session"),
        ({"place": "51.5 N"}, 422, "/place"),
    ],
)
def test_a_wrong_declaration_says_where(
    company_a: World, tablet: Caller, changes: dict[str, Any], status: int, pointer: str | None
) -> None:
    answer = announce(tablet, pictures.declaration(company_a, pictures.jpeg()) | changes)
    assert_problem(answer, status)
    if pointer:
        assert pointers(answer) == [pointer]
    with company(company_a.id):
        assert not PhotoUpload.objects.exists()


def test_a_note_is_stored_at_once_and_once(company_a: World, tablet: Caller) -> None:
    body = pictures.note(company_a)
    for _ in range(2):
        answer = announce(tablet, body)
        assert answer["Upload-Complete"] == "?1"
        assert answer.json()["photo"]["text"] == "The ceiling tile was missing."
    with company(company_a.id):
        assert Photo.objects.count() == 1
        assert faults() == []
    assert_problem(announce(tablet, pictures.note(company_a, " ")), 422)
    assert_problem(announce(tablet, pictures.note(company_a) | {"size": 3}), 422)
    assert_problem(tablet.get(f"/photos/{body['id']}/file"), 404)


def test_a_photo_may_name_its_session_and_must_lie_at_its_point(company_a: World, tablet: Caller) -> None:
    sent = batches.hood(company_a, "S-1")
    batches.post(company_a, sent)
    data = pictures.jpeg()
    good = pictures.declaration(company_a, data, session=sent["id"])
    assert send(tablet, good, data).json()["photo"]["session"] == sent["id"]
    wrong = announce(tablet, pictures.declaration(company_a, data, "S-2", session=sent["id"]))
    assert pointers(wrong) == ["/session"]


def test_two_tablets_with_one_id_and_other_content_are_told_apart(company_a: World, tablet: Caller) -> None:
    first, second = pictures.jpeg(shade=90), pictures.jpeg(shade=200)
    body = pictures.declaration(company_a, first)
    other = pictures.declaration(company_a, second, id=body["id"])
    announce(tablet, body)
    assert_problem(announce(tablet, other), 409, "known-with-other-content")
    send(tablet, body, first)
    assert_problem(announce(tablet, other), 409, "known-with-other-content")
    assert_problem(part(tablet, body["id"], 0, second, True), 409)
    assert announce(tablet, body).json()["complete"]
    with company(company_a.id):
        assert default_storage.open(Photo.objects.get().stored).read() == first


def test_too_many_unfinished_uploads_wait(company_a: World, tablet: Caller, monkeypatch: Any) -> None:
    monkeypatch.setattr(uploads, "MOST_OPEN", 2)
    data = pictures.jpeg()
    for _ in range(2):
        assert announce(tablet, pictures.declaration(company_a, data)).status_code == 201
    answer = announce(tablet, pictures.declaration(company_a, data))
    assert_problem(answer, 429)
    assert answer["Retry-After"]


def test_what_nobody_finishes_is_forgotten(company_a: World, tablet: Caller) -> None:
    data = pictures.jpeg()
    late = pictures.declaration(company_a, data)
    announce(tablet, late)
    part(tablet, late["id"], 0, data[:500], False)
    with company(company_a.id):
        PhotoUpload.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    announce(tablet, pictures.declaration(company_a, data))
    assert head(tablet, late["id"]).status_code == 404
    with company(company_a.id):
        assert not PhotoPart.objects.exists()


def test_an_unfinished_upload_is_cancelled_a_stored_photo_not(company_a: World, tablet: Caller) -> None:
    data = pictures.jpeg()
    body = pictures.declaration(company_a, data)
    announce(tablet, body)
    part(tablet, body["id"], 0, data[:500], False)
    assert tablet.delete(f"/field/photos/{body['id']}").status_code == 204
    assert head(tablet, body["id"]).status_code == 404
    send(tablet, body, data)
    assert_problem(tablet.delete(f"/field/photos/{body['id']}"), 409)


# Who


def test_another_company_finds_nothing(company_a: World, company_b: World, tablet: Caller) -> None:
    photo = pictures.stored(company_a)
    theirs = with_token(company_b.technician_token)
    for path in (f"/photos/{photo.id}", f"/photos/{photo.id}/file", f"/field/photos/{photo.id}"):
        assert_problem(theirs.get(path), 404)
    assert_problem(part(theirs, str(photo.id), 0, b"x", False), 404)
    assert theirs.get("/photos").json()["items"] == []
    answer = announce(theirs, pictures.declaration(company_a, pictures.jpeg(), id=str(photo.id)))
    assert_problem(answer, 422)  # the job is none of theirs; the id tells nothing


def test_who_does_not_measure_may_not_send(company_a: World) -> None:
    for role in ("dispatcher", "owner"):
        caller = signed_in(company_a, role)
        assert_problem(announce(caller, pictures.declaration(company_a, pictures.jpeg())), 403)
    assert_problem(announce(with_token(company_a.key_text), {}), 403)
    assert_problem(announce(with_token(company_a.tablet), {}), 403)


# Afterwards


def test_a_correction_a_removal_and_taking_back_are_rows(company_a: World, tablet: Caller) -> None:
    photo = pictures.stored(company_a)
    answer = tablet.post(
        f"/photos/{photo.id}/corrections",
        {"reason": REASON, "text": "Lever at 5 of 9", "test_point": str(company_a.points["S-2"].id)},
    )
    found = answer.json()
    assert answer.status_code == 201
    assert (found["text"], found["test_point"]) == ("Lever at 5 of 9", str(company_a.points["S-2"].id))
    assert found["subject"] == "mark"
    assert tablet.post(f"/photos/{photo.id}/removal", {"reason": REASON}).json()["state"] == "removed"
    assert_problem(tablet.post(f"/photos/{photo.id}/removal", {"reason": REASON}), 409)
    last = tablet.post(f"/photos/{photo.id}/restoration", {"reason": REASON}).json()
    assert last["state"] == "stored"
    assert [one["kind"] for one in last["changes"]] == ["corrected", "removed", "restored"]
    assert {one["member"]["id"] for one in last["changes"]} == {str(company_a.technician.id)}
    with company(company_a.id):
        row = Photo.objects.get()
        assert row.text == "Lever at 4 of 9, marked in red"
        assert PhotoChange.objects.count() == 3
        assert faults() == []


@pytest.mark.parametrize("reason", ["", "short", "x" * 2001])
def test_no_change_without_a_reason(company_a: World, tablet: Caller, reason: str) -> None:
    photo = pictures.stored(company_a)
    answer = tablet.post(f"/photos/{photo.id}/removal", {"reason": reason})
    assert_problem(answer, 422)
    assert tablet.get(f"/photos/{photo.id}").json()["state"] == "stored"


def test_a_colleague_may_not_change_it_a_supervisor_may(company_a: World) -> None:
    photo = pictures.stored(company_a)
    with company(company_a.id):
        colleague = factories.make_member(company_a.id, Role.TECHNICIAN)
        text = factories.token(TokenKind.PERSON, device=company_a.device, member=colleague)[1]
    assert_problem(with_token(text).post(f"/photos/{photo.id}/removal", {"reason": REASON}), 403)
    supervisor = signed_in(company_a, "supervisor")
    assert supervisor.post(f"/photos/{photo.id}/removal", {"reason": REASON}).status_code == 201


def test_an_erased_file_is_gone_and_its_row_digest_and_reason_stay(company_a: World) -> None:
    photo = pictures.stored(company_a)
    reason = "It shows the face of a passer-by."
    with company(company_a.id):
        technician = actor_for_token(company_a.technician_token)
        assert technician is not None
        with pytest.raises(Forbidden):
            photos.erase(technician, photo.id, reason=reason)
        photos.erase(company_a.actor("supervisor"), photo.id, reason=reason)
        assert faults() == []  # its file waits for the worker
    due.work(company_a.id)
    with company(company_a.id):
        assert not default_storage.exists(photo.stored)
        assert faults() == []
        assert Photo.objects.get().digest == photo.digest
    reader = signed_in(company_a, "dispatcher")
    assert reader.get(f"/photos/{photo.id}").json()["state"] == "erased"
    told = assert_problem(reader.get(f"/photos/{photo.id}/file"), 409)
    assert reason in told["detail"]
    with company(company_a.id), pytest.raises(Conflict):
        photos.correct(
            company_a.actor("supervisor"), photo.id, reason=reason, text="x", subject="plain", test_point=None
        )


def test_a_file_that_was_changed_lost_or_put_back_in_silence_is_found(company_a: World) -> None:
    whole, changed, lost, back = (pictures.stored(company_a) for _ in range(4))
    default_storage.delete(changed.stored)
    default_storage.save(changed.stored, ContentFile(pictures.jpeg(shade=10)))
    default_storage.delete(lost.stored)
    with company(company_a.id):
        photos.erase(company_a.actor("supervisor"), back.id, reason=REASON)
    due.work(company_a.id)
    default_storage.save(back.stored, ContentFile(pictures.jpeg()))
    with company(company_a.id):
        told = {fault.id: fault.what for fault in faults()}
    assert set(told) == {str(changed.id), str(lost.id), str(back.id)}
    assert "altered" in told[str(changed.id)]
    assert "missing" in told[str(lost.id)]
    assert "again" in told[str(back.id)]
    assert str(whole.id) not in told


def test_the_database_itself_changes_and_removes_none(company_a: World) -> None:
    photo = pictures.stored(company_a)
    table = Photo._meta.db_table
    for statement in (f"UPDATE {table} SET text = '' WHERE", f"DELETE FROM {table} WHERE"):
        text = f"{statement} company_id = %s AND id = %s"
        with company(company_a.id), pytest.raises(DatabaseError), transaction.atomic():
            connection.cursor().execute(text, [company_a.id, photo.id])


def test_a_correction_that_says_the_same_is_none(company_a: World) -> None:
    photo = pictures.stored(company_a)
    with company(company_a.id), pytest.raises(Invalid):
        photos.correct(
            company_a.actor("supervisor"), photo.id, reason=REASON, text=photo.text, subject=photo.subject,
            test_point=photo.test_point_id,
        )  # fmt: skip


@pytest.mark.django_db(transaction=True)
def test_the_last_part_sent_twice_at_once_makes_one_photo() -> None:
    world = factories.make_world(factories.FIRST)
    data = pictures.jpeg()
    body = pictures.declaration(world, data)
    announce(with_token(world.technician_token), body)

    def last() -> int:
        return part(with_token(world.technician_token), body["id"], 0, data, True).status_code

    assert at_once(*[last] * 4) == [200] * 4
    with company(world.id):
        assert [row.id for row in Photo.objects.all()] == [UUID(body["id"])]
        assert Event.objects.filter(verb="photo.stored").count() == 1
        assert faults() == []
