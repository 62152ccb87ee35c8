"""Certificates from tables: each fault at its cell, all or nothing."""

from datetime import date

import pytest

from jobs import certificate_table, instruments
from jobs.errors import Forbidden, Invalid
from jobs.models import Certificate, Event, Instrument, Quantity
from jobs.tenancy.context import company
from tests.factories import World
from tests.jobs.sheets import csv_of, xlsx_of

pytestmark = pytest.mark.django_db
HEADS = [str(column) for column in certificate_table.Column]
ROW = ["M-1", "C-1", "Vale", "D-K-1", "2026-02-03", "2027-02-03", "pressure", "Pa",
       "100.0", "100.4", "100.1", "0.5", "2"]  # fmt: skip
SECOND = ["M-1", "C-1", "", "", "", "", "pressure", "kPa", "0.5", "", "0.5002", "0.0005", ""]
OTHER = ["M-2", "C-2", "Vale", "", "2026-03-01", "2027-03-01", "pressure", "inH2O",
         "1.5", "", "1.51", "0.01", "2.2"]  # fmt: skip


def gauges(world: World) -> list[Instrument]:
    reach = instruments.Range(Quantity.PRESSURE, -3000.0, 3000.0, 0.1)
    return [
        instruments.add_instrument(
            world.actor("supervisor"), serial=serial, name="Gauge", kind="manometer", ranges=[reach]
        )
        for serial in ("M-1", "M-2")
    ]


def changed(row: list[str], **cells: str) -> list[str]:
    """A row with other cells, by column letter."""
    return [cells.get(chr(65 + place), cell) for place, cell in enumerate(row)]


def faults(world: World, data: bytes) -> dict[str, str]:
    with pytest.raises(Invalid) as caught:
        certificate_table.enter_certificates(world.actor("owner"), data)
    return {fault.pointer: fault.detail for fault in caught.value.faults}


@pytest.mark.parametrize("make", [csv_of, xlsx_of])
def test_many_certificates_are_entered_at_once(company_a: World, make: object) -> None:
    with company(company_a.id):
        one, two = gauges(company_a)
        data = make([ROW, SECOND, OTHER], HEADS)  # type: ignore[operator]
        done = certificate_table.enter_certificates(company_a.actor("dispatcher"), data)
        assert [row.number for row in done.stored] == ["C-1", "C-2"]
        first, second = one.certificates.get(), two.certificates.get()
        assert (first.accreditation, first.calibrated_on, first.due_on) == (
            "D-K-1", date(2026, 2, 3), date(2027, 2, 3),
        )  # fmt: skip
        points = list(first.points.order_by("reference"))
        assert [(p.reference, p.as_found, p.expanded_uncertainty, p.coverage_factor) for p in points] == [
            (100.0, 100.4, 0.5, 2.0), (500.0, None, 0.5, 2.0),
        ]  # fmt: skip
        assert second.points.get().as_left == pytest.approx(1.51 * 249.08891)
        assert second.points.get().entered == "1.5 inH2O, left 1.51, U 0.01"
        told = Event.objects.filter(verb="certificate.entered", subject_id__in=[first.id, second.id])
        assert {event.content_digest for event in told} == {first.digest, second.digest}


CELLS = [
    ({"A": ""}, "A2", "is empty"),
    ({"A": "M-9"}, "A2", "no instrument has the number 'M-9'"),
    ({"B": "x" * 81}, "B2", "longer than 80"),
    ({"C": ""}, "C2", "is empty"),
    ({"E": "03/02/2026"}, "E2", "no day that has one meaning"),
    ({"E": "20260203"}, "E2", "no day that has one meaning"),
    ({"E": "2199-01-01", "F": "2199-02-01"}, "E2", "lies in the future"),
    ({"F": "2026-02-03"}, "F2", "after the day of calibration"),
    ({"G": "pressures"}, "G2", "not known here"),
    ({"G": "flow", "H": "L/s"}, "G2", "no range of this"),
    ({"H": "mile"}, "H2", "is no unit of pressure"),
    ({"H": ""}, "H2", "is no unit of pressure"),
    ({"I": ""}, "I2", "is empty"),
    ({"I": "ten"}, "I2", "is no number"),
    ({"I": "NaN"}, "I2", "is no number"),
    ({"J": "1 Pa"}, "J2", "the unit has a column of its own"),
    ({"K": "=1+1"}, "K2", "is a formula"),
    ({"L": "0"}, "L2", "must be above 0"),
    ({"L": "-1"}, "L2", "must be above 0"),
    ({"M": "9"}, "M2", "from 1 to 5"),
]


@pytest.mark.parametrize(("cells", "where", "words"), CELLS, ids=[f"{w}-{t}" for _, w, t in CELLS])
def test_each_fault_stands_at_its_cell_and_nothing_is_entered(
    company_a: World, cells: dict[str, str], where: str, words: str
) -> None:
    with company(company_a.id):
        gauges(company_a)
        before = Certificate.objects.count()
        found = faults(company_a, csv_of([changed(ROW, **cells), OTHER], HEADS, ";"))
        assert words in found[where], found
        assert Certificate.objects.count() == before


def test_all_faults_are_told_at_once(company_a: World) -> None:
    with company(company_a.id):
        gauges(company_a)
        rows = [changed(ROW, L="0"), changed(SECOND, H="mile"), changed(OTHER, I="ten", E="soon")]
        assert set(faults(company_a, csv_of(rows, HEADS))) == {"H3", "I4", "E4"}
        rows = [changed(ROW, L="0"), SECOND, changed(OTHER, L="0")]
        assert set(faults(company_a, csv_of(rows, HEADS))) == {"L2", "L4"}


def test_rows_of_one_certificate_agree_and_stand_together(company_a: World) -> None:
    with company(company_a.id):
        gauges(company_a)
        found = faults(company_a, csv_of([ROW, changed(SECOND, C="Other", F="2027-02-04")], HEADS))
        assert set(found) == {"C3", "F3"}
        found = faults(company_a, csv_of([ROW, OTHER, SECOND], HEADS))
        assert "stands above already" in found["B4"]
        found = faults(company_a, csv_of([ROW, changed(ROW, I="100")], HEADS))
        assert "stands twice" in found["I3"]


def test_a_number_that_is_known_already_is_refused_at_its_cell(company_a: World) -> None:
    with company(company_a.id):
        gauges(company_a)
        actor = company_a.actor("owner")
        certificate_table.enter_certificates(actor, csv_of([ROW], HEADS))
        found = faults(company_a, csv_of([OTHER, ROW], HEADS))
        assert set(found) == {"B3"}
        assert Certificate.objects.filter(number="C-2").count() == 0


@pytest.mark.parametrize(
    ("heads", "where", "words"),
    [
        ([*HEADS[:-2], "k"], "row 1", "expanded uncertainty"),
        ([*HEADS[:-1], "as left"], "M1", "second column"),
        (["serial", "certificte", *HEADS[2:]], "B1", "write 'certificate'"),
        (["a", "b"], "row 1", "no row of column heads"),
    ],
)
def test_heads_that_are_missing_or_misspelt(
    company_a: World, heads: list[str], where: str, words: str
) -> None:
    with company(company_a.id):
        assert words in faults(company_a, csv_of([ROW], heads))[where]


def test_a_preview_says_the_same_and_stores_nothing(company_a: World) -> None:
    with company(company_a.id):
        gauges(company_a)
        actor, before = company_a.actor("owner"), (Certificate.objects.count(), Event.objects.count())
        shown = certificate_table.preview(actor, csv_of([ROW, SECOND, OTHER], HEADS))
        assert [(one.number, tool.serial, len(one.lines)) for one, tool in shown.certificates] == [
            ("C-1", "M-1", 2), ("C-2", "M-2", 1),
        ]  # fmt: skip
        assert shown.stored == ()
        with pytest.raises(Invalid):
            certificate_table.preview(actor, csv_of([changed(ROW, L="0")], HEADS))
        assert (Certificate.objects.count(), Event.objects.count()) == before
        certificate_table.enter_certificates(actor, csv_of([ROW], HEADS))


def test_who_may_not_manage_instruments_and_other_companies(company_a: World, company_b: World) -> None:
    with company(company_b.id):
        gauges(company_b)
    with company(company_a.id):
        for act in (certificate_table.enter_certificates, certificate_table.preview):
            with pytest.raises(Forbidden):
                act(company_a.actor("technician"), csv_of([ROW], HEADS))
        assert "no instrument has the number" in faults(company_a, csv_of([ROW], HEADS))["A2"]


def test_figures_that_may_mean_two_things_are_settled_by_the_others(company_a: World) -> None:
    lines = [["pressure", "Pa", "1.000", "", "1,5", "0,5", "2"], ["pressure", "Pa", "2", "", "2", "0,5", ""]]
    found = certificate_table.read_lines(csv_of(lines, HEADS[6:], ";"))
    assert [line.point.reference for line in found] == [1000.0, 2.0]
    lines[1][4] = "2.5"
    with pytest.raises(Invalid) as caught:
        certificate_table.read_lines(csv_of(lines, HEADS[6:], ";"))
    assert [fault.pointer for fault in caught.value.faults] == ["E3"]


def test_dates_and_percentages_of_workbooks_are_refused_at_their_cell(company_a: World) -> None:
    with company(company_a.id):
        gauges(company_a)
        row: list[object] = [*ROW]
        row[4], row[11] = date(2026, 2, 3), 0.5
        found = faults(company_a, xlsx_of([row], HEADS, L2="0%"))
        assert "date cell" in found["E2"]
        assert "percentage" in found["L2"]


def test_the_templates_are_read_as_they_are(company_a: World) -> None:
    assert len(certificate_table.read_lines(certificate_table.template(lines_only=True))) == 1
    with company(company_a.id):
        assert "M-2041" in faults(company_a, certificate_table.template())["A2"]
