"""Checks in the house: what is stored, what follows, and what is refused."""

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from jobs import events
from jobs.errors import Conflict, Forbidden, Invalid, NotFound
from jobs.models import Event, Instrument, InstrumentKind, Quantity
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements.calc.interval import en_number
from measurements.interval_checks import Shown, record_check, visible_checks
from measurements.models import CheckOutcome, IntervalCheck
from tests import factories
from tests.doors.client import signed_in, with_key, with_token
from tests.factories import World
from tests.races import at_once


def figures(*texts: str, unit: str = "L/s") -> list[Shown]:
    return [Shown(text, unit) for text in texts]


def hood(world: World, **fields: Any) -> Instrument:
    made = factories.instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005), **fields)
    factories.certificate(made)
    return made


def compare(world: World, other: Instrument, **changes: Any) -> IntervalCheck:
    values: dict[str, Any] = {
        "instrument_id": world.instruments["hood"].id,
        "kind": "comparison",
        "quantity": "flow",
        "at": timezone.now(),
        "readings": figures("91.2", "90.8", "91.0"),
        "other_id": other.id,
        "other_readings": figures("90.1", "90.3"),
    }
    return record_check(world.actor("technician"), **(values | changes))


def zero(world: World, *texts: str, **changes: Any) -> IntervalCheck:
    values: dict[str, Any] = {
        "instrument_id": world.instruments["pressure"].id,
        "kind": "zero",
        "quantity": "pressure",
        "at": timezone.now(),
        "readings": figures(*texts, unit="Pa"),
    }
    return record_check(world.actor("technician"), **(values | changes))


def test_a_zero_is_held_against_the_makers_promise(company_a: World) -> None:
    """The manometer's range promises 0.1 Pa and 1 % of reading: 0.1 Pa at nought."""
    with company(company_a.id):
        good, bad = zero(company_a, "0.1", "0.0"), zero(company_a, "0.2", "0.1")
    assert (good.outcome, good.value, good.limit) == (CheckOutcome.WITHIN, 0.05, 0.1)
    assert (bad.outcome, bad.limit) == (CheckOutcome.OUTSIDE, 0.1)
    assert good.readings["own"][0] == {"entered": "0.1", "unit": "Pa", "si": 0.1}


def test_a_zero_without_a_promise_is_not_judged(company_a: World) -> None:
    with company(company_a.id):
        found = zero(
            company_a,
            "0.5",
            instrument_id=company_a.instruments["barometer"].id,
            quantity="absolute_pressure",
        )
    assert (found.outcome, found.limit) == (CheckOutcome.NOT_JUDGED, None)
    assert "no range has zero in it" in found.reason


def test_two_instruments_are_corrected_and_compared(company_a: World) -> None:
    with company(company_a.id):
        found = compare(company_a, hood(company_a))
    assert found.other_value is not None
    assert found.other_expanded is not None
    assert found.en == pytest.approx(
        en_number(found.value, found.value_expanded, found.other_value, found.other_expanded).en
    )
    assert found.value < 0.0910  # it reads high by its certificate, and is corrected for that
    assert found.outcome == CheckOutcome.WITHIN
    assert [one["state"] for one in found.readings["certificates"]] == ["in_force", "in_force"]


def test_far_apart_is_outside(company_a: World) -> None:
    with company(company_a.id):
        found = compare(company_a, hood(company_a), other_readings=figures("150"))
    assert found.outcome == CheckOutcome.OUTSIDE
    assert found.en is not None
    assert found.en < -1.0


def test_a_common_part_is_left_out_of_both(company_a: World) -> None:
    with company(company_a.id):
        plain = compare(company_a, hood(company_a))
        less = compare(company_a, hood(company_a), common=Shown("5", "L/s"))
        most = compare(company_a, hood(company_a), common=Shown("50", "L/s"))
    assert less.common_expanded == pytest.approx(0.005)
    assert abs(less.en or 0.0) > abs(plain.en or 0.0)
    assert most.outcome == CheckOutcome.NOT_JUDGED
    assert "larger than the smaller" in most.reason


def test_an_instrument_of_which_nothing_is_known_is_not_judged(company_a: World) -> None:
    with company(company_a.id):
        bare = factories.instrument(InstrumentKind.FLOW_HOOD)
        found = compare(company_a, bare)
    assert found.outcome == CheckOutcome.NOT_JUDGED
    assert found.en is None
    assert "neither a certificate nor a range" in found.reason


def test_a_check_goes_with_its_event_and_digest(company_a: World) -> None:
    with company(company_a.id):
        made = compare(company_a, hood(company_a))
        event = Event.objects.get(verb="instrument.checked")
        assert event.subject_id == made.id
        assert event.content_digest == events.row_digest(IntervalCheck.objects.get(id=made.id))


def test_a_wrong_entry_is_superseded_once_with_a_reason(company_a: World) -> None:
    with company(company_a.id):
        first = zero(company_a, "0.5")
        with pytest.raises(Invalid):
            zero(company_a, "0.0", supersedes_id=first.id)
        second = zero(company_a, "0.0", supersedes_id=first.id, why="Ports were not closed at first")
        assert second.supersedes_id == first.id
        with pytest.raises(Conflict):
            zero(company_a, "0.0", supersedes_id=first.id, why="Ports were not closed at first")
        rows = list(visible_checks(company_a.actor("technician")))
        assert [bool(row.superseded_by.all()) for row in rows] == [False, True]
        with pytest.raises(Invalid):
            compare(company_a, hood(company_a), supersedes_id=second.id, why="Of another instrument")


@pytest.mark.django_db(transaction=True)
def test_two_at_once_supersede_a_check_once() -> None:
    world = factories.make_world()
    with company(world.id):
        first = zero(world, "0.5")
        actor = world.actor("technician")

    def run() -> str:
        with company(world.id):
            record_check(
                actor, instrument_id=world.instruments["pressure"].id, kind="zero", quantity="pressure",
                at=timezone.now(), readings=figures("0.0", unit="Pa"), supersedes_id=first.id,
                why="Ports were not closed at first",
            )  # fmt: skip
        return "stored"

    found = at_once(run, run)
    assert sorted(getattr(one, "code", one) for one in found) == ["conflict", "stored"]


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"kind": "guess"}, "/kind"),
        ({"quantity": "smell"}, "/quantity"),
        ({"readings": []}, "/readings"),
        ({"readings": figures(*["1"] * 51, unit="Pa")}, "/readings"),
        ({"readings": figures("1", "nan", unit="Pa")}, "/readings/1"),
        ({"readings": figures("1_0", unit="Pa")}, "/readings/0"),
        ({"readings": figures("1e99", unit="Pa")}, "/readings/0"),
        ({"readings": figures("1", unit="furlong")}, "/readings/0"),
        ({"other_id": uuid7()}, "/other"),
        ({"other_readings": figures("1", unit="Pa")}, "/other_readings"),
        ({"at": timezone.now() + timedelta(days=1)}, "/at"),
        ({"note": "x" * 2001}, "/note"),
        ({"supersedes_id": uuid7(), "why": "A reason that is long enough"}, "/supersedes"),
    ],
)
def test_what_is_no_check_is_refused_at_its_place_and_nothing_stored(
    company_a: World, changes: dict[str, Any], pointer: str
) -> None:
    with company(company_a.id):
        with pytest.raises(Invalid) as refused:
            zero(company_a, "0.0", **changes)
        assert pointer in [fault.pointer for fault in refused.value.faults]
        assert not IntervalCheck.objects.exists()
        assert not Event.objects.filter(verb="instrument.checked").exists()


def test_a_comparison_needs_another_instrument_with_readings(company_a: World) -> None:
    own = company_a.instruments["hood"]
    with company(company_a.id):
        for changes in ({"other_id": None}, {"other_id": own.id}, {"other_readings": []}):
            with pytest.raises(Invalid):
                compare(company_a, own, **changes)


def test_another_companys_instruments_are_unknown(company_a: World, company_b: World) -> None:
    with company(company_b.id):
        theirs = hood(company_b)
    with company(company_a.id):
        with pytest.raises(NotFound):
            zero(company_a, "0.0", instrument_id=theirs.id)
        with pytest.raises(Invalid):
            compare(company_a, theirs)


@pytest.mark.parametrize("role", ["owner", "dispatcher"])
def test_who_does_not_measure_does_not_check(company_a: World, role: str) -> None:
    with company(company_a.id), pytest.raises(Forbidden):
        record_check(
            company_a.actor(role), instrument_id=company_a.instruments["pressure"].id, kind="zero",
            quantity="pressure", at=timezone.now(), readings=figures("0.0", unit="Pa"),
        )  # fmt: skip


def test_the_door_takes_and_lists_checks(company_a: World) -> None:
    with company(company_a.id):
        other = hood(company_a)
    path = f"/instruments/{company_a.instruments['hood'].id}/checks"
    body = {
        "kind": "comparison", "quantity": "flow", "at": timezone.now().isoformat(), "unit": "L/s",
        "readings": ["91.2", 90.8], "other": str(other.id), "other_readings": ["90.1"], "common": "1.0",
        "note": "On the stand",
    }  # fmt: skip
    tablet = with_token(company_a.technician_token)
    answer = tablet.post(path, body, key="check-1")
    assert answer.status_code == 201, answer.content
    assert tablet.post(path, body, key="check-1").content == answer.content
    again = with_key(company_a).get(path).json()["items"]
    assert [one["id"] for one in again] == [answer.json()["id"]]
    assert again[0]["readings"]["own"][0]["entered"] == "91.2"
    assert again[0]["common_expanded"] == pytest.approx(0.001)
    assert signed_in(company_a, "owner").post(path, body).status_code == 403
