"""The removal of a whole company: asked for in words, exported, fetched, waited for; then nothing is left."""

from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg
import pytest
from django.conf import LazySettings
from django.core import mail as sent
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import DatabaseError, connection, transaction

from jobs import due, events
from jobs.access import actor_for_token, actor_for_user
from jobs.errors import Conflict, Forbidden, Invalid
from jobs.models import (
    Affiliation,
    Company,
    CompanyExport,
    DueWork,
    Event,
    Removal,
    RemovalKind,
    Tombstone,
    User,
)
from jobs.tenancy.audit import faults as catalogue_faults
from jobs.tenancy.context import company, company_var
from jobs.tenancy.ids import uuid7
from measurements.models import Reading
from reports import evidence, exports, removal
from reports.archive import tables
from tests import factories
from tests.archive import house
from tests.database import owner_connection
from tests.factories import World

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def world(settings: LazySettings) -> World:
    return house.furnished(settings)


def actor(world: World) -> Any:
    with company(world.id):
        return world.actor("owner")


def exported(world: World, fetched: bool = True) -> CompanyExport:
    with company(world.id):
        asked = exports.ask(world.actor("owner"))
    due.work(world.id, due.LONG_QUEUE)
    if fetched:
        with company(world.id):
            exports.fetch(world.actor("owner"), asked.id)[1].close()
    numbered(world)
    return asked


def numbered(world: World) -> None:
    with company(world.id):
        while events.sequence():
            pass


def asked(world: World, export: CompanyExport | None = None) -> removal.Standing:
    export = export or exported(world)
    with company(world.id):
        made = removal.ask(world.actor("owner"), export_id=export.id, name=world.company.name)
    numbered(world)
    return made


def days_pass(world: World) -> None:
    """As if the request had been made three weeks ago; nobody but the database's owner can do that."""
    with owner_connection(autocommit=True) as owner:
        owner.execute("SET session_replication_role = replica")
        owner.execute(f"SET app.company = '{world.id}'")
        owner.execute(
            "UPDATE jobs_removal SET at = at - interval '21 days', due_at = due_at - interval '21 days'"
        )
        owner.execute("UPDATE jobs_duework SET due_at = now() WHERE kind = 'removal'")


def rows_of(company_id: UUID) -> dict[str, int]:
    with company(company_id):
        return {m._meta.label: m.objects.count() for m in tables.every_model()}  # type: ignore[attr-defined]


def files_of(company_id: UUID) -> list[Path]:
    rooms = ("reports", "photos", "certificates", "exports")
    places = [Path(default_storage.path(f"{room}/{company_id}")) for room in rooms]
    return [path for place in places for path in place.rglob("*") if path.is_file()]


def test_after_its_days_nothing_is_left_but_the_tombstone(world: World, settings: LazySettings) -> None:
    other = house.furnished(settings, factories.SECOND)
    before, other_files = rows_of(other.id), files_of(other.id)
    both = User.objects.get(id=world.users["dispatcher"].id)
    Affiliation.objects.create(user=both, company_ref=other.id)
    export = exported(world)
    asked(world, export)
    with company(world.id):
        digest = CompanyExport.objects.get().manifest_digest
    days_pass(world)
    for left in (f"exports/{world.id}/half.zip", f"reports/{world.id}/{uuid7()}/{'0' * 64}.pdf"):
        default_storage.save(left, ContentFile(b"stored by a worker that was killed before it wrote a row"))
    assert files_of(world.id)
    due.work(world.id, due.LONG_QUEUE)
    assert set(rows_of(world.id).values()) == {0}
    assert files_of(world.id) == []
    assert rows_of(other.id) == before
    assert files_of(other.id) == other_files
    with company(other.id):
        assert list(evidence.faults()) == []
    stone = Tombstone.objects.get()
    export_row = (stone.company_ref, stone.asked_by, stone.head_number > 0)
    assert export_row == (world.id, world.owner.id, True)
    assert stone.manifest_digest == digest
    assert stone.row_count > 200
    mails = [world.users[role].email for role in ("owner", "technician", "supervisor")]
    assert not User.objects.filter(email__in=mails).exists()
    assert User.objects.filter(id=both.id).exists()
    assert catalogue_faults() == []


def test_before_its_days_nothing_happens_and_it_can_be_taken_back(world: World) -> None:
    made = asked(world)
    assert (made.due_at - made.request.at).days == removal.DAYS
    before = rows_of(world.id)
    due.work(world.id, due.LONG_QUEUE)
    assert rows_of(world.id) == before
    with company(world.id):
        with pytest.raises(Conflict, match="already"):
            removal.ask(world.actor("owner"), export_id=made.request.export_id, name=world.company.name)
        removal.withdraw(world.actor("owner"))
        assert removal.standing(world.actor("owner")) is None
    days_pass(world)
    due.work(world.id, due.LONG_QUEUE)
    left = rows_of(world.id)
    assert left["measurements.Reading"] == before["measurements.Reading"]
    with company(world.id):
        assert not DueWork.objects.filter(kind="removal").exists()
        told = [Event.objects.get(verb=f"company.removal_{what}") for what in ("asked", "withdrawn")]
        assert {one.member_id for one in told} == {world.owner.id}


def test_what_happens_after_the_export_stops_it(world: World) -> None:
    """Work that nobody exported is never removed; who asked is told."""
    asked(world)
    with company(world.id):
        events.record(world.actor("owner"), "job.changed", "job", world.job.id)
    numbered(world)
    days_pass(world)
    before = rows_of(world.id)
    due.work(world.id, due.LONG_QUEUE)
    assert rows_of(world.id)["measurements.Session"] == before["measurements.Session"]
    with company(world.id):
        told = Event.objects.get(verb="company.removal_withdrawn")
        assert "since" in told.data["why"]
        assert not DueWork.objects.filter(kind="removal").exists()
        assert removal.standing(world.actor("owner")) is None
        assert actor_for_user(world.users["owner"].id) is not None
    due.work(world.id)
    assert any("taken back" in one.body for one in sent.outbox)


def test_it_needs_the_name_an_export_of_everything_and_that_it_was_fetched(world: World) -> None:
    owner, name = factories_owner(world), world.company.name
    unfetched = exported(world, fetched=False)
    with company(world.id), pytest.raises(Conflict, match="nobody fetched"):
        removal.ask(owner, export_id=unfetched.id, name=name)
    fetched = exported(world)
    with company(world.id):
        for typed in ("", name.lower(), name + "s"):
            with pytest.raises(Invalid):
                removal.ask(owner, export_id=fetched.id, name=typed)
        for role in ("dispatcher", "technician", "supervisor"):
            with pytest.raises(Forbidden):
                removal.ask(world.actor(role), export_id=fetched.id, name=name)
        events.record(owner, "job.changed", "job", world.job.id)
        with pytest.raises(Conflict, match="since it was made"):
            removal.ask(owner, export_id=fetched.id, name=name)
        assert not Removal.objects.exists()


def factories_owner(world: World) -> Any:
    with company(world.id):
        return world.actor("owner")


def test_the_export_that_is_enough_is_named_and_one_not_made_yet_is_none(world: World) -> None:
    owner = actor(world)
    with company(world.id):
        assert removal.usable(owner) is None
        waiting = exports.ask(owner)
        with pytest.raises(Conflict, match="not made yet"):
            removal.ask(owner, export_id=waiting.id, name=world.company.name)
    due.work(world.id, due.LONG_QUEUE)
    with company(world.id):
        exports.fetch(owner, waiting.id)[1].close()
    numbered(world)
    with company(world.id):
        found = removal.usable(owner)
    assert found is not None
    assert found.id == waiting.id


def test_what_has_begun_is_not_taken_back(world: World) -> None:
    made = asked(world)
    owner = actor(world)
    with company(world.id):
        Removal.objects.create(kind=RemovalKind.BEGUN, request=made.request)
        with pytest.raises(Conflict, match="has begun"):
            removal.withdraw(owner)
        assert not Event.objects.filter(verb="company.removal_withdrawn").exists()


def test_everybody_is_shut_out_when_it_begins(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """And a worker that dies midway is followed by one that goes on."""
    asked(world)
    days_pass(world)
    kept, calls = removal._remove_rows, []

    def dies(table: str) -> int:
        calls.append(table)
        if len(calls) == 6:
            raise RuntimeError("killed")
        return kept(table)

    monkeypatch.setattr(removal, "_remove_rows", dies)
    due.work(world.id, due.LONG_QUEUE)
    with company(world.id):
        assert actor_for_user(world.users["owner"].id) is None
        assert actor_for_token(world.key_text) is None
        assert Company.objects.exists()
        connection.cursor().execute(
            "UPDATE jobs_duework SET due_at = now() WHERE company_id = %s", [world.id]
        )
    due.work(world.id, due.LONG_QUEUE)
    assert set(rows_of(world.id).values()) == {0}


def test_a_worker_whose_lease_has_passed_begins_nothing(world: World) -> None:
    asked(world)
    days_pass(world)
    with company_var(world.id):
        late = due.claim([removal.REMOVE])
        assert late is not None
        with company(world.id):
            DueWork.objects.filter(id=late.id).update(lease_id=uuid7())  # another has taken it over
        with pytest.raises(due.LeaseLost):
            removal.run(late)
    with company(world.id):
        assert not Removal.objects.filter(kind=RemovalKind.BEGUN).exists()
        assert actor_for_user(world.users["owner"].id) is not None


def test_small_batches_remove_rows_that_point_at_one_another(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked(world)
    days_pass(world)
    monkeypatch.setattr(removal, "BATCH", 2)
    due.work(world.id, due.LONG_QUEUE)
    assert set(rows_of(world.id).values()) == {0}


# The narrow way: what the database itself refuses


def call(world: World, statement: str, *values: object) -> None:
    with company(world.id), connection.cursor() as cursor:
        cursor.execute(statement, list(values))


def remove_rows(world: World, table: str) -> None:
    call(world, "SELECT remove_company_rows(%s, %s, 10)", world.id, table)


def test_the_function_removes_nothing_without_a_request_that_is_due(world: World) -> None:
    before = rows_of(world.id)
    for act in (
        lambda: remove_rows(world, "measurements_reading"),
        lambda: call(world, "SELECT remove_company(%s, gen_random_uuid(), 1)", world.id),
    ):
        with pytest.raises(DatabaseError, match="no removal of this company is due"):
            act()
    asked(world)
    with pytest.raises(DatabaseError, match="no removal of this company is due"):
        remove_rows(world, "measurements_reading")
    assert rows_of(world.id)["measurements.Reading"] == before["measurements.Reading"]


def test_nobody_who_writes_rows_can_make_a_request_that_is_due(world: World) -> None:
    """The serving role may insert a request with any moment: the database puts its own."""
    with company(world.id):
        export = CompanyExport.objects.create(asked_at="2026-01-01T00:00Z")
        row = Removal.objects.create(
            kind="asked", export=export, at="2026-01-01T00:00Z", due_at="2026-01-15T00:00Z"
        )
        row.refresh_from_db()
        assert (row.due_at - row.at).days == 14
        for change in ("UPDATE jobs_removal SET due_at = at WHERE company_id = %s",
                       "DELETE FROM jobs_removal WHERE company_id = %s"):  # fmt: skip
            with pytest.raises(DatabaseError), transaction.atomic():
                connection.cursor().execute(change, [world.id])
    with pytest.raises(DatabaseError, match="no removal of this company is due"):
        remove_rows(world, "measurements_reading")


def test_one_companys_request_opens_no_other_company(world: World, settings: LazySettings) -> None:
    other = factories.make_world(factories.SECOND)
    asked(world)
    days_pass(world)
    with pytest.raises(DatabaseError, match="no removal of this company is due"):
        remove_rows(other, "jobs_certificate")
    with pytest.raises(DatabaseError, match="no removal of this company is due"):
        call(world, "SELECT remove_company_rows(%s, %s, 10)", other.id, "jobs_counter")
    before = rows_of(other.id)
    remove_rows(world, "jobs_counter")
    assert rows_of(other.id) == before


def test_tables_that_are_not_companies_are_refused(world: World) -> None:
    asked(world)
    days_pass(world)
    for table in (
        "jobs_user",
        "jobs_tombstone",
        "jobs_removal",
        "pg_class",
        "jobs_site; DROP",
    ):
        with pytest.raises(DatabaseError, match="not a table of companies"):
            remove_rows(world, table)


def test_even_then_only_the_function_may_delete_evidence(world: World) -> None:
    """Not the serving role by itself, and neither role may update or truncate."""
    asked(world)
    days_pass(world)
    with pytest.raises(DatabaseError):
        call(world, "DELETE FROM measurements_reading WHERE company_id = %s", world.id)
    with owner_connection() as owner:
        owner.execute(f"SET app.company = '{world.id}'")
        for statement in (
            "UPDATE measurements_reading SET value = 0",
            "TRUNCATE measurements_reading CASCADE",
        ):
            with pytest.raises(psycopg.Error, match="append-only"), owner.transaction():
                owner.execute(statement)
    with company(world.id):
        assert Reading.objects.exists()


def test_the_owner_of_the_database_may_not_delete_evidence_of_a_company_that_stays(world: World) -> None:
    with owner_connection() as owner:
        owner.execute(f"SET app.company = '{world.id}'")
        with pytest.raises(psycopg.Error, match="append-only"), owner.transaction():
            owner.execute("DELETE FROM measurements_reading")


def test_the_tombstone_stays(world: World) -> None:
    asked(world)
    days_pass(world)
    due.work(world.id, due.LONG_QUEUE)
    for statement in ("DELETE FROM jobs_tombstone", "UPDATE jobs_tombstone SET row_count = 0"):
        with pytest.raises(DatabaseError), connection.cursor() as cursor:
            cursor.execute(statement)
        with pytest.raises(psycopg.Error, match="append-only"), owner_connection() as owner:
            owner.execute(statement)
