"""What columns mean: engineers' heads are understood, doubtful ones asked, what was said is remembered."""

from typing import Any

import pytest

from jobs import schedule_guess
from jobs.errors import Invalid, PreconditionFailed
from jobs.models import Quantity, ScheduleHead, TestPoint
from jobs.schedule import NOTHING_SAID, import_schedule, preview, try_schedule
from jobs.schedule_columns import Column, Matching, Said, Source, unit_of
from jobs.schedule_guess import guess_head
from jobs.schedule_match import match_heads
from jobs.schedule_said import read_said, said_as_json
from jobs.schedule_sizes import NoSize, read_size
from jobs.sheets import Faults, read_sheet
from jobs.tenancy.context import company
from tests.factories import World
from tests.jobs.sheets import csv_of, xlsx_of

C = Column


@pytest.mark.parametrize(
    ("head", "column", "unit"),
    [
        ("CFM", C.FLOW, "[cft_i]/min"),
        ("L/s", C.FLOW, "L/s"),
        ("GPM", C.FLOW, "[gal_us]/min"),
        ("Supply air (l/s)", C.FLOW, "L/s"),
        ("Design airflow", C.FLOW, ""),
        ("Design airflow (CFM)", C.FLOW, "[cft_i]/min"),
        ("Design flow, L/s", C.FLOW, "L/s"),
        ("CFM design", C.FLOW, "[cft_i]/min"),
        ("Design airflow in L/s", C.FLOW, "L/s"),
        ("Air flow m3/h", C.FLOW, "m3/h"),
        ("Airflow [ft3/min]", C.FLOW, "[cft_i]/min"),
        ("Req'd CFM", C.FLOW, "[cft_i]/min"),
        ("Dia.", C.DIAMETER, ""),
        ("Ø mm", C.DIAMETER, "mm"),
        ("Duct dia (in)", C.DIAMETER, "[in_i]"),
        ("Width, mm", C.WIDTH, "mm"),
        ("Depth [mm]", C.HEIGHT, "mm"),
        ("W x H", C.SIZE, ""),
        ("Duct size (W×H)", C.SIZE, ""),
        ("W/H", C.SIZE, ""),
        ("Neck size 10x8", C.SIZE, ""),
        ("Neck size (in)", C.SIZE, "[in_i]"),
        ("Tag/Mark", C.TAG, ""),
        ("Tag no.", C.TAG, ""),
        ("MARK", C.TAG, ""),
        ("AHU", C.SYSTEM, ""),
        ("Room no.", C.LOCATION, ""),
        ("Fed from", C.PARENT, ""),
        ("Tol. below", C.BELOW, ""),
    ],
)
def test_heads_of_engineers_are_understood(head: str, column: Column, unit: str) -> None:
    found = guess_head(head)
    assert found.column is column
    assert (found.unit.name if found.unit else "") == unit


@pytest.mark.parametrize(
    ("head", "candidates"),
    [
        ("Unit", {C.SYSTEM, C.SIZE_UNIT, C.FLOW_UNIT}),
        ("Type", {C.KIND, C.SYSTEM_KIND, C.SHAPE}),
        ("No.", {C.TAG}),
        ("#", {C.TAG}),
        ("Served by", {C.SYSTEM, C.PARENT}),
        ("Tolerance", {C.BELOW, C.ABOVE}),
        ("Max CFM", {C.FLOW}),
        ("Min (L/s)", {C.FLOW}),
        ("D", {C.DIAMETER, C.HEIGHT}),
        ("Area", {C.LOCATION}),
    ],
)
def test_what_may_mean_two_things_is_not_guessed(head: str, candidates: set[Column]) -> None:
    found = guess_head(head)
    assert found.column is None
    assert set(found.could_be) == candidates


@pytest.mark.parametrize(
    "head",
    ["Actual CFM", "Final L/s", "% of design", "Supply air", "Supplier", "Room area (m²)", "mm", "In", ""],
)
def test_measured_and_foreign_columns_are_left_aside(head: str) -> None:
    found = guess_head(head)
    assert (found.column, found.could_be) == (None, ())


def test_a_hostile_head_is_cut_before_it_is_taken_apart() -> None:
    """Brackets without end cost their square."""
    assert schedule_guess._split("(" * 1000) == ("(" * schedule_guess.LONGEST_HEAD, "")


def test_scfm_tells_the_density_basis() -> None:
    assert guess_head("SCFM").basis == "standard"
    assert guess_head("Airflow (ACFM)").basis == "actual"


def matched(rows: list[list[Any]], said: Matching = NOTHING_SAID, make: Any = csv_of, **memory: Said) -> Any:
    """The meaning of each column by its letter, and the faults."""
    faults = Faults()
    heads, *body = rows
    found = match_heads(read_sheet(make(body, heads)), said, memory, faults, lenient=True)
    return found, {fault.pointer: fault.detail for fault in faults.found}


def test_of_equal_claims_none_is_taken_and_the_better_known_wins() -> None:
    heads, faults = matched([["system", "Mark", "Tag ID", "kind", "CFM"], ["A", "1", "S-1", "fan", "9"]])
    assert "may be 'tag', and so may B1" in faults["C1"]
    assert C.TAG not in heads.places
    assert [one.could_be for one in heads.matches[1:3]] == [(C.TAG,), (C.TAG,)]
    heads, faults = matched([["system", "Mark", "tag", "kind"], ["A", "1", "S-1", "fan"]])
    assert (heads.places[C.TAG], faults) == (2, {})
    _, faults = matched([["system", "tag", "kind", "Max CFM", "Min CFM"], ["A", "1", "fan", "9", "4"]])
    assert set(faults) == {"D1", "E1"}
    assert "may be the design flow" in faults["D1"]


def test_values_decide_what_a_vague_head_leaves_open() -> None:
    heads, faults = matched(
        [["system", "tag", "Type", "Service", "Units", "flow"], ["A", "1", "Outlet", "supply", "cfm", "9"]]
    )
    assert (heads.places[C.KIND], heads.places[C.SYSTEM_KIND], heads.places[C.FLOW_UNIT]) == (2, 3, 4)
    assert heads.matches[2].source is Source.VALUES
    assert faults == {}
    _, faults = matched([["system", "tag", "Type"], ["A", "1", "Model 7"]])
    assert faults == {"row 1": "has no column 'kind'; add it, or say by 'columns' whether it is C 'Type'"}


def test_a_row_of_units_below_the_heads_is_read(db: None) -> None:
    rows = [["system", "tag", "kind", "W", "H", "Airflow"], ["", "", "", "mm", "mm", "(L/s)"]]
    heads, faults = matched([*rows, ["A", "1", "plane", "500", "400", "900"]])
    assert (heads.row, heads.last, faults) == (1, 2, {})
    assert {str(column): unit.name for column, unit in heads.units.items()} == {
        "width": "mm", "height": "mm", "design flow": "L/s",
    }  # fmt: skip


def test_titles_above_and_columns_without_a_head_are_seen() -> None:
    rows = [["Library", "", ""], ["Rev. B", "2026", ""], ["Mark", "AHU", ""], ["S-1", "A", "outlet"]]
    heads, faults = matched(rows)
    assert (heads.row, heads.places[C.TAG], heads.places[C.SYSTEM]) == (3, 0, 1)
    assert (heads.matches[2].head, heads.matches[2].column) == ("", C.KIND)
    assert faults == {}


def test_what_is_said_beats_everything_and_is_checked() -> None:
    rows = [["system", "tag", "kind", "Q"], ["A", "1", "outlet", "90"]]
    said = Matching({1: Said(None), 3: Said(C.TAG)})
    heads, faults = matched(rows, said)
    assert (heads.places[C.TAG], faults) == (3, {})
    _, faults = matched(rows, Matching({3: Said(C.TAG), 2: Said(C.TAG), 9: Said(C.FLOW)}))
    assert faults["D1"] == "is a second column 'tag'; keep one"
    assert "is empty in the file" in faults["column J"]
    _, faults = matched(rows, Matching(for_all={C.KIND: "outlet"}))
    assert faults == {"all_rows/kind": "is column C already; leave one of them out"}
    _, faults = matched([rows[0], ["A", "1", "", "90"]], Matching({2: Said(None)}, {C.KIND: "gadget"}))
    assert "write plane, outlet" in faults["all_rows/kind"]
    _, faults = matched([["tag", "kind"], ["1", "fan"]], Matching(for_all={C.SYSTEM: "x" * 41}))
    assert "longer than 40 characters" in faults["all_rows/system"]
    with pytest.raises(Invalid, match="row of the heads is empty"):
        matched(rows, Matching(head_row=9))


@pytest.mark.parametrize(
    "value",
    [
        [], "x", {"other": 1}, {"columns": []}, {"columns": {"a": {"is": "tag"}}}, {"columns": {"A": "tag"}},
        {"columns": {"A": {"is": "colour"}}}, {"columns": {"A": {"is": 5}}},
        {"columns": {"A": {"is": "tag", "unit": "mm"}}},
        {"columns": {"A": {"is": "width", "unit": "L/s"}}}, {"columns": {"A": {"is": "width", "unit": 3}}},
        {"columns": {"BZ": {"is": "tag"}}}, {"all_rows": {"tag": "S-1"}}, {"all_rows": {"kind": 4}},
        {"all_rows": {"system": "A\nB"}}, {"all_rows": {"system": "x" * 201}}, {"head_row": 0},
        {"head_row": True}, {"head_row": "3"}, {"head_row": 1e3},
    ],
)  # fmt: skip
def test_nonsense_is_refused(value: Any) -> None:
    with pytest.raises(Invalid) as caught:
        read_said(value)
    assert caught.value.faults


def test_what_is_said_survives_as_json() -> None:
    value = {
        "head_row": 3,
        "columns": {"A": {"is": "tag"}, "C": {"is": "design flow", "unit": "cfm"}, "D": {"is": ""}},
        "all_rows": {"kind": "outlet"},
    }
    said = read_said(value)
    assert said.columns[3] == Said(None)
    assert said.columns[2] == Said(C.FLOW, unit_of("cfm", Quantity.FLOW))
    assert read_said(said_as_json(said)) == said


@pytest.mark.parametrize(
    ("text", "figures", "unit", "is_round"),
    [
        ("500 x 400", [500, 400], "", False),
        ("10x8", [10, 8], "", False),
        ("500×400 mm", [500, 400], "mm", False),
        ('10"x8"', [10, 8], '"', False),
        ("12.5 X 8", [12.5, 8], "", False),
        ("ø250", [250], "", True),
        ("Ø 250 mm", [250], "mm", True),
        ("250ø", [250], "", True),
        ('10" dia.', [10], '"', True),
        ("dia 250", [250], "", True),
        ("10 round", [10], "", True),
        ("250", [250], "", False),
    ],
)
def test_sizes_in_one_cell(text: str, figures: list[float], unit: str, is_round: bool) -> None:
    found = read_size(text)
    assert [figure.value(None) for figure in found.figures] == figures
    assert (found.unit, found.is_round) == (unit, is_round)


@pytest.mark.parametrize("text", ["x", "10x", "10x8x6", "ø10x8", "wide", "10 mm x 8 in", "nan x 4", "=1x2"])
def test_no_sizes(text: str) -> None:
    with pytest.raises(NoSize):
        read_size(text)


# Through the action


pytestmark = pytest.mark.django_db
OUTLETS = [["Mark", "Area served", "Neck size", "CFM"], ["S-1", "Hall", '10"x8"', "200"],
           ["S-2", "Foyer", '8" dia', "150"]]  # fmt: skip
FOR_ALL = {C.SYSTEM: "AHU-7", C.KIND: "outlet"}


def stored(
    world: World, rows: list[list[Any]], said: Matching = NOTHING_SAID, make: Any = csv_of, **more: Any
) -> Any:
    with company(world.id):
        return import_schedule(
            world.actor("dispatcher"), world.site.id, make(rows[1:], rows[0]), said, **more
        )


@pytest.mark.parametrize("make", [csv_of, xlsx_of])
def test_an_outlet_schedule_of_an_engineer_is_imported(company_a: World, make: Any) -> None:
    found = stored(company_a, OUTLETS, Matching(for_all=FOR_ALL), make)
    assert found.points.added == 2
    with company(company_a.id):
        one, two = TestPoint.objects.filter(system__tag="AHU-7").order_by("position")
    assert one.shape == "rectangular"
    assert (one.width_m, one.height_m) == pytest.approx((0.254, 0.2032))
    assert (two.shape, two.diameter_m, two.location) == ("round", pytest.approx(0.2032), "Foyer")
    assert (one.design_flow, one.design_entered) == (pytest.approx(0.0943895), "200 ft³/min")
    assert any("count as rectangular" in note for note in found.notes)


def test_without_a_shape_column_sizes_tell_it_and_a_stored_oval_stays(company_a: World) -> None:
    heads = ["system", "tag", "kind", "W mm", "H mm", "Dia mm"]
    rows = [heads, ["A", "P-1", "plane", 600, 300, ""], ["A", "P-2", "plane", "", "", 250]]
    stored(company_a, rows)
    with company(company_a.id):
        shapes = dict(TestPoint.objects.filter(system__tag="A").values_list("tag", "shape"))
        assert shapes == {"P-1": "rectangular", "P-2": "round"}
        TestPoint.objects.filter(system__tag="A", tag="P-1").update(shape="oval")
    again = stored(
        company_a, [heads, ["A", "P-1", "plane", 600, 300, ""], ["A", "P-2", "plane", "", "", 250]]
    )
    assert again.points.unchanged == 2


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("250", "may be a diameter or a side; write ø250"),
        ("", "a traverse plane needs its size"),
        ("wide", "is no size of a duct; write it as 500 x 400 or ø250"),
        ("500x4 m", "is 500 m; ducts are"),
    ],
)
def test_faults_of_a_size_stand_at_its_cell(company_a: World, cell: str, words: str) -> None:
    with pytest.raises(Invalid) as caught:
        stored(company_a, [["system", "tag", "kind", "Size [mm]"], ["A", "P-1", "plane", cell]])
    assert {fault.pointer for fault in caught.value.faults} == {"D2"}
    assert words in caught.value.faults[0].detail


def test_a_size_that_does_not_fit_its_shape_is_refused(company_a: World) -> None:
    rows = [
        ["system", "tag", "kind", "shape", "size", "size unit"],
        ["A", "P-1", "plane", "round", "5x4", "in"],
    ]
    with pytest.raises(Invalid) as caught:
        stored(company_a, rows)
    assert [fault.pointer for fault in caught.value.faults] == ["E2"]
    stored(company_a, [rows[0], ["A", "P-1", "plane", "round", "5", "in"]])
    stored(company_a, [rows[0], ["A", "P-1", "plane", "oval", "9x5", "in"]])


def test_what_was_said_is_remembered_for_the_customer_only(company_a: World, company_b: World) -> None:
    rows = [["Bauteil", "AHU", "Was", "Q"], ["S-1", "A", "outlet", "90"]]
    with company(company_a.id), pytest.raises(Invalid):
        preview(company_a.actor("dispatcher"), company_a.site.id, csv_of(rows[1:], rows[0]))
    said = read_said({"columns": {"A": {"is": "tag"}, "D": {"is": "design flow", "unit": "L/s"}}})
    stored(company_a, rows, said)
    again = stored(company_a, rows)
    assert [one.source for one in again.columns] == ["remembered", "head", "values", "remembered"]
    assert again.points.unchanged == 1
    with company(company_b.id), pytest.raises(Invalid):
        preview(company_b.actor("dispatcher"), company_b.site.id, csv_of(rows[1:], rows[0]))
    with company(company_a.id):
        assert ScheduleHead.objects.count() == 2


def test_our_own_heads_mean_what_they_say_whatever_was_said_before(company_a: World) -> None:
    rows = [["system", "tag", "kind", "location"], ["A", "S-1", "outlet", "Hall"]]
    stored(company_a, rows, Matching({3: Said(None)}))
    assert stored(company_a, rows).points.changed == 1


def test_a_trial_tells_every_row_and_every_fault(company_a: World) -> None:
    rows = [["system", "tag", "kind", "design flow [L/s]"]]
    rows += [["A", f"S-{number}", "outlet", "0" if number % 2 else "90"] for number in range(1000)]
    with company(company_a.id):
        found = try_schedule(company_a.actor("dispatcher"), company_a.site.id, csv_of(rows[1:], rows[0]))
        assert TestPoint.objects.filter(system__tag="A").count() == 0
    assert (len(found.rows), len(found.faults), found.imported) == (1000, 500, None)
    faulty = found.rows[1]
    assert (faulty.number, faulty.point.tag) == (3, "S-1")
    assert [(one.where, one.column) for one in faulty.faults] == [("D3", C.FLOW)]


def test_an_import_bound_to_a_preview_stores_only_what_was_seen(company_a: World) -> None:
    rows = [["system", "name", "tag", "kind", "CFM"], ["A", "", "S-1", "outlet", "90"]]
    file = csv_of(rows[1:], rows[0])
    with company(company_a.id):
        seen = preview(company_a.actor("dispatcher"), company_a.site.id, file)
    stored(company_a, [rows[0], ["A", "", "S-1", "outlet", "80"]])
    with pytest.raises(PreconditionFailed):
        stored(company_a, rows, plan=seen.plan)
    with company(company_a.id):
        assert TestPoint.objects.get(system__tag="A").design_entered == "80 ft³/min"
        seen = preview(company_a.actor("dispatcher"), company_a.site.id, file)
    assert stored(company_a, rows, plan=seen.plan).points.changed == 1


def test_the_same_figure_in_another_unit_is_no_change(company_a: World) -> None:
    stored(company_a, [["system", "tag", "kind", "L/s"], ["A", "S-1", "outlet", "94.38948864"]])
    again = stored(company_a, [["system", "tag", "kind", "CFM"], ["A", "S-1", "outlet", "200"]])
    assert again.points.unchanged == 1


def test_a_system_that_changes_is_told_old_and_new(company_a: World) -> None:
    heads = ["system", "system name", "system kind", "tag", "kind"]
    first = stored(company_a, [heads, ["A", "Halls", "supply", "F-1", "fan"]])
    assert [(one.tag, one.added) for one in first.system_changes] == [("A", True)]
    found = stored(company_a, [heads, ["A", "Halls", "exhaust", "F-1", "fan"]])
    assert [(one.tag, one.added, dict(one.fields)) for one in found.system_changes] == [
        ("A", False, {"kind": ("supply", "exhaust")})
    ]
