"""Whoever changes stored evidence behind the service is found out, the row named."""

import copy
import re
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from functools import cache
from io import StringIO
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command
from django.db import connection
from django.utils import timezone

from jobs import anchors, events
from jobs.instruments import Point, enter_certificate
from jobs.models import CertificatePoint, Event, EventPosition, Quantity, UnnumberedEvent
from jobs.tenancy.context import company, company_var
from measurements.calc import air
from measurements.models import Batch, Flag, FlagAnswer, Reading, Result, Session
from reports import evidence
from reports.models import Issue, IssuedFile, Revision
from tests import factories
from tests.database import Kept, empty_database, owner_connection
from tests.factories import World
from tests.measurements import batches
from tests.reports import scene

pytestmark = pytest.mark.django_db(transaction=True)
LOW = {"s1": "95.0", "s2": "95.0", "s3": "70.0"}


@cache
def issued() -> tuple[World, Kept, dict[Path, bytes]]:
    """An issued job of one company, all its events numbered; certificates entered by the action.

    Its rows and the files of its reports are kept, to be put back for each test.
    """
    made = factories.make_world()
    scene.measured(made, **LOW)
    scene.whole(made)
    scene.issued(made)
    scene.whole(made)
    with company(made.id):
        paths = [Path(default_storage.path(file.name)) for file in IssuedFile.objects.all()]
    return made, Kept(made.id), {path: path.read_bytes() for path in paths}


@pytest.fixture(scope="module", autouse=True)
def _kept() -> Iterator[None]:
    yield
    if issued.cache_info().currsize:
        issued()[1].drop()
        issued.cache_clear()


@pytest.fixture
def world() -> World:
    """What was issued, as it was."""
    made, kept, files = issued()
    empty_database()
    kept.put_back()
    for path, content in files.items():
        path.unlink(missing_ok=True)
        path.write_bytes(content)
    return copy.deepcopy(made)


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


def test_G4_every_edit_of_a_superuser_is_found_and_the_row_named(world: World) -> None:
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


def test_a_file_that_is_gone_and_one_whose_place_is_none_are_findings(world: World) -> None:
    with company(world.id):
        file = IssuedFile.objects.get()
    Path(default_storage.path(file.name)).unlink()
    named = f"reports_issuedfile {file.id}: issued file "
    assert found(world) == [f"{named}the file is missing from the storage"]
    tamper(world, "UPDATE reports_issuedfile SET name = '../../elsewhere' WHERE id = %s", file.id)
    [told] = found(world)
    assert told.startswith(named)


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


def verify(*arguments: str) -> str:
    """What the command prints; it raises CommandError when something does not hold."""
    out = StringIO()
    try:
        call_command("verify_evidence", *arguments, stdout=out)
    except CommandError as error:
        raise CommandError(out.getvalue(), returncode=error.returncode) from error
    return out.getvalue()


def test_G4_a_cut_tail_shows_by_the_anchor_alone(world: World, settings: Any, tmp_path: Path) -> None:
    """Every link that is left holds; only what was written down elsewhere tells."""
    settings.ANCHOR_FILE = tmp_path / "anchors.jsonl"
    with company_var(world.id):
        anchors.write()
    with company(world.id):
        last, _ = events.chain_head()
        gone = EventPosition.objects.get(number=last)
        kept = EventPosition.objects.get(number=last - 1)
        assert gone.event.verb == "report.rendered"
    with owner_connection() as owner:
        unguarded(owner, world)
        owner.execute("DELETE FROM reports_issuedfile WHERE id = %s", [gone.event.data["file"]])
        owner.execute("DELETE FROM jobs_eventposition WHERE number = %s", [last])
        owner.execute("DELETE FROM jobs_event WHERE id = %s", [gone.event_id])
        owner.execute("UPDATE jobs_chainhead SET number = %s, mac = %s", [last - 1, bytes(kept.mac)])
    told = found(world)
    assert told == [
        f"jobs_eventposition {last - 1}: the chain ends here, but the anchor of "
        f"{timezone.now().date()} saw {last}"
    ]
    settings.ANCHOR_FILE = tmp_path / "none.jsonl"
    assert found(world) == []
    assert "a tail that was cut can't be seen" in verify()


def test_the_head_in_an_approved_snapshot_shows_a_cut_too(world: World) -> None:
    with company(world.id):
        head = evidence.snapshot_heads()[-1]
        kept = EventPosition.objects.get(number=head.number - 1)
    with owner_connection() as owner:
        unguarded(owner, world)
        owner.execute("DELETE FROM jobs_eventposition WHERE number >= %s", [head.number])
        owner.execute("UPDATE jobs_chainhead SET number = %s, mac = %s", [kept.number, bytes(kept.mac)])
    assert any(f"{head.source} saw {head.number}" in line for line in found(world))


def test_the_first_that_does_not_hold_is_named_first(world: World) -> None:
    """In the order in which the log tells of them, whatever their tables."""
    with company(world.id):
        late, early = IssuedFile.objects.get(), Session.objects.order_by("received_at", "id").first()
    assert early is not None
    tamper(world, "UPDATE reports_issuedfile SET pages = pages + 1 WHERE id = %s", late.id)
    tamper(world, "UPDATE measurements_session SET clock_offset_s = 9 WHERE id = %s", early.id)
    with pytest.raises(CommandError) as failed:
        verify("--company", str(world.id))
    assert failed.value.returncode == 1
    lines = str(failed.value).splitlines()
    assert "2 faults, the first:" in lines[0]
    assert f"measurements_session {early.id}: session was altered" in lines[1]
    assert f"reports_issuedfile {late.id}: issued file was altered" in lines[2]


def test_since_looks_at_what_the_log_tells_since(world: World) -> None:
    with company(world.id):
        row = Session.objects.order_by("received_at", "id").first()
    assert row is not None
    tamper(world, "UPDATE measurements_session SET note = 'x' WHERE id = %s", row.id)
    with pytest.raises(CommandError):
        verify("--since", "2020-01-01")
    assert "whole" in verify("--since", (timezone.now() + timedelta(days=1)).date().isoformat())


def test_what_arrives_while_it_looks_is_no_fault(world: World) -> None:
    """One snapshot of the database: a session posted meanwhile is neither altered nor slipped in."""
    with evidence.one_snapshot(world.id):
        stream = evidence.faults()
        before = Session.objects.count()
        thread = threading.Thread(target=arrive, args=(world,))
        thread.start()
        thread.join()
        assert list(stream) == []
        assert Session.objects.count() == before
    assert found(world) == []


def arrive(world: World) -> None:
    scene.post(world, batches.hood(world, "S-1", "90.0"))
    with company(world.id):
        events.sequence()
    connection.close()


def test_rows_without_a_number_yet_are_checked_and_counted(world: World) -> None:
    scene.post(world, batches.hood(world, "S-1", "90.0"))
    assert "  2 events have no number yet: their rows were checked" in verify("--company", str(world.id))
    with company(world.id):
        newest = Session.objects.latest("received_at")
    tamper(world, "UPDATE measurements_session SET note = 'x' WHERE id = %s", newest.id)
    assert any(str(newest.id) in line for line in found(world))


def test_what_waits_for_a_number_is_held_against_the_log(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    nobody = uuid4()
    with company(world.id):
        numbered = EventPosition.objects.order_by("number")[0].event_id
        scene.post(world, batches.hood(world, "S-1", "90.0"))
        waiting = set(UnnumberedEvent.objects.values_list("id", flat=True))
    for one in (numbered, nobody):
        add = "INSERT INTO jobs_unnumberedevent (company_id, id, at, seal) VALUES (%s, %s, now(), '')"
        tamper(world, add, world.id, one)
    told = set(found(world))
    assert told == {
        f"jobs_unnumberedevent {numbered}: waits for a number although it has one",
        f"jobs_unnumberedevent {nobody}: waits for a number, but its event is missing",
    }
    monkeypatch.setattr(evidence, "LATE", timedelta(days=-1))
    late = {f"jobs_event {one}: waits for a number that later events have" for one in waiting}
    assert set(found(world)) == told | late


def test_events_that_changed_places_are_told_apart_from_altered_ones(world: World) -> None:
    with company(world.id):
        one, other = EventPosition.objects.order_by("number")[2:4]
    for number, event in ((one.number, uuid4()), (other.number, one.event_id), (one.number, other.event_id)):
        tamper(world, "UPDATE jobs_eventposition SET event_id = %s WHERE number = %s", event, number)
    words = f"is reordered: {one.event_id} belongs here, not {other.event_id}"
    assert any(words in line for line in found(world)), found(world)


def test_an_event_that_lost_its_digest_is_named(world: World) -> None:
    with company(world.id):
        event = Event.objects.filter(verb="session.stored").first()
    assert event is not None
    tamper(world, "UPDATE jobs_event SET content_digest = '', data = data - 'row' WHERE id = %s", event.id)
    assert any(f"has no digest in its event {event.id}" in line for line in found(world))


def test_an_event_that_says_nonsense_is_a_finding_not_a_failure(world: World) -> None:
    with company(world.id):
        told = list(Event.objects.filter(verb="session.evaluated").values_list("id", flat=True)[:4])
    for event, data in zip(told, ('"text"', "[]", "{}", '{"result": 7}'), strict=True):
        tamper(world, "UPDATE jobs_event SET data = %s::jsonb WHERE id = %s", data, event)
    assert len([line for line in found(world) if "was altered" in line]) >= 4


def test_results_are_computed_again_when_asked(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "whole" in verify("--recompute")
    monkeypatch.setattr(air, "_CIPM", replace(air._CIPM, relative_u=air._CIPM.relative_u * 30))
    assert "whole" in verify()
    with pytest.raises(CommandError) as failed:
        verify("--recompute")
    assert re.search(r"its inputs give other figures: \w+ is stored as 0\.", str(failed.value))


def test_a_batch_of_which_nothing_was_stored_is_evidence(world: World) -> None:
    batches.post(world, batches.hood(world, "S-1", "90.0", job=str(uuid4())))
    with company(world.id):
        refused = Batch.objects.latest("received_at")
        while events.sequence():
            pass
    assert found(world) == []
    tamper(world, "UPDATE measurements_batch SET outcomes = '[]' WHERE id = %s", refused.id)
    (line,) = found(world)
    assert f"measurements_batch {refused.id}: batch was altered" in line


def test_a_json_value_has_one_digest_before_and_after_it_is_stored(world: World) -> None:
    with company(world.id):
        flag = Flag.objects.first()
        assert flag is not None
        for n, value in enumerate((1e16, 1.5e300, -0.0, 1, 5e-324, 0.1, True, None, "e+", [1.0, [2e20]])):
            flag.pk, flag.data, flag.basis_digest = uuid4(), {"seen": value}, f"{n:064d}"
            flag.save(force_insert=True)
            assert events.row_digest(Flag.objects.get(id=flag.pk)) == events.row_digest(flag), value
