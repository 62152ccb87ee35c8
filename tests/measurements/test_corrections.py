"""Clerical corrections and voiding: the original stays, the corrected counts, all says who and why."""

from functools import partial
from typing import Any
from uuid import UUID

import psycopg
import pytest
from django.db import ProgrammingError, connection, transaction
from django.utils import timezone

from jobs import due
from jobs.access import actor_for_member
from jobs.errors import (
    Conflict,
    Forbidden,
    Invalid,
    NotFound,
    PreconditionFailed,
    PreconditionRequired,
)
from jobs.models import Company, Event, InstrumentKind, Job, JobStatus, Quantity, Role
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements import correct
from measurements.corrected import (
    MOST_CHANGES,
    NOTHING,
    Change,
    UnitChange,
    as_posted,
    changed,
    check,
    in_words,
)
from measurements.current import counting, current_sessions
from measurements.evidence import session_digest
from measurements.models import Correction, Flag, Reading, Result, Session, SessionVoid, Sweep
from measurements.queries import job_overviews, job_results
from measurements.worklist import worklist
from tests import factories
from tests.database import owner_connection
from tests.factories import World
from tests.measurements import batches, methods
from tests.races import at_once

WHY = "Typed in wrongly on the tablet; see the site notes."
WIDTH = Change("/plane/width", batches.amount("400", "mm"))


def supervisor(world: World) -> Any:
    return world.actor("supervisor")


def posted(world: World, session: dict[str, Any]) -> UUID:
    [outcome] = batches.post(world, session)
    assert outcome.outcome == "stored", outcome
    due.work(world.id)
    return UUID(session["id"])


def put_right(world: World, session_id: UUID, *changes: Change, **more: Any) -> Session:
    """The corrected session, evaluated."""
    with company(world.id):
        seen = more.pop("seen_digest", Session.objects.get(id=session_id).content_digest)
        actor = more.pop("actor", None) or supervisor(world)
        made = correct.correct(
            actor, session_id, seen_digest=seen, reason=WHY, changes=changes, units=more.pop("units", ())
        )
        due_session = made.session_id
    due.work(world.id)
    with company(world.id):
        return Session.objects.get(id=due_session)


def make_void(world: World, session_id: UUID, **more: Any) -> SessionVoid:
    with company(world.id):
        seen = Session.objects.get(id=session_id).content_digest
        made = correct.void(supervisor(world), session_id, seen_digest=seen, reason=WHY, **more)
    due.work(world.id)
    return made


def shown(session_id: UUID) -> list[tuple[Any, ...]]:
    """What an instrument showed, where and when: what no correction touches."""
    rows = Reading.objects.filter(session=session_id)
    names = ("run", "line", "point", "place", "quantity", "entered", "taken_at")
    return sorted(rows.values_list(*names))


def newest(session_id: UUID) -> Result:
    found = Result.objects.filter(session=session_id).order_by("-computed_at", "-id").first()
    assert found is not None
    return found


def test_a_wrong_width_is_put_right_and_the_original_stays(fine: World) -> None:
    first = posted(fine, batches.traverse(fine))
    with company(fine.id):
        before = Session.objects.get(id=first)
        rows, flow = shown(first), newest(first).flow
    began = timezone.now()
    after = put_right(fine, first, WIDTH)
    with company(fine.id):
        kept = Session.objects.get(id=first)
        assert (kept.content, kept.content_digest) == (before.content, before.content_digest)
        assert shown(first) == rows == shown(after.id)
        assert after.supersedes_id == first
        assert after.content["plane"]["width"] == {"si": 0.4, "value": "400", "unit": "mm"}
        same = ("member_id", "device_id", "batch_id", "started_at", "finished_at", "received_at", "job_id")
        assert [getattr(after, name) for name in same] == [getattr(before, name) for name in same]
        made = Correction.objects.get(session=after)
        assert made.original_id == first
        assert made.member_id == supervisor(fine).member_id != after.member_id
        assert began <= made.at <= timezone.now()
        assert after.reason == WHY
        width = {"value": "500", "unit": "mm"}
        assert made.changes == [{"path": "/plane/width", "before": width, "after": WIDTH.value}]
        assert made.summary == [{"what": "Duct, width", "before": "500 mm", "after": "400 mm"}]
        assert newest(after.id).flow == pytest.approx(0.8 * (flow or 0.0), rel=0.02)
        assert [one.id for one in counting(Session.objects.filter(job=fine.job))] == [after.id]


def test_the_unit_of_all_readings_changes_and_the_digits_stay(fine: World) -> None:
    first = posted(fine, batches.traverse(fine))
    after = put_right(fine, first, units=[UnitChange("pressure", "mm[H2O]")])
    with company(fine.id):
        assert shown(first) == shown(after.id)
        pairs = zip(
            Reading.objects.filter(session=first).order_by("run", "line", "point"),
            Reading.objects.filter(session=after).order_by("run", "line", "point"),
            strict=True,
        )
        for old, new in pairs:
            assert (old.unit, new.unit) == ("Pa", "mm[H2O]")
            assert new.value == float(new.entered) * 9.80665
        [line] = Correction.objects.get(session=after).summary
        assert line == {"what": "Unit of 50 readings of pressure", "before": "Pa", "after": "mm[H2O]"}


def test_the_unit_of_one_reading(fine: World) -> None:
    first = posted(fine, batches.hood(fine))
    after = put_right(fine, first, Change("/readings/1/unit", "m3/h"))
    with company(fine.id):
        units = Reading.objects.filter(session=after).order_by("run").values_list("unit", "value")
        assert list(units) == [("L/s", 0.089), ("m3/h", pytest.approx(89.0 / 3600.0))]


def test_the_unit_of_sweeps_is_that_of_their_samples(fine: World) -> None:
    first = posted(fine, batches.sweep(fine))
    after = put_right(fine, first, units=[UnitChange("pressure", "mm[H2O]")])
    with company(fine.id):
        old = Sweep.objects.filter(session=first).order_by("line").first()
        new = Sweep.objects.filter(session=after).order_by("line").first()
        assert new.samples == pytest.approx([9.80665 * one for one in old.samples])
        assert new.duration_s == old.duration_s


def test_only_the_unit_of_the_quantity_that_was_named_changes(fine: World) -> None:
    with company(fine.id):
        world = methods.equip(fine)
    first = posted(world, methods.fan(world))
    after = put_right(world, first, units=[UnitChange("pressure", "mm[H2O]")])
    with company(world.id):
        pairs = set(Reading.objects.filter(session=after).values_list("quantity", "unit"))
    assert pairs == {
        *(("pressure", "mm[H2O]"), ("speed", "/min")),
        *(("voltage", "V"), ("current", "A")),
    }


def test_a_unit_of_what_was_not_measured_is_refused_at_its_place(fine: World) -> None:
    first = posted(fine, batches.traverse(fine))
    with pytest.raises(Invalid) as refused:
        put_right(fine, first, units=[UnitChange("pressure", "mm[H2O]"), UnitChange("flow", "L/s")])
    assert [one.pointer for one in refused.value.faults] == ["/units/1"]


def test_too_much_at_once_is_no_correction() -> None:
    many = [Change(f"/readings/{n}/unit", "Pa") for n in range(MOST_CHANGES + 1)]
    with pytest.raises(Invalid) as refused:
        changed({"readings": []}, many)
    assert [one.pointer for one in refused.value.faults] == ["/changes"]


def test_what_was_left_out_is_put_in_and_told(fine: World) -> None:
    usual = batches.conditions()
    usual.pop("duct_static_pressure")
    first = posted(fine, batches.traverse(fine, conditions=usual))
    after = put_right(fine, first, Change("/conditions/duct_static_pressure", batches.amount("120", "Pa")))
    with company(fine.id):
        [line] = Correction.objects.get(session=after).summary
    assert line == {"what": "Duct static pressure", "before": NOTHING, "after": "120 Pa"}


def test_a_wrong_tag_moves_the_session_and_both_systems_are_looked_at(fine: World) -> None:
    first = posted(fine, batches.hood(fine, "S-1", "49.0"))
    other = str(fine.points["S-2"].id)
    after = put_right(fine, first, Change("/test_point", other))
    with company(fine.id):
        assert str(after.test_point_id) == other
        found = {one.test_point_id for one in current_sessions([fine.job.id])}
        assert found == {after.test_point_id}
        own = Flag.objects.filter(session=first)
        assert own.exists()
        assert all(flag.answers.filter(kind="cleared").exists() for flag in own)
        [line] = Correction.objects.get(session=after).summary
        assert line["before"].endswith("S-1")
        assert line["after"].endswith("S-2")


def test_another_instrument_was_used(fine: World) -> None:
    first = posted(fine, batches.hood(fine))
    with company(fine.id):
        tool = factories.instrument(
            InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 0.6, 0.0001), probe_factor=1.0
        )
    after = put_right(fine, first, Change("/instruments/hood", str(tool.id)))
    with company(fine.id):
        assert after.content["instruments"]["hood"] == str(tool.id)
        assert set(Reading.objects.filter(session=after).values_list("instrument", flat=True)) == {tool.id}
        assert session_digest(after) == after.content_digest


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ([Change("/readings/0/value", "99")], "/readings/0/value"),
        ([Change("/readings/0/taken_at", "2026-01-01T00:00:00Z")], "/readings/0/taken_at"),
        ([Change("/note", "other")], "/note"),
        ([Change("/job", str(uuid7()))], "/job"),
        ([Change("/method", "hood_reading")], "/method"),
        ([Change("/readings", [])], "/readings"),
        ([Change("/plane/width", batches.amount("500", "mm"))], "/changes"),
        ([WIDTH, WIDTH], "/plane/width"),
        ([Change("/plane/width", batches.amount("wide", "mm"))], "/plane/width/value"),
        ([Change("/plane/width", batches.amount("NaN", "mm"))], "/plane/width/value"),
        ([Change("/plane/width", None)], "/plane/width"),
        ([Change("/plane/shape", "heart")], "/plane/shape"),
        ([Change("/conditions/air_temperature", None)], "/conditions/air_temperature"),
        ([Change("/conditions/air_temperature", "warm")], "/conditions/air_temperature"),
        ([Change("/instruments/pressure", None)], "/instruments/pressure"),
        ([Change("/instruments/pressure", str(uuid7()))], "/instruments/pressure"),
        ([Change("/instruments/hood", str(uuid7()))], "/instruments/hood"),
        ([Change("/test_point", str(uuid7()))], "/test_point"),
        ([Change("/test_point", "S-1")], "/test_point"),
        ([Change("/readings/999/unit", "Pa")], "/readings/999/unit"),
        ([Change("/readings/0/unit", "parsec")], "/readings/0/unit"),
        ([Change("/readings/0/unit", 7)], "/readings/0/unit"),
        ([Change("/told/colour", "red")], "/told/colour"),
        ([Change("/plane/upstream_disturbance", "elbow\0")], ""),
    ],
)
def test_nothing_that_intake_refuses_comes_in_by_correction(
    fine: World, changes: list[Change], pointer: str
) -> None:
    first = posted(fine, batches.traverse(fine))
    with pytest.raises(Invalid) as refused:
        put_right(fine, first, *changes)
    assert pointer in [fault.pointer for fault in refused.value.faults]
    with company(fine.id):
        assert Session.objects.count() == 1
        assert not Correction.objects.exists()


@pytest.mark.parametrize("reason", ["", "too short", " " * 40, "x" * 2001])
def test_a_reason_is_needed(fine: World, reason: str) -> None:
    first = posted(fine, batches.hood(fine))
    with company(fine.id):
        seen = Session.objects.get(id=first).content_digest
        for action in (correct.correct, correct.void):
            with pytest.raises(Invalid):
                action(supervisor(fine), first, seen_digest=seen, reason=reason)


def test_only_a_supervisor_and_not_of_their_own(fine: World) -> None:
    with company(fine.id):
        both = factories.make_member(fine.id, Role.TECHNICIAN, Role.SUPERVISOR)
        own = actor_for_member(both)
    sent = batches.hood(fine)
    batches.post(fine, sent, actor=own)
    with pytest.raises(Forbidden):
        put_right(fine, UUID(sent["id"]), Change("/readings/0/unit", "m3/h"), actor=own)
    with pytest.raises(Forbidden):
        put_right(fine, UUID(sent["id"]), Change("/readings/0/unit", "m3/h"), actor=batches.technician(fine))
    with company(fine.id):
        Company.objects.update(self_approval=True)
    put_right(fine, UUID(sent["id"]), Change("/readings/0/unit", "m3/h"), actor=own)


def test_corrections_follow_one_another_and_only_the_newest_is_corrected(fine: World) -> None:
    first = posted(fine, batches.traverse(fine))
    second = put_right(fine, first, WIDTH)
    with pytest.raises(Conflict, match=str(second.id)):
        put_right(fine, first, Change("/plane/height", batches.amount("300", "mm")))
    third = put_right(fine, second.id, Change("/plane/height", batches.amount("300", "mm")))
    with company(fine.id):
        plane = third.content["plane"]
        assert (plane["width"]["value"], plane["height"]["value"]) == ("400", "300")
        assert shown(first) == shown(third.id)
        document = as_posted(third)
        assert check(document, third.id, second.id, WHY).digest == third.content_digest
        with pytest.raises(Conflict, match=str(third.id)):
            correct.void(supervisor(fine), second.id, seen_digest=second.content_digest, reason=WHY)


def test_what_was_seen_must_be_said_and_be_so(fine: World) -> None:
    first = posted(fine, batches.traverse(fine))
    with pytest.raises(PreconditionFailed):
        put_right(fine, first, WIDTH, seen_digest="0" * 64)
    with pytest.raises(PreconditionRequired):
        put_right(fine, first, WIDTH, seen_digest=None)


def test_another_companys_session_is_not_there(fine: World) -> None:
    first = posted(fine, batches.traverse(fine))
    other = factories.make_world(factories.SECOND)
    with company(other.id):
        for action in (correct.correct, correct.void):
            with pytest.raises(NotFound):
                action(supervisor(other), first, seen_digest="", reason=WHY)


@pytest.mark.parametrize("what", ["instrument", "test point"])
def test_B2_another_companys_id_in_a_correction_looks_like_an_unknown_one(fine: World, what: str) -> None:
    first = posted(fine, batches.hood(fine))
    other = factories.make_world(factories.SECOND)
    path, foreign = {
        "instrument": ("/instruments/hood", other.instruments["hood"].id),
        "test point": ("/test_point", other.points["S-2"].id),
    }[what]
    told = []
    for value in (foreign, uuid7()):
        with pytest.raises(Invalid) as refused:
            put_right(fine, first, Change(path, str(value)))
        told.append((refused.value.detail, refused.value.faults))
    assert told[0] == told[1]


def test_a_cancelled_jobs_sessions_stay(fine: World) -> None:
    first = posted(fine, batches.traverse(fine))
    with company(fine.id):
        Job.objects.update(status=JobStatus.CANCELLED)
    with pytest.raises(Conflict):
        put_right(fine, first, WIDTH)


def test_a_preview_tells_the_figures_and_leaves_nothing(fine: World) -> None:
    first = posted(fine, batches.traverse(fine))
    with company(fine.id):
        seen = Session.objects.get(id=first).content_digest
        events = Event.objects.count()
        told = correct.preview(supervisor(fine), first, seen_digest=seen, reason=WHY, changes=[WIDTH])
        assert (Session.objects.count(), Correction.objects.count()) == (1, 0)
        assert Event.objects.count() == events
    after = put_right(fine, first, WIDTH)
    with company(fine.id):
        assert told.result.flow == newest(after.id).flow
        assert told.summary == Correction.objects.get().summary


def test_a_void_session_counts_nowhere(fine: World) -> None:
    first = posted(fine, batches.hood(fine, "S-1", "49.0"))
    with company(fine.id):
        overview = job_overviews([fine.job.id])[fine.job.id]
        assert (overview.measured, overview.waiting) == (1, 0)
        assert overview.must_answer + overview.should_answer > 0
        assert job_results(fine.job).overview == overview
    make_void(fine, first)
    with company(fine.id):
        overview = job_overviews([fine.job.id])[fine.job.id]
        assert job_results(fine.job).overview == overview
        assert (overview.measured, overview.must_answer, overview.should_answer) == (0, 0, 0)
        assert not current_sessions([fine.job.id])
        assert all(p.session is None for s in job_results(fine.job).systems for p in s.points)
        listed = worklist(batches.technician(fine)).content["jobs"][0]["systems"][0]["points"]
        assert {p["tag"]: p["current_session"] for p in listed}["S-1"] is None
        assert Session.objects.filter(id=first).exists()


def test_what_a_void_session_superseded_does_not_come_back(fine: World) -> None:
    """It was replaced for a reason, and nobody looked at it since: the point is unmeasured."""
    first = posted(fine, batches.hood(fine, "S-1", "89.0"))
    again = {"session": str(first), "reason": "Hood slipped"}
    second = posted(fine, batches.hood(fine, "S-1", "91.0", supersedes=again))
    make_void(fine, second)
    with company(fine.id):
        assert not current_sessions([fine.job.id])
    third = posted(fine, batches.hood(fine, supersedes={"session": str(second), "reason": "Once more"}))
    with company(fine.id):
        assert [one.id for one in current_sessions([fine.job.id])] == [third]


def test_a_void_stays_and_takes_further_notes(fine: World) -> None:
    first = posted(fine, batches.hood(fine))
    with pytest.raises(Conflict):
        make_void(fine, first, further=True)
    make_void(fine, first)
    with pytest.raises(Conflict, match="cannot be taken back"):
        make_void(fine, first)
    make_void(fine, first, further=True)
    with company(fine.id):
        assert SessionVoid.objects.filter(session=first).count() == 2
    with pytest.raises(Conflict, match="void"):
        put_right(fine, first, Change("/readings/0/unit", "m3/h"))


def test_a_remeasurement_of_what_was_corrected_meanwhile_supersedes_the_newest(fine: World) -> None:
    """The tablet was away and names the original; a repeat of the post is known."""
    first = posted(fine, batches.hood(fine, "S-1", "89.0"))
    second = put_right(fine, first, Change("/readings/0/unit", "m3/h"))
    again = batches.hood(fine, "S-1", "91.0", supersedes={"session": str(first), "reason": "Hood slipped"})
    third = posted(fine, again)
    with company(fine.id):
        stored = Session.objects.get(id=third)
        assert stored.supersedes_id == second.id
        assert session_digest(stored) == stored.content_digest
        assert [one.id for one in counting(Session.objects.all())] == [third]
    [repeat] = batches.post(fine, again)
    assert repeat.outcome == "already_stored"
    late = batches.hood(fine, "S-1", "92.0", supersedes={"session": str(first), "reason": "Sent late"})
    fourth = posted(fine, late)  # two came of it by now
    with company(fine.id):
        assert Session.objects.get(id=fourth).supersedes_id == third
    [other] = batches.post(fine, again | {"note": "other"})
    assert other.outcome == "known_with_other_content"


def test_two_that_supersede_one_in_one_batch_stand_in_a_row(fine: World) -> None:
    first = posted(fine, batches.hood(fine, "S-1", "89.0"))
    again = {"session": str(first), "reason": "Hood slipped"}
    both = [batches.hood(fine, "S-1", flow, supersedes=again) for flow in ("91.0", "92.0")]
    assert [one.outcome for one in batches.post(fine, *both)] == ["stored", "stored"]
    assert [one.outcome for one in batches.post(fine, *both)] == ["already_stored", "already_stored"]
    with company(fine.id):
        assert [str(one.id) for one in counting(Session.objects.all())] == [both[1]["id"]]


def test_a_remeasurement_of_what_belongs_elsewhere_stands_alone(fine: World) -> None:
    first = posted(fine, batches.hood(fine, "S-1", "89.0"))
    moved = put_right(fine, first, Change("/test_point", str(fine.points["S-2"].id)))
    again = batches.hood(fine, "S-1", "91.0", supersedes={"session": str(first), "reason": "Hood slipped"})
    third = posted(fine, again)
    with company(fine.id):
        assert Session.objects.get(id=third).supersedes_id is None
        assert {one.id for one in counting(Session.objects.all())} == {moved.id, third}
    [repeat] = batches.post(fine, again)
    assert repeat.outcome == "already_stored"


@pytest.mark.django_db(transaction=True)
def test_of_two_supervisors_at_once_one_corrects_and_one_is_told(fine: World) -> None:
    first = posted(fine, batches.traverse(fine))
    with company(fine.id):
        seen = Session.objects.get(id=first).content_digest

    def go(width: str) -> str:
        with company(fine.id):
            correct.correct(
                supervisor(fine), first, seen_digest=seen, reason=WHY,
                changes=[Change("/plane/width", batches.amount(width, "mm"))],
            )  # fmt: skip
        return "corrected"

    found = at_once(partial(go, "400"), partial(go, "450"))
    assert sorted(getattr(one, "code", one) for one in found) == ["conflict", "corrected"]
    with company(fine.id):
        assert counting(Session.objects.all()).count() == 1


def test_another_companys_supervisor_finds_no_session(fine: World, company_b: World) -> None:
    first = posted(fine, batches.traverse(fine))
    with company(company_b.id):
        stranger = supervisor(company_b)
    with company(fine.id), pytest.raises(NotFound):  # the door lets nobody in so far
        correct.void(stranger, first, seen_digest=Session.objects.get(id=first).content_digest, reason=WHY)


TABLES = ("measurements_correction", "measurements_sessionvoid")
STATEMENTS = ("UPDATE {} SET at = now()", "DELETE FROM {}", "TRUNCATE {}")


@pytest.mark.parametrize("statement", STATEMENTS)
@pytest.mark.parametrize("table", TABLES)
def test_the_serving_role_may_not_touch_what_was_said(fine: World, table: str, statement: str) -> None:
    with (
        company(fine.id),
        pytest.raises(ProgrammingError, match="permission denied"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        one = "" if "TRUNCATE" in statement else f" WHERE company_id = '{fine.id}'"
        cursor.execute(statement.format(table) + one)


@pytest.mark.parametrize("statement", STATEMENTS)
@pytest.mark.parametrize("table", TABLES)
def test_the_triggers_stop_the_owner(table: str, statement: str, db: None) -> None:
    columns = {
        "measurements_correction": "(company_id, id, session_id, original_id, member_id, at, changes,"
        " summary) SELECT u, u, u, u, u, now(), '[]', '[]'",
        "measurements_sessionvoid": "(company_id, id, session_id, member_id, at, reason)"
        " SELECT u, u, u, u, now(), 'x'",
    }[table]
    with owner_connection() as owner:
        owner.execute(f"ALTER TABLE {table} NO FORCE ROW LEVEL SECURITY")
        owner.execute("SET LOCAL session_replication_role = replica")  # a row without those it points at
        owner.execute(f"INSERT INTO {table} {columns} FROM gen_random_uuid() u")
        owner.execute("SET LOCAL session_replication_role = origin")
        with pytest.raises(psycopg.errors.ObjectNotInPrerequisiteState, match="append-only"):
            owner.execute(statement.format(table))
        owner.rollback()


def test_what_is_told_several_times_is_named_with_its_place_from_one_on(company_a: World) -> None:
    told = [
        {"path": "/zero_checks/0/before", "before": "0.1", "after": "0.2"},
        {"path": "/stated/phase/1", "before": "3.9", "after": "4.1"},
    ]
    with company(company_a.id):
        found = in_words({"method": "pitot_traverse"}, told)
    assert [one["what"] for one in found] == ["Before of zero check 1", "phase, 2"]
