"""A signed report proves itself: independent tools agree, and whatever is done to the file shows."""

import hashlib
import random
import re
import shutil
import subprocess
from contextlib import suppress
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from django.core.management import CommandError, call_command
from msgspec.structs import replace
from pyhanko.pdf_utils.reader import PdfFileReader

from jobs.errors import Conflict, Forbidden, Invalid
from jobs.tenancy.context import company
from reports import filed, sign, signers
from reports import issue as issuing
from reports.models import SignatureLevel, SigningCertificate
from reports.render import qr, render_report
from reports.signed import examine, read_trust
from tests.factories import World
from tests.render.sample import READINGS, issue, sample
from tests.render.structure import check
from tests.render.test_report import failures
from tests.reports import certificates as made
from tests.reports import scene

TRUST = read_trust(made.PEM)


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rendered report of about ten pages with the field for a signature."""
    one = made.identity()
    words = tuple(sign.words(one, stamped=True))
    stamp = replace(issue(), to_be_signed=True, signature=words)
    folder = tmp_path_factory.mktemp("plain")
    return render_report(sample(), stamp, workdir=folder, readings_csv=READINGS).path


def copy(path: Path, folder: Path) -> Path:
    return Path(shutil.copy(path, folder / "report.pdf"))


@pytest.fixture
def signed(plain: Path, tmp_path: Path) -> Path:
    path = copy(plain, tmp_path)
    assert sign.sign_file(path, made.identity()).level is SignatureLevel.B_B
    return path


def told_by_poppler(path: Path) -> str:
    return subprocess.run(["pdfsig", str(path)], capture_output=True, text=True, check=False).stdout


@pytest.mark.parametrize("stamped", [False, True])
def test_pyhanko_and_poppler_agree_and_the_archive_forms_hold(
    plain: Path, tmp_path: Path, stamped: bool
) -> None:
    path = copy(plain, tmp_path)
    found = sign.sign_file(path, made.identity(), made.time_stamper() if stamped else None)
    assert found.level is (SignatureLevel.B_T if stamped else SignatureLevel.B_B)
    one = examine(path, TRUST)
    assert (one.whole, one.trusted, one.level) == (True, True, found.level)
    assert one.time_trusted is (True if stamped else None)
    told = told_by_poppler(path)
    assert "Signature is Valid" in told
    assert "Total document signed" in told
    assert "Balance House Ltd" in told
    assert failures(path, "3a") == failures(path, "ua1") == check(path).faults == []
    assert filed.read(path).faults == []


def test_G6_every_flipped_byte_outside_the_gap_is_found(signed: Path) -> None:
    data, draw = signed.read_bytes(), random.Random(8)
    ranges = re.search(rb"/ByteRange ?\[ ?(\d+) (\d+) (\d+) (\d+)", data)
    assert ranges is not None
    _, first, second, _ = map(int, ranges.groups())
    places = [n for n in draw.sample(range(len(data)), 80) if not first <= n < second][:60]
    digest = hashlib.sha256(data).digest()
    for at in places:
        signed.write_bytes(data[:at] + bytes([data[at] ^ (1 << draw.randrange(8))]) + data[at + 1 :])
        assert not examine(signed).whole, at
        with suppress(Invalid):  # or it is read: much of a file is not looked at
            filed.read(signed)
        assert hashlib.sha256(signed.read_bytes()).digest() != digest


def turned(path: Path) -> None:
    """A page turned by an increment that leaves every signed byte."""
    from pyhanko.pdf_utils.generic import NameObject, NumberObject
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

    with path.open("r+b") as file:
        writer = IncrementalPdfFileWriter(file)
        page = writer.root["/Pages"]["/Kids"][0].get_object()
        page[NameObject("/Rotate")] = NumberObject(90)
        writer.update_container(page)
        writer.write_in_place()


def stripped(path: Path) -> None:
    with pikepdf.open(path, allow_overwriting_input=True) as pdf:
        del pdf.Root["/AcroForm"]
        pdf.save(path)


def swapped(path: Path) -> None:
    with pikepdf.open(path, allow_overwriting_input=True) as pdf:
        spec = pikepdf.AttachedFileSpec(pdf, b"tag,value\n", filename=filed.READINGS)
        pdf.attachments[filed.READINGS] = spec
        pdf.save(path)


def appended(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"\n% more\n")


@pytest.mark.parametrize("attack", [turned, stripped, swapped, appended])
def test_G6_what_is_done_after_signing_shows(signed: Path, attack: object) -> None:
    before = hashlib.sha256(signed.read_bytes()).hexdigest()
    attack(signed)  # type: ignore[operator]
    found = examine(signed, TRUST)
    assert not found.whole
    assert found.faults
    assert hashlib.sha256(signed.read_bytes()).hexdigest() != before


def test_G6_a_signature_of_another_key_over_the_same_bytes_shows(signed: Path) -> None:
    with signed.open("rb") as file:
        value = PdfFileReader(file).embedded_signatures[0].signer_info["signature"].native.hex().encode()
    data = signed.read_bytes()
    assert data.lower().count(value) == 1
    at = data.lower().index(value) + len(value) - 1
    signed.write_bytes(data[:at] + (b"0" if data[at : at + 1] != b"0" else b"1") + data[at + 1 :])
    assert examine(signed, TRUST).faults == ("the signature does not fit its certificate",)


def test_certificates_to_trust_are_pem_or_der() -> None:
    der = TRUST[0].dump()
    assert [one.dump() for one in read_trust(der)] == [der]
    for nonsense in (b"", b"nothing", der[:-1]):
        with pytest.raises(Invalid):
            read_trust(nonsense)


def test_an_ended_certificate_is_trusted_only_by_a_trusted_time(plain: Path, tmp_path: Path) -> None:
    ended = made.identity(begins=-400 * made.DAY, ends=-100 * made.DAY)
    then = datetime.now(UTC) - 200 * made.DAY
    path = copy(plain, tmp_path)
    sign.sign_file(path, ended)
    assert (examine(path, TRUST).whole, examine(path, TRUST).trusted) == (True, False)
    path = copy(plain, tmp_path)
    sign.sign_file(path, ended, made.time_stamper(then))
    found = examine(path, TRUST)
    assert (found.whole, found.trusted, found.time_trusted) == (True, True, True)
    assert found.at is not None
    assert abs((found.at - then).total_seconds()) < 2


def test_the_command_tells_what_it_can_tell_offline(signed: Path, tmp_path: Path) -> None:
    trust = tmp_path / "trust.pem"
    trust.write_bytes(made.PEM)
    out = StringIO()
    call_command("verify_report", str(signed), "--offline", "--trust", str(trust), stdout=out)
    assert "covers the whole file" in out.getvalue()
    assert "is trusted as of" in out.getvalue()
    assert "Not told offline" in out.getvalue()
    turned(signed)
    with pytest.raises(CommandError, match="added to the file after it was signed"):
        call_command("verify_report", str(signed), "--offline", stdout=StringIO())


def test_G7_a_time_server_is_asked_and_when_away_nothing_is_claimed(
    plain: Path, tmp_path: Path, settings: object
) -> None:
    one = made.identity()
    with made.time_server() as url:
        settings.TSA_URL, settings.TSA_TIMEOUT = url, 5  # type: ignore[attr-defined]
        assert issuing.signed(copy(plain, tmp_path), one).level is SignatureLevel.B_T
        with made.time_server(302, url) as away:
            settings.TSA_URL = away  # type: ignore[attr-defined]
            path = copy(plain, tmp_path)
            before = path.read_bytes()
            with pytest.raises(sign.TimeServerAway, match="302"):
                issuing.signed(path, one, last_try=False)
            assert path.read_bytes() == before
            assert issuing.signed(path, one).level is SignatureLevel.B_B
    settings.TSA_URL = url  # type: ignore[attr-defined]
    with pytest.raises(sign.TimeServerAway):
        issuing.signed(copy(plain, tmp_path), one, last_try=False)


def test_who_has_no_certificate_signs_nothing(plain: Path, tmp_path: Path) -> None:
    path = copy(plain, tmp_path)
    before = path.read_bytes()
    assert issuing.signed(path, None) == sign.UNSIGNED
    assert path.read_bytes() == before


def test_the_code_holds_the_printed_address() -> None:
    address = f"https://flow.example.org/check/{'a' * 26}/R-2026-0001/{'k' * 32}"
    rows = qr.matrix(address)
    drawn = [[0] * len(rows) for _ in rows]
    for x, y, width in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\3z", qr.picture(address).replace("h-", "h-")):
        for k in range(int(width)):
            drawn[int(y) - qr.QUIET][int(x) + k - qr.QUIET] = 1
    assert drawn == [list(row) for row in rows]
    import segno

    assert [[int(c) for c in row] for row in segno.make(address, error="m").matrix] == drawn


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"begins": -9 * made.DAY, "ends": -made.DAY}, "it ended on"),
        ({"begins": made.DAY}, "begins only on"),
        ({"bits": 1024}, "1024 bits"),
        ({"signs": False}, "key usage"),
    ],
)
def test_unfit_certificates_are_refused(facts: dict[str, Any], words: str) -> None:
    with pytest.raises(Invalid, match=words):
        sign.read_pkcs12(made.pkcs12_of(made.identity(**facts)), made.PASSWORD)


def test_wrong_passwords_and_files_are_refused() -> None:
    data = made.pkcs12_of(made.identity())
    for file, password in ((data, "another"), (b"no file", made.PASSWORD), (b"", "")):
        with pytest.raises(Invalid, match="does not open"):
            sign.read_pkcs12(file, password)
    with pytest.raises(Invalid, match="64 kB"):
        sign.read_pkcs12(bytes(sign.MOST_PKCS12 + 1), "")


def test_a_company_signs_with_its_own_certificate_and_takes_it_back(
    company_a: World, company_b: World, settings: object
) -> None:
    settings.SIGNING_KEYS, settings.SIGNING_CERTIFICATE = [b"k" * 32], ""  # type: ignore[attr-defined]
    data = made.pkcs12_of(made.identity("Harbour Air"))
    with company(company_a.id):
        with pytest.raises(Forbidden):
            signers.enter(scene.actor(company_a, "supervisor"), file=data, password=made.PASSWORD)
        row = signers.enter(scene.actor(company_a, "owner"), file=data, password=made.PASSWORD)
        stored = bytes(SigningCertificate.objects.get().encrypted_key)
        assert row.subject == "Harbour Air"
        found = signers.identity()
        assert found is not None
        assert (found.subject, found.fingerprint) == (row.subject, row.fingerprint)
        assert found.key_der not in stored
        with pytest.raises(signers.KeyUnreadable):
            signers.decrypted(stored, company_a.id)
        settings.SIGNING_KEYS = [b"n" * 32, b"k" * 32]  # type: ignore[attr-defined]
        assert signers.identity() is not None
        settings.SIGNING_KEYS = [b"n" * 32]  # type: ignore[attr-defined]
        with pytest.raises(signers.KeyUnreadable):
            signers.identity()
        signers.withdraw(scene.actor(company_a, "owner"))
        assert signers.identity() is None
    with company(company_b.id):
        assert signers.newest() is None
        settings.SIGNING_KEYS = []  # type: ignore[attr-defined]
        with pytest.raises(Conflict, match="SIGNING_KEY"):
            signers.enter(scene.actor(company_b, "owner"), file=data, password=made.PASSWORD)
