"""Figures, units, times and texts that are none: refused with their place, or kept as documented."""

from typing import Any

import pytest

from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.batch import Malformed
from measurements.evidence import session_digest
from measurements.intake import Outcome, post_batch
from measurements.models import Reading, Session
from tests import factories
from tests.database import owner_connection
from tests.factories import World
from tests.measurements import batches
from tests.measurements.batches import amount

pytestmark = pytest.mark.django_db


def with_reading(world: World, **changes: Any) -> Outcome:
    sent = batches.hood(world)
    sent["readings"][0] |= changes
    return batches.post(world, sent)[0]


def raw(world: World, old: bytes, new: bytes) -> Outcome:
    """Posts a hood reading with a part of its text replaced."""
    text = batches.body(batches.hood(world))
    assert old in text
    with company(world.id):
        return post_batch(batches.technician(world), text.replace(old, new, 1))[0]


@pytest.mark.parametrize(
    "value",
    ["NaN", "Infinity", "-inf", "1e400", "1e-400", "1,5", "0x10", "", " 1", "1_0", "١", "--1", "1" * 30, "."],
)
def test_C1_text_that_is_no_decimal_number_is_refused_with_its_place(company_a: World, value: str) -> None:
    found = with_reading(company_a, value=value)
    assert found.outcome == "refused"
    assert [f.pointer for f in found.errors] == ["/sessions/0/readings/0/value"]


@pytest.mark.parametrize("value", [b"1e400", b"1e-400", b"true", b"null", b"[1]", b'{"a":1}'])
def test_C1_json_that_is_no_reading_is_refused(company_a: World, value: bytes) -> None:
    found = raw(company_a, b'"value": "89.0"', b'"value": ' + value)
    assert found.outcome == "refused"
    assert found.errors[0].pointer == "/sessions/0/readings/0/value"


@pytest.mark.parametrize("value", [b"NaN", b"Infinity", b"0x10", b"1,5"])
def test_C1_what_is_not_json_refuses_the_whole_batch(company_a: World, value: bytes) -> None:
    with pytest.raises(Malformed):
        raw(company_a, b'"value": "89.0"', b'"value": ' + value)


def test_C1_minus_zero_is_zero_and_kept_as_shown(company_a: World) -> None:
    assert with_reading(company_a, value="-0").outcome == "stored"
    with company(company_a.id):
        row = Reading.objects.get(entered="-0")
        assert row.value == 0.0


def test_C1_a_number_is_as_good_as_its_text(company_a: World) -> None:
    assert with_reading(company_a, value=89.5).outcome == "stored"
    with company(company_a.id):
        assert Reading.objects.get(entered="89.5").value == pytest.approx(0.0895)


def test_C2_a_name_twice_in_a_reading_or_session_is_refused(company_a: World) -> None:
    twice = [
        (b'"run": 1', b'"run": 1, "run": 1'),
        (b'"value": "89.0"', b'"value": "89.0", "value": "98.0"'),
        (b'"value": "89.0"', b'"value": "89.0", "v\\u0061lue": "98.0"'),
        (b'"method"', b'"note": "a", "note": "b", "method"'),
        (b'"unit": "Cel"', b'"unit": "Cel", "unit": "K"'),
    ]
    for old, new in twice:
        found = raw(company_a, old, new)
        assert (found.outcome, "twice" in found.errors[0].detail) == ("refused", True), new


def test_C2_nul_and_lone_surrogates_in_text_store_nothing_of_that_session(company_a: World) -> None:
    assert batches.post(company_a, batches.hood(company_a, note="a\0b"))[0].outcome == "refused"
    with pytest.raises(Malformed):
        raw(company_a, b'"method"', b'"note": "a\\ud800b", "method"')
    with company(company_a.id):
        assert Session.objects.count() == 0


def test_C2_a_number_of_a_megabyte_is_refused_quickly(company_a: World) -> None:
    found = raw(company_a, b'"value": "89.0"', b'"value": ' + b"1" * 1_000_000)
    assert found.outcome == "refused"


@pytest.mark.parametrize(
    "moment",
    [
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59Z",
        "1999-12-31T23:59:59Z",
        "2026-03-01T09:00:00+14:60",
        "2026-03-01T09:00:00",
        "2016-12-31T23:59:60Z",
        "2026-02-30T09:00:00Z",
        "yesterday",
        1767225600,
    ],
)
def test_C3_a_time_that_cannot_be_is_refused_with_its_place(company_a: World, moment: Any) -> None:
    found = with_reading(company_a, taken_at=moment)
    assert found.outcome == "refused"
    assert [f.pointer for f in found.errors] == ["/sessions/0/readings/0/taken_at"]


def test_C3_an_offset_makes_the_hour_of_a_clock_change_certain(company_a: World) -> None:
    assert with_reading(company_a, taken_at="2026-10-25T02:30:00+01:00").outcome == "stored"
    with company(company_a.id):
        stored = [row.taken_at.isoformat() for row in Reading.objects.order_by("taken_at")]
    assert stored[0] == "2026-10-25T01:30:00+00:00"


@pytest.mark.parametrize(
    ("part", "changes", "pointer"),
    [
        ("readings", {"unit": "Pa"}, "readings/0/unit"),
        ("readings", {"unit": "furlong"}, "readings/0/unit"),
        ("readings", {"quantity": "pressure"}, "readings/0/unit"),
        ("readings", {"quantity": "colour"}, "readings/0/quantity"),
        ("readings", {"run": 0}, "readings/0/run"),
        ("readings", {"company_id": "x"}, "readings/0/company_id"),
        ("conditions", {"air_temperature": amount("-300", "Cel")}, "conditions/air_temperature/value"),
        ("conditions", {"air_temperature": amount("20", "Pa")}, "conditions/air_temperature/unit"),
        ("conditions", {"barometric_pressure": amount("-1", "hPa")}, "conditions/barometric_pressure/value"),
        ("conditions", {"relative_humidity": amount("130", "%")}, "conditions/relative_humidity/value"),
    ],
)
def test_C5_units_and_impossible_values_are_refused_with_their_place(
    company_a: World, part: str, changes: dict[str, Any], pointer: str
) -> None:
    sent = batches.hood(company_a)
    (sent["readings"][0] if part == "readings" else sent["conditions"]).update(changes)
    found = batches.post(company_a, sent)[0]
    assert found.outcome == "refused"
    assert found.errors[0].pointer == f"/sessions/0/{pointer}"


def test_a_session_must_suit_its_method(company_a: World) -> None:
    traverse, hood, sweep = batches.traverse(company_a), batches.hood(company_a), batches.sweep(company_a)
    wrong = [
        (traverse | {"plane": None}, "/plane"),
        (traverse | {"readings": []}, "/readings"),
        (traverse | {"readings": hood["readings"]}, "/readings"),
        (traverse | {"instruments": {}}, "/instruments/pressure"),
        (hood | {"plane": traverse["plane"]}, "/plane"),
        (sweep | {"readings": traverse["readings"]}, "/readings"),
        (sweep | {"sweeps": []}, "/sweeps"),
        (traverse | {"plane": batches.rectangular_plane(height=None)}, "/plane/height"),
        (traverse | {"plane": batches.rectangular_plane(width=amount("0", "m"))}, "/plane/width"),
    ]
    for sent, pointer in wrong:
        found = batches.post(company_a, sent)[0]
        assert (found.outcome, found.errors[0].pointer) == ("refused", f"/sessions/0{pointer}")


def test_a_point_of_another_job_is_refused(company_a: World) -> None:
    with company(company_a.id):
        elsewhere = factories.outlet(factories.system(company_a.site, "AHU-9"), "S-1")
    found = batches.post(company_a, batches.hood(company_a, test_point=str(elsewhere.id)))[0]
    assert found.errors[0].detail == "This test point is not in a system of the job."


def test_a_session_supersedes_only_of_its_own_point_and_never_itself(company_a: World) -> None:
    old, own = batches.hood(company_a, "S-1"), str(uuid7())
    batches.post(company_a, old)
    for sent in (
        batches.hood(company_a, "S-2", supersedes={"session": old["id"], "reason": "Damper moved"}),
        batches.hood(company_a, "S-1", id=own, supersedes={"session": own, "reason": "Damper moved"}),
    ):
        found = batches.post(company_a, sent)[0]
        assert found.errors[0].pointer == "/sessions/0/supersedes/session"


def test_ids_of_readings_may_come_from_the_tablet_once(company_a: World) -> None:
    sent = batches.hood(company_a)
    for row in sent["readings"]:
        row["id"] = str(uuid7())
    assert batches.post(company_a, sent, sent)[1].outcome == "already_stored"
    again = batches.hood(company_a, "S-2", readings=sent["readings"])
    found = batches.post(company_a, again)[0]
    assert (found.outcome, "already in use" in found.errors[0].detail) == ("refused", True)


@pytest.mark.django_db(transaction=True)
def test_the_digest_is_found_again_from_the_rows_and_tells_a_touched_one() -> None:
    world = factories.make_world()
    sent = [batches.traverse(world), batches.sweep(world), batches.hood(world, note="naïve ½")]
    for n, row in enumerate(sent[2]["readings"]):
        row["id"] = f"ffffffff-0000-4000-8000-00000000000{9 - n}"  # not in the order posted
    batches.post(world, *sent)
    with company(world.id):
        assert all(session_digest(s) == s.content_digest for s in Session.objects.all())
    with owner_connection(autocommit=True) as owner:
        owner.execute("SET session_replication_role = replica")  # past the triggers that forbid it
        owner.execute(f"SET app.company = '{world.id}'")
        touched = owner.execute("UPDATE measurements_reading SET value = value + 0.001 WHERE point = 3")
        assert touched.rowcount == 10
    with company(world.id):
        found = [s for s in Session.objects.all() if session_digest(s) != s.content_digest]
        assert [str(s.id) for s in found] == [sent[0]["id"]]
