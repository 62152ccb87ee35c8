"""Photos and notes in documents: chosen by a decision, bound by the approval, printed small, erased."""

import io
import zlib
from pathlib import Path
from typing import Any

import openpyxl
import page as validator
import pikepdf
import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command
from msgspec.structs import replace
from PIL import Image

from jobs import due
from jobs.errors import Conflict, Forbidden, Invalid, NotFound, PreconditionFailed
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements import photos as measured
from measurements.models import Photo
from reports import before, evidence, filed, photos, review, workbook
from reports import document as doc
from reports import issue as issuing
from reports.models import DocumentKind, PhotoChoice, Revision
from reports.prints import print_of, thumbnail
from reports.render import RenderFailed, render_report
from reports.render.press import FontsAndPrints
from tests.doors.client import assert_problem, signed_in, with_token
from tests.factories import World
from tests.measurements import pictures
from tests.render.sample import READINGS, issue, small
from tests.render.structure import check, page_texts, wrong_lengths
from tests.reports import scene

REASON = "It shows the face of a passer-by."


def choose(world: World, *rows: Photo, shown: bool = True) -> list[PhotoChoice]:
    with company(world.id):
        return photos.choose(world.actor("supervisor"), world.job.id, [row.id for row in rows], shown=shown)


def faults() -> list[evidence.Fault]:
    return list(evidence.faults([kind for kind in evidence.KINDS if "photo" in kind.name]))


# Prints


def test_a_print_is_small_the_same_each_time_and_holds_nothing_else() -> None:
    data = pictures.jpeg(2048, 1536)
    one, two = print_of(io.BytesIO(data)), print_of(io.BytesIO(data))
    assert one == two
    assert (one.width, one.height) == (1000, 750)
    assert len(one.data) < len(data)
    assert b"Exif" not in print_of(io.BytesIO(pictures.with_place())).data
    tall = print_of(io.BytesIO(pictures.png(300, 900)))
    assert (tall.width, tall.height) == (300, 900)
    assert len(thumbnail(io.BytesIO(data))) < len(one.data)


def test_what_is_see_through_is_printed_on_white() -> None:
    clear = pictures.encoded(Image.new("RGBA", (40, 40), (0, 0, 0, 0)), "PNG")
    shown = Image.open(io.BytesIO(print_of(io.BytesIO(clear)).data))
    assert shown.getpixel((20, 20)) == (255, 255, 255)


# Choosing


def test_a_choice_is_a_row_with_an_event_and_the_same_again_adds_none(company_a: World) -> None:
    photo, note = pictures.stored(company_a), pictures.noted(company_a)
    made = choose(company_a, photo, note)
    assert [one.shown for one in made] == [True, True]
    assert choose(company_a, photo, note) == []
    assert len(choose(company_a, photo, shown=False)) == 1
    with company(company_a.id):
        assert PhotoChoice.objects.count() == 3
        assert faults() == []
        found = {one.photo.id: one.shown for one in photos.of_job(company_a.job.id)}
    assert found == {photo.id: False, note.id: True}


def test_only_a_supervisor_chooses_only_of_the_job_and_only_what_stands(company_a: World) -> None:
    photo = pictures.stored(company_a)
    with company(company_a.id):
        with pytest.raises(Forbidden):
            photos.choose(company_a.actor("technician"), company_a.job.id, [photo.id], shown=True)
        boss = company_a.actor("supervisor")
        with pytest.raises(Invalid):
            photos.choose(boss, company_a.job.id, [uuid7()], shown=True)
        with pytest.raises(Invalid):
            photos.choose(boss, company_a.job.id, [], shown=True)
        with pytest.raises(NotFound):
            photos.choose(boss, uuid7(), [photo.id], shown=True)
        measured.remove(boss, photo.id, reason=REASON)
        with pytest.raises(Conflict):
            photos.choose(boss, company_a.job.id, [photo.id], shown=True)
        assert not PhotoChoice.objects.exists()


def test_the_approval_binds_what_was_chosen(company_a: World) -> None:
    scene.measured(company_a)
    photo = pictures.stored(company_a)
    with company(company_a.id):
        boss = company_a.actor("supervisor")
        seen = review.review_set(boss, company_a.job.id).digest
    choose(company_a, photo)
    with company(company_a.id):
        now = review.review_set(boss, company_a.job.id).digest
        assert now != seen
        measured.correct(
            boss, photo.id, reason=REASON, text="Lever at 6", subject="mark", test_point=photo.test_point_id
        )
        assert review.review_set(boss, company_a.job.id).digest != now
    choose(company_a, photo, shown=False)
    with company(company_a.id):
        assert review.review_set(boss, company_a.job.id).digest == seen


def test_a_photo_that_nobody_chose_changes_no_set(company_a: World) -> None:
    scene.measured(company_a)
    with company(company_a.id):
        boss = company_a.actor("supervisor")
        seen = review.review_set(boss, company_a.job.id).digest
    pictures.stored(company_a)
    with company(company_a.id):
        assert review.review_set(boss, company_a.job.id).digest == seen


def approved(world: World) -> tuple[Revision, doc.Document]:
    scene.approved(world)
    with company(world.id):
        made = Revision.objects.latest("approved_at")
        return made, doc.from_bytes(zlib.decompress(made.snapshot))


def test_the_snapshot_holds_the_chosen_and_no_other(company_a: World) -> None:
    scene.measured(company_a)
    shown, left = pictures.stored(company_a), pictures.stored(company_a, pictures.jpeg(shade=10))
    whole = pictures.noted(company_a, "The lift was out of order.", tag=None)
    made = choose(company_a, shown, whole)[0]
    _, document = approved(company_a)
    found = list(doc.photos_of(document))
    assert [one.id for one in found] == [str(shown.id), str(whole.id)]
    one = found[0]
    assert (one.tag, one.subject, one.kind) == ("S-1", "Damper mark", "photo")
    assert (one.digest, one.printed) == (shown.digest, made.print_digest)
    assert one.taken.name == company_a.technician.name
    assert one.taken.at is not None
    assert one.taken.at.isoformat() == "2026-03-02T08:38:00.120000+00:00"
    assert document.photos
    assert document.photos[0].text == "The lift was out of order."
    assert str(left.id) not in {other.id for other in found}


def test_a_document_without_photos_keeps_the_bytes_it_had(company_a: World) -> None:
    document = small()
    assert b'"photos"' not in doc.to_bytes(document)
    assert doc.from_bytes(doc.to_bytes(document)) == document


def test_an_interim_report_shows_them_and_a_list_does_not(company_a: World) -> None:
    scene.measured(company_a, s3="60.0")
    choose(company_a, pictures.stored(company_a), pictures.noted(company_a, tag=None))
    with company(company_a.id):
        boss = company_a.actor("supervisor")
        for kind, count in ((DocumentKind.INTERIM, 2), (DocumentKind.DEFICIENCIES, 0)):
            made = before.send_before(boss, company_a.job.id, kind=kind)
            revision = Revision.objects.get(id=made.revision_id)
            document = doc.from_bytes(zlib.decompress(revision.snapshot))
            assert len(list(doc.photos_of(document))) == count


def test_a_later_revision_says_which_photos_came_and_went(company_a: World) -> None:
    scene.measured(company_a)
    first, second = pictures.stored(company_a), pictures.stored(company_a, tag="S-2", text="Lever at 7")
    choose(company_a, first)
    approved(company_a)
    choose(company_a, first, shown=False)
    choose(company_a, second)
    _, document = approved(company_a)
    told = [change.what for change in document.changes]
    assert any(what.startswith("S-2: damper mark of 2026-03-02") and what.endswith("added") for what in told)
    assert any(what.startswith("S-1: damper mark") and "no longer part" in what for what in told)


def test_the_spreadsheet_lists_them_as_text() -> None:
    document, _ = with_photos(2)
    document = replace(
        document, photos=(doc.Photo(id="1", kind="note", subject="Note", text="=1+1", taken=BY),)
    )
    book = openpyxl.load_workbook(io.BytesIO(workbook.write(document, issue(), READINGS)))
    rows = list(book["Photos and notes"].values)
    assert len(rows) == 1 + 3 + 1
    assert rows[-1][4] == "=1+1"
    assert rows[1][7] == "a" * 64
    assert "Photos and notes" not in workbook_names(small())


def workbook_names(document: doc.Document) -> list[str]:
    return openpyxl.load_workbook(io.BytesIO(workbook.write(document, issue(), READINGS))).sheetnames


# On paper


BY = doc.Person(name="K. Lindqvist", role="technician", at=issue().issued_at)


def with_photos(count: int = 5) -> tuple[doc.Document, dict[str, bytes]]:
    """The sample with so many photos and a note, and their prints."""
    prints = [print_of(io.BytesIO(pictures.jpeg(900, 600 + 200 * (k % 3), 40 + k))) for k in range(count)]
    shown = [
        doc.Photo(
            id=str(uuid7()),
            kind="photo",
            subject="Damper mark",
            tag=f"S-{k + 1}",
            text="<img src=x onerror=alert(1)> & \u202e evil",
            taken=BY,
            digest="a" * 64,
            printed=one.digest,
            width=one.width,
            height=one.height,
        )
        for k, one in enumerate(prints)
    ]
    note = doc.Photo(id=str(uuid7()), kind="note", subject="Note", tag="S-1", text="Ceiling open.", taken=BY)
    document = small()
    systems = (replace(document.systems[0], photos=(*shown, note)), *document.systems[1:])
    return replace(document, systems=systems), {one.digest: one.data for one in prints}


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> tuple[doc.Document, dict[str, bytes], Path]:
    document, prints = with_photos()
    folder = tmp_path_factory.mktemp("photos")
    made = render_report(document, issue(), workdir=folder, readings_csv=READINGS, pictures=prints)
    return document, prints, made.path


def test_the_file_is_still_archivable_and_accessible(printed: Any) -> None:
    path = printed[2]
    for profile in ("3a", "ua1"):
        report = validator.validate_pdf(path, profile=profile)
        assert [f.message for f in report.failures if "STREAM-LENGTH" not in f.rule_id] == []
    assert check(path).faults == []
    assert wrong_lengths(path) == []
    with pikepdf.open(path) as pdf:
        texts = [
            str(one.Alt)
            for one in pdf.objects
            if isinstance(one, pikepdf.Dictionary) and one.get("/S") == "/Figure" and "/Alt" in one
        ]
    assert sum(text.startswith("Photo, damper mark, S-") for text in texts) == 5
    assert any("Photos and notes" in text for text in page_texts(path))


def images_of(pdf: pikepdf.Pdf) -> list[Any]:
    return [one for one in pdf.objects if isinstance(one, pikepdf.Stream) and one.get("/Subtype") == "/Image"]


def test_a_swapped_exchanged_or_missing_picture_is_noticed_offline(printed: Any, tmp_path: Path) -> None:
    path = printed[2]
    assert filed.read(path).faults == []

    def spoiled(name: str, act: Any) -> list[str]:
        target = tmp_path / f"{name}.pdf"
        with pikepdf.open(path) as pdf:
            act(
                [
                    one
                    for one in pdf.objects
                    if isinstance(one, pikepdf.Stream) and one.get("/Subtype") == "/Image"
                ]
            )
            pdf.save(target)
        return filed.read(target).faults

    other = pictures.jpeg(900, 600, 222)
    assert "photo" in spoiled("other", lambda all_: all_[0].write(other, filter=pikepdf.Name.DCTDecode))[0]

    def exchanged(all_: list[Any]) -> None:
        one, two = all_[0].read_raw_bytes(), all_[1].read_raw_bytes()
        all_[0].write(two, filter=pikepdf.Name.DCTDecode)
        all_[1].write(one, filter=pikepdf.Name.DCTDecode)

    assert len(spoiled("exchanged", exchanged)) == 2
    target = tmp_path / "command.pdf"
    with pikepdf.open(path) as pdf:
        images_of(pdf)[0].write(other, filter=pikepdf.Name.DCTDecode)
        pdf.save(target)
    with pytest.raises(CommandError, match=r"photo \d .* is not the one"):
        call_command("verify_report", str(target), "--offline", stdout=io.StringIO())


def test_nothing_but_the_prints_that_were_named_gets_in(tmp_path: Path) -> None:
    document, prints = with_photos(2)
    first = next(iter(prints))
    for wrong in ({}, {**prints, first: pictures.jpeg(shade=1)}):
        with pytest.raises(RenderFailed, match="missing or was altered"):
            render_report(document, issue(), workdir=tmp_path, readings_csv=READINGS, pictures=wrong)


@pytest.mark.parametrize(
    "source",
    [
        "file:///etc/passwd",
        "http://127.0.0.1:9/x.png",
        "data:image/svg+xml,<svg/>",
        "picture:../../etc/passwd",
    ],
)
def test_the_press_refuses_every_other_address(source: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="refused"):
        FontsAndPrints(tmp_path).fetch(source)


# Erasing


def test_erasing_takes_the_prints_too_and_stops_what_was_approved_with_it(company_a: World) -> None:
    scene.measured(company_a)
    photo = pictures.stored(company_a)
    choice = choose(company_a, photo)[0]
    revision, _ = approved(company_a)
    with company(company_a.id):
        boss, name = company_a.actor("supervisor"), photos.print_name(photo.id, choice.print_digest)
        assert default_storage.exists(name)
        photos.erase(boss, photo.id, reason=REASON)
    due.work(company_a.id)
    with company(company_a.id):
        assert not default_storage.exists(name)
        assert faults() == []
        assert not any(one.shown for one in photos.of_job(company_a.job.id))
        with pytest.raises(Conflict, match="erased"):
            issuing.issue(boss, revision.id)
    _, document = approved(company_a)
    assert list(doc.photos_of(document)) == []


def test_no_photo_is_erased_while_a_document_with_it_is_made(company_a: World) -> None:
    scene.measured(company_a)
    photo = pictures.stored(company_a)
    choose(company_a, photo)
    revision, _ = approved(company_a)
    with company(company_a.id):
        boss = company_a.actor("supervisor")
        issuing.issue(boss, revision.id)
        with pytest.raises(Conflict, match="being made"):
            photos.erase(boss, photo.id, reason=REASON)


def test_a_print_that_was_changed_or_lost_is_found(company_a: World) -> None:
    one, two = pictures.stored(company_a), pictures.stored(company_a, pictures.jpeg(shade=11))
    first, second = choose(company_a, one, two)
    with company(company_a.id):
        names = [photos.print_name(row.photo_id, row.print_digest) for row in (first, second)]
        default_storage.delete(names[0])
        default_storage.delete(names[1])
        default_storage.save(names[1], ContentFile(pictures.jpeg()))
        assert {fault.id for fault in faults()} == {str(first.id), str(second.id)}


def test_F1_half_a_print_that_a_killed_process_left_is_written_over(company_a: World) -> None:
    made = print_of(io.BytesIO(pictures.jpeg()))
    one = pictures.stored(company_a)
    with company(company_a.id):
        name = photos.print_name(one.id, made.digest)
        default_storage.save(name, ContentFile(made.data[:1000]))
    (choice,) = choose(company_a, one)
    with company(company_a.id):
        assert photos.print_name(one.id, choice.print_digest) == name
        assert default_storage.open(name).read() == made.data
        assert faults() == []


# Doors and pages


def test_the_doors_choose_show_small_and_erase(company_a: World) -> None:
    photo = pictures.stored(company_a)
    boss, job = signed_in(company_a, "supervisor"), company_a.job.id
    answer = boss.post(f"/jobs/{job}/photo-choices", {"photos": [str(photo.id)], "shown": True})
    assert [one["shown"] for one in answer.json()["items"]] == [True]
    little = boss.get(f"/photos/{photo.id}/thumbnail")
    assert little["Content-Type"] == "image/jpeg"
    assert little["Cache-Control"].startswith("private")
    assert little["X-Content-Type-Options"] == "nosniff"
    technician = with_token(company_a.technician_token)
    assert_problem(
        technician.post(f"/jobs/{job}/photo-choices", {"photos": [str(photo.id)], "shown": False}), 403
    )
    assert_problem(technician.post(f"/photos/{photo.id}/erasure", {"reason": REASON}), 403)
    assert boss.post(f"/photos/{photo.id}/erasure", {"reason": REASON}).json()["state"] == "erased"
    assert_problem(boss.get(f"/photos/{photo.id}/thumbnail"), 409)


def test_the_pages_show_them_point_by_point_and_take_decisions(company_a: World, company_b: World) -> None:
    scene.measured(company_a)
    photo = pictures.stored(company_a, text="<b>Lever</b>")
    pictures.noted(company_a, "The lift was out of order.", tag=None)
    boss = signed_in(company_a, "supervisor").client
    shown = boss.get(f"/review/{company_a.job.id}/photos").content.decode()
    assert "&lt;b&gt;Lever&lt;/b&gt;" in shown
    assert "The whole job" in shown
    assert f"/api/v1/photos/{photo.id}/thumbnail" in boss.get(f"/review/{company_a.job.id}").content.decode()
    boss.post(f"/review/{company_a.job.id}/photos/choose", {"photo": str(photo.id), "choice": "show"})
    assert "in the report" in boss.get(f"/review/{company_a.job.id}/photos").content.decode()
    refused = boss.post(f"/photos/{photo.id}/change", {"act": "remove", "reason": "no"}, follow=True)
    assert "Give a reason" in refused.content.decode()
    boss.post(f"/photos/{photo.id}/change", {"act": "remove", "reason": REASON})
    assert "taken out" in boss.get(f"/review/{company_a.job.id}/photos").content.decode()
    other = signed_in(company_b, "supervisor").client
    assert other.get(f"/review/{company_a.job.id}/photos").status_code == 404
    assert other.post(f"/photos/{photo.id}/change", {"act": "erase", "reason": REASON}).status_code == 404
    technician = signed_in(company_a, "technician").client
    assert technician.get(f"/review/{company_a.job.id}/photos").status_code == 403


def test_who_approves_what_they_did_not_see_is_stopped(company_a: World) -> None:
    scene.measured(company_a)
    photo = pictures.stored(company_a)
    with company(company_a.id):
        seen = review.review_set(company_a.actor("supervisor"), company_a.job.id).digest
    choose(company_a, photo)
    with company(company_a.id), pytest.raises(PreconditionFailed):
        review.approve(company_a.actor("supervisor"), company_a.job.id, seen_digest=seen)
