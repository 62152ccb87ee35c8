"""Out of one service and into another: all of it, provably, or nothing."""

import base64
import hashlib
import json
import os
import shutil
import tracemalloc
import zipfile
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from django.conf import LazySettings
from django.core.files.storage import FileSystemStorage, default_storage
from django.core.management import CommandError, call_command

from jobs import due, events
from jobs.access import actor_for_token
from jobs.errors import Conflict, DomainError, Invalid
from jobs.models import (
    AccessToken,
    Affiliation,
    Company,
    CompanyImport,
    Device,
    DueWork,
    Event,
    ImportedLinks,
    Member,
    User,
)
from jobs.tenancy.context import company, company_var
from measurements.models import Photo, Reading, Session
from reports import evidence, exports, signers
from reports.archive import tables, take_in
from reports.archive.take_in import Taken
from reports.models import SigningCertificate
from tests import factories
from tests.archive import house
from tests.database import empty_database, owner_connection
from tests.factories import World
from tests.reports import scene

pytestmark = pytest.mark.django_db(transaction=True)
OTHER_KEY = b"another service's key of 32 bytes"


class Exported:
    """A company's export on disk, with its digest; the company itself is in this database still."""

    def __init__(self, world: World, path: Path) -> None:
        self.world, self.path = world, path
        with company_var(world.id):
            self.made = exports.make_now(world.id, path)
        self.digest = self.made.manifest_digest

    def rows(self, table: str) -> list[dict[str, Any]]:
        with zipfile.ZipFile(self.path) as archive:
            return [json.loads(line) for line in archive.read(f"tables/{table}.jsonl").splitlines()]

    def files(self) -> dict[str, bytes]:
        with zipfile.ZipFile(self.path) as archive:
            return {n: archive.read(n) for n in archive.namelist() if n.startswith("files/")}


@pytest.fixture
def out(settings: LazySettings, tmp_path: Path) -> Exported:
    return Exported(house.furnished(settings), tmp_path / "company.zip")


@pytest.fixture
def elsewhere(out: Exported, settings: LazySettings, tmp_path: Path) -> Exported:
    """The export beside an empty service of another place: no rows, no files, other keys."""
    empty_database()
    settings.MEDIA_ROOT = str(tmp_path / "media")
    settings.EVENT_CHAIN_KEY = OTHER_KEY
    settings.ANCHOR_FILE = tmp_path / "anchors.jsonl"
    settings.SECRET_KEY = "s" * 60
    settings.PUBLIC_URL = "https://elsewhere.example"
    return out


def faults(company_id: UUID) -> list[str]:
    with company(company_id):
        return [str(one) for one in evidence.faults()]


def nothing_of(company_id: UUID) -> None:
    """No row of the company in any table, and no file."""
    with company(company_id):
        left = [m._meta.label for m in tables.every_model() if m.objects.exists()]  # type: ignore[attr-defined]
    assert left == []
    assert not Affiliation.objects.filter(company_ref=company_id).exists()
    for room in ("reports", "photos", "certificates"):
        place = Path(default_storage.path(f"{room}/{company_id}"))
        assert not [path for path in place.rglob("*") if path.is_file()]


def come_in(out: Exported) -> Taken:
    return take_in.take_in(out.path, out.digest)


STATED = {
    "jobs_member": {"user_ref"},
    "jobs_accesstoken": {"revoked_at"},
    "jobs_device": {"revoked_at"},
    "jobs_invitation": {"revoked_at"},
    "jobs_pairingcode": {"used_at"},
    "jobs_calendaraddress": {"revoked_at"},
    "reports_delivery": {"revoked_at"},
    "jobs_eventposition": {"mac"},
    "jobs_chainhead": {"mac", "number"},
    "jobs_supportgrant": {"revoked_at"},
    "reports_webhook": {"active", "removed_at"},
    "jobs_duework": {"state", "attempts", "lease_until", "lease_id", "error", "due_at"},
}
"""Columns that may be another after an import."""
GROWS = {"jobs_event", "jobs_eventposition", "jobs_companyimport", "jobs_importedlinks", "jobs_duework"}
"""Tables to which an import adds rows of its own."""


def test_out_in_and_out_again_gives_equal_rows_and_files(elsewhere: Exported, tmp_path: Path) -> None:
    taken = come_in(elsewhere)
    assert (taken.rows, taken.files) == (elsewhere.made.row_count, elsewhere.made.file_count)
    again = Exported(elsewhere.world, tmp_path / "again.zip")
    assert again.files() == elsewhere.files()
    filled = 0
    for table in tables.tables():
        before = {row["id"]: row for row in elsewhere.rows(table.name)}
        after = {row["id"]: row for row in again.rows(table.name)}
        added = after.keys() - before.keys()
        assert not added or table.name in GROWS, table.name
        assert before.keys() - after.keys() == set(), table.name
        for row_id, row in before.items():
            for stated in STATED.get(table.name, ()):
                row.pop(stated), after[row_id].pop(stated)
            assert after[row_id] == row, table.name
        filled += bool(before)
    assert filled > 35


def test_evidence_holds_after_an_import_and_a_seeded_edit_is_found(elsewhere: Exported) -> None:
    come_in(elsewhere)
    company_id = elsewhere.world.id
    assert faults(company_id) == []
    with company(company_id):
        reading = Reading.objects.first()
    with owner_connection(autocommit=True) as connection:
        connection.execute("SET session_replication_role = replica")
        connection.execute(f"SET app.company = '{company_id}'")
        connection.execute("UPDATE measurements_reading SET value = value * 1.1 WHERE id = %s", [reading.id])
    with pytest.raises(CommandError):
        call_command("verify_evidence", company=str(company_id), stdout=StringIO())
    assert str(reading.session_id) in faults(company_id)[0]


@pytest.mark.parametrize(
    "edit",
    [
        "UPDATE jobs_importedlinks SET macs = overlay(macs placing '\\x00' from 40)",
        "DELETE FROM jobs_importedlinks",
        "UPDATE jobs_importedlinks SET first = first + 1",
        "UPDATE jobs_companyimport SET origin = 'https://nowhere.example'",
        "UPDATE jobs_companyimport SET left_out = '{}'",
        "UPDATE jobs_event SET data = data || '{\"x\": 1}' WHERE verb = 'session.stored'",
        "DELETE FROM jobs_eventposition WHERE number > 5",
    ],
)
def test_G4_edits_of_what_came_in_are_found(elsewhere: Exported, edit: str) -> None:
    come_in(elsewhere)
    with owner_connection(autocommit=True) as connection:
        connection.execute("SET session_replication_role = replica")
        connection.execute(f"SET app.company = '{elsewhere.world.id}'")
        connection.execute(edit.replace("%", "%%"))
    assert faults(elsewhere.world.id)


def test_the_origins_links_are_kept_and_snapshots_still_fit(elsewhere: Exported) -> None:
    """The heads that approved snapshots name were made under the other key; they are held against it."""
    before = {row["number"]: base64.b64decode(row["mac"]) for row in elsewhere.rows("jobs_eventposition")}
    come_in(elsewhere)
    with company(elsewhere.world.id):
        heads = evidence.snapshot_heads()
        assert heads
        for head in heads:
            assert before[head.number].hex() == head.mac
            assert head.mac in evidence.origin_links(head.number)
        row, links = CompanyImport.objects.get(), ImportedLinks.objects.order_by("first")
        assert b"".join(bytes(one.macs) for one in links) == b"".join(before[n] for n in sorted(before))
        told = Event.objects.get(verb="company.imported")
        assert told.data["manifest"] == row.manifest_digest == elsewhere.digest
        assert told.content_digest == events.row_digest(row)
        assert all(bytes(one.mac) != before[one.number] for one in event_positions())


def event_positions() -> list[Any]:
    from jobs.models import EventPosition

    return list(EventPosition.objects.filter(number__lte=5))


def test_on_to_a_third_service(elsewhere: Exported, settings: LazySettings, tmp_path: Path) -> None:
    come_in(elsewhere)
    second = Exported(elsewhere.world, tmp_path / "second.zip")
    empty_database()
    settings.MEDIA_ROOT, settings.EVENT_CHAIN_KEY = str(tmp_path / "third"), b"k" * 32
    come_in(second)
    assert faults(elsewhere.world.id) == []
    with company(elsewhere.world.id):
        assert CompanyImport.objects.count() == 2


def test_people_are_matched_by_mail_or_asked_to_choose_a_password(elsewhere: Exported) -> None:
    world = elsewhere.world
    here = User.objects.create_user(world.owner.email, "another long password")
    stranger = User.objects.create_user("stranger@elsewhere.example", "another long password")
    User.objects.filter(id=stranger.id).update(id=world.technician.user_ref)  # her id is one of the file's
    taken = come_in(elsewhere)
    assert taken.joined == [world.owner.email]
    assert set(taken.invited) == {world.technician.email, world.dispatcher.email, world.supervisor.email}
    with company(world.id):
        assert Member.objects.get(id=world.owner.id).user_ref == here.id
        technician = User.objects.get(id=Member.objects.get(id=world.technician.id).user_ref)
        assert technician.email == world.technician.email
        assert not technician.has_usable_password()
        mails = DueWork.objects.filter(kind="reset-mail").values_list("subject_id", flat=True)
        assert technician.id in mails
        assert here.id not in mails
    assert not Affiliation.objects.filter(user__email="stranger@elsewhere.example").exists()


def test_no_key_tablet_or_link_of_the_origin_works(elsewhere: Exported) -> None:
    come_in(elsewhere)
    with company(elsewhere.world.id):
        for text in (elsewhere.world.key_text, elsewhere.world.tablet, elsewhere.world.technician_token):
            assert actor_for_token(text) is None
        assert not AccessToken.objects.filter(revoked_at=None).exists()
        assert not Device.objects.filter(revoked_at=None).exists()
        assert signers.newest() is None
        assert not any(bytes(row.encrypted_key) for row in SigningCertificate.objects.all())


def test_promised_work_is_done_here(settings: LazySettings, tmp_path: Path) -> None:
    """What was due and not yet done when the export was made is due in the other service."""
    world = factories.make_world()
    scene.measure(world)
    scene.whole(world)
    out = Exported(world, tmp_path / "company.zip")
    empty_database()
    settings.EVENT_CHAIN_KEY = OTHER_KEY
    come_in(out)
    scene.evaluated(world)
    with company(world.id):
        assert not DueWork.objects.filter(kind="evaluate").exists()
        assert all(session.results.exists() for session in Session.objects.all())
    assert faults(world.id) == []


def test_a_company_that_is_here_is_refused_and_untouched(out: Exported) -> None:
    with company(out.world.id):
        before = Event.objects.count()
    with pytest.raises(Conflict, match="here already"):
        come_in(out)
    with company(out.world.id):
        assert Event.objects.count() == before


def test_other_companies_of_the_service_are_untouched(elsewhere: Exported) -> None:
    other = factories.make_world(factories.SECOND)

    def count() -> dict[str, int]:
        with company(other.id):
            return {m._meta.label: m.objects.count() for m in tables.every_model()}  # type: ignore[attr-defined]

    before = count()
    come_in(elsewhere)
    assert count() == before
    assert faults(elsewhere.world.id) == []


# Hostile files: each is refused in words, and nothing of it is stored

Members = dict[str, bytes]


def altered(out: Exported, change: Callable[[Members], None], *, sealed: bool = True) -> str:
    """Writes the archive anew after a change; `sealed`: with a manifest that fits it, as an attacker would.

    Returns the manifest's digest.
    """
    with zipfile.ZipFile(out.path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    if sealed:
        told = json.loads(members["manifest.json"])
        for one in told["members"]:
            if (data := members.get(one["name"])) is not None:
                one.update(size=len(data), sha256=hashlib.sha256(data).hexdigest())
                if one.get("table"):
                    one["rows"] = data.count(b"\n")
        members["manifest.json"] = json.dumps(told).encode()
    with zipfile.ZipFile(out.path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return hashlib.sha256(members["manifest.json"]).hexdigest()


def in_table(table: str, old: bytes, new: bytes) -> Callable[[Members], None]:
    def change(members: Members) -> None:
        name = f"tables/{table}.jsonl"
        assert old in members[name]
        members[name] = members[name].replace(old, new, 1)

    return change


def adds(name: str, data: bytes = b"x", *, told: bool = True) -> Callable[[Members], None]:
    """Another member, named in the manifest or not."""

    def change(members: Members) -> None:
        members[name] = data
        if told:
            manifest = json.loads(members["manifest.json"])
            manifest["members"].append({"name": name, "size": 1, "sha256": "0" * 64})
            members["manifest.json"] = json.dumps(manifest).encode()

    return change


def first_row(members: Members, table: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(members[f"tables/{table}.jsonl"].splitlines()[0])
    return found


def in_row(table: str, **values: Any) -> Callable[[Members], None]:
    """The first row of a table with other values, or without one (`...`)."""

    def change(members: Members) -> None:
        name = f"tables/{table}.jsonl"
        head, _, rest = members[name].partition(b"\n")
        row = {k: v for k, v in {**json.loads(head), **values}.items() if v is not ...}
        members[name] = json.dumps(row).encode() + b"\n" + rest

    return change


def drops_a_row(table: str) -> Callable[[Members], None]:
    def change(members: Members) -> None:
        name = f"tables/{table}.jsonl"
        members[name] = members[name].partition(b"\n")[2]

    return change


def evidence_and_its_event(members: Members) -> None:
    """A reading altered, and the session's event with it: only the manifest's digest tells, or the chain of
    the origin; here the file is believed, so the digest of the session does not fit its rows."""
    in_table("measurements_reading", b'"value":', b'"value":1')(members)


HOSTILE: dict[str, tuple[Callable[[Members], None], str]] = {
    "a reading altered": (evidence_and_its_event, "evidence"),
    "a result altered": (in_row("measurements_result", value=1.0), "evidence"),
    "a row of evidence removed": (drops_a_row("measurements_flaganswer"), "evidence"),
    "the last event cut off": (lambda m: m.update({
        "tables/jobs_eventposition.jsonl": m["tables/jobs_eventposition.jsonl"].rsplit(b"\n", 2)[0] + b"\n"
    }), "log does not end"),
    "an event cut out": (drops_a_row("jobs_eventposition"), "log is not whole"),
    "an event altered": (
        in_table("jobs_event", b'"verb":"session.stored"', b'"verb":"session.stores"'), "evidence"),
    "another company's row": (in_row("jobs_site", company_id=str(UUID(int=7))), "another company"),
    "another company's id": (in_row("jobs_company", id=str(UUID(int=7))), "another company"),
    "an unknown column": (in_row("jobs_site", is_operator=True), "is_operator"),
    "a missing column": (in_row("jobs_site", name=...), "name"),
    "a secret that is no column": (in_row("jobs_accesstoken", secret_hash="eA=="), "secret_hash"),
    "a text for a figure": (in_row("jobs_site", elevation_m="high"), "elevation_m"),
    "a figure that is none": (
        in_table("jobs_site", b'"elevation_m":', b'"elevation_m":1e400,"x":'), "jobs_site"),
    "a name too long": (in_row("jobs_site", name="x" * 161), "name"),
    "NUL in a text": (in_row("jobs_customer", address="a\0b"), "refuses a row"),
    "a twin of a row": (lambda m: m.update({
        "tables/jobs_site.jsonl": m["tables/jobs_site.jsonl"] * 2}), "refuses a row"),
    "a row that points nowhere": (in_row("jobs_site", customer_id=str(UUID(int=9))), "refuses a row"),
    "no company": (drops_a_row("jobs_company"), "company"),
    "no line's end": (lambda m: m.update({
        "tables/jobs_site.jsonl": m["tables/jobs_site.jsonl"].rstrip(b"\n")}), "cut off"),
    "not JSON": (lambda m: m.update({"tables/jobs_site.jsonl": b"{'a': 1}\n"}), "jobs_site"),
    "an extra table": (adds("tables/auth_group.jsonl", b"{}\n"), "do not fit this service"),
    "users": (adds("tables/jobs_user.jsonl", b"{}\n"), "do not fit this service"),
    "a table missing": (lambda m: m.pop("tables/jobs_site.jsonl") and None, "same members"),
    "a member nobody named": (adds("tables/more.jsonl", told=False), "same members"),
    "a path upwards": (adds("files/../../etc/cron.d/x"), "not this company's"),
    "a path of the root": (adds("files//etc/passwd"), "not this company's"),
    "a drive": (adds("files/c:\\x\\y"), "not this company's"),
    "another company's folder": (adds(f"files/reports/{UUID(int=7)}/a/x.pdf"), "not this company's"),
    "a file nobody speaks of": (lambda m: adds(f"files/reports/{house_id(m)}/a/x.pdf")(m), "speak of"),
    "a file altered": (
        lambda m: m.update({n: d + b"x" for n, d in m.items() if n.startswith("files/reports/")}), "altered"),
    "a file missing": (lambda m: without(m, "files/photos/"), "speak of"),
    "of another form": (lambda m: m.update({
        "manifest.json": m["manifest.json"].replace(b'"version": 1', b'"version": 2')}), "version 2"),
    "another schema": (lambda m: m.update({
        "manifest.json": m["manifest.json"].replace(b'"maxLength": 160', b'"maxLength": 161')}),
        "another way"),
    "a manifest with more": (lambda m: m.update({
        "manifest.json": m["manifest.json"].replace(b'"lost"', b'"more": 1, "lost"')}), "manifest.json"),
}  # fmt: skip


def house_id(members: Members) -> str:
    found: str = json.loads(members["manifest.json"])["company"]["id"]
    return found


def without(members: Members, start: str) -> None:
    """Takes a file away, from archive and manifest."""
    told = json.loads(members["manifest.json"])
    for name in [name for name in members if name.startswith(start)]:
        del members[name]
    told["members"] = [one for one in told["members"] if not one["name"].startswith(start)]
    members["manifest.json"] = json.dumps(told).encode()


def test_hostile_files_are_refused_whole_and_say_why(elsewhere: Exported, tmp_path: Path) -> None:
    """Even with a manifest that fits, whose digest the operator was told."""
    whole = tmp_path / "whole.zip"
    shutil.copy(elsewhere.path, whole)
    for what, (change, words) in HOSTILE.items():
        shutil.copy(whole, elsewhere.path)
        digest = altered(elsewhere, change)
        with pytest.raises(DomainError, match=words) as raised:
            take_in.take_in(elsewhere.path, digest)
        assert isinstance(raised.value, Invalid), what
        nothing_of(elsewhere.world.id)
    shutil.copy(whole, elsewhere.path)
    come_in(elsewhere)
    assert faults(elsewhere.world.id) == []


def test_an_altered_file_does_not_have_the_digest_that_was_told(elsewhere: Exported) -> None:
    altered(elsewhere, in_row("jobs_site", name="Another"))
    with pytest.raises(Invalid, match="not the one you gave"):
        come_in(elsewhere)
    nothing_of(elsewhere.world.id)


def test_a_wrong_checksum_is_refused(elsewhere: Exported) -> None:
    altered(elsewhere, in_row("jobs_site", name="Another"), sealed=False)
    with pytest.raises(Invalid, match=r"size and SHA-256|longer than"):
        come_in(elsewhere)
    nothing_of(elsewhere.world.id)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.99])
def test_a_truncated_file_is_refused(elsewhere: Exported, share: float) -> None:
    os.truncate(elsewhere.path, int(elsewhere.path.stat().st_size * share))
    with pytest.raises(Invalid, match="no whole ZIP"):
        come_in(elsewhere)
    nothing_of(elsewhere.world.id)


@pytest.mark.parametrize("name", ["tables/jobs_site.jsonl", "manifest.json"])
def test_E1_a_bomb_is_not_unpacked(elsewhere: Exported, name: str) -> None:
    """A member of 256 MiB that its manifest calls small; and a manifest that is itself a bomb."""
    with zipfile.ZipFile(elsewhere.path) as archive:
        members = {n: archive.read(n) for n in archive.namelist() if n != name}
    with zipfile.ZipFile(elsewhere.path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for one, data in members.items():
            archive.writestr(one, data)
        with archive.open(name, "w", force_zip64=True) as member:
            for _ in range(256):
                member.write(bytes(1 << 20))
    tracemalloc.start()
    try:
        with pytest.raises(Invalid, match="too large" if name == "manifest.json" else "longer than"):
            come_in(elsewhere)
        assert tracemalloc.get_traced_memory()[1] < 160 << 20
    finally:
        tracemalloc.stop()
    nothing_of(elsewhere.world.id)


def test_a_storage_that_fails_midway_leaves_nothing(
    elsewhere: Exported, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept, calls = FileSystemStorage.save, []

    def fails(self: Any, name: str, *rest: Any, **more: Any) -> str:
        calls.append(name)
        if len(calls) == 3:
            raise OSError(28, "No space left on device")
        return str(kept(self, name, *rest, **more))

    monkeypatch.setattr(FileSystemStorage, "save", fails)
    with pytest.raises(OSError, match="No space"):
        come_in(elsewhere)
    nothing_of(elsewhere.world.id)


def test_the_command(elsewhere: Exported) -> None:
    said = StringIO()
    with pytest.raises(CommandError, match="Nothing was stored"):
        call_command("import_company", str(elsewhere.path), manifest="0" * 64)
    call_command("import_company", str(elsewhere.path), manifest=elsewhere.digest, stdout=said)
    assert "its evidence holds" in said.getvalue()
    with company(elsewhere.world.id):
        assert Company.objects.get().name == factories.FIRST
        assert Photo.objects.exists()
    due.work(elsewhere.world.id)
