"""Every method through the house: posted, stored, evaluated, judged, refused with its place when wrong."""

from dataclasses import MISSING, fields
from typing import Any, get_type_hints

import pytest

from jobs.models import Measurand
from jobs.tenancy.context import company
from measurements import calc
from measurements.calc.places import Readings
from measurements.evaluate import evaluate_session, recompute
from measurements.evidence import session_digest
from measurements.loading import QUANTITY_OF_USE
from measurements.methods import METHODS
from measurements.models import Method, Outcome, Reading, Result, Session
from tests.factories import World
from tests.measurements import batches, methods

OWN = ("pitot_traverse", "swept_traverse", "centreline_reading", "hood_reading")
"""Methods whose inputs are built by a function of their own."""
FIGURES = {
    "anemometer_traverse": ("pass", 0.91),
    "face_velocity": ("pass", 0.117),
    "flow_station": ("pass", 0.857),
    "static_profile": ("pass", 210.0),
    "pressure_check": ("pass", 260.0),
    "fan_test": ("pass", 561.0),
    "mixed_air": ("conditional_pass", 0.295),
    "leakage_test": ("pass", 9.5e-5),
    "room_pressure": ("pass", 14.9),
    "hood_face": ("pass", 0.4975),
    "sound_level": ("pass", 32.9),
    "valve_flow": ("pass", 0.000611),
    "pump_test": ("pass", 14.3),
    "coil_heat": ("pass", 25800.0),
}


@pytest.fixture
def equipped(fine: World) -> World:
    with company(fine.id):
        return methods.equip(fine)


def measured(world: World, sent: dict[str, Any]) -> Result:
    (outcome,) = batches.post(world, sent)
    assert outcome.outcome == "stored", outcome.errors
    with company(world.id):
        return evaluate_session(outcome.session)


def refused(world: World, sent: dict[str, Any]) -> dict[str, str]:
    (outcome,) = batches.post(world, sent)
    assert outcome.outcome == "refused"
    return {fault.pointer: fault.detail for fault in outcome.errors}


def test_every_method_is_in_the_table_and_fits_its_calculation() -> None:
    assert set(METHODS) == set(Method.values)
    for kind in METHODS.values():
        hints = get_type_hints(kind.inputs)
        names = [place.name for place in kind.places] + [told.name for told in kind.told]
        assert len(set(names)) == len(names), kind.method
        shaped = kind.shape(
            {place.name: {} for place in kind.places} | {t.name: {"value": 1, "u": 0} for t in kind.told}
        )
        if kind.method not in ("pitot_traverse", "swept_traverse", "centreline_reading", "hood_reading"):
            assert set(shaped) <= set(hints), kind.method
        for told in kind.told:
            if told.name in hints and told.kind is not None and not told.many:
                assert told.uncertain == (calc.Estimate in _options(hints[told.name])), (
                    kind.method,
                    told.name,
                )
        assert {place.use for place in kind.places} <= set(QUANTITY_OF_USE)
        for place in kind.places:
            assert QUANTITY_OF_USE[place.use] == place.quantity, (kind.method, place.name)


def _options(hint: Any) -> tuple[Any, ...]:
    return getattr(hint, "__args__", (hint,))


def test_what_a_calculation_cannot_do_without_is_asked_for() -> None:
    given = {"air", "standard_density", "duct", "allowances", "limits"}
    for kind in METHODS.values():
        if kind.method in (
            "pitot_traverse",
            "swept_traverse",
            "centreline_reading",
            "hood_reading",
            "mixed_air",
        ):
            continue
        needed = {
            f.name for f in fields(kind.inputs) if f.default is MISSING and f.default_factory is MISSING
        }
        asked = {p.name for p in kind.places if p.least} | {t.name for t in kind.told if t.needed}
        assert needed - given <= asked, kind.method


@pytest.mark.django_db
@pytest.mark.parametrize("name", sorted(methods.SESSIONS))
def test_a_session_of_each_method_is_stored_evaluated_and_judged(equipped: World, name: str) -> None:
    sent = methods.SESSIONS[name](equipped)
    result = measured(equipped, sent)
    assert result.outcome == Outcome.COMPUTED, result.refusal
    verdict, value = FIGURES[name]
    assert result.measurand == METHODS[name].measurand
    assert result.value == pytest.approx(value, rel=0.03)
    assert 0.0 < result.value_expanded < 0.35 * result.value
    assert result.verdict == verdict
    budget = result.detail["results"][result.measurand]["budget"]
    assert sum(row["share"] for row in budget) == pytest.approx(1.0, abs=1e-9)
    with company(equipped.id):
        assert recompute(result) == result.content_digest
        session = Session.objects.get(id=sent["id"])
        assert session_digest(session) == session.content_digest
        rows = Reading.objects.filter(session=session)
        assert rows.count() == len(sent["readings"])
        for row in rows:
            place = METHODS[name].place(row.place)
            assert place is not None
            assert str(row.instrument_id) == sent["instruments"][place.use]


@pytest.mark.django_db
def test_a_reading_names_a_place_that_the_method_has(equipped: World) -> None:
    sent = methods.fan(equipped)
    sent["readings"][0]["place"] = "roof"
    found = refused(equipped, sent)
    assert "There is no place 'roof' here; places are: inlet_pressure," in found["/sessions/0/readings"]


@pytest.mark.django_db
def test_a_place_takes_its_quantity_only_and_as_many_as_it_needs(equipped: World) -> None:
    sent = methods.profile(equipped)
    sent["readings"] = sent["readings"][:1]
    assert "needs 2 readings at the least" in refused(equipped, sent)["/sessions/0/readings"]
    sent = methods.pump(equipped)
    sent["readings"][0] |= {"quantity": "temperature", "unit": "Cel"}
    assert (
        "Gauge at the suction is pressure, not temperature."
        in refused(equipped, sent)["/sessions/0/readings"]
    )


@pytest.mark.django_db
def test_what_is_told_is_checked_at_its_place(equipped: World) -> None:
    sent = methods.fan(equipped)
    sent["told"] |= {
        "flow": {"value": "1850", "unit": "Pa"},
        "supply": "two_phase",
        "colour": "red",
        "curve_flow": {"value": "1", "unit": "m3/s"},
        "nameplate_power": {"value": "strong", "unit": "kW"},
    }
    found = refused(equipped, sent)
    assert found["/sessions/0/told/flow/unit"].startswith("'Pa' is no unit of flow; use one of: m3/s")
    assert found["/sessions/0/told/supply"] == "Supply of the motor is one of: three_phase, single_phase."
    assert found["/sessions/0/told/colour"].startswith("A fan test is told: flow,")
    assert found["/sessions/0/told/curve_flow"] == "This is a list."
    assert "is not a number" in found["/sessions/0/told/nameplate_power"]


@pytest.mark.django_db
def test_what_must_be_told_is_missed_and_what_has_no_use_refused(equipped: World) -> None:
    sent = methods.leakage(equipped)
    del sent["told"]["surface_area"], sent["conditions"]["air_temperature"]
    sent["instruments"]["hood"] = str(equipped.instruments["hood"].id)
    sent["plane"] = batches.rectangular_plane()
    found = refused(equipped, sent)
    assert found["/sessions/0/told/surface_area"] == "This is missing: Surface of the section."
    assert found["/sessions/0/conditions/air_temperature"] == "This is missing."
    assert "has no use for it" in found["/sessions/0/instruments/hood"]
    assert "has no measuring plane" in found["/sessions/0/plane"]


@pytest.mark.django_db
def test_the_instrument_of_every_place_is_asked_for(equipped: World) -> None:
    sent = methods.fan(equipped)
    del sent["instruments"]["voltage"]
    found = refused(equipped, sent)
    assert found["/sessions/0/instruments/voltage"] == "Name the instrument that showed the voltage."


@pytest.mark.django_db
def test_limits_of_the_point_win_over_those_of_the_test(equipped: World) -> None:
    point = equipped.points["AHU-1"]
    with company(equipped.id):
        type(point).objects.filter(id=point.id).update(design_of=Measurand.EXTERNAL_STATIC, limit_high=150.0)
    result = measured(equipped, methods.profile(equipped))
    assert (result.limit_low, result.limit_high, result.verdict) == (None, 150.0, "fail")
    assert result.share_of_design is None


@pytest.mark.django_db
def test_a_room_on_the_wrong_side_fails_whatever_its_size(equipped: World) -> None:
    sent = methods.room(equipped)
    for row in sent["readings"]:
        if row["place"] == "pressure":
            row["value"] = "-" + row["value"]
    result = measured(equipped, sent)
    assert result.verdict == "fail"
    assert result.value == pytest.approx(-14.9, rel=0.02)
    assert result.detail["classes"]["direction"] == "negative"


@pytest.mark.django_db
def test_temperatures_that_are_close_give_no_verdict(equipped: World) -> None:
    sent = methods.mixed(equipped)
    for row in sent["readings"]:
        if row["place"] == "outdoor_air":
            row["value"] = "21.0"
    result = measured(equipped, sent)
    assert result.verdict == "not_decidable"


@pytest.mark.django_db
def test_carbon_dioxide_tells_the_mixture_as_well(equipped: World) -> None:
    sent = methods.mixed(
        equipped,
        instruments=batches.tools(equipped, "carbon_dioxide"),
        readings=methods.read("carbon_dioxide", "ppm", "1010", "1004", place="return_co2")
        + methods.read("carbon_dioxide", "ppm", "421", "418", place="outdoor_co2")
        + methods.read("carbon_dioxide", "ppm", "832", "828", place="mixed_co2"),
    )
    result = measured(equipped, sent)
    assert result.outcome == Outcome.COMPUTED, result.refusal
    assert result.value == pytest.approx((1007 - 830) / (1007 - 419.5), rel=0.02)


@pytest.mark.django_db
def test_an_orifice_by_its_own_kind(equipped: World) -> None:
    sent = methods.station(
        equipped,
        told={
            "device": "orifice_d_d2",
            "pipe_diameter": batches.amount("200", "mm"),
            "throat_diameter": batches.amount("120", "mm"),
            "lengths": "full",
        },
    )
    result = measured(equipped, sent)
    assert result.outcome == Outcome.COMPUTED, result.refusal
    assert 0.05 < result.flow < 0.3
    assert result.detail["parts"][0]["figures"][0]["name"] == "coefficient"


@pytest.mark.django_db
def test_the_house_decides_which_fan_static_pressure_is_stated(equipped: World) -> None:
    defined = measured(equipped, methods.fan(equipped))
    with company(equipped.id):
        type(equipped.company).objects.update(fan_static="field")
    field = measured(equipped, methods.fan(equipped))
    assert field.value == pytest.approx(588.5, rel=0.01)
    assert field.value - defined.value == pytest.approx(0.5 * 1.19 * (1.85 / 0.28) ** 2, rel=0.05)


def test_readings_are_one_form() -> None:
    for kind in METHODS.values():
        hints = get_type_hints(kind.inputs)
        for place in kind.places:
            if place.name in hints and place.name != "velocity_pressure" and kind.method != "hood_reading":
                assert Readings in _options(hints[place.name]) or kind.swept, (kind.method, place.name)


@pytest.mark.django_db
def test_a_fan_that_contradicts_the_fan_laws_is_flagged(equipped: World) -> None:
    first = methods.fan(equipped)
    measured(equipped, first)
    for row in (second := methods.fan(equipped))["readings"]:
        if row["place"] == "speed":
            row["value"] = "1000"
    second["started_at"] = first["finished_at"]
    second["finished_at"] = batches.now().isoformat()
    result = measured(equipped, second)
    assert result.inputs["calculation"]["earlier"]["speed"]["value"] == pytest.approx(19.6, rel=0.01)
    codes = {remark["code"] for remark in result.detail["remarks"]}
    assert "fan_laws_disagree" in codes


@pytest.mark.django_db
def test_runs_of_a_jobs_planes_are_pooled(equipped: World) -> None:
    for tag in ("MD-1", "BD-1"):
        measured(equipped, batches.traverse(equipped, tag))
    later = measured(equipped, batches.traverse(equipped, "FS-1"))
    pooled = later.inputs["calculation"]["run_repeatability"]
    assert pooled["dof"] == 2.0
    assert 0.0005 < pooled["u"] < 0.002  # the runs differ by 0.2 % of the velocity
    names = {row["name"] for row in later.detail["results"]["flow"]["budget"]}
    assert "Repeatability of runs, pooled" in names
