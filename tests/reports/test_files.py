"""The issued file speaks for itself: snapshot, digest, address; the command; hostile text in it."""

import csv
import io
import zlib
from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pikepdf
import pytest
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command

from jobs.errors import Invalid
from jobs.tenancy.context import company
from reports import document as doc
from reports import filed, verify
from reports import issue as issuing
from reports.models import IssuedFile, Revision
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene
from tests.reports.test_snapshot import HOSTILE


@pytest.fixture
def report(company_a: World, tmp_path: Path) -> tuple[World, Path]:
    """An issued report with a hostile note on an outlet and on a traverse."""
    scene.measured(company_a)
    scene.post(company_a, batches.hood(company_a, "S-1", "90.5", note=HOSTILE))
    scene.post(company_a, batches.traverse(company_a, flow=0.268, note=HOSTILE))
    scene.settled(company_a)
    scene.issued(company_a)
    target = tmp_path / "report.pdf"
    with company(company_a.id):
        target.write_bytes(default_storage.open(IssuedFile.objects.get().name).read())
    return company_a, target


def words(path: Path) -> str:
    with pikepdf.open(path) as pdf:
        return "".join("".join(filed.page_text(page).split()) for page in pdf.pages)


def command(*arguments: str) -> str:
    out = StringIO()
    call_command("verify_report", *arguments, stdout=out)
    return out.getvalue()


def test_the_file_is_known_and_one_changed_byte_is_refused(report: tuple[World, Path]) -> None:
    world, path = report
    with company(world.id):
        revision, made = Revision.objects.get(), IssuedFile.objects.get()
        address = issuing.check_address(made.issue)
    found = filed.read(path)
    assert found.faults == []
    assert found.snapshot_digest == revision.snapshot_digest
    assert doc.to_bytes(found.document) == zlib.decompress(revision.snapshot)
    assert found.address == verify.parse_address(address)
    assert "it is current" in command(str(path))
    assert "it is current" not in command(str(path), "--offline")
    data = path.read_bytes()
    for at in (len(data) // 2, len(data) - 40):
        path.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
        with pytest.raises(CommandError):
            command(str(path), "--address", address)


def _font(pdf: pikepdf.Pdf) -> pikepdf.Object:
    return next(iter(pdf.pages[0].Resources.Font.items()))[1]


def _no_font(pdf: pikepdf.Pdf) -> None:
    fonts = pdf.pages[0].Resources.Font
    for name in list(fonts.keys()):
        fonts[name] = 7


def _no_letters(pdf: pikepdf.Pdf) -> None:
    _font(pdf).ToUnicode = pdf.make_stream(b"<00zz> <zzzz>")


def _no_operands(pdf: pikepdf.Pdf) -> None:
    pdf.pages[0].contents_add(b"BT Tf ET")


@pytest.mark.parametrize("damage", [_no_font, _no_letters, _no_operands])
def test_a_damaged_part_is_told_as_an_unreadable_file(
    report: tuple[World, Path], damage: Callable[[pikepdf.Pdf], None]
) -> None:
    other = report[1].with_name("damaged.pdf")
    with pikepdf.open(report[1]) as pdf:
        damage(pdf)
        pdf.save(other)
    with pytest.raises(Invalid, match=r"damaged\.pdf cannot be read as a PDF: \w"):
        filed.read(other)
    with pytest.raises(CommandError, match="cannot be read as a PDF"):
        command(str(other))


def test_a_file_made_consistent_again_is_still_not_the_issued_one(report: tuple[World, Path]) -> None:
    _, path = report
    other = path.with_name("other.pdf")
    with pikepdf.open(path) as pdf:
        snapshot = pdf.attachments[filed.SNAPSHOT].get_file().read_bytes()
        changed = snapshot.replace(b'"S-2"', b'"S-9"')
        pdf.attachments[filed.SNAPSHOT] = pikepdf.AttachedFileSpec(pdf, changed, filename=filed.SNAPSHOT)
        pdf.save(other)
    assert filed.read(other).faults == ["the digest of snapshot.json is not the one printed in the report"]
    with pytest.raises(CommandError, match="not one that was issued"):
        command(str(other))
    path.write_bytes(b"no pdf")
    with pytest.raises(Invalid):
        filed.read(path)


def test_C12_hostile_text_is_printed_as_text_and_attached_harmless(report: tuple[World, Path]) -> None:
    _, path = report
    text = words(path)
    assert text.count("<script>alert(1)</script>{{7*7}}") == 2
    with pikepdf.open(path) as pdf:
        assert not any("/JavaScript" in str(name) or "/JS" in str(name) for name in pdf.Root.keys())  # noqa: SIM118
        rows = list(csv.reader(io.StringIO(pdf.attachments["readings.csv"].get_file().read_bytes().decode())))
    assert all(len(row) == len(rows[0]) for row in rows)
    assert len(rows) == 1 + 3 * 50 - 10 + 4 * 2
