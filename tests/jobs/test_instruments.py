"""Instruments and certificates: what is entered stays, and the right one counts on a day."""

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils.timezone import now

from jobs import events, instruments
from jobs.errors import Conflict, Forbidden, Invalid, NotFound, PreconditionFailed
from jobs.instruments import CertificateState, Point, Range, Use
from jobs.models import Certificate, Event, Instrument, Quantity
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World

pytestmark = pytest.mark.django_db
PA = Range(Quantity.PRESSURE, 0.0, 2500.0, 0.1, accuracy_absolute=0.3, accuracy_of_reading=0.005)
LINE = Point(Quantity.PRESSURE, reference=100.0, as_left=100.2, expanded_uncertainty=0.5, as_found=100.9)


def gauge(world: World, **fields: object) -> Instrument:
    values = {"serial": "M-1", "name": "Gauge", "kind": "manometer", "ranges": [PA]}
    return instruments.add_instrument(world.actor("supervisor"), **(values | fields))


def enter(world: World, tool: Instrument, on: date, due: date, **fields: object) -> Certificate:
    values = {"number": f"C-{on}", "laboratory": "Vale", "points": [LINE]}
    return instruments.enter_certificate(
        world.actor("supervisor"), instrument_id=tool.id, calibrated_on=on, due_on=due, **(values | fields)
    )


def test_an_instrument_keeps_its_ranges(company_a: World) -> None:
    with company(company_a.id):
        tool = gauge(company_a)
        stored = tool.ranges.get()
        assert (stored.maximum, stored.resolution, stored.accuracy_absolute) == (2500.0, 0.1, 0.3)
        assert Event.objects.get(subject_id=tool.id).verb == "instrument.added"
        with pytest.raises(Conflict, match="already a"):
            gauge(company_a)
        changed = instruments.change_instrument(
            company_a.actor("owner"), tool.id, seen=1, changes={"in_service": False},
            ranges=[replace(PA, maximum=500.0)],
        )  # fmt: skip
        assert (changed.version, changed.ranges.get().maximum) == (2, 500.0)
        with pytest.raises(PreconditionFailed):
            instruments.change_instrument(company_a.actor("owner"), tool.id, seen=1, changes={})


@pytest.mark.parametrize(
    "bad",
    [
        replace(PA, maximum=0.0),
        replace(PA, resolution=0.0),
        replace(PA, resolution=3000.0),
        replace(PA, accuracy_absolute=-1.0),
        replace(PA, accuracy_of_reading=2.0),
        replace(PA, maximum=math.inf),
        replace(PA, minimum=math.nan),
    ],
)
def test_ranges_that_make_no_sense(company_a: World, bad: Range) -> None:
    with company(company_a.id):
        before = Instrument.objects.count()
        with pytest.raises(Invalid) as caught:
            gauge(company_a, ranges=[PA, bad])
        assert any(fault.pointer.startswith("/ranges/1") for fault in caught.value.faults)
        assert Instrument.objects.count() == before


@pytest.mark.parametrize("fields", [{"probe_factor": 9.0}, {"probe_factor_u": 0.1}, {"probe_length_m": 0.0}])
def test_probes_that_make_no_sense(company_a: World, fields: dict[str, float]) -> None:
    with company(company_a.id), pytest.raises(Invalid):
        gauge(company_a, **fields)


def test_a_certificate_is_stored_with_its_digest_and_never_changes(company_a: World) -> None:
    with company(company_a.id):
        row = enter(company_a, gauge(company_a), date(2026, 2, 3), date(2027, 2, 3))
        again = Certificate.objects.prefetch_related("points").get(id=row.id)
        content = instruments.certificate_content(again, again.points.all())
        assert (
            events.digest(content)
            == row.digest
            == Event.objects.get(verb="certificate.entered").content_digest
        )
        with pytest.raises(DatabaseError), transaction.atomic():
            Certificate.objects.filter(id=row.id).update(number="other")


@pytest.mark.parametrize(
    ("fields", "pointer"),
    [
        ({"points": []}, "/points"),
        ({"points": [replace(LINE, expanded_uncertainty=0.0)]}, "/points/0/expanded_uncertainty"),
        ({"points": [replace(LINE, expanded_uncertainty=-1.0)]}, "/points/0/expanded_uncertainty"),
        ({"points": [replace(LINE, coverage_factor=0.0)]}, "/points/0/coverage_factor"),
        ({"points": [replace(LINE, as_left=math.nan)]}, "/points/0"),
        ({"points": [replace(LINE, quantity=Quantity.FLOW)]}, "/points/0/quantity"),
        ({"points": [LINE, LINE]}, "/points/1/reference"),
        ({"due_on": date(2026, 2, 3)}, "/due_on"),
        ({"calibrated_on": date(2099, 1, 1), "due_on": date(2099, 2, 1)}, "/calibrated_on"),
        ({"number": ""}, "/number"),
    ],
)
def test_certificates_that_make_no_sense(company_a: World, fields: dict[str, object], pointer: str) -> None:
    with company(company_a.id):
        tool, days = gauge(company_a), {"calibrated_on": date(2026, 2, 3), "due_on": date(2027, 2, 3)}
        values = {"number": "C-1", "laboratory": "Vale", "points": [LINE]} | days | fields
        with pytest.raises(Invalid) as caught:
            instruments.enter_certificate(company_a.actor("owner"), instrument_id=tool.id, **values)
        assert pointer in {fault.pointer for fault in caught.value.faults}
        assert not tool.certificates.exists()


def test_a_wrong_entry_is_superseded_once_by_one_of_the_same_instrument(company_a: World) -> None:
    with company(company_a.id):
        tool, other = gauge(company_a), gauge(company_a, serial="M-2")
        days = (date(2026, 2, 3), date(2027, 2, 3))
        wrong = enter(company_a, tool, *days)
        with pytest.raises(Conflict, match="supersede it"):
            enter(company_a, tool, *days)
        with pytest.raises(Invalid):
            enter(company_a, other, *days, supersedes_id=wrong.id)
        right = enter(company_a, tool, *days, supersedes_id=wrong.id)
        with pytest.raises(Conflict, match="superseded already"):
            enter(company_a, tool, *days, number="C-9", supersedes_id=wrong.id)
        found = instruments.certificate_in_force(tool.id, date(2026, 5, 1), Quantity.PRESSURE)
        assert found.certificate == right


def test_which_certificate_counts_on_a_day(company_a: World) -> None:
    with company(company_a.id):
        tool = gauge(company_a)
        first = enter(company_a, tool, date(2025, 2, 3), date(2026, 2, 3))
        second = enter(company_a, tool, date(2026, 3, 1), date(2027, 3, 1))

        def on(day: date | datetime, quantity: Quantity = Quantity.PRESSURE) -> tuple[object, object]:
            found = instruments.certificate_in_force(tool.id, day, quantity)
            return found.state, found.certificate

        assert on(date(2025, 2, 2)) == (CertificateState.NOT_YET, None)
        assert on(date(2025, 2, 3)) == (CertificateState.IN_FORCE, first)
        assert on(date(2026, 2, 3)) == (CertificateState.IN_FORCE, first)
        assert on(date(2026, 2, 4)) == (CertificateState.OVERDUE, first)
        assert on(date(2026, 3, 1)) == (CertificateState.IN_FORCE, second)
        assert on(date(2026, 3, 1), Quantity.FLOW) == (CertificateState.NONE, None)
        late = datetime(2026, 2, 28, 23, 30, tzinfo=UTC)
        assert on(late) == (CertificateState.OVERDUE, first)
        assert on(late.astimezone(timezone(timedelta(hours=1)))) == (CertificateState.IN_FORCE, second)


def test_another_companys_certificate_does_not_count(company_a: World, company_b: World) -> None:
    with company(company_a.id):
        theirs = company_b.instruments["pressure"]
        found = instruments.certificate_in_force(theirs.id, now().date(), Quantity.PRESSURE)
        assert (found.state, found.certificate) == (CertificateState.NONE, None)
        with pytest.raises(Invalid):
            enter(company_a, theirs, date(2026, 2, 3), date(2027, 2, 3))
        with pytest.raises(NotFound):
            instruments.change_instrument(company_a.actor("owner"), theirs.id, seen=1, changes={})


def test_many_uses_take_two_statements(company_a: World) -> None:
    with company(company_a.id):
        tools = [gauge(company_a, serial=f"G-{n}") for n in range(30)]
        for tool in tools:
            enter(company_a, tool, date(2026, 2, 3), date(2027, 2, 3))
        for count in (3, 30):
            uses = [
                Use(tool.id, date(2026, 5, d), Quantity.PRESSURE) for tool in tools[:count] for d in (1, 2)
            ]
            with CaptureQueriesContext(connection) as seen:
                found = instruments.certificates_in_force(uses)
                assert all(found[use].holds and found[use].points for use in uses)
            assert len(seen) == 2


def test_the_due_list(company_a: World) -> None:
    with company(company_a.id):
        today = now().date()
        for tool in company_a.instruments.values():
            Instrument.objects.filter(id=tool.id).update(in_service=False)
        late, _, fine, gone = (gauge(company_a, serial=serial) for serial in ("late", "bare", "fine", "gone"))
        enter(company_a, late, today - timedelta(days=400), today - timedelta(days=35))
        enter(company_a, fine, today - timedelta(days=30), today + timedelta(days=335))
        Instrument.objects.filter(id=gone.id).update(in_service=False)
        with CaptureQueriesContext(connection) as few:
            rows = instruments.due_list(
                company_a.actor("technician"), on=today, until=today + timedelta(days=60)
            )
        assert [(row.instrument.serial, row.state) for row in rows] == [
            ("bare", CertificateState.NONE), ("late", CertificateState.OVERDUE),
        ]  # fmt: skip
        for number in range(20):
            factories.certificate(gauge(company_a, serial=f"Z-{number}"))
        with CaptureQueriesContext(connection) as many:
            all_due = instruments.due_list(
                company_a.actor("owner"), on=today, until=today + timedelta(days=999)
            )
        assert len(all_due) == 23
        assert len(few) == len(many)


def test_roles(company_a: World) -> None:
    with company(company_a.id):
        with pytest.raises(Forbidden):
            instruments.add_instrument(company_a.actor("technician"), serial="x", name="x", kind="tape")
        tool = gauge(company_a)
        with pytest.raises(Forbidden):
            instruments.enter_certificate(
                company_a.actor("technician"), instrument_id=tool.id, number="1", laboratory="x",
                calibrated_on=date(2026, 1, 1), due_on=date(2027, 1, 1), points=[LINE],
            )  # fmt: skip
