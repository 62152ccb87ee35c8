"""Whoever changes stored evidence behind the service is found out, the row named."""

from collections.abc import Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command

from jobs.instruments import Point, enter_certificate
from jobs.models import CertificatePoint, Event, EventPosition, Quantity
from jobs.tenancy.context import company
from measurements.models import FlagAnswer, Reading, Result, Session
from reports import evidence
from reports.models import Issue, IssuedFile, Revision
from tests import factories
from tests.database import owner_connection
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

pytestmark = pytest.mark.django_db(transaction=True)
LOW = {"s1": "95.0", "s2": "95.0", "s3": "70.0"}


@pytest.fixture
def world() -> World:
    """An issued job of one company, all its events numbered; certificates entered by the action."""
    made = factories.make_world()
    scene.measured(made, **LOW)
    scene.issued(made)
    scene.whole(made)
    return made


def found(world: World) -> list[str]:
    with company(world.id):
        return [str(fault) for fault in evidence.faults()]


def unguarded(connection: psycopg.Connection[Any], world: World) -> None:
    """As one may who holds the database: triggers off, row security satisfied."""
    connection.execute("SET session_replication_role = replica")
    connection.execute(f"SET app.company = '{world.id}'")


def tamper(world: World, statement: str, *values: object) -> None:
    with owner_connection() as connection:
        unguarded(connection, world)
        changed = connection.execute(statement, values)
        assert changed.rowcount == 1, statement


def test_untouched_evidence_is_whole(world: World) -> None:
    assert found(world) == []
    out = StringIO()
    call_command("verify_evidence", stdout=out)
    assert "whole" in out.getvalue()


def edits(world: World) -> Iterator[tuple[str, str, tuple[object, ...]]]:
    """What a superuser might change, with the row that must be named."""
    with company(world.id):
        session = Session.objects.filter(method="pitot_traverse").first()
        reading = Reading.objects.filter(session=session).first()
        result = Result.objects.first()
        answer = FlagAnswer.objects.filter(member__isnull=False).first()
        revision, made, file = Revision.objects.get(), Issue.objects.get(), IssuedFile.objects.get()
        point = CertificatePoint.objects.first()
        other = world.supervisor.id
        log = Event.objects.filter(verb="job.approved").get()
        number = str(EventPosition.objects.get(event=log).number)
    yield str(session.id), "UPDATE measurements_reading SET value = value + 0.1 WHERE id = %s", (reading.id,)
    yield str(session.id), "UPDATE measurements_session SET note = 'x' WHERE id = %s", (session.id,)
    yield str(session.id), "UPDATE measurements_session SET member_id = %s WHERE id = %s", (other, session.id)
    yield str(session.id), "DELETE FROM measurements_reading WHERE id = %s", (reading.id,)
    yield (
        str(result.id),
        "UPDATE measurements_result SET verdict = 'pass', flow = 1 WHERE id = %s",
        (result.id,),
    )
    yield (
        str(result.id),
        'UPDATE measurements_result SET inputs = inputs || \'{"method": "hood_reading"}\' WHERE id = %s',
        (result.id,),
    )
    yield str(result.id), "DELETE FROM measurements_result WHERE id = %s", (result.id,)
    yield (
        str(answer.id),
        "UPDATE measurements_flaganswer SET reason = 'nothing to see' WHERE id = %s",
        (answer.id,),
    )
    yield str(revision.id), "UPDATE reports_revision SET revision = 7 WHERE id = %s", (revision.id,)
    yield str(made.id), "UPDATE reports_issue SET number = 'R-1999-0001' WHERE id = %s", (made.id,)
    yield str(file.id), "UPDATE reports_issuedfile SET sha256 = repeat('0', 64) WHERE id = %s", (file.id,)
    yield (
        str(point.certificate_id),
        "UPDATE jobs_certificatepoint SET as_left = as_left + 1 WHERE id = %s",
        (point.id,),
    )
    yield number, "UPDATE jobs_event SET content_digest = repeat('0', 64) WHERE id = %s", (log.id,)


def test_every_edit_of_a_superuser_is_found_and_the_row_named(world: World) -> None:
    """Each edit alone: made, found, undone."""
    for row, statement, values in edits(world):
        table = statement.split()[1 if statement.startswith("UPDATE") else 2]
        with owner_connection() as connection:
            unguarded(connection, world)
            connection.execute(f"CREATE TEMPORARY TABLE kept AS SELECT * FROM {table}")
            assert connection.execute(statement, values).rowcount == 1
            connection.commit()
            told = found(world)
            assert told, statement
            assert any(row in line for line in told), (statement, told)
            connection.execute(f"DELETE FROM {table}")
            connection.execute(f"INSERT INTO {table} SELECT * FROM kept")
            connection.execute("DROP TABLE kept")
            connection.commit()
    assert found(world) == []


def test_a_row_that_stands_in_no_event_was_slipped_in(world: World) -> None:
    with company(world.id):
        session = Session.objects.first()
    assert session is not None
    tamper(world, "UPDATE measurements_session SET id = gen_random_uuid() WHERE id = %s", session.id)
    told = found(world)
    assert any("is missing" in line and str(session.id) in line for line in told)
    assert any("slipped in" in line for line in told)


def test_a_changed_file_in_the_storage_is_found_and_the_command_fails(world: World) -> None:
    with company(world.id):
        file = IssuedFile.objects.get()
    path = Path(default_storage.path(file.name))
    path.chmod(0o600)
    path.write_bytes(path.read_bytes() + b" ")
    out = StringIO()
    with pytest.raises(CommandError):
        call_command("verify_evidence", "--company", str(world.id), stdout=out)
    assert f"reports_issuedfile {file.id}: issued file the file in the storage was altered" in out.getvalue()


def test_a_certificate_entered_by_the_action_is_whole_with_its_points() -> None:
    made = factories.make_world()
    with company(made.id):
        tool = factories.standard_instruments()["pressure"]
        row = enter_certificate(
            scene.actor(made, "owner"),
            instrument_id=tool.id,
            number="C-1",
            laboratory="Vale Calibration Laboratory",
            calibrated_on=batches.now().date().replace(day=1),
            due_on=batches.now().date().replace(year=batches.now().year + 1, day=1),
            points=[Point(Quantity.PRESSURE, 10.0, 10.1, 0.2)],
        )
        told = [str(fault) for fault in evidence.faults()]
    assert not any(str(row.id) in line for line in told)
