"""A site's schedule as a table: imported again it changes nothing, whatever is stored."""

import csv
import io
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from jobs.access import Actor
from jobs.errors import NotFound
from jobs.models import Company, DensityBasis, PointKind, Shape, System, TestPoint
from jobs.schedule import import_schedule, preview
from jobs.schedule_export import schedule_csv, schedule_xlsx, template_csv, template_xlsx
from jobs.sheets.inert import inert, plain
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World

pytestmark = pytest.mark.django_db
WRITERS = [schedule_csv, schedule_xlsx]


def state() -> list[Any]:
    """All that is stored of systems and points, versions too."""
    names = [field.attname for field in TestPoint._meta.concrete_fields if field.name != "position"]
    return [
        *System.objects.order_by("id").values_list(),
        *TestPoint.objects.order_by("id").values_list(*names),
    ]


def assert_round_trip(world: World, write: Any) -> None:
    actor: Actor = world.actor("dispatcher")
    before = state()
    found = import_schedule(actor, world.site.id, write(actor, world.site.id))
    assert (found.changes, found.system_changes) == ((), ())
    assert state() == before


@pytest.mark.parametrize("write", WRITERS)
@pytest.mark.parametrize("units", ["SI", "IP"])
def test_an_export_imported_again_changes_nothing(company_a: World, write: Any, units: str) -> None:
    with company(company_a.id):
        Company.objects.update(unit_system=units)
        other = factories.system(company_a.site, "EF-1", name="", kind="exhaust")
        factories.plane(other, "=cmd()", shape=Shape.OVAL, width_m=0.6, height_m=0.3, location="@SUM(A1)  +1")
        factories.outlet(other, "-S 1", design_flow=1 / 3, design_entered="333.333 L/s", location="'=x\nnext")
        factories.outlet(other, "+2", design_flow=0.00125, design_entered="1,250 L/s", tolerance_below=0.005)
        factories.outlet(other, "3", design_flow=1.25, design_entered="1,250 L/s", tolerance_above=0.075)
        factories.outlet(
            other, "4", design_flow=0.0943895, design_entered="", design_basis=DensityBasis.STANDARD
        )
        factories.outlet(other, "5", design_flow=None, design_entered="", kind=PointKind.FUME_HOOD)
        factories.outlet(other, "6", design_flow=1.234e-5, design_entered="")
        assert_round_trip(company_a, write)
        assert_round_trip(company_a, write)


@pytest.mark.parametrize("write", WRITERS)
def test_E5_a_table_of_formula_like_texts_is_inert(company_a: World, write: Any) -> None:
    with company(company_a.id):
        factories.outlet(company_a.system, "=1+1", location='=HYPERLINK("x")', position=9)
        made = write(company_a.actor("technician"), company_a.site.id)
    if write is schedule_csv:
        last = list(csv.reader(io.StringIO(made.decode("utf-8-sig"))))[-1]
        assert (last[3], last[6]) == ("'=1+1", '\'=HYPERLINK("x")')
    else:
        row = list(openpyxl.load_workbook(io.BytesIO(made)).active.iter_rows())[-1]
        assert [(row[3].value, row[3].data_type), row[6].data_type] == [("=1+1", "s"), "s"]


TEXTS = some.text(some.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), max_size=30)
FLOWS = some.floats(1e-6, 1999.0)
SIDES = some.floats(0.021, 19.9)
ENTERED = some.sampled_from(["", "900 L/s", "1,250 cfm", "1.250 m³/h", "12,5 L/s", "nothing", "−4 L/s"])


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=some.data())
@pytest.mark.parametrize("write", WRITERS)
def test_whatever_is_stored_comes_back_the_same(company_a: World, write: Any, data: some.DataObject) -> None:
    with company(company_a.id):
        made = factories.system(company_a.site, f"T-{TestPoint.objects.count()}", name=data.draw(TEXTS))
        parent = None
        for number in range(data.draw(some.integers(1, 6))):
            shape = data.draw(some.sampled_from(list(Shape)))
            sides = sorted((data.draw(SIDES), data.draw(SIDES)), reverse=True)
            is_round, sided = shape is Shape.ROUND, shape in (Shape.RECTANGULAR, Shape.OVAL)
            parent = factories.outlet(
                made,
                f"{number}",
                parent=parent if data.draw(some.booleans()) else None,
                location=data.draw(TEXTS),
                shape=shape,
                width_m=sides[0] if sided else None,
                height_m=sides[1] if sided else None,
                diameter_m=sides[0] if is_round else None,
                design_flow=data.draw(some.none() | FLOWS),
                design_entered=data.draw(ENTERED),
                design_basis=data.draw(some.sampled_from(list(DensityBasis))),
                tolerance_below=data.draw(some.none() | some.floats(1e-4, 1.0)),
                tolerance_above=data.draw(some.none() | some.floats(1e-4, 1.0)),
                position=number,
            )
        assert_round_trip(company_a, write)


@given(text=some.text(max_size=12))
def test_what_was_made_inert_comes_back(text: str) -> None:
    made = inert(text)
    assert plain(made) == text
    assert not made.startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("make", [template_csv, template_xlsx])
def test_the_template_is_what_the_import_takes(company_a: World, make: Any) -> None:
    with company(company_a.id):
        site = factories.site(company_a.customer, "New hall")
        found = preview(company_a.actor("dispatcher"), site.id, make())
    assert (found.rows, found.points.added, found.systems.added) == (3, 3, 1)


def test_an_order_of_the_schedule_is_kept_per_system(company_a: World) -> None:
    file = b"system,tag,kind\nB,2,fan\nA,9,fan\nB,1,fan\nA,8,fan\n"
    with company(company_a.id):
        actor = company_a.actor("dispatcher")
        import_schedule(actor, company_a.site.id, file)
        rows = list(csv.reader(io.StringIO(schedule_csv(actor, company_a.site.id).decode("utf-8-sig"))))[1:]
        assert [row[3] for row in rows if row[0] in "AB"] == ["9", "8", "2", "1"]
        assert set(TestPoint.objects.filter(system__tag="B").values_list("tag", "position")) == {
            ("2", 1), ("1", 2),
        }  # fmt: skip


def test_another_companys_schedule_is_not_there(company_a: World, company_b: World) -> None:
    with company(company_a.id):
        for write in WRITERS:
            with pytest.raises(NotFound):
                write(company_a.actor("owner"), company_b.site.id)
