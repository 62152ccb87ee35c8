"""The whole company as a file: complete, exact, of one moment, without secrets, and only its owner's."""

import base64
import hashlib
import json
import re
import zipfile
import zlib
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

from jobs import due, events
from jobs.errors import Conflict, Forbidden, NotFound
from jobs.models import CompanyExport, Event
from jobs.tenancy.context import company, company_var
from jobs.tenancy.ids import uuid7
from measurements.models import Batch, Reading, Session
from reports import exports
from reports.archive import tables, write
from reports.models import IssuedFile, SigningCertificate
from tests import factories
from tests.archive import house
from tests.doors.client import assert_problem, signed_in
from tests.factories import World

pytestmark = pytest.mark.django_db(transaction=True)
SOUNDS_SECRET = re.compile(r"secret|token|hash|key|password|seal|mac$|code_|otp|recovery")


@pytest.fixture
def world(settings: Any) -> World:
    """A company with something in every kind of evidence."""
    return house.furnished(settings)


def archive_of(world: World) -> tuple[zipfile.ZipFile, CompanyExport]:
    """Asked for, made by the worker, fetched by the owner."""
    with company(world.id):
        asked = exports.ask(world.actor("owner"))
    due.work(world.id, due.LONG_QUEUE)
    with company(world.id):
        row, file = exports.fetch(world.actor("owner"), asked.id)
        return zipfile.ZipFile(BytesIO(file.read())), row


def manifest_of(archive: zipfile.ZipFile) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(archive.read("manifest.json"))
    return found


def lines(archive: zipfile.ZipFile, table: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in archive.read(f"tables/{table}.jsonl").splitlines()]


def test_every_member_has_the_digest_that_the_manifest_tells_and_the_manifest_its_own(world: World) -> None:
    archive, row = archive_of(world)
    told = manifest_of(archive)
    assert hashlib.sha256(archive.read("manifest.json")).hexdigest() == row.manifest_digest
    assert {one["name"] for one in told["members"]} | {"manifest.json"} == set(archive.namelist())
    for one in told["members"]:
        data = archive.read(one["name"])
        assert (len(data), hashlib.sha256(data).hexdigest()) == (one["size"], one["sha256"])
        if one.get("table"):
            assert data.count(b"\n") == one["rows"]
    with company(world.id):
        assert row.row_count == sum(one.get("rows", 0) for one in told["members"])
        event = Event.objects.get(verb="company.exported")
        assert event.data["manifest"] == row.manifest_digest


def test_every_row_of_every_table_is_there_and_fits_the_schema_of_its_table(world: World) -> None:
    archive, _ = archive_of(world)
    told, empty = manifest_of(archive), []
    for table in tables.tables():
        found = lines(archive, table.name)
        check = jsonschema.Draft202012Validator(told["schemas"][table.name])
        for one in found:
            check.validate(one)
        with company(world.id):
            count = table.model.objects.count()  # type: ignore[attr-defined]
        late = {"jobs.Event", "jobs.EventPosition", "jobs.UnnumberedEvent", "jobs.DueWork"}
        if table.label not in late:  # the export itself added to these
            assert len(found) == count, table.label
        empty += [] if found else [table.label]
    assert "measurements.Reading" not in empty
    assert "reports.IssuedFile" not in empty
    assert "measurements.Photo" not in empty


def test_figures_texts_moments_and_bytes_are_exact(world: World) -> None:
    odd = 0.1 + 0.2, 5e-324, 1.7976931348623157e308, -0.0, 123456789.12345679
    with company(world.id):
        session = Session.objects.first()
        for value in odd:
            Reading.objects.create(
                session=session, quantity="pressure", value=value, entered="½ \"\\\n \U0001f300", unit="Pa",
                taken_at=timezone.now(),
            )  # fmt: skip
    archive, _ = archive_of(world)
    readings = {one["id"]: one for one in lines(archive, "measurements_reading")}
    with company(world.id):
        for row in Reading.objects.all():
            one = readings[str(row.id)]
            assert repr(float(one["value"])) == repr(row.value)
            assert one["entered"] == row.entered
            assert one["taken_at"].endswith("+00:00")
            assert datetime.fromisoformat(one["taken_at"]) == row.taken_at
        for batch in Batch.objects.all():
            (one,) = [o for o in lines(archive, "measurements_batch") if o["id"] == str(batch.id)]
            body = base64.b64decode(one["body"])
            assert body == bytes(batch.body)
            assert hashlib.sha256(zlib.decompress(body)).hexdigest() == batch.body_digest
        for session in Session.objects.all():
            (one,) = [o for o in lines(archive, "measurements_session") if o["id"] == str(session.id)]
            assert one["content"] == session.content


def test_files_are_there_byte_for_byte(world: World) -> None:
    archive, row = archive_of(world)
    with company(world.id):
        file = IssuedFile.objects.get()
    assert hashlib.sha256(archive.read(f"files/{file.name}")).hexdigest() == file.sha256
    kinds = {name.split("/")[1] for name in archive.namelist() if name.startswith("files/")}
    assert {"reports", "photos"} <= kinds
    assert (row.file_count, row.missing_count) == (
        len([name for name in archive.namelist() if name.startswith("files/")]),
        0,
    )


def test_a_file_that_was_lost_or_altered_is_told_and_stops_nothing(world: World) -> None:
    from django.core.files.storage import default_storage

    with company(world.id):
        name = IssuedFile.objects.get().name
    with default_storage.open(name, "ab") as file:
        file.write(b"x")
    archive, row = archive_of(world)
    assert [(one["name"], one["what"]) for one in manifest_of(archive)["lost"]] == [(name, "altered")]
    assert row.missing_count == 1


def test_H6_no_secret_leaves_with_an_export(world: World) -> None:
    """Neither a hash of a token nor a private key, by value and by name."""
    with company(world.id):
        secrets = [
            bytes(getattr(row, column))
            for label, column in (one.rsplit(".", 1) for one in tables.SECRETS)
            if column != "seal"
            for row in tables.by_label()[label].model.objects.all()  # type: ignore[attr-defined]
        ]
        users = [user.password for user in world.users.values()]
        assert SigningCertificate.objects.count() == 1
    assert len(secrets) > 4
    archive, _ = archive_of(world)
    everything = b"".join(archive.read(name) for name in archive.namelist())
    for secret in secrets:
        assert secret.hex().encode() not in everything
        assert base64.b64encode(secret) not in everything
    assert not [one for one in users if one.encode() in everything]
    assert world.key_text.encode() not in everything
    named = {one["what"] for one in manifest_of(archive)["left_out"]}
    assert set(tables.SECRETS) | set(tables.LEFT_OUT_TABLES) <= named


def test_every_column_that_sounds_secret_is_on_one_of_the_lists() -> None:
    """A new column with a secret must be left out of exports; one that only sounds so says why not."""
    left = set()
    for model in tables.every_model():
        if model._meta.label in tables.LEFT_OUT_TABLES or model._meta.app_label == "probe":
            continue
        left |= {
            f"{model._meta.label}.{field.name}"
            for field in model._meta.concrete_fields
            if SOUNDS_SECRET.search(field.name) and not field.is_relation
        }
    assert left == set(tables.SECRETS) | set(tables.NO_SECRETS)
    for reason in [*tables.SECRETS.values(), *tables.NO_SECRETS.values(), *tables.LEFT_OUT_TABLES.values()]:
        assert len(reason) > 12


def test_B12_nothing_of_another_company_is_in_it(world: World) -> None:
    other = factories.make_world(factories.SECOND)
    archive, _ = archive_of(world)
    everything = b"".join(archive.read(name) for name in archive.namelist())
    assert str(world.id).encode() in everything
    assert str(other.id).encode() not in everything
    assert other.job.title.encode() in everything  # worlds are alike …
    for one in (other.job.id, other.owner.id, other.site.id, other.instruments["hood"].id):
        assert str(one).encode() not in everything  # … but for their ids


def test_it_is_of_one_moment_while_others_write(world: World, tmp_path: Path) -> None:
    """Rows that come while it is written are in none of its tables."""
    from tests.database import owner_connection

    seen: list[int] = []

    def meanwhile() -> None:
        if not seen:
            with owner_connection(autocommit=True) as other:
                other.execute(f"SET app.company = '{world.id}'")
                other.execute(
                    "INSERT INTO jobs_counter (company_id, id, series, value)"
                    " VALUES (%s, gen_random_uuid(), 'later', 1)",
                    [world.id],
                )
        seen.append(1)

    with company_var(world.id):
        write.write(tmp_path / "one.zip", meanwhile)
    assert len(seen) > 5
    with zipfile.ZipFile(tmp_path / "one.zip") as archive:
        assert "later" not in {one["series"] for one in lines(archive, "jobs_counter")}


def test_asked_twice_it_is_made_once(world: World) -> None:
    with company(world.id):
        owner = world.actor("owner")
        assert exports.ask(owner).id == exports.ask(owner).id
        assert exports.state_of(CompanyExport.objects.get()) == "making"
        with pytest.raises(Conflict):
            exports.fetch(owner, CompanyExport.objects.get().id)
    due.work(world.id, due.LONG_QUEUE)
    with company(world.id):
        assert exports.state_of(CompanyExport.objects.get()) == "ready"


def test_it_ends_and_each_fetch_is_logged(world: World) -> None:
    _, row = archive_of(world)
    with company(world.id):
        owner = world.actor("owner")
        told = Event.objects.get(verb="company.export_fetched")
        assert (told.member_id, told.subject_id) == (world.owner.id, row.id)
        assert exports.take_away_old(timezone.now()) == 0
        CompanyExport.objects.update(expires_at=timezone.now())
        with pytest.raises(NotFound):
            exports.fetch(owner, row.id)
        assert exports.take_away_old(timezone.now()) == 1
        assert exports.state_of(CompanyExport.objects.get()) == "gone"
        assert CompanyExport.objects.get().manifest_digest == row.manifest_digest


def test_F1_what_a_killed_worker_stored_and_did_not_tell_of_is_taken_away_after_a_day(world: World) -> None:
    _, row = archive_of(world)
    left = default_storage.save(f"exports/{world.id}/{row.id}-{uuid7()}.zip", ContentFile(b"whole company"))
    with company(world.id):
        assert exports.take_away_old(timezone.now() + timedelta(hours=23)) == 0
        assert exports.take_away_old(timezone.now() + timedelta(hours=25)) == 1
    assert not default_storage.exists(left)
    assert default_storage.exists(row.stored)


@pytest.mark.parametrize("role", ["dispatcher", "technician", "supervisor"])
def test_only_owners_ask_and_fetch(world: World, role: str) -> None:
    _, row = archive_of(world)
    with company(world.id):
        for act in (lambda: exports.ask(world.actor(role)), lambda: exports.fetch(world.actor(role), row.id)):
            with pytest.raises(Forbidden):
                act()


def test_the_doors(world: World) -> None:
    owner, other = signed_in(world), signed_in(factories.make_world(factories.SECOND))
    answer = owner.post("/company/exports", {})
    assert answer.status_code == 202
    place = f"/company/exports/{answer.json()['id']}"
    assert answer["Location"].endswith(place)
    assert_problem(owner.get(f"{place}/file"), 409)
    due.work(world.id, due.LONG_QUEUE)
    told = owner.get(place).json()
    assert told["state"] == "ready"
    file = b"".join(owner.get(f"{place}/file").streaming_content)
    assert (
        hashlib.sha256(zipfile.ZipFile(BytesIO(file)).read("manifest.json")).hexdigest()
        == (told["manifest_digest"])
    )
    for address in (place, f"{place}/file"):
        assert_problem(other.get(address), 404)


def test_the_command_writes_it_and_prints_the_digest(world: World, tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "company.zip"
    call_command("export_company", str(world.id), str(path))
    out = capsys.readouterr().out
    with zipfile.ZipFile(path) as archive:
        assert hashlib.sha256(archive.read("manifest.json")).hexdigest() in out
    with company(world.id):
        assert CompanyExport.objects.get().removed_at is not None


def test_a_killed_worker_leaves_no_half_export(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    with company(world.id):
        exports.ask(world.actor("owner"))

    def dies(*_: object) -> None:
        raise RuntimeError("killed")

    with monkeypatch.context() as patched:
        patched.setattr(exports, "_finish", dies)
        due.work(world.id, due.LONG_QUEUE)
    with company(world.id):
        row = CompanyExport.objects.get()
        assert (row.finished_at, row.stored) == (None, "")
        assert not default_storage.exists(f"exports/{world.id}") or (
            default_storage.listdir(f"exports/{world.id}")[1] == []
        )
        connection.cursor().execute(
            "UPDATE jobs_duework SET due_at = now() WHERE company_id = %s", [world.id]
        )
    due.work(world.id, due.LONG_QUEUE)
    with company(world.id):
        assert CompanyExport.objects.get().finished_at is not None
        assert events.chain_head()[0] > 0
