"""The design schedule: all or nothing, told by cell, and the same import again changes nothing."""

import hashlib
from time import process_time
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.errors import Forbidden, Invalid, NotFound
from jobs.models import Event, System, TestPoint
from jobs.schedule import Counts, import_schedule, preview
from jobs.tenancy.context import company
from tests.factories import World
from tests.jobs.sheets import HEADS, SMALL, csv_of, xlsx_of

pytestmark = pytest.mark.django_db


def imported(world: World, file: bytes) -> Any:
    with company(world.id):
        return import_schedule(world.actor("dispatcher"), world.site.id, file, file_name="halls.csv")


def faults(world: World, file: bytes) -> dict[str, str]:
    """What is wrong, by cell. Nothing may have been stored."""
    with company(world.id):
        before = (System.objects.count(), TestPoint.objects.count(), Event.objects.count())
        with pytest.raises(Invalid) as caught:
            import_schedule(world.actor("dispatcher"), world.site.id, file)
        assert (System.objects.count(), TestPoint.objects.count(), Event.objects.count()) == before
    return {fault.pointer: fault.detail for fault in caught.value.faults}


def row(**cells: Any) -> list[Any]:
    """An outlet's row with some cells otherwise; heads with underscores for spaces."""
    values = {"system": "AHU-7", "tag": "S-9", "kind": "outlet", "design flow": 90, "flow unit": "L/s"}
    values |= {name.replace("_", " "): value for name, value in cells.items()}
    plain = [head.removesuffix(" %") for head in HEADS]
    return [values.get(head, "") for head in plain]


@pytest.mark.parametrize("make", [csv_of, xlsx_of])
def test_a_schedule_becomes_systems_and_points(company_a: World, make: Any) -> None:
    file = make(SMALL)
    found = imported(company_a, file)
    assert (found.rows, found.systems, found.points) == (3, Counts(added=1), Counts(added=3))
    with company(company_a.id):
        system = System.objects.get(tag="AHU-7")
        assert (system.name, system.kind, system.site_id) == ("Halls", "supply", company_a.site.id)
        main, branch, outlet = system.points.order_by("position")
        assert (main.width_m, main.height_m, main.design_flow, main.shape) == (0.5, 0.4, 0.9, "rectangular")
        assert (main.design_entered, main.tolerance_below, main.tolerance_above) == ("900 L/s", 0.05, 0.10)
        assert (branch.diameter_m, branch.parent_id, branch.design_basis) == (0.25, main.id, "standard")
        assert (outlet.parent_id, outlet.location) == (branch.id, "Room 1")
        event = Event.objects.get(verb="schedule.imported")
        assert event.content_digest == found.digest == hashlib.sha256(file).hexdigest()
        assert event.subject_id == company_a.site.id
        assert event.data["points"] == {"added": 3, "changed": 0, "unchanged": 0}
        assert (event.data["columns"]["A"], event.data["changed"]) == ("system", [])


def test_units_of_both_systems_in_heads_columns_and_cells(company_a: World) -> None:
    heads = ["System", "TAG", " Kind ", "shape", "Width [in]", "height (in)", "Design  Flow (cfm)"]
    found = imported(
        company_a, csv_of([["AHU-7", "M", "plane", "rectangular", "20", "16 in", "500 L/s"]], heads)
    )
    assert found.points.added == 1
    with company(company_a.id):
        point = TestPoint.objects.get(tag="M")
    assert (point.width_m, point.height_m) == pytest.approx((0.508, 0.4064))
    assert (point.design_flow, point.design_entered) == (0.5, "500 L/s")


def test_the_same_file_again_changes_nothing(company_a: World) -> None:
    imported(company_a, csv_of(SMALL))
    again = imported(company_a, xlsx_of(SMALL))
    assert (again.systems, again.points) == (Counts(unchanged=1), Counts(unchanged=3))
    assert again.changes == ()


def test_a_revision_changes_by_tag_and_deletes_nothing(company_a: World) -> None:
    imported(company_a, csv_of(SMALL))
    revised = [SMALL[0], row(tag="S-2"), [*SMALL[2][:12], 120, *SMALL[2][13:]]]
    found = imported(company_a, csv_of(revised))
    assert found.points == Counts(added=1, changed=1, unchanged=1)
    changed = next(change for change in found.changes if not change.added)
    assert changed.fields["design_flow"] == (0.09, 0.12)
    assert "BD-1" in " ".join(found.notes)
    with company(company_a.id):
        points = {p.tag: p for p in TestPoint.objects.filter(system__tag="AHU-7")}
        logged = Event.objects.filter(verb="schedule.imported").latest("at").data
    assert sorted(points) == ["BD-1", "MD-1", "S-1", "S-2"]
    assert logged["values"]["AHU-7/S-1"]["design_flow"] == [0.09, 0.12]
    assert (points["S-1"].version, points["MD-1"].version, points["S-1"].design_entered) == (2, 1, "120 L/s")


def test_columns_that_are_absent_leave_what_is_stored(company_a: World) -> None:
    imported(company_a, csv_of(SMALL))
    found = imported(company_a, b"system;tag;kind;location\nAHU-7;MD-1;plane;Roof\n")
    assert found.points == Counts(changed=1)
    with company(company_a.id):
        main = TestPoint.objects.get(tag="MD-1", system__tag="AHU-7")
    assert (main.location, main.width_m, main.design_flow, main.tolerance_below) == ("Roof", 0.5, 0.9, 0.05)


def test_a_parent_may_stand_below_its_child_and_in_what_is_stored(company_a: World) -> None:
    imported(company_a, csv_of([SMALL[2], SMALL[1], SMALL[0]]))
    found = imported(company_a, csv_of([row(tag="S-5", parent="BD-1")]))
    assert found.points.added == 1


def test_a_preview_tells_the_same_and_stores_nothing(company_a: World) -> None:
    with company(company_a.id):
        seen = preview(company_a.actor("dispatcher"), company_a.site.id, csv_of(SMALL))
        assert not System.objects.filter(tag="AHU-7").exists()
    done = imported(company_a, csv_of(SMALL))
    assert (seen.stored, done.stored) == (False, True)
    assert (seen.points, seen.notes, seen.digest) == (done.points, done.notes, done.digest)


def test_every_fault_is_told_at_its_cell(company_a: World) -> None:
    bad = [
        row(tag=""),
        row(tag="S-1", kind="gadget"),
        row(tag="S-2", design_flow=0),
        row(tag="S-3", design_flow="-5"),
        row(tag="S-4", flow_unit="furlong"),
        row(tag="S-5", flow_unit=""),
        row(tag="S-6", shape="round"),
        row(tag="S-7", shape="round", diameter=250, width=100, size_unit="mm"),
        row(tag="S-8", parent="Z-1"),
        row(tag="S-9"),
        row(tag="s-9"),
        row(tag="P-1", kind="plane"),
        row(tag="S-10", tolerance_below="0.1"),
        row(tag="S-11", design_flow="=A1"),
        row(tag="S-12", shape="round", diameter=250, size_unit="m"),
        row(tag="x" * 41),
        row(tag="S-\u202e13"),
        row(tag="S-14", density_basis="normal"),
        row(tag="S-15", shape="oval", width=100, height=200, size_unit="mm"),
        row(tag="S-16", tolerance_below="0", tolerance_above="0"),
        row(tag="S-17", system=""),
    ]
    found = faults(company_a, csv_of(bad))
    expected = {
        "D2": "is empty; write the tag in each row",
        "E3": "write plane, outlet, fan",
        "M4": "must be above zero",
        "M5": "must be above zero",
        "N6": "'furlong' is no unit of flow; use m³/s",
        "M7": "has no unit; fill in 'flow unit'",
        "K8": "is empty; a round duct needs its diameter",
        "I9": "does not belong to a round duct",
        "F10": "'Z-1' is no tag of system 'AHU-7'",
        "D12": "stands in D11 already",
        "H13": "it is a traverse plane",
        "P14": "is 0.1 %; write 0 or 1 to 100",
        "M15": "is a formula",
        "K16": "is 250 m; ducts are",
        "D17": "longer than 40 characters",
        "D18": "invisible character",
        "O19": "write actual, standard",
        "I20": "the width is the long side",
        "Q21": "nothing lies within",
        "A22": "is empty; write the system in each row",
    }
    assert set(found) == set(expected)
    for cell, words in expected.items():
        assert words in found[cell], cell


def test_rings_are_told_also_through_stored_points(company_a: World) -> None:
    ring = faults(
        company_a, csv_of([row(tag="A", parent="B"), row(tag="B", parent="C"), row(tag="C", parent="A")])
    )
    assert ring == {"F4": "makes a ring: A → B → C → A"}
    assert "makes a ring: A → A" in faults(company_a, csv_of([row(tag="A", parent="A")]))["F2"]
    imported(company_a, csv_of([row(tag="A"), row(tag="B", parent="A"), row(tag="C", parent="B")]))
    assert "makes a ring" in faults(company_a, csv_of([row(tag="A", parent="C")]))["F2"]


def test_capitals_must_be_as_stored(company_a: World) -> None:
    imported(company_a, csv_of(SMALL))
    assert faults(company_a, csv_of([row(tag="s-1")])) == {"D2": "is stored as 'S-1'; write it so"}
    assert faults(company_a, csv_of([row(system="ahu-7")])) == {"A2": "is stored as 'AHU-7'; write it so"}


def test_heads_are_told_when_missing_doubled_or_misspelt(company_a: World) -> None:
    assert "no column 'kind'" in faults(company_a, b"system,tag,location\nA,B,C\n")["row 1"]
    assert "is a second column 'tag'" in faults(company_a, b"system,tag,kind,Tag\nA,B,fan,C\n")["D1"]
    assert "write 'design flow'" in faults(company_a, b"system,tag,kind,desing flow\nA,B,fan,1\n")["D1"]
    assert "no row of column heads" in faults(company_a, b"some,thing,else\n1,2,3\n")["row 1"]
    assert "nothing below the heads" in faults(company_a, b"system,tag,kind\n")["row 1"]


def test_titles_above_the_heads_and_foreign_columns_are_passed_over(company_a: World) -> None:
    file = b"Library,,,\n,,,\nsystem,tag,kind,supplier\nAHU-7,F-1,fan,somebody\n"
    found = imported(company_a, file)
    assert found.points.added == 1
    assert any("D 'supplier'" in note for note in found.notes)


def test_decimal_marks_are_settled_by_the_file(company_a: World) -> None:
    heads = ["system", "tag", "kind", "design flow [L/s]"]
    alone = faults(company_a, csv_of([["A", "S-1", "outlet", "1,250"]], heads, ";"))
    assert "may mean 1250 or 1.25" in alone["D2"]
    mixed = faults(
        company_a, csv_of([["A", "S-1", "outlet", "12,5"], ["A", "S-2", "outlet", "7.5"]], heads, ";")
    )
    assert "use one of them" in "".join(mixed.values())
    imported(company_a, csv_of([["A", "S-1", "outlet", "1,250"], ["A", "S-2", "outlet", "12,5"]], heads, ";"))
    with company(company_a.id):
        assert TestPoint.objects.get(system__tag="A", tag="S-1").design_flow == pytest.approx(0.00125)


def test_numbers_and_formats_of_a_workbook(company_a: World) -> None:
    percent = [[*SMALL[0][:15], 0.05, 0.1], *SMALL[1:]]
    imported(company_a, xlsx_of(percent, P2="0%", Q2="0.0%"))
    with company(company_a.id):
        main = TestPoint.objects.get(tag="MD-1", system__tag="AHU-7")
    assert (main.tolerance_below, main.tolerance_above) == pytest.approx((0.05, 0.10))
    told = faults(company_a, xlsx_of([row(tag="S-30", design_flow="=40+50")]))
    assert "paste it as values" in told["M2"]


@pytest.mark.parametrize(
    ("text", "value"),
    [("+90", 0.09), ("-1+1", None), ("@SUM(A1)", None), ("−12.5", None), ("=HYPERLINK(1)", None)],
)
def test_cells_that_a_spreadsheet_would_evaluate_are_text_or_refused(
    company_a: World, text: str, value: float | None
) -> None:
    file = csv_of([row(tag="S-40", design_flow=text, location="@SUM(A1)")])
    if value is None:
        assert set(faults(company_a, file)) == {"M2"}
        return
    imported(company_a, file)
    with company(company_a.id):
        point = TestPoint.objects.get(tag="S-40")
    assert (point.design_flow, point.location) == (value, "@SUM(A1)")


def test_doubtful_sizes_are_noted(company_a: World) -> None:
    found = imported(
        company_a, csv_of([[*SMALL[0][:12], 9000, *SMALL[0][13:]], row(tag="S-3", design_flow="")])
    )
    assert any(note.startswith("M2: MD-1 would have 45 m/s") for note in found.notes)
    assert any("no design flow" in note for note in found.notes)


def test_only_planners_import_and_only_into_their_own_site(company_a: World, company_b: World) -> None:
    with company(company_a.id):
        for role in ("technician", "supervisor"):
            with pytest.raises(Forbidden):
                import_schedule(company_a.actor(role), company_a.site.id, csv_of(SMALL))
        with pytest.raises(NotFound):
            import_schedule(company_a.actor("dispatcher"), company_b.site.id, csv_of(SMALL))
        with pytest.raises(NotFound):
            preview(company_a.actor("dispatcher"), company_b.site.id, csv_of(SMALL))


def many(count: int) -> bytes:
    mains = [[*SMALL[0][:3], f"MD-{n}", *SMALL[0][4:]] for n in range(count // 10)]
    outlets = [row(tag=f"S-{n}", parent=f"MD-{n % (count // 10)}") for n in range(count - count // 10)]
    return csv_of([*outlets, *mains])


def test_five_thousand_rows_in_seconds_by_few_statements(company_a: World, company_b: World) -> None:
    counts = {}
    for world, size in ((company_b, 1000), (company_a, 5000)):
        start = process_time()
        with CaptureQueriesContext(connection) as seen:
            assert imported(world, many(size)).rows == size
        counts[size] = len(seen)
        assert process_time() - start < 10
    assert counts[5000] - counts[1000] == 4  # one more statement for each further thousand
    start = process_time()
    revised = many(5000).replace(b"90,L/s", b"95,L/s")
    assert imported(company_a, revised).points == Counts(changed=4500, unchanged=500)
    assert process_time() - start < 10
